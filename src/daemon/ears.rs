//! Everything that the loop listens to: timers, triggers, pushes, the watchdog's tick.

use std::future::Future;
use std::pin::{Pin, pin};
use std::sync::Arc;
use std::time::Duration;

use futures_util::StreamExt as _;
use futures_util::stream::FuturesUnordered;
use sd_notify::NotifyState;
use tokio::sync::{Notify, mpsc};
use tokio::time::{Instant, MissedTickBehavior, interval, sleep_until};

use super::push::Coalesce;
use super::pushes::Pushes;
use super::{DaemonError, Notifier, STUCK, Trigger};
use crate::config::Config;
use crate::confirm::{Confirming, Verdict};
use crate::standby::Leases;

/// A lease that is looked after for as long as it is polled.
type Keeping = Pin<Box<dyn Future<Output = ()>>>;

/// What the loop does next.
#[derive(Clone, Debug, PartialEq, Eq)]
pub(super) enum Act {
    Stop,
    Reload,
    Publish,
    /// Something is new about who writes.
    Lease,
    /// The servers of a zone were asked: what came to its end.
    Confirmed(Vec<Verdict>),
    Round {
        /// Everybody is to be asked: a person wants it, or something was pushed.
        thorough: bool,
        /// A person asked for it.
        asked: bool,
    },
}

/// Everything the loop listens to; it goes on listening while a round is under way.
pub(super) struct Ears {
    triggers: mpsc::Receiver<Trigger>,
    notifier: Notifier,
    watchdog: Option<tokio::time::Interval>,
    pushes: Pushes,
    /// They look and renew whenever the loop listens, also while a round is under way.
    leases: FuturesUnordered<Keeping>,
    /// Told when there is news of one.
    lease: Arc<Notify>,
    /// Asks the servers of the zones, also while a round is under way.
    pub(super) confirming: Confirming,
    /// What that brought meanwhile.
    confirmed: Vec<Verdict>,
    coalesce: Coalesce,
    /// What the times of `coalesce` count from.
    start: Instant,
    stop: bool,
    reload: bool,
    round: bool,
}

impl Ears {
    pub(super) fn new(triggers: mpsc::Receiver<Trigger>, notifier: Notifier, config: &Config) -> Self {
        let watchdog = notifier.watchdog().map(|limit| {
            let mut ticks = interval(limit / 2);
            ticks.set_missed_tick_behavior(MissedTickBehavior::Delay);
            ticks
        });
        Self {
            triggers,
            notifier,
            watchdog,
            pushes: Pushes::default(),
            leases: FuturesUnordered::new(),
            lease: Arc::default(),
            confirming: Confirming::new(config),
            confirmed: Vec::new(),
            coalesce: Coalesce::default(),
            start: Instant::now(),
            stop: false,
            reload: false,
            round: false,
        }
    }

    /// Listens to the pushes that `config` names, and to no others; asks by it from now on.
    pub(super) async fn listen(&mut self, config: &Config) {
        self.confirming = Confirming::new(config);
        self.confirmed.clear();
        self.pushes = Pushes::listen(config).await;
    }

    /// Keeps `leases`, and no others.
    pub(super) fn keep(&mut self, leases: &Leases) {
        self.leases = leases
            .values()
            .map(|lease| {
                let (lease, news) = (Arc::clone(lease), Arc::clone(&self.lease));
                let keeping: Keeping = Box::pin(async move { lease.keep(|| news.notify_one()).await });
                keeping
            })
            .collect();
    }

    /// To be told when a look begins, for whatever reason.
    pub(super) fn looking(&mut self) {
        self.coalesce.looked(self.start.elapsed());
    }

    fn pushed(&mut self, why: &str) {
        self.coalesce.push(self.start.elapsed());
        tracing::debug!("{why}: {} such news, {} of them in a crowd", self.coalesce.seen(), self.coalesce.ignored());
    }

    /// Waits for the next reason to act.
    pub(super) async fn next(&mut self, round: Instant, publish: Option<Instant>) -> Result<Act, DaemonError> {
        loop {
            if self.stop {
                return Ok(Act::Stop);
            }
            if std::mem::take(&mut self.reload) {
                return Ok(Act::Reload);
            }
            if std::mem::take(&mut self.round) {
                return Ok(Act::Round { thorough: true, asked: true });
            }
            if !self.confirmed.is_empty() {
                return Ok(Act::Confirmed(std::mem::take(&mut self.confirmed)));
            }
            let due = self.coalesce.due().map(|due| self.start + due);
            tokio::select! {
                biased;
                trigger = self.triggers.recv() => self.note(trigger)?,
                () = tick(&mut self.watchdog) => self.notifier.tell(&[NotifyState::Watchdog]),
                _ = self.leases.next(), if !self.leases.is_empty() => {}
                () = self.lease.notified() => return Ok(Act::Lease),
                () = sleep_until(due.unwrap_or(round)), if due.is_some() => return Ok(Act::Round { thorough: true, asked: false }),
                () = sleep_until(round) => return Ok(Act::Round { thorough: false, asked: false }),
                () = sleep_until(publish.unwrap_or(round)), if publish.is_some() => return Ok(Act::Publish),
                verdicts = self.confirming.next() => return Ok(Act::Confirmed(verdicts?)),
                // Last, so that a flood keeps nothing else waiting.
                why = self.pushes.next(), if !self.pushes.silent() => self.pushed(&why),
            }
        }
    }

    /// Does `work` while listening. After a stop it may go on for `grace`; `None` when that was not enough.
    pub(super) async fn during<T>(
        &mut self,
        work: impl Future<Output = T>,
        grace: Duration,
    ) -> Result<Option<T>, DaemonError> {
        let mut work = pin!(work);
        let begun = Instant::now();
        let mut until: Option<Instant> = None;
        loop {
            if self.stop && until.is_none() {
                until = Some(Instant::now() + grace);
            }
            tokio::select! {
                biased;
                done = &mut work => return Ok(Some(done)),
                trigger = self.triggers.recv(), if !self.stop => self.note(trigger)?,
                _ = self.leases.next(), if !self.leases.is_empty() => {}
                () = tick(&mut self.watchdog) => {
                    if begun.elapsed() < STUCK {
                        self.notifier.tell(&[NotifyState::Watchdog]);
                    }
                }
                () = sleep_until(until.unwrap_or(begun)), if until.is_some() => return Ok(None),
                verdicts = self.confirming.next() => self.confirmed.extend(verdicts?),
                why = self.pushes.next(), if !self.pushes.silent() => self.pushed(&why),
            }
        }
    }

    fn note(&mut self, trigger: Option<Trigger>) -> Result<(), DaemonError> {
        match trigger.ok_or(DaemonError::Deaf)? {
            Trigger::Stop => self.stop = true,
            Trigger::Reload => self.reload = true,
            Trigger::Round => self.round = true,
        }
        Ok(())
    }
}

async fn tick(watchdog: &mut Option<tokio::time::Interval>) {
    match watchdog {
        Some(ticks) => {
            ticks.tick().await;
        }
        None => std::future::pending().await,
    }
}
