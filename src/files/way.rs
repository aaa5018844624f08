//! The way to a file, gone from directory to directory by their handles: nothing that is renamed meanwhile changes where it
//! leads. Reads directories and links, and opens no file but to be read.

use std::ffi::{OsStr, OsString};
use std::fmt;
use std::fs::File;
use std::io::{self, Read as _};
use std::os::fd::{AsFd, OwnedFd};
use std::os::unix::ffi::OsStringExt as _;
use std::path::{Component, Path, PathBuf};

use rustix::fs::{CWD, FileType, Mode, OFlags, Stat, fstat, openat, readlinkat};
use rustix::io::Errno;

/// So many links may stand on one way (path_resolution(7)).
const LINKS: u32 = 40;

/// What somebody is on the way for.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(crate) enum Errand {
    /// To read a file of this program's own: no link stands in its place.
    ReadOwn,
    /// To read a file that somebody else has named.
    Read,
    /// To put a file there.
    Put,
}

/// Why a file is not opened.
#[derive(Clone, Debug, PartialEq, Eq, thiserror::Error)]
pub(crate) enum Astray {
    /// Whoever made a link decides where it leads.
    #[error(
        "{} is a link that user {owner} made, and root follows none but its own: name the file itself, or run this as \
         that user (sudo -u '#{owner}')", path.display()
    )]
    Link {
        /// The link.
        path: PathBuf,
        /// Who made it.
        owner: u32,
    },
    /// Whoever has a directory decides what stands there.
    #[error(
        "{} belongs to user {owner}, and root writes no file where another user has a say: name one in a directory of \
         root's, or run this as that user (sudo -u '#{owner}')", path.display()
    )]
    Theirs {
        /// The directory.
        path: PathBuf,
        /// Who has it.
        owner: u32,
    },
    /// Something else has the file's name.
    #[error("it is {0} and not a regular file")]
    Kind(FileKind),
    /// There is more than anybody needs.
    #[error("it is longer than {0} bytes")]
    Long(u64),
}

impl Astray {
    /// What led to `error`, if it was one of these.
    pub(crate) fn behind(error: &io::Error) -> Option<&Self> {
        error.get_ref()?.downcast_ref()
    }
}

impl From<Astray> for io::Error {
    fn from(astray: Astray) -> Self {
        let kind = match astray {
            Astray::Long(_) => io::ErrorKind::FileTooLarge,
            _ => io::ErrorKind::InvalidInput,
        };
        Self::new(kind, astray)
    }
}

/// What is no regular file.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(crate) struct FileKind(FileType);

impl fmt::Display for FileKind {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.write_str(match self.0 {
            FileType::Directory => "a directory",
            FileType::Symlink => "a symbolic link",
            FileType::Fifo => "a named pipe",
            FileType::Socket => "a socket",
            FileType::CharacterDevice | FileType::BlockDevice => "a device",
            FileType::RegularFile | FileType::Unknown => "something unknown",
        })
    }
}

/// Where a way ends: in this directory, under this name.
#[derive(Debug)]
pub(super) struct End {
    pub(super) dir: OwnedFd,
    pub(super) name: OsString,
    /// What stands there now, if anything does.
    pub(super) there: Option<Stat>,
}

impl End {
    /// Goes the way to `path`.
    pub(super) fn find(path: &Path, errand: Errand) -> io::Result<Self> {
        Self::go(path, errand, &mut |_, _| {})
    }

    /// Goes the way to `path`; `meet` is shown every directory and link of the way, and what stands at its end, each by
    /// its path.
    pub(super) fn go(path: &Path, errand: Errand, meet: &mut dyn FnMut(&Path, &Stat)) -> io::Result<Self> {
        let trust = Trust::of_this_process();
        let mut ahead = Vec::new();
        push(&mut ahead, path);
        let mut at = start(path)?;
        let mut so_far = PathBuf::from(if path.is_absolute() { "/" } else { "." });
        let mut links = 0;
        let begins = fstat(&at)?;
        meet(&so_far, &begins);
        judge(&trust, errand, &begins, &so_far)?;
        while let Some(name) = ahead.pop() {
            let here = so_far.join(&name);
            let there = match openat(&at, &name, OFlags::PATH | OFlags::NOFOLLOW | OFlags::CLOEXEC, Mode::empty()) {
                Err(Errno::NOENT) if ahead.is_empty() && name != ".." => {
                    return Ok(Self { dir: at, name, there: None });
                }
                there => there?,
            };
            let stat = fstat(&there)?;
            meet(&here, &stat);
            match FileType::from_raw_mode(stat.st_mode) {
                FileType::Symlink => {
                    links += 1;
                    if links > LINKS || errand == Errand::ReadOwn && ahead.is_empty() {
                        return Err(Errno::LOOP.into());
                    }
                    if trust.is_stranger(stat.st_uid) {
                        return Err(Astray::Link { path: here, owner: stat.st_uid }.into());
                    }
                    let to = PathBuf::from(OsString::from_vec(readlinkat(&there, "", Vec::new())?.into_bytes()));
                    if to.is_absolute() {
                        (at, so_far) = (start(&to)?, PathBuf::from("/"));
                    }
                    push(&mut ahead, &to);
                }
                _ if ahead.is_empty() && name != ".." => return Ok(Self { dir: at, name, there: Some(stat) }),
                FileType::Directory => {
                    judge(&trust, errand, &stat, &here)?;
                    (at, so_far) = (there, here);
                }
                _ => return Err(Errno::NOTDIR.into()),
            }
        }
        Err(Astray::Kind(FileKind(FileType::Directory)).into())
    }

    /// The regular file that stands there, to be read.
    pub(super) fn open(&self) -> io::Result<File> {
        // A device is not even opened: that alone may do something.
        regular(self.there.as_ref().ok_or(Errno::NOENT)?)?;
        open_at(&self.dir, &self.name)
    }
}

/// The regular file `name` in `dir`, to be read; a link there is an error.
pub(super) fn open_at(dir: impl AsFd, name: impl AsRef<OsStr>) -> io::Result<File> {
    // Without NONBLOCK, opening a pipe would wait for its other end.
    let flags = OFlags::RDONLY | OFlags::NOFOLLOW | OFlags::NONBLOCK | OFlags::NOCTTY | OFlags::CLOEXEC;
    let file = match openat(dir, name.as_ref(), flags, Mode::empty()) {
        // open(2): so it is with a socket.
        Err(Errno::NXIO) => return Err(Astray::Kind(FileKind(FileType::Socket)).into()),
        file => file?,
    };
    regular(&fstat(&file)?)?;
    Ok(file.into())
}

/// All of `file`, which may be as long as `most` bytes.
pub(super) fn all(file: &File, most: u64) -> io::Result<Vec<u8>> {
    let mut bytes = Vec::new();
    // One byte more than may be shows that there is more.
    file.take(most.saturating_add(1)).read_to_end(&mut bytes)?;
    if bytes.len() as u64 > most { Err(Astray::Long(most).into()) } else { Ok(bytes) }
}

/// Refuses what is no regular file.
pub(super) fn regular(stat: &Stat) -> io::Result<()> {
    match FileType::from_raw_mode(stat.st_mode) {
        FileType::RegularFile => Ok(()),
        kind => Err(Astray::Kind(FileKind(kind)).into()),
    }
}

/// Where `path` begins.
fn start(path: &Path) -> rustix::io::Result<OwnedFd> {
    let flags = OFlags::PATH | OFlags::DIRECTORY | OFlags::CLOEXEC;
    openat(CWD, if path.is_absolute() { "/" } else { "." }, flags, Mode::empty())
}

/// Puts the names in `path` before those that lie `ahead`, of which the last is the next.
fn push(ahead: &mut Vec<OsString>, path: &Path) {
    let names = path.components().rev().filter_map(|part| match part {
        Component::Normal(name) => Some(name.to_owned()),
        Component::ParentDir => Some("..".into()),
        Component::CurDir | Component::RootDir | Component::Prefix(_) => None,
    });
    ahead.extend(names);
}

/// Whether the way may go on through the directory `stat`.
fn judge(trust: &Trust, errand: Errand, stat: &Stat, path: &Path) -> io::Result<()> {
    if errand == Errand::Put && trust.is_stranger(stat.st_uid) {
        return Err(Astray::Theirs { path: path.to_owned(), owner: stat.st_uid }.into());
    }
    Ok(())
}

/// Whom this process lets lead it.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(crate) struct Trust {
    /// Who runs it. Root can do everywhere what others want to be done.
    me: u32,
    /// Whom the system names in the place of root, where root has no number in this user namespace.
    nobody: Option<u32>,
}

impl Trust {
    pub(crate) fn of_this_process() -> Self {
        let read = |path| std::fs::read_to_string(path).ok();
        let nobody = || nobody(&read("/proc/self/uid_map")?, &read("/proc/sys/kernel/overflowuid")?);
        Self { me: rustix::process::geteuid().as_raw(), nobody: nobody() }
    }

    pub(crate) fn is_root(self) -> bool {
        self.me == 0
    }

    /// Whether `owner` is somebody by whom this process is not to be led.
    pub(crate) fn is_stranger(self, owner: u32) -> bool {
        self.is_root() && self.is_another(owner)
    }

    /// Whether `owner` is neither root nor who runs this.
    pub(super) fn is_another(self, owner: u32) -> bool {
        owner != 0 && owner != self.me && Some(owner) != self.nobody
    }
}

/// The user as whom root's files appear in a user namespace of this map where root itself has no number
/// (user_namespaces(7)).
fn nobody(map: &str, overflow: &str) -> Option<u32> {
    let root_has_one = map.lines().any(|line| line.split_whitespace().nth(1) == Some("0"));
    if root_has_one { None } else { overflow.trim().parse().ok() }
}

#[cfg(test)]
mod tests {
    use std::fs;
    use std::os::unix::fs::symlink;

    use rustix::fs::mknodat;

    use super::*;

    #[test]
    fn root_is_led_by_no_other_user() {
        for (me, nobody, owner, is_another) in [
            (0, None, 0, false),
            (0, None, 61184, true),
            (0, None, 65534, true),
            (0, Some(65534), 65534, false),
            (0, Some(65534), 61184, true),
            (61184, None, 61184, false),
            (61184, None, 61185, true),
        ] {
            let trust = Trust { me, nobody };
            assert_eq!(trust.is_another(owner), is_another, "{trust:?} {owner}");
            assert_eq!(trust.is_stranger(owner), is_another && me == 0, "{trust:?} {owner}");
        }
    }

    /// user_namespaces(7): inside, outside, how many.
    #[test]
    fn nobody_stands_for_root_only_where_root_has_no_number() {
        for (map, stands_for_root) in [
            ("         0          0 4294967295\n", false),
            ("         0       1000          1\n", true),
            ("         0       1000          1\n         1     100000      65536\n", true),
            // What PrivateUsers= of systemd.exec(5) makes.
            ("         0          0          1\n     61184      61184          1\n", false),
        ] {
            assert_eq!(nobody(map, "65534\n"), stands_for_root.then_some(65534), "{map}");
        }
    }

    /// path_resolution(7) is what it is held against: the kernel's own way.
    #[test]
    fn the_way_is_the_kernels() {
        let home = tempfile::tempdir().unwrap();
        let at = |name: &str| home.path().join(name);
        fs::create_dir_all(at("etc/below")).unwrap();
        fs::write(at("etc/file"), "here").unwrap();
        for (to, link) in [
            ("file", "etc/link"),
            ("../etc/below/../link", "etc/long"),
            ("etc", "dir"),
            ("dir/file", "through"),
            ("circle", "circle"),
            ("nothing", "dangling"),
            ("etc/file/..", "no-dir"),
        ] {
            symlink(to, at(link)).unwrap();
        }
        symlink(at("etc/file"), at("absolute")).unwrap();
        for name in [
            "etc/file",
            "etc/link",
            "etc/long",
            "dir/file",
            "through",
            "circle",
            "dangling",
            "absolute",
            "etc/./file",
            "etc/below/../file",
            "etc/file/more",
            "nothing/file",
            "no-dir",
            "dir/../dir/link",
            "nothing",
        ] {
            let ours = End::find(&at(name), Errand::Read).and_then(|end| end.open()).and_then(|file| all(&file, 4));
            let kernels = fs::read(at(name));
            let of = |read: io::Result<Vec<u8>>| read.map_err(|error| error.kind());
            assert_eq!(of(ours), of(kernels), "{name}");
        }
        for name in ["etc", "dir", "etc/below/..", ""] {
            let error = End::find(&at(name), Errand::Read).and_then(|end| end.open()).unwrap_err();
            assert_eq!(error.to_string(), "it is a directory and not a regular file");
        }
        let error = End::find(&at("etc/link"), Errand::ReadOwn).unwrap_err();
        assert_eq!(Errno::from_io_error(&error), Some(Errno::LOOP));
    }

    #[test]
    fn what_is_no_file_or_too_long_is_not_read() {
        let home = tempfile::tempdir().unwrap();
        let at = home.path().join("there");
        mknodat(CWD, &at, FileType::Fifo, Mode::RUSR | Mode::WUSR, 0).unwrap();
        let read = |path: &Path| End::find(path, Errand::Read).and_then(|end| all(&end.open()?, 3));
        // Nor where the pipe comes between looking and opening.
        let dir = File::open(home.path()).unwrap();
        for error in [read(&at).unwrap_err(), open_at(&dir, "there").unwrap_err()] {
            assert_eq!(Astray::behind(&error), Some(&Astray::Kind(FileKind(FileType::Fifo))));
        }
        fs::remove_file(&at).unwrap();
        let _socket = std::os::unix::net::UnixListener::bind(&at).unwrap();
        for error in [read(&at).unwrap_err(), open_at(&dir, "there").unwrap_err()] {
            assert_eq!(Astray::behind(&error), Some(&Astray::Kind(FileKind(FileType::Socket))));
        }
        assert_eq!(
            Astray::behind(&read(Path::new("/dev/zero")).unwrap_err()),
            Some(&Astray::Kind(FileKind(FileType::CharacterDevice)))
        );
        fs::remove_file(&at).unwrap();
        fs::write(&at, "four").unwrap();
        assert_eq!(Astray::behind(&read(&at).unwrap_err()), Some(&Astray::Long(3)));
    }
}
