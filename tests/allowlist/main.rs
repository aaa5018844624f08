//! `fingerpost allowlist` as a program: against lists served by nginx, and rulesets of the real `nft`.
#![allow(clippy::unwrap_used, clippy::expect_used, clippy::panic, reason = "a test that cannot go on has failed")]

mod believed;
#[path = "../common/mod.rs"]
mod common;
mod compare;
mod daemon;
mod fetch;
mod render;
mod rulesets;
mod tampered;

use std::fs;
use std::path::PathBuf;
use std::process::{Command, Output};

use serde_json::Value;
use tempfile::TempDir;

/// A home with an edge, and what the program leaves there.
struct Mill {
    dir: TempDir,
}

/// What the program said.
struct Said {
    status: i32,
    out: String,
    err: String,
}

impl Mill {
    /// With these tables after what every configuration needs. No witness is ever asked here.
    fn new(tables: &str) -> Self {
        let mill = Self { dir: tempfile::tempdir().unwrap() };
        mill.configure(tables);
        mill
    }

    fn configure(&self, tables: &str) {
        let head = "state_dir = \"state\"\n[watch]\naccept_special = [\"192.0.2.0/24\", \"198.51.100.0/24\", \
                    \"203.0.113.0/24\", \"2001:db8::/32\"]\n[[witness]]\nname = \"north\"\noperator = \"north\"\n\
                    kind = \"http\"\nurl = \"http://127.0.0.1:9/\"\n";
        self.write("fingerpost.toml", format!("{head}{tables}"));
    }

    fn path(&self, name: &str) -> PathBuf {
        self.dir.path().join(name)
    }

    fn write(&self, name: &str, text: impl AsRef<[u8]>) {
        fs::write(self.path(name), text).unwrap();
    }

    fn read(&self, name: &str) -> String {
        fs::read_to_string(self.path(name)).unwrap()
    }

    fn run(&self, arguments: &[&str]) -> Said {
        let mut command = Command::new(env!("CARGO_BIN_EXE_fingerpost"));
        command.args(["--config", "fingerpost.toml"]).args(arguments).current_dir(self.dir.path());
        for (name, _) in std::env::vars_os().filter(|(name, _)| name.to_string_lossy().starts_with("FINGERPOST_")) {
            command.env_remove(name);
        }
        let Output { status, stdout, stderr } = command.output().unwrap();
        let text = |bytes| String::from_utf8(bytes).unwrap();
        Said { status: status.code().unwrap(), out: text(stdout), err: text(stderr) }
    }

    /// `allowlist fetch`; what it says of the one edge.
    fn fetch(&self, arguments: &[&str]) -> (i32, Value) {
        let said = self.run(&[&["--json", "allowlist", "fetch"], arguments].concat());
        let document: Value = serde_json::from_str(&said.out).unwrap_or_else(|_| panic!("{}{}", said.out, said.err));
        (said.status, document["edges"][0].clone())
    }

    /// The ranges that are in force.
    fn in_force(&self) -> Vec<String> {
        let kept: Value = serde_json::from_str(&self.read("state/edges/weir/current.json")).unwrap();
        let sources = kept["sources"].as_array().unwrap().iter();
        sources
            .flat_map(|source| source["ranges"].as_array().unwrap())
            .map(|range| range.as_str().unwrap().to_owned())
            .collect()
    }
}
