//! What the audit log tells beyond the newest round: since when, where the home has been, the newest entries. Pure.

use std::collections::{BTreeMap, VecDeque};
use std::time::Duration;

use super::address_history::{Move, What};
use super::history::count;
use super::model::{Line, Spread};
use crate::about::About;
use crate::audit::chain::{Entry, Known};
use crate::audit::words::sentence;
use crate::audit::{Ending, Event};
use crate::clock::{Step, Timestamp};
use crate::settings::Via;

/// How far back the home's addresses are told.
pub const SPAN: Duration = Duration::from_secs(90 * 24 * 60 * 60);

/// The newest entries that are shown.
pub const LINES: usize = 20;

/// The moves that are remembered, at most: a line that changes its address every hour for the whole span.
const MOVES: usize = 24 * 90;

/// What is remembered of the audit log. Bounded, however long the log is.
#[derive(Clone, Debug, Default, PartialEq)]
pub struct LogDigest {
    /// The newest entry's number.
    seq: u64,
    /// Where the home was, oldest first.
    moves: VecDeque<Move>,
    /// Newest first.
    lines: VecDeque<Line>,
    /// What is amiss, and since when: the line, and what it is about.
    found: BTreeMap<(Option<String>, About), Timestamp>,
    writes: BTreeMap<String, Timestamp>,
    spreads: BTreeMap<String, Spread>,
    /// How writes ended, by provider, since [`LogDigest::live`].
    endings: BTreeMap<String, BTreeMap<String, u64>>,
    live: bool,
}

impl LogDigest {
    /// From now on what happens is counted: what came before was in an earlier life.
    pub fn live(&mut self) {
        self.live = true;
    }

    /// Takes in the next entry; one that was heard before changes nothing.
    pub fn hear(&mut self, entry: Entry) {
        if entry.seq <= self.seq {
            return;
        }
        self.seq = entry.seq;
        if self.lines.len() == LINES {
            self.lines.pop_back();
        }
        self.lines.push_front(Line { seq: entry.seq, time: entry.time, text: sentence(&entry) });
        let time = entry.time;
        if let Some(told) = Move::of(&entry) {
            // What began before the span may still have lasted when it began: one more than the span has is kept.
            while self.moves.len() >= MOVES || self.moves.get(1).is_some_and(|next| time.since(next.time) > SPAN) {
                self.moves.pop_front();
            }
            self.moves.push_back(told);
        }
        let Known::Yes(event) = &entry.event else { return };
        match event {
            Event::Outcome { provider, result, .. } => {
                if *result == Ending::Done {
                    self.writes.insert(provider.clone(), time);
                }
                if self.live {
                    count(&mut self.endings, provider, result.word());
                }
            }
            Event::Spread { provider, servers, .. } => {
                let servers = servers.iter().map(|serving| (serving.server.clone(), serving.lag_ms)).collect();
                self.spreads.insert(provider.clone(), Spread { time, servers });
            }
            Event::Found { line, about, .. } => {
                self.found.entry((line.clone(), about.clone())).or_insert(time);
            }
            Event::Gone { line, about } => {
                self.found.remove(&(line.clone(), about.clone()));
            }
            Event::Clock(step) => self.shift(step),
            _ => {}
        }
    }

    /// What was dated before the clock was set moves along; the lines are shown as the log has them.
    fn shift(&mut self, step: &Step) {
        for told in &mut self.moves {
            step.shift(&mut told.time);
            if let What::NoRuling(since) = &mut told.what {
                step.shift(since);
            }
        }
        self.found.values_mut().chain(self.writes.values_mut()).for_each(|time| step.shift(time));
        self.spreads.values_mut().for_each(|spread| step.shift(&mut spread.time));
    }

    /// The number of the newest entry.
    pub fn entries(&self) -> u64 {
        self.seq
    }

    /// The newest entries, newest first.
    pub fn lines(&self) -> impl Iterator<Item = &Line> {
        self.lines.iter()
    }

    /// Since when what is amiss with `line`, known as `about`, has been so.
    pub fn since(&self, line: Option<&str>, about: &About) -> Option<Timestamp> {
        self.found.get(&(line.map(str::to_owned), about.clone())).copied()
    }

    /// When `provider` was last written to.
    pub fn last_write(&self, provider: &str) -> Option<Timestamp> {
        self.writes.get(provider).copied()
    }

    /// How the last write to `provider` that spread did so.
    pub fn spread(&self, provider: &str) -> Option<&Spread> {
        self.spreads.get(provider)
    }

    /// How writes ended.
    pub fn endings(&self) -> &BTreeMap<String, BTreeMap<String, u64>> {
        &self.endings
    }

    /// Where the home was, oldest first.
    pub fn moves(&self) -> impl Iterator<Item = &Move> {
        self.moves.iter()
    }

    /// Since when the home is where it is, over one line and family.
    pub(crate) fn settled_since(&self, via: &Via) -> Option<Timestamp> {
        let here = |told: &&Move| told.via == *via && matches!(told.what, What::Settled(_));
        self.moves.iter().rev().find(here).map(|told| told.time)
    }
}

#[cfg(test)]
mod tests;
