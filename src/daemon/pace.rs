//! When to look again, and when to write again. Pure but for the back-off it keeps; times are arguments.

use std::collections::BTreeMap;
use std::time::Duration;

use tokio::time::Instant;

use crate::address::Family;
use crate::clock::Timestamp;
use crate::config::{self, Config, Watch};
use crate::update::retry::Retry;
use crate::update::{Report, Trouble};
use crate::watch::settle::Heard;

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
    /// Not before this, after a passing fault; and whether the other side asked for the wait.
    wait: Option<(Instant, bool)>,
    /// Records are put off by a limit until then.
    put_off: Option<Instant>,
}

impl Pace {
    pub(super) fn new(config: &Config) -> Self {
        let doubt = config::Retry { initial: config.watch.settle_every, max: config.watch.every };
        Self { doubt: Retry::new(doubt), providers: BTreeMap::new() }
    }

    /// How long until the next round. `draw` is uniform in [0, 1).
    ///
    /// Quick while a new address is being settled; with growing waits while there is no ruling; else
    /// `every`, jittered by a tenth so that many homes do not ask in step.
    pub(super) fn next_round(&mut self, watch: &Watch, heard: &[(Family, Heard)], draw: f64) -> Duration {
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

    /// Takes in how a pass over a provider ended.
    pub(super) fn after(&mut self, report: &Report, settings: config::Retry, wall: Timestamp, now: Instant, draw: f64) {
        let pace = self.providers.entry(report.provider.clone()).or_insert_with(|| ProviderPace {
            retry: Retry::new(settings),
            wait: None,
            put_off: None,
        });
        pace.put_off = report.put_off_until.map(|until| now + until.since(wall).max(Duration::from_millis(1)));
        pace.wait = match &report.trouble {
            Some(Trouble::Passing { retry_after, .. }) => {
                Some((now + pace.retry.next(draw, *retry_after), retry_after.is_some()))
            }
            Some(Trouble::NoBooks { .. }) => Some((now + pace.retry.next(draw, None), false)),
            // A hold ends by a person's hand, not by waiting.
            Some(Trouble::Refused { .. } | Trouble::Held { .. }) | None => {
                pace.retry.reset();
                None
            }
        };
    }

    /// For a new address, or when a person asks: try at once, unless the other side asked for a wait.
    pub(super) fn stop_waiting(&mut self) {
        for pace in self.providers.values_mut() {
            if let Some((_, false)) = pace.wait {
                pace.wait = None;
                pace.retry.reset();
            }
        }
    }
}
