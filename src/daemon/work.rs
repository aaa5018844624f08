//! Working on the providers beside all else, and what came of it: entered, told, shown.

use super::events::Events;
use super::{Daemon, DaemonError, GRACE};
use crate::confirm::Verdict;
use crate::household::outages::Moment;
use crate::household::schedule::Selection;
use crate::round::Done;

impl Daemon {
    /// Tells what is new about who writes; whoever may write now does so.
    pub(super) fn lease(&mut self, events: &mut Events) {
        self.home.enter_leases();
        if self.schedule.has_looked() {
            let turn = self.schedule.turn(self.steady());
            self.publish(&turn, events);
        }
    }

    /// Begins to work on the providers whose turn it is, beside all else.
    pub(super) fn publish(&mut self, turn: &Selection, events: &mut Events) {
        self.home.publish(&mut events.work, |provider| turn.is_for(provider));
        for (provider, desired) in events.work.wanted() {
            if let Some(report) = self.latest.providers.get_mut(provider) {
                report.expect(&desired);
            }
        }
    }

    /// Enters what came of work on a provider, works on it once more if there is reason, and has what came of it shown.
    pub(super) fn worked(&mut self, done: Done, events: &mut Events) {
        let Done { provider, report, again } = done;
        self.home.after_work(report.iter());
        self.follow(events);
        if let Some(mut report) = report {
            events.confirming.mark(&mut report, &self.home.state().spreading);
            let (now, draw) = (Moment { time: self.clock.now(), steady: self.steady() }, self.draw());
            self.schedule.worked(&report, now, draw);
            self.log_once.report(&report);
            if report.has_been_read() {
                self.latest.last_reads.insert(provider.clone(), now.time);
            }
            self.latest.providers.insert(provider.clone(), report);
        }
        if again {
            let turn = self.schedule.turn_again(&provider, self.steady());
            self.publish(&turn, events);
        }
        self.schedule.show(events.work.is_idle(), self.steady());
    }

    /// Finishes what must not be cut short, as far as that can be had in time.
    pub(super) async fn finish(&mut self, events: &mut Events) -> Result<(), DaemonError> {
        let writing = self.home.writing();
        if !events.give_up(&writing, GRACE).await? {
            tracing::warn!(
                "a write was still in flight after {GRACE:?}, and is given up: how it ended is found out by reading"
            );
        }
        for event in events.ended() {
            self.take(event, events);
        }
        self.show_all();
        Ok(())
    }

    /// Lets what was written be asked for until all servers serve it.
    pub(super) fn follow(&self, events: &mut Events) {
        events.confirming.follow(&self.home.state().spreading, self.clock.now());
    }

    /// Enters what came of asking, and shows who is still behind.
    pub(super) fn confirmed(&mut self, verdicts: Vec<Verdict>, events: &Events) {
        for verdict in verdicts {
            self.home.confirmed(verdict.clone());
            self.log_once.confirmed(&verdict);
        }
        let spreading = self.home.state().spreading.clone();
        for report in self.latest.providers.values_mut() {
            events.confirming.mark(report, &spreading);
        }
        self.show();
    }
}
