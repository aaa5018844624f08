use std::net::IpAddr;

use super::{NameAnswer, families, masked};
use crate::address::set::AddressSet;
use crate::exposure::Grade;
use crate::exposure::home::Home;

const NAME: &str = "gauge.heronmill.example";

fn edge() -> AddressSet {
    ["198.51.100.64/28", "2001:db8:e::/48"].iter().map(|range| range.parse::<ipnet::IpNet>().unwrap()).collect()
}

fn home() -> Home {
    Home::new(["203.0.113.77", "2001:db8:5::77"].map(|text| text.parse().unwrap()), 64)
}

fn told(source: &str, addresses: &[&str]) -> NameAnswer {
    let addresses: Result<Vec<IpAddr>, _> = addresses.iter().map(|text| text.parse()).collect();
    let addresses =
        addresses.map_or_else(|_| Err("no answer in time".to_owned()), |found| Ok(found.into_iter().collect()));
    NameAnswer { source: source.to_owned(), addresses }
}

#[test]
fn a_name_is_masked_when_all_who_are_asked_tell_edge_addresses_only() {
    let silent = || told("r2", &["?"]);
    for (all, grade, seen) in [
        (
            vec![told("r1", &["198.51.100.70", "2001:db8:e::70"]), told("r2", &["198.51.100.71"])],
            Grade::Good,
            "198.51.100.70, 198.51.100.71, 2001:db8:e::70 by r1, r2",
        ),
        (
            vec![told("r1", &["198.51.100.70"]), told("r2", &["203.0.113.77"])],
            Grade::Amiss,
            "r2 tells 203.0.113.77, the home's own address",
        ),
        // Another host behind the home's prefix.
        (
            vec![told("r1", &["2001:db8:5::10"]), told("r2", &["2001:db8:5::10"])],
            Grade::Amiss,
            "r1, r2 tell 2001:db8:5::10, the home's own address",
        ),
        (
            vec![told("r1", &["198.51.100.80"]), told("r2", &["198.51.100.70"])],
            Grade::Amiss,
            "r1 tells 198.51.100.80, which is not in the edge's ranges",
        ),
        // One is not two.
        (vec![told("r1", &["198.51.100.70"]), silent()], Grade::Unknown, "r2: no answer in time"),
        // What one tells is bad enough.
        (vec![told("r1", &["203.0.113.77"]), silent()], Grade::Amiss, "r1 tells 203.0.113.77, the home's own address"),
        (vec![told("r1", &["198.51.100.70"]), told("r2", &[])], Grade::Amiss, "r2 tells no address"),
        (vec![told("r1", &[]), told("r2", &[])], Grade::Amiss, "r1, r2 tell no address"),
        (vec![], Grade::Unknown, "nobody was asked"),
    ] {
        let finding = masked(NAME, &edge(), &home(), &all, 2);
        assert_eq!((finding.grade, finding.seen.as_str()), (grade, seen), "{all:?}");
        assert_eq!(finding.todo.is_empty(), grade == Grade::Good);
    }
}

/// An edge range may by mistake hold the home's own address: that masks nothing.
#[test]
fn the_homes_address_is_never_the_edges() {
    let edge = edge().union(&AddressSet::from("203.0.113.77".parse::<IpAddr>().unwrap()));
    let all = [told("r1", &["203.0.113.77"]), told("r2", &["203.0.113.77"])];
    assert_eq!(masked(NAME, &edge, &home(), &all, 2).grade, Grade::Amiss);
}

#[test]
fn a_family_that_goes_around_the_edge_is_named() {
    for (addresses, grade, seen) in [
        (&["198.51.100.70", "2001:db8:e::70"][..], Grade::Good, "both lead to the edge"),
        (&["198.51.100.70"], Grade::Good, "IPv4 only"),
        (&["2001:db8:e::70"], Grade::Good, "IPv6 only"),
        (
            &["198.51.100.70", "2001:db8:5::10"],
            Grade::Amiss,
            "IPv6 goes around the edge, to 2001:db8:5::10, while IPv4 leads there",
        ),
        (
            &["203.0.113.77", "2001:db8:e::70"],
            Grade::Amiss,
            "IPv4 goes around the edge, to 203.0.113.77, while IPv6 leads there",
        ),
        (
            &["198.51.100.70", "2001:db8:e::70", "2001:db8:f::1"],
            Grade::Amiss,
            "IPv6 goes around the edge, to 2001:db8:f::1, while IPv4 leads there",
        ),
        (&["203.0.113.77", "2001:db8:5::10"], Grade::Good, "they agree: see the check `masked`"),
        (&["203.0.113.77"], Grade::Good, "they agree: see the check `masked`"),
        (&[], Grade::Unknown, "no address is known"),
    ] {
        let finding = families(NAME, &edge(), &[told("r1", addresses)]);
        assert_eq!((finding.grade, finding.seen.as_str()), (grade, seen), "{addresses:?}");
    }
}
