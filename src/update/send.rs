//! One message on its way: the limits charged, the intent durable, the write, the reading-back, the outcome.
//!
//! Touches the provider and the books. Whatever it is cut off in leaves an intent that reading resolves.

use std::cell::RefCell;
use std::collections::{BTreeMap, BTreeSet};
use std::time::Duration;

use super::open::{Answer, Ended, endings};
use super::{Books, BooksError, Job, Trouble};
use crate::address::Family;
use crate::audit::{Ending, Event, Word};
use crate::clock::{Clock, Timestamp};
use crate::limits::Charge;
use crate::name::DnsName;
use crate::provider::{Applied, Change, Fault, FaultKind, Grace, Observed};
use crate::record::RrSet;
use crate::settings::Via;

/// How one message, or what goes together, ended.
pub(super) enum Sent {
    /// It was taken, or may have been, and this stands now; what is the matter with the provider, if anything.
    Read(Observed, Option<Trouble>),
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
    let (intent, charge) = match announce(job, changes, &words, &mut books.borrow_mut(), clock.now()) {
        Ok(announced) => announced,
        Err(error) => return Sent::Stopped(no_books(error)),
    };
    let under_way = books.borrow_mut().afoot.begin(intent);
    let applied = match &turn {
        None => job.provider.apply(changes).await,
        Some(turn) => turn.apply(changes).await,
    };
    // The reading-back keeps no renewal waiting.
    drop(turn);
    if applied.as_ref().is_err_and(|fault| fault.unsent) {
        // Made durable with the rest. Where that fails the charge stays: a wait, never a write too many.
        books.borrow_mut().state.ledger.give_back(charge, job.limits);
    }
    let sent = conclude(job, changes, intent, applied, books, clock).await;
    drop(under_way);
    sent
}

/// Finds out how the write of `changes` ended to which `applied` was answered, by reading what stands unless the answer
/// proves it: what counts is what stands, not what was answered.
async fn conclude(
    job: &Job<'_>,
    changes: &[Change],
    intent: u64,
    applied: Result<Applied, Fault>,
    books: &RefCell<Books>,
    clock: &Clock,
) -> Sent {
    let fault = match applied {
        Ok(applied) => {
            books.borrow_mut().afoot.answered(intent, Answer::Taken, &applied.detail);
            return match read_back(job, changes, books, clock).await {
                Ok(observed) => Sent::Read(observed, None),
                Err(trouble) => Sent::Stopped(trouble),
            };
        }
        Err(fault) => fault,
    };
    let (answer, is_proof) = match fault.kind {
        FaultKind::InDoubt | FaultKind::Unproven => (Answer::Unknown, false),
        FaultKind::Conflict => (Answer::Said(Ending::Conflict), !fault.sent),
        FaultKind::Refused => (Answer::Said(Ending::Refused), !fault.sent),
        FaultKind::Passing { .. } if fault.sent => (Answer::Unknown, false),
        FaultKind::Passing { .. } => (Answer::Said(Ending::Failed), true),
    };
    let detail = fault.to_string();
    books.borrow_mut().afoot.answered(intent, answer, &detail);
    if let (Answer::Said(result), true) = (answer, is_proof) {
        let outcome = Event::Outcome { intent, provider: job.name.to_owned(), result, detail };
        let books = &mut *books.borrow_mut();
        if let Err(error) = books.log.append(clock.now(), outcome) {
            return Sent::Stopped(no_books(error.into()));
        }
        books.afoot.forget(intent);
        return told(fault);
    }
    match read_back(job, changes, books, clock).await {
        Ok(observed) => found(job, changes, fault, observed, books, clock),
        Err(trouble @ Trouble::NoBooks { .. }) => Sent::Stopped(trouble),
        Err(trouble) => Sent::Stopped(unread(&fault, trouble)),
    }
}

/// What follows from a fault that proves that nothing was written.
fn told(fault: Fault) -> Sent {
    match fault.kind {
        FaultKind::Conflict => Sent::Conflict(fault),
        // Whoever refused would refuse again.
        FaultKind::Refused | FaultKind::Unproven => Sent::Refused(fault),
        FaultKind::InDoubt => Sent::Again(fault),
        FaultKind::Passing { .. } => Sent::Stopped(Trouble::from(&fault)),
    }
}

/// What follows from a fault that proves nothing when `observed` was read after it.
fn found(
    job: &Job<'_>,
    changes: &[Change],
    fault: Fault,
    observed: Observed,
    books: &RefCell<Books>,
    clock: &Clock,
) -> Sent {
    let all = |stand: &dyn Fn(&Change) -> bool| changes.iter().all(stand);
    if all(&|change| stands(&observed, change, Some(&change.after))) {
        // A wait that is asked for stays one.
        let trouble = matches!(fault.kind, FaultKind::Passing { retry_after: Some(_) }).then(|| Trouble::from(&fault));
        return Sent::Read(observed, trouble);
    }
    let is_as_before = all(&|change| stands(&observed, change, change.before.as_ref()));
    match (fault.kind, job.provider.grace()) {
        // It may still show itself, and the same once more would stand there twice: the others go on.
        (FaultKind::InDoubt | FaultKind::Conflict, _) if has_to_wait(job, &observed, changes, books, clock) => {
            Sent::Read(observed, None)
        }
        // Nobody knows what came of it: so it goes alone, and holds up no other.
        (FaultKind::InDoubt, Grace::Visibility(_)) => Sent::Conflict(fault),
        // Some of it was done, or somebody else was there.
        (FaultKind::Refused, Grace::Visibility(_)) if !is_as_before => Sent::Conflict(fault),
        // What is shown is so: reading proves it.
        (_, Grace::Arrival(_) | Grace::Visibility(Duration::ZERO)) => told(Fault { sent: false, ..fault }),
        _ => told(fault),
    }
}

/// What is the matter where a fault proves nothing, and what stands could not be read. The longest wait that was asked for
/// stays one.
fn unread(fault: &Fault, trouble: Trouble) -> Trouble {
    let asked = match fault.kind {
        FaultKind::Passing { retry_after } => retry_after,
        FaultKind::Unproven | FaultKind::InDoubt | FaultKind::Conflict | FaultKind::Refused => None,
    };
    let also = match trouble {
        Trouble::Passing { retry_after, .. } => retry_after,
        Trouble::Unproven { .. } => None,
        trouble => return trouble,
    };
    match asked.max(also) {
        None if fault.kind == FaultKind::Unproven => Trouble::from(fault),
        retry_after => Trouble::Passing { why: fault.to_string(), retry_after },
    }
}

/// Whether `changes`, planned from what stands now, would have to wait.
fn has_to_wait(job: &Job<'_>, observed: &Observed, changes: &[Change], books: &RefCell<Books>, clock: &Clock) -> bool {
    let anew = changes.iter().map(|change| {
        let before = observed.names.get(&change.name).and_then(|standing| standing.sets.get(&change.rtype)).cloned();
        Change { before, ..change.clone() }
    });
    let Books { afoot, log, .. } = &mut *books.borrow_mut();
    afoot.ready(job, log, anew.collect(), clock.now()).is_empty()
}

/// Charges the limits and writes the intent, both durable when this returns: its number, and what to give back if nothing is
/// sent.
fn announce(
    job: &Job<'_>,
    changes: &[Change],
    words: &BTreeMap<Via, Word>,
    books: &mut Books,
    now: Timestamp,
) -> Result<(u64, Charge), BooksError> {
    let before = books.state.clone();
    let charge = books.state.ledger.charge(now, job.limits, job.name, job.provider.tally(), changes);
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
    let announced = books.log.append(now, intent).map(|intent| (intent, charge));
    announced.map_err(|error| {
        // Nothing is sent, so nothing is charged. Where that cannot be saved the charge stays: a wait, never a write too many.
        books.state = before;
        if let Err(error) = books.save() {
            tracing::debug!("{}", crate::text::chain_of(&error));
        }
        error.into()
    })
}

/// Reads what stands, and closes the intents of this provider whose end that shows.
pub(super) async fn read(job: &Job<'_>, books: &RefCell<Books>, clock: &Clock) -> Result<Observed, Trouble> {
    look(job, &(&job.names() | &open_names(job, books)), books, clock).await
}

/// Reads what stands at the names of `changes`, and closes the intents whose end that shows. Where one write excludes another,
/// what stands where the other was to write shows which of them was made.
async fn read_back(
    job: &Job<'_>,
    changes: &[Change],
    books: &RefCell<Books>,
    clock: &Clock,
) -> Result<Observed, Trouble> {
    let names: BTreeSet<DnsName> = changes.iter().map(|change| change.name.clone()).collect();
    match job.provider.grace() {
        Grace::Arrival(_) => look(job, &(&names | &open_names(job, books)), books, clock).await,
        Grace::Visibility(_) => look(job, &names, books, clock).await,
    }
}

/// The names at which this provider's intents without an outcome were to write.
fn open_names(job: &Job<'_>, books: &RefCell<Books>) -> BTreeSet<DnsName> {
    let books = books.borrow();
    let ours = books.log.open_intents().values().filter(|intent| intent.provider == job.name);
    ours.flat_map(|intent| &intent.changes).map(|change| change.name.clone()).collect()
}

async fn look(
    job: &Job<'_>,
    names: &BTreeSet<DnsName>,
    books: &RefCell<Books>,
    clock: &Clock,
) -> Result<Observed, Trouble> {
    // How a write ended that was not answered is told by this alone.
    let decides = {
        let Books { afoot, log, .. } = &mut *books.borrow_mut();
        afoot.open(log, job.name, clock.now()).iter().any(|write| write.answer == Answer::Unknown)
    };
    let reading = if decides { job.provider.read_together(names) } else { job.provider.read(names) };
    let observed = reading.await.map_err(|fault| Trouble::from(&fault))?;
    resolve(job, &observed, &mut books.borrow_mut(), clock).map_err(no_books)?;
    Ok(observed)
}

fn resolve(job: &Job<'_>, observed: &Observed, books: &mut Books, clock: &Clock) -> Result<(), BooksError> {
    let open = books.afoot.open(&books.log, job.name, clock.now());
    for Ended { intent, ending: result, by_another } in endings(&open, observed, job.provider.grace()) {
        let Some(write) = open.iter().find(|write| write.intent == intent) else { continue };
        if result == Ending::Done {
            books.state.note_published(job.name, &write.changes);
        }
        if job.confirms && !by_another {
            let standing = |change: &&Change| stands(observed, change, Some(&change.after));
            let written: Vec<&Change> = write.changes.iter().filter(standing).collect();
            books.state.note_spreading(job.name, intent, &written, clock.now());
        }
        let detail = match books.afoot.detail(intent) {
            _ if by_another && result == Ending::Failed => {
                "another write was taken, which found the same there as this one"
            }
            Some(detail) => detail,
            None => "found by reading, after the write was cut short",
        };
        let (provider, detail) = (job.name.to_owned(), detail.to_owned());
        books.log.append(clock.now(), Event::Outcome { intent, provider, result, detail })?;
        books.afoot.end(job, write, result == Ending::Done);
    }
    let Books { afoot, log, state, .. } = books;
    afoot.keep_ours(job, log, state, clock.now());
    Ok(())
}

/// Whether exactly `set` stands where `change` would write.
pub(super) fn stands(observed: &Observed, change: &Change, set: Option<&RrSet>) -> bool {
    observed.names.get(&change.name).and_then(|standing| standing.sets.get(&change.rtype)) == set
}

pub(super) fn no_books(error: BooksError) -> Trouble {
    Trouble::NoBooks { why: crate::text::chain_of(&error) }
}
