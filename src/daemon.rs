//! The background service: one loop over one set of triggers. Timer, signals, service manager.
//!
//! What it is told, and what it tells, is passed in: the triggers, the notifier, the clock, the randomness.

mod around;
mod change_sources;
mod clock_set;
mod edges;
mod events;
mod log_once;
mod work;

use std::sync::Arc;
use std::time::Duration;

use sd_notify::NotifyState;
use tokio::sync::watch;
use tokio::time::Instant;

use crate::clock::Clock;
use crate::config::load::{ConfigError, Loaded};
use crate::exposure::Finding;
use crate::files;
use crate::household::schedule::{Action, Schedule};
use crate::round::{Actors, Answers, Home, RoundError};
use crate::status::{self, Snapshot};
use crate::update::retry::doubling;
use crate::watch::look::agreed;
pub use around::{DaemonError, Notifier, Surroundings, Trigger};
use edges::Ranges;
use events::{Event, Events, Task};
use log_once::LogOnce;

/// After a stop is asked for, a write in flight may take this long.
pub const GRACE: Duration = Duration::from_secs(10);

/// A round that takes longer than this is stuck: the watchdog is told no more, and the service manager acts.
const STUCK: Duration = Duration::from_secs(10 * 60);

/// Runs until told to stop.
pub async fn run(load: impl Fn() -> Result<Loaded, ConfigError>, around: Surroundings) -> Result<(), DaemonError> {
    let Surroundings { triggers, notifier, snapshot, clock, random } = around;
    let loaded = load()?;
    for note in &loaded.notes {
        tracing::warn!("{note}");
    }
    if let Some(who) = files::stranger_at(&loaded.config.state_dir) {
        return Err(DaemonError::Theirs { path: loaded.config.state_dir, who });
    }
    let actors = Actors::new(loaded.config, clock.clone()).map_err(RoundError::Watch)?;
    let home = Home::open(actors)?;
    let mut events = Events::new(triggers, notifier, &home.actors.config);
    let watching = snapshot.subscribe();
    let told = home.state().told.clone();
    events.listen(&home.actors.config, home.leases(), &watching, &clock, told).await;
    notifier.tell(&[NotifyState::Ready]);
    tracing::info!("fingerpost {} keeps {}", env!("CARGO_PKG_VERSION"), describe(&home.actors.config));
    let mut daemon = Daemon::new(home, clock, random, snapshot, notifier);
    daemon.follow(&mut events);
    daemon.show();
    loop {
        let event = events.next(daemon.due()).await?;
        daemon.follow_clock();
        match event {
            Event::Trigger(Trigger::Stop) => break,
            Event::Trigger(Trigger::Reload) => {
                if daemon.reload(&load, &mut events).await? {
                    let told = daemon.home.state().told.clone();
                    let (config, leases) = (&daemon.home.actors.config, daemon.home.leases());
                    events.listen(config, leases, &watching, &daemon.clock, told).await;
                    daemon.follow(&mut events);
                    daemon.home.release_former_leases().await;
                }
            }
            event => daemon.take(event, &mut events),
        }
        daemon.begin_what_is_due(&mut events);
    }
    daemon.finish(&mut events).await?;
    notifier.tell(&[NotifyState::Stopping]);
    drop(events);
    daemon.home.release_leases().await;
    tracing::info!("told to stop: stopped");
    Ok(())
}

fn describe(config: &crate::settings::Config) -> String {
    let plural = |count: usize, one: &str, more: &str| format!("{count} {}", if count == 1 { one } else { more });
    let every = humantime::format_duration(config.watch.every);
    format!(
        "{} by {}, every {every}",
        plural(config.records.len(), "record", "records"),
        plural(config.witnesses.len(), "witness", "witnesses")
    )
}

struct Daemon {
    home: Home,
    clock: Clock,
    random: fastrand::Rng,
    schedule: Schedule,
    log_once: LogOnce,
    ranges: Ranges,
    snapshot: watch::Sender<Snapshot>,
    latest: Snapshot,
    notifier: Notifier,
    status: String,
    /// What the times of the schedule count from.
    began: Instant,
}

impl Daemon {
    fn new(
        mut home: Home,
        clock: Clock,
        random: fastrand::Rng,
        snapshot: watch::Sender<Snapshot>,
        notifier: Notifier,
    ) -> Self {
        let (began, schedule) = (Instant::now(), Schedule::new(&home.actors.config, doubling, Duration::ZERO));
        let edges = status::edges(&home.actors.config);
        let (flaw, started) = (home.remember(), Some(clock.now()));
        let records = home.actors.config.records.as_slice().into();
        let latest = Snapshot { flaw, started, edges, records, ..Snapshot::default() };
        Self {
            home,
            clock,
            random,
            schedule,
            log_once: LogOnce::default(),
            ranges: Ranges::default(),
            snapshot,
            latest,
            notifier,
            status: String::new(),
            began,
        }
    }

    /// Since the start, by the steady clock.
    fn steady(&self) -> Duration {
        self.began.elapsed()
    }

    fn draw(&mut self) -> f64 {
        self.random.f64()
    }

    /// When there is something to do.
    fn due(&self) -> Option<Instant> {
        self.schedule.due().map(|due| self.began + due)
    }

    /// Takes in what has happened.
    fn take(&mut self, event: Event, events: &mut Events) {
        match event {
            // Both are seen to wherever something happens.
            Event::Due | Event::ClockSet => {}
            Event::Trigger(Trigger::Round) => self.schedule.asked(),
            // Whoever runs the loop sees to these.
            Event::Trigger(Trigger::Stop | Trigger::Reload) => {}
            Event::Pushed(why) => self.pushed(&why),
            Event::Looked(answers) => self.looked(answers, events),
            Event::Worked(done) => self.worked(done, events),
            Event::Lease => self.lease(events),
            Event::Confirmed(verdicts) => self.confirmed(verdicts, events),
            Event::Exposed(found) => self.exposed(found),
            Event::Fetched(lists) => self.fetched(lists, events),
            Event::Rendered(files) => self.rendered(files),
            Event::Told(told) => self.home.note_told(told),
        }
    }

    /// Begins all that is due.
    fn begin_what_is_due(&mut self, events: &mut Events) {
        loop {
            let draw = self.draw();
            match self.schedule.next(self.steady(), draw) {
                None => return,
                Some(Action::Look { thorough }) => {
                    let looking = self.home.looking(thorough);
                    events.start(Task::Look, async move { Event::Looked(looking.await) });
                }
                Some(Action::Publish(turn)) => self.publish(&turn, events),
                Some(Action::Show) => self.show_all(),
                Some(Action::Expose) => self.expose(events),
                Some(Action::Fetch) => self.fetch(events),
            }
        }
    }

    /// Where the clock was set, all that is dated moves along; and whatever failed because it was wrong is tried again.
    fn follow_clock(&mut self) {
        let Some(step) = self.home.follow_clock() else { return };
        self.latest.shift(&step);
        self.schedule.clock_set(self.steady());
        self.show();
    }

    fn pushed(&mut self, why: &str) {
        self.schedule.pushed(self.steady());
        let (seen, ignored) = self.schedule.pushes();
        tracing::debug!("{why}: {seen} such news, {ignored} of them in a crowd");
    }

    /// Takes in a round, and publishes what follows from it.
    fn looked(&mut self, answers: Answers, events: &mut Events) {
        let heard = self.home.hear(answers, self.home.actors.config.watch.settle);
        let draw = self.draw();
        let wait = self.schedule.looked(&heard, self.steady(), draw);
        self.latest.rounds += 1;
        self.latest.next_round = self.clock.now().plus(wait);
        for (look, (_, heard)) in self.home.household().looks().iter().zip(&heard) {
            self.log_once.look(look, heard);
        }
        self.home.enter_findings();
        self.log_once.findings(self.home.household().found());
        self.latest.findings = self.home.household().found().to_vec();
        self.latest.held_back = self.home.held_back();
        self.latest.looks = self.home.household().looks().to_vec();
        Arc::make_mut(&mut self.latest.history).hear(&self.latest.looks);
        let (now, agreed) = (self.clock.now(), agreed(&self.latest.looks));
        self.latest.last_rulings.extend(agreed.into_keys().map(|via| (via, now)));
        self.latest.outages = self.home.outages().map(|(via, since)| (via.clone(), since)).collect();
        let turn = self.schedule.turn(self.steady());
        self.publish(&turn, events);
        self.show_all();
    }

    /// Keeps and shows what is known by now.
    fn show_all(&mut self) {
        self.home.keep();
        self.schedule.showed(self.steady());
        self.show();
    }

    /// Begins to look at what the outside can see, beside all else.
    fn expose(&mut self, events: &mut Events) {
        match self.home.exposing() {
            Some(looking) => events.start(Task::Expose, async move { Event::Exposed(looking.await) }),
            None if self.home.actors.config.exposure.services.is_empty() => self.exposed(Some(Vec::new())),
            // The first settled address is a reason to look.
            None => {}
        }
    }

    fn exposed(&mut self, found: Option<Vec<Finding>>) {
        let Some(found) = found else { return };
        self.home.enter_exposure(&found);
        self.schedule.exposed();
        self.latest.exposure = found;
        self.latest.exposed = Some(self.clock.now());
        self.show();
    }

    /// Takes a new configuration over, or keeps the old one and says why; true where it is new.
    async fn reload(
        &mut self,
        load: &impl Fn() -> Result<Loaded, ConfigError>,
        events: &mut Events,
    ) -> Result<bool, DaemonError> {
        self.notifier.tell(&[NotifyState::Reloading]);
        let taken = load().map_err(|error| crate::text::chain_of(&error)).and_then(|loaded| {
            let (old, new) = (&self.home.actors.config.state_dir, &loaded.config.state_dir);
            if old != new {
                return Err(format!(
                    "state_dir cannot change while running ({} to {}): restart",
                    old.display(),
                    new.display()
                ));
            }
            let actors =
                Actors::new(loaded.config, self.clock.clone()).map_err(|error| crate::text::chain_of(&error))?;
            Ok((actors, loaded.notes))
        });
        let is_taken = taken.is_ok();
        match taken {
            Ok((actors, notes)) => {
                for note in notes {
                    tracing::warn!("{note}");
                }
                self.finish(events).await?;
                self.home.refit(actors);
                let steady = self.steady();
                self.schedule.reloaded(&self.home.actors.config, doubling, steady);
                self.log_once = LogOnce::default();
                self.ranges = Ranges::default();
                self.latest.providers.clear();
                let config = &self.home.actors.config;
                self.latest.edges = status::edges(config);
                self.latest.records = config.records.as_slice().into();
                let names: Vec<&str> = config.witnesses.iter().map(|witness| witness.name.as_str()).collect();
                Arc::make_mut(&mut self.latest.history).keep_only(&names);
                self.latest.reload_refused = None;
                tracing::info!("configuration reloaded: {}", describe(&self.home.actors.config));
            }
            Err(why) => {
                tracing::warn!("the new configuration is not taken, the old one stays in force:\n{why}");
                self.latest.reload_refused = Some(why);
            }
        }
        self.notifier.tell(&[NotifyState::Ready]);
        self.show();
        Ok(is_taken)
    }

    /// Shows what is known now to whoever watches.
    fn show(&mut self) {
        self.latest.time = self.clock.now();
        self.latest.refused_since = self.home.state().refused_since.clone();
        self.latest.holds = self.home.state().holds.clone();
        self.latest.settled = self.home.state().settled.clone();
        self.latest.memory = self.home.memory();
        self.latest.left_today = self.home.left_today();
        let status = self.latest.sentence();
        if status != self.status {
            self.notifier.tell(&[NotifyState::Status(&status)]);
            self.status = status;
        }
        // Nobody watching is fine.
        let _ = self.snapshot.send_replace(self.latest.clone());
    }
}
