use std::collections::{BTreeMap, BTreeSet};
use std::net::IpAddr;

use proptest::prelude::*;

use super::*;
use crate::settings::by_provider;

const NEW: &str = "203.0.113.77";
const OLD: &str = "203.0.113.9";
const OTHER: &str = "198.51.100.99";

fn ip(text: &str) -> IpAddr {
    text.parse().unwrap()
}

fn name(text: &str) -> DnsName {
    DnsName::parse(text).unwrap()
}

fn set(ttl: u32, addresses: &[&str]) -> RrSet {
    RrSet { ttl, addresses: addresses.iter().map(|text| ip(text)).collect() }
}

fn wanted(sharing: Sharing) -> Desired {
    Desired { name: name("gauge.heronmill.example"), rtype: RecordType::A, address: ip(NEW), ttl: 120, sharing }
}

fn observed(owner: &str, standing: Standing) -> Observed {
    Observed { names: BTreeMap::from([(name(owner), standing)]), serial: Some(1) }
}

fn standing(set: Option<RrSet>) -> Standing {
    let sets = set.into_iter().map(|set| (RecordType::A, set)).collect();
    Standing { sets, ..Standing::default() }
}

/// The plan for one record whose RRset is `before`, by what this home published `earlier`.
fn planned(sharing: Sharing, before: Option<RrSet>, earlier: Option<&str>) -> Step {
    let observed = observed("gauge.heronmill.example", standing(before));
    let mut plan = plan(&[wanted(sharing)], &observed, &name("heronmill.example"), |_| earlier.map(ip));
    assert_eq!(plan.len(), 1);
    plan.remove(0).step
}

fn write(before: Option<RrSet>, after: RrSet, verb: Verb) -> Step {
    Step::Write(Change { name: name("gauge.heronmill.example"), rtype: RecordType::A, before, after }, verb)
}

#[test]
fn a_sole_record_is_exactly_ours() {
    let after = set(120, &[NEW]);
    let cases = [
        (None, write(None, after.clone(), Verb::Create)),
        (Some(after.clone()), Step::Leave),
        (Some(set(120, &[OLD])), write(Some(set(120, &[OLD])), after.clone(), Verb::Replace)),
        (Some(set(120, &[NEW, OTHER])), write(Some(set(120, &[NEW, OTHER])), after.clone(), Verb::Replace)),
        (Some(set(60, &[NEW])), write(Some(set(60, &[NEW])), after.clone(), Verb::Retime)),
        (Some(set(60, &[OLD])), write(Some(set(60, &[OLD])), after.clone(), Verb::Replace)),
    ];
    for (before, expected) in cases {
        assert_eq!(planned(Sharing::Sole, before.clone(), Some(OLD)), expected, "{before:?}");
    }
}

#[test]
fn a_member_swaps_only_its_own_earlier_address() {
    let cases = [
        ("none there", None, Some(OLD), write(None, set(120, &[NEW]), Verb::Create)),
        (
            "ours among others: swapped, their TTL kept (RFC 2181, 5.2)",
            Some(set(300, &[OLD, OTHER])),
            Some(OLD),
            write(Some(set(300, &[OLD, OTHER])), set(300, &[NEW, OTHER]), Verb::Swap),
        ),
        (
            "nothing known to be ours: joined, nobody removed",
            Some(set(300, &[OLD, OTHER])),
            None,
            write(Some(set(300, &[OLD, OTHER])), set(300, &[NEW, OLD, OTHER]), Verb::Join),
        ),
        (
            "ours was taken out by hand: joined again",
            Some(set(300, &[OTHER])),
            Some(OLD),
            write(Some(set(300, &[OTHER])), set(300, &[NEW, OTHER]), Verb::Join),
        ),
        ("in step, whatever the TTL of the others", Some(set(300, &[NEW, OTHER])), Some(NEW), Step::Leave),
        ("in step, and nothing earlier known", Some(set(300, &[NEW, OTHER])), None, Step::Leave),
        (
            "both ours are there: the earlier goes",
            Some(set(300, &[NEW, OLD, OTHER])),
            Some(OLD),
            write(Some(set(300, &[NEW, OLD, OTHER])), set(300, &[NEW, OTHER]), Verb::Swap),
        ),
        (
            "alone in the set: the TTL is ours to set",
            Some(set(300, &[OLD])),
            Some(OLD),
            write(Some(set(300, &[OLD])), set(120, &[NEW]), Verb::Swap),
        ),
        (
            "alone and in place, with another TTL",
            Some(set(300, &[NEW])),
            Some(NEW),
            write(Some(set(300, &[NEW])), set(120, &[NEW]), Verb::Retime),
        ),
    ];
    for (case, before, earlier, expected) in cases {
        assert_eq!(planned(Sharing::Member, before, earlier), expected, "{case}");
    }
}

#[test]
fn what_would_break_dns_is_refused_with_the_reason() {
    let cname = Standing { obstacle: Some(Obstacle::Cname("mill.heronmill.example.".into())), ..Standing::default() };
    let cut = Standing { obstacle: Some(Obstacle::Delegated("gauge.heronmill.example".into())), ..Standing::default() };
    let dname = Standing { obstacle: Some(Obstacle::Dname("heronmill.example".into())), ..Standing::default() };
    let cases = [
        (
            "gauge.heronmill.example",
            dname,
            "a DNAME at heronmill.example redirects all names below it (RFC 6672, 2.4); remove it, or this record",
        ),
        (
            "gauge.heronmill.example",
            cname,
            "a CNAME to mill.heronmill.example. stands here (RFC 1034, 3.6.2); remove it, or this record",
        ),
        (
            "gauge.heronmill.example",
            cut,
            "the zone hands gauge.heronmill.example over to other name servers (RFC 1034, 4.2.1); \
             give this record a provider for that zone",
        ),
        (
            "gauge.heronmill.example",
            Standing { unread: [(RecordType::A, "its TTL is auto".into())].into(), ..Standing::default() },
            "something stands here already, and its TTL is auto",
        ),
        (
            "gauge.elsewhere.example",
            Standing::default(),
            "it is not in the zone heronmill.example (RFC 2136, 3.4.1.3); give it a provider whose zone it is in",
        ),
    ];
    for (owner, standing, reason) in cases {
        let wanted = Desired { name: name(owner), ..wanted(Sharing::Sole) };
        let plan = plan(&[wanted], &observed(owner, standing), &name("heronmill.example"), |_| None::<IpAddr>);
        let [Item { step: Step::Refuse(refusal), .. }] = plan.as_slice() else { panic!("{owner} was not refused") };
        assert_eq!(refusal.to_string(), reason);
    }
}

#[test]
fn records_are_planned_each_by_itself_and_in_order() {
    let names = ["gauge.heronmill.example", "cam.heronmill.example", "mill.heronmill.example"];
    let wanted: Vec<_> = names.iter().map(|owner| Desired { name: name(owner), ..wanted(Sharing::Sole) }).collect();
    let cname = Standing { obstacle: Some(Obstacle::Cname("gauge.heronmill.example.".into())), ..Standing::default() };
    let observed = Observed {
        names: BTreeMap::from([
            (name(names[0]), standing(Some(set(120, &[NEW])))),
            (name(names[1]), cname),
            (name(names[2]), standing(None)),
        ]),
        serial: None,
    };
    let plan = plan(&wanted, &observed, &name("heronmill.example"), |_| None::<IpAddr>);
    let owners: Vec<_> = plan.iter().map(|item| item.desired.name.as_str()).collect();
    assert_eq!(owners, names);
    assert_eq!(plan[0].before, Some(set(120, &[NEW])));
    assert!(matches!(
        plan.iter().map(|item| &item.step).collect::<Vec<_>>().as_slice(),
        [Step::Leave, Step::Refuse(Refusal::Cname { .. }), Step::Write(_, Verb::Create)]
    ));
}

fn record(owner: &str, types: &[RecordType], provider: &str, host_part: Option<&str>) -> Record {
    Record {
        name: name(owner),
        types: types.to_vec(),
        lines: vec![None],
        provider: provider.into(),
        ttl: 120,
        host_part: host_part.map(|text| text.parse().unwrap()),
        sharing: Sharing::Sole,
    }
}

#[test]
fn wanted_is_what_has_a_settled_address_at_this_provider() {
    let both = [RecordType::A, RecordType::Aaaa];
    let records = [
        record("gauge.heronmill.example", &both, "home", Some("::10")),
        record("mill.heronmill.example", &[RecordType::Aaaa], "home", None),
        record("cam.heronmill.example", &both, "other", None),
    ];
    let v4 = BTreeMap::from([(Family::Ipv4, ip(NEW))]);
    let dual = BTreeMap::from([(Family::Ipv4, ip(NEW)), (Family::Ipv6, ip("2001:db8:1200:1::77"))]);
    let texts = |home: &BTreeMap<Family, IpAddr>| -> Vec<String> {
        desired(&by_provider(&records)["home"], 64, |_, family| home.get(&family).copied())
            .iter()
            .map(|d| format!("{} {} {}", d.name, d.rtype, d.address))
            .collect()
    };
    assert_eq!(texts(&v4), ["gauge.heronmill.example A 203.0.113.77"]);
    assert_eq!(
        texts(&dual),
        [
            "gauge.heronmill.example A 203.0.113.77",
            "gauge.heronmill.example AAAA 2001:db8:1200:1::10",
            "mill.heronmill.example AAAA 2001:db8:1200:1::77",
        ]
    );
    assert_eq!(texts(&BTreeMap::new()), Vec::<String>::new());
}

#[test]
fn a_host_part_is_joined_with_the_delegated_prefix() {
    let records = [
        record("gauge.heronmill.example", &[RecordType::Aaaa], "home", Some("0:0:0:2::10")),
        record("mill.heronmill.example", &[RecordType::Aaaa], "home", None),
    ];
    let home = BTreeMap::from([(Family::Ipv6, ip("2001:db8:1200:1234::77"))]);
    let addresses: Vec<_> = desired(&by_provider(&records)["home"], 56, |_, family| home.get(&family).copied())
        .iter()
        .map(|desired| desired.address)
        .collect();
    assert_eq!(addresses, [ip("2001:db8:1200:1202::10"), ip("2001:db8:1200:1234::77")]);
}

#[test]
fn each_verb_has_its_word() {
    let words: Vec<String> =
        [Verb::Create, Verb::Replace, Verb::Swap, Verb::Join, Verb::Retime].iter().map(Verb::to_string).collect();
    assert_eq!(words, ["create", "replace", "swap our member", "join as a member", "change the TTL"]);
}

fn addresses() -> impl Strategy<Value = BTreeSet<IpAddr>> {
    proptest::collection::btree_set((1u8..9).prop_map(|host| IpAddr::from([203, 0, 113, host])), 0..6)
}

proptest! {
    /// Carrying a plan out and planning again finds nothing left to do, and a member never removes another's address.
    #[test]
    fn a_plan_carried_out_is_in_step_and_others_are_kept(
        before in addresses(), ttl in 0u32..400, earlier in 1u8..9, member in any::<bool>()
    ) {
        let sharing = if member { Sharing::Member } else { Sharing::Sole };
        let earlier = IpAddr::from([203, 0, 113, earlier]);
        let before = (!before.is_empty()).then_some(RrSet { ttl, addresses: before });
        let zone = name("heronmill.example");
        let first = plan(&[wanted(sharing)], &observed("gauge.heronmill.example", standing(before.clone())), &zone, |_| Some(earlier));
        let after = match &first[0].step {
            Step::Write(change, _) => {
                prop_assert_eq!(&change.before, &before);
                change.after.clone()
            }
            Step::Leave => before.clone().unwrap(),
            Step::Refuse(refusal) => panic!("{refusal}"),
        };
        prop_assert!(after.addresses.contains(&ip(NEW)));
        if member {
            let mut others = before.map(|set| set.addresses).unwrap_or_default();
            others.remove(&earlier);
            prop_assert!(others.is_subset(&after.addresses));
        } else {
            prop_assert_eq!(&after, &set(120, &[NEW]));
        }
        let again = plan(&[wanted(sharing)], &observed("gauge.heronmill.example", standing(Some(after))), &zone, |_| Some(ip(NEW)));
        prop_assert_eq!(&again[0].step, &Step::Leave);
    }
}
