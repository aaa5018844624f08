//! What must hold of lists of ranges and of what firewalls tell, whatever stands in them. No part of the program.

use super::compare::Comparison;
use super::firewall::nft::{Question, Ruleset};
use super::firewall::{LetIn, csv};
use super::source;
use crate::address::Family;
use crate::address::set::AddressSet;
use crate::settings::{Columns, ListForm, Place};

/// A published list, as lines and as JSON.
pub fn ranges(data: &[u8]) -> bool {
    let json = ListForm::Json { lists: vec!["/v4".into(), "/v6".into()], item: "/cidr".into() };
    let whole = ListForm::Json { lists: vec![String::new()], item: String::new() };
    let mut read = false;
    for form in [ListForm::Lines, json, whole] {
        let Ok(listed) = source::read(&form, None, data) else { continue };
        read = true;
        assert!(!listed.set.is_empty());
        // Written as the fewest lines, it is the same list, with nothing to be put right.
        let lines: String = listed.set.prefixes().map(|range| format!("{range}\n")).collect();
        let again = source::read(&ListForm::Lines, None, lines.as_bytes());
        assert!(again.is_ok_and(|again| again.set == listed.set && again.notes.is_empty()));
    }
    read
}

/// What `nft -j list ruleset` prints.
pub fn ruleset(data: &[u8]) -> bool {
    let Ok(ruleset) = Ruleset::parse(data) else { return false };
    for family in Family::BOTH {
        for (service, outside) in [(Place::Here, None), (Place::Behind, Some("wan"))] {
            let inside = outside.map(|_| "lan");
            let question = Question { family, port: 443, destination: None, service, outside, inside };
            holds(&ruleset.let_in(&question), Some(family));
        }
    }
    true
}

/// A table that a router exports.
pub fn table(data: &[u8]) -> bool {
    let columns = Columns { source: "Source".into(), port: Some("Port".into()), action: Some("Action".into()) };
    let only = Columns { port: None, action: None, ..columns.clone() };
    let mut read = false;
    for columns in [columns, only] {
        let Ok(let_in) = csv::let_in(data, &columns, 443) else { continue };
        read = true;
        holds(&let_in, None);
    }
    read
}

/// Nobody is let in surely and kept out, and nothing is told of a family that was not asked about.
fn holds(let_in: &LetIn, family: Option<Family>) {
    let nobody = AddressSet::default();
    let sets = || let_in.ways.iter().map(|way| &way.set).chain(let_in.doubts.iter().map(|doubt| &doubt.set));
    if let Some(family) = family {
        assert!(sets().all(|set| set.of(family) == *set));
    }
    let everybody = sets().fold(nobody.clone(), |all, set| all.union(set));
    let comparison = Comparison::new(&everybody, let_in, &nobody);
    assert!(comparison.surplus.is_empty() && comparison.missing.ranges.is_empty());
}
