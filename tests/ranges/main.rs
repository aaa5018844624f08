//! Set arithmetic on addresses against CPython's `ipaddress.collapse_addresses` and netaddr's `IPSet`.
#![allow(clippy::unwrap_used, clippy::panic, reason = "a test that cannot go on has failed")]

#[path = "../common/mod.rs"]
mod common;

use std::net::{IpAddr, Ipv4Addr, Ipv6Addr};

use fingerpost::address::set::AddressSet;
use ipnet::IpNet;
use serde::Deserialize;

const CASES: usize = 10_000;

#[derive(Deserialize)]
struct Reference {
    collapsed: Vec<IpNet>,
    aggregate: Vec<IpNet>,
    union: Vec<IpNet>,
    difference: Vec<IpNet>,
    intersection: Vec<IpNet>,
    count: String,
}

fn prefixes(set: &AddressSet) -> Vec<IpNet> {
    set.prefixes().collect()
}

/// A prefix that is likely to touch, hold or halve the others: from a few corners, the ends of the family among them.
fn prefix(random: &mut fastrand::Rng) -> IpNet {
    let deep = random.bool();
    if random.bool() {
        let anywhere = random.u32(..);
        let base = random.choice([0u32, u32::MAX, 0xcb00_7100, 0x8000_0000, anywhere]).unwrap();
        let address = IpAddr::V4(Ipv4Addr::from_bits(base ^ random.u32(..64)));
        IpNet::new(address, if deep { random.u8(24..=32) } else { random.u8(0..=32) }).unwrap()
    } else {
        let anywhere = random.u128(..);
        let base = random.choice([0, u128::MAX, 0x2001_0db8 << 96, 1 << 127, anywhere]).unwrap();
        let address = IpAddr::V6(Ipv6Addr::from_bits(base ^ random.u128(..64)));
        IpNet::new(address, if deep { random.u8(120..=128) } else { random.u8(0..=128) }).unwrap()
    }
}

/// A set that is hard on an implementation: random, all of a family in pieces, or every second address.
fn case(random: &mut fastrand::Rng) -> Vec<IpNet> {
    let net = |address: Ipv4Addr, length| IpNet::new(address.into(), length).unwrap();
    match random.u8(0..10) {
        0 => (0..=32).map(|length| net(Ipv4Addr::from_bits(u32::MAX), length)).skip(random.usize(0..33)).collect(),
        1 => (0..random.u8(1..64)).map(|at| net([203, 0, 113, at * 2 % 128].into(), 32)).collect(),
        2 => (0..32).map(|bit| net(Ipv4Addr::from_bits(1 << (31 - bit)), bit + 1)).collect(),
        _ => (0..random.usize(0..24)).map(|_| prefix(random)).collect(),
    }
}

#[test]
#[ignore = "needs netaddr: tests/all.sh runs it"]
fn ten_thousand_cases_agree_with_the_references() {
    let seed = fastrand::u64(..);
    let mut random = fastrand::Rng::with_seed(seed);
    let cases: Vec<_> = (0..CASES).map(|_| (case(&mut random), case(&mut random))).collect();
    let input: Vec<_> = cases.iter().map(|case| serde_json::to_string(case).unwrap() + "\n").collect();
    let script = concat!(env!("CARGO_MANIFEST_DIR"), "/tests/ranges/reference.py");
    let output = common::run(&common::python(), &[script], &input.concat());
    assert_eq!(output.lines().count(), CASES, "seed {seed}");
    for ((ours, theirs), line) in cases.iter().zip(output.lines()) {
        let reference: Reference = serde_json::from_str(line).unwrap();
        let (a, b): (AddressSet, AddressSet) = (ours.iter().copied().collect(), theirs.iter().copied().collect());
        assert_eq!(prefixes(&a), reference.collapsed, "seed {seed}: {ours:?}");
        assert_eq!(prefixes(&a), reference.aggregate, "seed {seed}: {ours:?}");
        assert_eq!(prefixes(&a.union(&b)), reference.union, "seed {seed}: {ours:?} {theirs:?}");
        assert_eq!(prefixes(&a.difference(&b)), reference.difference, "seed {seed}: {ours:?} {theirs:?}");
        assert_eq!(prefixes(&a.intersection(&b)), reference.intersection, "seed {seed}: {ours:?} {theirs:?}");
        // All of IPv6 is one more than our numbers hold.
        let count: Result<u128, _> = reference.count.parse();
        assert_eq!(a.count(), count.unwrap_or(u128::MAX), "seed {seed}: {ours:?}");
    }
}
