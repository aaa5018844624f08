//! Reading by zone transfer, held against reading by queries at the same server.

use std::collections::{BTreeMap, BTreeSet};
use std::fmt::Write as _;
use std::net::SocketAddr;
use std::path::Path;

use fingerpost::name::DnsName;
use fingerpost::provider::rfc2136::Rfc2136;
use fingerpost::provider::{FaultKind, Observed, Provider};
use fingerpost::record::RecordType::A;

use crate::common::knot::Knotd;
use crate::common::named::Named;
use crate::common::*;
use crate::{TIMEOUT, change, faulty, run_case};

/// Knot with keys that may take transfers as well.
pub(crate) struct OpenKnotd;

impl Software for OpenKnotd {
    const PROGRAM: &'static str = Knotd::PROGRAM;

    fn configuration(dir: &Path, at: SocketAddr, keys: &[ServerKey], zones: &[ZoneSetup]) -> String {
        let narrow = "    action: update\n    update-type: [A, AAAA]\n";
        let both = "    action: [update, transfer]\n";
        let text = Knotd::configuration(dir, at, keys, zones);
        assert!(text.contains(narrow));
        text.replace(narrow, both)
    }

    fn arguments(file: &Path) -> Vec<String> {
        Knotd::arguments(file)
    }
}

/// A zone of some hundred records at random, and names in it worth asking about.
fn at_random(zone: &'static str, seed: u64) -> (ZoneSetup, BTreeSet<DnsName>) {
    let mut random = fastrand::Rng::with_seed(seed);
    let (mut lines, mut asked) = (String::new(), BTreeSet::new());
    for nth in 0..300 {
        let name = match random.u8(..6) {
            0 => format!("n{nth}.deep{}.er", nth % 7),
            1 => format!("N{nth}"),
            2 => format!("n-{nth}.d{}", nth % 5),
            _ => format!("n{nth}"),
        };
        let (low, ttl) = (random.u8(1..=254), random.u32(0..100_000));
        let mut add = |line: &str| writeln!(lines, "{line}").unwrap();
        match random.u8(..10) {
            0 => add(&format!("{name} {ttl} CNAME ns1")),
            1 => add(&format!("{name} {ttl} CNAME Tern.Example.")),
            2 => {
                add(&format!(
                    "{name} {ttl} NS ns{low}.tern.example.\n{name} {ttl} NS ns.{name}\nns.{name} {ttl} A 198.51.100.{low}"
                ));
                asked.insert(dns(&format!("ns.{name}.{zone}")));
            }
            3 => add(&format!("{name} {ttl} DNAME low.tern.example.")),
            4 => add(&format!("{name} {ttl} TXT \"nothing of ours\"")),
            5 => add(&format!("{name} {ttl} AAAA 2001:db8::{low}\n{name} 77 A 203.0.113.{low}")),
            6 => {}
            _ => add(&format!("{name} {ttl} A 203.0.113.{low}\n{name} {ttl} A 198.51.100.{low}")),
        }
        for name in [name.clone(), format!("below.{name}"), format!("a.b.{name}")] {
            asked.insert(dns(&format!("{name}.{zone}")));
        }
    }
    asked.extend([dns(zone), dns(&format!("er.{zone}")), dns(&format!("deep0.er.{zone}"))]);
    (ZoneSetup { name: zone, ..ZoneSetup::new(&lines) }, asked)
}

fn provider(server: &DnsServer, zone: &str) -> Rfc2136 {
    Rfc2136::new(dns(zone), server.address(), Some(gauge_key()), TIMEOUT)
}

/// The same read, by so few names at a time that queries are made.
async fn by_queries(provider: &Rfc2136, names: &BTreeSet<DnsName>) -> Observed {
    let mut all = Observed::default();
    let names: Vec<_> = names.iter().cloned().collect();
    for few in names.chunks(20) {
        let seen = provider.read(&few.iter().cloned().collect()).await.unwrap();
        all.serial = seen.serial;
        all.names.extend(seen.names);
    }
    all
}

fn differences(one: &Observed, other: &Observed) -> BTreeMap<DnsName, String> {
    let differs = |name: &&DnsName| one.names.get(*name) != other.names.get(*name);
    let told = |name: &DnsName| (name.clone(), format!("{:?} and {:?}", one.names.get(name), other.names.get(name)));
    one.names.keys().chain(other.names.keys()).filter(differs).map(told).collect()
}

fn agrees_with_queries<S: Software>(transferred: &str) {
    let zones = ["heronmill.example", "mill.example", "weir.example", "sluice.example"];
    let made: Vec<_> = zones.into_iter().zip(1..).map(|(zone, seed)| at_random(zone, seed)).collect();
    let setups: Vec<_> = made.iter().map(|(setup, _)| setup.clone()).collect();
    let server = DnsServer::start::<S>(&[KEY], &setups);
    run_case(async {
        for (setup, asked) in &made {
            let provider = provider(&server, setup.name);
            let whole = provider.read(asked).await.unwrap();
            // The second shows that the first was no disappointment.
            assert_eq!(provider.read(asked).await.unwrap(), whole);
            let queried = by_queries(&provider, asked).await;
            assert_eq!(differences(&whole, &queried), BTreeMap::new());
            assert_eq!((whole.serial, &whole.names.len()), (queried.serial, &asked.len()));
            let obstacles = whole.names.values().filter(|standing| standing.obstacle.is_some()).count();
            assert!(obstacles > 50 && whole.names.len() - obstacles > 50);
        }
    });
    assert_eq!(server.log().matches(transferred).count(), 2 * zones.len(), "{}", server.log());
}

#[test]
#[ignore = "needs named: tests/all.sh runs it"]
fn bind_shows_the_same_by_transfer_and_by_queries() {
    agrees_with_queries::<Named>("AXFR ended");
}

#[test]
#[ignore = "needs knotd: tests/all.sh runs it"]
fn knot_shows_the_same_by_transfer_and_by_queries() {
    agrees_with_queries::<OpenKnotd>(", finished, ");
}

fn labels(count: usize) -> Vec<String> {
    (0..count).map(|nth| format!("name-number-{nth}-of-the-mill")).collect()
}

fn lines(labels: &[String]) -> String {
    labels.iter().map(|label| format!("{label} 120 A 203.0.113.9\n")).collect()
}

fn names(labels: &[String]) -> BTreeSet<DnsName> {
    labels.iter().map(|label| at(label)).collect()
}

/// More than one message holds: the signatures are chained (RFC 8945, section 5.3.1).
fn many_messages<S: Software>(transferred: &str) {
    let labels = labels(4000);
    let server = DnsServer::start::<S>(&[KEY], &[ZoneSetup::new(&lines(&labels))]);
    let provider = provider(&server, ZONE);
    let seen = run_case(async {
        let seen = provider.read(&names(&labels)).await.unwrap();
        assert_eq!(provider.read(&names(&labels)).await.unwrap(), seen);
        seen
    });
    assert!(seen.names.values().all(|standing| standing.sets[&A] == set(120, &["203.0.113.9"])));
    assert_eq!(seen.names.len(), labels.len());
    assert_eq!(server.log().matches(transferred).count(), 2, "{}", server.log());
}

#[test]
#[ignore = "needs named: tests/all.sh runs it"]
fn bind_sends_a_zone_in_many_messages() {
    many_messages::<Named>(" messages, 4004 records");
}

#[test]
#[ignore = "needs knotd: tests/all.sh runs it"]
fn knot_sends_a_zone_in_many_messages() {
    many_messages::<OpenKnotd>(", finished, ");
}

/// What cannot be had is asked for once; queries serve from then on.
fn without_transfer<S: Software>(setup: ZoneSetup, asked: usize, denied: Option<&str>) {
    let server = DnsServer::start::<S>(&[KEY], &[setup]);
    let provider = provider(&server, ZONE);
    let names = names(&labels(asked));
    run_case(async {
        for _ in 0..3 {
            let seen = provider.read(&names).await.unwrap();
            assert!(seen.names.values().all(|standing| standing.sets[&A] == set(120, &["203.0.113.9"])));
            assert_eq!(seen.names.len(), asked);
        }
    });
    if let Some(denied) = denied {
        assert_eq!(server.log().matches(denied).count(), 1, "{}", server.log());
    }
}

#[test]
#[ignore = "needs named: tests/all.sh runs it"]
fn bind_need_not_give_a_transfer() {
    let setup = ZoneSetup { extra: "allow-transfer { none; };", ..ZoneSetup::new(&lines(&labels(100))) };
    without_transfer::<Named>(setup, 100, Some("zone transfer 'heronmill.example/AXFR/IN' denied"));
}

#[test]
#[ignore = "needs knotd: tests/all.sh runs it"]
fn knot_need_not_give_a_transfer() {
    // It logs nothing of that.
    without_transfer::<Knotd>(ZoneSetup::new(&lines(&labels(100))), 100, None);
}

/// A few names of a large zone are not worth all of it.
#[test]
#[ignore = "needs named: tests/all.sh runs it"]
fn a_large_zone_is_not_taken_for_a_few_names() {
    without_transfer::<Named>(ZoneSetup::new(&lines(&labels(30_000))), 40, Some("AXFR started"));
}

/// RFC 4592: a transfer shows what stands, where a query shows what a wildcard makes.
fn no_wildcards<S: Software>() {
    let mut text = lines(&labels(40));
    text += "* 120 A 203.0.113.9\n*.deep 60 CNAME gauge\nx.deep 60 CNAME gauge\n";
    let server = DnsServer::start::<S>(&[KEY], &[ZoneSetup::new(&text)]);
    let provider = provider(&server, ZONE);
    let mut asked = names(&labels(40));
    asked.extend(["cam", "new.deep", "x.deep", "*"].map(at));
    run_case(async {
        let seen = provider.read(&asked).await.unwrap().names;
        assert_eq!((&seen[&at("cam")], &seen[&at("new.deep")]), (&Default::default(), &Default::default()));
        assert!(seen[&at("x.deep")].obstacle.is_some());
        assert_eq!(seen[&at("*")].sets[&A], set(120, &["203.0.113.9"]));
        // What was planned on this is not in conflict.
        let wanted = set(120, &["203.0.113.77"]);
        provider.apply(&[change("cam", A, None, wanted.clone())]).await.unwrap();
        assert_eq!(server.rrset(at("cam").as_str(), A), Some(wanted));
    });
}

#[test]
#[ignore = "needs named: tests/all.sh runs it"]
fn a_transfer_of_bind_shows_no_wildcards_doing() {
    no_wildcards::<Named>();
}

#[test]
#[ignore = "needs knotd: tests/all.sh runs it"]
fn a_transfer_of_knot_shows_no_wildcards_doing() {
    no_wildcards::<OpenKnotd>();
}

/// A wrong key is told as such, however many names are read.
#[test]
#[ignore = "needs named: tests/all.sh runs it"]
fn a_transfer_hides_no_refusal() {
    let server = DnsServer::start::<Named>(&[KEY], &[ZoneSetup::new(&lines(&labels(40)))]);
    let key = client_key(KEY.name, fingerpost::dns::tsig::TsigAlgorithm::HmacSha256, b"not the secret");
    let provider = Rfc2136::new(dns(ZONE), server.address(), Some(key), TIMEOUT);
    let outcome = run_case(provider.read(&names(&labels(40))));
    faulty(outcome, FaultKind::Unproven, &["the secret of the key gauge-key", "BADSIG"]);
}
