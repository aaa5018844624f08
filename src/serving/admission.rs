//! Who is let in to a small server, and who has to go for it. Pure.
//!
//! Connections are counted by client, by the networks that it may have to itself, and all together. Where there is no place,
//! one is made by whoever only lingers after its answer, or else has not sent its request for the longest time: a client
//! that means it has sent its request at once. Who is being answered is never dropped.

use std::collections::{BTreeMap, HashMap};
use std::net::IpAddr;

use crate::address::special;

/// How many connections there may be at once.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(crate) struct Rules {
    /// All together.
    pub(crate) all: usize,
    /// Of those, how many are kept for this machine.
    pub(crate) kept: usize,
    /// Of one client: an IPv4 address, or the /64 of an IPv6 one.
    pub(crate) each: usize,
    /// Of one IPv4 /24, and of one IPv6 /56: a home's usual share (RIPE-690, section 4.2.2).
    pub(crate) network: usize,
    /// Of one IPv6 /48: the most that a site is given (RFC 6177, section 2).
    pub(crate) site: usize,
}

/// One connection that was let in.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord, Hash)]
pub(crate) struct Ticket(u64);

/// What becomes of a newcomer.
#[derive(Clone, Debug, PartialEq, Eq)]
pub(crate) enum Entry {
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
    /// It is being answered.
    Answering,
    /// It has its answer, and has not closed.
    Lingering,
}

/// Those who are counted together: the address with the bits behind the prefix left out, and the prefix's length.
type Group = (IpAddr, u8);

#[derive(Clone, Debug)]
struct Open {
    from: IpAddr,
    stage: Stage,
}

impl Open {
    /// Whether it has a place that is kept for this machine.
    fn is_local(&self) -> bool {
        self.from.is_loopback()
    }
}

/// The connections that are open. The oldest has the lowest ticket.
#[derive(Debug)]
pub(crate) struct Table {
    rules: Rules,
    last: u64,
    open: BTreeMap<Ticket, Open>,
    groups: HashMap<Group, usize>,
    strangers: usize,
}

impl Table {
    /// Nobody is in.
    pub(crate) fn new(rules: Rules) -> Self {
        Self { rules, last: 0, open: BTreeMap::new(), groups: HashMap::new(), strangers: 0 }
    }

    /// A connection from `from` has come.
    pub(crate) fn enter(&mut self, from: IpAddr) -> Entry {
        let newcomer = Open { from: special::unmap(from), stage: Stage::Waiting };
        let mut dropped = Vec::new();
        for (group, most) in groups(&self.rules, newcomer.from) {
            // Without those who go anyway.
            let gone = dropped.iter().filter(|ticket| self.is_of(**ticket, group)).count();
            if self.groups.get(&group).copied().unwrap_or_default() < most + gone {
                continue;
            }
            match self.spare(|open| groups(&self.rules, open.from).any(|(other, _)| other == group), &dropped) {
                Some(ticket) => dropped.push(ticket),
                None => return Entry::Full,
            }
        }
        let strangers = self.rules.all - self.rules.kept;
        let gone = dropped.iter().filter(|ticket| self.open.get(ticket).is_some_and(|open| !open.is_local())).count();
        let is_full = self.open.len() >= self.rules.all + dropped.len()
            || !newcomer.is_local() && self.strangers >= strangers + gone;
        if is_full {
            // For a stranger nobody on this machine has to go.
            let stranger = self.spare(|open| !open.is_local(), &dropped);
            match stranger.or_else(|| self.spare(|_| newcomer.is_local(), &dropped)) {
                Some(ticket) => dropped.push(ticket),
                None => return Entry::Full,
            }
        }
        for ticket in &dropped {
            self.left(*ticket);
        }
        self.last += 1;
        let ticket = Ticket(self.last);
        for (group, _) in groups(&self.rules, newcomer.from) {
            *self.groups.entry(group).or_default() += 1;
        }
        self.strangers += usize::from(!newcomer.is_local());
        self.open.insert(ticket, newcomer);
        Entry::In(ticket, dropped)
    }

    /// The request has come.
    pub(crate) fn asked(&mut self, ticket: Ticket) {
        self.set(ticket, Stage::Answering);
    }

    /// The answer has been sent.
    pub(crate) fn answered(&mut self, ticket: Ticket) {
        self.set(ticket, Stage::Lingering);
    }

    /// Whether it is in.
    pub(crate) fn has(&self, ticket: Ticket) -> bool {
        self.open.contains_key(&ticket)
    }

    /// It is gone, if it was not before.
    pub(crate) fn left(&mut self, ticket: Ticket) {
        let Some(open) = self.open.remove(&ticket) else { return };
        for (group, _) in groups(&self.rules, open.from) {
            match self.groups.get_mut(&group) {
                Some(count) if *count > 1 => *count -= 1,
                _ => drop(self.groups.remove(&group)),
            }
        }
        self.strangers -= usize::from(!open.is_local());
    }

    fn set(&mut self, ticket: Ticket, stage: Stage) {
        if let Some(open) = self.open.get_mut(&ticket) {
            open.stage = stage;
        }
    }

    fn is_of(&self, ticket: Ticket, group: Group) -> bool {
        self.open.get(&ticket).is_some_and(|open| groups(&self.rules, open.from).any(|(other, _)| other == group))
    }

    /// Who goes first of those that `may`, and are not in `dropped`: the oldest that lingers, or else that waits.
    fn spare(&self, may: impl Fn(&Open) -> bool, dropped: &[Ticket]) -> Option<Ticket> {
        let oldest = |stage| {
            let mut all = self.open.iter().filter(|(ticket, open)| open.stage == stage && !dropped.contains(ticket));
            all.find(|(_, open)| may(open)).map(|(ticket, _)| *ticket)
        };
        oldest(Stage::Lingering).or_else(|| oldest(Stage::Waiting))
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
