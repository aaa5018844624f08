//! What became of a provider and its records in one pass: the values that the log, the commands and the status show.

use std::collections::BTreeMap;
use std::net::IpAddr;
use std::sync::Arc;
use std::time::Duration;

use serde::Serialize;

use super::{ATTEMPTS, stands};
use crate::audit::propagation::Behind;
use crate::clock::{self, Timestamp};
use crate::limits::Cause;
use crate::name::DnsName;
use crate::provider::{Change, Fault, FaultKind, Observed};
use crate::reconcile::{Desired, Item, Step, Verb};
use crate::record::{RecordType, RrSet};
use crate::standby::NotHeld;

/// What became of one provider in one pass.
#[derive(Clone, Debug, Serialize)]
pub struct Report {
    /// The provider's name.
    pub provider: String,
    /// Each record, in the order of the configuration.
    pub records: Vec<RecordReport>,
    /// How the changes were, or would be, sent; absent when there are none.
    pub means: Option<String>,
    /// What went wrong with the provider as a whole.
    pub trouble: Option<Trouble>,
    /// When the earliest of the records put off by a limit may be written.
    pub put_off_until: Option<Timestamp>,
    /// Something was sent and is not to be seen: it is looked for, until then at most.
    #[serde(skip)]
    pub looked_for_until: Option<Timestamp>,
}

/// What went wrong with a provider.
#[derive(Clone, Debug, Serialize)]
#[serde(rename_all = "kebab-case")]
pub enum Trouble {
    /// It will pass: the fault, for people, and the wait the other side asked for.
    Passing {
        /// What happened and what to do.
        why: String,
        /// The wait asked for.
        #[serde(skip)]
        retry_after: Option<Duration>,
    },
    /// Somebody refused, and nothing proves that it was the provider: asked again, with growing waits.
    Unproven {
        /// What was said and what to do.
        why: String,
    },
    /// A permanent refusal, now.
    Refused {
        /// What happened and what to do.
        why: String,
    },
    /// Writes are suspended since an earlier refusal.
    Held {
        /// Since when.
        since: Timestamp,
        /// What the refusal said.
        why: String,
    },
    /// Another daemon has the lease and writes; this one stands by.
    StandingBy {
        /// Who has it, and since when.
        why: String,
    },
    /// The lease cannot be taken until a person acts.
    NoLease {
        /// What happened and what to do.
        why: String,
    },
    /// The books cannot be kept, so nothing is sent.
    NoBooks {
        /// What happened and what to do.
        why: String,
    },
}

impl Trouble {
    /// What happened and what to do, for people.
    pub fn why(&self) -> &str {
        match self {
            Self::Passing { why, .. }
            | Self::Unproven { why }
            | Self::Refused { why }
            | Self::Held { why, .. }
            | Self::StandingBy { why }
            | Self::NoLease { why }
            | Self::NoBooks { why } => why,
        }
    }
}

/// What became of one record.
#[derive(Clone, Debug, Serialize)]
pub struct RecordReport {
    /// The owner name.
    pub name: DnsName,
    /// A or AAAA.
    #[serde(rename = "type")]
    pub rtype: RecordType,
    /// The address wanted.
    pub address: IpAddr,
    /// What was read, if anything stood there.
    pub before: Option<RrSet>,
    /// What was, or would be, written; absent when nothing was.
    pub after: Option<RrSet>,
    /// What the write does.
    pub verb: Option<Verb>,
    /// Where the record is now.
    pub standing: RecordState,
    /// It was sent, and is looked for.
    #[serde(skip)]
    pub is_looked_for: bool,
}

/// The state of a record.
#[derive(Clone, Debug, PartialEq, Eq, Serialize)]
#[serde(tag = "state", rename_all = "kebab-case")]
pub enum RecordState {
    /// Published as desired.
    InStep,
    /// Written as desired, and not all servers of the zone are known to serve it yet.
    Spreading {
        /// Since when.
        since: Timestamp,
        /// How long that was ago when this was told, in milliseconds.
        waited_ms: u64,
        /// The servers that did not serve it when they were last asked; none before the first asking.
        behind: Arc<[Behind]>,
    },
    /// Not yet.
    Adrift {
        /// Why not; absent when it would be written now.
        why: Option<String>,
    },
    /// It cannot be until a person acts.
    Blocked {
        /// Why, and what to do.
        why: String,
    },
}

impl From<NotHeld> for Trouble {
    fn from(why: NotHeld) -> Self {
        match why {
            NotHeld::StandingBy(why) => Self::StandingBy { why },
            NotHeld::Passing(why) => Self::Passing { why, retry_after: None },
            NotHeld::Unproven(why) => Self::Unproven { why },
            NotHeld::Barred(why) => Self::NoLease { why },
            NotHeld::Refused(why) => Self::Refused { why },
            NotHeld::Resting(why) => Self::NoBooks { why },
        }
    }
}

impl RecordState {
    /// Whether it stands at the provider as desired.
    pub fn is_published(&self) -> bool {
        match self {
            Self::InStep | Self::Spreading { .. } => true,
            Self::Adrift { .. } | Self::Blocked { .. } => false,
        }
    }
}

impl From<&Fault> for Trouble {
    fn from(fault: &Fault) -> Self {
        let why = match fault.kind {
            // Somebody else was faster; or the other side says so, for a reason of its own.
            FaultKind::Conflict => format!("{fault}, {ATTEMPTS} times; the next round tries again"),
            _ => fault.to_string(),
        };
        match fault.kind {
            FaultKind::Refused => Self::Refused { why },
            FaultKind::Unproven => Self::Unproven { why },
            FaultKind::Passing { retry_after } => Self::Passing { why, retry_after },
            FaultKind::Conflict | FaultKind::InDoubt => Self::Passing { why, retry_after: None },
        }
    }
}

impl Report {
    /// Whether a record was written, and then found so.
    pub fn has_written(&self) -> bool {
        self.records.iter().any(|record| record.after.is_some() && record.standing.is_published())
    }

    /// Whether the provider told what stands there. While it is on hold it is not asked.
    pub fn has_been_read(&self) -> bool {
        matches!(self.trouble, None | Some(Trouble::NoBooks { .. } | Trouble::StandingBy { .. }))
    }

    /// Whether the provider is seen to work: everything that can be is published, or something was written. That it was read
    /// in between says nothing of its writes.
    pub fn is_well(&self) -> bool {
        let is_adrift = |record: &RecordReport| matches!(record.standing, RecordState::Adrift { .. });
        self.trouble.is_none() && (self.has_written() || !self.records.iter().any(is_adrift))
    }

    /// Tells what is published no more as wanted, now that `desired` is: it is being written.
    pub fn expect(&mut self, desired: &[Desired]) {
        for record in self.records.iter_mut().filter(|record| record.standing.is_published()) {
            let now = desired.iter().find(|wanted| wanted.name == record.name && wanted.rtype == record.rtype);
            if let Some(wanted) = now.filter(|wanted| wanted.address != record.address) {
                record.address = wanted.address;
                record.standing = RecordState::Adrift { why: Some("being written".to_owned()) };
            }
        }
    }

    /// The wait, of `wait` at most, before the provider is looked at again for what was sent and is not to be seen; `None`
    /// where nothing is, or where another look would not show it.
    pub fn next_look(&self, now: Timestamp, wait: Duration) -> Option<Duration> {
        let is_worth_it = matches!(self.trouble, None | Some(Trouble::Passing { .. }));
        let until = self.looked_for_until.filter(|_| is_worth_it)?;
        // The last look is when the time is over.
        Some(wait.min(until.since(now)).max(Duration::from_millis(1)))
    }

    /// What is so once `look` has looked again and sent nothing: what was written, and what stands by now.
    #[must_use]
    pub fn seen_by(self, look: Self) -> Self {
        let earlier: BTreeMap<_, _> =
            self.records.into_iter().map(|record| ((record.name.clone(), record.rtype), record)).collect();
        let mut records = look.records;
        for record in &mut records {
            let Some(earlier) = earlier.get(&(record.name.clone(), record.rtype)) else { continue };
            record.before.clone_from(&earlier.before);
            record.after.clone_from(&earlier.after);
            record.verb = earlier.verb;
            if record.standing == (RecordState::Adrift { why: None }) {
                record.standing = unseen(earlier, self.looked_for_until);
            }
        }
        Self { records, means: self.means, ..look }
    }

    /// Takes in that the clock was set.
    pub fn shift(&mut self, step: &clock::Step) {
        self.put_off_until = self.put_off_until.map(|until| step.along(until));
        if let Some(Trouble::Held { since, .. }) = &mut self.trouble {
            step.shift(since);
        }
        for record in &mut self.records {
            if let RecordState::Spreading { since, .. } = &mut record.standing {
                step.shift(since);
            }
        }
    }

    /// Before anything is known.
    pub fn unread(provider: &str, desired: &[Desired]) -> Self {
        let records = desired.iter().map(|wanted| RecordReport {
            name: wanted.name.clone(),
            rtype: wanted.rtype,
            address: wanted.address,
            before: None,
            after: None,
            verb: None,
            standing: RecordState::Adrift { why: None },
            is_looked_for: false,
        });
        Self {
            provider: provider.to_owned(),
            records: records.collect(),
            means: None,
            trouble: None,
            put_off_until: None,
            looked_for_until: None,
        }
    }

    /// What `items`, the plan, say before anything is sent.
    pub fn of(provider: &str, desired: &[Desired], items: &[Item]) -> Self {
        let mut report = Self::unread(provider, desired);
        for (record, item) in report.records.iter_mut().zip(items) {
            record.before.clone_from(&item.before);
            match &item.step {
                Step::Leave => record.standing = RecordState::InStep,
                Step::Refuse(refusal) => record.standing = RecordState::Blocked { why: refusal.to_string() },
                Step::Write(change, verb) => {
                    record.after = Some(change.after.clone());
                    record.verb = Some(*verb);
                }
            }
        }
        report
    }

    /// Enters what a limit puts off, until when, and which.
    pub fn put_off(&mut self, put_off: &[(Change, Timestamp, Cause)]) {
        let waits = put_off.iter().map(|(change, until, cause)| (key(change), (*until, *cause)));
        let waits: BTreeMap<_, _> = waits.collect();
        for record in &mut self.records {
            let Some((until, cause)) = waits.get(&(&record.name, record.rtype)) else { continue };
            let key = match cause {
                Cause::Spacing => "limits.spacing",
                Cause::Daily => "limits.daily",
            };
            record.standing = RecordState::Adrift { why: Some(format!("put off until {until} by {key}")) };
        }
        self.put_off_until = waits.values().map(|(until, _)| *until).chain(self.put_off_until).min();
    }

    /// Enters what the provider refused alone, and why.
    pub fn block(&mut self, blocked: &[(Change, String)]) {
        for record in &mut self.records {
            if let Some((_, why)) = blocked.iter().find(|(change, _)| key(change) == (&record.name, record.rtype)) {
                record.standing = RecordState::Blocked { why: why.clone() };
            }
        }
    }

    /// Enters what somebody else changed again and again, or so the provider says, while the others went through.
    pub fn conflict(&mut self, conflicts: &[(Vec<Change>, Fault)]) {
        for record in &mut self.records {
            let here = |(batch, _): &&(Vec<Change>, Fault)| {
                batch.iter().any(|change| key(change) == (&record.name, record.rtype))
            };
            if let Some((_, fault)) = conflicts.iter().find(here) {
                let why = format!("{fault}, {ATTEMPTS} times; the next round tries it again, alone");
                record.standing = RecordState::Adrift { why: Some(why) };
            }
        }
    }

    /// Enters what was found when `changes` were read back.
    pub fn written(&mut self, changes: &[Change], observed: &Observed) {
        let changes: BTreeMap<_, _> = changes.iter().map(|change| (key(change), change)).collect();
        for record in &mut self.records {
            let Some(change) = changes.get(&(&record.name, record.rtype)) else { continue };
            record.standing = if stands(observed, change, Some(&change.after)) {
                RecordState::InStep
            } else {
                let why =
                    "the provider took the change, but something else stands there now; the next round looks again";
                RecordState::Adrift { why: Some(why.to_owned()) }
            };
        }
    }

    /// Enters that `changes` may still show themselves until then: where they do not, that is why. The provider is read
    /// again for what `is_open`, and for whatever of it is not as it was.
    pub(crate) fn look_for(&mut self, changes: &[Change], what: &str, until: Timestamp, is_open: bool) {
        let mut is_missing = is_open;
        for record in &mut self.records {
            let is_adrift = matches!(record.standing, RecordState::Adrift { .. });
            if is_adrift && changes.iter().any(|change| key(change) == (&record.name, record.rtype)) {
                let why = format!("{what}; it is looked for until {until} before it is sent again");
                record.standing = RecordState::Adrift { why: Some(why) };
                record.is_looked_for = true;
                is_missing = true;
            }
        }
        if is_missing {
            self.looked_for_until = self.looked_for_until.max(Some(until));
        }
    }

    /// Ends the pass with `trouble`.
    pub fn stop(&mut self, trouble: Trouble) {
        self.blame(&trouble);
        self.trouble = Some(trouble);
    }

    /// Gives `trouble` as the reason wherever a record has none of its own.
    fn blame(&mut self, trouble: &Trouble) {
        for record in &mut self.records {
            if let RecordState::Adrift { why: why @ None } = &mut record.standing {
                *why = Some(trouble.why().to_owned());
            }
        }
    }
}

/// Where a record is that was as `earlier` says and is not as wanted, when nothing was sent since.
fn unseen(earlier: &RecordReport, looked_for_until: Option<Timestamp>) -> RecordState {
    let why = match (&earlier.standing, looked_for_until) {
        (_, Some(until)) if earlier.is_looked_for => {
            format!(
                "what was sent did not show itself, and its time was over at {until}; the next round sends it again"
            )
        }
        (RecordState::Adrift { .. } | RecordState::Blocked { .. }, _) => return earlier.standing.clone(),
        (RecordState::InStep | RecordState::Spreading { .. }, _) => {
            "something else stands there by now; the next round looks again".to_owned()
        }
    };
    RecordState::Adrift { why: Some(why) }
}

fn key(change: &Change) -> (&DnsName, RecordType) {
    (&change.name, change.rtype)
}

#[cfg(test)]
mod tests;
