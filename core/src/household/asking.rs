//! Whom a round asks: everybody, or where nobody doubts an address, those whose turn it is; and the others where their
//! answers leave room for doubt.

use std::collections::{BTreeMap, BTreeSet};
use std::net::IpAddr;

use crate::address::Family;
use crate::settings::{Config, Via, Witness};
use crate::watch::look::Look;
use crate::watch::rota::{self, Rota};
use crate::watch::{Testimony, vote};

/// One round's asking.
#[derive(Debug)]
pub struct Asking<'a> {
    config: &'a Config,
    certain: &'a BTreeMap<Via, IpAddr>,
    last: &'a [Look],
    turns: BTreeMap<&'a Via, BTreeSet<&'a str>>,
}

impl<'a> Asking<'a> {
    /// Where `certain` has an address that nobody doubts, only those are asked whose turn it is by `rota`.
    ///
    /// What is near and had no answer in the `last` round either is asked, but neither counted on nor a reason for doubt: a
    /// router behind another one never has an address to tell.
    pub fn begin(config: &'a Config, certain: &'a BTreeMap<Via, IpAddr>, last: &'a [Look], rota: &mut Rota) -> Self {
        let mut asking = Self { config, certain, last, turns: BTreeMap::new() };
        asking.turns = certain.keys().map(|via| (via, asking.turn(via, rota))).collect();
        asking
    }

    /// Whether `witness` is asked for its address of `family` at first.
    pub fn has_turn(&self, witness: &Witness, family: Family) -> bool {
        let via = Via { line: witness.line.clone(), family };
        self.turns.get(&via).is_none_or(|turn| turn.contains(witness.operator.as_str()))
    }

    /// Where what was `heard` at first leaves room for doubt: all others are asked there.
    pub fn doubtful(&self, heard: &[Testimony]) -> BTreeSet<&'a Via> {
        let is_doubtful = |(via, address): &(&Via, &IpAddr)| {
            let counts = |one: &&Testimony| {
                let is_mute = one.said.is_err() && self.is_near(&one.witness) && self.was_mute(via, &one.operator);
                one.via() == **via && !is_mute
            };
            rota::leaves_doubt(heard.iter().filter(counts), **address)
        };
        self.certain.iter().filter(is_doubtful).map(|(via, _)| via).collect()
    }

    /// Whether `witness` is asked for its address of `family` because there is doubt about these.
    pub fn is_other(&self, witness: &Witness, family: Family, doubtful: &BTreeSet<&Via>) -> bool {
        doubtful.contains(&Via { line: witness.line.clone(), family }) && !self.has_turn(witness, family)
    }

    /// The operators whose turn it is.
    fn turn(&self, via: &Via, rota: &mut Rota) -> BTreeSet<&'a str> {
        let (mut near, mut far): (Vec<&str>, Vec<&str>) = (Vec::new(), Vec::new());
        let of_via = |one: &&Witness| one.line == via.line && one.families.contains(&via.family);
        for witness in self.config.witnesses.iter().filter(of_via) {
            let list = if witness.kind.is_near() { &mut near } else { &mut far };
            if !list.contains(&witness.operator.as_str()) {
                list.push(&witness.operator);
            }
        }
        far.retain(|operator| !near.contains(operator));
        let needed = vote::needed(near.len() + far.len(), self.config.watch.quorum);
        let (silent, telling): (Vec<&str>, Vec<&str>) =
            near.into_iter().partition(|operator| self.was_mute(via, operator));
        let mut turn = rota.turn(via, &telling, &far, needed);
        turn.extend(silent);
        turn
    }

    fn was_mute(&self, via: &Via, operator: &str) -> bool {
        let was_silent = |look: &Look| look.ruling.silent.iter().any(|(silent, _)| silent == operator);
        self.last.iter().any(|look| look.via() == *via && was_silent(look))
    }

    fn is_near(&self, witness: &str) -> bool {
        self.config.witnesses.iter().any(|one| one.name == witness && one.kind.is_near())
    }
}
