//! The records whose change was refused while the others go on. Pure; the time is an argument.
//!
//! A block costs nothing while it lasts. The change is tried again when another one is due there, after an hour, since the
//! refusal may have been the server's passing state, and when a hold would end. After a refusal that nothing proves it is
//! tried sooner, with waits that double up to the hour: anybody on the way may have said so.
//!
//! A change that conflicted is entered too, and not waited for: until it is written it goes alone.

use std::time::Duration;

use super::stands;
use crate::clock::Timestamp;
use crate::limits::record_key;
use crate::provider::{Change, Fault, FaultKind, Observed};
use crate::state::{Block, State};

const HOUR: Duration = Duration::from_secs(60 * 60);

/// The first wait after a refusal that nothing proves.
const FIRST: Duration = Duration::from_secs(5);

/// The provider, as far as this has to know it.
#[derive(Clone, Copy, Debug)]
pub(super) struct At<'a> {
    /// Its name.
    pub(super) provider: &'a str,
    /// What is written to, in words.
    pub(super) target: &'a str,
    /// Whether it can be asked if it takes anything at all.
    pub(super) permits: bool,
}

/// Changes by what was refused of them before.
pub(super) struct Sorted {
    /// Nothing.
    pub(super) fresh: Vec<Change>,
    /// These very changes, a while ago.
    pub(super) again: Vec<Change>,
    /// These very changes, just now; and why.
    pub(super) blocked: Vec<(Change, String)>,
}

/// Sorts `changes` by what stands against them in `state`.
pub(super) fn sort(provider: &str, changes: Vec<Change>, state: &State, now: Timestamp) -> Sorted {
    let mut sorted = Sorted { fresh: Vec::new(), again: Vec::new(), blocked: Vec::new() };
    for change in changes {
        match state.blocks.get(&record_key(provider, &change.name, change.rtype)) {
            Some(block) if (&block.before, &block.after) == (&change.before, &change.after) => {
                // A time to come was entered before the clock was set back.
                if now < over(block) && block.tried <= now {
                    sorted.blocked.push((change, block.why.clone()));
                } else {
                    sorted.again.push(change);
                }
            }
            // It may be refused like the one before: alone it costs one message.
            Some(_) => sorted.again.push(change),
            None => sorted.fresh.push(change),
        }
    }
    sorted
}

/// When the first of the changes that were refused may be tried again: before the next round, where that is far.
pub(super) fn next(provider: &str, changes: &[Change], state: &State, now: Timestamp) -> Option<Timestamp> {
    let block = |change: &Change| state.blocks.get(&record_key(provider, &change.name, change.rtype));
    changes.iter().filter_map(block).map(over).filter(|until| *until > now).min()
}

fn over(block: &Block) -> Timestamp {
    block.tried.plus(Duration::from_secs(block.wait_s))
}

/// Enters the changes that were refused alone.
pub(super) fn refuse(
    provider: &str,
    refused: Vec<(Change, Fault)>,
    state: &mut State,
    now: Timestamp,
) -> Vec<(Change, String)> {
    let mut blocked = Vec::new();
    for (change, fault) in refused {
        let key = record_key(provider, &change.name, change.rtype);
        let wait = match (fault.kind, state.blocks.get(&key).map(|before| Duration::from_secs(before.wait_s))) {
            (FaultKind::Unproven, Some(before)) => (2 * before).clamp(FIRST, HOUR),
            (FaultKind::Unproven, None) => FIRST,
            _ => HOUR,
        };
        blocked.push(block(provider, change, fault.to_string(), wait, state, now));
    }
    blocked
}

/// Enters those of `together` that stand otherwise than they were read: the conflict of them all was theirs.
pub(super) fn set_apart(provider: &str, together: &[Change], observed: &Observed, state: &mut State, now: Timestamp) {
    for change in together.iter().filter(|change| !stands(observed, change, change.before.as_ref())) {
        let why = "somebody else changed it while it was being written".to_owned();
        block(provider, change.clone(), why, Duration::ZERO, state, now);
    }
}

/// Enters a change that conflicted alone.
pub(super) fn go_alone(provider: &str, change: &Change, fault: &Fault, state: &mut State, now: Timestamp) {
    block(provider, change.clone(), fault.to_string(), Duration::ZERO, state, now);
}

/// What is left of changes that were taken.
#[derive(Default)]
pub(super) struct Left {
    /// These were ignored, and why that is said.
    pub(super) blocked: Vec<(Change, String)>,
    /// These may have been ignored, or set back by somebody else: alone they show which.
    pub(super) alone: Vec<Change>,
}

/// Enters what stands after `changes` were taken. PowerDNS answers NOERROR to what its policy forbids, and leaves the
/// record as it was (measured with 4.7). So does somebody who sets it back at once, but not the zone's serial, which was
/// `serial` before (RFC 2136, section 3.6).
pub(super) fn enter(
    at: &At<'_>,
    changes: &[Change],
    observed: &Observed,
    serial: Option<u32>,
    state: &mut State,
    now: Timestamp,
) -> Left {
    let mut left = Left::default();
    let is_untouched = serial.is_some() && observed.serial == serial;
    for change in changes {
        if stands(observed, change, Some(&change.after)) {
            state.blocks.remove(&record_key(at.provider, &change.name, change.rtype));
        } else if !at.permits || !stands(observed, change, change.before.as_ref()) {
            continue;
        } else if changes.len() > 1 {
            left.alone.push(change.clone());
        } else if is_untouched {
            let why = format!(
                "{} took the change of {} {} and left the record as it was; see that its policy lets this key change it",
                at.target, change.name, change.rtype
            );
            left.blocked.push(block(at.provider, change.clone(), why, HOUR, state, now));
        }
    }
    left
}

fn block(
    provider: &str,
    change: Change,
    why: String,
    wait: Duration,
    state: &mut State,
    now: Timestamp,
) -> (Change, String) {
    let Change { before, after, .. } = change.clone();
    let entry = Block { tried: now, why: why.clone(), before, after, wait_s: wait.as_secs() };
    state.blocks.insert(record_key(provider, &change.name, change.rtype), entry);
    (change, why)
}
