//! One pass over a provider, as a machine: read → plan → gate → turn → announce → apply → read back → close.
//!
//! [`Pass`] asks for one thing at a time ([`Ask`]) and is told what came of it; whoever carries that out decides nothing. Each
//! [`Ask`] holds the place to go on from, so that an answer to something else cannot be given. What is cut off in between
//! leaves an intent that the next reading resolves.

mod ask;
mod plan;

use std::collections::{BTreeSet, VecDeque};
use std::time::Duration;

use super::blocks::{self, At, Sorted};
use super::open::{Ended, WriteAnswer, endings};
use super::{ATTEMPTS, Report, Trouble, stands};
use crate::address::Family;
use crate::audit::{Ending, Event};
use crate::name::DnsName;
use crate::provider::{Applied, Change, Fault, FaultKind, Grace, Observed, Tally};
use crate::reconcile::Item;
use crate::record::RecordType;
use crate::standby::NotHeld;
use crate::state::Hold;
pub use ask::*;
pub use plan::dry_run;
use plan::{changes, note_in_step, plan};

/// How one message, or what goes together, ended.
enum MessageEnd {
    /// It was taken, or may have been, and this stands now; what is the matter with the provider, if anything.
    Read(Observed, Option<Trouble>),
    /// It was refused, and nothing was written.
    Refused(Fault),
    /// Nothing was written: what was read is no longer true.
    Conflict(Fault),
    /// Nothing was written: the write did not arrive.
    Again(Fault),
    /// The pass ends here.
    Stopped(Trouble),
}

/// What has been sent of one plan, and what is still to be.
#[derive(Debug, Default)]
struct Attempt {
    items: Vec<Item>,
    serial: Option<u32>,
    todo: VecDeque<Vec<Change>>,
    /// The most in one message.
    most: usize,
    sent: BTreeSet<(DnsName, RecordType)>,
    refused: Vec<(Change, Fault)>,
    /// Each with what was sent with it: somebody else changed it since it was read, or the server says so.
    conflicts: Vec<(Vec<Change>, Fault)>,
    /// It takes something.
    is_permitted: bool,
}

/// A pass over one provider.
#[derive(Debug)]
pub struct Pass<'a> {
    subject: Subject<'a>,
    report: Report,
    /// Which attempt this is, from 1, and which is the last.
    number: usize,
    last: usize,
    /// What conflicted together in the attempt before.
    together: Vec<Change>,
    attempt: Attempt,
    say: Vec<String>,
}

impl<'a> Pass<'a> {
    /// A pass in which nothing has been asked yet.
    pub fn new(subject: Subject<'a>) -> Self {
        Self {
            report: Report::unread(subject.name, subject.desired),
            subject,
            number: 0,
            last: ATTEMPTS,
            together: Vec::new(),
            attempt: Attempt::default(),
            say: Vec::new(),
        }
    }

    /// What there is to say for the journal, since this was last asked.
    pub fn say(&mut self) -> Vec<String> {
        std::mem::take(&mut self.say)
    }

    /// The first thing to do, where `amiss` is what is known to be the matter with the lease.
    pub fn begin(&mut self, books: &mut OpenBooks<'_>, amiss: Option<NotHeld>) -> Ask {
        match amiss {
            Some(why) => self.stop(books, why.into()),
            None => self.look(books),
        }
    }

    /// Begins another attempt.
    fn look(&mut self, books: &mut OpenBooks<'_>) -> Ask {
        self.number += 1;
        let names = &self.subject.names() | &self.open_names(books);
        self.ask_to_read(books, names, Purpose::Plan)
    }

    fn ask_to_read(&self, books: &mut OpenBooks<'_>, names: BTreeSet<DnsName>, purpose: Purpose) -> Ask {
        let open = books.afoot.open(books.open, self.subject.name, books.now, books.steady);
        // How a write ended that was not answered is told by this alone.
        let together = open.iter().any(|write| write.answer == WriteAnswer::Unknown);
        Ask::Read { names, together, next: purpose }
    }

    /// The names at which this provider's intents without an outcome were to write.
    fn open_names(&self, books: &OpenBooks<'_>) -> BTreeSet<DnsName> {
        let ours = books.open.values().filter(|intent| intent.provider == self.subject.name);
        ours.flat_map(|intent| &intent.changes).map(|change| change.name.clone()).collect()
    }

    /// What stands was read, or was not.
    pub fn read(&mut self, books: &mut OpenBooks<'_>, next: Purpose, came: Result<Observed, Fault>) -> Ask {
        match (next, came) {
            (purpose, Ok(observed)) => {
                let open = books.afoot.open(books.open, self.subject.name, books.now, books.steady);
                let ended = endings(&open, &observed, self.subject.grace).into();
                self.close(books, Closing { observed, open, ended, under: None, purpose })
            }
            (Purpose::Plan, Err(fault)) => self.stop(books, Trouble::from(&fault)),
            (Purpose::Back(flight), Err(fault)) => {
                let trouble = Trouble::from(&fault);
                let trouble = flight.fault.as_ref().map_or(trouble.clone(), |fault| unread(fault, trouble));
                self.sent(books, flight, MessageEnd::Stopped(trouble))
            }
        }
    }

    /// Enters the next of the outcomes that were found; with none left, goes on with what was read.
    fn close(&mut self, books: &mut OpenBooks<'_>, mut closing: Closing) -> Ask {
        let name = self.subject.name;
        while let Some(Ended { intent, ending: result, by_another }) = closing.ended.pop_front() {
            let Some(write) = closing.open.iter().find(|write| write.intent == intent) else { continue };
            if result == Ending::Done {
                books.state.note_published(name, &write.changes);
            }
            if self.subject.confirms && !by_another {
                let standing = |change: &&Change| stands(&closing.observed, change, Some(&change.after));
                let written: Vec<&Change> = write.changes.iter().filter(standing).collect();
                books.state.note_spreading(name, intent, &written, books.now);
            }
            let detail = match books.afoot.detail(intent) {
                _ if by_another && result == Ending::Failed => {
                    "another write was taken, which found the same there as this one"
                }
                Some(detail) => detail,
                None => "found by reading, after the write was cut short",
            };
            let (provider, detail) = (name.to_owned(), detail.to_owned());
            closing.under = Some((write.clone(), result == Ending::Done));
            let event = Event::Outcome { intent, provider, result, detail };
            return Ask::Enter { event, next: Entering::Found(closing) };
        }
        books.afoot.keep_ours(&self.subject, books.open, books.state, books.now, books.steady);
        match closing.purpose {
            Purpose::Plan => self.plan(books, closing.observed),
            Purpose::Back(mut flight) => match flight.fault.take() {
                None => self.sent(books, flight, MessageEnd::Read(closing.observed, None)),
                Some(fault) => {
                    let sent = self.found(books, &flight.batch, fault, closing.observed);
                    self.sent(books, flight, sent)
                }
            },
        }
    }

    /// The outcome is durable; or cannot be, for this reason.
    pub fn entered(&mut self, books: &mut OpenBooks<'_>, next: Entering, came: Result<(), String>) -> Ask {
        let no_books = came.err().map(|why| Trouble::NoBooks { why });
        match (next, no_books) {
            (Entering::Proven(Proven { flight, fault }), None) => {
                books.afoot.forget(flight.intent);
                self.sent(books, flight, told(fault))
            }
            (Entering::Found(mut closing), None) => {
                if let Some((write, is_seen)) = closing.under.take() {
                    books.afoot.end(&self.subject, &write, is_seen, books.steady);
                }
                self.close(books, closing)
            }
            (Entering::Found(Closing { purpose: Purpose::Plan, .. }), Some(trouble)) => self.stop(books, trouble),
            (
                Entering::Found(Closing { purpose: Purpose::Back(flight), .. })
                | Entering::Proven(Proven { flight, .. }),
                Some(trouble),
            ) => self.sent(books, flight, MessageEnd::Stopped(trouble)),
        }
    }

    /// Plans from what was read. After a refusal that does not concern them all the changes go in halves, until those that
    /// are refused stand alone: these are blocked, and the rest is written. So after a conflict, once reading has not told
    /// whom it concerns.
    fn plan(&mut self, books: &mut OpenBooks<'_>, observed: Observed) -> Ask {
        let Subject { name, zone, desired, .. } = self.subject;
        let items = plan(name, zone, desired, &observed, books.state);
        note_in_step(&self.subject, books, &items);
        blocks::set_apart(name, &self.together, &observed, books.state, books.now);
        self.report = Report::of(name, desired, &items);
        let Sorted { fresh, again, blocked } = blocks::sort(name, changes(&items), books.state, books.now);
        self.report.block(&blocked);
        let mut ready = |changes| books.afoot.ready(&self.subject, books.open, changes, books.now, books.steady);
        let mut todo: VecDeque<Vec<Change>> = match self.subject.tally {
            Tally::Together => [ready(fresh)].into(),
            // Each has its own end: what was sent is charged and entered, and what was not is not.
            Tally::Each => ready(fresh).into_iter().map(|one| vec![one]).collect(),
        };
        // What was refused before, or conflicted, goes alone: it holds nobody up.
        todo.extend(ready(again).into_iter().map(|one| vec![one]));
        self.attempt = Attempt { items, serial: observed.serial, todo, ..Attempt::default() };
        self.next(books)
    }

    /// Sends what is to be sent next, as far as the limits allow.
    fn next(&mut self, books: &mut OpenBooks<'_>) -> Ask {
        let Subject { name, limits, tally, .. } = self.subject;
        while let Some(batch) = self.attempt.todo.pop_front() {
            let gated = books.state.ledger.gate(books.now, limits, name, tally, batch);
            self.report.put_off(&gated.put_off);
            if gated.allowed.is_empty() {
                continue;
            }
            let attempt = &mut self.attempt;
            attempt.most = attempt.most.max(gated.allowed.len());
            attempt.sent.extend(gated.allowed.iter().map(|change| (change.name.clone(), change.rtype)));
            return Ask::Turn(Batch(gated.allowed));
        }
        self.finish(books, None)
    }

    /// It is our turn, and this is on whose word; `None` when something else is wanted by now. Or it is not.
    pub fn turn(&mut self, books: &mut OpenBooks<'_>, next: Batch, came: Result<Option<&Words>, NotHeld>) -> Ask {
        let words = match came {
            Ok(Some(words)) => words,
            Ok(None) => return self.finish(books, Some(Early::Dropped)),
            Err(why) => return self.finish(books, Some(Early::Stopped(why.into()))),
        };
        let Subject { name, limits, tally, .. } = self.subject;
        let Batch(batch) = next;
        let before = (books.state.ledger.clone(), books.state.published_at(name, &batch));
        let charge = books.state.ledger.charge(books.now, limits, name, tally, &batch);
        books.state.note_sent(name, &batch);
        let families: BTreeSet<Family> = batch.iter().map(|change| change.rtype.family()).collect();
        let word = words.iter().filter(|(via, _)| families.contains(&via.family)).map(|(_, word)| word.clone());
        let event = Event::Intent {
            provider: name.to_owned(),
            target: self.subject.target.clone(),
            changes: batch.clone(),
            word: word.collect(),
        };
        Ask::Announce { event, next: Announcing { batch, charge, before } }
    }

    /// The intent is durable under this number; or cannot be, for this reason.
    pub fn announced(&mut self, books: &mut OpenBooks<'_>, next: Announcing, came: Result<u64, String>) -> Ask {
        let Announcing { batch, charge, before } = next;
        match came {
            Ok(intent) => {
                let under_way = books.afoot.begin(intent, books.steady);
                Ask::Apply(Flight { batch, intent, charge: Some(charge), fault: None, _under_way: under_way })
            }
            Err(why) => {
                // Nothing is sent, so nothing is charged. Where that cannot be saved the charge stays: a wait, never a write
                // too many.
                let (ledger, published) = before;
                books.state.ledger = ledger;
                books.state.restore(published);
                self.finish(books, Some(Early::Stopped(Trouble::NoBooks { why })))
            }
        }
    }

    /// This was answered to the write. What counts is what stands, not what was answered: that is read, unless the answer
    /// proves that nothing was written.
    pub fn applied(&mut self, books: &mut OpenBooks<'_>, mut flight: Flight, came: Result<Applied, Fault>) -> Ask {
        let intent = flight.intent;
        let fault = match came {
            Ok(applied) => {
                books.afoot.answered(intent, WriteAnswer::Taken, &applied.detail);
                return self.read_back(books, flight);
            }
            Err(fault) => fault,
        };
        if fault.unsent
            && let Some(charge) = flight.charge.take()
        {
            books.state.ledger.give_back(charge, self.subject.limits);
        }
        let (answer, is_proof) = match fault.kind {
            FaultKind::InDoubt | FaultKind::Unproven => (WriteAnswer::Unknown, false),
            FaultKind::Conflict => (WriteAnswer::Said(Ending::Conflict), !fault.sent),
            FaultKind::Refused => (WriteAnswer::Said(Ending::Refused), !fault.sent),
            FaultKind::Passing { .. } if fault.sent => (WriteAnswer::Unknown, false),
            FaultKind::Passing { .. } => (WriteAnswer::Said(Ending::Failed), true),
        };
        let detail = fault.to_string();
        books.afoot.answered(intent, answer, &detail);
        if let (WriteAnswer::Said(result), true) = (answer, is_proof) {
            let event = Event::Outcome { intent, provider: self.subject.name.to_owned(), result, detail };
            return Ask::Enter { event, next: Entering::Proven(Proven { flight, fault }) };
        }
        flight.fault = Some(fault);
        self.read_back(books, flight)
    }

    /// Where one write excludes another, what stands where the other was to write shows which of them was made.
    fn read_back(&self, books: &mut OpenBooks<'_>, flight: Flight) -> Ask {
        let names: BTreeSet<DnsName> = flight.batch.iter().map(|change| change.name.clone()).collect();
        let names = match self.subject.grace {
            Grace::Arrival(_) => &names | &self.open_names(books),
            Grace::Visibility(_) => names,
        };
        self.ask_to_read(books, names, Purpose::Back(flight))
    }

    /// What follows from a fault that proves nothing when `observed` was read after it.
    fn found(&self, books: &mut OpenBooks<'_>, changes: &[Change], fault: Fault, observed: Observed) -> MessageEnd {
        let all = |stand: &dyn Fn(&Change) -> bool| changes.iter().all(stand);
        if all(&|change| stands(&observed, change, Some(&change.after))) {
            // A wait that is asked for stays one.
            let is_asked = matches!(fault.kind, FaultKind::Passing { retry_after: Some(_) });
            return MessageEnd::Read(observed, is_asked.then(|| Trouble::from(&fault)));
        }
        let is_as_before = all(&|change| stands(&observed, change, change.before.as_ref()));
        match (fault.kind, self.subject.grace) {
            // It may still show itself, and the same once more would stand there twice: the others go on.
            (FaultKind::InDoubt | FaultKind::Conflict, _) if self.has_to_wait(books, changes, &observed) => {
                MessageEnd::Read(observed, None)
            }
            // Nobody knows what came of it: so it goes alone, and holds up no other.
            (FaultKind::InDoubt, Grace::Visibility(_)) => MessageEnd::Conflict(fault),
            // Some of it was done, or somebody else was there.
            (FaultKind::Refused, Grace::Visibility(_)) if !is_as_before => MessageEnd::Conflict(fault),
            // What is shown is so: reading proves it.
            (_, Grace::Arrival(_) | Grace::Visibility(Duration::ZERO)) => told(Fault { sent: false, ..fault }),
            _ => told(fault),
        }
    }

    /// Whether `changes`, planned from what stands now, would have to wait.
    fn has_to_wait(&self, books: &mut OpenBooks<'_>, changes: &[Change], observed: &Observed) -> bool {
        let anew = changes.iter().map(|change| {
            let before =
                observed.names.get(&change.name).and_then(|standing| standing.sets.get(&change.rtype)).cloned();
            Change { before, ..change.clone() }
        });
        books.afoot.ready(&self.subject, books.open, anew.collect(), books.now, books.steady).is_empty()
    }

    /// What follows from how one message ended.
    fn sent(&mut self, books: &mut OpenBooks<'_>, flight: Flight, sent: MessageEnd) -> Ask {
        // It is no longer under way.
        let Flight { batch, charge, .. } = flight;
        let name = self.subject.name;
        match sent {
            MessageEnd::Read(observed, trouble) => {
                // Who takes one does not refuse all.
                self.attempt.is_permitted |= batch.iter().all(|change| stands(&observed, change, Some(&change.after)));
                self.report.written(&batch, &observed);
                let at = At { provider: name, target: &self.subject.target, permits: self.subject.permits };
                let left = blocks::enter(&at, &batch, &observed, self.attempt.serial, books.state, books.now);
                self.report.block(&left.blocked);
                self.attempt.todo.extend(left.alone.into_iter().map(|one| vec![one]));
                self.attempt.serial = observed.serial;
                match trouble {
                    Some(trouble) => self.finish(books, Some(Early::Stopped(trouble))),
                    None => self.next(books),
                }
            }
            MessageEnd::Again(fault) => self.finish(books, Some(Early::Again(fault))),
            MessageEnd::Stopped(trouble) => self.finish(books, Some(Early::Stopped(trouble))),
            MessageEnd::Conflict(fault) => {
                match &batch[..] {
                    [_, _, ..] if self.number > 1 => self.halve(batch),
                    [one] => {
                        blocks::go_alone(name, one, &fault, books.state, books.now);
                        self.attempt.conflicts.push((batch, fault));
                    }
                    _ => self.attempt.conflicts.push((batch, fault)),
                }
                self.next(books)
            }
            MessageEnd::Refused(fault) if self.subject.permits && !self.attempt.is_permitted => {
                Ask::Permit(OpenRefusal { batch, charge, fault })
            }
            // The others show whether it concerns them.
            MessageEnd::Refused(fault) if self.subject.permits || fault.of_one => {
                self.refused(books, OpenRefusal { batch, charge, fault })
            }
            // Also after another was taken: a token may be withdrawn at any time.
            MessageEnd::Refused(fault) => self.finish(books, Some(Early::Stopped(Trouble::from(&fault)))),
        }
    }

    /// Whether anything at all may be written.
    pub fn permitted(&mut self, books: &mut OpenBooks<'_>, next: OpenRefusal, came: Result<(), Fault>) -> Ask {
        match came {
            Ok(()) => {
                self.attempt.is_permitted = true;
                self.refused(books, next)
            }
            Err(all) if matches!(all.kind, FaultKind::Refused | FaultKind::Unproven) => {
                self.finish(books, Some(Early::Stopped(Trouble::from(&next.fault))))
            }
            Err(all) => self.finish(books, Some(Early::Stopped(Trouble::from(&all)))),
        }
    }

    /// A refusal that does not concern all that is written here.
    fn refused(&mut self, books: &mut OpenBooks<'_>, refusal: OpenRefusal) -> Ask {
        let OpenRefusal { batch, charge, fault } = refusal;
        if let [one] = &batch[..] {
            self.attempt.refused.push((one.clone(), fault));
        } else {
            if let Some(charge) = &charge {
                books.state.ledger.give_turns_back(charge, self.subject.limits);
            }
            self.halve(batch);
        }
        self.next(books)
    }

    /// Puts the parts of `batch` before all else that is to be sent: halves, or one by one where that costs no more.
    fn halve(&mut self, batch: Vec<Change>) {
        let size = match self.subject.tally {
            Tally::Together => batch.len().div_ceil(2),
            Tally::Each => 1,
        };
        for part in batch.chunks(size.max(1)).rev() {
            self.attempt.todo.push_front(part.to_vec());
        }
    }

    /// Ends the attempt: `early`, or when all was sent.
    fn finish(&mut self, books: &mut OpenBooks<'_>, early: Option<Early>) -> Ask {
        let name = self.subject.name;
        let refused = std::mem::take(&mut self.attempt.refused);
        // Where there is no record but these, the refusal concerns all that the provider is for: if it is sure of each.
        if refused.len() == self.attempt.items.len()
            && refused.iter().all(|(_, fault)| !fault.sent)
            && let Some((_, fault)) = refused.first()
        {
            return self.stop(books, Trouble::from(fault));
        }
        let refused = blocks::refuse(name, refused, books.state, books.now);
        self.report.block(&refused);
        let again = blocks::next(name, &changes(&self.attempt.items), books.state, books.now);
        self.report.put_off_until = self.report.put_off_until.into_iter().chain(again).min();
        Ask::Save(Saving(early))
    }

    /// The state is durable; or cannot be, for this reason.
    pub fn saved(&mut self, books: &mut OpenBooks<'_>, next: Saving, came: Result<(), String>) -> Ask {
        match (came, next.0) {
            (Err(why), _) => self.stop(books, Trouble::NoBooks { why }),
            (Ok(()), Some(Early::Stopped(trouble))) => self.stop(books, trouble),
            (Ok(()), Some(Early::Dropped)) => self.end(books, None),
            (Ok(()), Some(Early::Again(fault))) => {
                self.say.push(format!("{fault} (attempt {} of {ATTEMPTS})", self.number));
                if self.number == ATTEMPTS { self.stop(books, Trouble::from(&fault)) } else { self.look(books) }
            }
            (Ok(()), None) if self.attempt.conflicts.is_empty() => self.settled(books),
            (Ok(()), None) => self.conflicted(books),
        }
    }

    /// All is done but what conflicted.
    fn conflicted(&mut self, books: &mut OpenBooks<'_>) -> Ask {
        let conflicts = std::mem::take(&mut self.attempt.conflicts);
        for (_, fault) in &conflicts {
            self.say.push(format!("{fault} (attempt {} of {})", self.number, self.last));
        }
        if self.number == self.last {
            let is_all = conflicts.iter().map(|(batch, _)| batch.len()).sum::<usize>() == self.report.records.len();
            if is_all && let Some((_, fault)) = conflicts.first() {
                return self.stop(books, Trouble::from(fault));
            }
            self.report.conflict(&conflicts);
            return self.settled(books);
        }
        self.together =
            conflicts.into_iter().map(|(batch, _)| batch).filter(|batch| batch.len() > 1).flatten().collect();
        // Nobody has had an attempt alone by then.
        if !self.together.is_empty() {
            self.last = ATTEMPTS + 1;
        }
        self.look(books)
    }

    /// There is nothing more to do now; where all went well a hold is over.
    fn settled(&mut self, books: &mut OpenBooks<'_>) -> Ask {
        let is_over = self.report.is_well() && books.state.holds.remove(self.subject.name).is_some();
        self.end(books, is_over.then(|| HoldNews::Over("it was tried again, and went well".to_owned())))
    }

    /// Ends the pass with `trouble`; a refusal begins a hold, or goes on with it.
    fn stop(&mut self, books: &mut OpenBooks<'_>, trouble: Trouble) -> Ask {
        let mut news = None;
        if let Trouble::Refused { why } = &trouble {
            let (name, before) = (self.subject.name.to_owned(), books.state.holds.get(self.subject.name));
            let since = before.map(|hold| hold.since);
            let event = since.is_none().then(|| Event::Hold { provider: name.clone(), why: why.clone() });
            let fingerprint = Some(self.subject.fingerprint.to_owned());
            let hold = Hold { since: since.unwrap_or(books.now), why: why.clone(), fingerprint };
            books.state.holds.insert(name, hold);
            news = Some(HoldNews::Holds(event));
        }
        self.report.stop(trouble);
        self.end(books, news)
    }

    fn end(&mut self, books: &mut OpenBooks<'_>, hold: Option<HoldNews>) -> Ask {
        let mut report = self.report.clone();
        books.afoot.tell(&self.subject, books.open, &mut report, books.now, books.steady);
        let sent = match self.subject.tally {
            Tally::Together => self.attempt.most,
            Tally::Each => self.attempt.sent.len(),
        };
        Ask::End(Finished { report, sent: Some(sent).filter(|sent| *sent > 0), hold })
    }
}

/// What follows from a fault that proves that nothing was written.
fn told(fault: Fault) -> MessageEnd {
    match fault.kind {
        FaultKind::Conflict => MessageEnd::Conflict(fault),
        // Whoever refused would refuse again.
        FaultKind::Refused | FaultKind::Unproven => MessageEnd::Refused(fault),
        FaultKind::InDoubt => MessageEnd::Again(fault),
        FaultKind::Passing { .. } => MessageEnd::Stopped(Trouble::from(&fault)),
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

#[cfg(test)]
mod tests;
