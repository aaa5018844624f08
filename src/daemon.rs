//! The background service: one loop over one set of triggers. Timer, signals, service manager.
//!
//! What it is told, and what it tells, is passed in: the triggers, the notifier, the clock, the randomness.

mod around;
mod clock_set;
mod ears;
mod edges;
mod pace;
pub mod push;
mod pushes;
mod said;
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
use crate::round::{Home, Means, RoundError};
use crate::status::{self, Snapshot};
use crate::watch::settle::Heard;
pub use around::{DaemonError, Notifier, Surroundings, Trigger};
use ears::{Act, Due, Ears};
use edges::Ranges;
use pace::Pace;
use said::Said;

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
    let means = Means::new(loaded.config, clock.clone()).map_err(RoundError::Watch)?;
    let home = Home::open(means)?;
    let mut ears = Ears::new(triggers, notifier, &home.means.config);
    ears.listen(&home.means.config).await;
    ears.keep(home.leases());
    let watching = snapshot.subscribe();
    ears.show(&home.means.config, &watching);
    let told = home.state().told.clone();
    ears.tell_people(&home.means.config, &watching, &clock, told);
    notifier.tell(&[NotifyState::Ready]);
    tracing::info!("fingerpost {} keeps {}", env!("CARGO_PKG_VERSION"), describe(&home.means.config));
    let mut daemon = Daemon::new(home, clock, random, snapshot, notifier);
    daemon.follow(&mut ears);
    daemon.show();
    loop {
        let act = ears.next(daemon.due()).await?;
        daemon.follow_clock(&mut ears);
        match act {
            Act::Clock => {}
            Act::Stop => break,
            Act::Reload => {
                daemon.reload(&load, &mut ears).await?;
                ears.listen(&daemon.home.means.config).await;
                ears.keep(daemon.home.leases());
                ears.show(&daemon.home.means.config, &watching);
                let told = daemon.home.state().told.clone();
                ears.tell_people(&daemon.home.means.config, &watching, &daemon.clock, told);
                daemon.follow(&mut ears);
                daemon.home.release_former_leases().await;
            }
            Act::Lease => daemon.lease(&mut ears),
            Act::Worked => daemon.worked(&mut ears),
            Act::Show => daemon.show_all(),
            Act::Confirmed(verdicts) => daemon.confirmed(verdicts, &ears),
            Act::Expose => daemon.expose(&mut ears),
            Act::Exposed(found) => daemon.exposed(found),
            Act::Fetch => daemon.fetch(&mut ears),
            Act::Told(told) => daemon.home.note_told(told),
            Act::Fetched => daemon.fetched(&mut ears).await?,
            Act::Publish => daemon.publish(&mut ears, Pace::has_waited),
            Act::Round { thorough, asked } => {
                if asked {
                    daemon.pace.stop_waiting();
                }
                if daemon.look(&mut ears, thorough).await? {
                    daemon.publish(&mut ears, Pace::is_due);
                    daemon.show_all();
                }
            }
        }
    }
    daemon.finish(&mut ears).await?;
    notifier.tell(&[NotifyState::Stopping]);
    drop(ears);
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
    pace: Pace,
    said: Said,
    next_round: Instant,
    /// When to look at what the outside can see; `None` until the next round has ended.
    next_exposure: Option<Instant>,
    ranges: Ranges,
    snapshot: watch::Sender<Snapshot>,
    latest: Snapshot,
    notifier: Notifier,
    status: String,
    /// When what is known was last shown with all that came of work, and when that is due again.
    shown: Option<Instant>,
    next_show: Option<Instant>,
}

impl Daemon {
    fn new(
        mut home: Home,
        clock: Clock,
        random: fastrand::Rng,
        snapshot: watch::Sender<Snapshot>,
        notifier: Notifier,
    ) -> Self {
        let pace = Pace::new(&home.means.config);
        let edges = status::edges(&home.means.config);
        let (flaw, started) = (home.remember(), Some(clock.now()));
        let records = home.means.config.records.as_slice().into();
        let latest = Snapshot { flaw, started, edges, records, ..Snapshot::default() };
        Self {
            home,
            clock,
            random,
            pace,
            said: Said::default(),
            next_round: Instant::now(),
            next_exposure: None,
            ranges: Ranges::new(),
            snapshot,
            latest,
            notifier,
            status: String::new(),
            shown: None,
            next_show: None,
        }
    }

    /// Where the clock was set, all that is dated moves along; and whatever failed because it was wrong is tried again.
    fn follow_clock(&mut self, ears: &mut Ears) {
        let Some(step) = self.home.follow_clock() else { return };
        self.latest.shift(&step);
        self.pace.stop_waiting();
        if self.latest.exposed.is_some() {
            self.next_exposure = Some(Instant::now());
        }
        ears.pushed("the clock was set");
        self.show();
    }

    /// When there is something to do.
    fn due(&self) -> Due {
        let (round, publish, show) = (self.next_round, self.pace.next_due(), self.next_show);
        // The names come first.
        let fetch = self.home.means.config.allowlist.as_ref().filter(|_| self.latest.rounds > 0);
        let fetch = fetch.map(|_| self.ranges.next());
        Due { round, publish, show, expose: self.next_exposure, fetch }
    }

    /// Asks the witnesses and sets the time of the next round. False when a stop came first.
    async fn look(&mut self, ears: &mut Ears, thorough: bool) -> Result<bool, DaemonError> {
        ears.looking();
        let rounds = self.home.means.config.watch.settle;
        // Nothing is lost when the asking is cut short: no grace.
        let Some(heard) = ears.during(self.home.look(rounds, thorough), Duration::ZERO).await? else {
            return Ok(false);
        };
        let wait = self.pace.next_round(&self.home.means.config.watch, &heard, self.random.f64());
        self.next_round = Instant::now() + wait;
        self.latest.rounds += 1;
        self.latest.next_round = self.clock.now().plus(wait);
        for (look, (_, heard)) in self.home.household().looks().iter().zip(&heard) {
            self.said.look(look, heard);
        }
        if heard.iter().any(|(_, heard)| matches!(heard, Heard::Settled { .. })) {
            self.pace.stop_waiting();
            // At a new address everything may look otherwise.
            self.next_exposure = None;
        }
        self.next_exposure.get_or_insert_with(Instant::now);
        self.home.enter_findings();
        self.said.findings(self.home.household().found());
        self.latest.findings = self.home.household().found().to_vec();
        self.latest.held_back = self.home.held_back();
        self.latest.looks = self.home.household().looks().to_vec();
        Arc::make_mut(&mut self.latest.history).hear(&self.latest.looks);
        let (now, agreed) = (self.clock.now(), crate::watch::look::agreed(&self.latest.looks));
        self.latest.last_rulings.extend(agreed.into_keys().map(|via| (via, now)));
        self.latest.outages = self.home.outages().map(|(via, since)| (via.clone(), since)).collect();
        Ok(true)
    }

    /// Keeps and shows what is known by now.
    fn show_all(&mut self) {
        self.home.keep();
        self.shown = Some(Instant::now());
        self.next_show = None;
        self.show();
    }

    /// Begins to look at what the outside can see, beside all else.
    fn expose(&mut self, ears: &mut Ears) {
        let every = self.home.means.config.exposure.every;
        self.next_exposure = Some(Instant::now() + every.mul_f64(0.9 + 0.2 * self.random.f64()));
        match self.home.exposing() {
            Some(looking) => ears.expose(looking),
            None if self.home.means.config.exposure.services.is_empty() => self.exposed(Vec::new()),
            // The first settled address is a reason to look.
            None => {}
        }
    }

    fn exposed(&mut self, found: Vec<Finding>) {
        self.home.enter_exposure(&found);
        self.latest.exposure = found;
        self.latest.exposed = Some(self.clock.now());
        self.show();
    }

    /// Takes a new configuration over, or keeps the old one and says why.
    async fn reload(
        &mut self,
        load: &impl Fn() -> Result<Loaded, ConfigError>,
        ears: &mut Ears,
    ) -> Result<(), DaemonError> {
        self.notifier.tell(&[NotifyState::Reloading]);
        let taken = load().map_err(|error| crate::text::chain_of(&error)).and_then(|loaded| {
            let (old, new) = (&self.home.means.config.state_dir, &loaded.config.state_dir);
            if old != new {
                return Err(format!(
                    "state_dir cannot change while running ({} to {}): restart",
                    old.display(),
                    new.display()
                ));
            }
            let means = Means::new(loaded.config, self.clock.clone()).map_err(|error| crate::text::chain_of(&error))?;
            Ok((means, loaded.notes))
        });
        match taken {
            Ok((means, notes)) => {
                for note in notes {
                    tracing::warn!("{note}");
                }
                self.finish(ears).await?;
                self.home.refit(means);
                self.pace = Pace::new(&self.home.means.config);
                self.said = Said::default();
                self.ranges = Ranges::new();
                self.latest.providers.clear();
                let config = &self.home.means.config;
                self.latest.edges = status::edges(config);
                self.latest.records = config.records.as_slice().into();
                let names: Vec<&str> = config.witnesses.iter().map(|witness| witness.name.as_str()).collect();
                Arc::make_mut(&mut self.latest.history).keep_only(&names);
                self.latest.reload_refused = None;
                self.next_round = Instant::now();
                self.next_exposure = None;
                tracing::info!("configuration reloaded: {}", describe(&self.home.means.config));
            }
            Err(why) => {
                tracing::warn!("the new configuration is not taken, the old one stays in force:\n{why}");
                self.latest.reload_refused = Some(why);
            }
        }
        self.notifier.tell(&[NotifyState::Ready]);
        self.show();
        Ok(())
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
