//! The last step of a child before it is another program.
//!
//! The C library's execvp(3) hands a file that is no program to a shell; here no shell is meant to be involved, and so
//! execve(2) itself is called. All that it needs is made ready before the fork.

use std::ffi::{CString, OsStr, OsString, c_char};
use std::io;
use std::os::unix::ffi::OsStrExt as _;
use std::path::{Path, PathBuf};
use std::ptr;

use rustix::io::Errno;
use rustix::process::{getpid, set_child_subreaper};

/// Where execvp(3) of the GNU C library looks when there is no PATH.
const NO_PATH: &str = "/bin:/usr/bin";

/// Where `program` may be, in the order of the search: a name without a `/` in the directories of `path`.
pub(crate) fn places(program: &str, path: Option<&OsStr>) -> Vec<PathBuf> {
    if program.contains('/') {
        return vec![program.into()];
    }
    let path = path.unwrap_or(NO_PATH.as_ref());
    // An empty entry is the directory that this is run in.
    let dirs = path.as_bytes().split(|b| *b == b':').map(|dir| if dir.is_empty() { b"." } else { dir });
    dirs.map(|dir| Path::new(OsStr::from_bytes(dir)).join(program)).collect()
}

/// Texts as execve(2) takes them.
struct Texts {
    /// What the pointers lead to; never touched again.
    _kept: Vec<CString>,
    pointers: Vec<*const c_char>,
}

// SAFETY: the pointers lead into memory that this value owns and nobody writes to.
#[expect(unsafe_code, reason = "pointers are neither, whatever they lead to")]
unsafe impl Send for Texts {}
// SAFETY: as above.
#[expect(unsafe_code, reason = "pointers are neither, whatever they lead to")]
unsafe impl Sync for Texts {}

impl Texts {
    fn new(texts: impl IntoIterator<Item = Vec<u8>>) -> io::Result<Self> {
        let kept = texts.into_iter().map(CString::new).collect::<Result<Vec<_>, _>>()?;
        let pointers = kept.iter().map(|text| text.as_ptr()).chain([ptr::null()]).collect();
        Ok(Self { _kept: kept, pointers })
    }
}

/// A program with all that it is started with.
pub(super) struct Start {
    files: Vec<CString>,
    arguments: Texts,
    environment: Texts,
}

impl Start {
    pub(super) fn new(program: &str, arguments: &[String], environment: &[(OsString, OsString)]) -> io::Result<Self> {
        let path = environment.iter().find(|(name, _)| name == "PATH").map(|(_, path)| path.as_os_str());
        let files = places(program, path).into_iter().map(|file| CString::new(file.into_os_string().as_bytes()));
        let words =
            [program].into_iter().chain(arguments.iter().map(String::as_str)).map(|word| word.as_bytes().to_vec());
        let variables = environment.iter().map(|(name, value)| [name.as_bytes(), b"=", value.as_bytes()].concat());
        Ok(Self {
            files: files.collect::<Result<_, _>>()?,
            arguments: Texts::new(words)?,
            environment: Texts::new(variables)?,
        })
    }

    /// Turns the process that calls it, a child just forked, into the program; it returns only with the reason why not.
    ///
    /// It calls the system and nothing else: no allocation, no lock (signal-safety(7)).
    pub(super) fn become_it(&self) -> io::Error {
        // What the program's children leave behind becomes the program's. Where the system does not know that, its
        // process group is what is ended.
        let _ = set_child_subreaper(Some(getpid()));
        self.exec()
    }

    fn exec(&self) -> io::Error {
        let mut error = Errno::NOENT;
        for file in &self.files {
            // SAFETY: texts that end with 0, and lists of them that end with a null pointer.
            #[expect(unsafe_code, reason = "there is no safe way to say it")]
            unsafe {
                libc::execve(file.as_ptr(), self.arguments.pointers.as_ptr(), self.environment.pointers.as_ptr());
            }
            match Errno::from_io_error(&io::Error::last_os_error()).unwrap_or(Errno::NOEXEC) {
                // Nothing there: the search goes on, as that of execvp(3) does.
                Errno::NOENT | Errno::NOTDIR | Errno::STALE | Errno::NODEV | Errno::TIMEDOUT
                    if self.files.len() > 1 => {}
                Errno::ACCESS if self.files.len() > 1 => error = Errno::ACCESS,
                other => return other.into(),
            }
        }
        error.into()
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_program_is_looked_for_in_the_directories_of_path() {
        let found = |program, path: Option<&str>| {
            let places = places(program, path.map(OsStr::new));
            places.iter().map(|place| place.display().to_string()).collect::<Vec<_>>().join(" ")
        };
        for (program, path, places) in [
            ("/usr/sbin/nft", Some("/bin"), "/usr/sbin/nft"),
            ("./nft", Some("/bin"), "./nft"),
            ("nft", Some("/usr/sbin:/bin"), "/usr/sbin/nft /bin/nft"),
            ("nft", None, "/bin/nft /usr/bin/nft"),
            ("nft", Some(":/bin:"), "./nft /bin/nft ./nft"),
        ] {
            assert_eq!(found(program, path), places);
        }
    }

    #[test]
    fn what_cannot_be_started_comes_back() {
        let home = tempfile::tempdir().unwrap();
        for dir in ["one", "two"] {
            std::fs::create_dir(home.path().join(dir)).unwrap();
        }
        std::fs::write(home.path().join("one/mill"), "not executable").unwrap();
        let try_it = |program: &str, dirs: &[&str]| {
            let dirs: Vec<String> = dirs.iter().map(|dir| home.path().join(dir).display().to_string()).collect();
            let environment = [("PATH".into(), dirs.join(":").into())];
            Errno::from_io_error(&Start::new(program, &[], &environment).unwrap().exec()).unwrap()
        };
        assert_eq!(try_it("mill", &["two"]), Errno::NOENT);
        assert_eq!(try_it("mill", &["one/mill"]), Errno::NOTDIR);
        assert_eq!(try_it("mill", &["one", "two"]), Errno::ACCESS);
        assert_eq!(try_it("mill", &["none", "two"]), Errno::NOENT);
        assert!(Start::new("a\0b", &[], &[]).is_err());
    }
}
