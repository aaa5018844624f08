//! Which line a record follows, when a home has several. Pure; the time is an argument.
//!
//! A record follows the first of its lines that works. It leaves one that has had no ruling for as many rounds as would
//! settle an address, and returns to a preferred one only after that has worked for a while without interruption:
//! a line that comes and goes must not take the name along each time.

use std::collections::BTreeMap;
use std::time::Duration;

use super::Via;
use crate::address::Family;
use crate::clock::Timestamp;

/// What is known of each line, and which one each record follows.
#[derive(Clone, Debug, Default, PartialEq, Eq)]
pub struct Failover {
    lines: BTreeMap<Via, Health>,
    follows: BTreeMap<String, Option<String>>,
}

#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
struct Health {
    /// Since when it has worked; `None` while it does not.
    since: Option<Timestamp>,
    /// Rounds in a row without a settled ruling.
    missed: u32,
}

impl Failover {
    /// Takes in one round: whether the line had a ruling that is settled. `rounds` without one in a row, and it is down.
    pub fn hear(&mut self, via: &Via, works: bool, rounds: u32, now: Timestamp) {
        let health = self.lines.entry(via.clone()).or_default();
        if works {
            health.missed = 0;
            health.since.get_or_insert(now);
        } else {
            health.missed = health.missed.saturating_add(1);
            if health.missed >= rounds {
                health.since = None;
            }
        }
    }

    /// The line of `preferred` that the record `key` follows in `family` from now on; `None` when none works.
    ///
    /// It stays where it is while that works, until a line it prefers has worked for `return_after`.
    pub fn follow<'a>(
        &mut self,
        key: &str,
        preferred: &'a [Option<String>],
        family: Family,
        now: Timestamp,
        return_after: Duration,
    ) -> Option<&'a Option<String>> {
        let since =
            |line: &Option<String>| self.lines.get(&Via { line: line.clone(), family }).and_then(|health| health.since);
        let present = self.follows.get(key).filter(|line| since(line).is_some() && preferred.contains(line));
        let chosen = preferred.iter().find(|line| match (since(line), present) {
            (None, _) => false,
            (Some(_), None) => true,
            (Some(since), Some(present)) => *line == present || now.since(since) >= return_after,
        })?;
        self.follows.insert(key.to_owned(), chosen.clone());
        Some(chosen)
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    const RETURN: Duration = Duration::from_secs(600);

    fn at(seconds: u64) -> Timestamp {
        Timestamp::from_millis(1_700_000_000_000 + seconds * 1000)
    }

    fn line(name: &str) -> Option<String> {
        Some(name.to_owned())
    }

    struct Home {
        failover: Failover,
        preferred: Vec<Option<String>>,
    }

    impl Home {
        fn new() -> Self {
            Self { failover: Failover::default(), preferred: vec![line("fibre"), line("radio")] }
        }

        /// One round at `seconds`, in which those lines work; the line that the record follows then.
        fn round(&mut self, seconds: u64, fibre: bool, radio: bool) -> Option<String> {
            for (name, works) in [("fibre", fibre), ("radio", radio)] {
                let via = Via { line: line(name), family: Family::Ipv4 };
                self.failover.hear(&via, works, 2, at(seconds));
            }
            self.failover.follow("gauge", &self.preferred, Family::Ipv4, at(seconds), RETURN).cloned().flatten()
        }
    }

    #[test]
    fn the_preferred_line_is_followed_while_it_works() {
        let mut home = Home::new();
        assert_eq!(home.round(0, true, true), line("fibre"));
        assert_eq!(home.round(300, true, false), line("fibre"));
    }

    #[test]
    fn one_missed_round_is_no_failure_and_two_are() {
        let mut home = Home::new();
        home.round(0, true, true);
        assert_eq!(home.round(300, false, true), line("fibre"));
        assert_eq!(home.round(310, false, true), line("radio"));
    }

    #[test]
    fn a_record_returns_only_after_the_preferred_line_has_worked_for_a_while() {
        let mut home = Home::new();
        home.round(0, true, true);
        home.round(10, false, true);
        home.round(20, false, true);
        assert_eq!(home.round(30, true, true), line("radio"));
        assert_eq!(home.round(629, true, true), line("radio"));
        assert_eq!(home.round(630, true, true), line("fibre"));
    }

    #[test]
    fn an_interruption_begins_the_wait_anew() {
        let mut home = Home::new();
        home.round(0, false, true);
        home.round(10, false, true);
        assert_eq!(home.round(20, true, true), line("radio"));
        home.round(300, false, true);
        home.round(310, false, true);
        home.round(320, true, true);
        assert_eq!(home.round(700, true, true), line("radio"));
        assert_eq!(home.round(920, true, true), line("fibre"));
    }

    #[test]
    fn when_the_present_line_fails_the_wait_does_not_count() {
        let mut home = Home::new();
        home.round(0, false, true);
        home.round(10, false, true);
        home.round(20, true, true);
        home.round(30, true, false);
        assert_eq!(home.round(40, true, false), line("fibre"), "better an unsteady line than none");
    }

    #[test]
    fn with_no_line_working_there_is_none_to_follow() {
        let mut home = Home::new();
        assert_eq!(home.round(0, false, false), None);
        assert_eq!(home.round(10, false, true), line("radio"));
    }

    #[test]
    fn a_line_that_the_record_no_longer_names_is_left() {
        let mut home = Home::new();
        home.round(0, true, true);
        home.preferred = vec![line("radio")];
        assert_eq!(home.round(10, true, true), line("radio"));
    }

    #[test]
    fn families_and_records_are_apart() {
        let mut home = Home::new();
        home.round(0, true, true);
        let preferred = home.preferred.clone();
        assert_eq!(home.failover.follow("gauge", &preferred, Family::Ipv6, at(0), RETURN), None);
        assert_eq!(home.failover.follow("mill", &preferred, Family::Ipv4, at(0), RETURN), Some(&line("fibre")));
    }
}
