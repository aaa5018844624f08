//! What this process knows of the writes without an outcome, besides what the log has of them. Reads the steady clock.

use std::collections::BTreeMap;
use std::sync::Arc;
use std::time::Duration;

use tokio::time::Instant;

use super::open::{Answer, Open, has_to_wait};
use super::{Job, Report};
use crate::audit::file::Log;
use crate::clock::Timestamp;
use crate::provider::{Change, Grace};
use crate::state::State;

/// What is known of the writes that have no outcome, and of those that were just seen.
#[derive(Debug, Default)]
pub struct Afoot {
    open: BTreeMap<u64, Known>,
    /// Seen, and may be out of sight again where a list lags.
    seen: Vec<Seen>,
    /// One more for each write that is under way.
    under_way: Arc<()>,
}

#[derive(Debug)]
struct Known {
    answer: Answer,
    detail: Option<String>,
    age: Age,
}

#[derive(Debug)]
struct Seen {
    provider: String,
    changes: Vec<Change>,
    age: Age,
}

/// Grows on the steady clock, whatever the other one does.
#[derive(Debug)]
struct Age {
    before: Duration,
    since: Instant,
}

/// As long as this is, a write is under way.
pub(super) struct UnderWay(#[expect(dead_code, reason = "it is counted")] Arc<()>);

impl Age {
    fn from(before: Duration) -> Self {
        Self { before, since: Instant::now() }
    }

    fn now(&self) -> Duration {
        self.before.saturating_add(self.since.elapsed())
    }
}

impl Afoot {
    /// The write of `intent` is sent now.
    pub(super) fn begin(&mut self, intent: u64) -> UnderWay {
        self.open.insert(intent, Known { answer: Answer::Unknown, detail: None, age: Age::from(Duration::ZERO) });
        UnderWay(Arc::clone(&self.under_way))
    }

    /// Whether a write is under way.
    pub(super) fn is_writing(&self) -> bool {
        Arc::strong_count(&self.under_way) > 1
    }

    /// This was answered to it.
    pub(super) fn answered(&mut self, intent: u64, answer: Answer, detail: &str) {
        if let Some(known) = self.open.get_mut(&intent) {
            known.answer = answer;
            known.detail = Some(detail.to_owned());
        }
    }

    /// What was answered to the write of `intent`; `None` of one from before the start.
    pub(super) fn detail(&self, intent: u64) -> Option<&str> {
        self.open.get(&intent)?.detail.as_deref()
    }

    /// The writes to `provider` without an outcome, oldest first. How old one is that an earlier process sent, the clock tells
    /// when that is first asked, as far as it can; from then on the steady one.
    pub(super) fn open(&mut self, log: &Log, provider: &str, now: Timestamp) -> Vec<Open> {
        let intents = log.open_intents().iter().filter(|(_, intent)| intent.provider == provider);
        let open = intents.map(|(seq, intent)| {
            let known = self.open.entry(*seq).or_insert_with(|| Known {
                answer: Answer::Unknown,
                detail: None,
                age: Age::from(now.since(intent.time)),
            });
            Open { intent: *seq, changes: intent.changes.clone(), answer: known.answer, age: known.age.now() }
        });
        open.collect()
    }

    /// The write of `intent` has its outcome; and, if `is_seen`, it stands there.
    pub(super) fn end(&mut self, job: &Job<'_>, write: &Open, is_seen: bool) {
        let Grace::Visibility(most) = job.provider.grace() else {
            self.open.remove(&write.intent);
            return;
        };
        self.seen.retain(|seen| seen.provider != job.name || seen.age.now() < most);
        if let Some(known) = self.open.remove(&write.intent).filter(|_| is_seen && write.age < most) {
            let (provider, changes) = (job.name.to_owned(), write.changes.clone());
            self.seen.push(Seen { provider, changes, age: known.age });
        }
    }

    /// The write of `intent` has its outcome, and is not to be seen.
    pub(super) fn forget(&mut self, intent: u64) {
        self.open.remove(&intent);
    }

    /// Those of `changes` that may be sent now.
    pub(super) fn ready(&mut self, job: &Job<'_>, log: &Log, changes: Vec<Change>, now: Timestamp) -> Vec<Change> {
        let awaited = self.awaited(job, log, now);
        let waits = |change: &Change| {
            awaited.iter().any(|one| one.changes.iter().any(|sent| has_to_wait(change, sent, one.is_taken)))
        };
        changes.into_iter().filter(|change| !waits(change)).collect()
    }

    /// Enters in `state` what of ours may yet come, or come again: a write that was sent twice, and comes when something else
    /// took its place, sets what nobody else has.
    pub(super) fn keep_ours(&mut self, job: &Job<'_>, log: &Log, state: &mut State, now: Timestamp) {
        self.awaited(job, log, now).iter().for_each(|one| state.note_sent(job.name, &one.changes));
    }

    /// Tells of the records of `report` that are not as they were sent, and are looked for.
    pub(super) fn tell(&mut self, job: &Job<'_>, log: &Log, report: &mut Report, now: Timestamp) {
        for awaited in self.awaited(job, log, now) {
            let target = job.provider.target();
            let what = match awaited.detail {
                Some(detail) if !awaited.is_taken => {
                    format!("it is not known whether {target} took the change ({detail})")
                }
                _ if awaited.is_taken => format!("{target} took the change, and does not show it yet"),
                _ => format!("it is not known whether {target} took the change"),
            };
            report.look_for(&awaited.changes, &what, awaited.until, awaited.is_open);
        }
    }

    /// What may show itself yet; the newest last, since it is that which a record waits for.
    fn awaited(&mut self, job: &Job<'_>, log: &Log, now: Timestamp) -> Vec<Awaited> {
        let Grace::Visibility(most) = job.provider.grace() else { return Vec::new() };
        let mut awaited = Vec::new();
        for seen in self.seen.iter().filter(|seen| seen.provider == job.name) {
            if let Some(left) = most.checked_sub(seen.age.now()).filter(|left| !left.is_zero()) {
                let (changes, until) = (seen.changes.clone(), now.plus(left));
                awaited.push(Awaited { changes, is_taken: true, detail: None, until, is_open: false });
            }
        }
        for Open { intent, changes, answer, age } in self.open(log, job.name, now) {
            if age < most {
                let (is_taken, detail) = (answer == Answer::Taken, self.detail(intent).map(str::to_owned));
                awaited.push(Awaited { changes, is_taken, detail, until: now.plus(most - age), is_open: true });
            }
        }
        awaited
    }
}

/// What may show itself until then.
struct Awaited {
    changes: Vec<Change>,
    is_taken: bool,
    detail: Option<String>,
    until: Timestamp,
    /// It has not been seen yet.
    is_open: bool,
}
