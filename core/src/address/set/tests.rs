use proptest::prelude::*;

use super::*;

fn set(prefixes: &[&str]) -> AddressSet {
    prefixes.iter().map(|prefix| prefix.parse::<IpNet>().unwrap()).collect()
}

fn texts(set: &AddressSet) -> Vec<String> {
    set.prefixes().map(|prefix| prefix.to_string()).collect()
}

/// RFC 4632, section 5.1: 192.24.0.0 to 192.31.255.255 less what two multi-homed customers take (from memory).
#[test]
fn the_example_of_rfc_4632() {
    let all = set(&["192.24.0.0/13"]);
    assert_eq!(texts(&set(&["192.24.0.0/14", "192.28.0.0/14"])), ["192.24.0.0/13"]);
    let others = set(&["192.24.12.0/22", "192.32.0.0/22"]);
    let left = all.difference(&others);
    assert_eq!(left.union(&set(&["192.24.12.0/22"])), all);
    assert_eq!(left.count(), (1 << 19) - (1 << 10));
    assert_eq!(
        texts(&left),
        [
            "192.24.0.0/21",
            "192.24.8.0/22",
            "192.24.16.0/20",
            "192.24.32.0/19",
            "192.24.64.0/18",
            "192.24.128.0/17",
            "192.25.0.0/16",
            "192.26.0.0/15",
            "192.28.0.0/14",
        ]
    );
}

#[test]
fn the_fewest_prefixes() {
    let cases: [(&[&str], &[&str]); 8] = [
        (&[], &[]),
        (&["0.0.0.0/1", "128.0.0.0/1"], &["0.0.0.0/0"]),
        (&["::/1", "8000::/1"], &["::/0"]),
        (&["203.0.113.7/24"], &["203.0.113.0/24"]),
        (&["203.0.113.0/25", "203.0.113.128/25", "203.0.113.5/32"], &["203.0.113.0/24"]),
        // They touch, but are not one block.
        (&["203.0.113.64/26", "203.0.113.128/26"], &["203.0.113.64/26", "203.0.113.128/26"]),
        (&["255.255.255.255/32", "0.0.0.0/32"], &["0.0.0.0/32", "255.255.255.255/32"]),
        (&["2001:db8::/33", "198.51.100.0/24", "2001:db8:8000::/33"], &["198.51.100.0/24", "2001:db8::/32"]),
    ];
    for (given, expected) in cases {
        assert_eq!(texts(&set(given)), expected, "{given:?}");
    }
}

#[test]
fn the_ends_of_both_families() {
    let (v4, v6) = (set(&["0.0.0.0/0"]), set(&["::/0"]));
    assert_eq!(v4.count(), 1 << 32);
    assert_eq!(v6.count(), u128::MAX);
    assert!(v4.difference(&v4).is_empty() && v6.difference(&v6).is_empty());
    assert_eq!(v4.difference(&v6), v4);
    let inner = v4.difference(&set(&["0.0.0.0/32", "255.255.255.255/32"]));
    assert_eq!((inner.count(), texts(&inner).len()), ((1 << 32) - 2, 62));
    assert!(!inner.contains("0.0.0.0".parse().unwrap()) && inner.contains("0.0.0.1".parse().unwrap()));
    let inner = v6.difference(&set(&["::/128", "ffff:ffff:ffff:ffff:ffff:ffff:ffff:ffff/128"]));
    assert_eq!((inner.count(), texts(&inner).len()), (u128::MAX - 1, 254));
    let interval = |low: &str, high: &str| AddressSet::from((low.parse().unwrap(), high.parse().unwrap()));
    assert_eq!(interval("0.0.0.0", "255.255.255.255"), v4);
    assert!(interval("203.0.113.2", "203.0.113.1").is_empty() && interval("203.0.113.2", "2001:db8::").is_empty());
    assert_eq!(v4.union(&v6).of(Family::Ipv6), v6);
}

/// Prefixes from a corner of each family, so that they meet; a bit set says what is in them.
const CORNER: u8 = 24;

fn corner() -> impl Strategy<Value = Vec<(bool, u8, u8)>> {
    proptest::collection::vec((any::<bool>(), any::<u8>(), 0u8..=8), 0..12)
}

fn build(prefixes: &[(bool, u8, u8)]) -> (AddressSet, [[bool; 256]; 2]) {
    let mut bits = [[false; 256]; 2];
    let prefixes = prefixes.iter().map(|&(is_v6, at, length)| {
        let size = 256usize >> length;
        let first = usize::from(at) / size * size;
        bits[usize::from(is_v6)][first..first + size].fill(true);
        match is_v6 {
            // The last corner of IPv4 and the first of IPv6: both ends of the numbers.
            false => IpNet::new([255, 255, 255, at].into(), CORNER + length).unwrap(),
            true => IpNet::new(Ipv6Addr::from_bits(at.into()).into(), 120 + length).unwrap(),
        }
    });
    (prefixes.collect(), bits)
}

fn member(set: &AddressSet, is_v6: bool, at: u8) -> bool {
    set.contains(if is_v6 { Ipv6Addr::from_bits(at.into()).into() } else { [255, 255, 255, at].into() })
}

proptest! {
    /// Address by address, the sets say what arrays of bits say; and what is written as prefixes reads back the same.
    #[test]
    fn it_is_set_arithmetic(ours in corner(), theirs in corner()) {
        let (our_set, our_bits) = build(&ours);
        let (their_set, their_bits) = build(&theirs);
        let results = [our_set.union(&their_set), our_set.difference(&their_set), our_set.intersection(&their_set)];
        let mut counts = [0u128; 3];
        for is_v6 in [false, true] {
            for at in 0..=255u8 {
                let (our, their) = (our_bits[usize::from(is_v6)][usize::from(at)], their_bits[usize::from(is_v6)][usize::from(at)]);
                for ((result, count), expected) in results.iter().zip(&mut counts).zip([our || their, our && !their, our && their]) {
                    prop_assert_eq!(member(result, is_v6, at), expected);
                    *count += u128::from(expected);
                }
            }
        }
        for (result, count) in results.iter().zip(counts) {
            prop_assert_eq!(result.count(), count);
            let prefixes: Vec<IpNet> = result.prefixes().collect();
            prop_assert_eq!(&prefixes.iter().copied().collect::<AddressSet>(), result);
            // No two of them are halves of one: fewer would do otherwise.
            for pair in prefixes.windows(2) {
                prop_assert!(pair[0].supernet() != pair[1].supernet() || pair[0].supernet().is_none());
            }
        }
    }
}

#[test]
fn an_interval_that_ends_before_it_begins_is_nothing() {
    for (low, high) in [("192.0.2.1", "192.0.2.9"), ("2001:db8::1", "2001:db8::9")] {
        let [low, high]: [IpAddr; 2] = [low, high].map(|end| end.parse().unwrap());
        assert!(AddressSet::from((high, low)).is_empty() && AddressSet::from((low, low)) == AddressSet::from(low));
        assert_eq!(AddressSet::from((low, high)).count(), 9);
    }
    let [v4, v6]: [IpAddr; 2] = ["192.0.2.1", "2001:db8::9"].map(|end| end.parse().unwrap());
    assert!(AddressSet::from((v4, v6)).is_empty());
}
