//! One of two daemons: what the commands do about the lease, and that nothing but the lease is written in step.

use std::net::TcpListener;

use fingerpost::provider::CompareAndSwap;
use fingerpost::provider::rfc2136::Rfc2136;
use serde_json::Value;
use std::time::Duration;

use crate::background::Daemon;
use crate::common::{Grant, KEY, ZONE, ZoneSetup, dns, gauge_key, set};
use crate::disk::{fill, on_its_own_disk, within};
use crate::mill::{GAUGE, HOME, Mill, OLD, wait_until};

const NAME: &str = "_fingerpost.heronmill.example";
/// The claim of another machine.
const NAS: &str = "fingerpost-lease=1 holder=nas since=2026-11-24T08:14:31Z lease=300s \
                   nonce=000102030405060708090a0b0c0d0e0f count=17";

/// A mill whose key may have the lease, and what else `grants` say.
fn mill(grants: &[Grant]) -> Mill {
    let mut all = vec![Grant { key: KEY.name, name: Some(NAME) }];
    all.extend(grants);
    Mill::with(&[KEY], &[ZoneSetup { grants: all, ..Mill::zone() }])
}

fn whole() -> Mill {
    let mill = mill(&[Grant { key: KEY.name, name: Some(GAUGE) }]);
    configure(&mill, &[]);
    mill
}

fn configure(mill: &Mill, edits: &[(&str, &str)]) {
    let standby = format!("[standby]\nname = \"{NAME}\"\nlease = \"3s\"\nholder = \"pi\"\n[audit]");
    let mut all = vec![("[audit]", standby.as_str()), ("kind = \"rfc2136\"", "kind = \"rfc2136\"\ntimeout = \"1s\"")];
    all.extend(edits);
    mill.configure(&all);
}

fn lease(mill: &Mill) -> Vec<String> {
    mill.named.dig(NAME, "TXT")
}

/// The number of the claim that stands; 0 where none does.
fn count(mill: &Mill) -> u64 {
    let lines = lease(mill);
    let count = lines.first().and_then(|line| line.split("count=").nth(1)?.trim_end_matches('"').parse().ok());
    count.unwrap_or(0)
}

fn swap(mill: &Mill, before: Option<&str>, after: Option<&str>) {
    let provider = Rfc2136::new(dns(ZONE), mill.named.address(), Some(gauge_key()), Duration::from_secs(10));
    let runtime = tokio::runtime::Builder::new_current_thread().enable_all().build().unwrap();
    runtime.block_on(provider.swap_text(&dns(NAME), before, after)).unwrap();
}

fn leases(mill: &Mill) -> Vec<String> {
    let of = |entry: &Value| (entry["event"] == "lease").then(|| entry["what"].as_str().unwrap().to_owned());
    mill.audit().iter().filter_map(of).collect()
}

#[test]
#[ignore = "needs named and nginx: tests/all.sh runs it"]
fn sync_takes_the_lease_to_write_and_gives_it_back() {
    let mill = whole();
    mill.run(&["sync"]).exits(0).says(&["replaced"]);
    assert_eq!((mill.gauge(), lease(&mill)), (Some(set(120, &[HOME])), vec![]));
    assert_eq!(mill.events(), ["settled", "lease", "intent", "outcome done", "lease"]);
    assert_eq!(leases(&mill), ["taken", "released"]);
    let shown = mill.run(&["audit", "show", "--event", "lease"]).exits(0);
    shown.says(&["lease of home taken\n", "lease of home given back\n"]);
    // In step there is nothing to take it for.
    let serial = mill.serial();
    mill.run(&["sync"]).exits(0);
    assert_eq!(mill.serial(), serial);
}

#[test]
#[ignore = "needs named and nginx: tests/all.sh runs it"]
fn beside_another_machine_sync_is_put_off_and_says_who_has_it() {
    let mill = whole();
    swap(&mill, None, Some(NAS));
    let serial = mill.serial();
    let told = "home: standing by: nas has had the lease at _fingerpost.heronmill.example since 2026-11-24T08:14:31Z";
    mill.run(&["sync"]).exits(75).says(&[told]);
    assert_eq!((mill.gauge(), mill.serial()), (Some(set(120, &[OLD])), serial));
    // No write was even begun, and none is charged.
    assert_eq!(mill.events(), ["settled"]);
    let listing = mill.listing();
    mill.run(&["preview"]).exits(75).says(&[told, "Nothing was written.\n"]);
    assert_eq!((mill.listing(), mill.serial()), (listing, serial));
    // The way out.
    swap(&mill, Some(NAS), None);
    mill.run(&["preview"]).exits(0).says(&["`fingerpost sync` would send 1 change"]);
    mill.run(&["sync"]).exits(0);
    assert_eq!(mill.gauge(), Some(set(120, &[HOME])));
}

#[test]
#[ignore = "needs named and nginx: tests/all.sh runs it"]
fn somebody_elses_text_is_told_of_and_stays() {
    let mill = whole();
    swap(&mill, None, Some("v=spf1 -all"));
    mill.run(&["sync"])
        .exits(77)
        .says(&["is not a lease; remove what stands there, or set `standby.name` to another name"]);
    let daemon = Daemon::start(&mill);
    daemon.says("is not a lease; remove what stands there");
    swap(&mill, Some("v=spf1 -all"), None);
    wait_until("the record", Some(set(120, &[HOME])), || mill.gauge());
    daemon.stop();
    assert_eq!(lease(&mill), Vec::<String>::new());
}

/// Promise 5: in step is quiet. The renewals go on, and are neither logged nor written to disk.
#[test]
#[ignore = "needs named and nginx: tests/all.sh runs it"]
fn in_step_only_the_lease_is_renewed() {
    let mill = whole();
    let daemon = Daemon::start(&mill);
    wait_until("the record", Some(set(120, &[HOME])), || mill.gauge());
    daemon.says("written");
    let first = count(&mill);
    wait_until("a renewal", true, || count(&mill) > first);
    let (log, listing, from) = (daemon.log(), mill.listing(), count(&mill));
    wait_until("more renewals", true, || count(&mill) >= from + 4);
    assert_eq!((daemon.log(), mill.listing()), (log, listing));
    daemon.stop();
    assert_eq!(leases(&mill), ["taken", "released"]);
}

/// A round may take long: here every witness hangs for a minute.
#[test]
#[ignore = "needs named and nginx: tests/all.sh runs it"]
fn a_long_round_keeps_no_renewal_waiting() {
    let mill = whole();
    let mute = TcpListener::bind("127.0.0.1:0").unwrap();
    let url = format!("http://{}/", mute.local_addr().unwrap());
    let urls = [0, 1, 2, 3].map(|index| mill.nginx.url(index));
    let mut edits = vec![("settle = 2", "settle = 2\ntimeout = \"1m\"")];
    edits.extend(urls.iter().map(|old| (old.as_str(), url.as_str())));
    configure(&mill, &edits);
    let daemon = Daemon::start(&mill);
    wait_until("a claim", true, || count(&mill) > 0);
    // Four lease times: whatever was not renewed would have lapsed.
    wait_until("renewals", true, || count(&mill) >= 13);
    assert!(!daemon.log().contains("no ruling"), "the round is still under way");
    daemon.stop();
    assert_eq!(lease(&mill), Vec::<String>::new());
}

/// Whoever may not write leaves the turn to the other, whose key may be better.
#[test]
#[ignore = "needs named and nginx: tests/all.sh runs it"]
fn on_hold_the_lease_is_given_back() {
    let mill = mill(&[]);
    configure(&mill, &[]);
    let daemon = Daemon::start(&mill);
    daemon.says("does not let the key gauge-key change gauge.heronmill.example A");
    wait_until("the giving back", vec![], || lease(&mill));
    assert_eq!(leases(&mill).last().map(String::as_str), Some("released"));
    daemon.stop();
}

/// The other machine: its own directory, its own name, and a disk with room.
fn nas(mill: &Mill) -> Daemon {
    configure(mill, &[("/state\"", "/nas\""), ("holder = \"pi\"", "holder = \"nas\"")]);
    Daemon::start(mill)
}

/// A full disk at whoever has the lease: nothing may be sent from there, so the other one is let.
#[test]
#[ignore = "needs named and nginx: tests/all.sh runs it"]
fn with_a_full_disk_the_lease_is_left_to_the_other_machine() {
    let mill = whole();
    let disk = on_its_own_disk(&mill, &fill(0), "");
    let full = Daemon::spawn(&mut mill.command(&crate::mill::words(&disk), &["daemon"]));
    full.says("; nothing is sent");
    wait_until("the claim", true, || lease(&mill).iter().any(|line| line.contains("holder=pi ")));
    full.says("so it was for a whole lease, and the lease rests until it is over");
    // While there is something to be sent that is told; once the other has sent it there is nothing.
    full.says("meanwhile the lease at _fingerpost.heronmill.example is left to another machine");
    let other = nas(&mill);
    wait_until("the record", Some(set(120, &[HOME])), || mill.gauge());
    assert!(lease(&mill)[0].contains("holder=nas "), "{:?}", lease(&mill));

    // With room again it takes part again, and what could not be entered is entered, in its order.
    std::fs::remove_file(within(&full, &mill).join("fill")).unwrap();
    full.says("this daemon stands by");
    let log = std::fs::read_to_string(within(&full, &mill).join("audit.jsonl")).unwrap();
    let at = |what: &str| log.find(what).unwrap_or_else(|| panic!("no {what} in {log}"));
    assert!(at("\"what\":\"taken\"") < at("\"what\":\"released\""), "{log}");
    // And takes over when the other one ends.
    other.stop();
    wait_until("the claim", true, || lease(&mill).iter().any(|line| line.contains("holder=pi ")));
    let log = full.stop();
    assert_eq!(log.matches("the lease rests until it is over").count(), 1, "{log}");
}

/// Nor can anything be sent where no witness answers.
#[test]
#[ignore = "needs named and nginx: tests/all.sh runs it"]
fn without_a_ruling_the_lease_is_left_to_the_other_machine() {
    let mill = whole();
    let nobody = TcpListener::bind("127.0.0.1:0").unwrap();
    let url = format!("http://{}/", nobody.local_addr().unwrap());
    let urls = [0, 1, 2, 3].map(|index| mill.nginx.url(index));
    let mut edits = vec![("settle = 2", "settle = 2\ntimeout = \"500ms\"")];
    edits.extend(urls.iter().map(|old| (old.as_str(), url.as_str())));
    configure(&mill, &edits);
    let blind = Daemon::start(&mill);
    wait_until("the claim", true, || lease(&mill).iter().any(|line| line.contains("holder=pi ")));
    blind.says("no ruling");
    let other = nas(&mill);
    wait_until("the record", Some(set(120, &[HOME])), || mill.gauge());
    blind.says("there is no settled address to publish; so it was for a whole lease");
    blind.stop();
    assert!(lease(&mill)[0].contains("holder=nas "), "{:?}", lease(&mill));
    other.stop();
    assert_eq!(leases(&mill), ["taken", "released"]);
}

/// A key that may not have the lease: a refusal like any other.
#[test]
#[ignore = "needs named and nginx: tests/all.sh runs it"]
fn a_key_that_may_not_have_the_lease_puts_the_provider_on_hold() {
    let mill = Mill::new();
    configure(&mill, &[]);
    let serial = mill.serial();
    let words = ["does not let the key gauge-key change _fingerpost.heronmill.example TXT", "`update-policy`"];
    mill.run(&["sync"]).exits(77).says(&words);
    assert_eq!((mill.events(), mill.serial()), (vec!["settled".to_owned(), "hold".to_owned()], serial));
}
