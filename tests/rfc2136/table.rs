//! What every server must do alike, the rehearsal's own included.

use fingerpost::clock::Timestamp;
use fingerpost::dns::tsig::TsigAlgorithm;
use fingerpost::provider::{Change, FaultKind, Obstacle, Provider};
use fingerpost::record::RecordType::{A, Aaaa};

use crate::common::*;
use crate::{PASSING, Peer, change, faulty, hour_ahead, hour_behind, read};

macro_rules! on_every_server {
    (own, bind, knot: $($told:ident),*; powerdns as well: $($case:ident),* $(,)?) => {
        on_every_server!(@ $($told,)* $($case,)*);
        mod powerdns {
            $(#[test] #[ignore = "needs pdns_server: tests/all.sh runs it"] fn $case() {
                let peer = crate::Peer::Real(crate::real::<crate::PowerDns>(crate::LINES, &crate::GRANTS));
                crate::run_case(super::$case(&peer));
            })*
        }
    };
    (@ $($case:ident),* $(,)?) => {
        mod own_server {
            $(#[test] fn $case() {
                crate::run_case(async { super::$case(&crate::Peer::Own(crate::own().await)).await });
            })*
        }
        mod bind {
            $(#[test] #[ignore = "needs named: tests/all.sh runs it"] fn $case() {
                let peer = crate::Peer::Real(crate::real::<crate::Named>(crate::LINES, &crate::GRANTS));
                crate::run_case(super::$case(&peer));
            })*
        }
        mod knot {
            $(#[test] #[ignore = "needs knotd: tests/all.sh runs it"] fn $case() {
                let peer = crate::Peer::Real(crate::real::<crate::Knotd>(crate::LINES, &crate::GRANTS));
                crate::run_case(super::$case(&peer));
            })*
        }
    };
}

on_every_server!(
    // What PowerDNS says of them is in `servers`.
    own, bind, knot: wrong_keys_and_clocks_are_told_apart;
    powerdns as well: what_stands_is_read,
    changes_are_written_as_planned,
    a_stale_or_partial_read_is_a_conflict,
    a_cname_in_the_way_is_a_conflict_then_an_obstacle,
    a_name_outside_the_zone_is_refused,
    a_hundred_names_go_in_one_update,
    all_of_a_batch_or_nothing,
    the_literal_is_asked_for_after_a_conflict,
);

async fn what_stands_is_read(peer: &Peer) {
    let seen = read(&peer.provider(), &["gauge", "mill", "cam", "sub", "x.sub", "nothing"]).await.unwrap();
    assert_eq!(seen.serial, Some(peer.serial()));
    assert_eq!(seen.names.len(), 6);
    let sets = |label: &str| seen.names[&at(label)].sets.clone().into_iter().collect::<Vec<_>>();
    assert_eq!(sets("gauge"), [(A, set(120, &["203.0.113.9"]))]);
    let mill = [(A, set(300, &["203.0.113.9", "198.51.100.99"])), (Aaaa, set(60, &["2001:db8::9"]))];
    assert_eq!(sets("mill"), mill);
    let obstacle = |label: &str| seen.names[&at(label)].obstacle.clone();
    assert_eq!(obstacle("cam"), Some(Obstacle::Cname("gauge.heronmill.example.".into())));
    // RFC 1034, section 4.2.1: below a cut another zone begins.
    let cut = Some(Obstacle::Delegated("sub.heronmill.example".into()));
    assert_eq!((obstacle("sub"), obstacle("x.sub")), (cut.clone(), cut));
    for empty in ["cam", "sub", "x.sub", "nothing"] {
        assert_eq!(sets(empty), []);
    }
    assert_eq!((obstacle("gauge"), obstacle("nothing")), (None, None));
}

async fn changes_are_written_as_planned(peer: &Peer) {
    let provider = peer.provider();
    let serial = peer.serial();
    let mill = set(300, &["203.0.113.9", "198.51.100.99"]);
    let changes = [
        change("new", Aaaa, None, set(77, &["2001:db8::1", "2001:db8::2"])),
        change("gauge", A, Some(set(120, &["203.0.113.9"])), set(120, &["203.0.113.77"])),
        change("mill", A, Some(mill), set(300, &["203.0.113.77", "198.51.100.99"])),
        // The TTL alone, and it is a member of no comparison (RFC 2136, section 2.4.2).
        change("mill", Aaaa, Some(set(61, &["2001:db8::9"])), set(4242, &["2001:db8::9"])),
    ];
    provider.apply(&changes).await.unwrap();
    for change in &changes {
        assert_eq!(peer.rrset(&change.name, change.rtype), Some(change.after.clone()), "{}", change.name);
    }
    assert_eq!(peer.rrset(&at("mill"), Aaaa), Some(set(4242, &["2001:db8::9"])));
    let seen = read(&provider, &["new", "mill"]).await.unwrap();
    assert_eq!(seen.names[&at("new")].sets[&Aaaa], changes[0].after);
    assert!(peer.serial() > serial);
    // Nothing to change, nothing changed.
    let serial = peer.serial();
    let same = set(120, &["203.0.113.77"]);
    provider.apply(&[change("gauge", A, Some(same.clone()), same)]).await.unwrap();
    provider.apply(&[]).await.unwrap();
    assert_eq!(peer.serial(), serial);
}

async fn a_stale_or_partial_read_is_a_conflict(peer: &Peer) {
    let provider = peer.provider();
    let serial = peer.serial();
    let after = set(120, &["203.0.113.77"]);
    for (label, before) in [
        ("gauge", Some(set(120, &["203.0.113.8"]))),
        ("mill", Some(set(300, &["203.0.113.9"]))),
        ("gauge", Some(set(120, &["203.0.113.9", "203.0.113.10"]))),
        ("gauge", None),
        ("nothing", Some(set(120, &["203.0.113.9"]))),
    ] {
        let outcome = provider.apply(&[change(label, A, before, after.clone())]).await;
        faulty(outcome, FaultKind::Conflict, &[label]);
    }
    assert_eq!(peer.serial(), serial);
    assert_eq!(peer.rrset(&at("mill"), A), Some(set(300, &["203.0.113.9", "198.51.100.99"])));
}

async fn a_cname_in_the_way_is_a_conflict_then_an_obstacle(peer: &Peer) {
    let provider = peer.provider();
    let outcome = provider.apply(&[change("cam", A, None, set(120, &["203.0.113.77"]))]).await;
    faulty(outcome, FaultKind::Conflict, &["YXRRSET", "cam"]);
    // Also when the conflict makes the next read look twice.
    let seen = read(&provider, &["cam"]).await.unwrap();
    assert_eq!(seen.names[&at("cam")].obstacle, Some(Obstacle::Cname("gauge.heronmill.example.".into())));
}

async fn wrong_keys_and_clocks_are_told_apart(peer: &Peer) {
    let serial = peer.serial();
    let changes = [change("gauge", A, Some(set(120, &["203.0.113.9"])), set(120, &["203.0.113.77"]))];
    let cases = [
        (
            peer.provider_by(client_key("other-key", TsigAlgorithm::HmacSha256, SECRET)),
            FaultKind::Unproven,
            ["does not know the key other-key", "BADKEY", "`key.name`"],
        ),
        (
            peer.provider_by(client_key(KEY.name, TsigAlgorithm::HmacSha384, SECRET)),
            FaultKind::Unproven,
            ["does not know the key gauge-key with hmac-sha384", "unsigned", "`key.algorithm`"],
        ),
        (
            peer.provider_by(client_key(KEY.name, TsigAlgorithm::HmacSha256, b"not the secret")),
            FaultKind::Unproven,
            ["the secret of the key gauge-key", "BADSIG", "`key.secret`"],
        ),
    ];
    for (provider, kind, words) in cases {
        faulty(read(&provider, &["gauge"]).await, kind, &words);
        faulty(provider.apply(&changes).await, kind, &words);
    }
    for (clock, word) in [(hour_ahead as fn() -> Timestamp, "ahead of"), (hour_behind, "behind")] {
        let provider = peer.provider().with_clock(clock);
        for fault in [
            faulty(read(&provider, &["gauge"]).await, PASSING, &[word, "BADTIME, signed", "NTP"]),
            faulty(provider.apply(&changes).await, PASSING, &[word, "BADTIME, signed", "NTP"]),
        ] {
            // A second may turn between two looks at the clock.
            let told = ["3599 s", "3600 s", "3601 s"].iter().any(|skew| fault.why.contains(skew));
            assert!(told, "the skew is not told: {fault}");
        }
    }
    assert_eq!(peer.serial(), serial);
}

async fn a_name_outside_the_zone_is_refused(peer: &Peer) {
    let stray = Change { name: dns("gauge.tern.example"), ..change("x", A, None, set(120, &["203.0.113.77"])) };
    let outcome = peer.provider().apply(&[stray]).await;
    faulty(outcome, FaultKind::Refused, &["NOTZONE", "gauge.tern.example", "outside the zone heronmill.example"]);
}

async fn a_hundred_names_go_in_one_update(peer: &Peer) {
    let provider = peer.provider();
    let labels: Vec<_> = (0..100).map(|nth| format!("n{nth}")).collect();
    let labels: Vec<_> = labels.iter().map(String::as_str).collect();
    let create: Vec<_> = labels.iter().map(|label| change(label, A, None, set(120, &["203.0.113.9"]))).collect();
    // To PowerDNS the first version of a day is that day's.
    provider.apply(&[change("gauge", A, Some(set(120, &["203.0.113.9"])), set(120, &["203.0.113.77"]))]).await.unwrap();
    let serial = peer.serial();
    provider.apply(&create).await.unwrap();
    // One message is one version of the zone.
    assert_eq!(peer.serial(), serial + 1);
    let seen = read(&provider, &labels).await.unwrap();
    assert_eq!(seen.names.len(), 100);
    assert!(seen.names.values().all(|standing| standing.sets[&A] == set(120, &["203.0.113.9"])));
}

async fn all_of_a_batch_or_nothing(peer: &Peer) {
    let serial = peer.serial();
    let changes = [
        change("gauge", A, Some(set(120, &["203.0.113.9"])), set(120, &["203.0.113.77"])),
        change("mill", A, Some(set(300, &["203.0.113.1"])), set(300, &["203.0.113.77"])),
    ];
    faulty(peer.provider().apply(&changes).await, FaultKind::Conflict, &["NXRRSET", "signed"]);
    assert_eq!(peer.serial(), serial);
}

/// A conflict makes the next read ask the server by prerequisite; what really stands must come through unchanged.
async fn the_literal_is_asked_for_after_a_conflict(peer: &Peer) {
    let provider = peer.provider();
    let changes = ["mill", "gauge"].map(|label| change(label, A, None, set(120, &["203.0.113.77"])));
    let before = read(&provider, &["gauge", "mill"]).await.unwrap();
    faulty(provider.apply(&changes).await, FaultKind::Conflict, &[]);
    assert_eq!(read(&provider, &["gauge", "mill"]).await.unwrap(), before);
    assert_eq!(peer.serial(), before.serial.unwrap());
}
