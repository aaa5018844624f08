//! Where the home has been, and when nobody could tell: from the audit log's entries. Pure.

use std::collections::BTreeMap;
use std::net::IpAddr;
use std::time::Duration;

use super::model::Stay;
use crate::audit::Event;
use crate::audit::chain::{Entry, Known};
use crate::clock::Timestamp;
use crate::settings::Via;

/// What one entry tells of where the home is.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Move {
    /// When it was written.
    pub time: Timestamp,
    /// The line and family.
    pub via: Via,
    /// What it tells.
    pub what: What,
}

/// What is told.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum What {
    /// From now on it is there.
    Settled(IpAddr),
    /// Since then, and until now, there was no ruling.
    NoRuling(Timestamp),
}

impl Move {
    /// What `entry` tells, if it tells of that.
    pub fn of(entry: &Entry) -> Option<Self> {
        let Known::Yes(event) = &entry.event else { return None };
        let (line, family, what) = match event {
            Event::Settled { line, family, to, .. } => (line, family, What::Settled(*to)),
            Event::Outage { line, family, since, .. } => (line, family, What::NoRuling(*since)),
            _ => return None,
        };
        Some(Self { time: entry.time, via: Via { line: line.clone(), family: *family }, what })
    }
}

/// The stays and the times without a ruling that reach into the `span` before `now`, by line and family, oldest first;
/// a stay goes on through a time without a ruling. `moves` are in the order of the log.
pub fn stays<'a>(moves: impl IntoIterator<Item = &'a Move>, now: Timestamp, span: Duration) -> Vec<Stay> {
    let begin = now.minus(span);
    let mut by_via: BTreeMap<&Via, Vec<Stay>> = BTreeMap::new();
    for Move { time, via, what } in moves {
        let all = by_via.entry(via).or_default();
        let stay = |address, from, to| Stay { line: via.line.clone(), family: via.family, address, from, to };
        match what {
            What::Settled(to) => {
                if let Some(last) = all.iter_mut().rev().find(|stay| stay.address.is_some() && stay.to.is_none()) {
                    last.to = Some(*time);
                }
                all.push(stay(Some(to.to_string()), *time, None));
            }
            What::NoRuling(since) => all.push(stay(None, *since, Some(*time))),
        }
    }
    let mut all: Vec<Stay> = by_via.into_values().flatten().collect();
    all.retain(|stay| stay.to.is_none_or(|to| to > begin));
    for stay in &mut all {
        stay.from = stay.from.max(begin);
    }
    all
}

#[cfg(test)]
mod tests;
