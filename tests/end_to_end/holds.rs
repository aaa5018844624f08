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
    contacts_in(mill, 3)
}

/// The same in so many rounds.
fn contacts_in(mill: &Mill, rounds: usize) -> (usize, String) {
    let file = tempfile::NamedTempFile::new().unwrap();
    let prefix = trace::prefix_beside(&["connect"], file.path());
    let asked = mill.nginx.asked(0, 0).len();
    let daemon = Daemon::spawn(&mut mill.command(&words(&prefix), &["daemon"]));
    for more in 1..rounds {
        mill.nginx.asked(0, asked + more);
        daemon.look();
    }
    mill.nginx.asked(0, asked + rounds);
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
    let serial = mill.serial();

    // Each start tries once: keys are replaced by one.
    let (count, told) = contacts(&mill);
    assert!(told.contains("; on hold: it is tried again every hour, at each start and at a reload"), "{told}");
    assert_eq!(told.matches("on hold: ").count(), 1, "told once: {told}");
    assert_eq!(mill.events()[4..], ["intent", "outcome refused"], "{told}");
    let (more, told) = contacts_in(&mill, 8);
    assert_eq!(more, count, "each round after the first: {told}");
    assert_eq!(mill.events()[6..], ["intent", "outcome refused"], "{told}");
    let (serial, log) = (serial, mill.named.log());
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
    assert_eq!(mill.events()[8..], ["release", "intent", "outcome refused", "hold"]);
    let release = mill.audit().into_iter().find(|entry| entry["event"] == "release").unwrap();
    assert_eq!(release["why"], "a manual sync");

    mill.named.reconfigure::<Named>(&[KEY], &[Mill::zone()]);
    let (_, told) = contacts(&mill);
    assert!(told.contains("home: the hold ends: it was tried again, and went well"), "{told}");
    assert_eq!((mill.serial(), mill.gauge()), (serial + 1, Some(set(120, &[HOME]))));
    assert_eq!(mill.events()[12..], ["intent", "outcome done", "release"]);
}

/// Nobody signs that a key is unknown, or its secret another one (RFC 8945, section 5.3.2): that is no hold.
#[test]
#[ignore = "needs named and nginx: tests/all.sh runs it"]
fn a_wrong_key_is_no_hold() {
    let mill = Mill::new();
    mill.write_key("YW5vdGhlciBzZWNyZXQsIGFsc28gMzIgYnl0ZXMgbG8=");
    let told = mill.run(&["sync"]).exits(77);
    assert!(told.stdout.contains("(BADSIG") && told.stdout.contains("counts from a reload on"), "{told:?}");
    mill.run(&["preview"]).exits(77).says(&["(BADSIG"]);
    assert_eq!(mill.events(), ["settled"]);
    let daemon = Daemon::start(&mill);
    daemon.says("(BADSIG");
    daemon.says("; will be tried again");
    mill.write_key(SECRET_BASE64);
    daemon.signal(rustix::process::Signal::HUP);
    wait_until("the name", Some(set(120, &[HOME])), || mill.gauge());
    daemon.stop();
    assert_eq!(mill.events(), ["settled", "intent", "outcome done"]);
}

/// The service manager makes credentials anew at each start.
#[test]
#[ignore = "needs named and nginx: tests/all.sh runs it"]
fn a_key_replaced_by_a_restart_is_tried() {
    for from in ["credential", "env"] {
        let mill = Mill::new();
        let dir = format!("CREDENTIALS_DIRECTORY={}", mill.path("").display());
        mill.configure(&[("{ file = \"gauge.key\" }", &format!("{{ {from} = \"gauge.key\" }}"))]);
        for secret in ["YW5vdGhlciBzZWNyZXQsIGFsc28gMzIgYnl0ZXMgbG8=", SECRET_BASE64] {
            fs::remove_file(mill.path("gauge.key")).unwrap();
            mill.write_key(secret);
            let daemon = Daemon::spawn(&mut mill.command(&["env", &dir, &format!("gauge.key={secret}")], &["daemon"]));
            if secret == SECRET_BASE64 {
                wait_until("the name", Some(set(120, &[HOME])), || mill.gauge());
            } else {
                daemon.says("one that is a systemd credential from a restart; will be tried again");
            }
            daemon.stop();
        }
    }
}

/// The refusal may be a record's own fault: to correct that ends it as well.
#[test]
#[ignore = "needs named and nginx: tests/all.sh runs it"]
fn a_hold_ends_with_a_changed_record() {
    let mill = Mill::new();
    mill.configure(&[("name = \"gauge.heronmill.example\"", "name = \"mill.heronmill.example\"")]);
    mill.run(&["sync"]).exits(77);
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
    daemon.says("on hold: it is tried again every hour");
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
