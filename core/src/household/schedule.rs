//! When a home does what: rounds, tries of a provider, looks from outside, the lists of the edges, what is shown.
//!
//! Times are those of the steady clock since the start of the process, and the randomness is an argument.

pub mod debounce;
mod providers;

use std::collections::BTreeSet;
use std::time::Duration;

use super::outages::Moment;
use crate::settings::{self, Config, Via, Watch};
use crate::update::Report;
use crate::update::retry::{Grow, Retry};
use crate::watch::settle::Heard;
use debounce::Debounce;
use providers::Providers;

/// While many providers are worked on, what came of it is kept and shown this often: each time costs as much as all of them
/// together.
const SHOWING: Duration = Duration::from_millis(500);

/// After a look at the lists of the edges that brought nothing the next one comes sooner.
const SOON: Duration = Duration::from_secs(3600);

/// What is to be done now.
#[derive(Clone, Debug, PartialEq, Eq)]
pub enum Action {
    /// To ask the witnesses; all of them, if it is to be `thorough`: a person wants it, or something was pushed.
    Look {
        /// Everybody is asked.
        thorough: bool,
    },
    /// To work on these providers, which had to wait.
    Publish(Selection),
    /// To keep and show what is known.
    Show,
    /// To look at what the outside can see.
    Expose,
    /// To look at the lists of the edges.
    Fetch,
}

/// Which providers may be worked on.
#[derive(Clone, Debug, PartialEq, Eq)]
pub enum Selection {
    /// These alone.
    Only(BTreeSet<String>),
    /// All others.
    AllBut(BTreeSet<String>),
}

/// What a look at the lists of the edges has brought.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Fetched {
    /// Every list.
    All,
    /// Not every list could be had.
    Some,
    /// What was had could not be kept.
    Nothing,
}

/// How often, as configured.
#[derive(Clone, Debug)]
struct Paces {
    watch: Watch,
    expose: Duration,
    fetch: Option<Duration>,
}

/// When a home does what.
#[derive(Debug)]
pub struct Schedule {
    paces: Paces,
    /// The next round; `None` while one is under way.
    round: Option<Duration>,
    /// A person wants a round.
    is_asked: bool,
    debounce: Debounce,
    /// Grows while there is no ruling: the network may only just be coming up, or be gone for long.
    doubt: Retry,
    has_looked: bool,
    providers: Providers,
    /// The next look from outside; `None` until a round has ended.
    expose: Option<Duration>,
    has_exposed: bool,
    /// The next look at the lists; the names come first.
    fetch: Option<Duration>,
    shown: Option<Duration>,
    show: Option<Duration>,
}

impl Selection {
    /// Whether `provider` may be worked on.
    pub fn is_for(&self, provider: &str) -> bool {
        match self {
            Self::Only(these) => these.contains(provider),
            Self::AllBut(others) => !others.contains(provider),
        }
    }
}

impl Paces {
    fn of(config: &Config) -> Self {
        let fetch = config.allowlist.as_ref().map(|allowlist| allowlist.every);
        Self { watch: config.watch.clone(), expose: config.exposure.every, fetch }
    }

    fn doubt(&self) -> settings::Retry {
        settings::Retry { initial: self.watch.settle_every, max: self.watch.every }
    }
}

impl Schedule {
    /// By `config`; the first round is due at `now`.
    pub fn new(config: &Config, grow: Grow, now: Duration) -> Self {
        Self::by(Paces::of(config), config.retry, grow, now)
    }

    fn by(paces: Paces, retry: settings::Retry, grow: Grow, now: Duration) -> Self {
        Self {
            round: Some(now),
            is_asked: false,
            debounce: Debounce::default(),
            doubt: Retry::new(grow, paces.doubt()),
            has_looked: false,
            providers: Providers::new(grow, retry),
            expose: None,
            has_exposed: false,
            fetch: None,
            shown: None,
            show: None,
            paces,
        }
    }

    /// Another configuration: everything is looked at again, and all waits end.
    pub fn reloaded(&mut self, config: &Config, grow: Grow, now: Duration) {
        self.go_on_by(Self::new(config, grow, now));
    }

    fn go_on_by(&mut self, fresh: Self) {
        let before = std::mem::replace(self, fresh);
        // A round that is cut short may have been one that a person wanted.
        self.is_asked = before.is_asked || before.is_looking();
        self.debounce = before.debounce;
        self.has_looked = before.has_looked;
        self.has_exposed = before.has_exposed;
        self.shown = before.shown;
        self.show = before.show;
        self.fetch = self.round.filter(|_| before.has_looked && self.paces.fetch.is_some());
    }

    /// When [`Self::next`] has something to do; it may be over already. `None` for not until something happens.
    pub fn due(&self) -> Option<Duration> {
        let look = self.round.map(|round| self.debounce.due().map_or(round, |pushed| pushed.min(round)));
        let look = if self.is_asked { look.map(|_| Duration::ZERO) } else { look };
        [look, self.providers.due(), self.show, self.expose, self.fetch].into_iter().flatten().min()
    }

    /// What is to be done at `now`, if anything is; `draw` is uniform in [0, 1). What is taken is under way then.
    pub fn next(&mut self, now: Duration, draw: f64) -> Option<Action> {
        let is_over = |due: Option<Duration>| due.is_some_and(|due| due <= now);
        if self.round.is_some() {
            let thorough = self.is_asked || is_over(self.debounce.due());
            if thorough || is_over(self.round) {
                if std::mem::take(&mut self.is_asked) {
                    self.providers.stop_waiting();
                }
                self.round = None;
                self.debounce.looked(now);
                return Some(Action::Look { thorough });
            }
        }
        if is_over(self.providers.due()) {
            let turn = Selection::Only(self.providers.have_waited(now));
            self.providers.have_their_turn(now);
            return Some(Action::Publish(turn));
        }
        if is_over(self.show) {
            self.show = None;
            return Some(Action::Show);
        }
        if is_over(self.expose) {
            self.expose = Some(now + self.paces.expose.mul_f64(0.9 + 0.2 * draw));
            return Some(Action::Expose);
        }
        if is_over(self.fetch) {
            // Should what is begun be given up.
            self.fetch = Some(now + a_twentieth_more_or_less(SOON, draw));
            return Some(Action::Fetch);
        }
        None
    }

    /// A person wants everything looked at and tried at once.
    pub fn asked(&mut self) {
        self.is_asked = true;
    }

    /// Something is a reason to look soon.
    pub fn pushed(&mut self, now: Duration) {
        self.debounce.push(now);
    }

    /// How many pushes there were, and how many of them in a crowd.
    pub fn pushes(&self) -> (u64, u64) {
        (self.debounce.seen(), self.debounce.ignored())
    }

    /// Whether a look is under way.
    fn is_looking(&self) -> bool {
        self.round.is_none()
    }

    /// Whether a round has ended since the start.
    pub fn has_looked(&self) -> bool {
        self.has_looked
    }

    /// A round has ended; returns how long until the next one. `draw` is uniform in [0, 1).
    ///
    /// Quick while a new address is being settled; with growing waits while there is no ruling; else `watch.every`, jittered
    /// by a tenth so that many homes do not ask in step.
    pub fn looked(&mut self, heard: &[(Via, Heard)], now: Duration, draw: f64) -> Duration {
        let wait = if heard.iter().any(|(_, heard)| matches!(heard, Heard::InSight { .. })) {
            self.paces.watch.settle_every
        } else if heard.iter().any(|(_, heard)| matches!(heard, Heard::NoRuling)) {
            // From half the bound upwards: a wait of nothing would hammer the witnesses.
            self.doubt.next(0.5 + draw / 2.0, None)
        } else {
            self.doubt.reset();
            self.paces.watch.every.mul_f64(0.9 + 0.2 * draw)
        };
        self.round = Some(now + wait);
        if heard.iter().any(|(_, heard)| matches!(heard, Heard::Settled { .. })) {
            self.providers.stop_waiting();
            // At a new address everything may look otherwise.
            self.expose = None;
        }
        self.expose.get_or_insert(now);
        if self.fetch.is_none() {
            self.fetch = self.paces.fetch.map(|_| now);
        }
        self.has_looked = true;
        wait
    }

    /// The providers that have their turn after a round: all that need not wait.
    pub fn turn(&mut self, now: Duration) -> Selection {
        let waiting = self.providers.waiting(now);
        self.providers.have_their_turn(now);
        Selection::AllBut(waiting)
    }

    /// Those that have their turn after work on `again` was done, which is to be worked on once more; those whose wait has
    /// just ended too, for it ends with this.
    pub fn turn_again(&mut self, again: &str, now: Duration) -> Selection {
        let mut turn = self.providers.have_waited(now);
        if !self.providers.waiting(now).contains(again) {
            turn.insert(again.to_owned());
        }
        self.providers.have_their_turn(now);
        Selection::Only(turn)
    }

    /// Work on a provider has come to `report`; `draw` is uniform in [0, 1).
    pub fn worked(&mut self, report: &Report, now: Moment, draw: f64) {
        self.providers.worked(report, now, draw);
    }

    /// What came of work is to be shown; at once where nothing is worked on any more.
    pub fn show(&mut self, is_idle: bool, now: Duration) {
        let next = self.shown.map_or(now, |shown| shown + SHOWING);
        self.show = Some(if is_idle { now } else { next.max(now) });
    }

    /// All was shown.
    pub fn showed(&mut self, now: Duration) {
        self.shown = Some(now);
        self.show = None;
    }

    /// A look from outside has ended.
    pub fn exposed(&mut self) {
        self.has_exposed = true;
    }

    /// A look at the lists of the edges has ended; `draw` is uniform in [0, 1).
    pub fn fetched(&mut self, what: Fetched, now: Duration, draw: f64) {
        let Some(every) = self.paces.fetch else { return };
        let wait = match what {
            Fetched::All => every,
            Fetched::Some | Fetched::Nothing => every.min(SOON),
        };
        self.fetch = Some(now + a_twentieth_more_or_less(wait, draw));
    }

    /// Who may get in has changed: whether they do is looked at again.
    pub fn ranges_changed(&mut self, now: Duration) {
        self.expose = Some(now);
    }

    /// The clock was set: whatever failed because it was wrong is tried again.
    pub fn clock_set(&mut self, now: Duration) {
        self.providers.stop_waiting();
        if self.has_exposed {
            self.expose = Some(now);
        }
        self.pushed(now);
    }
}

/// So that homes do not ask in step.
fn a_twentieth_more_or_less(wait: Duration, draw: f64) -> Duration {
    wait.mul_f64(0.95 + draw / 10.0)
}

#[cfg(test)]
mod tests;
