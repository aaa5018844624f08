use std::collections::{BTreeMap, BTreeSet};
use std::net::IpAddr;

use ipnet::IpNet;
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
    let mut table = Table::new(RULES, &[]);
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
    let mut table = Table::new(RULES, &[]);
    for _ in 0..3 {
        let (ticket, _) = enter(&mut table, "203.0.113.7");
        table.asked(ticket);
    }
    assert_eq!(table.enter(ip("203.0.113.7")), Entry::Full);
    enter(&mut table, "203.0.113.8");
}

#[test]
fn a_network_and_a_site_have_their_shares() {
    let mut table = Table::new(RULES, &[]);
    let first = enter(&mut table, "203.0.113.0").0;
    for host in 1..5 {
        assert_eq!(enter(&mut table, &format!("203.0.113.{host}")).1, []);
    }
    assert_eq!(enter(&mut table, "203.0.113.200").1, [first]);
    assert_eq!(enter(&mut table, "198.51.100.1").1, []);
    let mut table = Table::new(RULES, &[]);
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
    let mut table = Table::new(RULES, &[]);
    let strangers: Vec<_> = (0..9).map(|net| enter(&mut table, &format!("198.51.{net}.1")).0).collect();
    assert_eq!(enter(&mut table, "198.51.100.1").1, strangers[..1]);
    for _ in 0..3 {
        assert_eq!(enter(&mut table, "127.0.0.1").1, []);
    }
    // More of this machine take strangers' places, and those never take one of its.
    assert_eq!(enter(&mut table, "::1").1, strangers[1..2]);
    assert_eq!(enter(&mut table, "198.51.101.1").1, strangers[2..3]);
}

fn range(text: &str) -> IpNet {
    text.parse().unwrap()
}

#[test]
fn places_are_kept_for_each_range() {
    // Half of the twelve places is kept: two for this machine, and two for each of the two ranges.
    let mut table = Table::new(RULES, &[range("198.51.0.0/16"), range("192.168.0.0/16")]);
    let crowd: Vec<_> = (0..8).map(|net| enter(&mut table, &format!("198.51.{net}.1")).0).collect();
    assert_eq!(enter(&mut table, "198.51.100.1").1, crowd[..1], "two of its own, and the six for whoever comes");
    for host in ["192.168.1.1", "192.168.2.1", "127.0.0.1", "127.0.0.2"] {
        assert_eq!(enter(&mut table, host).1, [], "{host} has a place");
    }
    assert_eq!(
        enter(&mut table, "203.0.113.1").1,
        crowd[1..2],
        "one for whoever comes, of those who have more than their own"
    );
    assert_eq!(enter(&mut table, "192.168.3.1").1, crowd[2..3]);
    let third = enter(&mut table, "192.168.4.1").1;
    assert_eq!(third, crowd[3..4]);
}

#[test]
fn who_does_not_take_its_answer_goes_last() {
    let mut table = Table::new(RULES, &[]);
    let [first, second] = [1, 2].map(|_| enter(&mut table, "203.0.113.7").0);
    table.asked(first);
    table.told(first);
    table.asked(second);
    let third = enter(&mut table, "203.0.113.7").0;
    assert_eq!(enter(&mut table, "203.0.113.7").1, [third]);
    let fourth = table.open.keys().last().copied().unwrap();
    table.asked(fourth);
    assert_eq!(enter(&mut table, "203.0.113.7").1, [first]);
}

#[test]
fn each_of_many_ranges_has_a_place() {
    let ranges: Vec<_> = (0..40).map(|net| range(&format!("10.{net}.0.0/16"))).collect();
    let mut table = Table::new(RULES, &ranges);
    for crowd in 0..50 {
        enter(&mut table, &format!("203.{crowd}.113.1"));
    }
    for net in 0..40 {
        assert_eq!(enter(&mut table, &format!("10.{net}.0.1")).1, []);
    }
}

#[derive(Clone, Debug)]
enum Step {
    Enter(IpAddr),
    Asked(usize),
    Told(usize),
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
        5 => address().prop_map(Step::Enter),
        2 => (0_usize..12).prop_map(Step::Asked),
        1 => (0_usize..12).prop_map(Step::Told),
        1 => (0_usize..12).prop_map(Step::Answered),
        1 => (0_usize..12).prop_map(Step::Left),
    ]
}

/// A model that only remembers who is in, and how far.
#[derive(Default)]
struct Model {
    ranges: Vec<IpNet>,
    inside: BTreeMap<Ticket, (IpAddr, u8)>,
}

const ANSWERING: u8 = 1;

impl Model {
    fn counted(&self, from: IpAddr, length: u8) -> usize {
        let same = |other: &IpAddr| other.is_ipv4() == from.is_ipv4() && above(*other, length) == above(from, length);
        self.inside.values().filter(|(other, _)| same(other)).count()
    }

    /// Whose places it has: none of its own, this machine's, or those of a range.
    fn party(&self, from: IpAddr) -> Option<usize> {
        let narrowest = self.ranges.iter().enumerate().filter(|(_, range)| range.contains(&from));
        let narrowest = narrowest.max_by_key(|(_, range)| range.prefix_len()).map(|(at, _)| at + 1);
        if from.is_loopback() { Some(0) } else { narrowest }
    }

    /// How many places each has to itself, and how many are for whoever comes.
    fn places(&self) -> (usize, usize) {
        let kept = RULES.kept.min(RULES.all / 2 / (self.ranges.len() + 1));
        (kept, RULES.all - kept * (self.ranges.len() + 1))
    }

    /// How many of the places for whoever comes are taken.
    fn taken(&self) -> usize {
        let mut parties = BTreeMap::<Option<usize>, usize>::new();
        self.inside.values().for_each(|(from, _)| *parties.entry(self.party(*from)).or_default() += 1);
        let beyond = |(party, count): (Option<usize>, usize)| match party {
            Some(_) => count.saturating_sub(self.places().0),
            None => count,
        };
        parties.into_iter().map(beyond).sum()
    }

    fn has_room(&self, from: IpAddr) -> bool {
        let own = self.party(from).is_some_and(|party| {
            let same = |(other, _): &&(IpAddr, u8)| self.party(*other) == Some(party);
            self.inside.values().filter(same).count() < self.places().0
        });
        own || self.taken() < self.places().1
    }
}

fn shares(from: IpAddr) -> Vec<(u8, usize)> {
    match from {
        IpAddr::V4(_) => vec![(32, RULES.each), (24, RULES.network)],
        IpAddr::V6(_) => vec![(64, RULES.each), (56, RULES.network), (48, RULES.site)],
    }
}

proptest! {
    /// Beside the model: no share is exceeded, who is being answered stays, nobody takes a place that is kept for another,
    /// and nobody is turned away, nor dropped, without need.
    #[test]
    fn everybody_has_a_share_and_no_more(with_ranges: bool, steps in prop::collection::vec(step(), 1..200)) {
        let ranges = if with_ranges { vec![range("203.0.1.0/24"), range("2001:db8::/47")] } else { vec![] };
        let mut table = Table::new(RULES, &ranges);
        let mut model = Model { ranges, ..Model::default() };
        for step in steps {
            let nth = |at: usize| model.inside.keys().nth(at).copied();
            match step {
                Step::Enter(from) => {
                    let fits = model.has_room(from) && shares(from).iter().all(|(length, most)| model.counted(from, *length) < *most);
                    match table.enter(from) {
                        Entry::In(ticket, dropped) => {
                            prop_assert_eq!(fits, dropped.is_empty());
                            for gone in &dropped {
                                let crowded = shares(from).iter().any(|(length, most)| model.counted(from, *length) >= *most);
                                prop_assert!(crowded || !model.has_room(from), "without need");
                                let (whose, stage) = model.inside.remove(gone).unwrap();
                                prop_assert!(stage != ANSWERING);
                                prop_assert!(from.is_loopback() || !whose.is_loopback());
                            }
                            model.inside.insert(ticket, (from, 0));
                            for (length, most) in shares(from) {
                                prop_assert!(model.counted(from, length) <= most);
                            }
                            prop_assert!(model.inside.len() <= RULES.all && model.taken() <= model.places().1);
                        }
                        Entry::Full => prop_assert!(!fits),
                    }
                }
                Step::Asked(at) => if let Some(ticket) = nth(at) {
                    table.asked(ticket);
                    model.inside.get_mut(&ticket).unwrap().1 = ANSWERING;
                },
                Step::Told(at) => if let Some(ticket) = nth(at) {
                    table.told(ticket);
                    model.inside.get_mut(&ticket).unwrap().1 = 2;
                },
                Step::Answered(at) => if let Some(ticket) = nth(at) {
                    table.answered(ticket);
                    model.inside.get_mut(&ticket).unwrap().1 = 3;
                },
                Step::Left(at) => if let Some(ticket) = nth(at) {
                    table.left(ticket);
                    table.left(ticket);
                    model.inside.remove(&ticket);
                },
            }
            let known: BTreeSet<Ticket> = table.open.keys().copied().collect();
            prop_assert_eq!(known, model.inside.keys().copied().collect::<BTreeSet<_>>());
            prop_assert!(table.groups.values().all(|line| line.count > 0));
        }
        // Nothing stays behind.
        for ticket in model.inside.into_keys() {
            table.left(ticket);
        }
        prop_assert!(table.groups.is_empty() && table.parties.iter().all(|line| line.count == 0 && line.spare.iter().all(BTreeSet::is_empty)));
    }
}
