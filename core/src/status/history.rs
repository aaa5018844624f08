//! The last rounds, witness by witness. Pure.

use std::collections::{BTreeMap, VecDeque};

use super::model::{Mark, Totals, Vote, Witness};
use crate::settings::Via;
use crate::watch::look::Look;
use crate::watch::vote::Outcome;

/// How many rounds are remembered: eight hours of rounds five minutes apart.
pub const ROUNDS: usize = 96;

/// What is remembered of one witness over one line and family.
#[derive(Clone, Debug, Default, PartialEq)]
struct Past {
    operator: String,
    marks: VecDeque<Mark>,
    /// The times of its answers in milliseconds, the newest last.
    took: VecDeque<u64>,
    said: String,
}

/// The last [`ROUNDS`] rounds, and what was counted since the start.
#[derive(Clone, Debug, Default, PartialEq)]
pub struct History {
    /// By line and family, then in the order in which they were first asked.
    pasts: BTreeMap<Via, Vec<(String, Past)>>,
    /// Votes and testimonies.
    totals: Totals,
}

impl History {
    /// Takes in the looks of one round.
    pub fn hear(&mut self, looks: &[Look]) {
        for look in looks {
            let via = look.via();
            count(&mut self.totals.rulings, &String::from(via.clone()), Vote::of(&look.ruling.outcome).word());
            let pasts = self.pasts.entry(via).or_default();
            for one in &look.testimony {
                let at = pasts.iter().position(|(name, _)| *name == one.witness).unwrap_or_else(|| {
                    // What happened before it was first asked is not known of it.
                    pasts.push((one.witness.clone(), Past::default()));
                    pasts.len() - 1
                });
                let Some((_, past)) = pasts.get_mut(at) else { continue };
                let mark = match (&one.said, &look.ruling.outcome) {
                    (Err(_), _) => Mark::Silent,
                    (Ok(said), Outcome::Agreed(agreed)) if said == agreed => Mark::Agreed,
                    (Ok(_), Outcome::Agreed(_)) => Mark::Dissented,
                    (Ok(_), _) => Mark::Undecided,
                };
                past.operator.clone_from(&one.operator);
                past.said = match &one.said {
                    Ok(address) => address.to_string(),
                    Err(silence) => silence.to_string(),
                };
                push(&mut past.marks, mark);
                if one.said.is_ok() {
                    push(&mut past.took, u64::try_from(one.took.as_millis()).unwrap_or(u64::MAX));
                }
                count(&mut self.totals.testimonies, &one.witness, word(mark));
            }
            for (name, past) in pasts.iter_mut() {
                if look.testimony.iter().all(|one| one.witness != *name) {
                    push(&mut past.marks, Mark::Unasked);
                }
            }
        }
    }

    /// Forgets the witnesses that are not among `names`: the configuration has changed.
    pub fn keep_only(&mut self, names: &[&str]) {
        for pasts in self.pasts.values_mut() {
            pasts.retain(|(name, _)| names.contains(&name.as_str()));
        }
        self.totals.testimonies.retain(|name, _| names.contains(&name.as_str()));
    }

    /// What was counted.
    pub fn totals(&self) -> &Totals {
        &self.totals
    }

    /// The witnesses, line by line and family by family.
    pub fn witnesses(&self) -> Vec<Witness> {
        let one = |via: &Via, name: &String, past: &Past| {
            let count = |mark| past.marks.iter().filter(|one| **one == mark).count();
            let asked = past.marks.len() - count(Mark::Unasked);
            let percent = (count(Mark::Agreed) * 100).checked_div(asked);
            Witness {
                name: name.clone(),
                operator: past.operator.clone(),
                line: via.line.clone(),
                family: via.family,
                marks: past.marks.iter().copied().collect(),
                agreed_percent: percent.and_then(|percent| percent.try_into().ok()),
                took_ms: median(&past.took),
                said: past.said.clone(),
            }
        };
        self.pasts.iter().flat_map(|(via, pasts)| pasts.iter().map(move |(name, past)| one(via, name, past))).collect()
    }
}

/// A mark in one word.
pub fn word(mark: Mark) -> &'static str {
    match mark {
        Mark::Agreed => "agreed",
        Mark::Dissented => "dissented",
        Mark::Undecided => "undecided",
        Mark::Silent => "silent",
        Mark::Unasked => "unasked",
    }
}

fn push<T>(ring: &mut VecDeque<T>, value: T) {
    if ring.len() == ROUNDS {
        ring.pop_front();
    }
    ring.push_back(value);
}

fn median(values: &VecDeque<u64>) -> Option<u64> {
    let mut sorted: Vec<u64> = values.iter().copied().collect();
    sorted.sort_unstable();
    sorted.get(sorted.len() / 2).copied()
}

/// Counts one more of `what` under `of`.
pub fn count(totals: &mut BTreeMap<String, BTreeMap<String, u64>>, of: &str, what: &str) {
    *totals.entry(of.to_owned()).or_default().entry(what.to_owned()).or_default() += 1;
}

#[cfg(test)]
mod tests;
