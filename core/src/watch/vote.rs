//! The vote: testimony in, a ruling out. Pure.
//!
//! One vote an operator, however many witnesses it runs: else one party with many machines outvotes the others.
//! A ruling needs more than half of the operators *configured*, answering or not: silence never makes a minority win.

use std::collections::{BTreeMap, BTreeSet};
use std::fmt;
use std::net::IpAddr;

use serde::{Serialize, Serializer};

use super::Testimony;
use crate::settings::Quorum;

/// How the vote of one family ended.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize)]
#[serde(tag = "outcome", content = "address", rename_all = "kebab-case")]
pub enum Outcome {
    /// Enough operators say this address.
    Agreed(IpAddr),
    /// Enough operators answered, but not enough of them say the same.
    Split,
    /// Fewer operators answered than must agree.
    TooFew,
    /// No operator is configured for this family.
    NoneAsked,
}

/// An operator that answered without being for the address agreed on, if any was.
#[derive(Clone, Debug, PartialEq, Eq, Serialize)]
pub struct Dissent {
    /// The operator.
    pub operator: String,
    /// What its witnesses say; more than one address cost it its vote.
    pub said: Vec<IpAddr>,
}

/// The outcome of a vote and who stood where, operators in the order in which they were asked.
#[derive(Clone, Debug, PartialEq, Eq, Serialize)]
pub struct Ruling {
    /// How it ended.
    #[serde(flatten)]
    pub outcome: Outcome,
    /// The operators for the address agreed on.
    pub agreed: Vec<String>,
    /// The operators that said something else or, without a ruling, anything.
    pub dissent: Vec<Dissent>,
    /// The operators without an answer, and why.
    #[serde(serialize_with = "silent")]
    pub silent: Vec<(String, String)>,
    /// The operators that were not asked, because nothing was in doubt.
    pub unasked: Vec<String>,
    /// How many operators must agree.
    pub needed: usize,
    /// How many operators are configured for the family.
    pub operators: usize,
}

fn silent<S: Serializer>(silent: &[(String, String)], serializer: S) -> Result<S::Ok, S::Error> {
    #[derive(Serialize)]
    struct Silent<'a> {
        operator: &'a str,
        why: &'a str,
    }
    serializer.collect_seq(silent.iter().map(|(operator, why)| Silent { operator, why }))
}

/// Rules on the testimony of one family, given by witnesses of `operators`: all that are configured for the family.
/// Testimony of anybody else does not count.
pub fn rule<'a>(
    testimony: impl IntoIterator<Item = &'a Testimony>,
    operators: &BTreeSet<&str>,
    quorum: Quorum,
) -> Ruling {
    let testimony: Vec<&Testimony> = testimony.into_iter().collect();
    let mut order: Vec<&str> = Vec::new();
    for name in testimony.iter().map(|one| one.operator.as_str()).chain(operators.iter().copied()) {
        if operators.contains(name) && !order.contains(&name) {
            order.push(name);
        }
    }
    let ballots: Vec<Ballot<'_>> = order.into_iter().map(|operator| Ballot::cast(operator, &testimony)).collect();

    let needed = needed(operators.len(), quorum);
    let mut votes: BTreeMap<IpAddr, usize> = BTreeMap::new();
    for address in ballots.iter().filter_map(Ballot::vote) {
        *votes.entry(address).or_default() += 1;
    }
    let answered = ballots.iter().filter(|ballot| !ballot.said.is_empty()).count();
    // More than half of all: there is at most one.
    let winner = votes.iter().find(|(_, count)| **count >= needed).map(|(address, _)| *address);
    let outcome = match winner {
        _ if operators.is_empty() => Outcome::NoneAsked,
        Some(address) => Outcome::Agreed(address),
        None if answered >= needed => Outcome::Split,
        None => Outcome::TooFew,
    };

    let mut ruling = Ruling {
        outcome,
        agreed: vec![],
        dissent: vec![],
        silent: vec![],
        unasked: vec![],
        needed,
        operators: operators.len(),
    };
    for ballot in ballots {
        let vote = ballot.vote();
        let Ballot { operator, said, whys } = ballot;
        let operator = operator.to_owned();
        if said.is_empty() && whys.is_empty() {
            ruling.unasked.push(operator);
        } else if said.is_empty() {
            ruling.silent.push((operator, whys));
        } else if vote.is_some() && vote == winner {
            ruling.agreed.push(operator);
        } else {
            ruling.dissent.push(Dissent { operator, said });
        }
    }
    ruling
}

/// What one operator's witnesses say.
struct Ballot<'a> {
    operator: &'a str,
    /// The different addresses, in the order of the witnesses.
    said: Vec<IpAddr>,
    /// Why it is silent: of no meaning when it is not, and empty when it was not asked.
    whys: String,
}

impl<'a> Ballot<'a> {
    fn cast(operator: &'a str, testimony: &[&Testimony]) -> Self {
        let (mut said, mut whys) = (Vec::new(), Vec::new());
        for testimony in testimony.iter().filter(|testimony| testimony.operator == operator) {
            match &testimony.said {
                Ok(address) if said.contains(address) => {}
                Ok(address) => said.push(*address),
                Err(silence) => whys.push(silence.to_string()),
            }
        }
        whys.dedup();
        Self { operator, said, whys: whys.join("; ") }
    }

    /// Its vote: none when it is silent or when its witnesses differ.
    fn vote(&self) -> Option<IpAddr> {
        if let [address] = self.said.as_slice() { Some(*address) } else { None }
    }
}

/// How many of `operators` must agree: more than half, and the configured number where that is more.
pub fn needed(operators: usize, quorum: Quorum) -> usize {
    let majority = operators / 2 + 1;
    match quorum {
        Quorum::Majority => majority,
        Quorum::AtLeast(number) => number.max(majority),
    }
}

impl Ruling {
    /// What to show beneath the ruling: who said something else and who said nothing, a line each.
    pub fn remarks(&self) -> Vec<String> {
        let dissent = self.dissent.iter().map(|Dissent { operator, said }| {
            let addresses: Vec<_> = said.iter().map(IpAddr::to_string).collect();
            let spoiled = if said.len() > 1 { ": its witnesses differ, so it has no vote" } else { "" };
            format!("{operator} says {}{spoiled}", addresses.join(" and "))
        });
        dissent.chain(self.silent.iter().map(|(operator, why)| format!("{operator} has no answer: {why}"))).collect()
    }
}

/// The ruling in one line: `203.0.113.77   agreed by 4 of 5 operators: …`, or why there is none.
impl fmt::Display for Ruling {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        let Self { operators, needed, .. } = self;
        let noun = if *operators == 1 { "operator" } else { "operators" };
        match self.outcome {
            Outcome::Agreed(address) => {
                let (count, names) = (self.agreed.len(), self.agreed.join(", "));
                write!(f, "{address}   agreed by {count} of {operators} {noun}: {names}")
            }
            Outcome::Split => write!(f, "no ruling: the operators disagree, and {needed} of {operators} must agree"),
            Outcome::TooFew => {
                let answered = self.dissent.len();
                write!(f, "no ruling: {answered} of {operators} {noun} answered, and {needed} must agree")
            }
            Outcome::NoneAsked => write!(f, "no ruling: no witness is configured for this family"),
        }
    }
}

#[cfg(test)]
mod tests;
