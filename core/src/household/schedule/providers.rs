//! When each provider is worked on again: after a fault, a limit, a refusal; and that what is new ends some of these waits.

use std::collections::{BTreeMap, BTreeSet};
use std::time::Duration;

use super::Moment;
use crate::settings;
use crate::update::retry::{Grow, Retry, SIGHT};
use crate::update::{Report, Trouble};

/// Between two tries of a provider that is on hold: its refusal may have been a passing state of the server.
const HELD: Duration = Duration::from_secs(60 * 60);

/// The longest wait after a refusal that nothing proves.
const UNPROVEN: Duration = Duration::from_secs(60 * 60);

/// The waits of all providers that ever had one.
#[derive(Debug)]
pub(super) struct Providers {
    grow: Grow,
    retry: settings::Retry,
    waits: BTreeMap<String, Waits>,
}

/// After a fault.
#[derive(Clone, Copy, Debug)]
struct Wait {
    until: Duration,
    /// Nothing that is new ends it.
    is_firm: bool,
}

/// The waits of one.
#[derive(Debug)]
struct Waits {
    retry: Retry,
    wait: Option<Wait>,
    /// Records are put off by a limit until then, or something is looked for again.
    put_off: Option<Duration>,
    /// Grows while what was sent is not to be seen.
    sight: Retry,
}

impl Providers {
    pub(super) fn new(grow: Grow, retry: settings::Retry) -> Self {
        Self { grow, retry, waits: BTreeMap::new() }
    }

    /// Those that may not be contacted at `now`.
    pub(super) fn waiting(&self, now: Duration) -> BTreeSet<String> {
        let waits = self.waits.iter().filter(|(_, waits)| waits.wait.is_some_and(|wait| wait.until > now));
        waits.map(|(provider, _)| provider.clone()).collect()
    }

    /// Those that had to wait, where that is over at `now`. Without such a wait a provider is the next round's.
    pub(super) fn have_waited(&self, now: Duration) -> BTreeSet<String> {
        let over = |waits: &Waits| {
            let until = waits.wait.map(|wait| wait.until).max(waits.put_off);
            until.is_some_and(|until| until <= now)
        };
        self.waits.iter().filter(|(_, waits)| over(waits)).map(|(provider, _)| provider.clone()).collect()
    }

    /// The next time at which something that had to wait may be tried again.
    pub(super) fn due(&self) -> Option<Duration> {
        self.waits
            .values()
            .filter_map(|waits| match (waits.wait, waits.put_off) {
                (Some(wait), put_off) => Some(put_off.map_or(wait.until, |put_off| wait.until.max(put_off))),
                (None, put_off) => put_off,
            })
            .min()
    }

    /// Ends every wait that is over at `now`, when the providers that were due have their turn: where there is nothing to do,
    /// no report comes that would end it.
    pub(super) fn have_their_turn(&mut self, now: Duration) {
        for waits in self.waits.values_mut() {
            waits.wait = waits.wait.filter(|wait| wait.until > now);
            waits.put_off = waits.put_off.filter(|until| *until > now);
        }
    }

    /// Takes in how a pass over a provider ended; `draw` is uniform in [0, 1).
    pub(super) fn worked(&mut self, report: &Report, now: Moment, draw: f64) {
        let (grow, retry) = (self.grow, self.retry);
        let waits = self.waits.entry(report.provider.clone()).or_insert_with(|| Waits {
            retry: Retry::new(grow, retry),
            wait: None,
            put_off: None,
            sight: Retry::new(grow, SIGHT),
        });
        let from_now = |until: crate::clock::Timestamp| until.since(now.time).max(Duration::from_millis(1));
        if report.looked_for_until.is_none() {
            waits.sight.reset();
        }
        // From half the bound upwards, and once more when the time is over that it may take to be seen.
        let look = report.looked_for_until.map(|until| waits.sight.next(0.5 + draw / 2.0, None).min(from_now(until)));
        let put_off = report.put_off_until.map(from_now).into_iter().chain(look).min();
        waits.put_off = put_off.map(|wait| now.steady + wait);
        let (wait, is_firm) = match &report.trouble {
            Some(Trouble::Passing { retry_after, .. }) => (waits.retry.next(draw, *retry_after), retry_after.is_some()),
            Some(Trouble::Unproven { .. }) => (waits.retry.next(draw, None).min(UNPROVEN), false),
            Some(Trouble::NoBooks { .. }) => (waits.retry.next(draw, None), false),
            Some(Trouble::Refused { .. } | Trouble::Held { .. }) => {
                waits.retry.reset();
                (HELD.mul_f64(0.9 + 0.1 * draw), true)
            }
            // Of a lease comes news.
            Some(Trouble::StandingBy { .. } | Trouble::NoLease { .. }) | None => {
                waits.retry.reset();
                waits.wait = None;
                return;
            }
        };
        waits.wait = Some(Wait { until: now.steady + wait, is_firm });
    }

    /// For a new address, or when a person asks: try at once, unless the other side asked for a wait, or refused for good.
    pub(super) fn stop_waiting(&mut self) {
        for waits in self.waits.values_mut() {
            if waits.wait.is_some_and(|wait| !wait.is_firm) {
                waits.wait = None;
                waits.retry.reset();
            }
        }
    }
}

#[cfg(test)]
mod tests;
