use std::net::{IpAddr, Ipv6Addr};

use crate::testing::like;
use proptest::prelude::*;

use super::addresses_in;

fn told(text: &str) -> Vec<String> {
    let mut found: Vec<String> = addresses_in(text)
        .into_iter()
        .map(|written| written.range.map_or_else(|| written.address.to_string(), |range| range.to_string()))
        .collect();
    found.sort();
    found.dedup();
    found
}

#[test]
fn each_notation_is_read() {
    for (text, found) in [
        ("203.0.113.77", &["203.0.113.77"][..]),
        ("ip=203.0.113.77.", &["203.0.113.77"]),
        ("\"203.0.113.77\",\"203.0.113.8\"", &["203.0.113.77", "203.0.113.8"]),
        ("203.0.113.77:443", &["203.0.113.77"]),
        ("ip4:203.0.113.77/32", &["203.0.113.77/32"]),
        ("net 203.0.113.64/27", &["203.0.113.64/27"]),
        ("https://203.0.113.77/32", &["203.0.113.77"]),
        ("https://me@203.0.113.77:8443/x", &["203.0.113.77"]),
        ("origin203.0.113.77x", &["203.0.113.77"]),
        ("203.0.113.77.heronmill.example", &["203.0.113.77"]),
        ("ec2-203-0-113-77.host.example", &["203.0.113.77"]),
        ("77.113.0.203.in-addr.arpa", &["203.0.113.77"]),
        ("77.64/26.113.0.203.IN-ADDR.ARPA.", &["203.0.113.77"]),
        ("113.0.203.in-addr.arpa", &["203.0.113.0/24"]),
        ("addr 2001:db8::1 end", &["2001:db8::1"]),
        ("k=2001:db8::1;", &["2001:db8::1"]),
        ("ip6:2001:DB8::1", &["2001:db8::1"]),
        ("2001:0db8:0000:0000:0000:0000:0000:0001", &["2001:db8::1"]),
        ("2001:db8:0:0:0:0:0.0.0.1", &["0.0.0.1", "2001:db8::1"]),
        ("::ffff:203.0.113.77", &["203.0.113.77", "::ffff:203.0.113.77"]),
        ("::ffff:cb00:714d", &["::ffff:203.0.113.77"]),
        ("http://[2001:db8::1]:80/", &["2001:db8::1"]),
        ("http://x.example/?ip=2001%3adb8%3A%3A1&y", &["2001:db8::1"]),
        ("2001:db8:0:0:0:0:0:1:443", &["2001:db8::1"]),
        ("2001:db8::1.", &["2001:db8::1"]),
        ("net 2001:db8:5::/48", &["2001:db8:5::/48"]),
        ("ip-2001-db8--1.host.example", &["2001:db8::1"]),
        ("2001-0db8-0000-0000-0000-0000-0000-0001-static", &["2001:db8::1"]),
        ("1.0.0.0.0.0.0.0.0.0.0.0.0.0.0.0.0.0.0.0.0.0.0.0.8.B.D.0.1.0.0.2.ip6.arpa", &["2001:db8::1"]),
        ("x.5.0.0.0.8.b.d.0.1.0.0.2.ip6.arpa.", &["2001:db8:5::/48"]),
    ] {
        let told = told(text);
        for address in found {
            assert!(told.iter().any(|told| told == address), "{text}: {told:?} lacks {address}");
        }
        // Tails of an IPv6 address are addresses too: they begin with another group.
        let odd = told
            .iter()
            .filter(|told| !found.contains(&told.as_str()) && !told.starts_with("::") && !told.starts_with("6:"));
        assert_eq!(odd.count(), 0, "{text}: {told:?}");
    }
}

#[test]
fn what_only_resembles_an_address_is_none() {
    for text in [
        "1203.0.113.77",
        "203.0.113.771",
        "203.0.113.77.1",
        "5.203.0.113.77",
        "203.0.113",
        "203.0.113.077",
        "203.0.113.256",
        "203.0.113-77",
        "1-203-0-113-77",
        "203-0-113-77-1",
        "203,0,113,77",
        "2026-11-24T08:14:31Z",
        "00:11:22:33:44:55",
        "0fb5a3f1-11d2-4a2e-9b1c-203011377000",
        "1.1.0.0.0.0.0.0.0.0.0.0.0.0.0.0.0.0.0.0.0.0.0.0.0.8.b.d.0.1.0.0.2.ip6.arpa",
        "77.113.0.203.in-addr.arpart",
        "1:2001:db8:0:0:0:0:0:1",
        "2001:db8:0:0:0:0:0:1:2:3",
        "2001:db8::1::2",
        "20011:db8:0:0:0:0:0:1",
    ] {
        let told = told(text);
        // What stands there may be another address.
        let ours = ["203.0.113.77", "2001:db8::1", "2001:db8::1/128"];
        assert!(!told.iter().any(|told| ours.contains(&told.as_str())), "{text}: {told:?}");
    }
}

proptest! {
    /// std's own text of an address is found whatever words stand around it.
    #[test]
    fn an_address_between_words_is_found(address: IpAddr, before in like("[g-z =,;\\[(\"]{0,8}"), after in like("[g-z =,;\\])\"]{0,8}")) {
        let text = format!("{before}{address}{after}");
        prop_assert!(addresses_in(&text).iter().any(|found| found.address == address), "{}", text);
    }

    /// With dashes, in all its groups, and reversed.
    #[test]
    fn an_address_is_found_in_other_forms(address: Ipv6Addr, before in like("[g-z =]{0,4}[g-z =]?"), after in like("[g-z =]?[g-z =]{0,4}")) {
        let groups = address.segments();
        let long: Vec<String> = groups.iter().map(|group| format!("{group:04x}")).collect();
        let nibbles: Vec<String> = long.concat().chars().rev().map(String::from).collect();
        for text in [long.join(":"), long.join("-"), address.to_string().replace(':', "-")] {
            // With an IPv4 address at its end it has no form with dashes.
            if text.matches('-').count() < 8 && !address.to_string().contains('.') {
                let text = format!("{before}{text}{after}");
                prop_assert!(addresses_in(&text).iter().any(|found| found.address == address), "{}", text);
            }
        }
        let text = format!("{}.ip6.arpa", nibbles.join("."));
        prop_assert!(addresses_in(&text).iter().any(|found| found.address == address), "{}", text);
    }
}
