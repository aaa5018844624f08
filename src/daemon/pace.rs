//! When to look again, and when to write again. Pure but for the back-off it keeps; times are arguments.

use std::collections::BTreeMap;
use std::time::Duration;

use tokio::time::Instant;

use crate::clock::Timestamp;
use crate::settings;
use crate::settings::{Config, Via, Watch};
use crate::update::retry::{Retry, SIGHT};
use crate::update::{Report, Trouble};
use crate::watch::settle::Heard;

/// Between two tries of a provider that is on hold: its refusal may have been a passing state of the server.
const HELD: Duration = Duration::from_secs(60 * 60);

/// The longest wait after a refusal that nothing proves.
const UNPROVEN: Duration = Duration::from_secs(60 * 60);

/// The pace of the rounds and of each provider.
#[derive(Debug)]
pub(super) struct Pace {
    /// Grows while there is no ruling: the network may only just be coming up, or be gone for long.
    doubt: Retry,
    providers: BTreeMap<String, ProviderPace>,
}

#[derive(Debug)]
struct ProviderPace {
    retry: Retry,
    /// Not before this, after a fault; and whether the wait stays whatever is new.
    wait: Option<(Instant, bool)>,
    /// Records are put off by a limit until then, or something is looked for again.
    put_off: Option<Instant>,
    /// Grows while what was sent is not to be seen.
    sight: Retry,
}

impl Pace {
    pub(super) fn new(config: &Config) -> Self {
        let doubt = settings::Retry { initial: config.watch.settle_every, max: config.watch.every };
        Self { doubt: Retry::new(doubt), providers: BTreeMap::new() }
    }

    /// How long until the next round. `draw` is uniform in [0, 1).
    ///
    /// Quick while a new address is being settled; with growing waits while there is no ruling; else
    /// `every`, jittered by a tenth so that many homes do not ask in step.
    pub(super) fn next_round(&mut self, watch: &Watch, heard: &[(Via, Heard)], draw: f64) -> Duration {
        if heard.iter().any(|(_, heard)| matches!(heard, Heard::InSight { .. })) {
            return watch.settle_every;
        }
        if heard.iter().any(|(_, heard)| matches!(heard, Heard::NoRuling)) {
            // From half the bound upwards: a wait of nothing would hammer the witnesses.
            return self.doubt.next(0.5 + draw / 2.0, None);
        }
        self.doubt.reset();
        watch.every.mul_f64(0.9 + 0.2 * draw)
    }

    /// Whether `provider` may be contacted now.
    pub(super) fn is_due(&self, provider: &str, now: Instant) -> bool {
        self.providers.get(provider).and_then(|pace| pace.wait).is_none_or(|(until, _)| until <= now)
    }

    /// Whether `provider` had to wait, and that is over at `now`. Without such a wait it is the next round's.
    pub(super) fn has_waited(&self, provider: &str, now: Instant) -> bool {
        let Some(pace) = self.providers.get(provider) else { return false };
        let until = pace.wait.map(|(until, _)| until).max(pace.put_off);
        until.is_some_and(|until| until <= now)
    }

    /// The next time at which something that had to wait may be tried again.
    pub(super) fn next_due(&self) -> Option<Instant> {
        self.providers
            .values()
            .filter_map(|pace| match (pace.wait, pace.put_off) {
                (Some((until, _)), put_off) => Some(put_off.map_or(until, |put_off| until.max(put_off))),
                (None, put_off) => put_off,
            })
            .min()
    }

    /// Ends every wait that was over at `now`, when the providers that were due have had their turn: where there was
    /// nothing to do, no report comes that would end it.
    pub(super) fn had_their_turn(&mut self, now: Instant) {
        for pace in self.providers.values_mut() {
            pace.wait = pace.wait.filter(|(until, _)| *until > now);
            pace.put_off = pace.put_off.filter(|until| *until > now);
        }
    }

    /// Takes in how a pass over a provider ended.
    pub(super) fn after(
        &mut self,
        report: &Report,
        settings: settings::Retry,
        wall: Timestamp,
        now: Instant,
        draw: f64,
    ) {
        let pace = self.providers.entry(report.provider.clone()).or_insert_with(|| ProviderPace {
            retry: Retry::new(settings),
            wait: None,
            put_off: None,
            sight: Retry::new(SIGHT),
        });
        let from_now = |until: Timestamp| until.since(wall).max(Duration::from_millis(1));
        if report.looked_for_until.is_none() {
            pace.sight.reset();
        }
        // From half the bound upwards, and once more when the time is over that it may take to be seen.
        let look = report.looked_for_until.map(|until| pace.sight.next(0.5 + draw / 2.0, None).min(from_now(until)));
        pace.put_off = report.put_off_until.map(from_now).into_iter().chain(look).min().map(|wait| now + wait);
        pace.wait = match &report.trouble {
            Some(Trouble::Passing { retry_after, .. }) => {
                Some((now + pace.retry.next(draw, *retry_after), retry_after.is_some()))
            }
            Some(Trouble::Unproven { .. }) => Some((now + pace.retry.next(draw, None).min(UNPROVEN), false)),
            Some(Trouble::NoBooks { .. }) => Some((now + pace.retry.next(draw, None), false)),
            Some(Trouble::Refused { .. } | Trouble::Held { .. }) => {
                pace.retry.reset();
                Some((now + HELD.mul_f64(0.9 + 0.1 * draw), true))
            }
            // Of a lease comes news.
            Some(Trouble::StandingBy { .. } | Trouble::NoLease { .. }) | None => {
                pace.retry.reset();
                None
            }
        };
    }

    /// For a new address, or when a person asks: try at once, unless the other side asked for a wait, or refused for good.
    pub(super) fn stop_waiting(&mut self) {
        for pace in self.providers.values_mut() {
            if let Some((_, false)) = pace.wait {
                pace.wait = None;
                pace.retry.reset();
            }
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::address::Family;
    use crate::settings::Quorum;
    use std::net::IpAddr;

    const SECOND: Duration = Duration::from_secs(1);
    const RETRY: settings::Retry = settings::Retry { initial: Duration::from_secs(5), max: Duration::from_secs(60) };

    fn watch() -> Watch {
        Watch {
            every: 300 * SECOND,
            settle: 2,
            settle_every: 10 * SECOND,
            quorum: Quorum::Majority,
            timeout: SECOND,
            carrier_nat: crate::settings::CarrierNat::Hold,
            push: true,
            return_after: Duration::from_secs(600),
            accept_special: Vec::new(),
            prefix_length: 64,
        }
    }

    fn pace() -> Pace {
        let doubt = settings::Retry { initial: watch().settle_every, max: watch().every };
        Pace { doubt: Retry::new(doubt), providers: BTreeMap::new() }
    }

    fn report(trouble: Option<Trouble>, put_off_until: Option<Timestamp>) -> Report {
        Report {
            provider: "home".to_owned(),
            records: Vec::new(),
            means: None,
            trouble,
            put_off_until,
            looked_for_until: None,
        }
    }

    fn passing(retry_after: Option<Duration>) -> Report {
        report(Some(Trouble::Passing { why: "busy".to_owned(), retry_after }), None)
    }

    fn wall() -> Timestamp {
        Timestamp::from_millis(1_795_000_000_000)
    }

    /// The longest wait that the pace draws for `report` at `now`.
    fn waits(pace: &mut Pace, report: &Report, now: Instant) -> Duration {
        pace.after(report, RETRY, wall(), now, 1.0);
        pace.next_due().unwrap() - now
    }

    #[test]
    fn what_is_not_to_be_seen_is_looked_for_soon_then_seldom_and_once_more_at_the_end() {
        let (mut pace, now) = (pace(), Instant::now());
        let looking = |left: u32| Report { looked_for_until: Some(wall().plus(left * SECOND)), ..report(None, None) };
        for seconds in [1, 2, 4, 8, 16, 32, 60, 60] {
            assert_eq!(waits(&mut pace, &looking(600), now), seconds * SECOND);
            assert!(!pace.has_waited("home", now) && pace.has_waited("home", now + seconds * SECOND));
        }
        assert_eq!(waits(&mut pace, &looking(7), now), 7 * SECOND);
        // Seen: the next time begins anew.
        pace.after(&report(None, None), RETRY, wall(), now, 1.0);
        assert_eq!(pace.next_due(), None);
        assert_eq!(waits(&mut pace, &looking(600), now), SECOND);
    }

    #[test]
    fn rounds_come_every_so_often_within_a_tenth() {
        for (draw, seconds) in [(0.0, 270), (0.5, 300), (1.0, 330)] {
            assert_eq!(
                pace().next_round(&watch(), &[(Via::only(Family::Ipv4), Heard::Unchanged)], draw),
                seconds * SECOND
            );
        }
        assert_eq!(pace().next_round(&watch(), &[], 0.5), 300 * SECOND);
    }

    #[test]
    fn a_new_address_in_either_family_hastens_the_rounds() {
        let address: IpAddr = [203, 0, 113, 9].into();
        let in_sight = (Via::only(Family::Ipv6), Heard::InSight { address, won: 1, needed: 2 });
        for other in [Heard::Unchanged, Heard::NoRuling] {
            assert_eq!(
                pace().next_round(&watch(), &[(Via::only(Family::Ipv4), other), in_sight.clone()], 0.9),
                10 * SECOND
            );
        }
    }

    #[test]
    fn without_a_ruling_the_rounds_grow_rarer_and_a_ruling_ends_that() {
        let mut pace = pace();
        let heard = [(Via::only(Family::Ipv4), Heard::NoRuling), (Via::only(Family::Ipv6), Heard::Unchanged)];
        let mut next = |draw| pace.next_round(&watch(), &heard, draw).as_secs();
        assert_eq!([next(1.0), next(1.0), next(1.0), next(1.0)], [10, 20, 40, 80]);
        assert_eq!([next(0.0), next(0.0), next(0.0)], [80, 150, 150]);
        pace.next_round(&watch(), &[(Via::only(Family::Ipv4), Heard::Unchanged)], 0.5);
        assert_eq!(pace.next_round(&watch(), &heard, 1.0), 10 * SECOND);
    }

    #[test]
    fn passing_faults_are_waited_out_longer_and_longer_until_one_pass_succeeds() {
        let (mut pace, now) = (pace(), Instant::now());
        assert!(pace.is_due("home", now) && pace.next_due().is_none());
        for seconds in [5, 10, 20, 40, 60, 60] {
            assert_eq!(waits(&mut pace, &passing(None), now), seconds * SECOND);
            assert!(!pace.is_due("home", now + seconds * SECOND - Duration::from_millis(1)));
            assert!(pace.is_due("home", now + seconds * SECOND) && pace.is_due("other", now));
        }
        pace.after(&report(None, None), RETRY, wall(), now, 1.0);
        assert!(pace.is_due("home", now) && pace.next_due().is_none());
        assert_eq!(waits(&mut pace, &passing(None), now), 5 * SECOND);
    }

    #[test]
    fn a_wait_that_was_asked_for_is_a_floor_that_no_news_breaks() {
        let (mut pace, now) = (pace(), Instant::now());
        assert_eq!(waits(&mut pace, &passing(Some(90 * SECOND)), now), 90 * SECOND);
        pace.stop_waiting();
        assert!(!pace.is_due("home", now + 89 * SECOND));
        assert!(pace.is_due("home", now + 90 * SECOND));
        // A short one does not shorten our own wait.
        assert_eq!(waits(&mut pace, &passing(Some(SECOND)), now), 10 * SECOND);
        // One that no clock could hold is heard as a day.
        for asked in [Duration::MAX, Duration::from_secs(u64::MAX), 86_401 * SECOND] {
            assert_eq!(waits(&mut pace, &passing(Some(asked)), now), 86_400 * SECOND);
        }
    }

    #[test]
    fn news_ends_a_wait_of_our_own_and_its_growth() {
        let (mut pace, now) = (pace(), Instant::now());
        waits(&mut pace, &passing(None), now);
        waits(&mut pace, &passing(None), now);
        pace.stop_waiting();
        assert!(pace.is_due("home", now));
        assert_eq!(waits(&mut pace, &passing(None), now), 5 * SECOND);
    }

    #[test]
    fn books_that_fail_are_waited_for_and_a_hold_is_tried_once_an_hour() {
        let (mut pace, now) = (pace(), Instant::now());
        let why = || "why".to_owned();
        assert_eq!(waits(&mut pace, &report(Some(Trouble::NoBooks { why: why() }), None), now), 5 * SECOND);
        for trouble in [Trouble::Refused { why: why() }, Trouble::Held { since: wall(), why: why() }] {
            assert_eq!(waits(&mut pace, &report(Some(trouble), None), now), HELD);
            // A new address does not change what was refused.
            pace.stop_waiting();
            assert!(!pace.is_due("home", now + HELD - SECOND) && pace.is_due("home", now + HELD));
        }
    }

    #[test]
    fn a_refusal_that_nothing_proves_is_asked_again_with_growing_waits_of_an_hour_at_most() {
        let (mut pace, now) = (pace(), Instant::now());
        let unproven = report(Some(Trouble::Unproven { why: "REFUSED, unsigned".to_owned() }), None);
        let day = settings::Retry { initial: 5 * SECOND, max: 86_400 * SECOND };
        let mut waits = || {
            pace.after(&unproven, day, wall(), now, 1.0);
            (pace.next_due().unwrap() - now).as_secs()
        };
        let seen: Vec<u64> = (0..12).map(|_| waits()).collect();
        assert_eq!(seen, [5, 10, 20, 40, 80, 160, 320, 640, 1280, 2560, 3600, 3600]);
        // A new address is reason enough to ask at once.
        pace.stop_waiting();
        assert!(pace.is_due("home", now));
    }

    #[test]
    fn what_a_limit_puts_off_is_due_when_the_limit_lets_it_pass() {
        let (mut pace, now) = (pace(), Instant::now());
        assert_eq!(waits(&mut pace, &report(None, Some(wall().plus(7 * SECOND))), now), 7 * SECOND);
        assert!(pace.is_due("home", now));
        // Already past by the clock: soon, but not in a loop without rest.
        assert_eq!(waits(&mut pace, &report(None, Some(wall().minus(SECOND))), now), Duration::from_millis(1));
        // The later of both, when there is also a fault to wait out.
        let both = |until| Report { put_off_until: Some(until), ..passing(None) };
        assert_eq!(waits(&mut pace, &both(wall().plus(7 * SECOND)), now), 7 * SECOND);
        assert_eq!(waits(&mut pace, &both(wall().plus(7 * SECOND)), now), 10 * SECOND);
    }

    #[test]
    fn a_wait_that_is_over_is_over_even_where_nothing_was_to_do() {
        let (mut pace, now) = (pace(), Instant::now());
        waits(&mut pace, &passing(None), now);
        pace.had_their_turn(now + 5 * SECOND - Duration::from_millis(1));
        assert_eq!(pace.next_due(), Some(now + 5 * SECOND));
        pace.had_their_turn(now + 5 * SECOND);
        assert_eq!(pace.next_due(), None);
        // The next fault still waits longer.
        assert_eq!(waits(&mut pace, &passing(None), now), 10 * SECOND);
        pace.after(&report(None, Some(wall().plus(SECOND))), RETRY, wall(), now, 1.0);
        pace.had_their_turn(now + SECOND);
        assert_eq!(pace.next_due(), None);
    }
}
