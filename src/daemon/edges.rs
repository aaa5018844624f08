//! The ranges of the edge: looked at now and then beside all else, and written when they have changed.

use super::Daemon;
use super::events::{Event, Events, Task};
use crate::allowlist::{self, AllowlistError, Looked, Outcome, Reload, Rendered, Report};
use crate::clock::Timestamp;
use crate::household::schedule::Fetched;
use crate::status::model::Edge;
use crate::text::chain_of;

/// How the ranges are written next.
#[derive(Debug, Default)]
pub(super) struct Ranges {
    /// Whether what the files say is known to be in effect.
    in_effect: bool,
    /// Whether they are others than those that were written last.
    are_new: bool,
}

fn seen(report: &Report, before: &[Edge], now: Timestamp) -> Edge {
    let last = before.iter().find(|edge| edge.name == report.edge).and_then(|edge| edge.last_fetch);
    let (last_fetch, trouble) = match &report.outcome {
        Outcome::Same | Outcome::Taken { .. } => (Some(now), None),
        Outcome::Refused { why, .. } | Outcome::Unreachable { why } => (last, Some(why.clone())),
    };
    let Report { edge, number, since, ranges, .. } = report;
    Edge { name: edge.clone(), number: *number, since: *since, ranges: ranges.len(), last_fetch, trouble }
}

impl Daemon {
    /// Begins to look at the lists, beside all else.
    pub(super) fn fetch(&mut self, events: &mut Events) {
        let config = self.home.actors.config.clone();
        events.start(Task::Fetch, async move { Event::Fetched(allowlist::look(&config).await) });
    }

    /// Takes what is believed of what that has brought, and begins to write it.
    pub(super) fn fetched(&mut self, lists: Result<Vec<Looked>, AllowlistError>, events: &mut Events) {
        let reports = match lists.and_then(|looked| self.home.take_ranges(looked)) {
            Ok(reports) => reports,
            Err(error) => {
                self.log_once.no_ranges(&chain_of(&error));
                self.next_fetch(Fetched::Nothing);
                return;
            }
        };
        self.ranges.are_new |= reports.iter().any(|report| matches!(report.outcome, Outcome::Taken { .. }));
        let away = reports.iter().any(|report| matches!(report.outcome, Outcome::Unreachable { .. }));
        self.next_fetch(if away { Fetched::Some } else { Fetched::All });
        reports.iter().for_each(|report| self.log_once.ranges(report));
        let (now, before) = (self.clock.now(), std::mem::take(&mut self.latest.edges));
        self.latest.edges = reports.iter().map(|report| seen(report, &before, now)).collect();
        let when = if self.ranges.in_effect { Reload::Changed } else { Reload::Always };
        let config = self.home.actors.config.clone();
        self.ranges.in_effect = false;
        events.start(Task::Render, async move { Event::Rendered(allowlist::write(&config, when).await) });
        self.show();
    }

    /// Takes in what became of the files.
    pub(super) fn rendered(&mut self, files: Result<Vec<Rendered>, AllowlistError>) {
        match files {
            Ok(files) => {
                self.ranges.in_effect = files.iter().all(|file| file.trouble.is_none());
                files.iter().for_each(|file| self.log_once.rendered(file));
            }
            // Why was told with the look.
            Err(AllowlistError::Never(_)) => {}
            Err(error) => {
                self.log_once.no_ranges(&chain_of(&error));
                self.next_fetch(Fetched::Nothing);
            }
        }
        if std::mem::take(&mut self.ranges.are_new) {
            self.schedule.ranges_changed(self.steady());
        }
    }

    fn next_fetch(&mut self, what: Fetched) {
        let draw = self.draw();
        self.schedule.fetched(what, self.steady(), draw);
    }
}
