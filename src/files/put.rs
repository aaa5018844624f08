//! The one way to put a file in the place of another, for the whole program: as a whole or not at all, durably, and in the
//! directory that was looked at, wherever its path leads meanwhile. Touches that file and its directory.

use std::ffi::OsString;
use std::fs::{File, Metadata, Permissions};
use std::io::{self, Write as _};
use std::os::fd::AsFd as _;
use std::os::unix::fs::{MetadataExt as _, PermissionsExt as _, fchown};
use std::path::Path;

use rustix::fs::{AtFlags, Mode, OFlags, fstat, linkat, openat, renameat, unlinkat};
use rustix::io::Errno;

use super::attributes::{self, Unkept};
use super::way::{End, Errand, all, regular};

/// So many names are tried for the new file before it is in its place.
const TRIES: usize = 16;

/// Why a file is not replaced.
#[derive(Debug, thiserror::Error)]
pub(crate) enum NotPut {
    /// The new file cannot be given to whom the old one belongs.
    #[error("its owner ({uid}:{gid}) cannot be kept: {source}; run this as user {uid}")]
    Owner {
        /// The user.
        uid: u32,
        /// The group.
        gid: u32,
        /// What the system said.
        source: io::Error,
    },
    /// The new file cannot have an attribute of the old one.
    #[error("{0}")]
    Attribute(Unkept),
    /// Somebody did not want it after all.
    #[error("another program has changed it meanwhile")]
    Unwanted,
    /// It cannot be written.
    #[error(transparent)]
    Io(#[from] io::Error),
    /// It stands there, and may not outlive a power cut.
    #[error("it was replaced, but may not outlive a power cut: {0}")]
    Doubtful(io::Error),
}

impl From<Errno> for NotPut {
    fn from(error: Errno) -> Self {
        Self::Io(error.into())
    }
}

impl From<NotPut> for io::Error {
    fn from(error: NotPut) -> Self {
        match error {
            NotPut::Io(error) => error,
            other => Self::other(other),
        }
    }
}

/// A regular file, or where none is yet; its directory is held.
#[derive(Debug)]
pub(crate) struct Place(End);

impl Place {
    /// Where `path` leads. What stands there and is no regular file is an error.
    pub(crate) fn find(path: &Path, errand: Errand) -> io::Result<Self> {
        let end = End::find(path, errand)?;
        end.there.as_ref().map_or(Ok(()), regular)?;
        Ok(Self(end))
    }

    /// The file there, to be read.
    pub(crate) fn open(&self) -> io::Result<File> {
        self.0.open()
    }

    /// What the file says, if there is one; at most `most` bytes of it are read, and that it has more is an error.
    pub(crate) fn read(&self, most: u64) -> io::Result<Option<Vec<u8>>> {
        self.0.there.as_ref().map(|_| all(&self.open()?, most)).transpose()
    }

    /// Whether `other` is the same name in the same directory.
    pub(crate) fn is(&self, other: &Self) -> io::Result<bool> {
        let of = |end: &End| fstat(&end.dir).map(|stat| (stat.st_dev, stat.st_ino));
        Ok(self.0.name == other.0.name && of(&self.0)? == of(&other.0)?)
    }

    /// Puts `bytes` there, with owner, attributes and mode of `before`, which stood there, or with `mode`. Right before the point of no
    /// return `sealed` is asked whether it is still wanted.
    ///
    /// Further hard links are left alone: they keep what they say.
    pub(crate) fn replace(
        &self,
        before: Option<&File>,
        mode: u32,
        bytes: &[u8],
        sealed: impl FnOnce() -> bool,
    ) -> Result<(), NotPut> {
        let mut new = self.fresh()?;
        new.file.write_all(bytes)?;
        let mut mode = mode;
        if let Some(old) = before {
            let meta = old.metadata()?;
            keep_owner(&new.file, &meta)?;
            attributes::copy(old, &new.file).map_err(NotPut::Attribute)?;
            mode = meta.mode() & 0o7777;
        }
        new.file.set_permissions(Permissions::from_mode(mode))?;
        new.file.sync_all()?;
        if !sealed() {
            return Err(NotPut::Unwanted);
        }
        renameat(&self.0.dir, &new.name, &self.0.dir, &self.0.name)?;
        new.in_place = true;
        self.sync().map_err(NotPut::Doubtful)
    }

    /// Puts `bytes` there where nothing stands yet.
    pub(crate) fn create(&self, mode: u32, bytes: &[u8]) -> io::Result<()> {
        let mut new = self.fresh()?;
        new.file.write_all(bytes)?;
        // Whatever the umask.
        new.file.set_permissions(Permissions::from_mode(mode))?;
        new.file.sync_all()?;
        // Unlike a renaming, it takes nobody's place.
        linkat(&self.0.dir, &new.name, &self.0.dir, &self.0.name, AtFlags::empty())?;
        drop(new);
        self.sync()
    }

    /// A new file beside it, for nobody else to read yet.
    fn fresh(&self) -> io::Result<Fresh<'_>> {
        let flags = OFlags::WRONLY | OFlags::CREATE | OFlags::EXCL | OFlags::NOFOLLOW | OFlags::CLOEXEC;
        for _ in 0..TRIES {
            let mut name = OsString::from(".fingerpost.");
            name.extend(std::iter::repeat_with(fastrand::alphanumeric).take(12).map(String::from).map(OsString::from));
            match openat(&self.0.dir, &name, flags, Mode::RUSR | Mode::WUSR) {
                Ok(file) => return Ok(Fresh { place: self, name, file: file.into(), in_place: false }),
                Err(Errno::EXIST) => {}
                Err(error) => return Err(error.into()),
            }
        }
        Err(Errno::EXIST.into())
    }

    /// Makes the names in the directory durable.
    fn sync(&self) -> io::Result<()> {
        let flags = OFlags::RDONLY | OFlags::DIRECTORY | OFlags::CLOEXEC;
        File::from(openat(self.0.dir.as_fd(), ".", flags, Mode::empty())?).sync_all()
    }
}

/// A new file that has not got its place yet; it goes again unless it does.
#[derive(Debug)]
struct Fresh<'a> {
    place: &'a Place,
    name: OsString,
    file: File,
    in_place: bool,
}

impl Drop for Fresh<'_> {
    fn drop(&mut self) {
        if !self.in_place {
            // What is left is never read.
            let _ = unlinkat(&self.place.0.dir, &self.name, AtFlags::empty());
        }
    }
}

/// Gives `file` to whom `before` belonged. Before its mode: a change of owner clears bits of that (chown(2)).
fn keep_owner(file: &File, before: &Metadata) -> Result<(), NotPut> {
    let (fresh, uid, gid) = (file.metadata()?, before.uid(), before.gid());
    if (fresh.uid(), fresh.gid()) == (uid, gid) {
        return Ok(());
    }
    fchown(file, Some(uid), Some(gid)).map_err(|source| NotPut::Owner { uid, gid, source })
}

/// Puts `bytes` in the place of the file at `path`, with the mode and the owner of what stood there, or readable by all.
pub(crate) fn replace(path: &Path, bytes: &[u8]) -> io::Result<()> {
    let place = Place::find(path, Errand::Put)?;
    let before = place.0.there.as_ref().map(|_| place.open()).transpose()?;
    place.replace(before.as_ref(), 0o644, bytes, || true).map_err(Into::into)
}

/// Puts `bytes`, readable by all, at `path`, where nothing may stand yet.
pub(crate) fn create(path: &Path, bytes: &[u8]) -> io::Result<()> {
    let end = End::find(path, Errand::Put)?;
    if end.there.is_some() {
        return Err(Errno::EXIST.into());
    }
    Place(end).create(0o644, bytes)
}

#[cfg(test)]
mod tests {
    use std::fs;

    use super::*;

    fn names(dir: &Path) -> Vec<String> {
        let mut names: Vec<_> =
            fs::read_dir(dir).unwrap().map(|item| item.unwrap().file_name().into_string().unwrap()).collect();
        names.sort();
        names
    }

    #[test]
    fn a_file_is_put_as_a_whole_or_not_at_all() {
        let home = tempfile::tempdir().unwrap();
        let at = home.path().join("edge.txt");
        create(&at, b"one").unwrap();
        assert_eq!(create(&at, b"two").unwrap_err().kind(), io::ErrorKind::AlreadyExists);
        assert_eq!(fs::read(&at).unwrap(), b"one");
        fs::set_permissions(&at, Permissions::from_mode(0o640)).unwrap();
        replace(&at, b"three").unwrap();
        assert_eq!(
            (fs::read(&at).unwrap().as_slice(), fs::metadata(&at).unwrap().mode() & 0o7777),
            (&b"three"[..], 0o640)
        );
        let place = Place::find(&at, Errand::Put).unwrap();
        assert!(matches!(place.replace(None, 0o600, b"four", || false), Err(NotPut::Unwanted)));
        assert_eq!(
            (fs::read(&at).unwrap().as_slice(), names(home.path())),
            (&b"three"[..], vec!["edge.txt".to_owned()])
        );
    }

    #[test]
    fn a_directory_that_is_exchanged_meanwhile_changes_nothing() {
        let home = tempfile::tempdir().unwrap();
        let (at, moved) = (home.path().join("out"), home.path().join("moved"));
        fs::create_dir(&at).unwrap();
        fs::create_dir(home.path().join("etc")).unwrap();
        let place = Place::find(&at.join("edge.txt"), Errand::Put).unwrap();
        fs::rename(&at, &moved).unwrap();
        std::os::unix::fs::symlink("etc", &at).unwrap();
        place.replace(None, 0o600, b"ours", || true).unwrap();
        assert_eq!((names(&moved), names(&home.path().join("etc"))), (vec!["edge.txt".to_owned()], Vec::new()));
        assert!(!place.is(&Place::find(&at.join("edge.txt"), Errand::Put).unwrap()).unwrap());
        assert!(place.is(&Place::find(&moved.join("edge.txt"), Errand::Put).unwrap()).unwrap());
    }
}
