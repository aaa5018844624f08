//! One record that the key may not change: blocked by name, over the end of the process, until it may.

use std::fs;

use rustix::process::Signal;
use serde_json::Value;

use crate::background::Daemon;
use crate::common::named::Named;
use crate::common::{Grant, KEY, ZoneSetup, set};
use crate::mill::{GAUGE, HOME, Mill, wait_until};

const WEIR: &str = "weir.heronmill.example";
const BLOCKED: &str = "weir.heronmill.example A is blocked: ";

/// The records that are blocked, as the state file has them.
fn blocks(mill: &Mill) -> Vec<String> {
    let state: Value = serde_json::from_slice(&fs::read(mill.kept("state.json")).unwrap()).unwrap();
    state["blocks"].as_object().into_iter().flatten().map(|(key, _)| key.clone()).collect()
}

/// How many writes are left today, and how many there are a day, with or without a daemon.
fn left_today(mill: &Mill) -> (u64, u64) {
    let status = mill.run(&["status", "--json"]).json();
    let number = |key: &str| status["providers"][0][key].as_u64().unwrap();
    (number("left_today"), number("daily"))
}

/// Lets some rounds come to their end.
fn rounds(mill: &Mill, daemon: &Daemon) {
    for _ in 0..5 {
        let asked = mill.nginx.asked(0, 0).len();
        daemon.look();
        mill.nginx.asked(0, asked + 1);
    }
}

#[test]
#[ignore = "needs named and nginx: tests/all.sh runs it"]
fn a_block_outlives_the_process_and_its_beginning_and_its_end_are_told_once() {
    let mut mill = Mill::new();
    mill.configure(&[("[[record]]", &format!("{}[[record]]", Mill::record("weir", "2m")))]);
    let daemon = Daemon::start(&mill);
    daemon.says(BLOCKED);
    wait_until("the other name", Some(set(120, &[HOME])), || mill.gauge());
    rounds(&mill, &daemon);
    let counted = left_today(&mill);
    assert!(counted.0 < counted.1, "{counted:?}");
    let log = daemon.stop();
    assert_eq!(log.matches(BLOCKED).count(), 1, "{log}");
    assert_eq!(left_today(&mill), counted, "what it left behind says the same");
    assert_eq!(blocks(&mill), [format!("home {WEIR} A")]);

    // The next process tries it once, which is all that it sends, and says once more that it is blocked.
    let before = mill.events();
    let daemon = Daemon::start(&mill);
    daemon.says(BLOCKED);
    rounds(&mill, &daemon);
    assert_eq!(blocks(&mill), [format!("home {WEIR} A")]);
    assert_eq!(mill.events()[before.len()..], ["intent", "outcome refused"], "{}", daemon.log());
    mill.run(&["status"]).exits(77).says(&[BLOCKED]);

    // The key may change it now, and a person says so.
    let grants = [GAUGE, WEIR].map(|name| Grant { key: KEY.name, name: Some(name) });
    mill.named.reconfigure::<Named>(&[KEY], &[ZoneSetup { grants: grants.to_vec(), ..Mill::zone() }]);
    daemon.signal(Signal::HUP);
    daemon.says("weir.heronmill.example A written: ");
    rounds(&mill, &daemon);
    assert_eq!(mill.named.dig(WEIR, "A"), [format!("120 {HOME}")]);
    let log = daemon.stop();
    let said = [BLOCKED, "weir.heronmill.example A written: ", "weir.heronmill.example A is in step"];
    assert_eq!(said.map(|words| log.matches(words).count()), [1, 1, 0], "{log}");
    assert_eq!((blocks(&mill), mill.events().len()), (vec![], before.len() + 4));
}
