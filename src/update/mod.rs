//! The updater: brings one provider's records in step, and keeps the books while doing so.
//!
//! It owns what a provider does not: the limits (pure, in [`crate::limits`]), the hold after a refusal, the audit entries
//! before and after, the reading-back. Touches the outside through the provider and the books only.
//!
//! The order is the promise, and it lives in `send`. Before anything is sent the limits are charged and saved, then the intent is written
//! and made durable; afterwards what stands is read, and only then the intent gets its outcome. Whatever fails
//! in between leaves an intent without outcome, and that is resolved by reading, here or after the next start.

mod afoot;
mod blocks;
mod books;
mod open;
mod report;
pub mod retry;
mod send;

use std::cell::RefCell;
use std::collections::{BTreeMap, BTreeSet, VecDeque};
use std::rc::Rc;

use crate::audit::{Event, Word};
use crate::clock::{Clock, Timestamp};
use crate::limits::record_key;
use crate::name::DnsName;
use crate::provider::{Change, Fault, FaultKind, Observed, Provider, Tally};
use crate::reconcile::{self, Desired, Item, Step};
use crate::record::RecordType;
use crate::settings::{Limits, Sharing, Via};
use crate::standby::Lease;
use crate::state::{Hold, State};
pub use afoot::Afoot;
use blocks::Sorted;
pub use books::{Books, BooksError, peek};
pub use report::{RecordReport, RecordState, Report, Trouble};
use send::{Sent, no_books, read, send, stands};

/// How often a plan is made anew when somebody else writes at the same time.
const ATTEMPTS: usize = 3;

/// One provider with all that a pass over it needs to know.
pub struct Job<'a> {
    /// The provider's name.
    pub name: &'a str,
    /// Its zone.
    pub zone: &'a DnsName,
    /// The fingerprint of its configuration.
    pub fingerprint: &'a str,
    /// The provider itself.
    pub provider: &'a dyn Provider,
    /// What is wanted of it.
    pub desired: &'a [Desired],
    /// On whose word, by line and family, as of now; `None` when something else is wanted by now: then nothing more is sent.
    pub words: &'a dyn Fn() -> Option<Rc<BTreeMap<Via, Word>>>,
    /// How often may be written.
    pub limits: &'a Limits,
    /// Whoever holds this may write, where there are two.
    pub lease: Option<&'a Lease>,
    /// Whether the servers of the zone are asked afterwards.
    pub confirms: bool,
}

/// Brings the job's records in step, as far as limits, holds and the provider allow.
///
/// Several jobs, of a provider each, may share the books: they are borrowed between two waits, and never across one.
///
/// A provider that is on hold is tried: whoever calls this knows that it is time for that. The hold ends when the pass does
/// without trouble.
pub async fn bring_in_step(job: &Job<'_>, books: &RefCell<Books>, clock: &Clock) -> Report {
    let mut report = pass(job, books, clock).await;
    let Books { afoot, log, .. } = &mut *books.borrow_mut();
    afoot.tell(job, log, &mut report, clock.now());
    report
}

async fn pass(job: &Job<'_>, books: &RefCell<Books>, clock: &Clock) -> Report {
    let is_held = books.borrow().state.holds.contains_key(job.name);
    let mut report = Report::unread(job);
    match job.lease {
        // Whether the lease can be had shows on the way.
        Some(lease) if is_held => drop(lease.rest(false)),
        Some(lease) => {
            if let Some(why) = lease.amiss() {
                return report.with(why.into(), &mut books.borrow_mut(), job, clock);
            }
        }
        None => {}
    }
    let (mut attempt, mut last) = (0, ATTEMPTS);
    let mut together: Vec<Change> = Vec::new();
    loop {
        attempt += 1;
        let observed = match read(job, books, clock).await {
            Ok(observed) => observed,
            Err(trouble) => return report.with(trouble, &mut books.borrow_mut(), job, clock),
        };
        let items = plan(job, &observed, &books.borrow().state);
        note_in_step(job, &items, &mut books.borrow_mut(), clock.now());
        blocks::set_apart(job.name, &together, &observed, &mut books.borrow_mut().state, clock.now());
        match write(job, items, observed.serial, attempt > 1, books, clock).await {
            Written::Settled(done) => {
                if done.is_well() {
                    end_hold(job, &mut books.borrow_mut(), clock);
                }
                return done;
            }
            Written::Dropped(done) => return done,
            Written::Stopped(stopped, trouble) => return stopped.with(trouble, &mut books.borrow_mut(), job, clock),
            Written::Again(again, fault) => {
                tracing::info!("{}: {fault} (attempt {attempt} of {ATTEMPTS})", job.name);
                if attempt == ATTEMPTS {
                    return again.with(Trouble::from(&fault), &mut books.borrow_mut(), job, clock);
                }
                report = again;
            }
            Written::Conflict(mut done, conflicts) => {
                for (_, fault) in &conflicts {
                    tracing::info!("{}: {fault} (attempt {attempt} of {last})", job.name);
                }
                let is_all = conflicts.iter().map(|(batch, _)| batch.len()).sum::<usize>() == done.records.len();
                if attempt == last {
                    if is_all && let Some((_, fault)) = conflicts.first() {
                        return done.with(Trouble::from(fault), &mut books.borrow_mut(), job, clock);
                    }
                    done.conflict(&conflicts);
                    if done.is_well() {
                        end_hold(job, &mut books.borrow_mut(), clock);
                    }
                    return done;
                }
                together =
                    conflicts.into_iter().map(|(batch, _)| batch).filter(|batch| batch.len() > 1).flatten().collect();
                // Nobody has had an attempt alone by then.
                last = if together.is_empty() { last } else { ATTEMPTS + 1 };
                report = done;
            }
        }
    }
}

/// What [`bring_in_step`] would do, found out without writing anything anywhere.
pub async fn foresee(job: &Job<'_>, state: &State, clock: &Clock) -> Report {
    if let Some(hold) = state.holds.get(job.name).filter(|hold| hold.holds_for(job.fingerprint)) {
        return held(job, hold);
    }
    let mut report = Report::unread(job);
    let observed = match job.provider.read(&job.names()).await {
        Ok(observed) => observed,
        Err(fault) => {
            report.blame(&Trouble::from(&fault));
            report.trouble = Some(Trouble::from(&fault));
            return report;
        }
    };
    let items = plan(job, &observed, state);
    let mut report = Report::of(job, &items);
    let Sorted { mut fresh, again, blocked } = blocks::sort(job.name, changes(&items), state, clock.now());
    fresh.extend(again);
    report.block(&blocked);
    let gated = state.ledger.clone().gate(clock.now(), job.limits, job.name, job.provider.tally(), fresh);
    report.put_off(&gated.put_off);
    if let Some(lease) = job.lease
        && !gated.allowed.is_empty()
        && let Err(why) = lease.glimpse().await
    {
        report.blame(&Trouble::from(why.clone()));
        report.trouble = Some(why.into());
        return report;
    }
    report.means = (!gated.allowed.is_empty()).then(|| job.provider.means(gated.allowed.len()));
    report
}

/// How a write ended, as far as the pass over the provider is concerned.
enum Written {
    /// There is nothing more to do now.
    Settled(Report),
    /// Something else is wanted by now.
    Dropped(Report),
    /// The pass ends here.
    Stopped(Report, Trouble),
    /// Nothing was written: the write did not arrive.
    Again(Report, Fault),
    /// All is done but these, each with what was sent with it: somebody else changed them since they were read, or the
    /// server says so.
    Conflict(Report, Vec<(Vec<Change>, Fault)>),
}

/// Writes what `items` ask for. After a refusal that does not concern them all the changes go in halves, until those that
/// are refused stand alone: these are blocked, and the rest is written. So after a conflict, once reading has not told whom
/// it concerns (`parts`).
async fn write(
    job: &Job<'_>,
    items: Vec<Item>,
    mut serial: Option<u32>,
    parts: bool,
    books: &RefCell<Books>,
    clock: &Clock,
) -> Written {
    let mut report = Report::of(job, &items);
    let now = clock.now();
    let Sorted { fresh, again, blocked } = blocks::sort(job.name, changes(&items), &books.borrow().state, now);
    report.block(&blocked);
    let ready = |changes| {
        let Books { afoot, log, .. } = &mut *books.borrow_mut();
        afoot.ready(job, log, changes, now)
    };
    let mut todo: VecDeque<Vec<Change>> = match job.provider.tally() {
        Tally::Together => [ready(fresh)].into(),
        // Each has its own end: what was sent is charged and entered, and what was not is not.
        Tally::Each => ready(fresh).into_iter().map(|one| vec![one]).collect(),
    };
    // What was refused before, or conflicted, goes alone: it holds nobody up.
    todo.extend(ready(again).into_iter().map(|one| vec![one]));
    let mut sent: BTreeSet<(DnsName, RecordType)> = BTreeSet::new();
    let mut most = 0;
    let mut refused: Vec<(Change, Fault)> = Vec::new();
    let mut conflicts: Vec<(Vec<Change>, Fault)> = Vec::new();
    let mut is_permitted = false;
    let end = loop {
        let Some(batch) = todo.pop_front() else { break None };
        let gated =
            books.borrow_mut().state.ledger.gate(clock.now(), job.limits, job.name, job.provider.tally(), batch);
        report.put_off(&gated.put_off);
        let batch = gated.allowed;
        if batch.is_empty() {
            continue;
        }
        most = most.max(batch.len());
        sent.extend(batch.iter().map(|change| (change.name.clone(), change.rtype)));
        report.means = Some(job.provider.means(match job.provider.tally() {
            Tally::Together => most,
            Tally::Each => sent.len(),
        }));
        let before = books.borrow().state.ledger.clone();
        let fault = match send(job, &batch, books, clock).await {
            Sent::Read(observed, trouble) => {
                // Who takes one does not refuse all.
                is_permitted |= batch.iter().all(|change| stands(&observed, change, Some(&change.after)));
                report.written(&batch, &observed);
                let left = blocks::enter(job, &batch, &observed, serial, &mut books.borrow_mut().state, clock.now());
                report.block(&left.blocked);
                todo.extend(left.alone.into_iter().map(|one| vec![one]));
                serial = observed.serial;
                match trouble {
                    Some(trouble) => break Some(Written::Stopped(report.clone(), trouble)),
                    None => continue,
                }
            }
            Sent::Again(fault) => break Some(Written::Again(report.clone(), fault)),
            Sent::Dropped => break Some(Written::Dropped(report.clone())),
            Sent::Stopped(trouble) => break Some(Written::Stopped(report.clone(), trouble)),
            Sent::Conflict(fault) => {
                match &batch[..] {
                    [_, _, ..] if parts => halve(job, batch, &mut todo),
                    [one] => {
                        blocks::go_alone(job.name, one, &fault, &mut books.borrow_mut().state, clock.now());
                        conflicts.push((batch, fault));
                    }
                    _ => conflicts.push((batch, fault)),
                }
                continue;
            }
            Sent::Refused(fault) => fault,
        };
        match job.provider.permits() {
            // The others show whether it concerns them.
            None if fault.of_one => {}
            // Also after another was taken: a token may be withdrawn at any time.
            None => break Some(Written::Stopped(report.clone(), Trouble::from(&fault))),
            Some(_) if is_permitted => {}
            Some(answer) => match answer.await {
                Ok(()) => is_permitted = true,
                Err(all) if matches!(all.kind, FaultKind::Refused | FaultKind::Unproven) => {
                    break Some(Written::Stopped(report.clone(), Trouble::from(&fault)));
                }
                Err(all) => break Some(Written::Stopped(report.clone(), Trouble::from(&all))),
            },
        }
        if let [one] = &batch[..] {
            refused.push((one.clone(), fault));
        } else {
            books.borrow_mut().state.ledger.refund(&before, job.name, &batch);
            halve(job, batch, &mut todo);
        }
    };
    // Where there is no record but these, the refusal concerns all that the provider is for: if it is sure of each.
    if refused.len() == items.len()
        && refused.iter().all(|(_, fault)| !fault.sent)
        && let Some((_, fault)) = refused.first()
    {
        return Written::Stopped(report, Trouble::from(fault));
    }
    let refused = blocks::refuse(job.name, refused, &mut books.borrow_mut().state, clock.now());
    report.block(&refused);
    let again = blocks::next(job.name, &changes(&items), &books.borrow().state, clock.now());
    report.put_off_until = report.put_off_until.into_iter().chain(again).min();
    match (books.borrow_mut().save_at_rest(), end) {
        (Err(error), _) => Written::Stopped(report, no_books(error.into())),
        (Ok(()), Some(Written::Again(mut report, fault))) => {
            report.block(&refused);
            Written::Again(report, fault)
        }
        (Ok(()), Some(Written::Stopped(mut report, trouble))) => {
            report.block(&refused);
            Written::Stopped(report, trouble)
        }
        (Ok(()), Some(Written::Dropped(_))) => Written::Dropped(report),
        (Ok(()), _) if !conflicts.is_empty() => Written::Conflict(report, conflicts),
        (Ok(()), _) => Written::Settled(report),
    }
}

/// Puts the parts of `batch` before all else that is to be sent: halves, or one by one where that costs no more.
fn halve(job: &Job<'_>, batch: Vec<Change>, todo: &mut VecDeque<Vec<Change>>) {
    let size = match job.provider.tally() {
        Tally::Together => batch.len().div_ceil(2),
        Tally::Each => 1,
    };
    for part in batch.chunks(size.max(1)).rev() {
        todo.push_front(part.to_vec());
    }
}

fn plan(job: &Job<'_>, observed: &Observed, state: &State) -> Vec<Item> {
    reconcile::plan(job.desired, observed, job.zone, |wanted| {
        state.published.get(&record_key(job.name, &wanted.name, wanted.rtype)).into_iter().flatten().copied()
    })
}

/// Enters what of the records in step is ours: it is what `member` will have to swap one day.
fn note_in_step(job: &Job<'_>, items: &[Item], books: &mut Books, now: Timestamp) {
    for item in items.iter().filter(|item| item.step == Step::Leave) {
        let wanted = &item.desired;
        let key = record_key(job.name, &wanted.name, wanted.rtype);
        books.state.blocks.remove(&key);
        let ours = match (wanted.sharing, books.state.published.get(&key)) {
            (Sharing::Sole, _) => true,
            (Sharing::Member, Some(known)) => known.contains(&wanted.address),
            // At first sight, what stands there alone has no other owner.
            (Sharing::Member, None) => item.before.as_ref().is_some_and(|set| set.addresses.len() == 1),
        };
        // What we did not write stays another's, also when it is left alone there: nothing is entered, and that is kept.
        books.state.published.insert(key, ours.then_some(wanted.address).into_iter().collect());
    }
    let Books { afoot, log, state, .. } = &mut *books;
    afoot.keep_ours(job, log, state, now);
    if books.state.spreading.contains_key(job.name) {
        // Others may have changed an RRset since: what stands at the provider is what the servers shall serve, and what
        // is in step no more is not waited for. Of what nothing is wanted now, nothing is known.
        let here: BTreeMap<_, _> = items.iter().map(|item| ((&item.desired.name, item.desired.rtype), item)).collect();
        books.state.amend_spreading(job.name, |record| match here.get(&(&record.name, record.rtype)) {
            None => Some(record.set.clone()),
            Some(item) if item.step == Step::Leave => item.before.clone(),
            Some(_) => None,
        });
    }
}

fn changes(items: &[Item]) -> Vec<Change> {
    items
        .iter()
        .filter_map(|item| match &item.step {
            Step::Write(change, _) => Some(change.clone()),
            Step::Leave | Step::Refuse(_) => None,
        })
        .collect()
}

/// A pass over the provider went well.
fn end_hold(job: &Job<'_>, books: &mut Books, clock: &Clock) {
    if books.state.holds.remove(job.name).is_none() {
        return;
    }
    let why = "it was tried again, and went well".to_owned();
    tracing::info!("{}: the hold ends: {why}", job.name);
    let event = Event::Release { provider: job.name.to_owned(), why };
    let kept = books.log.append(clock.now(), event).map_err(BooksError::from);
    if let Err(error) = kept.and_then(|_| Ok(books.save()?)) {
        tracing::warn!("{}", crate::text::chain_of(&error));
    }
}

fn held(job: &Job<'_>, hold: &Hold) -> Report {
    let trouble = Trouble::Held { since: hold.since, why: hold.why.clone() };
    let mut report = Report::unread(job);
    report.blame(&trouble);
    report.trouble = Some(trouble);
    report
}

impl Job<'_> {
    fn names(&self) -> BTreeSet<DnsName> {
        self.desired.iter().map(|wanted| wanted.name.clone()).collect()
    }
}

impl Report {
    /// Ends the pass with `trouble`; a refusal begins a hold, or goes on with it.
    fn with(mut self, trouble: Trouble, books: &mut Books, job: &Job<'_>, clock: &Clock) -> Self {
        self.blame(&trouble);
        if let Trouble::Refused { why } = &trouble {
            let before = books.state.holds.get(job.name).map(|hold| hold.since);
            let since = before.unwrap_or_else(|| clock.now());
            let hold = Hold { since, why: why.clone(), fingerprint: Some(job.fingerprint.to_owned()) };
            books.state.holds.insert(job.name.to_owned(), hold);
            // A hold that cannot be written down still holds in this process.
            let mut kept = books.save().map_err(BooksError::from);
            if before.is_none() {
                let event = Event::Hold { provider: job.name.to_owned(), why: why.clone() };
                kept = kept.and_then(|()| Ok(books.log.append(clock.now(), event).map(|_| ())?));
            }
            if let Err(error) = kept {
                tracing::warn!("{}", crate::text::chain_of(&error));
            }
        }
        self.trouble = Some(trouble);
        self
    }
}
