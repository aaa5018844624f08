//! After a refusal: a hold. After too many writes: a wait. Both outlive the process.

use std::fs;
use std::time::Duration;

use fingerpost::clock::Timestamp;

use crate::background::Daemon;
use crate::common::named::Named;
use crate::common::{Grant, KEY, SECRET_BASE64, ZoneSetup, set};
use crate::mill::{HOME, Mill, OLD, wait_until, words};
use crate::trace;

/// A mill whose key may change nothing.
fn without_permission() -> Mill {
    let grants = vec![Grant { key: KEY.name, name: Some("other.heronmill.example") }];
    Mill::with(&[KEY], &[ZoneSetup { grants, ..Mill::zone() }])
}

/// How often a daemon that is started, asked for two rounds, and stopped, connects to named; and its log.
fn contacts(mill: &Mill) -> (usize, String) {
    contacts_with(mill, &[])
}

/// The same with further environment.
fn contacts_with(mill: &Mill, environment: &[&str]) -> (usize, String) {
    let file = tempfile::NamedTempFile::new().unwrap();
    let traced = trace::prefix(&["connect"], file.path());
    // With -D the traced process is the child itself, which gets the signals.
    let prefix: Vec<&str> = ["env"].iter().chain(environment).chain(&["strace", "-D"]).copied().collect();
    let prefix = [prefix, words(&traced[1..])].concat();
    let asked = mill.nginx.asked(0, 0).len();
    let daemon = Daemon::spawn(&mut mill.command(&prefix, &["daemon"]));
    for more in 1..3 {
        mill.nginx.asked(0, asked + more);
        daemon.look();
    }
    mill.nginx.asked(0, asked + 3);
    daemon.says("home: ");
    // strace pads a short pid.
    let end = |pid: u32, line: &str| {
        line.split_once(' ')
            .is_some_and(|(by, what)| by == pid.to_string() && what.trim_start().starts_with("+++ exited"))
    };
    let pid = daemon.pid();
    let log = daemon.stop();
    wait_until("the end of the trace", true, || read(&file).lines().any(|line| end(pid, line)));
    let port = format!("htons({})", mill.named.port());
    (read(&file).lines().filter(|line| line.contains("connect(") && line.contains(&port)).count(), log)
}

fn read(file: &tempfile::NamedTempFile) -> String {
    fs::read_to_string(file.path()).unwrap()
}

#[test]
#[ignore = "needs named and nginx: tests/all.sh runs it"]
fn a_hold_outlives_the_process_and_keeps_it_from_the_server() {
    let mut mill = without_permission();
    mill.run(&["sync"]).exits(77);
    assert_eq!(mill.events(), ["settled", "intent", "outcome refused", "hold"]);
    let (serial, log) = (mill.serial(), mill.named.log());

    let (count, told) = contacts(&mill);
    assert_eq!(count, 0, "{told}");
    assert!(
        told.contains("; on hold until reload (`systemctl reload fingerpost`), or restart with changed configuration"),
        "{told}"
    );
    assert_eq!(told.matches("on hold until").count(), 1, "told once: {told}");
    let since = Timestamp::parse(mill.audit()[3]["time"].as_str().unwrap()).unwrap();
    let held = format!("home: on hold since {since}: {} does not let the key gauge-key change", mill.named.address());
    mill.run(&["preview"]).exits(77).says(&[
        &held,
        "; to try again, reload the service (`systemctl reload fingerpost`), or, where none runs, `fingerpost sync`\n",
    ]);
    // Each update that named denies stands in its log.
    assert_eq!(mill.named.log(), log);

    // The same command, once more by hand: the hold ends, is found to be due again, and nothing else changes.
    mill.run(&["sync"]).exits(77);
    assert_eq!(mill.events()[4..], ["release", "intent", "outcome refused", "hold"]);
    let release = mill.audit().into_iter().find(|entry| entry["event"] == "release").unwrap();
    assert_eq!(release["why"], "a manual sync");

    mill.named.reconfigure::<Named>(&[KEY], &[Mill::zone()]);
    assert_eq!(contacts(&mill).0, 0, "the permission alone does not end the hold");
    mill.run(&["sync"]).exits(0).says(&["replaced, TTL 120 s"]);
    assert_eq!((mill.serial(), mill.gauge()), (serial + 1, Some(set(120, &[HOME]))));
    assert_eq!(mill.events()[8..], ["release", "intent", "outcome done"]);
}

#[test]
#[ignore = "needs named and nginx: tests/all.sh runs it"]
fn a_hold_ends_with_a_changed_key_file() {
    let mill = Mill::new();
    mill.write_key("YW5vdGhlciBzZWNyZXQsIGFsc28gMzIgYnl0ZXMgbG8=");
    let (count, told) = contacts(&mill);
    assert!(count > 0 && told.contains("(BADSIG"), "{told}");
    assert_eq!(contacts(&mill).0, 0);
    mill.write_key(SECRET_BASE64);
    let daemon = Daemon::start(&mill);
    daemon.says("home: the hold ends: its configuration changed");
    wait_until("the name", Some(set(120, &[HOME])), || mill.gauge());
    daemon.stop();
}

/// The service manager makes credentials anew at each start, and a hold ends with another secret only. All keys for
/// hmac-sha256 may be of one length, so that shows nothing.
#[test]
#[ignore = "needs named and nginx: tests/all.sh runs it"]
fn a_hold_knows_a_secret_again() {
    for from in ["credential", "env"] {
        let mill = Mill::new();
        let dir = format!("CREDENTIALS_DIRECTORY={}", mill.path("").display());
        mill.configure(&[("{ file = \"gauge.key\" }", &format!("{{ {from} = \"gauge.key\" }}"))]);
        let counts =
            ["YW5vdGhlciBzZWNyZXQsIGFsc28gMzIgYnl0ZXMgbG8="; 2].into_iter().chain([SECRET_BASE64]).map(|secret| {
                fs::remove_file(mill.path("gauge.key")).unwrap();
                mill.write_key(secret);
                contacts_with(&mill, &[&dir, &format!("gauge.key={secret}")]).0 > 0
            });
        assert_eq!(counts.collect::<Vec<_>>(), [true, false, true], "{from}");
        assert_eq!(mill.gauge(), Some(set(120, &[HOME])));
    }
}

/// The refusal may be a record's own fault: to correct that ends it as well.
#[test]
#[ignore = "needs named and nginx: tests/all.sh runs it"]
fn a_hold_ends_with_a_changed_record() {
    let mill = Mill::new();
    mill.configure(&[("name = \"gauge.heronmill.example\"", "name = \"mill.heronmill.example\"")]);
    mill.run(&["sync"]).exits(77);
    // What does not concern the provider does not end it.
    mill.configure(&[
        ("every = \"1h\"", "every = \"2h\""),
        ("name = \"gauge.heronmill.example\"", "name = \"mill.heronmill.example\""),
    ]);
    assert_eq!(contacts(&mill).0, 0);
    mill.configure(&[]);
    let daemon = Daemon::start(&mill);
    wait_until("the name", Some(set(120, &[HOME])), || mill.gauge());
    daemon.stop();
}

#[test]
#[ignore = "needs named and nginx: tests/all.sh runs it"]
fn a_hold_ends_with_a_reload() {
    let mut mill = without_permission();
    let daemon = Daemon::start(&mill);
    daemon.says("on hold until reload");
    mill.named.reconfigure::<Named>(&[KEY], &[Mill::zone()]);
    daemon.signal(rustix::process::Signal::HUP);
    daemon.says("home: the hold ends: the configuration was reloaded");
    wait_until("the name", Some(set(120, &[HOME])), || mill.gauge());
    daemon.stop();
}

/// The time, from the audit log, of the first intent, and `span` later as people are told it.
fn after_first_intent(mill: &Mill, span: Duration) -> String {
    let intent = mill.audit().into_iter().find(|entry| entry["event"] == "intent").unwrap();
    Timestamp::parse(intent["time"].as_str().unwrap()).unwrap().plus(span).to_string()
}

/// Puts the home at `last` of its range and runs `sync`, which must be put off by `key` until `span` after the first.
#[track_caller]
fn put_off(mill: &Mill, last: u8, span: Duration, key: &str) {
    mill.home_is(&format!("203.0.113.{last}"));
    let serial = mill.serial();
    let until = after_first_intent(mill, span);
    mill.run(&["preview"]).exits(75).says(&[&format!("put off until {until} by {key}\n"), "Nothing was written.\n"]);
    mill.run(&["sync"]).exits(75).says(&[&format!("put off until {until} by {key}\n")]);
    assert_eq!(mill.serial(), serial);
}

/// Writes at once to the named addresses.
#[track_caller]
fn written(mill: &Mill, lasts: &[u8]) {
    for last in lasts {
        let address = format!("203.0.113.{last}");
        mill.home_is(&address);
        mill.run(&["sync"]).exits(0);
        assert_eq!(mill.gauge(), Some(set(120, &[&address])));
    }
}

const HOUR: Duration = Duration::from_secs(3600);

#[test]
#[ignore = "needs named and nginx: tests/all.sh runs it"]
fn a_burst_is_used_up_across_processes() {
    let mill = Mill::new();
    mill.configure(&[("spacing = \"1ms\"", "spacing = \"1h\"\nburst = 2")]);
    written(&mill, &[77, 78]);
    put_off(&mill, 79, HOUR, "limits.spacing");
    // Without the state file, the audit log tells what was written.
    fs::remove_file(mill.kept("state.json")).unwrap();
    put_off(&mill, 80, HOUR, "limits.spacing");
    fs::write(mill.kept("state.json"), "{ torn").unwrap();
    let done = mill.run(&["sync"]).exits(75);
    assert!(done.stderr.contains("state.json cannot be read"), "{done:?}");

    // A daemon that is started again and again writes no more than one.
    for _ in 0..3 {
        let daemon = Daemon::start(&mill);
        daemon.says("gauge.heronmill.example A is adrift: put off until ");
        drop(daemon);
    }
    assert_eq!(mill.gauge(), Some(set(120, &["203.0.113.78"])));
}

#[test]
#[ignore = "needs named and nginx: tests/all.sh runs it"]
fn a_day_has_so_many_writes_and_no_more() {
    let mill = Mill::new();
    mill.configure(&[("spacing = \"1ms\"", "spacing = \"1ms\"\ndaily = 2")]);
    written(&mill, &[77, 78]);
    put_off(&mill, 79, 24 * HOUR, "limits.daily");
    // Back at what stands there, nothing is left to be put off.
    mill.home_is("203.0.113.78");
    mill.run(&["sync"]).exits(0);
}

/// Attempts count, whatever comes of them: a server that refuses is not hammered either.
#[test]
#[ignore = "needs named and nginx: tests/all.sh runs it"]
fn refused_writes_count() {
    let mill = without_permission();
    mill.configure(&[("spacing = \"1ms\"", "spacing = \"1h\"\nburst = 2")]);
    mill.run(&["sync"]).exits(77);
    mill.run(&["sync"]).exits(77);
    let told = format!("put off until {} by limits.spacing\n", after_first_intent(&mill, HOUR));
    mill.run(&["sync"]).exits(75).says(&[&told]);
    assert_eq!(mill.gauge(), Some(set(120, &[OLD])));
}
