use proptest::prelude::*;

use super::*;
use crate::allowlist::firewall::{Doubt, Way};

fn set(text: &str) -> AddressSet {
    text.split_whitespace().map(|range| range.parse::<IpNet>().unwrap()).collect()
}

fn way(text: &str, by: &str) -> Way {
    Way { set: set(text), by: by.into() }
}

fn told(who: &Ranges) -> String {
    who.ranges.iter().map(ToString::to_string).collect::<Vec<_>>().join(" ")
        + &format!(" ({}, {})", who.addresses.ipv4, who.addresses.ipv6)
}

#[test]
fn differences_are_exact() {
    let wanted = set("192.0.2.0/24 2001:db8::/32");
    let inside = set("10.0.0.0/8");
    let let_in = LetIn {
        ways: vec![way("192.0.2.0/25 198.51.100.0/25 10.1.0.0/16", "rule 1"), way("2001:db8::/32", "rule 2")],
        doubts: vec![],
        ..LetIn::default()
    };
    let compared = Comparison::new(&wanted, &let_in, &inside);
    assert_eq!(compared.surplus.len(), 1);
    assert_eq!(
        (told(&compared.surplus[0].who).as_str(), compared.surplus[0].by.as_str()),
        ("198.51.100.0/25 (128, 0)", "rule 1")
    );
    assert_eq!(told(&compared.missing), "192.0.2.128/25 (128, 0)");
    assert_eq!(told(&compared.not_counted), "10.1.0.0/16 (65536, 0)");
    assert_eq!(compared.verdict(), Verdict::Differs);
    assert_eq!(
        serde_json::to_value(&compared).unwrap()["missing"],
        serde_json::json!({ "ranges": ["192.0.2.128/25"], "addresses": { "ipv4": "128", "ipv6": "0" } })
    );

    let exact =
        LetIn { ways: vec![way("192.0.2.0/25", "a"), way("192.0.2.128/25 2001:db8::/32", "b")], ..LetIn::default() };
    assert_eq!(Comparison::new(&wanted, &exact, &inside).verdict(), Verdict::Same);
    let nobody = Comparison::new(&wanted, &LetIn::default(), &inside);
    assert_eq!((nobody.missing.ranges.len(), nobody.verdict()), (2, Verdict::Differs));
}

#[test]
fn what_is_not_known_is_neither_surplus_nor_missing() {
    let wanted = set("192.0.2.0/24");
    let doubt = |text: &str| LetIn {
        ways: vec![way("192.0.2.0/25", "rule 1")],
        doubts: vec![Doubt { set: set(text), by: "rule 2".into(), why: "it cannot be read".into() }],
        ..LetIn::default()
    };
    let compared = Comparison::new(&wanted, &doubt("192.0.2.0/24 198.51.100.0/24"), &AddressSet::default());
    assert_eq!((compared.surplus.len(), compared.missing.ranges.len()), (0, 0));
    assert_eq!(told(&compared.unknown[0].who), "192.0.2.128/25 198.51.100.0/24 (384, 0)");
    assert_eq!(compared.verdict(), Verdict::Unknown);
    // What is in doubt is let in anyway.
    let compared = Comparison::new(&set("192.0.2.0/25"), &doubt("192.0.2.0/26"), &AddressSet::default());
    assert_eq!(compared.verdict(), Verdict::Same);
}

fn sets() -> impl Strategy<Value = AddressSet> {
    prop::collection::vec((any::<u8>(), 24..=32_u8), 0..6).prop_map(|ranges| {
        ranges.into_iter().map(|(last, length)| IpNet::new([192, 0, 2, last].into(), length).unwrap()).collect()
    })
}

proptest! {
    /// Address by address, against what each word means.
    #[test]
    fn every_address_is_told_of_as_what_it_is(
        wanted in sets(), inside in sets(), ways in prop::collection::vec(sets(), 0..3), doubts in prop::collection::vec(sets(), 0..3),
    ) {
        let let_in = LetIn {
            ways: ways.iter().map(|set| Way { set: set.clone(), by: String::new() }).collect(),
            doubts: doubts.iter().map(|set| Doubt { set: set.clone(), by: String::new(), why: String::new() }).collect(),
            ..LetIn::default()
        };
        let compared = Comparison::new(&wanted, &let_in, &inside);
        let among = |ranges: &[IpNet], address| ranges.iter().any(|range| range.contains(&address));
        for last in 0..=255_u8 {
            let address = std::net::IpAddr::from([192, 0, 2, last]);
            let surely = ways.iter().any(|set| set.contains(address));
            let perhaps = !surely && doubts.iter().any(|set| set.contains(address));
            let (wanted, inside) = (wanted.contains(address), inside.contains(address));
            prop_assert_eq!(compared.surplus.iter().any(|surplus| among(&surplus.who.ranges, address)), surely && !wanted && !inside);
            prop_assert_eq!(among(&compared.missing.ranges, address), wanted && !surely && !perhaps);
            prop_assert_eq!(compared.unknown.iter().any(|unknown| among(&unknown.who.ranges, address)), perhaps && !inside);
            prop_assert_eq!(among(&compared.not_counted.ranges, address), surely && !wanted && inside);
        }
    }
}
