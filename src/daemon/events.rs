//! Everything that the loop listens to: signals, the kernel and the routers, the clock, the watchdog's tick, and the tasks
//! that go on beside it.

use std::collections::{BTreeSet, VecDeque};
use std::fmt;
use std::sync::Arc;
use std::time::Duration;

use sd_notify::NotifyState;
use tokio::sync::{mpsc, watch};
use tokio::time::{Instant, Interval, MissedTickBehavior, interval, sleep_until};

use super::change_sources::ChangeSources;
use super::clock_set::ClockSet;
use super::{DaemonError, Notifier, STUCK, Snapshot, Trigger};
use crate::allowlist::{AllowlistError, Looked, Rendered};
use crate::clock::Clock;
use crate::confirm::{Confirming, Verdict};
use crate::exposure::Finding;
use crate::message;
use crate::round::{Answers, Done, Work};
use crate::settings::{Config, StatusPage};
use crate::standby::Leases;
use crate::state::Told;
use crate::status::SOCKET;
use crate::status::request::Door;
use crate::status::serve::{FOLLOWED, serve};
use crate::tasks::Tasks;

/// What has happened.
pub(super) enum Event {
    /// Somebody outside wants something.
    Trigger(Trigger),
    /// It is time for something.
    Due,
    /// The clock was set.
    ClockSet,
    /// The kernel or a router told of a change.
    Pushed(String),
    /// The witnesses have answered.
    Looked(Answers),
    /// Work on a provider is done.
    Worked(Done),
    /// Something is new about who writes.
    Lease,
    /// The servers of a zone were asked: what came to its end.
    Confirmed(Vec<Verdict>),
    /// The look from outside has ended; `None` where it could not begin.
    Exposed(Option<Vec<Finding>>),
    /// The lists of the edges were looked at.
    Fetched(Result<Vec<Looked>, AllowlistError>),
    /// Their ranges were written.
    Rendered(Result<Vec<Rendered>, AllowlistError>),
    /// Somebody was told of something.
    Told(Told),
}

/// What goes on beside the loop.
#[derive(Clone, Debug, PartialEq, Eq)]
pub(super) enum Task {
    /// Asks the witnesses.
    Look,
    /// Looks from outside.
    Expose,
    /// Looks at the lists of the edges.
    Fetch,
    /// Writes their ranges.
    Render,
    /// Shows the status.
    Status,
    /// Tells people.
    Messages,
    /// Looks after the lease of this provider.
    Lease(String),
}

/// What it does, as in "the task that …".
impl fmt::Display for Task {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        match self {
            Self::Look => f.write_str("asks the witnesses"),
            Self::Expose => f.write_str("looks from outside"),
            Self::Fetch => f.write_str("looks at the lists of the edges"),
            Self::Render => f.write_str("writes the ranges of the edges"),
            Self::Status => f.write_str("shows the status"),
            Self::Messages => f.write_str("sends messages"),
            Self::Lease(provider) => write!(f, "looks after the lease of {provider}"),
        }
    }
}

/// Everything that the loop listens to.
pub(super) struct Events {
    triggers: mpsc::Receiver<Trigger>,
    watchdog: Watchdog,
    clock_set: ClockSet,
    pushes: ChangeSources,
    /// What those tasks say that never end.
    news: (mpsc::UnboundedSender<Event>, mpsc::UnboundedReceiver<Event>),
    /// A task that is not to end by itself brings nothing when it does.
    tasks: Tasks<Task, Option<Event>>,
    /// The status is shown at these.
    doors: Vec<Door>,
    /// The providers that are being worked on.
    pub(super) work: Work,
    /// Asks the servers of the zones.
    pub(super) confirming: Confirming,
    /// What has happened, and was not told yet.
    backlog: VecDeque<Event>,
}

/// Tells the service manager that the loop goes on.
struct Watchdog {
    notifier: Notifier,
    ticks: Option<Interval>,
}

impl Watchdog {
    fn new(notifier: Notifier) -> Self {
        let ticks = notifier.watchdog().map(|limit| {
            let mut ticks = interval(limit / 2);
            ticks.set_missed_tick_behavior(MissedTickBehavior::Delay);
            ticks
        });
        Self { notifier, ticks }
    }

    async fn tick(&mut self) {
        match &mut self.ticks {
            Some(ticks) => _ = ticks.tick().await,
            None => std::future::pending().await,
        }
    }
}

impl Events {
    pub(super) fn new(triggers: mpsc::Receiver<Trigger>, notifier: Notifier, config: &Config) -> Self {
        Self {
            triggers,
            watchdog: Watchdog::new(notifier),
            clock_set: ClockSet::listen(),
            pushes: ChangeSources::default(),
            news: mpsc::unbounded_channel(),
            tasks: Tasks::default(),
            doors: Vec::new(),
            work: Work::default(),
            confirming: Confirming::new(config),
            backlog: VecDeque::new(),
        }
    }

    /// Listens to what `config` names, and to nothing else; keeps `leases`, shows what `snapshot` has, and tells people of it,
    /// whom `told` says what they were told before. A message that waited to be sent comes up again.
    pub(super) async fn listen(
        &mut self,
        config: &Config,
        leases: &Leases,
        snapshot: &watch::Receiver<Snapshot>,
        clock: &Clock,
        told: Told,
    ) {
        self.confirming = Confirming::new(config);
        self.tasks.keep_only(|task| *task == Task::Status);
        // What they said is over with them.
        self.news = mpsc::unbounded_channel();
        self.keep(leases);
        self.show(config, snapshot);
        self.tell_people(config, snapshot, clock, told);
        self.pushes = ChangeSources::listen(config).await;
    }

    fn keep(&mut self, leases: &Leases) {
        for (provider, lease) in leases {
            let (lease, news) = (Arc::clone(lease), self.news.0.clone());
            self.tasks.start(Task::Lease(provider.clone()), async move {
                // Nobody listens only where the daemon ends.
                lease.keep(|| _ = news.send(Event::Lease)).await;
                None
            });
        }
    }

    /// Where nothing about the doors has changed it goes on.
    fn show(&mut self, config: &Config, snapshot: &watch::Receiver<Snapshot>) {
        let StatusPage { listen, allow, hosts } = config.status.clone();
        let mut doors = vec![Door::control(config.state_dir.join(SOCKET))];
        doors.extend(listen.map(|listen| Door { listen, allow, hosts }));
        if self.doors != doors {
            self.doors.clone_from(&doors);
            let showing = serve(doors, snapshot.clone(), FOLLOWED);
            self.tasks.start(Task::Status, async move {
                showing.await;
                None
            });
        }
    }

    fn tell_people(&mut self, config: &Config, snapshot: &watch::Receiver<Snapshot>, clock: &Clock, told: Told) {
        let (sender, mut receiver) = watch::channel(told);
        let telling = message::run(config.messages.clone(), snapshot.clone(), clock.clone(), sender);
        let news = self.news.0.clone();
        self.tasks.start(Task::Messages, async move {
            let mut telling = std::pin::pin!(telling);
            loop {
                tokio::select! {
                    biased;
                    Ok(()) = receiver.changed() => {
                        _ = news.send(Event::Told(receiver.borrow().clone()));
                    }
                    () = &mut telling => return None,
                }
            }
        });
    }

    /// Does `work` beside all else, as `task`; what was begun as that before is given up.
    pub(super) fn start(&mut self, task: Task, work: impl Future<Output = Event> + 'static) {
        self.tasks.start(task, async move { Some(work.await) });
    }

    /// Waits for what happens next; at `due` it is time for something.
    pub(super) async fn next(&mut self, due: Option<Instant>) -> Result<Event, DaemonError> {
        match self.backlog.pop_front() {
            Some(event) => Ok(event),
            None => self.hear(due).await,
        }
    }

    async fn hear(&mut self, due: Option<Instant>) -> Result<Event, DaemonError> {
        loop {
            tokio::select! {
                biased;
                trigger = self.triggers.recv() => return trigger.map(Event::Trigger).ok_or(DaemonError::Deaf),
                () = self.watchdog.tick() => self.is_alive(),
                () = sleep_until(due.unwrap_or_else(Instant::now)), if due.is_some() => return Ok(Event::Due),
                () = self.clock_set.set() => return Ok(Event::ClockSet),
                Some(news) = self.news.1.recv() => return Ok(news),
                Some((task, came)) = self.tasks.next() => return came.ok_or(DaemonError::Ended(task.to_string())),
                Some(done) = self.work.next() => return Ok(Event::Worked(done)),
                verdicts = self.confirming.next() => return Ok(Event::Confirmed(verdicts?)),
                // Last, so that a flood keeps nothing else waiting.
                why = self.pushes.next(), if !self.pushes.silent() => return Ok(Event::Pushed(why)),
            }
        }
    }

    /// A look that never ends is no life.
    fn is_alive(&self) {
        if self.tasks.begun(&Task::Look).is_none_or(|begun| begun.elapsed() < STUCK) {
            self.watchdog.notifier.tell(&[NotifyState::Watchdog]);
        }
    }

    /// Gives up what is under way, but for writes to the providers that are `writing` and for files that are being written:
    /// these may take `grace`. False when that was not enough. What came of it is [`Self::ended`].
    pub(super) async fn give_up(&mut self, writing: &BTreeSet<String>, grace: Duration) -> Result<bool, DaemonError> {
        self.tasks.keep_only(|task| !matches!(task, Task::Look | Task::Expose | Task::Fetch));
        self.work.give_up(writing);
        let until = Instant::now() + grace;
        while !self.work.is_idle() || self.tasks.begun(&Task::Render).is_some() {
            match self.hear(Some(until)).await? {
                Event::Due => return Ok(false),
                event => self.backlog.push_back(event),
            }
        }
        while let Ok(news) = self.news.1.try_recv() {
            self.backlog.push_back(news);
        }
        Ok(true)
    }

    /// What has happened of late, and belongs to work that was begun before.
    pub(super) fn ended(&mut self) -> Vec<Event> {
        let (ended, rest) = std::mem::take(&mut self.backlog).into_iter().partition(|event| {
            matches!(event, Event::Worked(_) | Event::Rendered(_) | Event::Confirmed(_) | Event::Told(_))
        });
        self.backlog = rest;
        Vec::from(ended)
    }
}

#[cfg(test)]
mod tests;
