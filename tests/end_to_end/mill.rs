//! Heron Mill: the servers around the binary, its configuration, and its directory.

use std::collections::BTreeMap;
use std::fmt::Debug;
use std::fs;
use std::os::unix::fs::{MetadataExt, PermissionsExt};
use std::path::{Path, PathBuf};
use std::process::{Command, Stdio};
use std::time::{Duration, Instant};

use fingerpost::record::{RecordType, RrSet};
use serde_json::Value;
use tempfile::TempDir;

use crate::common::named::Named;
use crate::common::nginx::{Down, Nginx, Service};
use crate::common::{DnsServer, Grant, KEY, SECRET_BASE64, ServerKey, ZONE, ZoneSetup};
use crate::trace::{self, Call};

/// The name that the key may change.
pub(crate) const GAUGE: &str = "gauge.heronmill.example";
/// Where it points at the beginning.
pub(crate) const OLD: &str = "203.0.113.9";
/// Where the home is.
pub(crate) const HOME: &str = "203.0.113.77";
/// What the liar says.
pub(crate) const LIE: &str = "203.0.113.66";

/// Waits for `condition`, for as long as a busy machine may need.
#[track_caller]
pub(crate) fn wait_until<T: PartialEq + Debug>(what: &str, wanted: T, look: impl Fn() -> T) {
    let end = Instant::now() + Duration::from_secs(30);
    loop {
        let seen = look();
        if seen == wanted {
            return;
        }
        assert!(Instant::now() < end, "{what}: {seen:?} instead of {wanted:?}");
        std::thread::sleep(Duration::from_millis(10));
    }
}

/// How a command ended.
#[derive(Debug, PartialEq)]
pub(crate) struct Done {
    pub(crate) status: i32,
    pub(crate) stdout: String,
    pub(crate) stderr: String,
}

impl Done {
    /// The same, held to this exit status.
    #[track_caller]
    pub(crate) fn exits(self, status: i32) -> Self {
        assert_eq!(self.status, status, "{self:#?}");
        self
    }

    /// The same, held to having said all of `words` on standard output.
    #[track_caller]
    pub(crate) fn says(self, words: &[&str]) -> Self {
        for word in words {
            assert!(self.stdout.contains(word), "no {word:?} in {self:#?}");
        }
        self
    }

    #[track_caller]
    pub(crate) fn json(&self) -> Value {
        serde_json::from_str(&self.stdout).unwrap_or_else(|error| panic!("{error}: {self:#?}"))
    }
}

pub(crate) struct Mill {
    dir: TempDir,
    pub(crate) named: DnsServer,
    pub(crate) nginx: Nginx,
    down: Down,
}

impl Mill {
    pub(crate) fn new() -> Self {
        Self::with(&[KEY], &[Self::zone()])
    }

    /// The zone of most tests: only the addresses of [`GAUGE`] may be changed.
    pub(crate) fn zone() -> ZoneSetup {
        let lines = "gauge 120 A 203.0.113.9\nmill 300 A 203.0.113.9\nmill 300 A 198.51.100.99\ncam 300 CNAME gauge";
        ZoneSetup { grants: vec![Grant { key: KEY.name, name: Some(GAUGE) }], ..ZoneSetup::new(lines) }
    }

    /// With other keys and zones at named.
    pub(crate) fn with(keys: &[ServerKey], zones: &[ZoneSetup]) -> Self {
        let says = [HOME, HOME, HOME, LIE].map(|address| Service::says(&format!("{address}\n")));
        let mill = Self {
            dir: tempfile::tempdir().unwrap(),
            named: DnsServer::start::<Named>(keys, zones),
            nginx: Nginx::start(&says),
            down: Down::new(),
        };
        mill.write_key(SECRET_BASE64);
        mill.configure(&[]);
        mill
    }

    /// Writes the configuration, with each `(old, new)` of `edits` made.
    #[track_caller]
    pub(crate) fn configure(&self, edits: &[(&str, &str)]) {
        let mut text = self.configuration();
        for (old, new) in edits {
            assert!(text.contains(old), "no {old:?} in:\n{text}");
            text = text.replace(old, new);
        }
        fs::write(self.path("fingerpost.toml"), text).unwrap();
    }

    fn configuration(&self) -> String {
        let mut text = format!(
            r#"state_dir = "{}"
[watch]
every = "1h"
settle = 2
settle_every = "100ms"
accept_special = ["203.0.113.0/24"]
[limits]
spacing = "1ms"
[retry]
initial = "100ms"
max = "1s"
[audit]
[provider.home]
kind = "rfc2136"
zone = "{ZONE}"
server = "{}"
key = {{ name = "gauge-key", algorithm = "hmac-sha256", secret = {{ file = "gauge.key" }} }}
confirm = "off"
"#,
            self.state_dir().display(),
            self.named.address()
        );
        let urls = [0, 1, 2, 3].map(|index| self.nginx.url(index)).into_iter().chain([self.down.url()]);
        for (operator, url) in ["north-collective", "ferryman", "millrace", "tern-labs", "quayside"].iter().zip(urls) {
            text += &format!(
                "[[witness]]\nname = \"{operator}-1\"\noperator = \"{operator}\"\nkind = \"http\"\nurl = \"{url}\"\nfamilies = [\"ipv4\"]\n"
            );
        }
        text + &Self::record("gauge", "2m")
    }

    /// A `[[record]]` of the configuration.
    pub(crate) fn record(label: &str, ttl: &str) -> String {
        format!("[[record]]\nname = \"{label}.{ZONE}\"\ntypes = [\"A\"]\nprovider = \"home\"\nttl = \"{ttl}\"\n")
    }

    pub(crate) fn write_key(&self, text: &str) {
        fs::write(self.path("gauge.key"), text).unwrap();
        fs::set_permissions(self.path("gauge.key"), fs::Permissions::from_mode(0o600)).unwrap();
    }

    pub(crate) fn path(&self, name: &str) -> PathBuf {
        self.dir.path().join(name)
    }

    pub(crate) fn state_dir(&self) -> PathBuf {
        self.path("state")
    }

    /// A file in the state directory.
    pub(crate) fn kept(&self, name: &str) -> PathBuf {
        self.state_dir().join(name)
    }

    /// Moves the home: the honest operators say `address` from now on.
    pub(crate) fn home_is(&self, address: &str) {
        for index in 0..3 {
            self.nginx.say(index, &format!("{address}\n"));
        }
    }

    /// Where the name points, by dig.
    pub(crate) fn gauge(&self) -> Option<RrSet> {
        self.named.rrset(GAUGE, RecordType::A)
    }

    pub(crate) fn serial(&self) -> u32 {
        self.named.serial(ZONE)
    }

    /// The binary, run by `prefix` if there is one, with little environment.
    pub(crate) fn command(&self, prefix: &[&str], arguments: &[&str]) -> Command {
        let binary = env!("CARGO_BIN_EXE_fingerpost");
        let words: Vec<_> = prefix.iter().copied().chain([binary]).chain(arguments.iter().copied()).collect();
        let mut command = Command::new(words[0]);
        command.args(&words[1..]).arg("--config").arg(self.path("fingerpost.toml"));
        command.env_clear().envs(std::env::var_os("PATH").map(|path| ("PATH", path)));
        command.stdin(Stdio::null()).stdout(Stdio::piped()).stderr(Stdio::piped());
        command
    }

    /// Runs it to its end.
    pub(crate) fn run(&self, arguments: &[&str]) -> Done {
        self.run_by(&[], arguments)
    }

    pub(crate) fn run_by(&self, prefix: &[&str], arguments: &[&str]) -> Done {
        // A command that hangs is ended, with status 124, by the timeout of coreutils.
        let bounded: Vec<_> = ["timeout", "60"].into_iter().chain(prefix.iter().copied()).collect();
        let output = self.command(&bounded, arguments).output().unwrap();
        let text = |bytes| String::from_utf8(bytes).unwrap();
        let status = output.status.code().expect("a signal ended it");
        Done { status, stdout: text(output.stdout), stderr: text(output.stderr) }
    }

    /// Runs it to its end under strace.
    pub(crate) fn traced(&self, calls: &[&str], arguments: &[&str]) -> (Done, Vec<Call>) {
        let file = tempfile::NamedTempFile::new().unwrap();
        let done = self.run_by(&words(&trace::prefix(calls, file.path())), arguments);
        (done, trace::parse(&fs::read_to_string(file.path()).unwrap()))
    }

    /// Everything in its directory, with all that shows a write.
    pub(crate) fn listing(&self) -> BTreeMap<PathBuf, String> {
        let mut found = BTreeMap::new();
        list(self.dir.path(), &mut found);
        found
    }

    /// The lines of the current audit file.
    pub(crate) fn audit(&self) -> Vec<Value> {
        let text = fs::read_to_string(self.kept("audit.jsonl")).unwrap_or_default();
        text.lines().map(|line| serde_json::from_str(line).unwrap()).collect()
    }

    /// Each entry's event, and its result; what is amiss with the witnesses is left out: one of them always lies.
    pub(crate) fn events(&self) -> Vec<String> {
        let word = |entry: &Value, key: &str| entry[key].as_str().unwrap_or_default().to_owned();
        let name = |entry: &Value| format!("{} {}", word(entry, "event"), word(entry, "result")).trim().to_owned();
        self.audit().iter().map(name).filter(|name| name != "found" && name != "gone").collect()
    }
}

pub(crate) fn words(owned: &[String]) -> Vec<&str> {
    owned.iter().map(String::as_str).collect()
}

fn list(path: &Path, found: &mut BTreeMap<PathBuf, String>) {
    let meta = fs::symlink_metadata(path).unwrap();
    let times = (meta.mtime(), meta.mtime_nsec(), meta.ctime(), meta.ctime_nsec());
    found.insert(path.to_owned(), format!("{} {} {:o} {times:?}", meta.ino(), meta.len(), meta.mode()));
    if meta.is_dir() {
        for item in fs::read_dir(path).unwrap() {
            list(&item.unwrap().path(), found);
        }
    }
}
