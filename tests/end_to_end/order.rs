//! The order of a write: announced, and by that charged, durably before anything is sent; its end entered afterwards.
//!
//! The proof is strace's: what the kernel was asked for, in the order in which it was.

use serde_json::Value;

use crate::common::{ZONE, ZoneSetup};
use crate::mill::{HOME, Mill};
use crate::trace::{Call, is_update};

const CALLS: [&str; 17] = [
    "open",
    "openat",
    "openat2",
    "write",
    "writev",
    "pwrite64",
    "sendto",
    "sendmsg",
    "recvfrom",
    "fsync",
    "fdatasync",
    "rename",
    "renameat",
    "renameat2",
    "mkdir",
    "mkdirat",
    "ftruncate",
];

/// The calls of one `sync`, with what they did to the books.
struct Proof<'a> {
    mill: &'a Mill,
    calls: Vec<Call>,
}

impl Proof<'_> {
    fn last(&self, before: usize, what: &str, is: impl Fn(&Call) -> bool) -> usize {
        self.calls[..before].iter().rposition(is).unwrap_or_else(|| panic!("no {what}: {:#?}", &self.calls[..before]))
    }

    /// Where the file or directory at `path` was made durable, between the two calls.
    fn durable(&self, path: &str, from: usize, to: usize) -> usize {
        let synced = |call: &Call| call.is(&["fsync", "fdatasync"]) && call.on() == path && call.succeeded();
        let found = self.calls[from..to].iter().position(synced);
        from + found.unwrap_or_else(|| panic!("{path} is not durable: {:#?}", &self.calls[from..to]))
    }

    fn kept(&self, name: &str) -> String {
        self.mill.kept(name).display().to_string()
    }

    /// Holds all that comes before the sending, which is call `sent`.
    fn books_are_durable_before(&self, sent: usize) {
        let (dir, log, state) = (self.mill.state_dir().display().to_string(), "audit.jsonl", "state.json");
        let log = self.kept(log);

        let intent =
            self.last(sent, "intent", |call| entry(call, &log).is_some_and(|entry| entry["event"] == "intent"));
        self.durable(&log, intent, sent);
        let made = self.last(intent, "log", |call| call.is(&["openat"]) && call.last_path() == log && call.succeeded());
        self.durable(&dir, made, sent);

        // It is the first run: the directory itself is new.
        let made = self.last(intent, "directory", |call| call.is(&["mkdir", "mkdirat"]) && call.last_path() == dir);
        let parent = self.mill.state_dir().parent().unwrap().display().to_string();
        self.durable(&parent, made, sent);

        // The state that is in force when the sending begins ends where the log did before the intent: a start charges what
        // comes after it, and that once.
        let renames = ["rename", "renameat", "renameat2"];
        let state = self.kept(state);
        let in_force = self.last(sent, "state", |call| call.is(&renames) && call.last_path() == state);
        self.durable(&dir, in_force, sent);
        let new = self.kept(".state.json.new");
        let written = self.last(in_force, "new state", |call| call.is(&["write"]) && call.on() == new);
        self.durable(&new, written, in_force);
        let kept: Value = serde_json::from_slice(&self.calls[written].bytes()).unwrap();
        let intent = entry(&self.calls[intent], &log).unwrap();
        assert_eq!(kept["log"]["seq"].as_u64().unwrap() + 1, intent["seq"].as_u64().unwrap(), "{kept:#}");
        assert_eq!(kept["ledger"]["writes"], serde_json::json!({}), "{kept:#}");
        // At the end it is in the state.
        let charged: Value = serde_json::from_slice(&std::fs::read(self.mill.kept("state.json")).unwrap()).unwrap();
        let writes: Vec<&Value> = charged["ledger"]["writes"].as_object().unwrap().values().collect();
        let [Value::Array(writes)] = writes[..] else { panic!("{charged:#}") };
        assert_eq!(writes.len(), 1, "{charged:#}");
        assert_eq!(writes[0][1], 1, "{charged:#}");
    }
}

/// The audit entry that this call writes.
fn entry(call: &Call, log: &str) -> Option<Value> {
    (call.is(&["write", "pwrite64", "writev"]) && call.on() == log)
        .then(|| serde_json::from_slice(&call.bytes()).unwrap())
}

#[test]
#[ignore = "needs named and nginx: tests/all.sh runs it"]
fn nothing_is_sent_before_its_intent_and_its_charge_are_durable() {
    let mill = Mill::new();
    let (done, calls) = mill.traced(&CALLS, &["sync"]);
    done.exits(0);
    let proof = Proof { mill: &mill, calls };
    let port = mill.named.port();
    let update = |call: &Call| call.dns_sent_to(port).is_some_and(|message| is_update(&message));
    let sent: Vec<usize> = (0..proof.calls.len()).filter(|at| update(&proof.calls[*at])).collect();
    let [sent] = sent[..] else { panic!("{} updates were sent", sent.len()) };
    proof.books_are_durable_before(sent);

    // Afterwards: the answer, a reading of what stands, and only then the outcome.
    let log = proof.kept("audit.jsonl");
    let outcome = proof
        .last(proof.calls.len(), "outcome", |call| entry(call, &log).is_some_and(|entry| entry["event"] == "outcome"));
    let from_named = |call: &Call| call.is(&["recvfrom"]) && call.on().ends_with(&format!(":{port}]"));
    let answered = sent + proof.calls[sent..outcome].iter().position(from_named).expect("an answer");
    let asked = proof.calls[answered..outcome].iter().position(|call| call.dns_sent_to(port).is_some());
    let asked = answered + asked.expect("a reading");
    assert!(proof.calls[asked..outcome].iter().any(from_named));
    proof.durable(&log, outcome, proof.calls.len());
}

/// A master file is written by renaming: that is its sending.
#[test]
#[ignore = "needs named and nginx: tests/all.sh runs it"]
fn a_master_file_is_not_replaced_before_its_intent_and_its_charge_are_durable() {
    let mill = Mill::new();
    let file = mill.path("heron.zone");
    std::fs::write(&file, ZoneSetup::new("gauge 120 A 203.0.113.9").master_file()).unwrap();
    mill.configure(&[
        ("kind = \"rfc2136\"", "kind = \"zonefile\""),
        (&format!("server = \"{}\"", mill.named.address()), "file = \"heron.zone\""),
        ("key = {", "#"),
    ]);
    let (done, calls) = mill.traced(&CALLS, &["sync"]);
    done.exits(0);
    let path = std::fs::canonicalize(&file).unwrap().display().to_string();
    let proof = Proof { mill: &mill, calls };
    let renamed = |call: &Call| call.is(&["rename", "renameat", "renameat2"]) && call.last_path() == path;
    let sent = proof.last(proof.calls.len(), "new master file", renamed);
    proof.books_are_durable_before(sent);
    assert!(std::fs::read_to_string(&file).unwrap().contains(&format!("gauge 120 A {HOME}")), "{ZONE}");
}
