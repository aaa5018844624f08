use proptest::prelude::*;

use super::*;
use crate::settings::Shortest;

fn edge() -> Edge {
    Edge {
        name: "weir".into(),
        sources: Vec::new(),
        shortest: Shortest { ipv4: 8, ipv6: 19 },
        may_lose: 30,
        may_gain: 100,
    }
}

fn set(text: &str) -> AddressSet {
    text.split_whitespace().map(|range| range.parse::<IpNet>().unwrap()).collect()
}

/// The documentation ranges stand for an edge's.
fn lab() -> Vec<IpNet> {
    ["192.0.2.0/24", "198.51.100.0/24", "203.0.113.0/24", "2001:db8::/32"].iter().map(|r| r.parse().unwrap()).collect()
}

fn said(new: &str, before: Option<&str>) -> String {
    let before = before.map(set);
    match check(&edge(), &set(new), before.as_ref(), false, &lab()) {
        Ok(()) => "taken".into(),
        Err(doubtful) => {
            let accepted = check(&edge(), &set(new), before.as_ref(), true, &lab());
            assert_eq!(accepted.is_ok(), doubtful.is_acceptable(), "{doubtful}");
            doubtful.to_string()
        }
    }
}

#[test]
fn ranges_that_are_no_edges_are_refused() {
    for (new, want) in [
        ("192.0.2.0/24 2001:db8::/32", "taken"),
        ("0.0.0.0/0", "0.0.0.0/0 is shorter than /8: so many addresses are no edge's; if they are, lower `shortest`"),
        // Two halves are the whole all the same.
        (
            "0.0.0.0/1 128.0.0.0/1",
            "0.0.0.0/0 is shorter than /8: so many addresses are no edge's; if they are, lower `shortest`",
        ),
        ("::/0", "::/0 is shorter than /19: so many addresses are no edge's; if they are, lower `shortest`"),
        ("2001::/16", "2001::/16 is shorter than /19: so many addresses are no edge's; if they are, lower `shortest`"),
        (
            "192.0.2.0/24 10.0.0.0/8",
            "it holds 10.0.0.0: 10.0.0.0/8 is private, RFC 1918: the router's inside, where nothing from outside can reach you",
        ),
        (
            "192.168.7.0/24",
            "it holds 192.168.7.0: 192.168.0.0/16 is private, RFC 1918: the router's inside, where nothing from outside can reach you",
        ),
        // Only a part of it is special.
        (
            "172.0.0.0/8",
            "it holds 172.16.0.0: 172.16.0.0/12 is private, RFC 1918: the router's inside, where nothing from outside can reach you",
        ),
        (
            "fd00::/19",
            "it holds fd00::: fc00::/7 is unique local, RFC 4193: the router's inside, where nothing from outside can reach you",
        ),
    ] {
        assert_eq!(said(new, None), want, "{new}");
    }
    for new in [
        "100.64.0.0/10",
        "127.0.0.1/32",
        "224.0.0.0/8",
        "255.255.255.255/32",
        "4000::/19",
        "::ffff:192.0.2.0/120",
        "fe80::/64",
    ] {
        assert!(said(new, None).starts_with("it holds "), "{new}: {}", said(new, None));
    }
    // Without the laboratory's leave.
    assert!(check(&edge(), &set("192.0.2.0/24"), None, true, &[]).is_err());
}

#[test]
fn a_change_that_is_too_large_waits_for_a_person() {
    let accept = "look at the list, and if it is right take it with `fingerpost allowlist fetch --accept`";
    let half = "192.0.2.0/25";
    let whole = "192.0.2.0/24";
    for (new, before, want) in [
        (whole, whole, "taken".to_owned()),
        (half, whole, format!("50 percent of its IPv4 addresses are gone, and `may_lose` is 30 percent; {accept}")),
        // As many, but not the same ones.
        (
            "198.51.100.0/24",
            whole,
            format!("100 percent of its IPv4 addresses are gone, and `may_lose` is 30 percent; {accept}"),
        ),
        (whole, half, "taken".into()),
        (
            "192.0.2.0/24 198.51.100.0/25",
            half,
            format!("its IPv4 addresses grew by 200 percent, and `may_gain` is 100 percent; {accept}"),
        ),
        ("192.0.2.0/24 2001:db8::/32", whole, format!("it has IPv6 addresses, and had none before; {accept}")),
        (
            whole,
            "192.0.2.0/24 2001:db8::/32",
            format!("100 percent of its IPv6 addresses are gone, and `may_lose` is 30 percent; {accept}"),
        ),
        (
            "192.0.2.0/24 2001:db8::/33",
            "192.0.2.0/24 2001:db8::/32",
            format!("50 percent of its IPv6 addresses are gone, and `may_lose` is 30 percent; {accept}"),
        ),
    ] {
        assert_eq!(said(new, Some(before)), want, "{new} after {before}");
    }
    // Ten times as many.
    let ten = (0..10).map(|n| format!("198.51.100.{}/28 ", n * 16)).collect::<String>();
    assert!(said(&ten, Some("198.51.100.0/28")).starts_with("its IPv4 addresses grew by 900 percent"));
}

#[test]
fn the_bounds_are_inclusive() {
    let share = |count, of, most| Share { family: Family::Ipv4, count, of, most }.is_too_much();
    for (count, of, most, too_much) in [
        (30, 100, 30, false),
        (31, 100, 30, true),
        (3, 10, 30, false),
        (4, 10, 30, true),
        (0, 1, 0, false),
        (1, u128::MAX, 0, true),
        (u128::MAX, u128::MAX, 100, false),
        (u128::MAX, u128::MAX / 2, 100, true),
        (u128::MAX, 1, 100, true),
    ] {
        assert_eq!(share(count, of, most), too_much, "{count} of {of}, at most {most} percent");
    }
}

proptest! {
    /// Against the rule as it is written down, where it fits.
    #[test]
    fn the_share_is_exact(count in 0..u128::from(u64::MAX), of in 1..u128::from(u64::MAX), most in 0..10_000_u32) {
        let share = Share { family: Family::Ipv6, count, of, most };
        prop_assert_eq!(share.is_too_much(), count * 100 > of * u128::from(most));
    }

    #[test]
    fn the_text_never_panics(count: u128, of in 1..u128::MAX) {
        let _ = Share { family: Family::Ipv6, count, of, most: 0 }.to_string();
    }
}
