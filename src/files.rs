//! Files, made and opened so that nobody can lead this program elsewhere, keep it waiting or fill its memory.
//!
//! The state directory belongs to the user of the service, and root comes there too (`sudo fingerpost sync`): who has got
//! hold of the service must gain nothing by what lies in wait there under a name that root will read or write. So what is
//! made is made anew, what stands is opened only if it is a regular file and no link, as much of it is read as was agreed
//! on, and only a file without a second name is given away. Elsewhere root follows no link but its own ([`Errand::Read`]),
//! and puts files only where no other user has a say ([`Errand::Put`]). Touches nothing but what it is asked for.
//!
//! State and log are opened, read and written on the loop, and nothing is gained by another thread: opening cannot wait
//! (O_NONBLOCK, regular files only), what is read has a bound, and until a write is durable nothing else may go on anyway.
//! Whoever has any other file read that may grow, or makes much of it, does that beside the loop ([`crate::aside`]).

mod attributes;
mod put;
mod say;
mod way;

use std::fs::{File, Metadata, TryLockError};
use std::io::{self, ErrorKind, Write as _};
use std::os::unix::fs::{MetadataExt as _, fchown};
use std::path::Path;

use rustix::fs::{AtFlags, CWD, Mode, OFlags, fstat, mkdirat, openat, renameat, unlinkat};
use rustix::io::Errno;

pub(crate) use put::{NotPut, Place, create, replace};
pub(crate) use say::{Ask, Say, others};
pub(crate) use way::{Astray, Errand, Trust};
use way::{End, all};

/// Opening a pipe would wait for its other end.
const WITHOUT_WAITING: OFlags = OFlags::NONBLOCK;

/// An exclusive lock (flock(2)) on a file or a directory that is open, until this value ends.
///
/// It is given back then, not just closed: a process that was forked meanwhile has the same open file until it becomes
/// another program, and a lock ends by closing only when the last of its holders closes.
#[derive(Debug)]
pub(crate) struct Lock(File);

impl Lock {
    /// Locks `file`, without waiting.
    pub(crate) fn try_take(file: File) -> Result<Self, TryLockError> {
        file.try_lock().map(|()| Self(file))
    }
}

impl Drop for Lock {
    fn drop(&mut self) {
        // Where it fails, closing does it.
        let _ = self.0.unlock();
    }
}

/// A directory, held by a handle: what becomes of its path meanwhile changes nothing.
#[derive(Debug)]
pub(crate) struct Dir(File);

impl Dir {
    /// The directory at `path`. Where no other user leads root: a link of the service's user in the service's directory is
    /// none of root's business.
    pub(crate) fn open(path: &Path) -> io::Result<Self> {
        let flags = OFlags::RDONLY | OFlags::DIRECTORY | OFlags::CLOEXEC;
        if path.file_name().is_none() {
            // The root, this directory, or one above it: no name, and so no link.
            return Ok(Self(openat(CWD, path, flags, Mode::empty())?.into()));
        }
        let End { dir, name, .. } = End::find(path, Errand::Read)?;
        Ok(Self(openat(&dir, name, flags | OFlags::NOFOLLOW, Mode::empty())?.into()))
    }

    /// The directory `name` in this one; a link there is an error.
    pub(crate) fn enter(&self, name: &str) -> io::Result<Self> {
        let flags = OFlags::RDONLY | OFlags::DIRECTORY | OFlags::NOFOLLOW | OFlags::CLOEXEC;
        Ok(Self(openat(&self.0, name, flags, Mode::empty())?.into()))
    }

    /// The bytes of the regular file `name` in it, which may be as long as `most`; a link there is an error.
    pub(crate) fn read(&self, name: &str, most: u64) -> io::Result<Vec<u8>> {
        all(&way::open_at(&self.0, name)?, most)
    }

    /// Who has it, and who may do what in it.
    pub(crate) fn metadata(&self) -> io::Result<Metadata> {
        self.0.metadata()
    }

    /// The directory `name` in this one, made if it is missing; a link there is an error.
    pub(crate) fn below(&self, name: &str) -> io::Result<Self> {
        let made = match mkdirat(&self.0, name, Mode::from_raw_mode(0o777)) {
            Ok(()) => true,
            Err(Errno::EXIST) => false,
            Err(error) => return Err(error.into()),
        };
        let below = self.enter(name)?;
        if made {
            self.hand_over(&below.0);
            self.sync()?;
        }
        Ok(below)
    }

    /// A file `name` to write to, made anew with `mode`; whatever had that name before is gone.
    pub(crate) fn fresh(&self, name: &str, mode: u32) -> io::Result<File> {
        match self.remove(name) {
            Err(error) if error.kind() != ErrorKind::NotFound => return Err(error),
            _ => {}
        }
        self.make(name, OFlags::WRONLY, mode)
    }

    /// The file `name` to read and write, made with `mode` if it is missing, and whether it was; a link there is an error.
    pub(crate) fn kept(&self, name: &str, mode: u32) -> io::Result<(File, bool)> {
        let flags = OFlags::RDWR | OFlags::NOFOLLOW | OFlags::CLOEXEC | WITHOUT_WAITING;
        match openat(&self.0, name, flags, Mode::empty()) {
            Ok(file) => {
                way::regular(&fstat(&file)?)?;
                Ok((file.into(), false))
            }
            Err(Errno::NOENT) => Ok((self.make(name, OFlags::RDWR, mode)?, true)),
            Err(error) => Err(error.into()),
        }
    }

    /// The file `name` to be held and not written to, made with `mode` if it is missing; a link there is an error.
    pub(crate) fn standing(&self, name: &str, mode: u32) -> io::Result<File> {
        match way::open_at(&self.0, name) {
            Err(error) if error.kind() == ErrorKind::NotFound => match self.make(name, OFlags::RDONLY, mode) {
                // Another process was quicker.
                Err(error) if error.kind() == ErrorKind::AlreadyExists => way::open_at(&self.0, name),
                made => made,
            },
            there => there,
        }
    }

    /// Puts `bytes` durably in the place of `name`, by way of the file `new`: one name, always, so that what a crash
    /// leaves behind is gone next time. Whoever calls it keeps other processes out.
    pub(crate) fn replace(&self, name: &str, new: &str, mode: u32, bytes: &[u8]) -> io::Result<()> {
        let mut file = self.fresh(new, mode)?;
        file.write_all(bytes)?;
        file.sync_all()?;
        renameat(&self.0, new, &self.0, name)?;
        self.sync()
    }

    /// Whether [`Self::replace`] could begin, by way of `new`; leaves nothing behind.
    pub(crate) fn probe(&self, new: &str) -> io::Result<()> {
        self.fresh(new, 0o600)?;
        self.remove(new)
    }

    /// Takes the file `name` away.
    pub(crate) fn remove(&self, name: &str) -> io::Result<()> {
        unlinkat(&self.0, name, AtFlags::empty()).map_err(Into::into)
    }

    /// Makes the names in it durable.
    pub(crate) fn sync(&self) -> io::Result<()> {
        self.0.sync_all()
    }

    fn make(&self, name: &str, access: OFlags, mode: u32) -> io::Result<File> {
        let flags = access | OFlags::CREATE | OFlags::EXCL | OFlags::NOFOLLOW | OFlags::CLOEXEC;
        let file = openat(&self.0, name, flags, Mode::from_raw_mode(mode))?.into();
        self.hand_over(&file);
        Ok(file)
    }

    /// Gives `file`, which was made anew in here, to whom the directory belongs: when root runs `sync` there, the service
    /// must still be able to use what it leaves. Where that cannot be, the file stays as it is.
    fn hand_over(&self, file: &File) {
        let (Ok(dir), Ok(present)) = (self.0.metadata(), file.metadata()) else { return };
        if !may_be_given(&present) {
            return;
        }
        let of = |meta: &Metadata| (meta.uid(), meta.gid());
        if let Some((uid, gid)) = heir(rustix::process::geteuid().is_root(), of(&dir), of(&present)) {
            let _ = fchown(file, Some(uid), Some(gid));
        }
    }
}

/// Whether what `meta` is of can be given away: a directory, or a file that nobody knows by a second name.
fn may_be_given(meta: &Metadata) -> bool {
    meta.is_dir() || meta.is_file() && meta.nlink() == 1
}

/// Who is to have a file of the owner and group `present` in a directory of those of `dir`; `None` where none can or
/// need be given it.
fn heir(is_root: bool, dir: (u32, u32), present: (u32, u32)) -> Option<(u32, u32)> {
    (is_root && dir != present).then_some(dir)
}

/// The regular file at `path`, to be read.
pub(crate) fn open(path: &Path, errand: Errand) -> io::Result<File> {
    End::find(path, errand)?.open()
}

/// The bytes of the regular file at `path`, which may be as long as `most`.
pub(crate) fn read(path: &Path, errand: Errand, most: u64) -> io::Result<Vec<u8>> {
    all(&open(path, errand)?, most)
}

/// The user of the directory at `path`, as `sudo -u` takes one, where this is root and that is another user's; `None` also
/// where there is no directory yet.
pub(crate) fn stranger_at(path: &Path) -> Option<String> {
    let owner = Dir::open(path).ok()?.metadata().ok()?.uid();
    way::Trust::of_this_process().is_stranger(owner).then(|| {
        // A user of systemd's own making has no line there.
        let users = read(Path::new("/etc/passwd"), Errand::Read, 1 << 20).unwrap_or_default();
        name_of(owner, &String::from_utf8_lossy(&users)).map_or_else(|| format!("'#{owner}'"), str::to_owned)
    })
}

/// The name of the user `uid` in the text of passwd(5).
fn name_of(uid: u32, users: &str) -> Option<&str> {
    users.lines().find_map(|line| {
        let mut fields = line.split(':');
        let (name, number) = (fields.next()?, fields.nth(1)?);
        (number.parse() == Ok(uid)).then_some(name)
    })
}

/// What to do about an `error` in the state directory, as the end of a clause; empty where that says it all.
pub(crate) fn way_in(error: &io::Error) -> &'static str {
    match error.kind() {
        ErrorKind::PermissionDenied => "; run this as root (sudo), or as the user to whom that directory belongs",
        ErrorKind::NotADirectory => "; what stands in the place of a directory there must be moved away",
        _ if Errno::from_io_error(error) == Some(Errno::LOOP) => {
            "; a symbolic link stands there, and none is followed: remove it"
        }
        _ if matches!(Astray::behind(error), Some(Astray::Kind(_))) => {
            "; what stands there in the place of a file must be moved away"
        }
        _ => "",
    }
}

#[cfg(test)]
mod tests {
    use std::fs;
    use std::os::unix::fs::symlink;

    use super::*;

    /// flock(2): what a fork inherits is the same open file, as what dup(2) makes is.
    #[test]
    fn a_lock_ends_with_its_holder_whoever_has_inherited_the_file() {
        let file = tempfile::NamedTempFile::new().unwrap();
        let take = || Lock::try_take(File::open(file.path()).unwrap());
        let lock = take().unwrap();
        let _inherited = lock.0.try_clone().unwrap();
        assert!(matches!(take(), Err(TryLockError::WouldBlock)));
        drop(lock);
        take().unwrap();
    }

    #[test]
    fn what_root_makes_is_given_to_whom_the_directory_belongs() {
        for (is_root, dir, present, heir_is) in [
            (true, (61184, 61184), (0, 0), Some((61184, 61184))),
            (true, (0, 61184), (0, 0), Some((0, 61184))),
            (true, (0, 0), (0, 0), None),
            (false, (61184, 61184), (61184, 61184), None),
            (false, (0, 0), (61184, 61184), None),
        ] {
            assert_eq!(heir(is_root, dir, present), heir_is, "{dir:?} {present:?}");
        }
    }

    #[test]
    fn a_user_is_named_as_passwd_has_it() {
        let users = "root:x:0:0:root:/root:/bin/sh\nodd\nkeeper:x:1000:1000::/home/keeper:/bin/sh\n";
        assert_eq!(
            (name_of(1000, users), name_of(0, users), name_of(61184, users)),
            (Some("keeper"), Some("root"), None)
        );
    }

    #[test]
    fn a_file_with_a_second_name_is_not_given_away() {
        let home = tempfile::tempdir().unwrap();
        let file = home.path().join("file");
        fs::write(&file, "").unwrap();
        let may = || may_be_given(&fs::symlink_metadata(&file).unwrap());
        assert!(may() && may_be_given(&fs::metadata(home.path()).unwrap()));
        fs::hard_link(&file, home.path().join("second")).unwrap();
        assert!(!may());
        assert!(!may_be_given(&fs::metadata("/dev/null").unwrap()));
    }

    #[test]
    fn no_link_is_followed() {
        let home = tempfile::tempdir().unwrap();
        let (at, other) = (home.path().join("state"), home.path().join("shadow"));
        fs::create_dir(&at).unwrap();
        fs::write(&other, "theirs").unwrap();
        let dir = Dir::open(&at).unwrap();
        for name in ["new", "kept", "below"] {
            symlink(&other, at.join(name)).unwrap();
        }
        dir.fresh("new", 0o600).unwrap().write_all(b"ours").unwrap();
        dir.replace("state.json", "new", 0o600, b"ours").unwrap();
        assert_eq!(fs::read(at.join("state.json")).unwrap(), b"ours");
        for error in [
            dir.kept("kept", 0o600).unwrap_err(),
            read(&at.join("kept"), Errand::ReadOwn, 9).unwrap_err(),
            dir.below("below").unwrap_err(),
        ] {
            assert_ne!(way_in(&error), "", "{error}");
        }
        // One that leads nowhere yet makes no file there either.
        fs::remove_file(at.join("kept")).unwrap();
        symlink(home.path().join("nothing"), at.join("kept")).unwrap();
        dir.kept("kept", 0o600).unwrap_err();
        assert!(!home.path().join("nothing").exists());
        assert_eq!(fs::read(&other).unwrap(), b"theirs");
        // Nor does a pipe keep anybody waiting.
        let (at_pipe, mode) = (at.join("pipe"), Mode::RUSR | Mode::WUSR);
        rustix::fs::mknodat(rustix::fs::CWD, &at_pipe, rustix::fs::FileType::Fifo, mode, 0).unwrap();
        for error in [read(&at_pipe, Errand::ReadOwn, 9).unwrap_err(), dir.kept("pipe", 0o600).unwrap_err()] {
            assert_eq!(error.kind(), ErrorKind::InvalidInput);
        }
    }
}
