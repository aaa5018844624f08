//! The file itself: read in one piece, and replaced as a whole or not at all.

use std::fs::{File, Metadata, TryLockError};
use std::io::{self, ErrorKind, Read};
use std::os::unix::fs::MetadataExt;
use std::path::{Path, PathBuf};

use crate::files::{Astray, Errand, Lock, NotPut, Place};
use crate::provider::{Fault, FaultKind};

/// The largest file that is read, in bytes; a home's zone is a hundred times smaller (common practice). How much is made of
/// it has a bound of its own, [`super::lex::MOST_WORDS`].
const LARGEST: u64 = 8 << 20;

/// A file as it was at one moment.
#[derive(Debug)]
pub(super) struct Snapshot {
    /// Where it was asked for.
    asked: PathBuf,
    errand: Errand,
    /// Where it is.
    place: Place,
    /// It is locked, when so asked, for as long as this lives.
    _lock: Option<Lock>,
    file: File,
    meta: Metadata,
    /// What it holds.
    pub(super) bytes: Vec<u8>,
}

impl Snapshot {
    /// Reads the file at `asked`; with `lock`, to replace it, and under an exclusive lock (flock) on it that this value
    /// holds.
    pub(super) fn take(asked: &Path, lock: bool) -> Result<Self, Fault> {
        let unreadable = |error| cannot("read", asked, error);
        let errand = if lock { Errand::Put } else { Errand::Read };
        let place = Place::find(asked, errand).map_err(unreadable)?;
        let file = place.open().map_err(unreadable)?;
        let locked = if lock { Some(locked(asked, &file)?) } else { None };
        let meta = file.metadata().map_err(unreadable)?;
        if meta.len() > LARGEST {
            let why = format!("{} is larger than {LARGEST} bytes", asked.display());
            return Err(Fault::passing(why, "publish by a provider of kind rfc2136"));
        }
        let mut bytes = Vec::new();
        (&file).take(LARGEST).read_to_end(&mut bytes).map_err(unreadable)?;
        let snapshot = Self { asked: asked.to_owned(), errand, place, _lock: locked, file, meta, bytes };
        if snapshot.is_current() && u64::try_from(snapshot.bytes.len()) == Ok(snapshot.meta.len()) {
            Ok(snapshot)
        } else {
            // Half of a file that is being written must be neither judged nor edited.
            Err(Fault::passing(format!("{} is being written by another program", asked.display()), ""))
        }
    }

    /// Whether the path still leads to the file as it was read.
    fn is_current(&self) -> bool {
        let now = || {
            let place = Place::find(&self.asked, self.errand)?;
            Ok::<_, io::Error>((place.is(&self.place)?, place.open()?.metadata()?))
        };
        let of = |meta: &Metadata| (meta.dev(), meta.ino(), meta.len(), meta.mtime(), meta.mtime_nsec());
        now().is_ok_and(|(same, meta)| same && of(&meta) == of(&self.meta))
    }

    /// Puts `bytes` in the file's place, with its mode, owner, access lists and other extended attributes, if it still is as
    /// it was read; where one of these cannot be kept, it is refused. `sealed` is called right before the point of no return.
    ///
    /// Further hard links are left to the file as it was.
    pub(super) fn replace(self, bytes: &[u8], sealed: impl FnOnce()) -> Result<(), Fault> {
        let wanted = || {
            let is_current = self.is_current();
            if is_current {
                sealed();
            }
            is_current
        };
        let path = self.asked.display();
        // There is one: no other mode is needed.
        self.place.replace(Some(&self.file), 0o600, bytes, wanted).map_err(|error| match error {
            NotPut::Owner { uid, gid, source } => {
                let why = format!("the owner of {path} ({uid}:{gid}) cannot be kept");
                Fault::refused(why, format!("run as user {uid}, or make the file that of user {}", user()))
                    .caused_by(source)
            }
            NotPut::Attribute(unkept) => {
                let remedy = match unkept.name.as_str() {
                    "system.posix_acl_access" => format!("take its access list off with `setfacl -b {path}`"),
                    name => format!("take it off with `setfattr -x {name} {path}`"),
                };
                let remedy = format!("{remedy}, or publish by a provider of kind rfc2136");
                Fault::refused(format!("a new {path} cannot have all that the old one has"), remedy).caused_by(unkept)
            }
            NotPut::Unwanted => {
                Fault::new(FaultKind::Conflict, format!("{path} was changed by another program meanwhile"), "")
            }
            NotPut::Io(error) => cannot("replace", &self.asked, error),
            NotPut::Doubtful(error) => {
                let why = format!("{path} was replaced, but may not outlive a power cut");
                Fault::new(FaultKind::InDoubt, why, "look at the health of the disk").caused_by(error)
            }
        })
    }
}

/// The lock on the file at `asked`, which is open.
fn locked(asked: &Path, file: &File) -> Result<Lock, Fault> {
    file.try_clone().map_err(TryLockError::Error).and_then(Lock::try_take).map_err(|error| match error {
        TryLockError::WouldBlock => {
            let why = format!("{} is locked by another process", asked.display());
            Fault::passing(why, "close the editor or end the program that has it")
        }
        TryLockError::Error(error) => cannot("lock", asked, error),
    })
}

/// The numeric id of the user this process acts as.
fn user() -> u32 {
    rustix::process::geteuid().as_raw()
}

/// The fault for a file that cannot be read, locked or replaced. What cannot be read now may be there in a moment: an editor
/// or another program is at work. A directory that may not be written to stays so until a person acts.
fn cannot(verb: &str, path: &Path, error: io::Error) -> Fault {
    match Astray::behind(&error) {
        Some(Astray::Kind(_)) => {
            return Fault::passing(format!("{} is not a file", path.display()), "name the zone's master file");
        }
        Some(astray) => return Fault::refused(format!("cannot {verb} {}: {astray}", path.display()), ""),
        None => {}
    }
    let why = format!("cannot {verb} {}", path.display());
    let directory = path.parent().unwrap_or(Path::new("/")).display();
    let fault = match (error.kind(), verb) {
        (ErrorKind::NotFound, "read") => Fault::passing(why, "correct `file`, or put the zone's master file there"),
        (ErrorKind::PermissionDenied, "replace") => {
            let remedy = format!(
                "let user {} write in {directory}: a new file is made there and renamed (`chmod`, `setfacl`)",
                user()
            );
            Fault::refused(why, remedy)
        }
        (ErrorKind::ReadOnlyFilesystem, "replace") => {
            let remedy = format!("add ReadWritePaths={directory} to the systemd unit, or mount it writable");
            Fault::refused(why, remedy)
        }
        (ErrorKind::PermissionDenied, _) => {
            Fault::passing(why, format!("let user {} read it, and enter {directory}", user()))
        }
        (ErrorKind::StorageFull | ErrorKind::QuotaExceeded, _) => Fault::passing(why, "make room on that disk"),
        _ => Fault::passing(why, "look at the health of the disk"),
    };
    fault.caused_by(error)
}

#[cfg(test)]
mod tests {
    use super::*;
    use std::fs;
    use std::io::Write as _;
    use std::os::unix::fs::symlink;

    fn replace_after(meddle: impl FnOnce(&Path)) -> (Result<(), Fault>, bool, Vec<String>) {
        let directory = tempfile::tempdir().unwrap();
        let path = directory.path().join("link.zone");
        fs::write(directory.path().join("mill.zone"), "by hand").unwrap();
        symlink("mill.zone", &path).unwrap();
        let snapshot = Snapshot::take(&path, true).unwrap();
        assert_eq!(snapshot.bytes, b"by hand");
        meddle(directory.path());
        let mut sealed = false;
        let outcome = snapshot.replace(b"by the program", || sealed = true);
        let mut left: Vec<_> = fs::read_dir(directory.path())
            .unwrap()
            .map(|entry| entry.unwrap().path())
            .map(|path| format!("{}: {}", path.file_name().unwrap().display(), fs::read_to_string(&path).unwrap()))
            .collect();
        left.sort();
        (outcome, sealed, left)
    }

    #[test]
    fn a_file_that_stayed_is_replaced() {
        let (outcome, sealed, left) = replace_after(|_| {});
        outcome.unwrap();
        assert!(sealed);
        assert_eq!(left, ["link.zone: by the program", "mill.zone: by the program"]);
    }

    #[test]
    fn an_edit_between_reading_and_replacing_is_a_conflict_and_stays() {
        type Meddle = (&'static str, fn(&Path));
        let meddlings: [Meddle; 4] = [
            ("written in place, longer", |d| fs::write(d.join("mill.zone"), "by another").unwrap()),
            ("written in place, as long", |d| {
                let file = File::options().write(true).open(d.join("mill.zone")).unwrap();
                (&file).write_all(b"by Hand").unwrap();
                file.set_modified(std::time::SystemTime::UNIX_EPOCH).unwrap();
            }),
            ("replaced", |d| {
                let meta = fs::metadata(d.join("mill.zone")).unwrap();
                fs::write(d.join("new"), "by hanD").unwrap();
                File::open(d.join("new")).unwrap().set_modified(meta.modified().unwrap()).unwrap();
                fs::rename(d.join("new"), d.join("mill.zone")).unwrap();
            }),
            ("the link leads elsewhere", |d| {
                fs::write(d.join("other.zone"), "another").unwrap();
                fs::remove_file(d.join("link.zone")).unwrap();
                symlink("other.zone", d.join("link.zone")).unwrap();
            }),
        ];
        for (what, meddle) in meddlings {
            let (outcome, sealed, left) = replace_after(meddle);
            assert_eq!(outcome.unwrap_err().kind, FaultKind::Conflict, "{what}");
            assert!(!sealed, "{what}");
            assert!(left.iter().all(|file| !file.contains("program") && !file.starts_with('.')), "{what}: {left:?}");
        }
    }

    #[test]
    fn a_fault_says_what_to_do() {
        let path = Path::new("/etc/mill/mill.zone");
        for (verb, kind, passing, want) in [
            ("read", ErrorKind::NotFound, true, "correct `file`, or put the zone's master file there"),
            ("read", ErrorKind::PermissionDenied, true, "read it, and enter /etc/mill"),
            ("replace", ErrorKind::PermissionDenied, false, "write in /etc/mill: a new file is made there and renamed"),
            ("replace", ErrorKind::ReadOnlyFilesystem, false, "add ReadWritePaths=/etc/mill to the systemd unit"),
            ("replace", ErrorKind::StorageFull, true, "make room on that disk"),
            ("replace", ErrorKind::QuotaExceeded, true, "make room on that disk"),
            ("read", ErrorKind::Other, true, "look at the health of the disk"),
        ] {
            let fault = cannot(verb, path, kind.into());
            assert_eq!(matches!(fault.kind, FaultKind::Passing { .. }), passing, "{kind}");
            assert!(
                fault.why == format!("cannot {verb} /etc/mill/mill.zone") && fault.remedy.contains(want),
                "{fault}"
            );
        }
    }
}
