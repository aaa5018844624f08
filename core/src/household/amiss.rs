//! What is amiss with the connection, and what must not be published because of that.

use std::collections::{BTreeMap, BTreeSet};

use super::{Histories, families};
use crate::clock::Timestamp;
use crate::settings::{CarrierNat, Config, Via, WitnessKind};
use crate::watch::diagnose::{self, Finding, Vantage};
use crate::watch::look::{Found, HeldBack, Look, agreed};

/// What `looks` show to be amiss, line by line; `histories` are brought up to date.
pub fn diagnose(config: &Config, looks: &[Look], histories: &mut Histories, now: Timestamp) -> Vec<Found> {
    let vantages: BTreeMap<&str, Vantage> =
        config.witnesses.iter().map(|witness| (witness.name.as_str(), vantage(&witness.kind))).collect();
    let wanted = if config.records.is_empty() { Vec::new() } else { families(config) };
    let lines: BTreeSet<&Option<String>> = looks.iter().map(|look| &look.line).collect();
    let mut found = Vec::new();
    for line in lines {
        let testimony = looks.iter().filter(|look| look.line == *line).flat_map(|look| &look.testimony);
        let words: Vec<diagnose::Word<'_>> =
            testimony.filter_map(|one| Some(diagnose::Word::of(*vantages.get(one.witness.as_str())?, one))).collect();
        let history = histories.entry(line.clone()).or_default();
        let findings = diagnose::diagnose(&words, &wanted, history, now);
        found.extend(findings.into_iter().map(|finding| Found { line: line.clone(), finding }));
    }
    found
}

fn vantage(kind: &WitnessKind) -> Vantage {
    match kind {
        WitnessKind::Http { .. } | WitnessKind::Stun { .. } => Vantage::Outside,
        WitnessKind::Router { .. } => Vantage::Router,
        WitnessKind::Interface { .. } => Vantage::Interface,
    }
}

/// Whether `found` forbids publishing an address that was voted on `via`.
pub(super) fn forbids(config: &Config, found: &[Found], via: &Via) -> bool {
    let of_line: Vec<Finding> =
        found.iter().filter(|found| found.line == via.line).map(|found| found.finding.clone()).collect();
    config.watch.carrier_nat == CarrierNat::Hold && diagnose::forbids_publishing(&of_line, via.family)
}

/// The records that are held back because of `found`: on every line that has an address for them.
pub fn held_back(config: &Config, looks: &[Look], found: &[Found]) -> Vec<HeldBack> {
    let home = agreed(looks);
    let mut held = Vec::new();
    for record in &config.records {
        for rtype in record.types.iter().copied() {
            let vias = record.lines.iter().map(|line| Via { line: line.clone(), family: rtype.family() });
            let (forbidden, free): (Vec<Via>, Vec<Via>) =
                vias.filter(|via| home.contains_key(via)).partition(|via| forbids(config, found, via));
            if let (true, Some(via)) = (free.is_empty(), forbidden.first())
                && let Some(address) = home.get(via).copied()
            {
                held.push(HeldBack { line: via.line.clone(), name: record.name.clone(), rtype, address });
            }
        }
    }
    held
}
