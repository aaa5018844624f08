//! A lease at each server: it changes hands by the server's own comparison, and a write without it is refused there.

use std::collections::BTreeMap;
use std::sync::Arc;
use std::time::Duration;

use fingerpost::clock;
use fingerpost::provider::lease_record::Nonce;
use fingerpost::provider::rfc2136::Rfc2136;
use fingerpost::provider::{CompareAndSwap, FaultKind};
use fingerpost::record::RecordType::A;
use fingerpost::settings::Standby;
use fingerpost::standby::{Lease, News, NotHeld};

use crate::common::knot::Knotd;
use crate::common::named::Named;
use crate::common::*;
use crate::{LINES, NARROW, Peer, change, faulty, narrow_key, own, run_case};

const NAME: &str = "_fingerpost.heronmill.example";
const GRANTS: [Grant; 3] = [
    Grant { key: "gauge-key", name: None },
    Grant { key: "gauge-key", name: Some(NAME) },
    Grant { key: "narrow-key", name: Some("gauge.heronmill.example") },
];

fn real<S: Software>(lines: &str) -> Peer {
    let zone = ZoneSetup { grants: GRANTS.to_vec(), ..ZoneSetup::new(lines) };
    Peer::Real(DnsServer::start::<S>(&[KEY, NARROW], &[zone]))
}

/// One process's lease of a second. Long enough to be renewed, and short enough to be waited for.
fn lease(provider: Rfc2136, number: u8) -> Lease {
    let holder = format!("node{number}");
    let standby = Standby { names: BTreeMap::new(), lease: Duration::from_secs(1), holder };
    Lease::new(&standby, dns(NAME), Arc::new(provider), Nonce([number; 16]), clock::system())
}

async fn changes_hands(peer: &Peer) {
    let before = Some(set(120, &["203.0.113.9"]));
    let (first, second) = (lease(peer.provider(), 1), lease(peer.provider(), 2));
    let entered = first.enter().await.unwrap_or_else(|why| panic!("{why:?}"));
    let step = [change("gauge", A, before.clone(), set(61, &["203.0.113.77"]))];
    entered.apply(&step).await.unwrap();
    let before = Some(step[0].after.clone());
    // Whoever stands by is told who has it, and that is somebody until a whole lease is over.
    let Err(NotHeld::StandingBy(why)) = second.enter().await else { panic!("two have the lease") };
    assert!(why.contains("node1 has had the lease at _fingerpost.heronmill.example since 20"), "{why}");
    let step = [change("gauge", A, before.clone(), set(62, &["203.0.113.78"]))];
    let taken = loop {
        // As a daemon would: it looks and waits, and here `enter` does so once.
        match tokio::time::timeout(Duration::from_millis(20), second.keep(|| {})).await {
            Err(_) => {}
            Ok(()) => unreachable!("it never ends"),
        }
        if let Ok(taken) = second.enter().await {
            break taken;
        }
    };
    // The first has not been renewed, and has been let in before that: as if it had slept between the two.
    let late = [change("gauge", A, before.clone(), set(61, &["203.0.113.79"]))];
    faulty(entered.apply(&late).await, FaultKind::Conflict, &["NXRRSET", "or the lease is not ours any more"]);
    assert_eq!(peer.rrset(&at("gauge"), A), before, "the server has refused it");
    taken.apply(&step).await.unwrap();
    assert_eq!(peer.rrset(&at("gauge"), A), Some(step[0].after.clone()));
    drop((entered, taken));
    assert!(matches!(first.enter().await, Err(NotHeld::StandingBy(why)) if why.contains("node2")));
    assert!(first.news().contains(&News::Lost { to: Some("node2".to_owned()) }));
    assert_eq!(second.news().last(), Some(&News::Taken { from: Some("node1".to_owned()) }));
    // Given back, it is there for the next at once.
    second.release().await;
    let provider = peer.provider();
    assert_eq!(provider.read_text(&dns(NAME)).await.unwrap(), Vec::<Vec<Vec<u8>>>::new());
    assert!(lease(peer.provider(), 3).enter().await.is_ok());
}

/// A text is swapped for another only if exactly that stands there, and nothing else does.
async fn texts_are_compared_whole(peer: &Peer) {
    let (provider, name) = (peer.provider(), dns(NAME));
    let conflict = |outcome| faulty(outcome, FaultKind::Conflict, &["_fingerpost.heronmill.example TXT"]);
    provider.swap_text(&name, None, Some("one")).await.unwrap();
    conflict(provider.swap_text(&name, None, Some("two")).await);
    conflict(provider.swap_text(&name, Some("On"), Some("two")).await);
    conflict(provider.swap_text(&name, Some("ONE"), Some("two")).await);
    provider.swap_text(&name, Some("one"), Some("two")).await.unwrap();
    assert_eq!(provider.read_text(&name).await.unwrap(), vec![vec![b"two".to_vec()]]);
    conflict(provider.swap_text(&name, Some("one"), None).await);
    provider.swap_text(&name, Some("two"), None).await.unwrap();
    assert!(provider.read_text(&name).await.unwrap().is_empty());
}

/// A stranger's text is no lease, and stays.
async fn somebody_elses_text_stays(peer: &Peer) {
    peer.provider().swap_text(&dns(NAME), None, Some("v=spf1 -all")).await.unwrap();
    let serial = peer.serial();
    let lease = lease(peer.provider(), 1);
    let Err(NotHeld::Barred(why)) = lease.enter().await else { panic!("it was taken") };
    assert!(why.contains("is not a lease; remove what stands there, or set `standby.name`"), "{why}");
    lease.release().await;
    assert_eq!(peer.serial(), serial);
}

macro_rules! on_every_server {
    ($($case:ident),* $(,)?) => {
        mod own_server {
            $(#[test] fn $case() {
                crate::run_case(async { super::$case(&crate::Peer::Own(super::own().await)).await });
            })*
        }
        mod bind {
            $(#[test] #[ignore = "needs named: tests/all.sh runs it"] fn $case() {
                let peer = super::real::<super::Named>(super::LINES);
                crate::run_case(super::$case(&peer));
            })*
        }
        mod knot {
            $(#[test] #[ignore = "needs knotd: tests/all.sh runs it"] fn $case() {
                let peer = super::real::<super::Knotd>(super::LINES);
                crate::run_case(super::$case(&peer));
            })*
        }
    };
}

on_every_server!(changes_hands, texts_are_compared_whole, somebody_elses_text_stays);

/// The way out is named: which right the key lacks.
fn a_key_without_the_right_is_told_so<S: Software>() {
    let peer = real::<S>(LINES);
    run_case(async {
        // A read first, as the updater does: it shows that the server knows the key.
        let provider = peer.provider_by(narrow_key());
        crate::read(&provider, &["gauge"]).await.unwrap();
        let lease = lease(provider, 1);
        // Knot says so unsigned.
        let Err(NotHeld::Refused(why) | NotHeld::Unproven(why)) = lease.enter().await else { panic!("it was taken") };
        assert!(why.contains("let narrow-key change _fingerpost.heronmill.example TXT"), "{why}");
        assert!(matches!(lease.amiss(), None | Some(NotHeld::Refused(_))));
        assert_eq!(peer.serial(), 1);
    });
}

#[test]
#[ignore = "needs named: tests/all.sh runs it"]
fn bind_lets_a_key_without_the_right_have_no_lease() {
    a_key_without_the_right_is_told_so::<Named>();
}

#[test]
#[ignore = "needs knotd: tests/all.sh runs it"]
fn knot_lets_a_key_without_the_right_have_no_lease() {
    a_key_without_the_right_is_told_so::<Knotd>();
}

/// RFC 4592, section 3.3.1: what a wildcard shows does not stand there, and is in nobody's way.
#[test]
#[ignore = "needs named: tests/all.sh runs it"]
fn a_wildcard_is_in_nobodys_way_and_a_cname_is() {
    for line in ["* 300 TXT \"v=spf1 -all\"", "* 300 CNAME gauge"] {
        let peer = real::<Named>(&format!("gauge 120 A 203.0.113.9\n{line}"));
        run_case(async {
            let lease = lease(peer.provider(), 1);
            assert!(lease.enter().await.is_ok(), "{line}: {:?}", lease.enter().await.err());
        });
    }
    let peer = real::<Named>("gauge 120 A 203.0.113.9\n_fingerpost 300 CNAME gauge");
    run_case(async {
        let lease = lease(peer.provider(), 1);
        let Err(NotHeld::Refused(why)) = lease.enter().await else { panic!("it was taken") };
        assert!(why.contains("a CNAME to gauge.heronmill.example. stands at _fingerpost.heronmill.example"), "{why}");
        assert_eq!(peer.serial(), 1);
    });
}

/// Who has no lease yet writes nothing: not even while the server says nothing.
#[test]
#[ignore = "needs named: tests/all.sh runs it"]
fn nothing_is_written_while_nobody_knows_whose_the_lease_is() {
    let peer = real::<Named>(LINES);
    let Peer::Real(mut server) = peer else { unreachable!() };
    let provider = Rfc2136::new(dns(ZONE), server.address(), Some(gauge_key()), Duration::from_millis(300));
    server.stop();
    run_case(async {
        let lease = lease(provider, 1);
        let Err(NotHeld::Passing(why)) = lease.enter().await else { panic!("it was taken") };
        assert!(why.contains("cannot be reached over TCP"), "{why}");
    });
}
