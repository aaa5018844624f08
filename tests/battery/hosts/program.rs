//! The example of a program provider, and the plain file in which it keeps records.

use std::fs::{self, File};
use std::path::PathBuf;
use std::time::Duration;

use fingerpost::name::DnsName;
use fingerpost::provider::Provider;
use fingerpost::provider::program::Program;
use fingerpost::record::{RecordType, RrSet};
use tempfile::TempDir;

use crate::common::{ZONE, at, dns};
use crate::host::{FORBIDDEN, Feature, Host};

pub(crate) struct Example {
    dir: TempDir,
    /// Holds the file while the host is paused.
    held: Option<File>,
    /// Whether something before the example refuses to change one name.
    forbids: bool,
}

/// Refuses what would change its first argument, and hands all else to the rest of them.
const GATE: &str = r#"name=$1; shift; request=$(cat)
if printf %s "$request" | jq -e --arg name "$name" '.action != "read" and any(.changes[]; .name == $name)' >/dev/null; then
    printf '{"version":1,"fault":{"kind":"refused","why":"%s is kept by somebody else"}}' "$name"
else
    printf %s "$request" | "$@"
fi"#;

impl Example {
    fn home(&self) -> PathBuf {
        self.dir.path().join("mill")
    }

    fn file(&self) -> PathBuf {
        self.home().join("records")
    }
}

impl Host for Example {
    const CANNOT: &[(Feature, &str)] = &[
        (Feature::Keys, "a plain file has no key"),
        (Feature::Cuts, "the example looks at names one by one, and not above them"),
        (Feature::Serial, "a plain file has no SOA"),
    ];
    const WILDCARDS_ANSWER: bool = false;

    fn start(lines: &str) -> Self {
        let host = Self { dir: tempfile::tempdir().unwrap(), held: None, forbids: false };
        let record = |line: &str| {
            let [label, ttl, rtype, data] = line.splitn(4, ' ').collect::<Vec<_>>()[..] else { panic!("{line}") };
            format!("{} {rtype} {ttl} {data}\n", at(label))
        };
        fs::create_dir(host.home()).unwrap();
        fs::write(host.file(), lines.lines().map(record).collect::<String>()).unwrap();
        host
    }

    fn provider(&self, timeout: Duration) -> Box<dyn Provider> {
        let example = concat!(env!("CARGO_MANIFEST_DIR"), "/config/providers/program-example.sh");
        let records = self.file().display().to_string();
        let (program, arguments) = if self.forbids {
            let gate = ["-c", GATE, "gate", at(FORBIDDEN).as_str(), example, &records].map(str::to_owned);
            ("/bin/sh", gate.into())
        } else {
            (example, vec![records])
        };
        Box::new(Program::new(dns(ZONE), program.into(), arguments, Default::default(), None, timeout))
    }

    fn stranger(&self) -> Option<Box<dyn Provider>> {
        None
    }

    fn look(&self, name: &DnsName, rtype: &str) -> Vec<String> {
        let text = fs::read_to_string(self.file()).unwrap();
        let record = |line: &str| {
            let rest = line.strip_prefix(name.as_str())?.strip_prefix(' ')?;
            rest.strip_prefix(rtype)?.strip_prefix(' ').map(str::to_owned)
        };
        let mut records: Vec<_> = text.lines().filter_map(record).collect();
        records.sort();
        records
    }

    fn edit(&self, name: &DnsName, rtype: RecordType, set: Option<&RrSet>) {
        let head = format!("{name} {rtype} ");
        let text = fs::read_to_string(self.file()).unwrap();
        let mut lines: Vec<String> = text.lines().filter(|line| !line.starts_with(&head)).map(str::to_owned).collect();
        for (set, address) in set.iter().flat_map(|set| set.addresses.iter().map(move |address| (set, address))) {
            lines.push(format!("{head}{} {address}", set.ttl));
        }
        fs::write(self.file(), lines.join("\n") + "\n").unwrap();
    }

    /// Its disk is taken out.
    fn stop(&mut self) {
        fs::rename(self.home(), self.dir.path().join("away")).unwrap();
    }

    fn start_again(&mut self) {
        fs::rename(self.dir.path().join("away"), self.home()).unwrap();
    }

    fn pause(&mut self, paused: bool) {
        self.held = paused.then(|| {
            let lock = File::create(self.home().join("records.lock")).unwrap();
            lock.lock().unwrap();
            lock
        });
    }

    /// For [`Self::provider`] from now on.
    fn forbid(&mut self) {
        self.forbids = true;
    }
}
