use std::collections::BTreeMap;

use super::*;
use crate::allowlist::firewall::{Doubt, LetIn, Way};
use crate::name::DnsName;

const GAUGE: &str = "gauge.heronmill.example";

fn set(ranges: &[&str]) -> AddressSet {
    ranges.iter().map(|range| range.parse::<ipnet::IpNet>().unwrap()).collect()
}

fn service() -> Service {
    Service {
        name: DnsName::parse(GAUGE).unwrap(),
        front: None,
        port: 443,
        origin: "192.168.1.10:8443".parse().unwrap(),
        ca: None,
    }
}

fn mapping(remote: &str, port: u16, client: &str) -> Mapping {
    let (remote, client, description) = (remote.into(), client.into(), "gauge".into());
    Mapping { remote, port, is_tcp: true, enabled: true, client, description }
}

#[test]
fn the_firewall_is_good_when_it_lets_in_the_edge_and_nobody_else() {
    let edge = set(&["198.51.100.64/28", "2001:db8:e::/48"]);
    let way = |ranges: &[&str], by: &str| Way { set: set(ranges), by: by.to_owned() };
    let doubt = Doubt { set: set(&["2001:db8:f::/48"]), by: "handle 9".into(), why: "`meta mark`".into() };
    let exact = way(&["198.51.100.64/28", "2001:db8:e::/48"], "handle 4");
    for (ways, doubts, grade, seen) in [
        (vec![exact.clone()], vec![], Grade::Good, "port 443: exactly those who should get in do"),
        (
            vec![exact.clone(), way(&["0.0.0.0/0"], "handle 7")],
            vec![],
            Grade::Amiss,
            // Private, shared and other special ranges come from nowhere outside.
            " by handle 7",
        ),
        (
            vec![way(&["198.51.100.64/28"], "handle 4")],
            vec![],
            Grade::Amiss,
            "port 443: IPv6: 0 too many get in, about 10^24 missing; missing: 2001:db8:e::/48",
        ),
        (vec![exact], vec![doubt], Grade::Unknown, "unknown: 2001:db8:f::/48: handle 9, `meta mark`"),
    ] {
        let comparison = Comparison::new(&edge, &LetIn { ways, doubts, ..LetIn::default() }, &AddressSet::default());
        let found = allowlist(GAUGE, 443, &Ok(BTreeMap::from([(443, comparison)])));
        assert_eq!((found.check, found.grade), (Check::Allowlist, grade), "{}", found.seen);
        assert!(found.seen.contains(seen), "{}", found.seen);
        assert_eq!(found.todo.is_empty(), grade == Grade::Good);
    }
    let unseen = allowlist(GAUGE, 443, &Err("`nft`: it cannot be run".into()));
    assert_eq!((unseen.grade, unseen.seen.as_str()), (Grade::Unknown, "`nft`: it cannot be run"));
    let other = allowlist(GAUGE, 443, &Ok(BTreeMap::from([(8443, Comparison::default())])));
    assert_eq!((other.grade, other.seen.as_str()), (Grade::Unknown, "port 443 is not compared"));
}

#[test]
fn a_mapping_for_everybody_is_named() {
    let (service, edge) = (service(), set(&["198.51.100.64/28"]));
    let here = "192.168.1.10:8443";
    let inside = set(&["10.0.0.0/8"]);
    let judge =
        |filtered, mappings: &[Mapping]| forwarding(&[(&service, &edge)], filtered, &inside, &Ok(mappings.to_vec()));
    for (mappings, filtered, grade, seen) in [
        (vec![], false, Grade::Good, "no mapping leads to a service"),
        (
            vec![mapping("", 443, here)],
            false,
            Grade::Amiss,
            "TCP port 443 (mapping \"gauge\" to 192.168.1.10:8443) is led to gauge.heronmill.example for everybody",
        ),
        (vec![mapping("0.0.0.0", 443, here)], false, Grade::Amiss, "for everybody"),
        // Another port from outside, the same service.
        (vec![mapping("", 9000, here)], false, Grade::Amiss, "TCP port 9000"),
        (vec![mapping("", 0, here)], false, Grade::Amiss, "TCP all other ports"),
        (vec![mapping("192.0.2.99", 443, here)], false, Grade::Amiss, "for 192.0.2.99"),
        (vec![mapping("198.51.100.70", 443, here)], false, Grade::Good, "mappings are for the edge only"),
        // Nobody outside has it.
        (vec![mapping("10.0.0.9", 443, here)], false, Grade::Good, "mappings are for the edge only"),
        (vec![mapping("friend.example", 443, here)], false, Grade::Unknown, "friend.example"),
        (vec![mapping("", 443, here)], true, Grade::Good, "the firewall of this machine is behind it"),
        (vec![Mapping { enabled: false, ..mapping("", 443, here) }], false, Grade::Good, "no mapping"),
        (
            vec![Mapping { is_tcp: false, ..mapping("", 443, here) }],
            false,
            Grade::Good,
            "no mapping leads to a service; besides: UDP port 443",
        ),
        (vec![mapping("", 25_565, "192.168.1.20:25565")], false, Grade::Good, "besides: TCP port 25565"),
    ] {
        let found = judge(filtered, &mappings);
        assert_eq!((found.check, found.grade), (Check::Forwarding, grade), "{}", found.seen);
        assert!(found.seen.contains(seen), "{}", found.seen);
    }
    let silent = forwarding(&[(&service, &edge)], false, &inside, &Err("it does not answer".into()));
    assert_eq!((silent.grade, silent.seen.as_str()), (Grade::Unknown, "it does not answer"));
}
