use std::time::Duration;

use super::*;
use crate::address::Family;
use crate::watch::vote::Ruling;
use crate::watch::{Silence, Testimony};

fn said(witness: &str, last: Option<u8>, took: u64) -> Testimony {
    Testimony {
        witness: witness.into(),
        operator: format!("{witness}-operator"),
        line: None,
        family: Family::Ipv4,
        said: last.map(|last| [203, 0, 113, last].into()).ok_or(Silence::CaptivePortal),
        alone: false,
        took: Duration::from_millis(took),
    }
}

fn look(agreed: Option<u8>, testimony: Vec<Testimony>) -> Look {
    let outcome = agreed.map_or(Outcome::Split, |last| Outcome::Agreed([203, 0, 113, last].into()));
    let (dissent, silent, unasked) = (vec![], vec![], vec![]);
    let ruling = Ruling { outcome, agreed: vec![], dissent, silent, unasked, needed: 2, operators: 3 };
    Look { line: None, family: Family::Ipv4, ruling, testimony }
}

#[test]
fn each_word_has_its_mark_and_its_count() {
    let mut history = History::default();
    history
        .hear(&[look(Some(77), vec![said("north", Some(77), 10), said("tern", Some(9), 30), said("ferry", None, 5)])]);
    history.hear(&[look(Some(77), vec![said("north", Some(77), 20)])]);
    history
        .hear(&[look(None, vec![said("north", Some(77), 90), said("tern", Some(9), 30), said("quay", Some(77), 1)])]);
    let witnesses = history.witnesses();
    let of = |name: &str| witnesses.iter().find(|witness| witness.name == name).unwrap();
    assert_eq!(of("north").marks, [Mark::Agreed, Mark::Agreed, Mark::Undecided]);
    assert_eq!(of("tern").marks, [Mark::Dissented, Mark::Unasked, Mark::Undecided]);
    assert_eq!(of("ferry").marks, [Mark::Silent, Mark::Unasked, Mark::Unasked]);
    // It came later.
    assert_eq!(of("quay").marks, [Mark::Undecided]);
    assert_eq!((of("north").agreed_percent, of("north").took_ms), (Some(66), Some(20)));
    assert_eq!((of("ferry").agreed_percent, of("ferry").took_ms), (Some(0), None));
    assert_eq!(history.totals().rulings["ipv4"], BTreeMap::from([("agreed".into(), 2), ("split".into(), 1)]));
    assert_eq!(history.totals().testimonies["north"], BTreeMap::from([("agreed".into(), 2), ("undecided".into(), 1)]));
    history.keep_only(&["north"]);
    assert_eq!(history.witnesses().len(), 1);
}

#[test]
fn it_stays_small() {
    let mut history = History::default();
    for _ in 0..10 * ROUNDS {
        history.hear(&[look(Some(77), vec![said("north", Some(77), 10)])]);
    }
    assert_eq!(history.witnesses()[0].marks.len(), ROUNDS);
    assert_eq!(history.totals().rulings["ipv4"]["agreed"], 10 * ROUNDS as u64);
}
