use super::{DISSENT, Finding, History, ROUNDS, Silence, Utterance, Vantage, Word, diagnose, forbids_publishing};
use crate::about::Connection;
use crate::address::Family::{self, Ipv4, Ipv6};
use crate::address::special;
use crate::clock::Timestamp;
use crate::watch::interface::{Bare, Excluded};
use proptest::prelude::*;
use std::net::IpAddr;
use std::time::Duration;

const NOW: Timestamp = Timestamp::from_millis(1_764_000_000_000);
const HOME: &str = "203.0.113.77";

fn ip(text: &str) -> IpAddr {
    text.parse().unwrap()
}

/// `OPERATOR ANSWER`, of `router`, `natpmp` (the router's word by NAT-PMP alone) and `wan0` from within. An answer is an address, `page`, `none` or `-` for silence; `-6`
/// is silence over IPv6. Special addresses that are not for documentation are what a home cannot have.
fn word(text: &str) -> Word<'_> {
    let (operator, answer) = text.split_once(' ').unwrap();
    let vantage = match operator {
        "router" | "natpmp" => Vantage::Router,
        "wan0" => Vantage::Interface,
        _ => Vantage::Outside,
    };
    let lab = ["203.0.113.0/24", "198.51.100.0/24", "2001:db8::/32", "3fff::/20"].map(|net| net.parse().unwrap());
    let (family, told) = match answer {
        "page" => (Ipv4, Utterance::Page),
        "none" => (Ipv4, Utterance::Empty),
        "-" => (Ipv4, Utterance::Nothing),
        "-6" => (Ipv6, Utterance::Nothing),
        address => match special::check(ip(address), &lab) {
            Ok(()) => (Family::of(ip(address)), Utterance::Address(ip(address))),
            Err(_) => (Family::of(ip(address)), Utterance::Inner(ip(address))),
        },
    };
    Word { vantage, operator, family, told, alone: operator == "natpmp" }
}

fn words(texts: &'static [&'static str]) -> Vec<Word<'static>> {
    texts.iter().map(|text| word(text)).collect()
}

/// What the last of `rounds` shows, and what is remembered of all: what is said in each, and how often in a row.
fn last_of(rounds: Vec<(&'static [&'static str], u32)>) -> (Vec<Finding>, History) {
    let mut history = History::default();
    let mut last = vec![];
    for (texts, times) in rounds {
        for _ in 0..times {
            last = diagnose(&words(texts), &[Ipv4], &mut history, NOW);
        }
    }
    (last, history)
}

fn found(texts: &'static [&'static str], wanted: &[Family]) -> Vec<Finding> {
    diagnose(&words(texts), wanted, &mut History::default(), NOW)
}

fn carrier(by: Vantage, inside: Option<&str>, outside: Option<&str>) -> Finding {
    Finding::CarrierNat { by, inside: inside.map(|text| text.parse().unwrap()), outside: outside.map(ip) }
}

fn double(inside: &str, outside: Option<&str>) -> Finding {
    Finding::DoubleNat { inside: inside.parse().unwrap(), outside: outside.map(ip) }
}

fn elsewhere(by: Vantage, inside: &str, outside: &str) -> Finding {
    Finding::OtherEgress { family: Family::of(ip(outside)), by, inside: ip(inside), outside: ip(outside) }
}

fn stale(finding: Finding) -> Finding {
    Finding::Remembered { what: Box::new(finding), as_of: Some(NOW) }
}

#[test]
fn each_case_is_named() {
    use Vantage::{Interface, Router};
    for (title, texts, wanted) in [
        (
            "a carrier's address at the router (RFC 6598)",
            &["north 203.0.113.77", "ferry 203.0.113.77", "router 100.64.3.7"][..],
            carrier(Router, Some("100.64.3.7"), Some(HOME)),
        ),
        ("the last of the carrier's range", &["north 203.0.113.77", "router 100.127.255.255"], {
            carrier(Router, Some("100.127.255.255"), Some(HOME))
        }),
        ("the same while the outside is silent", &["north -", "router 100.64.3.7"], {
            carrier(Router, Some("100.64.3.7"), None)
        }),
        ("a carrier's address at the interface of a router", &["north 203.0.113.77", "wan0 100.64.3.7"], {
            carrier(Interface, Some("100.64.3.7"), Some(HOME))
        }),
        ("IPv4 carried over IPv6 (RFC 7335)", &["north 203.0.113.77", "router 192.0.0.2"], {
            carrier(Router, Some("192.0.0.2"), Some(HOME))
        }),
        ("a router without an address, while the outside agrees", &["north 203.0.113.77", "router none"], {
            carrier(Router, None, Some(HOME))
        }),
        ("a private address at the router", &["north 203.0.113.77", "router 192.168.1.2"], {
            double("192.168.1.2", Some(HOME))
        }),
        ("10/8", &["north 203.0.113.77", "router 10.0.0.2"], double("10.0.0.2", Some(HOME))),
        ("172.16/12", &["north 203.0.113.77", "router 172.31.0.2"], double("172.31.0.2", Some(HOME))),
        ("private, and the outside silent", &["north -", "router 10.0.0.2"], double("10.0.0.2", None)),
        (
            "a VPN, or a router that learned the carrier's address",
            &["north 198.51.100.9", "ferry 198.51.100.9", "tern -", "router 203.0.113.77"],
            elsewhere(Router, HOME, "198.51.100.9"),
        ),
        ("a VPN on the router itself", &["north 198.51.100.9", "wan0 203.0.113.77"], {
            elsewhere(Interface, HOME, "198.51.100.9")
        }),
        ("a VPN for IPv6", &["north 3fff:9::9", "wan0 2001:db8:1200:1::77"], {
            elsewhere(Interface, "2001:db8:1200:1::77", "3fff:9::9")
        }),
        ("no IPv6", &["north 203.0.113.77", "north -6", "ferry -6"], Finding::FamilyMissing { family: Ipv6 }),
        ("no IPv4", &["north -", "north 2001:db8::7"], Finding::FamilyMissing { family: Ipv4 }),
        ("IPv6 for this house only (RFC 4193)", &["north 203.0.113.77", "north -6", "wan0 fd00:1::77"], {
            Finding::FamilyMissing { family: Ipv6 }
        }),
        ("a captive portal", &["north page", "ferry page", "tern -"], {
            Finding::CaptivePortal { operators: vec!["north".into(), "ferry".into()] }
        }),
        ("a captive portal that lets one family through", &["north page", "ferry -", "north 2001:db8::7"], {
            Finding::CaptivePortal { operators: vec!["north".into()] }
        }),
    ] {
        assert_eq!(found(texts, &Family::BOTH), [wanted], "{title}");
    }
}

#[test]
fn nothing_is_found_where_nothing_is_proven() {
    for (title, texts) in [
        ("all agree", &["north 203.0.113.77", "ferry 203.0.113.77", "router 203.0.113.77", "wan0 203.0.113.77"][..]),
        ("both families", &["north 203.0.113.77", "north 2001:db8::7", "router 203.0.113.77"]),
        ("nobody answers", &["north -", "ferry -", "north -6", "router -"]),
        ("a router that knows no protocol", &["north 203.0.113.77", "ferry 203.0.113.77", "router -"]),
        ("a router that has no address, nor has anybody: the line is down", &["north -", "ferry -", "router none"]),
        ("no witness of the other family was asked", &["north 203.0.113.77"]),
        ("an interface behind the router", &["north 203.0.113.77", "wan0 192.168.1.10"]),
        ("the same with a router", &["north 203.0.113.77", "wan0 192.168.1.10", "router 203.0.113.77"]),
        ("beside the carrier's range", &["north 203.0.113.77", "wan0 100.128.0.1", "router 203.0.113.77"]),
        ("one echo service gone to a web page", &["north 203.0.113.77", "ferry 203.0.113.77", "tern page"]),
        ("one that lies", &["north 203.0.113.77", "ferry 203.0.113.77", "tern 198.51.100.9", "router 203.0.113.77"]),
        (
            "the outside split: it proves no other egress",
            &["north 203.0.113.1", "ferry 203.0.113.2", "router 203.0.113.3"],
        ),
        ("half of the outside is no majority", &["north 198.51.100.9", "ferry -", "router 203.0.113.77"]),
        ("one operator twice is one", &["north 198.51.100.9", "north 198.51.100.9", "ferry -", "router 203.0.113.77"]),
        (
            "an operator with two addresses has no vote",
            &["north 198.51.100.9", "north 198.51.100.8", "router 203.0.113.77"],
        ),
        ("a private address told by the outside is a fault of theirs", &["north 10.0.0.1", "ferry 10.0.0.1"]),
        ("temporary and stable of one prefix", &["north 2001:db8:1:1::9", "wan0 2001:db8:1:1::77"]),
        ("the provider's link and the home's prefix", &["north 2001:db8:ffff::2", "wan0 2001:db8:1:1::77"]),
        ("IPv6 from within counts as IPv6", &["north 203.0.113.77", "north -6", "wan0 2001:db8:1:1::77"]),
    ] {
        assert_eq!(found(texts, &Family::BOTH), [], "{title}");
    }
    assert_eq!(found(&["north 203.0.113.77", "north -6"], &[Ipv4]), [], "a family that no record wants is not missed");
    assert_eq!(found(&[], &Family::BOTH), []);
}

#[test]
fn cases_come_together() {
    let texts = &["north 203.0.113.77", "north -6", "router 100.64.0.9", "wan0 192.168.1.10"];
    assert_eq!(
        found(texts, &Family::BOTH),
        [carrier(Vantage::Router, Some("100.64.0.9"), Some(HOME)), Finding::FamilyMissing { family: Ipv6 },]
    );
}

#[test]
fn who_has_what_the_outside_sees_outweighs_who_has_not() {
    // Two routers, one behind the other, of which the interface is the outer one's.
    assert_eq!(found(&["north 203.0.113.77", "router 192.168.1.2", "wan0 203.0.113.77"], &[Ipv4]), []);
}

const CALM: &[&str] = &["north 203.0.113.77", "ferry 203.0.113.77", "tern 203.0.113.77"];
const TERN: &[&str] = &["north 203.0.113.77", "ferry 203.0.113.77", "tern 203.0.113.9"];
const TERN_SILENT: &[&str] = &["north 203.0.113.77", "ferry 203.0.113.77", "tern -"];
const TERN_TORN: &[&str] = &["north 203.0.113.77", "ferry 203.0.113.77", "tern 203.0.113.77", "tern 203.0.113.9"];
const SPLIT: &[&str] = &["north 203.0.113.77", "ferry 203.0.113.8", "tern 203.0.113.9"];

#[test]
fn an_operator_that_dissents_persistently_is_told_with_its_share() {
    let tern = |dissent, rounds| vec![Finding::Dissenter { operator: "tern".into(), family: Ipv4, dissent, rounds }];
    for (title, rounds, wanted) in [
        ("twice is chance", vec![(TERN, 2), (CALM, 3)], vec![]),
        ("thrice is not", vec![(TERN, 3)], tern(3, 3)),
        ("in a row or not", vec![(TERN, 1), (CALM, 4), (TERN, 1), (CALM, 4), (TERN, 1)], tern(3, 11)),
        ("always", vec![(TERN, 100)], tern(20, 20)),
        ("with witnesses that differ", vec![(TERN_TORN, 3)], tern(3, 3)),
        ("forgotten after 20 rounds", vec![(TERN, 3), (CALM, 18)], vec![]),
        ("but not before", vec![(TERN, 3), (CALM, 17)], tern(3, 20)),
        ("silence does not count, nor does it wash away", vec![(TERN, 3), (TERN_SILENT, 40)], tern(3, 3)),
        ("without agreement nobody dissents", vec![(SPLIT, 40)], vec![]),
    ] {
        let (last, _) = last_of(rounds);
        assert_eq!(last, wanted, "{title}");
    }
}

#[test]
fn the_history_forgets_who_is_not_kept_and_stays_bounded() {
    let mut history = History::default();
    for _ in 0..3 {
        diagnose(&words(TERN), &[Ipv4], &mut history, NOW);
    }
    history.retain(|operator| operator != "tern");
    assert_eq!(history.tracks.len(), 2);
    assert_eq!(diagnose(&words(TERN), &[Ipv4], &mut history, NOW), []);
    let names: Vec<_> = (0..10_000).map(|n| format!("operator-{n} 203.0.113.77")).collect();
    let crowd: Vec<_> = names.iter().map(|name| word(name)).collect();
    diagnose(&crowd, &[Ipv4], &mut history, NOW);
    assert_eq!(history.tracks.len(), super::REMEMBERED);
}

#[test]
fn what_is_told_comes_from_the_testimony() {
    let excluded = |texts: &[&str]| {
        let one = |text: &&str| (ip(text), Excluded::Special(special::check(ip(text), &[]).unwrap_err()));
        Err(Silence::Interface(Bare::NoneLeft { family: Ipv4, excluded: texts.iter().map(one).collect() }))
    };
    let unfit = |text: &str| Err(Silence::NotPublishable(special::check(ip(text), &[]).unwrap_err()));
    for (said, told) in [
        (Ok(ip(HOME)), Utterance::Address(ip(HOME))),
        (unfit("100.64.0.1"), Utterance::Inner(ip("100.64.0.1"))),
        (unfit("0.0.0.0"), Utterance::Empty),
        (unfit("::"), Utterance::Empty),
        (excluded(&["100.64.0.1"]), Utterance::Inner(ip("100.64.0.1"))),
        (excluded(&["100.64.0.1", "10.0.0.1"]), Utterance::Nothing),
        (excluded(&[]), Utterance::Nothing),
        (Err(Silence::CaptivePortal), Utterance::Page),
        (Err(Silence::TimedOut(Duration::from_secs(5))), Utterance::Nothing),
        (Err(Silence::WrongFamily(ip("::1"))), Utterance::Nothing),
    ] {
        assert_eq!(Utterance::of(&said), told, "{said:?}");
    }
}

#[test]
fn what_leads_to_a_stranger_is_held() {
    use Vantage::Router;
    let (v4, v6) = ([true, false], [false, true]);
    for (finding, held) in [
        (carrier(Router, None, Some(HOME)), v4),
        (double("10.0.0.2", None), v4),
        (elsewhere(Router, HOME, "198.51.100.9"), v4),
        (elsewhere(Vantage::Interface, "2001:db8::7", "3fff:9::9"), v6),
        (Finding::FamilyMissing { family: Ipv4 }, [false; 2]),
        (Finding::CaptivePortal { operators: vec!["north".into()] }, [false; 2]),
        (Finding::Dissenter { operator: "tern".into(), family: Ipv4, dissent: 20, rounds: 20 }, [false; 2]),
    ] {
        assert_eq!(
            Family::BOTH.map(|family| forbids_publishing(std::slice::from_ref(&finding), family)),
            held,
            "{finding}"
        );
    }
    assert!(!forbids_publishing(&[], Ipv4));
    let all = [Finding::FamilyMissing { family: Ipv6 }, carrier(Router, None, None)];
    assert!(forbids_publishing(&all, Ipv4) && !forbids_publishing(&all, Ipv6));
}

#[test]
fn each_finding_says_what_to_do() {
    let texts = [
        carrier(Vantage::Router, Some("100.64.3.7"), Some(HOME)).to_string(),
        carrier(Vantage::Router, None, Some(HOME)).to_string(),
        double("192.168.1.2", None).to_string(),
        elsewhere(Vantage::Router, HOME, "198.51.100.9").to_string(),
        Finding::FamilyMissing { family: Ipv6 }.to_string(),
        Finding::CaptivePortal { operators: vec!["north".into(), "ferry".into()] }.to_string(),
        Finding::Dissenter { operator: "tern".into(), family: Ipv4, dissent: 3, rounds: 20 }.to_string(),
    ];
    assert!(texts[0].starts_with(
        "carrier NAT: the router has 100.64.3.7, of the carrier's own network, and the outside sees 203.0.113.77: "
    ));
    assert!(texts[1].starts_with(
        "carrier NAT, or another router in front: the router says that it has no public address, and the outside sees 203.0.113.77: "
    ));
    assert!(
        texts[2].starts_with("double NAT, or carrier NAT: the router's outer address is 192.168.1.2, a private one; ")
    );
    assert!(
        texts[3].starts_with("IPv4 leaves elsewhere: the router has 203.0.113.77, and the outside sees 198.51.100.9, ")
    );
    assert!(texts[5].contains("(in place of north, ferry)"));
    assert!(texts[6].starts_with("tern said another IPv4 address than the others in 3 of its last 20 rounds; "));
    for text in &texts {
        assert!(text.contains("; ") && !text.contains("  ") && !text.contains('\n'), "{text}");
    }
    let json = serde_json::to_value(double("192.168.1.2", None)).unwrap();
    assert_eq!(json, serde_json::json!({ "finding": "double-nat", "inside": "192.168.1.2", "outside": null }));
}

fn any_word() -> impl Strategy<Value = Word<'static>> {
    prop::sample::select(vec![
        "north 203.0.113.77",
        "north 203.0.113.9",
        "north -",
        "north -6",
        "north page",
        "north 2001:db8::7",
        "north 10.0.0.1",
        "ferry 203.0.113.77",
        "ferry -",
        "ferry 2001:db8::7",
        "tern 203.0.113.9",
        "tern -6",
        "tern page",
        "router none",
        "router 203.0.113.77",
        "router 10.0.0.1",
        "router 100.64.0.1",
        "router -",
        "wan0 203.0.113.77",
        "wan0 2001:db8::7",
        "wan0 100.64.0.1",
        "wan0 192.168.1.2",
        "wan0 3fff:9::9",
    ])
    .prop_map(word)
}

proptest! {
    #[test]
    fn findings_hold_what_they_say(rounds in prop::collection::vec(prop::collection::vec(any_word(), 0..8), 1..30)) {
        let mut history = History::default();
        for words in &rounds {
            let findings = diagnose(words, &Family::BOTH, &mut history, NOW);
            for family in Family::BOTH {
                // At most one says where the family's traffic goes.
                let nat = findings.iter().filter(|finding| forbids_publishing(&[(*finding).clone()], family)).count();
                prop_assert!(nat <= 1, "{findings:?}");
                let within = words.iter().any(|word| word.vantage != Vantage::Outside && word.family == family);
                prop_assert!(within || nat == 0, "without a view from within nothing is held");
            }
            for finding in &findings {
                match finding {
                    Finding::Dissenter { dissent, rounds, .. } => {
                        prop_assert!((DISSENT..=ROUNDS).contains(dissent) && dissent <= rounds && *rounds <= ROUNDS);
                    }
                    Finding::FamilyMissing { family } => prop_assert!(
                        !words.iter().any(|word| word.family == *family && matches!(word.told, Utterance::Address(_)))
                    ),
                    Finding::OtherEgress { inside, outside, .. } => prop_assert_ne!(inside, outside),
                    _ => {}
                }
            }
        }
    }
}

#[test]
fn what_stands_in_the_way_is_gone_when_it_is_seen_to_be_and_not_before() {
    let carrier = || carrier(Vantage::Router, Some("100.64.3.7"), Some(HOME));
    let vpn = || elsewhere(Vantage::Router, HOME, "198.51.100.9");
    for (title, first, then, expected) in [
        (
            "a silent router",
            &["north 203.0.113.77", "router 100.64.3.7"][..],
            &["north 203.0.113.77", "router -"][..],
            { vec![stale(carrier())] },
        ),
        ("all silent", &["north 203.0.113.77", "router 100.64.3.7"], &["north -", "router -"], vec![stale(carrier())]),
        (
            "a public router",
            &["north 203.0.113.77", "router 100.64.3.7"],
            &["north 203.0.113.77", "router 203.0.113.77"],
            { vec![] },
        ),
        ("no router asked any more", &["north 203.0.113.77", "router 100.64.3.7"], &["north 203.0.113.77"], vec![]),
        (
            "another finding",
            &["north 203.0.113.77", "router 100.64.3.7"],
            &["north 203.0.113.77", "router 10.0.0.2"],
            { vec![double("10.0.0.2", Some(HOME))] },
        ),
        ("a VPN, and silence", &["north 198.51.100.9", "router 203.0.113.77"], &["north 198.51.100.9", "router -"], {
            vec![stale(vpn())]
        }),
        ("a VPN, and a split", &["north 198.51.100.9", "router 203.0.113.77"], &["north -", "router 203.0.113.77"], {
            vec![stale(vpn())]
        }),
        (
            "a VPN that ended, and silence",
            &["north 198.51.100.9", "router 203.0.113.77"],
            &["north 203.0.113.77", "router -"],
            vec![],
        ),
    ] {
        let mut history = History::default();
        assert_eq!(diagnose(&words(first), &[], &mut history, NOW).len(), 1, "{title}");
        // A restart in between makes no difference.
        let mut later = History::default();
        history.nats().for_each(|finding| later.recall(finding.clone()));
        assert_eq!(diagnose(&words(then), &[], &mut history, NOW), expected, "{title}");
        assert_eq!(diagnose(&words(then), &[], &mut later, NOW), expected, "{title}");
        let kept = |finding| if matches!(finding, Finding::Remembered { .. }) { finding } else { stale(finding) };
        assert!(history.nats().eq(expected.into_iter().map(kept)), "{title}");
    }
}

fn unseconded(what: Finding) -> Finding {
    Finding::Unseconded { what: Box::new(what) }
}

/// Anybody on the local network can say it in the router's name: it is told, and holds nothing until there is a second word.
#[test]
fn the_word_of_natpmp_alone_holds_nothing() {
    const SEEN: [&str; 2] = ["north 203.0.113.77", "ferry 203.0.113.77"];
    let words = |more: &[&'static str]| SEEN.iter().chain(more).map(|text| word(text)).collect::<Vec<_>>();
    let told = |rounds: &[&[&'static str]]| {
        let mut history = History::default();
        let mut last = vec![];
        for round in rounds {
            last = diagnose(&words(round), &[Ipv4], &mut history, NOW);
        }
        // The next process goes on from it, as it is written down.
        let text = serde_json::to_string(&history.nats().collect::<Vec<_>>()).unwrap();
        let mut later = History::default();
        serde_json::from_str::<Vec<Finding>>(&text).unwrap().into_iter().for_each(|finding| later.recall(finding));
        let remembered = diagnose(&words(&["router -"]), &[Ipv4], &mut later, NOW);
        assert_eq!(forbids_publishing(&remembered, Ipv4), forbids_publishing(&last, Ipv4), "{rounds:?}");
        last
    };
    let private = || double("192.168.1.2", Some(HOME));
    let carriers = || carrier(Vantage::Router, Some("100.64.3.7"), Some(HOME));
    let none = || carrier(Vantage::Router, None, Some(HOME));
    let elsewhere =
        || Finding::OtherEgress { family: Ipv4, by: Vantage::Router, inside: ip("198.51.100.9"), outside: ip(HOME) };
    for (rounds, wanted) in [
        (&[&["natpmp 192.168.1.2"][..]][..], vec![unseconded(private())]),
        (&[&["natpmp 100.64.3.7"]], vec![unseconded(carriers())]),
        (&[&["natpmp none"]], vec![unseconded(none())]),
        (&[&["natpmp 198.51.100.9"]], vec![unseconded(elsewhere())]),
        // Nor does it win by saying it twice, or under two names.
        (&[&["natpmp 192.168.1.2"][..]; 3][..], vec![unseconded(private())]),
        (
            &[&["natpmp 192.168.1.2", "natpmp 100.64.3.7"]],
            vec![unseconded(carrier(Vantage::Router, Some("100.64.3.7"), Some(HOME)))],
        ),
        // A second word: of the router in another way, of an interface; and what was known once stays so.
        (&[&["router 192.168.1.2"]], vec![private()]),
        (&[&["natpmp 192.168.1.2", "router 192.168.1.2"]], vec![private()]),
        (
            &[&["natpmp 192.168.1.2", "wan0 100.64.3.7"]],
            vec![carrier(Vantage::Interface, Some("100.64.3.7"), Some(HOME))],
        ),
        (&[&["router 192.168.1.2"], &["natpmp 192.168.1.2"]], vec![private()]),
        (&[&["router 192.168.1.2"], &["natpmp 192.168.1.3"]], vec![double("192.168.1.3", Some(HOME))]),
        // What the outside sees is no contradiction, whoever says it.
        (&[&["natpmp 192.168.1.2"], &["natpmp 203.0.113.77"]], vec![]),
        (&[&["router 192.168.1.2"], &["router 203.0.113.77"], &["natpmp 192.168.1.2"]], vec![unseconded(private())]),
    ] {
        let last = told(rounds);
        assert_eq!(last, wanted, "{rounds:?}");
        let is_alone = matches!(wanted.as_slice(), [] | [Finding::Unseconded { .. }]);
        assert_eq!(forbids_publishing(&last, Ipv4), !is_alone, "{rounds:?}");
    }
    // Twenty rounds of it against the outside are still one word.
    let lasting = told(&vec![&["natpmp 192.168.1.2"][..]; ROUNDS as usize]);
    assert!(
        matches!(lasting.as_slice(), [Finding::Unseconded { what }] if what.key() == Connection::RouterContradicts(Ipv4))
    );
    assert!(!forbids_publishing(&lasting, Ipv4));
    // A helper's word is a second one: whoever is kept out there, bears it out.
    for finding in [private(), carriers(), none(), elsewhere(), lasting[0].clone()] {
        let finding = if matches!(finding, Finding::Unseconded { .. }) { finding } else { unseconded(finding) };
        for (reached, held) in [(None, false), (Some(true), false), (Some(false), true)] {
            let applied = finding.clone().with_reach(|family| reached.filter(|_| family == Ipv4));
            assert_eq!(forbids_publishing(&[applied], Ipv4), held, "{finding:?} {reached:?}");
        }
    }
    let text = unseconded(private()).to_string();
    assert!(text.starts_with("double NAT, or carrier NAT: ") && text.contains("by NAT-PMP alone"), "{text}");
}

#[test]
fn what_is_remembered_is_told_with_its_time() {
    let mut history = History::default();
    let minutes = |count: u64| NOW.plus(Duration::from_secs(60 * count));
    let silent = words(&["north 203.0.113.9", "router -"]);
    for (title, texts, now, expected) in [
        ("so now", &["north 203.0.113.77", "router 192.168.1.2"][..], 0, None),
        ("so now, and what is told is new", &["north 203.0.113.77", "router 192.168.1.2"], 5, None),
        ("silent", &["north 203.0.113.9", "router -"], 10, Some(5)),
        ("still silent", &["north 203.0.113.9", "router -"], 15, Some(5)),
    ] {
        let what = double("192.168.1.2", Some(HOME));
        let expected = match expected {
            Some(last) => Finding::Remembered { what: Box::new(what), as_of: Some(minutes(last)) },
            None => what,
        };
        assert_eq!(diagnose(&words(texts), &[Ipv4], &mut history, minutes(now)), [expected], "{title}");
    }
    // Kept, and told the same by the next process.
    let text = serde_json::to_string(&history.nats().collect::<Vec<_>>()).unwrap();
    let mut later = History::default();
    serde_json::from_str::<Vec<Finding>>(&text).unwrap().into_iter().for_each(|finding| later.recall(finding));
    let told = diagnose(&silent, &[Ipv4], &mut later, minutes(60));
    assert_eq!(told, diagnose(&silent, &[Ipv4], &mut history, minutes(60)));
    let text = told[0].to_string();
    assert!(text.starts_with(&format!("as of {}: double NAT, or carrier NAT: ", minutes(5))), "{text}");
    // What was kept before times were.
    later.recall(double("192.168.1.2", None));
    let text = diagnose(&silent, &[Ipv4], &mut later, NOW)[0].to_string();
    assert!(text.starts_with("as of an earlier run: double NAT"), "{text}");
}

#[test]
fn a_router_against_a_lasting_majority_contradicts() {
    const PRIVATE: &[&str] = &["north 203.0.113.77", "ferry 203.0.113.77", "router 192.168.1.2"];
    const OTHER: &[&str] = &["north 203.0.113.77", "ferry 203.0.113.77", "router 198.51.100.9"];
    const NONE: &[&str] = &["north 203.0.113.77", "ferry 203.0.113.77", "router none"];
    const CARRIERS: &[&str] = &["north 203.0.113.77", "ferry 203.0.113.77", "router 100.64.3.7"];
    const DOWN: &[&str] = &["north -", "ferry -", "router 192.168.1.2"];
    const SILENT: &[&str] = &["north 203.0.113.77", "ferry 203.0.113.77", "router -"];
    const AGREES: &[&str] = &["north 203.0.113.77", "ferry 203.0.113.77", "router 203.0.113.77"];
    let contradicts = |inside: Option<&str>| Finding::RouterContradicts {
        family: Ipv4,
        inside: inside.map(ip),
        outside: ip(HOME),
        reached: None,
    };
    let private = || double("192.168.1.2", Some(HOME));
    let held = |findings: &[Finding]| forbids_publishing(findings, Ipv4);
    for (title, rounds, wanted) in [
        ("not at once", vec![(PRIVATE, ROUNDS - 1)], vec![private()]),
        ("a private address", vec![(PRIVATE, ROUNDS)], vec![contradicts(Some("192.168.1.2"))]),
        ("another public one", vec![(OTHER, ROUNDS)], vec![contradicts(Some("198.51.100.9"))]),
        ("none", vec![(NONE, 5 * ROUNDS)], vec![contradicts(None)]),
        ("whatever it says", vec![(NONE, ROUNDS), (PRIVATE, 1)], vec![contradicts(Some("192.168.1.2"))]),
        ("a carrier's address says why", vec![(CARRIERS, 5 * ROUNDS)], {
            vec![carrier(Vantage::Router, Some("100.64.3.7"), Some(HOME))]
        }),
        ("without a majority nobody is contradicted", vec![(DOWN, 5 * ROUNDS)], vec![double("192.168.1.2", None)]),
        ("nor does its silence end it", vec![(PRIVATE, ROUNDS), (DOWN, 1)], {
            vec![stale(contradicts(Some("192.168.1.2")))]
        }),
        ("remembered", vec![(PRIVATE, ROUNDS), (SILENT, 1)], vec![stale(contradicts(Some("192.168.1.2")))]),
        ("silence between", vec![(PRIVATE, ROUNDS - 1), (SILENT, 9), (PRIVATE, 1)], {
            vec![contradicts(Some("192.168.1.2"))]
        }),
        ("over", vec![(PRIVATE, ROUNDS), (AGREES, 1)], vec![]),
        ("and counted anew", vec![(PRIVATE, ROUNDS), (AGREES, 1), (PRIVATE, 1)], vec![private()]),
    ] {
        let (last, history) = last_of(rounds);
        assert_eq!(last, wanted, "{title}");
        assert_eq!(held(&last), !wanted.is_empty(), "{title}: what is documented holds");
        let reached: Vec<_> = last.into_iter().map(|finding| finding.with_reach(|_| Some(true))).collect();
        let by_reach = wanted.iter().all(|finding| finding.key() == Connection::RouterContradicts(Ipv4));
        assert_eq!(held(&reached), !by_reach, "{title}: a helper that gets in decides");
        // The next process goes on from it.
        let mut later = History::default();
        history.nats().for_each(|finding| later.recall(finding));
        let next = diagnose(&words(PRIVATE), &[Ipv4], &mut later, NOW);
        let lasts = by_reach && !wanted.is_empty();
        assert_eq!(next == [contradicts(Some("192.168.1.2"))], lasts, "{title}");
    }
    let text = |reached| contradicts(Some("192.168.1.2")).with_reach(|_| reached).to_string();
    let start = "router contradicts: for 20 rounds it has said 192.168.1.2, and the outside agrees on 203.0.113.77; ";
    for reached in [None, Some(true), Some(false)] {
        assert!(text(reached).starts_with(start), "{}", text(reached));
    }
}
