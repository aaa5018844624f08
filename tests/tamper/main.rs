//! Somebody on the way: between the daemon and a real BIND somebody refuses, forges, cuts, delays and replays.
//!
//! Whatever was done, the names follow when it ends, nothing stays on hold, and the audit log says of each write what BIND's
//! own journal says, also of what arrived long after nobody waited for it any more. 50 tamperings, or 1,000 with `TESTS_LONG=1`; `TESTS_SEED` repeats them, as far as the machine's own
//! timing allows.

#![expect(clippy::unwrap_used, clippy::expect_used, clippy::panic, reason = "a test fails by panicking")]

#[path = "../common/mod.rs"]
mod common;
#[path = "../common/living.rs"]
mod living;
mod proxy;

use std::collections::{BTreeMap, BTreeSet};
use std::fs;
use std::net::{IpAddr, Ipv4Addr};
use std::process::Command;
use std::time::{Duration, Instant};

use common::named::Named;
use common::{DnsServer, Grant, KEY, ZONE, ZoneSetup};
use fastrand::Rng;
use fingerpost::audit::file::files;
use fingerpost::record::RrSet;
use living::{Living, open_intents};
use proxy::{Proxy, Tampering};
use serde_json::Value;

/// Each of them is written once, so that nobody confuses two writes: of the range for benchmarks (RFC 2544, appendix C.2.2).
fn home(moves: u16) -> IpAddr {
    let [high, low] = moves.to_be_bytes();
    Ipv4Addr::new(198, 18, high, low).into()
}

/// A name and an address that was written there.
type Write = (String, IpAddr);

/// What was written together, sorted, and how often.
type Counts = BTreeMap<Vec<Write>, usize>;

/// What BIND wrote at a time, and how often, by its journal.
fn written(named: &DnsServer) -> Counts {
    let journal = named.zone_file(ZONE).with_extension("zone.jnl");
    let shown = Command::new("named-journalprint").arg(&journal).output().expect("this test needs named-journalprint");
    assert!(shown.status.success(), "{shown:?}");
    count_written(&String::from_utf8(shown.stdout).unwrap())
}

/// A change of the zone begins with the SOA that goes (RFC 1995, section 4).
fn count_written(journal: &str) -> Counts {
    let mut changes: Vec<Vec<Write>> = vec![Vec::new()];
    for line in journal.lines() {
        match line.split_whitespace().collect::<Vec<_>>()[..] {
            ["del", _, _, "IN", "SOA", ..] => changes.push(Vec::new()),
            ["add", owner, _, "IN", "A", address] => {
                let write = (owner.trim_end_matches('.').to_owned(), address.parse().unwrap());
                changes.last_mut().unwrap().push(write);
            }
            _ => {}
        }
    }
    count(changes)
}

fn count(writes: Vec<Vec<Write>>) -> Counts {
    let mut counts = Counts::new();
    for mut write in writes.into_iter().filter(|write| !write.is_empty()) {
        write.sort();
        *counts.entry(write).or_default() += 1;
    }
    counts
}

/// What the audit log says: each intent that has an outcome, with what it added and how it ended, and all other events.
fn told(entries: &[Value]) -> (Vec<(Vec<Write>, String)>, BTreeSet<String>) {
    let (mut open, mut ended, mut others) = (BTreeMap::new(), Vec::new(), BTreeSet::new());
    for entry in entries {
        match entry["event"].as_str().unwrap() {
            "intent" => {
                let of = |change: &Value, side: &str| -> BTreeSet<IpAddr> {
                    let addresses = change[side]["addresses"].as_array().into_iter().flatten();
                    addresses.map(|address| address.as_str().unwrap().parse().unwrap()).collect()
                };
                let added = |change: &Value| {
                    let name = change["name"].as_str().unwrap().to_owned();
                    let new = &of(change, "after") - &of(change, "before");
                    new.into_iter().map(move |address| (name.clone(), address)).collect::<Vec<_>>()
                };
                let writes: Vec<Write> = entry["changes"].as_array().unwrap().iter().flat_map(added).collect();
                open.insert(entry["seq"].as_u64().unwrap(), writes);
            }
            "outcome" => {
                let writes = open.remove(&entry["intent"].as_u64().unwrap()).expect("one outcome for an intent");
                ended.push((writes, entry["result"].as_str().unwrap().to_owned()));
            }
            other => drop(others.insert(other.to_owned())),
        }
    }
    assert!(open.is_empty(), "without an outcome: {open:?}");
    (ended, others)
}

/// What is said to be done is what was written, together and as often as it was written; nothing else is said to be.
fn assert_true(ended: &[(Vec<Write>, String)], written: &Counts) {
    for (writes, result) in ended {
        // Nobody but the daemon writes, and nobody who has the key refuses.
        assert!(["done", "failed", "conflict"].contains(&result.as_str()), "{result}: {writes:?}");
    }
    let done = count(ended.iter().filter(|(_, result)| result == "done").map(|(writes, _)| writes.clone()).collect());
    let (said, so): (BTreeSet<_>, BTreeSet<_>) = (done.into_iter().collect(), written.clone().into_iter().collect());
    let (wrongly, unsaid) = (&said - &so, &so - &said);
    assert!(
        wrongly.is_empty() && unsaid.is_empty(),
        "done by the log: {wrongly:#?}\nwritten by the journal: {unsaid:#?}"
    );
}

fn entries(living: &Living) -> Vec<Value> {
    let files = files(&living.state_dir()).unwrap();
    let text: String = files.iter().map(|file| fs::read_to_string(file).unwrap()).collect();
    text.lines().map(|line| serde_json::from_str(line).unwrap()).collect()
}

fn play(tamperings: u16, seed: u64) {
    let mut rng = Rng::with_seed(seed);
    // BIND would else forget what is older than twice the zone.
    let extra = "max-journal-size unlimited;";
    let grants = vec![Grant { key: KEY.name, name: None }];
    let lines = "gauge 120 A 203.0.113.1\nmill 300 A 203.0.113.1\n";
    let setup = ZoneSetup { grants, extra, ..ZoneSetup::new(lines) };
    let living = Living::around(DnsServer::start::<Named>(&[KEY], &[setup]), home(0));
    let proxy = Proxy::before(living.named.address().parse().unwrap(), rng.u64(..));
    living.configure("[limits]\nspacing = \"1ms\"\nburst = 1000\ndaily = 1000000\n[audit]\nkeep = 10000\n");
    let file = living.dir().join("fingerpost.toml");
    let text = fs::read_to_string(&file).unwrap();
    let text = text
        .replace(&living.named.address(), &proxy.address().to_string())
        .replace("\"203.0.113.0/24\"", "\"198.18.0.0/15\"")
        .replace("sharing = \"member\"", "");
    fs::write(&file, text).unwrap();

    let follows = |at: IpAddr| {
        let is = |label: &str, ttl| living.rrset(label) == Some(RrSet { ttl, addresses: [at].into() });
        is("gauge", 120) && is("mill", 300) && open_intents(&living.state_dir()) == 0
    };
    let mut daemon = living.daemon();
    let wait = |what: &str, daemon: &mut living::Daemon, seen: &mut dyn FnMut() -> bool| {
        let begun = Instant::now();
        while !seen() {
            // The time that the names have to follow.
            if begun.elapsed() > Duration::from_secs(60) {
                let end = entries(&living).split_off(entries(&living).len().saturating_sub(12));
                panic!("waited in vain for {what}\n{}\n{end:#?}", daemon.log());
            }
            daemon.is_up();
            std::thread::sleep(Duration::from_millis(10));
        }
        begun.elapsed()
    };
    wait("the first writes", &mut daemon, &mut || follows(home(0)));
    let (mut hits, mut longest) = (0, Duration::ZERO);
    for moves in 1..=tamperings {
        let tampering = Tampering::draw(&mut rng);
        let until = rng.usize(1..=6);
        proxy.begin(tampering);
        living.move_to(home(moves));
        daemon.look();
        // What is done to updates may end with the first of them.
        wait(&format!("{tampering:?}"), &mut daemon, &mut || proxy.hits() >= until || follows(home(moves)));
        hits += proxy.end();
        let took = wait(&format!("the names after {moves}: {tampering:?}"), &mut daemon, &mut || follows(home(moves)));
        longest = longest.max(took);
    }
    wait("what was kept", &mut daemon, &mut || proxy.has_passed_all_on());
    daemon.look();
    wait("the names in the end", &mut daemon, &mut || follows(home(tamperings)));
    daemon.stop();

    let state: Value = serde_json::from_slice(&fs::read(living.state_dir().join("state.json")).unwrap()).unwrap();
    assert_eq!(state["holds"], serde_json::json!({}));
    let (ended, others) = told(&entries(&living));
    assert!(!others.contains("hold"), "{others:?}");
    assert_true(&ended, &written(&living.named));
    let count = |result: &str| ended.iter().filter(|(_, is)| is == result).count();
    println!(
        "{tamperings} tamperings with {hits} messages: {} intents, {} done, {} failed, {} conflicts; the names followed within {longest:?}",
        ended.len(),
        count("done"),
        count("failed"),
        count("conflict"),
    );
    assert!(hits >= usize::from(tamperings) / 2, "hardly anything was done: {hits}");
}

#[test]
#[ignore = "needs named and named-journalprint: tests/all.sh runs it"]
fn the_names_follow_whatever_was_said_on_the_way() {
    let seed = std::env::var("TESTS_SEED").ok().map_or_else(|| fastrand::u64(..), |seed| seed.parse().unwrap());
    println!("TESTS_SEED={seed}");
    let is_long = std::env::var_os("TESTS_LONG").is_some_and(|long| long == "1");
    play(if is_long { 1000 } else { 50 }, seed);
}

/// The checks above can fail.
#[test]
fn what_is_not_so_is_found() {
    let journal = "del heronmill.example. 60 IN SOA ns1 hostmaster 1 1 1 1 1\n\
                   add gauge.heronmill.example.\t120\tIN\tA\t198.18.0.1\n";
    let written = count_written(journal);
    let apart = format!("{journal}{}", journal.replace("gauge", "mill"));
    let together = format!("{journal}add mill.heronmill.example.\t120\tIN\tA\t198.18.0.1\n");
    assert_ne!(count_written(&apart), count_written(&together));
    let write = || vec![("gauge.heronmill.example".to_owned(), home(1))];
    let holds = |ends: &[&str]| {
        let ended: Vec<_> = ends.iter().map(|end| (write(), (*end).to_owned())).collect();
        std::panic::catch_unwind(|| assert_true(&ended, &written)).is_ok()
    };
    assert!(holds(&["done"]) && holds(&["failed", "done"]) && holds(&["conflict", "done"]));
    assert!(!holds(&["failed"]) && !holds(&["done", "done"]) && !holds(&["done", "refused"]) && !holds(&[]));
}
