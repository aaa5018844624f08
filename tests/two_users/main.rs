//! Root in a directory of the service's user: two real users, of which one has got hold of the service.
//!
//! The service's user lays in wait whatever a user can make there; root comes by, and must neither write nor read where
//! that leads, nor wait for it, nor fill the memory with it. Runs as root, or by sudo.
#![allow(clippy::unwrap_used, clippy::expect_used, clippy::panic, reason = "a test that cannot go on has failed")]

mod led;
mod reads;
#[path = "../common/service.rs"]
mod service;
mod writes;

use std::fs::{self, Permissions};
use std::os::unix::fs::{PermissionsExt as _, chown};
use std::os::unix::process::CommandExt as _;
use std::path::{Path, PathBuf};
use std::process::{Child, Command, Stdio};
use std::thread;
use std::time::{Duration, Instant};

use service::{SERVICE, is_root};
use tempfile::TempDir;

/// Who waits longer waits for ever.
const PATIENCE: Duration = Duration::from_secs(60);

/// What the program may have of addresses, in KiB: it needs a tenth of it.
const MEMORY: u32 = 1 << 20;

/// Who runs something.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
enum User {
    Root,
    Service,
}

/// What the program said.
#[derive(Debug)]
struct Said {
    status: i32,
    out: String,
    err: String,
}

/// A home: a directory of root's, and in it `state` and `out`, which are the service's.
struct Mill {
    dir: TempDir,
}

impl Mill {
    /// With these tables after what every configuration needs; the ranges of the edge are fetched.
    fn new(tables: &str) -> Self {
        let mill = Self { dir: tempfile::tempdir().unwrap() };
        fs::set_permissions(mill.dir.path(), Permissions::from_mode(0o755)).unwrap();
        let text = format!(
            "state_dir = \"state\"\n[watch]\naccept_special = [\"192.0.2.0/24\", \"198.51.100.0/24\"]\n\
             [[witness]]\nname = \"north\"\noperator = \"north\"\nkind = \"http\"\nurl = \"http://127.0.0.1:9/\"\n\
             [[edge]]\nname = \"weir\"\nsources = [{{ file = \"weir.txt\" }}]\n{tables}\n"
        );
        fs::write(mill.path("fingerpost.toml"), text).unwrap();
        fs::write(mill.path("weir.txt"), "192.0.2.0/24\n").unwrap();
        for name in ["state", "out"] {
            fs::create_dir(mill.path(name)).unwrap();
            fs::set_permissions(mill.path(name), Permissions::from_mode(0o700)).unwrap();
            chown(mill.path(name), Some(SERVICE), Some(SERVICE)).unwrap();
        }
        let fetched = mill.run(User::Service, &["allowlist", "fetch"]);
        assert_eq!(fetched.status, 0, "{fetched:?}");
        mill
    }

    fn path(&self, name: &str) -> PathBuf {
        self.dir.path().join(name)
    }

    /// The program, about to be started by `user` with no more memory than it may have.
    fn command(&self, user: User, arguments: &[&str]) -> Command {
        let mut command = Command::new("/bin/sh");
        command.args(["-c", &format!("ulimit -v {MEMORY}; exec \"$@\""), "sh"]);
        command.arg(std::env::var_os("TESTS_BINARY").unwrap_or(env!("CARGO_BIN_EXE_fingerpost").into()));
        command.args(["--config", "fingerpost.toml"]).args(arguments).current_dir(self.dir.path());
        for (name, _) in std::env::vars_os().filter(|(name, _)| name.to_string_lossy().starts_with("FINGERPOST_")) {
            command.env_remove(name);
        }
        if user == User::Service {
            command.uid(SERVICE).gid(SERVICE);
        }
        command.stdin(Stdio::null()).stdout(Stdio::piped()).stderr(Stdio::piped());
        command
    }

    /// Runs it to its end.
    fn run(&self, user: User, arguments: &[&str]) -> Said {
        ended(self.command(user, arguments).spawn().unwrap(), &arguments.join(" "))
    }

    /// What the service's user does in the home.
    fn shell(&self, script: &str) {
        let mut command = Command::new("sh");
        command.args(["-ec", script]).current_dir(self.dir.path()).uid(SERVICE).gid(SERVICE);
        assert!(command.status().unwrap().success(), "{script}");
    }
}

/// What `child` says, which must end by itself.
fn ended(mut child: Child, what: &str) -> Said {
    fn all(mut from: impl std::io::Read + Send + 'static) -> thread::JoinHandle<String> {
        thread::spawn(move || {
            let mut text = String::new();
            from.read_to_string(&mut text).unwrap();
            text
        })
    }
    let (out, err) = (all(child.stdout.take().unwrap()), all(child.stderr.take().unwrap()));
    let end = Instant::now() + PATIENCE;
    let status = loop {
        match child.try_wait().unwrap() {
            Some(status) => break Some(status),
            None if Instant::now() > end => break None,
            None => thread::sleep(Duration::from_millis(5)),
        }
    };
    if status.is_none() {
        child.kill().unwrap();
        child.wait().unwrap();
    }
    let (out, err) = (out.join().unwrap(), err.join().unwrap());
    let status = status.unwrap_or_else(|| panic!("{what} hangs: {out}{err}"));
    Said { status: status.code().unwrap_or_else(|| panic!("{what}: {status}: {err}")), out, err }
}

/// What kind of file stands at `path` itself, and whose.
fn kind(path: &Path) -> (fs::FileType, u32) {
    let meta = fs::symlink_metadata(path).unwrap();
    (meta.file_type(), std::os::unix::fs::MetadataExt::uid(&meta))
}
