//! One message on its way: the limits charged, the intent durable, the write, the reading-back, the outcome.
//!
//! Touches the provider and the books. Whatever it is cut off in leaves an intent that reading resolves.

use std::cell::RefCell;
use std::collections::{BTreeMap, BTreeSet};

use super::{Books, BooksError, Job, Trouble};
use crate::address::Family;
use crate::audit::{Ending, Event, Word};
use crate::clock::{Clock, Timestamp};
use crate::provider::{Change, Fault, FaultKind, Observed, RrSet};
use crate::watch::Via;

/// How one message, or what goes together, ended.
pub(super) enum Sent {
    /// It was taken, and this stands now.
    Read(Observed),
    /// It was refused, and nothing was written.
    Refused(Fault),
    /// Nothing was written: what was read is no longer true.
    Conflict(Fault),
    /// Nothing was written: the write did not arrive.
    Again(Fault),
    /// Something else is wanted by now: nothing was sent.
    Dropped,
    /// The pass ends here.
    Stopped(Trouble),
}

/// Sends `changes` in one message, or what goes together: the turn, the charge and the intent first, then the write, then
/// reading what stands.
pub(super) async fn send(job: &Job<'_>, changes: &[Change], books: &RefCell<Books>, clock: &Clock) -> Sent {
    let turn = match job.lease {
        None => None,
        Some(lease) => {
            let turn = lease.enter().await;
            books.borrow_mut().enter_lease(job.name, lease, clock.now());
            match turn {
                Ok(turn) => Some(turn),
                Err(why) => return Sent::Stopped(why.into()),
            }
        }
    };
    // The reading and the turn may have taken long: from here to the sending nothing is waited for.
    let Some(words) = (job.words)() else { return Sent::Dropped };
    let intent = match announce(job, changes, &words, &mut books.borrow_mut(), clock.now()) {
        Ok(intent) => intent,
        Err(error) => return Sent::Stopped(no_books(error)),
    };
    let applied = match &turn {
        None => job.provider.apply(changes).await,
        Some(turn) => turn.apply(changes).await,
    };
    // The reading-back keeps no renewal waiting.
    drop(turn);
    let fault = match applied {
        // Also a success is read back: what counts is what stands, not what was answered.
        Ok(applied) => {
            return match read_back(job, changes, books, clock, &applied.detail).await {
                Ok(observed) => Sent::Read(observed),
                Err(trouble) => Sent::Stopped(trouble),
            };
        }
        Err(fault) => fault,
    };
    let ending = match fault.kind {
        FaultKind::InDoubt | FaultKind::Unproven => {
            return match read_back(job, changes, books, clock, &fault.to_string()).await {
                Ok(observed) if changes.iter().all(|change| stands(&observed, change, Some(&change.after))) => {
                    Sent::Read(observed)
                }
                // Whoever refused would refuse again.
                Ok(_) if fault.kind == FaultKind::Unproven => Sent::Refused(fault),
                Ok(_) => Sent::Again(fault),
                Err(trouble @ Trouble::NoBooks { .. }) => Sent::Stopped(trouble),
                Err(_) => Sent::Stopped(Trouble::from(&fault)),
            };
        }
        FaultKind::Conflict => Ending::Conflict,
        FaultKind::Passing { .. } => Ending::Failed,
        FaultKind::Refused => Ending::Refused,
    };
    let outcome = Event::Outcome { intent, provider: job.name.to_owned(), result: ending, detail: fault.to_string() };
    if let Err(error) = books.borrow_mut().log.append(clock.now(), outcome) {
        return Sent::Stopped(no_books(error.into()));
    }
    match fault.kind {
        FaultKind::Conflict => Sent::Conflict(fault),
        FaultKind::Refused => Sent::Refused(fault),
        _ => Sent::Stopped(Trouble::from(&fault)),
    }
}

/// Charges the limits and writes the intent, both durable when this returns.
fn announce(
    job: &Job<'_>,
    changes: &[Change],
    words: &BTreeMap<Via, Word>,
    books: &mut Books,
    now: Timestamp,
) -> Result<u64, BooksError> {
    let before = books.state.clone();
    books.state.ledger.charge(now, job.limits, job.name, job.provider.tally(), changes);
    books.state.note_sent(job.name, changes);
    if let Err(error) = books.save() {
        books.state = before;
        return Err(error.into());
    }
    let families: BTreeSet<Family> = changes.iter().map(|change| change.rtype.family()).collect();
    let intent = Event::Intent {
        provider: job.name.to_owned(),
        target: job.provider.target(),
        changes: changes.to_vec(),
        word: words.iter().filter(|(via, _)| families.contains(&via.family)).map(|(_, word)| word.clone()).collect(),
    };
    books.log.append(now, intent).map_err(|error| {
        // Nothing is sent, so nothing is charged. Where that cannot be saved the charge stays: a wait, never a write too many.
        books.state = before;
        if let Err(error) = books.save() {
            tracing::debug!("{}", crate::commands::chain_of(&error));
        }
        error.into()
    })
}

/// Reads what stands, and closes the intents of this provider whose end that shows.
pub(super) async fn read(job: &Job<'_>, books: &RefCell<Books>, clock: &Clock) -> Result<Observed, Trouble> {
    let mut names = job.names();
    names.extend(open_intents(&books.borrow(), job.name).flat_map(|(_, changes)| changes).map(|change| change.name));
    let observed = job.provider.read(&names).await.map_err(|fault| Trouble::from(&fault))?;
    resolve(job, &observed, &mut books.borrow_mut(), clock, "found by reading, after the write was cut short")
        .map_err(no_books)?;
    Ok(observed)
}

/// Reads what stands at the names of `changes`, and closes their intent with `detail`.
async fn read_back(
    job: &Job<'_>,
    changes: &[Change],
    books: &RefCell<Books>,
    clock: &Clock,
    detail: &str,
) -> Result<Observed, Trouble> {
    let names = changes.iter().map(|change| change.name.clone()).collect();
    let observed = job.provider.read(&names).await.map_err(|fault| Trouble::from(&fault))?;
    resolve(job, &observed, &mut books.borrow_mut(), clock, detail).map_err(no_books)?;
    Ok(observed)
}

fn open_intents<'a>(books: &'a Books, provider: &'a str) -> impl Iterator<Item = (u64, Vec<Change>)> + 'a {
    books
        .log
        .open_intents()
        .iter()
        .filter(move |(_, intent)| intent.provider == provider)
        .map(|(seq, intent)| (*seq, intent.changes.clone()))
}

fn resolve(
    job: &Job<'_>,
    observed: &Observed,
    books: &mut Books,
    clock: &Clock,
    detail: &str,
) -> Result<(), BooksError> {
    let open: Vec<_> = open_intents(books, job.name).collect();
    for (intent, changes) in open {
        let result = ending(&changes, observed);
        if result == Ending::Done {
            books.state.note_published(job.name, &changes);
        }
        if job.confirms {
            let standing = |change: &&Change| stands(observed, change, Some(&change.after));
            let written: Vec<&Change> = changes.iter().filter(standing).collect();
            books.state.note_spreading(job.name, intent, &written, clock.now());
        }
        let (provider, detail) = (job.name.to_owned(), detail.to_owned());
        books.log.append(clock.now(), Event::Outcome { intent, provider, result, detail })?;
    }
    Ok(())
}

/// How a write of `changes` ended, by what stands now.
fn ending(changes: &[Change], observed: &Observed) -> Ending {
    if changes.iter().all(|change| stands(observed, change, Some(&change.after))) {
        Ending::Done
    } else if changes.iter().all(|change| stands(observed, change, change.before.as_ref())) {
        Ending::Failed
    } else {
        Ending::Overtaken
    }
}

/// Whether exactly `set` stands where `change` would write.
pub(super) fn stands(observed: &Observed, change: &Change, set: Option<&RrSet>) -> bool {
    observed.names.get(&change.name).and_then(|standing| standing.sets.get(&change.rtype)) == set
}

pub(super) fn no_books(error: BooksError) -> Trouble {
    Trouble::NoBooks { why: crate::commands::chain_of(&error) }
}
