//! The first hour with the program: the configuration that `config new` writes, and errors that lead on.

#![expect(clippy::unwrap_used, clippy::expect_used, clippy::panic, reason = "a test fails by panicking")]

#[path = "../common/mod.rs"]
mod common;
mod errors;
mod fresh;
#[path = "../common/living.rs"]
mod living;

use std::fs;
use std::os::unix::fs::PermissionsExt as _;
use std::path::{Path, PathBuf};
use std::process::{Command, Stdio};

use tempfile::TempDir;

/// How a command ended; in what it said, `DIR` stands for the home's directory.
#[derive(Debug, PartialEq)]
pub(crate) struct Done {
    pub(crate) status: i32,
    pub(crate) stdout: String,
    pub(crate) stderr: String,
}

/// A directory of its own, with nothing in it.
pub(crate) struct Home(TempDir);

impl Home {
    pub(crate) fn new() -> Self {
        Self(tempfile::tempdir().unwrap())
    }

    pub(crate) fn path(&self, name: &str) -> PathBuf {
        self.0.path().join(name)
    }

    pub(crate) fn write(&self, name: &str, text: &str, mode: u32) {
        fs::write(self.path(name), text).unwrap();
        fs::set_permissions(self.path(name), fs::Permissions::from_mode(mode)).unwrap();
    }

    /// Runs the program in that directory, with `fingerpost.toml` as its configuration and no terminal.
    pub(crate) fn run(&self, arguments: &[&str]) -> Done {
        self.run_by(&[], &[], arguments)
    }

    /// The same, started by another program, with these variables.
    pub(crate) fn run_by(&self, prefix: &[&str], variables: &[(&str, &str)], arguments: &[&str]) -> Done {
        self.start(prefix, Path::new(env!("CARGO_BIN_EXE_fingerpost")), variables, arguments)
    }

    /// The same with the program as it stands at `binary`.
    pub(crate) fn start(&self, prefix: &[&str], binary: &Path, variables: &[(&str, &str)], arguments: &[&str]) -> Done {
        // A command that hangs is ended, with status 124, by the timeout of coreutils.
        let output = Command::new("timeout")
            .arg("60")
            .args(prefix)
            .arg(binary)
            .args(["--config", "fingerpost.toml"])
            .args(arguments)
            .current_dir(self.0.path())
            .env_clear()
            .envs(std::env::var_os("PATH").map(|path| ("PATH", path)))
            .envs(variables.iter().copied())
            .stdin(Stdio::null())
            .output()
            .unwrap();
        let text = |bytes| String::from_utf8(bytes).unwrap().replace(&self.0.path().display().to_string(), "DIR");
        let status = output.status.code().expect("a signal ended it");
        Done { status, stdout: text(output.stdout), stderr: text(output.stderr) }
    }
}
