use std::collections::{BTreeMap, BTreeSet};
use std::net::IpAddr;

use proptest::prelude::*;

use super::{Entry, Rules, Table, Ticket, above};

const RULES: Rules = Rules { all: 12, kept: 3, each: 3, network: 5, site: 7 };

fn ip(text: &str) -> IpAddr {
    text.parse().unwrap()
}

/// Lets one in from there.
#[track_caller]
fn enter(table: &mut Table, from: &str) -> (Ticket, Vec<Ticket>) {
    match table.enter(ip(from)) {
        Entry::In(ticket, dropped) => (ticket, dropped),
        Entry::Full => panic!("no place for {from}"),
    }
}

#[test]
fn of_one_client_the_oldest_that_has_not_asked_goes() {
    let mut table = Table::new(RULES);
    let [first, second, third] = [1, 2, 3].map(|_| enter(&mut table, "203.0.113.7").0);
    assert_eq!(enter(&mut table, "203.0.113.8").1, []);
    table.asked(first);
    assert_eq!(enter(&mut table, "::ffff:203.0.113.7").1, [second]);
    table.asked(third);
    // Who has its answer goes before who has not asked.
    table.answered(third);
    assert_eq!(enter(&mut table, "203.0.113.7").1, [third]);
}

#[test]
fn who_is_being_answered_stays() {
    let mut table = Table::new(RULES);
    for _ in 0..3 {
        let (ticket, _) = enter(&mut table, "203.0.113.7");
        table.asked(ticket);
    }
    assert_eq!(table.enter(ip("203.0.113.7")), Entry::Full);
    enter(&mut table, "203.0.113.8");
}

#[test]
fn a_network_and_a_site_have_their_shares() {
    let mut table = Table::new(RULES);
    let first = enter(&mut table, "203.0.113.0").0;
    for host in 1..5 {
        assert_eq!(enter(&mut table, &format!("203.0.113.{host}")).1, []);
    }
    assert_eq!(enter(&mut table, "203.0.113.200").1, [first]);
    assert_eq!(enter(&mut table, "198.51.100.1").1, []);
    let mut table = Table::new(RULES);
    let first = enter(&mut table, "2001:db8:1:100::").0;
    for subnet in 1..5 {
        assert_eq!(enter(&mut table, &format!("2001:db8:1:10{subnet}::")).1, []);
    }
    assert_eq!(enter(&mut table, "2001:db8:1:1ff::").1, [first], "five of one /56");
    assert_eq!(enter(&mut table, "2001:db8:1:200::").1, []);
    assert_eq!(enter(&mut table, "2001:db8:1:300::").1, []);
    assert_eq!(enter(&mut table, "2001:db8:1:400::").1.len(), 1, "seven of one /48");
    assert_eq!(enter(&mut table, "2001:db8:2::").1, []);
}

#[test]
fn places_are_kept_for_this_machine() {
    let mut table = Table::new(RULES);
    let strangers: Vec<_> = (0..9).map(|net| enter(&mut table, &format!("198.51.{net}.1")).0).collect();
    assert_eq!(enter(&mut table, "198.51.100.1").1, strangers[..1]);
    for _ in 0..3 {
        assert_eq!(enter(&mut table, "127.0.0.1").1, []);
    }
    // More of this machine take strangers' places, and those never take one of its.
    assert_eq!(enter(&mut table, "::1").1, strangers[1..2]);
    assert_eq!(enter(&mut table, "198.51.101.1").1, strangers[2..3]);
}

#[derive(Clone, Debug)]
enum Step {
    Enter(IpAddr),
    Asked(usize),
    Answered(usize),
    Left(usize),
}

/// A few networks, so that each limit is met.
fn address() -> impl Strategy<Value = IpAddr> {
    prop_oneof![
        (0_u8..3, 0_u8..4).prop_map(|(net, host)| IpAddr::from([203, 0, net, host])),
        (0_u16..3, 0_u16..0x300).prop_map(|(site, net)| IpAddr::from([0x2001, 0xdb8, site, net, 0, 0, 0, 1])),
        Just(ip("127.0.0.1")),
        Just(ip("::1")),
    ]
}

fn step() -> impl Strategy<Value = Step> {
    prop_oneof![
        4 => address().prop_map(Step::Enter),
        2 => (0_usize..12).prop_map(Step::Asked),
        1 => (0_usize..12).prop_map(Step::Answered),
        1 => (0_usize..12).prop_map(Step::Left),
    ]
}

proptest! {
    /// Beside a model that only remembers who is in: no share is exceeded, who is answered stays, no stranger takes a place
    /// of this machine, and nobody is turned away, nor dropped, without need.
    #[test]
    fn everybody_has_a_share_and_no_more(steps in prop::collection::vec(step(), 1..200)) {
        let mut table = Table::new(RULES);
        let mut inside: BTreeMap<Ticket, (IpAddr, bool)> = BTreeMap::new();
        let shares = |from: IpAddr| match from {
            IpAddr::V4(_) => vec![(32, RULES.each), (24, RULES.network)],
            IpAddr::V6(_) => vec![(64, RULES.each), (56, RULES.network), (48, RULES.site)],
        };
        for step in steps {
            let nth = |at: usize| inside.keys().nth(at).copied();
            match step {
                Step::Enter(from) => {
                    let counted = |inside: &BTreeMap<Ticket, (IpAddr, bool)>, length| {
                        let same = |other: &IpAddr| other.is_ipv4() == from.is_ipv4() && above(*other, length) == above(from, length);
                        inside.values().filter(|(other, _)| same(other)).count()
                    };
                    let strangers = |inside: &BTreeMap<Ticket, (IpAddr, bool)>| inside.values().filter(|(from, _)| !from.is_loopback()).count();
                    let room = inside.len() < RULES.all && (from.is_loopback() || strangers(&inside) < RULES.all - RULES.kept);
                    let fits = room && shares(from).iter().all(|(length, most)| counted(&inside, *length) < *most);
                    match table.enter(from) {
                        Entry::In(ticket, dropped) => {
                            prop_assert_eq!(fits, dropped.is_empty());
                            for gone in &dropped {
                                let (whose, is_answered) = inside.remove(gone).unwrap();
                                prop_assert!(!is_answered);
                                prop_assert!(from.is_loopback() || !whose.is_loopback());
                            }
                            inside.insert(ticket, (from, false));
                            for (length, most) in shares(from) {
                                prop_assert!(counted(&inside, length) <= most);
                            }
                            prop_assert!(inside.len() <= RULES.all);
                            prop_assert!(from.is_loopback() || strangers(&inside) <= RULES.all - RULES.kept);
                        }
                        Entry::Full => prop_assert!(!fits),
                    }
                }
                Step::Asked(at) => if let Some(ticket) = nth(at) {
                    table.asked(ticket);
                    inside.get_mut(&ticket).unwrap().1 = true;
                },
                Step::Answered(at) => if let Some(ticket) = nth(at) {
                    table.answered(ticket);
                    inside.get_mut(&ticket).unwrap().1 = false;
                },
                Step::Left(at) => if let Some(ticket) = nth(at) {
                    table.left(ticket);
                    table.left(ticket);
                    inside.remove(&ticket);
                },
            }
            let known: BTreeSet<Ticket> = table.open.keys().copied().collect();
            prop_assert_eq!(known, inside.keys().copied().collect::<BTreeSet<_>>());
            prop_assert_eq!(table.groups.values().filter(|count| **count == 0).count(), 0);
        }
        // Nothing stays behind.
        for ticket in inside.into_keys() {
            table.left(ticket);
        }
        prop_assert!(table.groups.is_empty() && table.strangers == 0);
    }
}
