//! The ranges of the edge: looked at now and then beside all else, and written when they have changed.

use std::time::Duration;

use tokio::time::Instant;

use super::ears::Ears;
use super::{Daemon, DaemonError, GRACE};
use crate::allowlist::{self, AllowlistError, Outcome, Reload, Report};
use crate::clock::Timestamp;
use crate::status::model::Edge;
use crate::text::chain_of;

/// After a look that brought nothing the next one comes sooner.
const SOON: Duration = Duration::from_secs(3600);

/// When the ranges are looked at next, and how they are written then.
#[derive(Debug)]
pub(super) struct Ranges {
    next: Instant,
    /// Whether what the files say is known to be in effect.
    in_effect: bool,
}

fn seen(report: &Report, before: &[Edge], now: Timestamp) -> Edge {
    let last = before.iter().find(|edge| edge.name == report.edge).and_then(|edge| edge.last_fetch);
    let (last_fetch, trouble) = match &report.outcome {
        Outcome::Same | Outcome::Taken { .. } => (Some(now), None),
        Outcome::Refused { why, .. } | Outcome::Unreachable { why } => (last, Some(why.clone())),
    };
    let Report { edge, number, since, ranges, .. } = report;
    Edge { name: edge.clone(), number: *number, since: *since, ranges: ranges.len(), last_fetch, trouble }
}

impl Ranges {
    pub(super) fn new() -> Self {
        Self { next: Instant::now(), in_effect: false }
    }

    pub(super) fn next(&self) -> Instant {
        self.next
    }
}

impl Daemon {
    /// Begins to look at the lists, beside all else.
    pub(super) fn fetch(&mut self, ears: &mut Ears) {
        // Should what is begun be given up.
        self.look_again(SOON);
        let config = self.home.means.config.clone();
        ears.fetch(async move { allowlist::look(&config).await });
    }

    /// Takes and writes what is believed of what that has brought.
    pub(super) async fn fetched(&mut self, ears: &mut Ears) -> Result<(), DaemonError> {
        let Some(looked) = ears.lists() else { return Ok(()) };
        let Some(allowlist) = self.home.means.config.allowlist.as_ref() else { return Ok(()) };
        let every = allowlist.every;
        let reports = match looked.and_then(|looked| self.home.take_ranges(looked)) {
            Ok(reports) => reports,
            Err(error) => {
                self.no_ranges(&error, every);
                return Ok(());
            }
        };
        let away = reports.iter().any(|report| matches!(report.outcome, Outcome::Unreachable { .. }));
        self.look_again(if away { every.min(SOON) } else { every });
        reports.iter().for_each(|report| self.said.ranges(report));
        let (now, before) = (self.clock.now(), std::mem::take(&mut self.latest.edges));
        self.latest.edges = reports.iter().map(|report| seen(report, &before, now)).collect();
        let when = if self.ranges.in_effect { Reload::Changed } else { Reload::Always };
        let writing = allowlist::write(&self.home.means.config, when);
        match ears.during(writing, GRACE).await? {
            Some(Ok(files)) => {
                self.ranges.in_effect = files.iter().all(|file| file.trouble.is_none());
                files.iter().for_each(|file| self.said.rendered(file));
            }
            // Why is told above.
            Some(Err(AllowlistError::Never(_))) => {}
            Some(Err(error)) => self.no_ranges(&error, every),
            None => self.ranges.in_effect = false,
        }
        if reports.iter().any(|report| matches!(report.outcome, Outcome::Taken { .. })) {
            // Who may get in has changed: whether they do is looked at again.
            self.next_exposure = Some(Instant::now());
        }
        self.show();
        Ok(())
    }

    fn no_ranges(&mut self, error: &AllowlistError, every: Duration) {
        self.said.no_ranges(&chain_of(error));
        self.look_again(every.min(SOON));
    }

    /// Varied by a tenth, so that homes do not ask in step.
    fn look_again(&mut self, wait: Duration) {
        self.ranges.next = Instant::now() + wait.mul_f64(0.95 + self.random.f64() / 10.0);
    }
}
