//! The background service: one loop over one set of triggers. Timer, signals, service manager.
//!
//! What it is told, and what it tells, is passed in: the triggers, the notifier, the clock, the randomness.

mod clock_set;
mod ears;
mod edges;
mod pace;
pub mod push;
mod pushes;
mod said;
mod snapshot;

use std::collections::{BTreeMap, BTreeSet};
use std::path::PathBuf;
use std::sync::Arc;
use std::time::Duration;

use sd_notify::NotifyState;
use tokio::sync::{mpsc, watch};
use tokio::time::Instant;

use crate::clock::Clock;
use crate::config::load::{ConfigError, Loaded};
use crate::confirm::Verdict;
use crate::exposure::Finding;
use crate::files;
use crate::round::{Done, Home, Means, RoundError};
use crate::status::build;
use crate::update::Trouble;
use crate::watch::settle::Heard;
use ears::{Act, Due, Ears};
use edges::Ranges;
use pace::Pace;
use said::Said;
pub use snapshot::Snapshot;

/// After a stop is asked for, a write in flight may take this long.
pub const GRACE: Duration = Duration::from_secs(10);

/// While many providers are worked on, what came of it is kept and shown this often: each time costs as much as all of them
/// together.
const SHOWING: Duration = Duration::from_millis(500);

/// A round that takes longer than this is stuck: the watchdog is told no more, and the service manager acts.
const STUCK: Duration = Duration::from_secs(10 * 60);

/// A reason to act now.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Trigger {
    /// Look now (SIGUSR1).
    Round,
    /// Read the configuration again (SIGHUP).
    Reload,
    /// Finish what is in flight, and end (SIGTERM, SIGINT).
    Stop,
}

/// Why the daemon ends, other than by being asked to.
#[derive(Debug, thiserror::Error)]
pub enum DaemonError {
    /// The configuration does not hold.
    #[error(transparent)]
    Config(#[from] ConfigError),
    /// The first round cannot begin.
    #[error(transparent)]
    Round(#[from] RoundError),
    /// Root would leave files behind that the service cannot use, and do there what another user wants.
    #[error(
        "{} belongs to {who}, and a daemon of root's must not keep it: run it as that user (sudo -u {who} fingerpost daemon), \
         or as the service (systemctl start fingerpost), or give root a directory of its own (--state-dir)", path.display()
    )]
    Theirs {
        /// The state directory.
        path: PathBuf,
        /// Its user, as `sudo -u` takes one.
        who: String,
    },
    /// The task that listens for signals is gone.
    #[error("the task that listens for signals ended by itself; please report this")]
    Deaf,
    /// The status is shown no more.
    #[error("the task that shows the status ended by itself; please report this")]
    Blind,
    /// People are told no more.
    #[error("the task that sends messages ended by itself; please report this")]
    Mute,
    /// A lease is not looked after any more.
    #[error("the task that looks after a lease ended by itself; please report this")]
    Unkept,
    /// The asking came to a bad end.
    #[error("the task that asks the servers of a zone ended by itself; please report this")]
    Confirming(#[from] tokio::task::JoinError),
}

/// How the service manager is told. Without one, nobody is.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Notifier {
    /// By `sd_notify(3)`.
    ServiceManager,
    /// Nobody: a test, or the rehearsal.
    Nobody,
}

impl Notifier {
    pub(crate) fn tell(self, what: &[NotifyState<'_>]) {
        if self == Self::ServiceManager
            && let Err(error) = sd_notify::notify(what)
        {
            tracing::debug!("the service manager was not told: {error}");
        }
    }

    fn watchdog(self) -> Option<Duration> {
        if self == Self::ServiceManager { sd_notify::watchdog_enabled() } else { None }
    }
}

/// What surrounds the daemon.
pub struct Surroundings {
    /// Reasons to act. The sender's end is an error.
    pub triggers: mpsc::Receiver<Trigger>,
    /// Who is told of readiness and life.
    pub notifier: Notifier,
    /// Where snapshots go.
    pub snapshot: watch::Sender<Snapshot>,
    /// The time.
    pub clock: Clock,
    /// The randomness behind jitter.
    pub random: fastrand::Rng,
}

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

fn describe(config: &crate::config::Config) -> String {
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
    /// The providers for which somebody refuses without proving who it is, and since when.
    unproven: BTreeMap<String, Instant>,
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
        let edges = build::edges(&home.means.config);
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
            unproven: BTreeMap::new(),
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
        for (look, (_, heard)) in self.home.looks().iter().zip(&heard) {
            self.said.look(look, heard);
        }
        if heard.iter().any(|(_, heard)| matches!(heard, Heard::Settled { .. })) {
            self.pace.stop_waiting();
            // At a new address everything may look otherwise.
            self.next_exposure = None;
        }
        self.next_exposure.get_or_insert_with(Instant::now);
        self.home.enter_findings();
        self.said.findings(self.home.found());
        self.latest.findings = self.home.found().to_vec();
        self.latest.held_back = self.home.held_back();
        self.latest.looks = self.home.looks().to_vec();
        Arc::make_mut(&mut self.latest.history).hear(&self.latest.looks);
        let (now, agreed) = (self.clock.now(), crate::round::agreed(&self.latest.looks));
        self.latest.last_rulings.extend(agreed.into_keys().map(|via| (via, now)));
        self.latest.outages = self.home.outages().map(|(via, since)| (via.clone(), since)).collect();
        Ok(true)
    }

    /// Tells what is new about who writes; whoever may write now does so.
    fn lease(&mut self, ears: &mut Ears) {
        self.home.enter_leases();
        if self.latest.rounds > 0 {
            self.publish(ears, Pace::is_due);
        }
    }

    /// Begins to work on the providers for which `due` holds, beside all else.
    fn publish(&mut self, ears: &mut Ears, due: impl Fn(&Pace, &str, Instant) -> bool) {
        // What is done and not entered yet may have shown that a provider is to be left alone.
        let again = self.enter_work(ears);
        let now = Instant::now();
        let pace = &self.pace;
        let once_more = |provider: &str| again.contains(provider) && pace.is_due(provider, now);
        self.home.publish(&mut ears.work, |provider| due(pace, provider, now) || once_more(provider));
        self.pace.had_their_turn(now);
        for (provider, desired) in ears.work.wanted() {
            if let Some(report) = self.latest.providers.get_mut(provider) {
                report.expect(&desired);
            }
        }
    }

    /// Enters what came of the work on providers; returns those to work on once more.
    fn enter_work(&mut self, ears: &mut Ears) -> BTreeSet<String> {
        let done = ears.done();
        self.home.after_work(done.iter().filter_map(|done| done.report.as_ref()));
        let retry = self.home.means.config.retry;
        self.follow(ears);
        let mut again = BTreeSet::new();
        for Done { provider, report, again: once_more } in done {
            if once_more {
                again.insert(provider);
            }
            let Some(mut report) = report else { continue };
            ears.confirming.mark(&mut report, &self.home.state().spreading);
            self.pace.after(&report, retry, self.clock.now(), Instant::now(), self.random.f64());
            self.said.report(&report);
            if matches!(report.trouble, Some(Trouble::Unproven { .. })) {
                self.unproven.entry(report.provider.clone()).or_insert_with(Instant::now);
            } else {
                self.unproven.remove(&report.provider);
            }
            if report.has_been_read() {
                self.latest.last_reads.insert(report.provider.clone(), self.clock.now());
            }
            self.latest.providers.insert(report.provider.clone(), report);
        }
        again
    }

    /// The same, and works on those; shows what came of it, now or soon.
    fn worked(&mut self, ears: &mut Ears) {
        let again = self.enter_work(ears);
        if !again.is_empty() {
            // Those whose wait has just ended have their turn too, for it ends with this.
            self.publish(ears, |pace, provider, now| {
                pace.has_waited(provider, now) || again.contains(provider) && pace.is_due(provider, now)
            });
        }
        let now = Instant::now();
        if ears.work.is_idle() || self.shown.is_none_or(|shown| shown + SHOWING <= now) {
            self.show_all();
        } else {
            self.next_show = self.shown.map(|shown| shown + SHOWING);
        }
    }

    /// Keeps and shows what is known by now.
    fn show_all(&mut self) {
        self.home.keep();
        self.shown = Some(Instant::now());
        self.next_show = None;
        self.show();
    }

    /// Finishes what must not be cut short, as far as that can be had in time.
    async fn finish(&mut self, ears: &mut Ears) -> Result<(), DaemonError> {
        let writing = self.home.writing();
        if !ears.give_up(&writing, GRACE).await? {
            tracing::warn!(
                "a write was still in flight after {GRACE:?}, and is given up: how it ended is found out by reading"
            );
        }
        // Nothing is begun any more by what was.
        self.enter_work(ears);
        self.show_all();
        Ok(())
    }

    /// Lets what was written be asked for until all servers serve it.
    fn follow(&self, ears: &mut Ears) {
        ears.confirming.follow(&self.home.state().spreading, self.clock.now());
    }

    /// Enters what came of asking, and shows who is still behind.
    fn confirmed(&mut self, verdicts: Vec<Verdict>, ears: &Ears) {
        for verdict in verdicts {
            self.home.confirmed(verdict.clone());
            self.said.confirmed(&verdict);
        }
        let spreading = self.home.state().spreading.clone();
        for report in self.latest.providers.values_mut() {
            ears.confirming.mark(report, &spreading);
        }
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
        let taken = load().map_err(|error| crate::commands::chain_of(&error)).and_then(|loaded| {
            let (old, new) = (&self.home.means.config.state_dir, &loaded.config.state_dir);
            if old != new {
                return Err(format!(
                    "state_dir cannot change while running ({} to {}): restart",
                    old.display(),
                    new.display()
                ));
            }
            let means =
                Means::new(loaded.config, self.clock.clone()).map_err(|error| crate::commands::chain_of(&error))?;
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
                self.unproven.clear();
                let config = &self.home.means.config;
                self.latest.edges = build::edges(config);
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
        let now = self.latest.time;
        self.latest.refused_since =
            self.unproven.iter().map(|(name, since)| (name.clone(), now.minus(since.elapsed()))).collect();
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
