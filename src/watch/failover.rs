//! Which line a record follows, when a home has several. Pure; the time is an argument, on a clock that nobody sets.
//!
//! A record follows the first of its lines that works. It leaves one that has had no ruling for as many rounds as would
//! settle an address, and returns to a preferred one only after that has worked for a while without interruption:
//! a line that comes and goes must not take the name along each time. A line of which nothing is known yet, or at which a
//! new address is in sight, is waited for: no lesser one is taken before it has failed.
//!
//! What each record follows, and which lines are down, survives a restart. How long a line has worked does not: it counts
//! anew then, for the only clock that goes on meanwhile is one that anybody may set.

use std::collections::{BTreeMap, BTreeSet};
use std::time::Duration;

use serde::{Deserialize, Serialize};

use super::Via;
use super::settle::Heard;
use crate::address::Family;

/// What is known of each line, and which one each record follows.
#[derive(Clone, Debug, Default, PartialEq, Eq)]
pub struct Failover {
    lines: BTreeMap<Via, Health>,
    follows: BTreeMap<String, Option<String>>,
}

/// What of it survives a restart.
#[derive(Clone, Debug, Default, PartialEq, Eq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct Kept {
    /// The line that each record follows, by provider, name and family.
    pub follows: BTreeMap<String, Option<String>>,
    /// The lines that are down.
    pub down: BTreeSet<Via>,
}

#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
struct Health {
    /// Since when it has worked; `None` while it does not.
    since: Option<Duration>,
    /// Rounds without a settled ruling since it last worked.
    missed: u32,
    /// It has had no ruling for as many rounds as make it one.
    is_down: bool,
    /// An address has come in sight since it last worked.
    was_in_sight: bool,
}

/// What one round showed of a line.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Seen {
    /// It has a settled ruling that may be published.
    Works,
    /// Another address has won so many rounds in a row, and may settle.
    InSight(u32),
    /// It has none.
    Missed,
}

impl Seen {
    /// By what settling heard, and whether the address may be published.
    pub fn of(heard: &Heard, may_be_published: bool) -> Self {
        match heard {
            _ if !may_be_published => Self::Missed,
            Heard::Unchanged | Heard::Settled { .. } => Self::Works,
            Heard::InSight { won, .. } => Self::InSight(*won),
            Heard::NoRuling => Self::Missed,
        }
    }
}

impl Failover {
    /// Goes on from what was kept.
    pub fn recall(kept: &Kept) -> Self {
        let down = |via: &Via| (via.clone(), Health { is_down: true, ..Health::default() });
        Self { lines: kept.down.iter().map(down).collect(), follows: kept.follows.clone() }
    }

    /// What is to be kept: nothing for a home whose only line has no name.
    pub fn kept(&self) -> Kept {
        let is_down = |(via, health): &(&Via, &Health)| health.is_down && via.line.is_some();
        let down = self.lines.iter().filter(is_down).map(|(via, _)| via.clone());
        let follows = self.follows.iter().filter(|(_, line)| line.is_some());
        Kept { follows: follows.map(|(key, line)| (key.clone(), line.clone())).collect(), down: down.collect() }
    }

    /// Forgets lines and records that are not configured any more.
    pub fn keep_only(&mut self, line: impl Fn(&Via) -> bool, record: impl Fn(&str) -> bool) {
        self.lines.retain(|via, _| line(via));
        self.follows.retain(|key, _| record(key));
    }

    /// Takes in one round. `rounds` without a ruling, and the line is down; one address in sight is no miss, but one after
    /// another that never settles is. `now` is the time since any moment that stays the same.
    pub fn hear(&mut self, via: &Via, seen: Seen, rounds: u32, now: Duration) {
        let health = self.lines.entry(via.clone()).or_default();
        let is_miss = match seen {
            Seen::Works => {
                *health = Health { since: health.since.or(Some(now)), ..Health::default() };
                return;
            }
            Seen::InSight(won) => won <= 1 && std::mem::replace(&mut health.was_in_sight, true),
            Seen::Missed => true,
        };
        health.missed = health.missed.saturating_add(is_miss.into());
        if health.missed >= rounds {
            (health.since, health.is_down) = (None, true);
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
        now: Duration,
        return_after: Duration,
    ) -> Option<&'a Option<String>> {
        let health =
            |line: &Option<String>| self.lines.get(&Via { line: line.clone(), family }).copied().unwrap_or_default();
        let present = self.follows.get(key).filter(|line| !health(line).is_down && preferred.contains(line));
        let chosen = preferred.iter().find(|line| {
            let health = health(line);
            match (health.since, present) {
                _ if health.is_down => false,
                (_, None) => true,
                (since, Some(present)) => {
                    *line == present || since.is_some_and(|since| now.saturating_sub(since) >= return_after)
                }
            }
        })?;
        if self.follows.get(key) != Some(chosen) {
            self.follows.insert(key.to_owned(), chosen.clone());
        }
        Some(chosen)
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use proptest::prelude::*;

    const RETURN: Duration = Duration::from_secs(600);

    fn at(seconds: u64) -> Duration {
        Duration::from_secs(seconds)
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
                self.failover.hear(&via, if works { Seen::Works } else { Seen::Missed }, 2, at(seconds));
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
        home.round(0, false, false);
        assert_eq!(home.round(10, false, false), None);
        assert_eq!(home.round(20, false, true), line("radio"));
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
        for line in &preferred {
            let via = Via { line: line.clone(), family: Family::Ipv6 };
            (0..2).for_each(|_| home.failover.hear(&via, Seen::Missed, 2, at(0)));
        }
        assert_eq!(home.failover.follow("gauge", &preferred, Family::Ipv6, at(0), RETURN), None);
        assert_eq!(home.failover.follow("mill", &preferred, Family::Ipv4, at(0), RETURN), Some(&line("fibre")));
    }

    impl Home {
        /// One round of which each line shows something else.
        fn sees(&mut self, seconds: u64, fibre: Seen, radio: Seen) -> Option<String> {
            for (name, seen) in [("fibre", fibre), ("radio", radio)] {
                let via = Via { line: line(name), family: Family::Ipv4 };
                self.failover.hear(&via, seen, 2, at(seconds));
            }
            self.failover.follow("gauge", &self.preferred, Family::Ipv4, at(seconds), RETURN).cloned().flatten()
        }

        /// The next process, whose clock begins anew.
        fn restart(&mut self) {
            self.failover = Failover::recall(&self.failover.kept());
        }
    }

    #[test]
    fn after_a_restart_the_preferred_line_is_waited_for() {
        use Seen::{InSight, Missed, Works};
        let mut home = Home::new();
        home.round(1000, true, true);
        home.restart();
        // A new address in sight, or one round missed, is no failure, and no lesser line is taken for it.
        assert_eq!(home.sees(0, InSight(1), Works), line("fibre"));
        assert_eq!(home.sees(10, Works, Works), line("fibre"));
        home.restart();
        assert_eq!(home.sees(0, Missed, Works), line("fibre"));
        assert_eq!(home.sees(10, Missed, Works), line("radio"));
        // Also where nothing was kept.
        let mut home = Home::new();
        assert_eq!(home.sees(0, Missed, Works), line("fibre"));
        assert_eq!(home.sees(10, Missed, Works), line("radio"));
    }

    #[test]
    fn after_a_restart_on_the_lesser_line_the_return_is_waited_for() {
        let mut home = Home::new();
        home.round(0, true, true);
        home.round(10, false, true);
        assert_eq!(home.round(20, false, true), line("radio"));
        home.restart();
        assert_eq!(home.round(0, true, true), line("radio"));
        assert_eq!(home.round(599, true, true), line("radio"));
        assert_eq!(home.round(600, true, true), line("fibre"));
        home.round(700, false, true);
        home.round(710, false, true);
        home.restart();
        // A line that was down is down until it works.
        assert_eq!(home.round(0, false, false), line("radio"));
        assert_eq!(home.round(10, false, false), None);
    }

    #[test]
    fn addresses_that_come_in_sight_and_never_settle_are_no_line_that_works() {
        let mut home = Home::new();
        home.round(0, true, true);
        let mut seen = |seconds, won| home.sees(seconds, Seen::InSight(won), Seen::Works);
        assert_eq!([seen(10, 1), seen(20, 2), seen(30, 3)], [line("fibre"), line("fibre"), line("fibre")]);
        assert_eq!([seen(40, 1), seen(50, 1)], [line("fibre"), line("radio")]);
    }

    #[test]
    fn what_is_not_configured_is_forgotten() {
        let mut home = Home::new();
        home.round(0, true, false);
        home.round(10, true, false);
        assert_eq!(home.failover.kept().down.len(), 1);
        home.failover.keep_only(|via| via.line == line("fibre"), |key| key != "gauge");
        assert_eq!(home.failover.kept(), Kept::default());
    }

    proptest! {
        /// The reference looks back over the whole history: a lesser line is followed only after every line before it has
        /// missed `rounds` rounds since it last worked, and restarts change nothing of that.
        #[test]
        fn no_lesser_line_before_the_preferred_one_has_failed(
            history in prop::collection::vec((0..3_u8, 0..2_u8, prop::bool::weighted(0.2)), 1..40),
        ) {
            let mut home = Home::new();
            let (mut missed, mut is_down) = (0, false);
            let mut before = None;
            for (nth, (fibre, radio, restarts)) in history.into_iter().enumerate() {
                if restarts {
                    home.restart();
                    missed = 0;
                }
                let fibre = [Seen::Works, Seen::InSight(2), Seen::Missed][usize::from(fibre)];
                let radio = [Seen::Works, Seen::Missed][usize::from(radio)];
                match fibre {
                    Seen::Works => (missed, is_down) = (0, false),
                    Seen::InSight(_) => {}
                    Seen::Missed => missed += 1,
                }
                is_down |= missed >= 2;
                let now = home.sees(nth as u64, fibre, radio);
                if now == line("radio") && before != line("radio") {
                    prop_assert!(is_down);
                }
                if now.is_some() {
                    before = now;
                }
            }
        }
    }
}
