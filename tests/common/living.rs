//! A home that lives: three echo services, BIND, and the real program as a child process among them.
#![allow(dead_code, reason = "each test binary uses its part")]

use std::collections::BTreeSet;
use std::fs::{self, File};
use std::io::Write as _;
use std::net::IpAddr;
use std::os::unix::fs::OpenOptionsExt as _;
use std::path::{Path, PathBuf};
use std::process::{Child, Command, Stdio};
use std::sync::{Arc, mpsc};
use std::time::{Duration, Instant};

use fingerpost::record::{RecordType, RrSet};
use fingerpost::rehearsal::echo::Echo;
use rustix::process::{Pid, Signal, kill_process};
use tempfile::TempDir;

use crate::common::named::Named;
use crate::common::{DnsServer, Grant, KEY, SECRET_BASE64, ServerKey, ZONE, ZoneSetup};

/// How long anything may take to come true.
pub(crate) const PATIENCE: Duration = Duration::from_secs(30);

/// The key of whoever else edits the zone.
pub(crate) const HAND: ServerKey = ServerKey { name: "hand-key", algorithm: "hmac-sha512", secret: SECRET_BASE64 };

/// The home and its surroundings.
pub(crate) struct Living {
    dir: TempDir,
    echoes: Arc<Vec<Echo>>,
    pub(crate) named: DnsServer,
}

impl Living {
    /// A zone with these lines; fingerpost keeps `gauge`, sole, and `mill`, as a member. The home is at `home`.
    pub(crate) fn new(lines: &str, home: IpAddr) -> Self {
        let grants = vec![Grant { key: KEY.name, name: None }, Grant { key: HAND.name, name: None }];
        let named = DnsServer::start::<Named>(&[KEY, HAND], &[ZoneSetup { grants, ..ZoneSetup::new(lines) }]);
        Self::around(named, home)
    }

    /// The same with this server, which has [`KEY`].
    pub(crate) fn around(named: DnsServer, home: IpAddr) -> Self {
        let dir = tempfile::tempdir().unwrap();
        let mut key = File::options().write(true).create_new(true).mode(0o600).open(dir.path().join("key")).unwrap();
        key.write_all(SECRET_BASE64.as_bytes()).unwrap();
        Self { dir, echoes: echoes(home), named }
    }

    /// Writes the configuration with these `[limits]` and `[audit]` tables.
    pub(crate) fn configure(&self, limits: &str) {
        self.configure_confirming("\"off\"", limits);
    }

    /// The same with this `confirm` of the provider.
    pub(crate) fn configure_confirming(&self, confirm: &str, limits: &str) {
        let mut text = format!(
            r#"state_dir = "state"
[watch]
every = "1s"
settle = 1
settle_every = "100ms"
timeout = "1s"
accept_special = ["203.0.113.0/24"]
[retry]
initial = "100ms"
max = "300ms"
[provider.home]
kind = "rfc2136"
zone = "{ZONE}"
server = "{server}"
timeout = "300ms"
key = {{ name = "gauge-key", algorithm = "hmac-sha256", secret = {{ file = "key" }} }}
confirm = {confirm}
[[record]]
name = "gauge.{ZONE}"
types = ["A"]
provider = "home"
ttl = "2m"
[[record]]
name = "mill.{ZONE}"
types = ["A"]
provider = "home"
ttl = "5m"
sharing = "member"
{limits}
"#,
            server = self.named.address(),
        );
        for (at, echo) in self.echoes.iter().enumerate() {
            text += &format!(
                "[[witness]]\nname = \"w{at}\"\noperator = \"o{at}\"\nkind = \"http\"\nurl = \"{}\"\nfamilies = [\"ipv4\"]\n",
                echo.url()
            );
        }
        fs::write(self.dir.path().join("fingerpost.toml"), text).unwrap();
    }

    /// Where its configuration is.
    pub(crate) fn dir(&self) -> &Path {
        self.dir.path()
    }

    pub(crate) fn state_dir(&self) -> PathBuf {
        self.dir.path().join("state")
    }

    /// The home gets another address.
    pub(crate) fn move_to(&self, home: IpAddr) {
        self.echoes.iter().for_each(|echo| echo.home_is_at(home));
    }

    /// Starts `fingerpost daemon`.
    pub(crate) fn daemon(&self) -> Daemon {
        Daemon::start(self.dir.path())
    }

    /// Changes the zone as somebody else does, by lines of nsupdate; panics when BIND does not take it.
    pub(crate) fn edit(&self, lines: &str) {
        let mut child = Command::new("nsupdate")
            // By TCP: by UDP it gives up after four times three seconds, whatever holds BIND up, and BIND then writes each
            // of the four.
            .args(["-v", "-y", &format!("{}:{}:{}", HAND.algorithm, HAND.name, HAND.secret)])
            .stdin(Stdio::piped())
            .stdout(Stdio::null())
            .spawn()
            .expect("this test needs nsupdate");
        let port = self.named.port();
        let text = format!("server 127.0.0.1 {port}\nzone {ZONE}\n{lines}send\n");
        child.stdin.take().unwrap().write_all(text.as_bytes()).unwrap();
        let success = child.wait().unwrap().success();
        assert!(success, "nsupdate failed on:\n{text}{}", self.named.condition());
    }

    pub(crate) fn rrset(&self, label: &str) -> Option<RrSet> {
        self.named.rrset(&format!("{label}.{ZONE}"), RecordType::A)
    }

    /// Stops BIND from running, or lets it run on. What arrives meanwhile waits for it.
    pub(crate) fn pause(&self, paused: bool) {
        self.named.pause(paused);
    }
}

/// The services run on a thread of their own until the test ends.
pub(crate) fn echoes(home: IpAddr) -> Arc<Vec<Echo>> {
    let (tell, told) = mpsc::channel();
    std::thread::spawn(move || {
        let runtime = tokio::runtime::Builder::new_current_thread().enable_all().build().unwrap();
        runtime.block_on(async {
            let mut echoes = Vec::new();
            for _ in 0..3 {
                echoes.push(Echo::start(home).await.unwrap());
            }
            tell.send(Arc::new(echoes)).unwrap();
            std::future::pending::<()>().await;
        });
    });
    told.recv().unwrap()
}

/// The program, or another build of it that `TESTS_BINARY` names.
pub(crate) fn binary() -> PathBuf {
    std::env::var_os("TESTS_BINARY").map_or_else(|| env!("CARGO_BIN_EXE_fingerpost").into(), PathBuf::from)
}

/// The running program; it ends with this value.
pub(crate) struct Daemon {
    child: Child,
    log: PathBuf,
}

impl Daemon {
    /// Starts it with the `fingerpost.toml` of `dir`.
    pub(crate) fn start(dir: &Path) -> Self {
        Self::start_with(dir, &[])
    }

    /// The same with more variables.
    pub(crate) fn start_with(dir: &Path, variables: &[(&str, &Path)]) -> Self {
        Self::start_as(dir, variables, &[])
    }

    /// The same with these variables and arguments as well.
    pub(crate) fn start_as(dir: &Path, variables: &[(&str, &Path)], arguments: &[&str]) -> Self {
        let log = dir.join("log");
        let mut command = Command::new(binary());
        // The tests' own variables would be unknown keys of the configuration.
        for (name, _) in std::env::vars_os().filter(|(name, _)| name.to_string_lossy().starts_with("FINGERPOST_")) {
            command.env_remove(name);
        }
        let child = command
            .args(["--config", "fingerpost.toml", "daemon"])
            .args(arguments)
            .current_dir(dir)
            .env_remove("NOTIFY_SOCKET")
            .env_remove("JOURNAL_STREAM")
            .envs(variables.iter().copied())
            .stdin(Stdio::null())
            .stdout(Stdio::null())
            .stderr(File::create(&log).unwrap())
            .spawn()
            .unwrap();
        Self { child, log }
    }

    pub(crate) fn pid(&self) -> u32 {
        self.child.id()
    }

    /// What it logged.
    pub(crate) fn log(&self) -> String {
        fs::read_to_string(&self.log).unwrap()
    }

    /// Whether it listens to signals by now; panics when it has ended by itself.
    pub(crate) fn is_up(&mut self) -> bool {
        if let Some(status) = self.child.try_wait().unwrap() {
            panic!("the daemon ended with {status}:\n{}", self.log());
        }
        self.log().contains(" keeps ")
    }

    /// Asks for a round now.
    pub(crate) fn look(&self) {
        signal(self.pid(), Signal::USR1);
    }

    /// Has it read its configuration again.
    pub(crate) fn reload(&self) {
        signal(self.pid(), Signal::HUP);
    }

    /// SIGKILL, and waits for its end.
    pub(crate) fn kill(mut self) {
        assert!(self.child.try_wait().unwrap().is_none(), "the daemon ended by itself:\n{}", self.log());
        self.child.kill().unwrap();
        self.child.wait().unwrap();
    }

    /// SIGTERM; panics unless it ends with status 0.
    pub(crate) fn stop(mut self) {
        signal(self.pid(), Signal::TERM);
        let end = Instant::now() + PATIENCE;
        let status = loop {
            if let Some(status) = self.child.try_wait().unwrap() {
                break status;
            }
            assert!(Instant::now() < end, "SIGTERM does not end it:\n{}", self.log());
            std::thread::sleep(Duration::from_millis(5));
        };
        assert!(status.success(), "{status}:\n{}", self.log());
    }
}

impl Drop for Daemon {
    fn drop(&mut self) {
        let _ = self.child.kill();
        let _ = self.child.wait();
    }
}

pub(crate) fn signal(pid: u32, signal: Signal) {
    kill_process(Pid::from_raw(pid.try_into().unwrap()).unwrap(), signal).unwrap();
}

/// Waits until `seen`; panics with `what` when that takes too long.
#[track_caller]
pub(crate) fn until(what: &str, mut seen: impl FnMut() -> bool) {
    let end = Instant::now() + PATIENCE;
    while !seen() {
        assert!(Instant::now() < end, "waited in vain for {what}");
        std::thread::sleep(Duration::from_millis(5));
    }
}

/// The intents in the log of `dir` that have no outcome yet. A line that is being written does not count.
pub(crate) fn open_intents(dir: &Path) -> usize {
    let mut open = BTreeSet::new();
    // A file may be closed between an intent and its outcome.
    for file in fingerpost::audit::file::files(dir).unwrap_or_default() {
        for line in fs::read_to_string(file).unwrap_or_default().lines() {
            let Ok(entry) = serde_json::from_str::<serde_json::Value>(line) else { continue };
            match entry["event"].as_str() {
                Some("intent") => drop(open.insert(entry["seq"].as_u64())),
                Some("outcome") => drop(open.remove(&entry["intent"].as_u64())),
                _ => {}
            }
        }
    }
    open.len()
}
