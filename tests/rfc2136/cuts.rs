//! A zone and zones below its cuts on one server: nothing is ever written under a cut, and the cut is named.
//!
//! Such a server answers from the lower zone, with authority (RFC 1034, section 4.3.2), and need not say which it is.

use std::net::SocketAddr;
use std::path::Path;

use fingerpost::clock;
use fingerpost::provider::Standing;
use fingerpost::reconcile::Desired;
use fingerpost::record::RecordType::{A, Aaaa};
use fingerpost::settings::{Limits, Sharing};
use fingerpost::state::State;
use fingerpost::update::{Job, RecordState, dry_run};

use super::*;
use crate::transfer::OpenKnotd;

const LOWER: &str = "sub.heronmill.example";
const LOWEST: &str = "low.er.sub.heronmill.example";

const UPPER_LINES: &str = "gauge 120 A 203.0.113.9
gauge 120 AAAA 2001:db8::9
mill 120 A 203.0.113.9
both.mill 120 A 203.0.113.9
both.mill 120 AAAA 2001:db8::9
cam 300 CNAME gauge
*.wild 300 A 203.0.113.9
*.wild 300 AAAA 2001:db8::9
*.led 300 CNAME gauge
cut.led 300 NS ns.tern.example.
far 300 NS ns.tern.example.
sub 300 NS ns1
sub 300 NS ns2";

const LOWER_LINES: &str = "@ 120 A 203.0.113.9
@ 120 AAAA 2001:db8::9
a 120 A 203.0.113.9
ab 120 A 203.0.113.9
ab 120 AAAA 2001:db8::9
cam 300 CNAME gauge.heronmill.example.
inner 300 CNAME ab
low.er 300 NS ns1
*.wild 300 A 203.0.113.9
*.wild 300 AAAA 2001:db8::9
*.led 300 CNAME gauge.heronmill.example.
moved 300 DNAME mill.heronmill.example.";

const LOWEST_LINES: &str = "x 120 A 203.0.113.9
x 120 AAAA 2001:db8::9";

/// In the upper zone.
const OURS: [&str; 7] = ["gauge", "mill", "both.mill", "no.mill", "none", "of.wild", "a.of.led"];
/// Below a cut, and which.
const UNDER: [(&str, &str); 15] = [
    ("sub", LOWER),
    ("a.sub", LOWER),
    ("ab.sub", LOWER),
    ("none.sub", LOWER),
    ("no.ne.sub", LOWER),
    ("cam.sub", LOWER),
    ("inner.sub", LOWER),
    ("of.wild.sub", LOWER),
    ("of.led.sub", LOWER),
    ("both.moved.sub", LOWER),
    ("er.sub", LOWER),
    ("x.low.er.sub", LOWER),
    ("low.er.sub", LOWER),
    ("far", "far.heronmill.example"),
    ("x.cut.led", "cut.led.heronmill.example"),
];

/// BIND that says no more than it has to.
struct Terse;

impl Software for Terse {
    const PROGRAM: &'static str = Named::PROGRAM;

    fn configuration(dir: &Path, at: SocketAddr, keys: &[ServerKey], zones: &[ZoneSetup]) -> String {
        let text = Named::configuration(dir, at, keys, zones);
        text.replace("recursion no;", "recursion no; minimal-responses yes;")
    }

    fn arguments(file: &Path) -> Vec<String> {
        Named::arguments(file)
    }
}

/// BIND that says all it can.
struct Wordy;

impl Software for Wordy {
    const PROGRAM: &'static str = Named::PROGRAM;

    fn configuration(dir: &Path, at: SocketAddr, keys: &[ServerKey], zones: &[ZoneSetup]) -> String {
        let text = Named::configuration(dir, at, keys, zones);
        text.replace("recursion no;", "recursion no; minimal-responses no;")
    }

    fn arguments(file: &Path) -> Vec<String> {
        Named::arguments(file)
    }
}

fn start<S: Software>() -> DnsServer {
    let grants = vec![GRANTS[0]];
    let zones = [
        ZoneSetup { grants: grants.clone(), ..ZoneSetup::new(UPPER_LINES) },
        ZoneSetup { name: LOWER, grants: grants.clone(), ..ZoneSetup::new(LOWER_LINES) },
        ZoneSetup { name: LOWEST, grants, ..ZoneSetup::new(LOWEST_LINES) },
    ];
    DnsServer::start::<S>(&[KEY], &zones)
}

fn obstacle(standing: &Standing) -> Option<String> {
    standing.obstacle.as_ref().map(|obstacle| format!("{obstacle:?}"))
}

fn cuts_are_seen_and_guarded<S: Software>(transfers: bool) {
    let server = start::<S>();
    let provider = || Rfc2136::new(dns(ZONE), server.address(), Some(gauge_key()), TIMEOUT);
    run_case(async {
        let labels: Vec<&str> = OURS.into_iter().chain(UNDER.map(|(label, _)| label)).collect();
        let check = |seen: &Observed| {
            for label in OURS {
                assert_eq!(obstacle(&seen.names[&at(label)]), None, "{label}");
            }
            for (label, cut) in UNDER {
                let wanted = format!("Delegated({cut:?})");
                assert_eq!(obstacle(&seen.names[&at(label)]), Some(wanted), "{label}");
                assert!(seen.names[&at(label)].sets.is_empty(), "{label}");
            }
        };
        let seen = read(&provider(), &labels).await.unwrap();
        check(&seen);
        assert_eq!(
            obstacle(&read(&provider(), &["cam"]).await.unwrap().names[&at("cam")]).unwrap(),
            "Cname(\"gauge.heronmill.example.\")"
        );
        if transfers {
            // So many that the zone is transferred.
            let more: Vec<String> = (0..40).map(|nth| format!("more{nth}")).collect();
            let all: Vec<&str> = labels.iter().copied().chain(more.iter().map(String::as_str)).collect();
            let seen = read(&provider(), &all).await.unwrap();
            check(&seen);
            // What a wildcard makes stands nowhere.
            assert!(seen.names[&at("of.wild")].sets.is_empty(), "these were queries");
        }

        // Whoever did not see it writes nothing all the same.
        let writer = provider();
        let serials = || [ZONE, LOWER, LOWEST].map(|zone| server.serial(zone));
        let before = serials();
        for (label, _) in UNDER {
            let one = change(label, A, None, set(60, &["203.0.113.77"]));
            faulty(writer.apply(std::slice::from_ref(&one)).await, FaultKind::Conflict, &[]);
            // And it takes no other with it: all of a batch or nothing.
            let beside = change("none", Aaaa, None, set(60, &["2001:db8::77"]));
            faulty(writer.apply(&[beside, one]).await, FaultKind::Conflict, &[]);
        }
        assert_eq!(serials(), before);
        // What met a conflict is asked for literally, and is under the cut for all that.
        check(&read(&writer, &labels).await.unwrap());
        let beside = [
            change("none", Aaaa, None, set(60, &["2001:db8::77"])),
            change("a.of.led", A, None, set(60, &["203.0.113.77"])),
            change("no.mill", A, None, set(60, &["203.0.113.77"])),
        ];
        writer.apply(&beside).await.unwrap();
        assert_ne!(server.serial(ZONE), before[0]);

        // What people see of it, and the updater.
        let wanted = |(label, _): (&str, &str)| Desired {
            name: at(label),
            rtype: A,
            address: "203.0.113.77".parse().unwrap(),
            ttl: 60,
            sharing: Sharing::Sole,
        };
        let desired = UNDER.map(wanted);
        let job = Job {
            name: "home",
            zone: &dns(ZONE),
            fingerprint: "first",
            provider: &writer,
            desired: &desired,
            words: &|| Some(std::rc::Rc::default()),
            limits: &Limits { spacing: Duration::ZERO, burst: 99, daily: 99 },
            lease: None,
            confirms: false,
        };
        let report = dry_run(&job, &State::default(), &clock::system()).await;
        for (record, (label, cut)) in report.records.iter().zip(UNDER) {
            let RecordState::Blocked { why } = &record.standing else { panic!("{label}: {record:?}") };
            assert!(why.contains(&format!("the zone hands {cut} over")), "{label}: {why}");
        }
    });
}

#[test]
#[ignore = "needs named: tests/all.sh runs it"]
fn bind_as_it_comes() {
    cuts_are_seen_and_guarded::<Named>(true);
}

#[test]
#[ignore = "needs named: tests/all.sh runs it"]
fn bind_saying_little() {
    cuts_are_seen_and_guarded::<Terse>(true);
}

#[test]
#[ignore = "needs named: tests/all.sh runs it"]
fn bind_saying_much() {
    cuts_are_seen_and_guarded::<Wordy>(true);
}

#[test]
#[ignore = "needs knotd: tests/all.sh runs it"]
fn knot_as_it_comes() {
    cuts_are_seen_and_guarded::<Knotd>(false);
}

#[test]
#[ignore = "needs knotd: tests/all.sh runs it"]
fn knot_with_transfers() {
    cuts_are_seen_and_guarded::<OpenKnotd>(true);
}
