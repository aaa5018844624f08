//! Who is let in to a small server, and who has to go for it. Pure.
//!
//! Connections are counted by client, by the networks that it may have to itself, and all together. This machine, and each
//! range that the owner has named, has places of its own; the rest is for whoever comes. Where there is no place, one is made
//! by the oldest of those who only linger after their answer, or else have not sent their request, or else do not take their
//! answer: a client that means it has asked at once, and takes what it is told. Who is waiting for an answer of ours is never
//! dropped.

use std::collections::{BTreeMap, BTreeSet, HashMap};
use std::net::IpAddr;

use ipnet::IpNet;

use crate::address::special;

/// How many connections there may be at once.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Rules {
    /// All together, unless there are so many ranges that each could not have a place of its own.
    pub all: usize,
    /// Of those, how many are kept for this machine, and for each range that has places of its own: together no more than
    /// half of all.
    pub kept: usize,
    /// Of one client: an IPv4 address, or the /64 of an IPv6 one.
    pub each: usize,
    /// Of one IPv4 /24, and of one IPv6 /56: a home's usual share (RIPE-690, section 4.2.2).
    pub network: usize,
    /// Of one IPv6 /48: the most that a site is given (RFC 6177, section 2).
    pub site: usize,
}

/// One connection that was let in.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord, Hash)]
pub struct Ticket(u64);

/// What becomes of a newcomer.
#[derive(Clone, Debug, PartialEq, Eq)]
pub enum Entry {
    /// It is let in, and these have to go.
    In(Ticket, Vec<Ticket>),
    /// There is no place, and nobody who may be dropped for it.
    Full,
}

/// How far a connection has got.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
enum Stage {
    /// Its request has not come.
    Waiting,
    /// Its answer is being made.
    Answering,
    /// Its answer is on the way.
    Told,
    /// It has its answer, and has not closed.
    Lingering,
}

/// Those who are counted together: the address with the bits behind the prefix left out, and the prefix's length.
type Group = (IpAddr, u8);

/// Whose places a connection has: an index of [`Table::parties`].
type Party = usize;

/// The party of this machine.
const HERE: Party = 0;

#[derive(Clone, Debug)]
struct Open {
    from: IpAddr,
    party: Party,
    stage: Stage,
}

/// Some of the open connections: how many, and those who can be dropped, the oldest first.
#[derive(Clone, Debug, Default)]
struct Line {
    count: usize,
    /// By how far they have got: those in the first are dropped first.
    spare: [BTreeSet<Ticket>; 3],
}

impl Line {
    fn enter(&mut self, ticket: Ticket) {
        self.count += 1;
        self.put(ticket, Stage::Waiting);
    }

    fn leave(&mut self, ticket: Ticket) {
        self.count -= 1;
        for spare in &mut self.spare {
            spare.remove(&ticket);
        }
    }

    fn put(&mut self, ticket: Ticket, stage: Stage) {
        let order = order(stage);
        for (at, spare) in self.spare.iter_mut().enumerate() {
            if Some(at) == order {
                spare.insert(ticket);
            } else {
                spare.remove(&ticket);
            }
        }
    }
}

/// Who goes first; `None` stays.
fn order(stage: Stage) -> Option<usize> {
    match stage {
        Stage::Lingering => Some(0),
        Stage::Waiting => Some(1),
        Stage::Told => Some(2),
        Stage::Answering => None,
    }
}

/// Who goes first of all in these lines.
fn first<'l>(lines: impl Iterator<Item = &'l Line> + Clone) -> Option<Ticket> {
    let oldest = |at: usize| lines.clone().filter_map(|line| line.spare.get(at)?.first()).min().copied();
    (0..3).find_map(oldest)
}

/// The connections that are open. The oldest has the lowest ticket.
#[derive(Debug)]
pub struct Table {
    rules: Rules,
    /// The ranges that have places of their own, the narrowest first; the party of each is one more than its index.
    ranges: Vec<IpNet>,
    /// How many places each of those has, and how many are for whoever comes.
    kept: usize,
    shared: usize,
    last: u64,
    open: BTreeMap<Ticket, Open>,
    groups: HashMap<Group, Line>,
    /// This machine, each of the ranges, and at the end everybody else.
    parties: Vec<Line>,
}

impl Table {
    /// Nobody is in. This machine and each of `ranges` have places of their own.
    pub fn new(rules: Rules, ranges: &[IpNet]) -> Self {
        let mut ranges = ranges.to_vec();
        ranges.sort_by_key(|range| (std::cmp::Reverse(range.prefix_len()), *range));
        ranges.dedup();
        let half = rules.all / 2;
        let owners = ranges.len() + 1;
        let kept = if rules.kept == 0 { 0 } else { rules.kept.min(half / owners).max(1) };
        let shared = rules.all.saturating_sub(kept * owners).max(half);
        let parties = vec![Line::default(); owners + 1];
        Self { rules, ranges, kept, shared, last: 0, open: BTreeMap::new(), groups: HashMap::new(), parties }
    }

    /// A connection from `from` has come.
    pub fn enter(&mut self, from: IpAddr) -> Entry {
        let from = special::unmap(from);
        let party = self.party(from);
        let crowded = |table: &Self, (group, most): (Group, usize)| table.size(group) >= most;
        // Nobody goes for a newcomer that is not let in after all.
        let is_stuck = groups(&self.rules, from).any(|each| crowded(self, each) && self.of(each.0).is_none());
        if is_stuck || !self.has_place(party) && self.for_place(party).is_none() {
            return Entry::Full;
        }
        let mut dropped = Vec::new();
        for each in groups(&self.rules, from) {
            if crowded(self, each) {
                dropped.extend(self.of(each.0).inspect(|ticket| self.left(*ticket)));
            }
        }
        if !self.has_place(party) {
            dropped.extend(self.for_place(party).inspect(|ticket| self.left(*ticket)));
        }
        self.last += 1;
        let ticket = Ticket(self.last);
        self.open.insert(ticket, Open { from, party, stage: Stage::Waiting });
        self.lines(from, party, |line| line.enter(ticket));
        Entry::In(ticket, dropped)
    }

    /// The request has come.
    pub fn asked(&mut self, ticket: Ticket) {
        self.set(ticket, Stage::Answering);
    }

    /// The answer is on the way.
    pub fn told(&mut self, ticket: Ticket) {
        self.set(ticket, Stage::Told);
    }

    /// The answer has been sent.
    pub fn answered(&mut self, ticket: Ticket) {
        self.set(ticket, Stage::Lingering);
    }

    /// Whether it is in.
    pub fn has(&self, ticket: Ticket) -> bool {
        self.open.contains_key(&ticket)
    }

    /// It is gone, if it was not before.
    pub fn left(&mut self, ticket: Ticket) {
        let Some(open) = self.open.remove(&ticket) else { return };
        self.lines(open.from, open.party, |line| line.leave(ticket));
        for (group, _) in groups(&self.rules, open.from) {
            if self.size(group) == 0 {
                self.groups.remove(&group);
            }
        }
    }

    fn set(&mut self, ticket: Ticket, stage: Stage) {
        let Some(open) = self.open.get_mut(&ticket) else { return };
        open.stage = stage;
        let (from, party) = (open.from, open.party);
        self.lines(from, party, |line| line.put(ticket, stage));
    }

    /// Each line in which a connection of `party` from `from` stands.
    fn lines(&mut self, from: IpAddr, party: Party, mut each: impl FnMut(&mut Line)) {
        groups(&self.rules, from).for_each(|(group, _)| each(self.groups.entry(group).or_default()));
        self.parties.get_mut(party).into_iter().for_each(each);
    }

    fn size(&self, group: Group) -> usize {
        self.groups.get(&group).map_or(0, |line| line.count)
    }

    /// Who goes first of a group.
    fn of(&self, group: Group) -> Option<Ticket> {
        first(self.groups.get(&group).into_iter())
    }

    fn party(&self, from: IpAddr) -> Party {
        if from.is_loopback() {
            return HERE;
        }
        let at = self.ranges.iter().position(|range| range.contains(&from)).unwrap_or(self.ranges.len());
        at + 1
    }

    /// How many places `party` has to itself.
    fn own(&self, party: Party) -> usize {
        if party + 1 < self.parties.len() { self.kept } else { 0 }
    }

    /// Whether another of `party` finds a place.
    fn has_place(&self, party: Party) -> bool {
        let beyond = |(party, line): (Party, &Line)| line.count.saturating_sub(self.own(party));
        let count = self.parties.get(party).map_or(0, |line| line.count);
        count < self.own(party) || self.parties.iter().enumerate().map(beyond).sum::<usize>() < self.shared
    }

    /// Who goes first that one of `party` may have a place: of its own, and of those who have more than their places. For
    /// others nobody on this machine has to go.
    fn for_place(&self, party: Party) -> Option<Ticket> {
        let may = |other: Party, line: &Line| other == party || other != HERE && line.count > self.own(other);
        first(self.parties.iter().enumerate().filter(|(other, line)| may(*other, line)).map(|(_, line)| line))
    }
}

/// Whom a connection from `from` is counted with, and how many they may be.
fn groups(rules: &Rules, from: IpAddr) -> impl Iterator<Item = (Group, usize)> + use<> {
    let lengths = match from {
        IpAddr::V4(_) => [(32, rules.each), (24, rules.network), (0, usize::MAX)],
        IpAddr::V6(_) => [(64, rules.each), (56, rules.network), (48, rules.site)],
    };
    lengths
        .into_iter()
        .filter(|(length, _)| *length > 0)
        .map(move |(length, most)| ((above(from, length), length), most))
}

fn above(address: IpAddr, length: u8) -> IpAddr {
    match address {
        IpAddr::V4(address) => IpAddr::from((address.to_bits() & (u32::MAX << (32 - length))).to_be_bytes()),
        IpAddr::V6(address) => IpAddr::from((address.to_bits() & (u128::MAX << (128 - length))).to_be_bytes()),
    }
}

#[cfg(test)]
mod tests;
