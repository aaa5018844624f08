//! Working on the providers beside all else, and what came of it: entered, told, shown.

use std::collections::BTreeSet;
use std::time::Duration;

use tokio::time::Instant;

use super::ears::Ears;
use super::pace::Pace;
use super::{Daemon, DaemonError, GRACE};
use crate::confirm::Verdict;
use crate::round::Done;

/// While many providers are worked on, what came of it is kept and shown this often: each time costs as much as all of them
/// together.
const SHOWING: Duration = Duration::from_millis(500);

impl Daemon {
    /// Tells what is new about who writes; whoever may write now does so.
    pub(super) fn lease(&mut self, ears: &mut Ears) {
        self.home.enter_leases();
        if self.latest.rounds > 0 {
            self.publish(ears, Pace::is_due);
        }
    }

    /// Begins to work on the providers for which `due` holds, beside all else.
    pub(super) fn publish(&mut self, ears: &mut Ears, due: impl Fn(&Pace, &str, Instant) -> bool) {
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
    pub(super) fn enter_work(&mut self, ears: &mut Ears) -> BTreeSet<String> {
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
            if report.has_been_read() {
                self.latest.last_reads.insert(report.provider.clone(), self.clock.now());
            }
            self.latest.providers.insert(report.provider.clone(), report);
        }
        again
    }

    /// Enters what came of the work, and works on those to work on once more; shows what came of it, now or soon.
    pub(super) fn worked(&mut self, ears: &mut Ears) {
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

    /// Finishes what must not be cut short, as far as that can be had in time.
    pub(super) async fn finish(&mut self, ears: &mut Ears) -> Result<(), DaemonError> {
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
    pub(super) fn follow(&self, ears: &mut Ears) {
        ears.confirming.follow(&self.home.state().spreading, self.clock.now());
    }

    /// Enters what came of asking, and shows who is still behind.
    pub(super) fn confirmed(&mut self, verdicts: Vec<Verdict>, ears: &Ears) {
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
}
