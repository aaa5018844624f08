//! The ranges of the edge, looked at now and then after a round, and written when they have changed.

use std::time::Duration;

use tokio::time::Instant;

use super::ears::Ears;
use super::{Daemon, DaemonError, GRACE};
use crate::allowlist::{self, AllowlistError, Outcome, Reload};
use crate::commands::chain_of;

/// After a look that brought nothing the next one comes sooner.
const SOON: Duration = Duration::from_secs(3600);

/// When the ranges are looked at next, and how they are written then.
#[derive(Debug, Default)]
pub(super) struct Ranges {
    /// `None` for at once.
    next: Option<Instant>,
    /// Whether what the files say is known to be in effect.
    in_effect: bool,
}

impl Daemon {
    /// Fetches and writes the ranges, if it is time to. The names come first: this never keeps them waiting.
    pub(super) async fn edges(&mut self, ears: &mut Ears) -> Result<(), DaemonError> {
        let config = &self.home.means.config;
        let Some(allowlist) = config.allowlist.as_ref() else { return Ok(()) };
        if self.ranges.next.is_some_and(|next| Instant::now() < next) {
            return Ok(());
        }
        let every = allowlist.every;
        // Nothing is lost when the asking is cut short: no grace.
        let Some(looked) = ears.during(allowlist::look(config), Duration::ZERO).await? else { return Ok(()) };
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
        Ok(())
    }

    fn no_ranges(&mut self, error: &AllowlistError, every: Duration) {
        self.said.no_ranges(&chain_of(error));
        self.look_again(every.min(SOON));
    }

    /// Varied by a tenth, so that homes do not ask in step.
    fn look_again(&mut self, wait: Duration) {
        self.ranges.next = Some(Instant::now() + wait.mul_f64(0.95 + self.random.f64() / 10.0));
    }
}
