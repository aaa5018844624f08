//! What this process knows of the writes without an outcome, besides what the log has of them. Times are arguments:
//! `now` by the clock that people read, `steady` by the one that nobody sets, from a moment that stays the same.

use std::collections::BTreeMap;
use std::sync::Arc;
use std::time::Duration;

use super::Report;
use super::open::{Open, WriteAnswer, has_to_wait};
use super::pass::Subject;
use crate::audit::OpenIntent;
use crate::clock::Timestamp;
use crate::provider::{Change, Grace};
use crate::state::State;

/// The intents without an outcome, by number.
type Intents = BTreeMap<u64, OpenIntent>;

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
    answer: WriteAnswer,
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
    since: Duration,
}

/// As long as this is, a write is under way.
#[derive(Debug)]
pub(crate) struct UnderWay(#[expect(dead_code, reason = "it is counted")] Arc<()>);

impl Age {
    fn from(before: Duration, steady: Duration) -> Self {
        Self { before, since: steady }
    }

    fn at(&self, steady: Duration) -> Duration {
        self.before.saturating_add(steady.saturating_sub(self.since))
    }
}

impl Afoot {
    /// The write of `intent` is sent now.
    pub(super) fn begin(&mut self, intent: u64, steady: Duration) -> UnderWay {
        self.open.insert(
            intent,
            Known { answer: WriteAnswer::Unknown, detail: None, age: Age::from(Duration::ZERO, steady) },
        );
        UnderWay(Arc::clone(&self.under_way))
    }

    /// Whether a write is under way.
    pub fn is_writing(&self) -> bool {
        Arc::strong_count(&self.under_way) > 1
    }

    /// This was answered to it.
    pub(super) fn answered(&mut self, intent: u64, answer: WriteAnswer, detail: &str) {
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
    pub(super) fn open(&mut self, intents: &Intents, provider: &str, now: Timestamp, steady: Duration) -> Vec<Open> {
        let intents = intents.iter().filter(|(_, intent)| intent.provider == provider);
        let open = intents.map(|(seq, intent)| {
            let known = self.open.entry(*seq).or_insert_with(|| Known {
                answer: WriteAnswer::Unknown,
                detail: None,
                age: Age::from(now.since(intent.time), steady),
            });
            Open { intent: *seq, changes: intent.changes.clone(), answer: known.answer, age: known.age.at(steady) }
        });
        open.collect()
    }

    /// The write of `intent` has its outcome; and, if `is_seen`, it stands there.
    pub(super) fn end(&mut self, subject: &Subject<'_>, write: &Open, is_seen: bool, steady: Duration) {
        let Grace::Visibility(most) = subject.grace else {
            self.open.remove(&write.intent);
            return;
        };
        self.seen.retain(|seen| seen.provider != subject.name || seen.age.at(steady) < most);
        if let Some(known) = self.open.remove(&write.intent).filter(|_| is_seen && write.age < most) {
            let (provider, changes) = (subject.name.to_owned(), write.changes.clone());
            self.seen.push(Seen { provider, changes, age: known.age });
        }
    }

    /// The write of `intent` has its outcome, and is not to be seen.
    pub(super) fn forget(&mut self, intent: u64) {
        self.open.remove(&intent);
    }

    /// Those of `changes` that may be sent now.
    pub(super) fn ready(
        &mut self,
        subject: &Subject<'_>,
        intents: &Intents,
        changes: Vec<Change>,
        now: Timestamp,
        steady: Duration,
    ) -> Vec<Change> {
        let awaited = self.awaited(subject, intents, now, steady);
        let waits = |change: &Change| {
            awaited.iter().any(|one| one.changes.iter().any(|sent| has_to_wait(change, sent, one.is_taken)))
        };
        changes.into_iter().filter(|change| !waits(change)).collect()
    }

    /// Enters in `state` what of ours may yet come, or come again: a write that was sent twice, and comes when something else
    /// took its place, sets what nobody else has.
    pub(super) fn keep_ours(
        &mut self,
        subject: &Subject<'_>,
        intents: &Intents,
        state: &mut State,
        now: Timestamp,
        steady: Duration,
    ) {
        self.awaited(subject, intents, now, steady).iter().for_each(|one| state.note_sent(subject.name, &one.changes));
    }

    /// Tells of the records of `report` that are not as they were sent, and are looked for.
    pub(super) fn tell(
        &mut self,
        subject: &Subject<'_>,
        intents: &Intents,
        report: &mut Report,
        now: Timestamp,
        steady: Duration,
    ) {
        for awaited in self.awaited(subject, intents, now, steady) {
            let target = &subject.target;
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
    fn awaited(&mut self, subject: &Subject<'_>, intents: &Intents, now: Timestamp, steady: Duration) -> Vec<Awaited> {
        let Grace::Visibility(most) = subject.grace else { return Vec::new() };
        let mut awaited = Vec::new();
        for seen in self.seen.iter().filter(|seen| seen.provider == subject.name) {
            if let Some(left) = most.checked_sub(seen.age.at(steady)).filter(|left| !left.is_zero()) {
                let (changes, until) = (seen.changes.clone(), now.plus(left));
                awaited.push(Awaited { changes, is_taken: true, detail: None, until, is_open: false });
            }
        }
        for Open { intent, changes, answer, age } in self.open(intents, subject.name, now, steady) {
            if age < most {
                let (is_taken, detail) = (answer == WriteAnswer::Taken, self.detail(intent).map(str::to_owned));
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
