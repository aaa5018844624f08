//! Times without a ruling: when they began, and that they are over. Pure.

use std::collections::BTreeMap;

use super::Look;
use crate::audit::Event;
use crate::clock::Timestamp;
use crate::watch::Via;
use crate::watch::vote::Outcome;

/// One that goes on.
#[derive(Debug)]
struct Outage {
    since: Timestamp,
    /// How the vote ended then.
    why: String,
    looks: u32,
}

/// Those that go on, by line and family.
#[derive(Debug, Default)]
pub(super) struct Outages(BTreeMap<Via, Outage>);

impl Outages {
    /// Takes in one look; tells of an outage that it ends. One look without a ruling may be chance, and is none.
    pub(super) fn hear(&mut self, look: &Look, now: Timestamp) -> Option<Event> {
        match look.ruling.outcome {
            Outcome::Split | Outcome::TooFew => {
                let begin = || Outage { since: now, why: look.ruling.to_string(), looks: 0 };
                self.0.entry(look.via()).or_insert_with(begin).looks += 1;
                None
            }
            Outcome::NoneAsked => None,
            Outcome::Agreed(_) => {
                let Outage { since, why, .. } = self.0.remove(&look.via()).filter(|outage| outage.looks > 1)?;
                Some(Event::Outage { line: look.line.clone(), family: look.family, since, why })
            }
        }
    }

    /// Where there is no ruling, and since when.
    pub(super) fn since(&self) -> impl Iterator<Item = (&Via, Timestamp)> {
        self.0.iter().map(|(via, outage)| (via, outage.since))
    }
}

#[cfg(test)]
mod tests {
    use std::time::Duration;

    use super::*;
    use crate::address::Family;
    use crate::watch::vote::Ruling;

    fn look(outcome: Outcome) -> Look {
        let (agreed, dissent, silent, unasked) = (vec![], vec![], vec![], vec![]);
        let ruling = Ruling { outcome, agreed, dissent, silent, unasked, needed: 2, operators: 3 };
        Look { line: None, family: Family::Ipv4, ruling, testimony: vec![] }
    }

    #[test]
    fn two_looks_in_a_row_make_an_outage_and_its_end_is_told_once() {
        let (agreed, begin) =
            (Outcome::Agreed([203, 0, 113, 77].into()), Timestamp::parse("2026-11-24T08:00:00Z").unwrap());
        let at = |minutes: u64| begin.plus(Duration::from_secs(60 * minutes));
        let mut outages = Outages::default();
        let mut hear = |outcome, minutes| outages.hear(&look(outcome), at(minutes));
        assert_eq!(hear(Outcome::TooFew, 0), None);
        assert_eq!(hear(agreed, 1), None, "one look is chance");
        assert_eq!(hear(Outcome::TooFew, 2), None);
        assert_eq!(hear(Outcome::Split, 3), None);
        assert_eq!(hear(Outcome::NoneAsked, 4), None);
        let why = "no ruling: 0 of 3 operators answered, and 2 must agree".to_owned();
        let over = Event::Outage { line: None, family: Family::Ipv4, since: at(2), why };
        assert_eq!(hear(agreed, 5), Some(over));
        assert_eq!(hear(agreed, 6), None);
        assert_eq!(outages.since().count(), 0);
    }
}
