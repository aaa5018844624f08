//! What every provider does at a host in good health.

use fingerpost::provider::{Change, FaultKind, Obstacle};
use fingerpost::record::RecordType::{A, Aaaa};
use fingerpost::record::{RecordType, RrSet};

use crate::common::{at, set};
use crate::host::*;

/// RFC 1034, sections 3.6.2 and 4.2.1: at a CNAME, and at and below a zone cut, no address can stand.
pub(crate) async fn what_stands_is_read<H: Host>() {
    let host = H::start(LINES);
    let provider = host.provider(LONG);
    let labels = ["gauge", "mill", "cam", "nothing", "not.here.either"];
    let seen = read(&*provider, &labels).await.unwrap();
    assert_eq!(seen.names.len(), labels.len());
    let sets = |label: &str| seen.names[&at(label)].sets.clone().into_iter().collect::<Vec<_>>();
    assert_eq!(sets("gauge"), [(A, set(120, &["203.0.113.9"]))]);
    let mill = [(A, set(300, &["203.0.113.9", "198.51.100.99"])), (Aaaa, set(60, &["2001:db8::9"]))];
    assert_eq!(sets("mill"), mill);
    for empty in ["cam", "nothing", "not.here.either"] {
        assert_eq!(sets(empty), [], "{empty}");
    }
    let obstacle = |label: &str| seen.names[&at(label)].obstacle.clone();
    assert_eq!(obstacle("cam"), Some(Obstacle::Cname("gauge.heronmill.example.".into())));
    for free in ["gauge", "mill", "nothing", "not.here.either"] {
        assert_eq!(obstacle(free), None, "{free}");
    }
    if !H::cannot(Feature::Serial) {
        assert!(seen.serial.is_some());
    }
    if !H::cannot(Feature::Cuts) {
        let seen = read(&*provider, &["sub", "x.sub"]).await.unwrap();
        for below in ["sub", "x.sub"] {
            let cut = Some(Obstacle::Delegated("sub.heronmill.example".into()));
            assert_eq!(seen.names[&at(below)].obstacle, cut, "{below}");
        }
    }
    assert!(read(&*provider, &[]).await.unwrap().names.is_empty());
}

/// Writes, and holds what the provider and another reader see after it against what was to be written.
async fn write<H: Host>(host: &H, changes: &[Change]) {
    let provider = host.provider(LONG);
    provider.apply(changes).await.unwrap();
    let seen = provider.read(&changes.iter().map(|change| change.name.clone()).collect()).await.unwrap();
    for change in changes {
        let found = seen.names[&change.name].sets.get(&change.rtype);
        assert_eq!(found, Some(&change.after), "{} {}", change.name, change.rtype);
        assert_eq!(host.rrset(&change.name, change.rtype).as_ref(), found, "{} {}", change.name, change.rtype);
    }
}

pub(crate) async fn a_name_is_created<H: Host>() {
    let host = H::start(LINES);
    let before = host.others(&[]);
    write(
        &host,
        &[
            change("new", A, None, set(77, &["203.0.113.77", "203.0.113.78"])),
            change("new", Aaaa, None, set(78, &["2001:db8::77"])),
            change("far.below.new", A, None, set(79, &["203.0.113.79"])),
            change("gauge", Aaaa, None, set(80, &["2001:db8::80"])),
        ],
    )
    .await;
    assert_eq!(host.others(&[]), before);
}

pub(crate) async fn a_name_is_replaced<H: Host>() {
    let host = H::start(LINES);
    let serial = read(&*host.provider(LONG), &[]).await.unwrap().serial;
    write(&host, &[gauge("203.0.113.77")]).await;
    let later = read(&*host.provider(LONG), &[]).await.unwrap().serial;
    assert!(H::cannot(Feature::Serial) || later > serial, "{serial:?}, then {later:?}");
    // In step: nothing to change, nothing changed.
    let same = change("gauge", A, Some(set(120, &["203.0.113.77"])), set(120, &["203.0.113.77"]));
    write(&host, &[same]).await;
    host.provider(LONG).apply(&[]).await.unwrap();
    assert_eq!(read(&*host.provider(LONG), &[]).await.unwrap().serial, later);
    write(&host, &[change("gauge", A, Some(set(120, &["203.0.113.77"])), set(60, &["203.0.113.1", "203.0.113.2"]))])
        .await;
}

/// RFC 2181, section 5.2: a TTL is one for the RRset.
pub(crate) async fn the_ttl_alone_is_changed<H: Host>() {
    let host = H::start(LINES);
    let mill = |ttl| set(ttl, &["203.0.113.9", "198.51.100.99"]);
    write(&host, &[change("mill", A, Some(mill(300)), mill(301))]).await;
    assert_eq!(host.rrset(&at("mill"), Aaaa), Some(set(60, &["2001:db8::9"])));
}

pub(crate) async fn all_else_is_kept<H: Host>() {
    let host = H::start(LINES);
    let changed = [("gauge", A), ("mill", Aaaa)];
    let before = host.others(&changed);
    let mill = change("mill", Aaaa, Some(set(60, &["2001:db8::9"])), set(120, &["2001:db8::77"]));
    write(&host, &[gauge("203.0.113.77"), mill]).await;
    assert_eq!(host.others(&changed), before);
    assert_eq!(before.len(), 7, "{before:?}");
}

fn swapped(before: Option<&RrSet>, own: &str, new: &str) -> RrSet {
    let mut after = before.cloned().unwrap();
    after.addresses.remove(&own.parse().unwrap());
    after.addresses.insert(new.parse().unwrap());
    after
}

/// What somebody else adds between our reading and our writing stays.
pub(crate) async fn a_member_of_a_shared_set_is_swapped<H: Host>() {
    let host = H::start(LINES);
    let provider = host.provider(LONG);
    settle(&*provider, ("mill", A), |before| swapped(before, "203.0.113.9", "203.0.113.77")).await;
    assert_eq!(host.rrset(&at("mill"), A), Some(set(300, &["203.0.113.77", "198.51.100.99"])));
    let stale = seen(&*provider, "mill", A).await;
    host.edit(&at("mill"), A, Some(&set(300, &["203.0.113.77", "198.51.100.99", "198.51.100.1"])));
    let after = swapped(stale.as_ref(), "203.0.113.77", "203.0.113.78");
    let fault = provider.apply(&[change("mill", A, stale, after)]).await.unwrap_err();
    assert_eq!(fault.kind, FaultKind::Conflict, "{fault}");
    settle(&*provider, ("mill", A), |before| swapped(before, "203.0.113.77", "203.0.113.78")).await;
    let merged = set(300, &["203.0.113.78", "198.51.100.99", "198.51.100.1"]);
    assert_eq!(host.rrset(&at("mill"), A), Some(merged));
}

pub(crate) async fn what_was_not_read_is_not_overwritten<H: Host>() {
    let host = H::start(LINES);
    let provider = host.provider(LONG);
    let before = host.others(&[]);
    for (label, read) in [
        ("gauge", Some(set(120, &["203.0.113.8"]))),
        ("gauge", Some(set(120, &["203.0.113.9", "203.0.113.10"]))),
        ("gauge", None),
        ("mill", Some(set(300, &["203.0.113.9"]))),
        ("nothing", Some(set(120, &["203.0.113.9"]))),
    ] {
        let fault = provider.apply(&[change(label, A, read, set(120, &["203.0.113.77"]))]).await.unwrap_err();
        assert_eq!(fault.kind, FaultKind::Conflict, "{label}: {fault}");
    }
    assert_eq!(host.others(&[]), before);
    assert_eq!(host.rrset(&at("nothing"), A), None);
    // Somebody removes it, and makes it anew.
    host.edit(&at("gauge"), A, None);
    let fault = provider.apply(&[gauge("203.0.113.77")]).await.unwrap_err();
    assert_eq!(fault.kind, FaultKind::Conflict, "{fault}");
    host.edit(&at("gauge"), A, Some(&set(120, &["203.0.113.10"])));
    let fault = provider.apply(&[gauge("203.0.113.77")]).await.unwrap_err();
    assert_eq!(fault.kind, FaultKind::Conflict, "{fault}");
    settle(&*provider, ("gauge", A), |_| set(120, &["203.0.113.77"])).await;
    assert_eq!(host.rrset(&at("gauge"), A), Some(set(120, &["203.0.113.77"])));
}

pub(crate) async fn all_of_a_plan_or_nothing<H: Host>() {
    let host = H::start(LINES);
    let before = host.others(&[]);
    let stale = change("mill", A, Some(set(300, &["203.0.113.1"])), set(300, &["203.0.113.77"]));
    let plan = [gauge("203.0.113.77"), change("new", A, None, set(60, &["203.0.113.77"])), stale];
    let fault = host.provider(LONG).apply(&plan).await.unwrap_err();
    assert_eq!(fault.kind, FaultKind::Conflict, "{fault}");
    assert_eq!(host.others(&[]), before);
    assert_eq!(host.rrset(&at("new"), A), None);
}

/// RFC 1034, section 3.6.2: no other data beside a CNAME.
pub(crate) async fn a_cname_is_in_the_way<H: Host>() {
    let host = H::start(LINES);
    let provider = host.provider(LONG);
    let before = host.others(&[]);
    let fault = provider.apply(&[change("cam", A, None, set(120, &["203.0.113.77"]))]).await.unwrap_err();
    assert!(matches!(fault.kind, FaultKind::Conflict | FaultKind::Refused), "{:?}: {fault}", fault.kind);
    assert_eq!(host.others(&[]), before);
    let obstacle = read(&*provider, &["cam"]).await.unwrap().names[&at("cam")].obstacle.clone();
    assert_eq!(obstacle, Some(Obstacle::Cname("gauge.heronmill.example.".into())));
}

/// RFC 5890, section 2.3.2.1, RFC 4592, section 2.1.1, RFC 8552, section 1.1, and RFC 1035, section 2.3.4.
pub(crate) async fn names_of_all_kinds<H: Host>() {
    let host = H::start(LINES);
    let longest = format!("{0}.{0}.{0}.{1}", "a".repeat(63), "b".repeat(253 - 3 * 64 - 18));
    assert_eq!(at(&longest).as_str().len(), 253);
    // The A-label of "mühle", as CPython's punycode codec has it.
    for label in ["m\u{fc}hle", "xn--nxasmq6b", "*", "*.deep", "_gauge", "-x-", "0", &longest] {
        write(&host, &[change(label, A, None, set(60, &["203.0.113.9"]))]).await;
        write(&host, &[change(label, A, Some(set(60, &["203.0.113.9"])), set(60, &["203.0.113.77"]))]).await;
    }
    assert_eq!(host.look(&at("xn--mhle-0ra"), "A"), ["60 203.0.113.77"]);
}

/// RFC 4592, section 3.3.1: a wildcard's answer is synthesised; the name does not exist.
pub(crate) async fn what_a_wildcard_answers_is_not_its_own<H: Host>() {
    let host = H::start(LINES);
    let provider = host.provider(LONG);
    let wanted = set(60, &["203.0.113.77"]);
    let conflicts = settle(&*provider, ("x.wild", A), |_| wanted.clone()).await;
    assert_eq!(conflicts, u32::from(H::WILDCARDS_ANSWER));
    assert_eq!(host.rrset(&at("x.wild"), A), Some(wanted.clone()));
    assert_eq!(host.rrset(&at("*.wild"), A), Some(set(60, &["203.0.113.9"])));
    settle(&*provider, ("*.wild", A), |_| wanted.clone()).await;
    assert_eq!(host.rrset(&at("*.wild"), A), Some(wanted));
}

/// RFC 2181, section 8: from 0 to 2^31 - 1, where the host has no narrower limits.
pub(crate) async fn ttls_at_the_edges<H: Host>() {
    let host = H::start(LINES);
    let mut before = Some(set(120, &["203.0.113.9"]));
    for ttl in H::TTLS {
        let after = set(ttl, &["203.0.113.77"]);
        write(&host, &[change("gauge", A, before.replace(after.clone()), after)]).await;
        write(&host, &[change(&format!("edge-{ttl}"), A, None, set(ttl, &["203.0.113.9"]))]).await;
    }
}

pub(crate) async fn a_hundred_records_at_once<H: Host>() {
    let host = H::start(LINES);
    let before = host.others(&[]);
    let provider = host.provider(LONG);
    let labels: Vec<String> = (0..50).map(|nth| format!("n{nth}")).collect();
    let of = |last: u8, rtype: RecordType| match rtype {
        A => set(120, &[&format!("203.0.113.{last}")]),
        Aaaa => set(120, &[&format!("2001:db8::{last}")]),
    };
    let plan = |from: Option<u8>, to: u8| -> Vec<Change> {
        let each = |label: &String| {
            [A, Aaaa].map(|rtype| change(label, rtype, from.map(|from| of(from, rtype)), of(to, rtype)))
        };
        labels.iter().flat_map(each).collect()
    };
    for (from, to) in [(None, 9), (Some(9), 77)] {
        let changes = plan(from, to);
        assert_eq!(changes.len(), 100);
        provider.apply(&changes).await.unwrap();
        let labels: Vec<_> = labels.iter().map(String::as_str).collect();
        let seen = read(&*provider, &labels).await.unwrap();
        for change in &changes {
            assert_eq!(seen.names[&change.name].sets[&change.rtype], change.after, "{}", change.name);
        }
        // The other reader looks at one in ten.
        for change in changes.iter().step_by(10) {
            assert_eq!(host.rrset(&change.name, change.rtype).as_ref(), Some(&change.after), "{}", change.name);
        }
    }
    assert_eq!(host.others(&[]), before);
}

/// A thousand members: an answer of 16 KB on the wire.
pub(crate) async fn a_huge_set<H: Host>() {
    let addresses: Vec<String> = (0..1000).map(|nth| format!("198.51.{}.{}", 100 + nth / 250, nth % 250)).collect();
    let crowd: String = addresses.iter().map(|address| format!("\ncrowd 60 A {address}")).collect();
    let host = H::start(&format!("{LINES}{crowd}"));
    let provider = host.provider(LONG);
    let before = seen(&*provider, "crowd", A).await.unwrap();
    assert_eq!(before.addresses.len(), 1000);
    settle(&*provider, ("crowd", A), |before| swapped(before, "198.51.100.7", "203.0.113.77")).await;
    let after = host.rrset(&at("crowd"), A);
    assert_eq!(after, Some(swapped(Some(&before), "198.51.100.7", "203.0.113.77")));
}
