//! Times without a ruling: when they began, and that they are over. Pure.

use std::collections::BTreeMap;
use std::time::Duration;

use crate::audit::Event;
use crate::clock::Timestamp;
use crate::settings::Via;
use crate::watch::look::Look;
use crate::watch::vote::Outcome;

/// One that goes on.
#[derive(Debug)]
struct Outage {
    begun: Duration,
    /// How the vote ended then.
    why: String,
    looks: u32,
}

/// A moment by the clock that people read, and by the one that nobody sets: a clock that is set right in the middle of
/// an outage makes it no longer.
#[derive(Clone, Copy, Debug)]
pub struct Moment {
    /// By the clock that people read.
    pub time: Timestamp,
    /// Since the start, by the steady one.
    pub steady: Duration,
}

impl Moment {
    fn when(self, earlier: Duration) -> Timestamp {
        self.time.minus(self.steady.saturating_sub(earlier))
    }
}

/// Those that go on, by line and family.
#[derive(Debug, Default)]
pub(crate) struct Outages(BTreeMap<Via, Outage>);

impl Outages {
    /// Forgets those of a line or family that is looked at no more.
    pub(crate) fn keep_only(&mut self, looks: &[Look]) {
        self.0.retain(|via, _| looks.iter().any(|look| look.via() == *via));
    }

    /// Takes in one look; tells of an outage that it ends. One look without a ruling may be chance, and is none.
    pub(crate) fn hear(&mut self, look: &Look, now: Moment) -> Option<Event> {
        match look.ruling.outcome {
            Outcome::Split | Outcome::TooFew => {
                let begin = || Outage { begun: now.steady, why: look.ruling.to_string(), looks: 0 };
                self.0.entry(look.via()).or_insert_with(begin).looks += 1;
                None
            }
            Outcome::NoneAsked => None,
            Outcome::Agreed(_) => {
                let Outage { begun, why, .. } = self.0.remove(&look.via()).filter(|outage| outage.looks > 1)?;
                Some(Event::Outage { line: look.line.clone(), family: look.family, since: now.when(begun), why })
            }
        }
    }

    /// Where there is no ruling, and since when.
    pub(crate) fn since(&self, now: Moment) -> impl Iterator<Item = (&Via, Timestamp)> {
        self.0.iter().map(move |(via, outage)| (via, now.when(outage.begun)))
    }
}

#[cfg(test)]
mod tests {
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
        let start = Duration::from_secs(1000);
        let at = |minutes: u64| {
            let span = Duration::from_secs(60 * minutes);
            Moment { time: begin.plus(span), steady: start + span }
        };
        let mut outages = Outages::default();
        let mut hear = |outcome, minutes| outages.hear(&look(outcome), at(minutes));
        assert_eq!(hear(Outcome::TooFew, 0), None);
        assert_eq!(hear(agreed, 1), None, "one look is chance");
        assert_eq!(hear(Outcome::TooFew, 2), None);
        assert_eq!(hear(Outcome::Split, 3), None);
        assert_eq!(hear(Outcome::NoneAsked, 4), None);
        let why = "no ruling: 0 of 3 operators answered, and 2 must agree".to_owned();
        let over = Event::Outage { line: None, family: Family::Ipv4, since: at(2).time, why };
        assert_eq!(hear(agreed, 5), Some(over));
        assert_eq!(hear(agreed, 6), None);
        assert_eq!(outages.since(at(6)).count(), 0);
    }

    #[test]
    fn a_clock_that_is_set_meanwhile_makes_it_no_longer() {
        let (start, minute) = (Duration::from_secs(1000), Duration::from_secs(60));
        let moment = |text, minutes| Moment { time: Timestamp::parse(text).unwrap(), steady: start + minutes * minute };
        let mut outages = Outages::default();
        // A machine without a battery begins in the past, until a time server has been reached.
        assert_eq!(outages.hear(&look(Outcome::TooFew), moment("2025-01-01T00:00:00Z", 0)), None);
        assert_eq!(outages.hear(&look(Outcome::TooFew), moment("2025-01-01T00:01:00Z", 1)), None);
        let right = moment("2026-11-24T08:02:00Z", 2);
        let since = Timestamp::parse("2026-11-24T08:00:00Z").unwrap();
        assert_eq!(outages.since(right).map(|(_, since)| since).collect::<Vec<_>>(), [since]);
        let over = outages.hear(&look(Outcome::Agreed([203, 0, 113, 77].into())), right);
        assert!(matches!(over, Some(Event::Outage { since: told, .. }) if told == since), "{over:?}");
    }

    #[test]
    fn what_is_looked_at_no_more_has_no_outage() {
        let moment = Moment { time: Timestamp::default(), steady: Duration::from_secs(1000) };
        let mut outages = Outages::default();
        let fibre = Look { line: Some("fibre".to_owned()), ..look(Outcome::Split) };
        for look in [look(Outcome::TooFew), fibre.clone()] {
            assert_eq!(outages.hear(&look, moment), None);
        }
        outages.keep_only(std::slice::from_ref(&fibre));
        assert_eq!(outages.since(moment).map(|(via, _)| via.clone()).collect::<Vec<_>>(), [fibre.via()]);
    }
}
