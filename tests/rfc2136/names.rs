//! One name that the key may not change holds up no other: twelve names and a key for eleven of them.

use std::cell::RefCell;
use std::rc::Rc;
use std::sync::Arc;
use std::sync::atomic::{AtomicU64, Ordering};

use fingerpost::audit::Event;
use fingerpost::audit::chain::{Entry, Known};
use fingerpost::audit::file::read_all;
use fingerpost::clock::Clock;
use fingerpost::provider::Tally;
use fingerpost::reconcile::Desired;
use fingerpost::record::RecordType::A;
use fingerpost::settings::{Audit, Limits, Sharing};
use fingerpost::update::{Bookkeeping, Books, Job, RecordState, Report, Trouble, bring_in_step};

use super::*;

const NAMES: [&str; 12] = [
    "n0.heronmill.example",
    "n1.heronmill.example",
    "n2.heronmill.example",
    "n3.heronmill.example",
    "n4.heronmill.example",
    "n5.heronmill.example",
    "n6.heronmill.example",
    "n7.heronmill.example",
    "n8.heronmill.example",
    "n9.heronmill.example",
    "n10.heronmill.example",
    "n11.heronmill.example",
];
const FORBIDDEN: usize = 7;
const LIMITS: Limits = Limits { spacing: Duration::from_secs(60), burst: 3, daily: 100 };

/// `most` updates are sent in the first pass, and none in the next.
fn eleven_of_twelve<S: Software>(most: usize) {
    let lines: String = (0..12).map(|n| format!("n{n} 120 A 203.0.113.9\n")).collect();
    let granted = NAMES.iter().enumerate().filter(|(n, _)| *n != FORBIDDEN);
    let grants: Vec<Grant> = granted.map(|(_, name)| Grant { key: KEY.name, name: Some(name) }).collect();
    let peer = Peer::Real(real::<S>(&lines, &grants));
    let provider = peer.provider();
    let dir = tempfile::tempdir().unwrap();
    let audit = Audit { max_bytes: 1 << 20, keep: 9, unknown_after: Duration::from_secs(3600) };
    let kept = Bookkeeping { dir: dir.path(), limits: &LIMITS, audit, tally: &|_| Tally::Together };
    let books = RefCell::new(Books::at(&kept).unwrap());
    let later = Arc::new(AtomicU64::new(0));
    let clock = Clock::telling({
        let later = Arc::clone(&later);
        move || Timestamp::from(SystemTime::now()).plus(Duration::from_secs(later.load(Ordering::Relaxed)))
    });
    let pass = |names: &[&str], address: &str| -> Report {
        let wanted = |name: &&str| Desired {
            name: dns(name),
            rtype: A,
            address: address.parse().unwrap(),
            ttl: 120,
            sharing: Sharing::Sole,
        };
        let desired: Vec<Desired> = names.iter().map(wanted).collect();
        let job = Job {
            name: "home",
            zone: &dns(ZONE),
            fingerprint: "first",
            provider: &provider,
            desired: &desired,
            words: &|| Some(Rc::default()),
            limits: &LIMITS,
            lease: None,
            confirms: false,
        };
        run_case(bring_in_step(&job, &books, &clock))
    };
    // How many changes each message had. How one ended that was refused unsigned, as Knot does, stays open for a while.
    let sent = || -> Vec<usize> {
        let size = |entry: Entry| match entry.event {
            Known::Yes(Event::Intent { changes, .. }) => Some(changes.len()),
            _ => None,
        };
        read_all(dir.path()).unwrap().into_iter().filter_map(size).collect()
    };
    let check = |report: &Report, address: &str| {
        assert!(report.trouble.is_none(), "{report:?}");
        assert!(books.borrow().state.holds.is_empty());
        for (n, record) in report.records.iter().enumerate() {
            let stands = peer.rrset(&record.name, A).unwrap();
            if n == FORBIDDEN {
                let RecordState::Blocked { why } = &record.standing else { panic!("{record:?}") };
                assert!(why.contains(NAMES[n]) && !why.contains(NAMES[0]) && !why.contains(" more"), "{why}");
                assert_eq!(stands, set(120, &["203.0.113.9"]));
            } else {
                assert_eq!(record.standing, RecordState::InStep, "{}", record.name);
                assert_eq!(stands, set(120, &[address]));
            }
        }
    };
    check(&pass(&NAMES, "203.0.113.77"), "203.0.113.77");
    let first = sent();
    assert!(first.len() <= most, "{first:?}");
    // The block costs nothing while it lasts.
    check(&pass(&NAMES, "203.0.113.77"), "203.0.113.77");
    assert_eq!(sent(), first);
    // After an hour it goes alone, once.
    later.store(3700, Ordering::Relaxed);
    check(&pass(&NAMES, "203.0.113.77"), "203.0.113.77");
    check(&pass(&NAMES, "203.0.113.77"), "203.0.113.77");
    assert_eq!(sent().len(), first.len() + 1);
    assert_eq!(sent().last(), Some(&1));
    // At another address the others go together at once, and this one alone.
    later.store(5000, Ordering::Relaxed);
    check(&pass(&NAMES, "203.0.113.78"), "203.0.113.78");
    assert_eq!(sent()[first.len() + 1..], [11, 1]);
    // Alone at its provider, a name that is refused is all that the refusal could concern.
    if most > 2 {
        later.store(10_000, Ordering::Relaxed);
        let report = pass(&[NAMES[FORBIDDEN]], "203.0.113.79");
        // Knot says so unsigned.
        assert!(matches!(report.trouble, Some(Trouble::Refused { .. } | Trouble::Unproven { .. })), "{report:?}");
    }
}

#[test]
#[ignore = "needs named: tests/all.sh runs it"]
fn bind_refuses_one_of_twelve() {
    eleven_of_twelve::<Named>(9);
}

#[test]
#[ignore = "needs knotd: tests/all.sh runs it"]
fn knot_refuses_one_of_twelve() {
    eleven_of_twelve::<Knotd>(9);
}

/// It says NOERROR to what its policy forbids: one update for all, one more for what stands as before, and reading tells.
#[test]
#[ignore = "needs pdns_server: tests/all.sh runs it"]
fn powerdns_leaves_out_one_of_twelve() {
    eleven_of_twelve::<PowerDns>(2);
}
