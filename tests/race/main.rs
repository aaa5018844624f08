//! A race over whole RRsets: dnspython adds and removes members, as fast as it can, of the very RRset in which the
//! real daemon swaps its own. Nothing of the other client's is lost, and nothing that it removed comes back.

#![expect(clippy::unwrap_used, clippy::expect_used, clippy::panic, reason = "a test fails by panicking")]

#[path = "../common/mod.rs"]
mod common;
#[path = "../common/living.rs"]
mod living;

use std::collections::BTreeSet;
use std::io::Read as _;
use std::net::{IpAddr, Ipv4Addr};
use std::process::{Command, Stdio};

use common::{SECRET_BASE64, ZONE};
use fingerpost::audit::chain::Known;
use fingerpost::audit::file::read_all;
use fingerpost::audit::{Ending, Event};
use fingerpost::record::RecordType;
use living::{HAND, Living, open_intents, until};

/// Conflicts that must have happened: without any, there was no race.
const CONFLICTS: usize = 10;

#[test]
#[ignore = "needs named and python3 with dnspython: tests/all.sh runs it"]
fn nothing_of_another_client_is_lost() {
    let wan = |last: u8| IpAddr::from(Ipv4Addr::new(203, 0, 113, last));
    let living = Living::new("gauge 120 A 203.0.113.1\nmill 300 A 203.0.113.1\n", wan(1));
    living.configure("[limits]\nspacing = \"1ms\"\nburst = 1000\ndaily = 1000000\n");
    let mut daemon = living.daemon();
    until("the daemon to listen", || daemon.is_up());
    let stands = |home: IpAddr| {
        [("gauge", home), ("mill", home)]
            .iter()
            .all(|(label, home)| living.rrset(label).is_some_and(|set| set.addresses.contains(home)))
    };
    until("the daemon to know mill's member as its own", || {
        std::fs::read_to_string(living.state_dir().join("state.json")).is_ok_and(|state| state.contains("home mill"))
    });

    let seed = fastrand::u32(..).to_string();
    println!("seed {seed}");
    let mut neighbour = Command::new(common::python())
        .args([
            concat!(env!("CARGO_MANIFEST_DIR"), "/tests/race/neighbour.py"),
            &living.named.port().to_string(),
            HAND.name,
            SECRET_BASE64,
            &seed,
        ])
        .stdin(Stdio::piped())
        .stdout(Stdio::piped())
        .spawn()
        .expect("this test needs python3");

    let endings = |wanted: Ending| {
        let entries = read_all(&living.state_dir());
        // A line may be only half written at this moment.
        entries.map_or(0, |entries| {
            let is = |event: &Known| matches!(event, Known::Yes(Event::Outcome { result, .. }) if *result == wanted);
            entries.iter().filter(|entry| is(&entry.event)).count()
        })
    };
    let mut last = 1;
    until("enough conflicts", || {
        if let Some(status) = neighbour.try_wait().unwrap() {
            panic!("the other client ended with {status}");
        }
        // The next move comes as soon as the name has followed this one.
        if stands(wan(last)) {
            last = last % 250 + 1;
            living.move_to(wan(last));
            daemon.look();
        }
        endings(Ending::Conflict) >= CONFLICTS && endings(Ending::Done) >= 3 * CONFLICTS
    });
    drop(neighbour.stdin.take());
    let mut text = String::new();
    neighbour.stdout.take().unwrap().read_to_string(&mut text).unwrap();
    assert!(neighbour.wait().unwrap().success(), "see above for what dnspython says");
    let told: serde_json::Value = serde_json::from_str(&text).unwrap();
    let theirs = |rrset: &str| -> BTreeSet<IpAddr> {
        let addresses = told["stands"][rrset].as_array().unwrap();
        addresses.iter().map(|address| address.as_str().unwrap().parse().unwrap()).collect()
    };

    until("the names to come to rest", || stands(wan(last)) && open_intents(&living.state_dir()) == 0);
    daemon.stop();
    let at = |label: &str, rtype| {
        living.named.rrset(&format!("{label}.{ZONE}"), rtype).map(|set| set.addresses).unwrap_or_default()
    };
    let with_ours = |mut set: BTreeSet<IpAddr>| {
        set.insert(wan(last));
        set
    };
    assert_eq!(at("mill", RecordType::A), with_ours(theirs("mill A")));
    assert_eq!(at("gauge", RecordType::A), with_ours(BTreeSet::new()));
    assert_eq!(at("mill", RecordType::Aaaa), theirs("mill AAAA"));
    assert_eq!(at("gauge", RecordType::Aaaa), theirs("gauge AAAA"));
    assert_eq!(at("cam", RecordType::A), theirs("cam A"));
    let (done, conflicts) = (endings(Ending::Done), endings(Ending::Conflict));
    println!("{} updates by dnspython, {done} by fingerpost, {conflicts} conflicts", told["updates"]);
}
