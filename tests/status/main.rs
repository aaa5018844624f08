//! The status of a real daemon: by its control socket, as a page, as metrics, in a browser.

#![expect(clippy::unwrap_used, clippy::expect_used, clippy::panic, reason = "a test fails by panicking")]

mod browser;
#[path = "../common/browser.rs"]
mod chromium;
mod command;
#[path = "../common/mod.rs"]
mod common;
#[path = "../common/living.rs"]
mod living;
mod messages;
mod metrics;
mod page;

use std::fs;
use std::io::{Read as _, Write as _};
use std::net::{IpAddr, Ipv4Addr, SocketAddr, TcpStream};
use std::path::Path;
use std::process::{Command, Output};
use std::sync::Arc;
use std::time::Duration;

use fingerpost::rehearsal::echo::Echo;
use tempfile::TempDir;

use crate::common::{ZONE, ZoneSetup};
use crate::living::{Daemon, binary, echoes, until};

const HOME: IpAddr = IpAddr::V4(Ipv4Addr::new(203, 0, 113, 77));
const AWAY: IpAddr = IpAddr::V4(Ipv4Addr::new(203, 0, 113, 9));

/// A home whose zone is a file.
struct Mill {
    dir: TempDir,
    echoes: Arc<Vec<Echo>>,
}

impl Mill {
    /// The records are `gauge` and, where a CNAME stands in the way, `cam`.
    fn new(rest: &str) -> Self {
        let mill = Self { dir: tempfile::tempdir().unwrap(), echoes: echoes(HOME) };
        let lines = format!("gauge 120 A {HOME}\ncam CNAME gauge.{ZONE}.");
        fs::write(mill.dir.path().join("zone"), ZoneSetup::new(&lines).master_file()).unwrap();
        mill.configure(rest);
        mill
    }

    fn dir(&self) -> &Path {
        self.dir.path()
    }

    fn configure(&self, rest: &str) {
        let mut text = format!(
            "state_dir = \"state\"\n[watch]\nevery = \"1s\"\nsettle = 1\ntimeout = \"1s\"\n\
             accept_special = [\"203.0.113.0/24\"]\n[limits]\nspacing = \"1s\"\nburst = 100\n\
             [provider.home]\nkind = \"zonefile\"\nzone = \"{ZONE}\"\nfile = \"zone\"\nconfirm = \"off\"\n"
        );
        for label in ["gauge", "cam"] {
            text +=
                &format!("[[record]]\nname = \"{label}.{ZONE}\"\ntypes = [\"A\"]\nprovider = \"home\"\nttl = \"2m\"\n");
        }
        for (echo, operator) in self.echoes.iter().zip(["north-collective", "ferryman", "tern-labs"]) {
            text += &format!(
                "[[witness]]\nname = \"{operator}-echo\"\noperator = \"{operator}\"\nkind = \"http\"\nurl = \"{}\"\n\
                 families = [\"ipv4\"]\n",
                echo.url()
            );
        }
        fs::write(self.dir().join("fingerpost.toml"), text + rest).unwrap();
    }

    /// Up, and through its first round.
    fn daemon(&self) -> Daemon {
        let mut daemon = Daemon::start(self.dir());
        until("the first round", || {
            daemon.is_up() && String::from_utf8_lossy(&self.run(&["status"]).stdout).contains("is at 203.0.113.77")
        });
        daemon
    }

    fn run(&self, words: &[&str]) -> Output {
        let mut command = Command::new(binary());
        for (name, _) in std::env::vars_os().filter(|(name, _)| name.to_string_lossy().starts_with("FINGERPOST_")) {
            command.env_remove(name);
        }
        command.args(["--config", "fingerpost.toml"]).args(words).current_dir(self.dir()).output().unwrap()
    }

    /// All echo services say this from now on.
    fn moves_to(&self, home: IpAddr) {
        self.echoes.iter().for_each(|echo| echo.home_is_at(home));
    }
}

/// Where the page is, as the daemon says it.
fn page_of(daemon: &Daemon) -> SocketAddr {
    let log = daemon.log();
    let rest = log.split("the status page is at http://").nth(1).unwrap_or_else(|| panic!("{log}"));
    rest.split('/').next().unwrap().parse().unwrap()
}

/// The whole answer to `request`, a head without its end.
fn asked(at: SocketAddr, request: &str) -> String {
    let mut stream = TcpStream::connect(at).unwrap();
    stream.set_read_timeout(Some(Duration::from_secs(20))).unwrap();
    stream.write_all(format!("{request}\r\n\r\n").as_bytes()).unwrap();
    let mut answer = String::new();
    // Whoever is not allowed may find the connection reset.
    let _ = stream.read_to_string(&mut answer);
    answer
}

/// The body of the answer to a GET, which is 200.
fn got(at: SocketAddr, path: &str) -> String {
    let answer = asked(at, &format!("GET {path} HTTP/1.1\r\nHost: {at}"));
    let (head, body) = answer.split_once("\r\n\r\n").unwrap_or_else(|| panic!("{answer}"));
    assert!(head.starts_with("HTTP/1.1 200 "), "{path}: {head}");
    body.to_owned()
}

/// What a program in Python prints.
fn python(arguments: &[&str], input: &str) -> String {
    common::run(&common::python(), arguments, input)
}
