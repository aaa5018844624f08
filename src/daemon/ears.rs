//! Everything that the loop listens to: timers, triggers, pushes, the watchdog's tick.

use std::collections::BTreeSet;
use std::future::Future;
use std::pin::{Pin, pin};
use std::sync::Arc;
use std::time::Duration;

use futures_util::StreamExt as _;
use futures_util::stream::FuturesUnordered;
use sd_notify::NotifyState;
use tokio::sync::{Notify, mpsc, watch};
use tokio::time::{Instant, MissedTickBehavior, interval, sleep_until, timeout};

use super::clock_set::ClockSet;
use super::push::Coalesce;
use super::pushes::Pushes;
use super::{DaemonError, Notifier, STUCK, Snapshot, Trigger};
use crate::allowlist::{AllowlistError, Looked};
use crate::clock::Clock;
use crate::confirm::{Confirming, Verdict};
use crate::exposure::Finding;
use crate::message;
use crate::round::{Done, Work};
use crate::settings::{Config, StatusPage};
use crate::standby::Leases;
use crate::state::Told;
use crate::status::SOCKET;
use crate::status::request::Door;
use crate::status::serve::{FOLLOWED, serve};

/// A lease that is looked after for as long as it is polled.
type Keeping = Pin<Box<dyn Future<Output = ()>>>;

/// What a look at the lists of the edges has brought.
pub(super) type Lists = Result<Vec<Looked>, AllowlistError>;

/// A look at what the outside can see, under way for as long as it is polled.
type Exposing = Pin<Box<dyn Future<Output = Option<Vec<Finding>>>>>;

/// The same at the lists of the edges.
type Fetching = Pin<Box<dyn Future<Output = Lists>>>;

/// The status, shown for as long as it is polled.
type Showing = Pin<Box<dyn Future<Output = ()>>>;

/// When the loop has something to do by itself; `None` for not at all.
#[derive(Clone, Copy, Debug)]
pub(super) struct Due {
    /// The next round.
    pub(super) round: Instant,
    /// A provider that had to wait.
    pub(super) publish: Option<Instant>,
    /// To show what is known.
    pub(super) show: Option<Instant>,
    /// A look at what the outside can see.
    pub(super) expose: Option<Instant>,
    /// A look at the lists of the edges.
    pub(super) fetch: Option<Instant>,
}

/// What the loop does next.
#[derive(Clone, Debug, PartialEq, Eq)]
pub(super) enum Act {
    Stop,
    Reload,
    Publish,
    /// The clock was set.
    Clock,
    /// To show what is known.
    Show,
    /// Work on providers is done: [`Ears::done`] has what came of it.
    Worked,
    /// Something is new about who writes.
    Lease,
    /// The servers of a zone were asked: what came to its end.
    Confirmed(Vec<Verdict>),
    /// It is time to look at what the outside can see.
    Expose,
    /// That look has ended.
    Exposed(Vec<Finding>),
    /// It is time to look at the lists of the edges.
    Fetch,
    /// Somebody was told of something.
    Told(Told),
    /// That look has ended: [`Ears::lists`] has what it brought.
    Fetched,
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
    /// The providers that are being worked on, also while a round is under way.
    pub(super) work: Work,
    /// What came of that.
    done: Vec<Done>,
    /// At most one.
    exposing: Option<Exposing>,
    /// What that brought meanwhile.
    exposed: Option<Vec<Finding>>,
    /// At most one.
    fetching: Option<Fetching>,
    /// What that brought.
    fetched: Option<Lists>,
    /// Tells people what needs them.
    telling: Option<Showing>,
    /// Who was told of what.
    told: Option<watch::Receiver<Told>>,
    /// Shows the status at these doors.
    showing: Option<(Vec<Door>, Showing)>,
    /// Hears when the clock is set.
    set: ClockSet,
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
            work: Work::default(),
            done: Vec::new(),
            exposing: None,
            exposed: None,
            fetching: None,
            fetched: None,
            telling: None,
            told: None,
            showing: None,
            set: ClockSet::listen(),
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
        (self.exposing, self.exposed) = (None, None);
        (self.fetching, self.fetched) = (None, None);
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

    /// Shows the status by `config`; where nothing about that has changed it goes on.
    pub(super) fn show(&mut self, config: &Config, snapshot: &watch::Receiver<Snapshot>) {
        let StatusPage { listen, allow, hosts } = config.status.clone();
        let mut doors = vec![Door::control(config.state_dir.join(SOCKET))];
        doors.extend(listen.map(|listen| Door { listen, allow, hosts }));
        if self.showing.as_ref().is_none_or(|(present, _)| *present != doors) {
            // The one before is closed first: both may be in the same place.
            self.showing = None;
            let showing = Box::pin(serve(doors.clone(), snapshot.clone(), FOLLOWED));
            self.showing = Some((doors, showing));
        }
    }

    /// Tells people by `config`; `told` is what they were told before. A letter that waited to be sent comes up again.
    pub(super) fn tell_people(
        &mut self,
        config: &Config,
        snapshot: &watch::Receiver<Snapshot>,
        clock: &Clock,
        told: Told,
    ) {
        let (sender, receiver) = watch::channel(told);
        self.told = Some(receiver);
        self.telling = Some(Box::pin(message::run(config.messages.clone(), snapshot.clone(), clock.clone(), sender)));
    }

    /// Does this beside all else; what was begun before is given up.
    pub(super) fn expose(&mut self, looking: impl Future<Output = Option<Vec<Finding>>> + 'static) {
        self.exposing = Some(Box::pin(looking));
    }

    /// The same for the lists of the edges.
    pub(super) fn fetch(&mut self, looking: impl Future<Output = Lists> + 'static) {
        self.fetching = Some(Box::pin(looking));
    }

    /// What that brought, once.
    pub(super) fn lists(&mut self) -> Option<Lists> {
        self.fetched.take()
    }

    /// What came of the work on providers since this was asked.
    pub(super) fn done(&mut self) -> Vec<Done> {
        std::mem::take(&mut self.done)
    }

    /// Gives up the work on providers, but for writes that are under way: these may take `grace`. `writing` tells to whom.
    /// False when that was not enough.
    pub(super) async fn give_up(&mut self, writing: &BTreeSet<String>, grace: Duration) -> Result<bool, DaemonError> {
        let mut work = std::mem::take(&mut self.work);
        work.give_up(writing);
        let mut done = Vec::new();
        let finish = async {
            while let Some(one) = work.next().await {
                done.push(one);
            }
        };
        let finished = self.during(timeout(grace, finish), grace).await?;
        self.done.extend(done);
        Ok(matches!(finished, Some(Ok(()))))
    }

    /// To be told when a look begins, for whatever reason.
    pub(super) fn looking(&mut self) {
        self.coalesce.looked(self.start.elapsed());
    }

    /// A reason to look soon.
    pub(super) fn pushed(&mut self, why: &str) {
        self.coalesce.push(self.start.elapsed());
        tracing::debug!("{why}: {} such news, {} of them in a crowd", self.coalesce.seen(), self.coalesce.ignored());
    }

    /// Waits for the next reason to act.
    pub(super) async fn next(&mut self, due: Due) -> Result<Act, DaemonError> {
        let Due { round, publish, show, expose, fetch } = due;
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
            if let Some(found) = self.exposed.take() {
                return Ok(Act::Exposed(found));
            }
            if self.fetched.is_some() {
                return Ok(Act::Fetched);
            }
            if !self.done.is_empty() {
                return Ok(Act::Worked);
            }
            let due = self.coalesce.due().map(|due| self.start + due);
            tokio::select! {
                biased;
                trigger = self.triggers.recv() => self.note(trigger)?,
                () = tick(&mut self.watchdog) => self.notifier.tell(&[NotifyState::Watchdog]),
                _ = self.leases.next(), if !self.leases.is_empty() => return Err(DaemonError::Unkept),
                () = self.set.set() => return Ok(Act::Clock),
                () = self.lease.notified() => return Ok(Act::Lease),
                () = sleep_until(due.unwrap_or(round)), if due.is_some() => return Ok(Act::Round { thorough: true, asked: false }),
                () = sleep_until(round) => return Ok(Act::Round { thorough: false, asked: false }),
                () = sleep_until(publish.unwrap_or(round)), if publish.is_some() => return Ok(Act::Publish),
                () = sleep_until(show.unwrap_or(round)), if show.is_some() => return Ok(Act::Show),
                Some(done) = self.work.next() => self.done.push(done),
                () = sleep_until(expose.unwrap_or(round)), if expose.is_some() => return Ok(Act::Expose),
                () = sleep_until(fetch.unwrap_or(round)), if fetch.is_some() => return Ok(Act::Fetch),
                found = ended(&mut self.exposing) => self.exposed = found,
                lists = ended(&mut self.fetching) => self.fetched = Some(lists),
                told = news_of(&mut self.told) => return Ok(Act::Told(told)),
                () = telling(&mut self.telling) => return Err(DaemonError::Mute),
                () = shown(&mut self.showing) => return Err(DaemonError::Blind),
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
                _ = self.leases.next(), if !self.leases.is_empty() => return Err(DaemonError::Unkept),
                () = tick(&mut self.watchdog) => {
                    if begun.elapsed() < STUCK {
                        self.notifier.tell(&[NotifyState::Watchdog]);
                    }
                }
                () = sleep_until(until.unwrap_or(begun)), if until.is_some() => return Ok(None),
                Some(done) = self.work.next() => self.done.push(done),
                found = ended(&mut self.exposing) => self.exposed = found,
                lists = ended(&mut self.fetching) => self.fetched = Some(lists),
                () = telling(&mut self.telling) => return Err(DaemonError::Mute),
                () = shown(&mut self.showing) => return Err(DaemonError::Blind),
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

async fn ended<T>(under_way: &mut Option<Pin<Box<dyn Future<Output = T>>>>) -> T {
    let Some(looking) = under_way else { return std::future::pending().await };
    let found = looking.await;
    *under_way = None;
    found
}

async fn telling(telling: &mut Option<Showing>) {
    match telling {
        Some(telling) => telling.await,
        None => std::future::pending().await,
    }
}

/// Who was told of what, when that is new.
async fn news_of(told: &mut Option<watch::Receiver<Told>>) -> Told {
    if let Some(told) = told
        && told.changed().await.is_ok()
    {
        return told.borrow().clone();
    }
    std::future::pending().await
}

async fn shown(showing: &mut Option<(Vec<Door>, Showing)>) {
    match showing {
        Some((_, showing)) => showing.await,
        None => std::future::pending().await,
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

#[cfg(test)]
mod tests;
