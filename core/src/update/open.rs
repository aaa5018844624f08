//! Writes whose end is open: how each ends by what is read, and what has to wait meanwhile. Pure; ages are arguments.
//!
//! A write is open from its intent to its outcome. Where the other side compares before it writes, all but a lost answer is
//! clear at once. Where nobody does, what is shown may lag, and what is sent again may stand there twice: there a write is
//! looked for until its grace is over, and only then it has failed.

use std::cmp::Reverse;
use std::collections::BTreeSet;
use std::net::IpAddr;
use std::time::Duration;

use super::stands;
use crate::audit::Ending;
use crate::provider::{Change, Grace, Observed};

/// What was answered to a write.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(super) enum WriteAnswer {
    /// Nothing, or nothing from which anything follows.
    Unknown,
    /// That it is done.
    Taken,
    /// That it is not, for good: so it ended, unless what stands says otherwise, or what is shown says nothing yet.
    Said(Ending),
}

/// A write without an outcome.
#[derive(Clone, Debug)]
pub(super) struct Open {
    /// The `seq` of its intent.
    pub(super) intent: u64,
    /// What it was to change.
    pub(super) changes: Vec<Change>,
    /// What was answered.
    pub(super) answer: WriteAnswer,
    /// How long ago it was sent.
    pub(super) age: Duration,
}

/// What a reading shows of a write.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
enum Seen {
    /// All of it.
    After,
    /// What was there before, and nothing else.
    Before,
    /// Perhaps some of it: what was there before or is to be, without the rest.
    Part,
    /// All that it would add, nothing that it would remove, and something else beside.
    Beside,
    /// Something else.
    Other,
}

/// How a write ended.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(super) struct Ended {
    /// The `seq` of its intent.
    pub(super) intent: u64,
    /// How.
    pub(super) ending: Ending,
    /// Another write shows it, and not what stands.
    pub(super) by_another: bool,
}

/// How those of the writes `open`, oldest first, end by `observed` that do; oldest first.
pub(super) fn endings(open: &[Open], observed: &Observed, grace: Grace) -> Vec<Ended> {
    let seen: Vec<Option<Seen>> = open.iter().map(|write| seen(&write.changes, observed)).collect();
    let made = if matches!(grace, Grace::Arrival(_)) { made(open, &seen) } else { Vec::new() };
    let end = |(write, seen): (&Open, Option<Seen>)| {
        let is_made = made.iter().any(|made| made.intent == write.intent);
        let by_another = !is_made && made.iter().any(|made| excludes(made, write));
        let ending = match write.answer {
            WriteAnswer::Said(ending) if by_another => ending,
            _ if by_another => Ending::Failed,
            answer => ending(grace, answer, seen?, write.age)?,
        };
        Some(Ended { intent: write.intent, ending, by_another })
    };
    open.iter().zip(seen).filter_map(end).collect()
}

/// Those of the writes `open` that were made, where the other side compares: it said so, or all of it stands. Of several that
/// exclude each other that is the one that has most of what stands, and of equal ones the newest.
fn made<'o>(open: &'o [Open], seen: &[Option<Seen>]) -> Vec<&'o Open> {
    let mut likely: Vec<&Open> = Vec::new();
    for (write, seen) in open.iter().zip(seen) {
        // PowerDNS says it also of what its policy forbids (measured with 4.7).
        let is_ignored = *seen == Some(Seen::Before);
        if *seen == Some(Seen::After) || write.answer == WriteAnswer::Taken && !is_ignored {
            likely.push(write);
        }
    }
    likely.sort_by_key(|write| Reverse((write.answer == WriteAnswer::Taken, write.changes.len(), write.intent)));
    let mut made: Vec<&Open> = Vec::new();
    for write in likely {
        if !made.iter().any(|made| excludes(made, write)) {
            made.push(write);
        }
    }
    made
}

/// Whether of these two one was made at most, and then the other is not made any more: each is taken only where it finds what
/// it expects, both expect the same somewhere, and both leave something else there.
fn excludes(one: &Open, other: &Open) -> bool {
    let moves =
        |change: &&Change| addresses(change.before.as_ref().map(|set| &set.addresses)) != change.after.addresses;
    let rivals = |change: &Change| other.changes.iter().filter(moves).any(|other| begins_alike(other, change));
    one.changes.iter().filter(moves).any(rivals)
}

/// How a write ended of which that is seen at that age; `None` while it is open.
fn ending(grace: Grace, answer: WriteAnswer, seen: Seen, age: Duration) -> Option<Ending> {
    match (seen, answer, grace) {
        (Seen::After, ..) => Some(Ending::Done),
        (_, WriteAnswer::Said(ending), Grace::Arrival(_)) => Some(ending),
        (Seen::Before, WriteAnswer::Taken, Grace::Arrival(_)) => Some(Ending::Failed),
        // Whatever was said, it may have been done, and somebody else did more; unless it is all or nothing.
        (Seen::Beside, WriteAnswer::Said(Ending::Conflict), Grace::Visibility(_)) => Some(Ending::Overtaken),
        (Seen::Other | Seen::Beside | Seen::Part, _, Grace::Arrival(_)) => Some(Ending::Overtaken),
        // Something else may be what stood there earlier still: two machines show what they know by turns.
        (_, _, Grace::Arrival(most) | Grace::Visibility(most)) if age < most => None,
        (Seen::Other, WriteAnswer::Said(Ending::Conflict), _) => Some(Ending::Conflict),
        (Seen::Before, WriteAnswer::Said(ending), _) => Some(ending),
        (Seen::Before, ..) => Some(Ending::Failed),
        (Seen::Other | Seen::Beside | Seen::Part, ..) => Some(Ending::Overtaken),
    }
}

/// `None` where not all of the names were read.
fn seen(changes: &[Change], observed: &Observed) -> Option<Seen> {
    let all = |stand: &dyn Fn(&Change) -> bool| changes.iter().all(stand);
    if !all(&|change| observed.names.contains_key(&change.name)) {
        None
    } else if all(&|change| stands(observed, change, Some(&change.after))) {
        Some(Seen::After)
    } else if all(&|change| stands(observed, change, change.before.as_ref())) {
        Some(Seen::Before)
    } else if all(&|change| is_part(change, observed)) {
        Some(Seen::Part)
    } else if all(&|change| is_beside(change, observed)) {
        Some(Seen::Beside)
    } else {
        Some(Seen::Other)
    }
}

/// Whether nothing but what `change` found and would write stands there, and all that it would leave alone.
fn is_part(change: &Change, observed: &Observed) -> bool {
    let shown = shown(change, observed);
    let before = addresses(change.before.as_ref().map(|set| &set.addresses));
    let (stays, either) = (&before & &change.after.addresses, &before | &change.after.addresses);
    !shown.is_empty() && stays.is_subset(&shown) && shown.is_subset(&either)
}

/// Whether all that `change` would add stands there, if that is anything, and nothing that it would remove.
fn is_beside(change: &Change, observed: &Observed) -> bool {
    let shown = shown(change, observed);
    let before = addresses(change.before.as_ref().map(|set| &set.addresses));
    let (comes, goes) = (&change.after.addresses - &before, &before - &change.after.addresses);
    !comes.is_empty() && comes.is_subset(&shown) && goes.is_disjoint(&shown)
}

/// The addresses that stand where `change` is made.
fn shown(change: &Change, observed: &Observed) -> BTreeSet<IpAddr> {
    let stands = observed.names.get(&change.name).and_then(|standing| standing.sets.get(&change.rtype));
    addresses(stands.map(|set| &set.addresses))
}

/// Whether `change`, made from what is read now, has to wait for `sent` to show itself, where nobody compares: it would stand
/// there twice, or be sent twice.
pub(super) fn has_to_wait(change: &Change, sent: &Change, is_taken: bool) -> bool {
    if (&change.name, change.rtype) != (&sent.name, sent.rtype) {
        return false;
    }
    let read = addresses(change.before.as_ref().map(|set| &set.addresses));
    let may_still_come = !sent.after.addresses.is_subset(&read);
    // What takes the place of something that is there does no harm twice; what is added does.
    may_still_come && (adds(change) || adds(sent))
        || is_taken && (&change.before, &change.after) == (&sent.before, &sent.after)
}

fn adds(change: &Change) -> bool {
    change.after.addresses.len() > change.before.as_ref().map_or(0, |set| set.addresses.len())
}

fn begins_alike(one: &Change, other: &Change) -> bool {
    let start = |change: &Change| addresses(change.before.as_ref().map(|set| &set.addresses));
    (&one.name, one.rtype) == (&other.name, other.rtype) && start(one) == start(other)
}

fn addresses(set: Option<&BTreeSet<IpAddr>>) -> BTreeSet<IpAddr> {
    set.cloned().unwrap_or_default()
}

#[cfg(test)]
mod tests;
