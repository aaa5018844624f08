//! One pass over a provider, as a machine: read → plan → gate → turn → announce → apply → read back → close.
//!
//! [`Pass`] asks for one thing at a time ([`Ask`]) and is told what came of it; whoever carries that out decides nothing. Each
//! [`Ask`] holds the place to go on from, so that an answer to something else cannot be given. What is cut off in between
//! leaves an intent that the next reading resolves.

use std::collections::{BTreeMap, BTreeSet, VecDeque};
use std::time::Duration;

use super::afoot::{Afoot, UnderWay};
use super::blocks::{self, At, Sorted};
use super::open::{Answer, Ended, Open, endings};
use super::{ATTEMPTS, Report, Trouble, stands};
use crate::address::Family;
use crate::audit::{Ending, Event, OpenIntent, Word};
use crate::clock::Timestamp;
use crate::limits::{Charge, Ledger, record_key};
use crate::name::DnsName;
use crate::provider::{Applied, Change, Fault, FaultKind, Grace, Observed, Tally};
use crate::reconcile::{self, Desired, Item, Step};
use crate::record::RecordType;
use crate::settings::{Limits, Sharing, Via};
use crate::standby::NotHeld;
use crate::state::{Hold, Published, State};

/// On whose word an address is published, by line and family.
pub type Words = BTreeMap<Via, Word>;

/// A provider, as far as a pass has to know it, and what is wanted of it.
#[derive(Clone, Debug)]
pub struct Subject<'a> {
    /// The provider's name.
    pub name: &'a str,
    /// Its zone.
    pub zone: &'a DnsName,
    /// The fingerprint of its configuration.
    pub fingerprint: &'a str,
    /// Where it writes, for people.
    pub target: String,
    /// How its writes count.
    pub tally: Tally,
    /// How long the end of a write may stay open.
    pub grace: Grace,
    /// Whether it can be asked if anything at all may be written.
    pub permits: bool,
    /// Whether the servers of the zone are asked afterwards.
    pub confirms: bool,
    /// How often may be written.
    pub limits: &'a Limits,
    /// What is wanted of it.
    pub desired: &'a [Desired],
}

impl Subject<'_> {
    /// The names at which something is wanted.
    pub fn names(&self) -> BTreeSet<DnsName> {
        self.desired.iter().map(|wanted| wanted.name.clone()).collect()
    }
}

/// The books as they are now, and the time.
#[derive(Debug)]
pub struct View<'a> {
    /// What survives a restart.
    pub state: &'a mut State,
    /// The intents without an outcome, by number.
    pub open: &'a BTreeMap<u64, OpenIntent>,
    /// What is known of them besides.
    pub afoot: &'a mut Afoot,
    /// By the clock that people read.
    pub now: Timestamp,
    /// By the steady one, from a moment that stays the same.
    pub steady: Duration,
}

/// What is to be done next.
#[derive(Debug)]
pub enum Ask {
    /// Read what stands at these names; go on with [`Pass::read`].
    Read {
        /// Where.
        names: BTreeSet<DnsName>,
        /// All as of one moment, where that can be had.
        together: bool,
        /// Where to go on.
        next: Reading,
    },
    /// Wait for the turn to write, where there are two; go on with [`Pass::turn`].
    Turn(Turn),
    /// Make the state durable, and then this intent; go on with [`Pass::announced`].
    Announce {
        /// The intent.
        event: Event,
        /// Where to go on.
        next: Announcing,
    },
    /// Write [`Flight::changes`]; go on with [`Pass::applied`].
    Apply(Flight),
    /// Ask whether anything at all may be written; go on with [`Pass::permitted`].
    Permit(Refusal),
    /// Make this entry of the log durable; go on with [`Pass::entered`].
    Enter {
        /// The entry.
        event: Event,
        /// Where to go on.
        next: Entering,
    },
    /// Make the state durable, unless another write is under way; go on with [`Pass::saved`].
    Save(Saving),
    /// Nothing: the pass is over.
    End(End),
}

/// How a pass ended.
#[derive(Debug)]
pub struct End {
    /// What became of the provider and its records.
    pub report: Report,
    /// How many changes a message had at most, or how many were sent each by itself; `None` where nothing was.
    pub sent: Option<usize>,
    /// What is to be kept of a hold.
    pub hold: Option<HoldNews>,
}

/// What is new about a hold: entered already in the state, and to be made durable.
#[derive(Clone, Debug, PartialEq, Eq)]
pub enum HoldNews {
    /// It begins, with this entry of the log; or goes on, with none.
    Holds(Option<Event>),
    /// It is over, for this reason.
    Over(String),
}

/// What a reading is for.
#[derive(Debug)]
pub struct Reading(Purpose);

#[derive(Debug)]
enum Purpose {
    /// To plan from.
    Plan,
    /// To see how a write ended.
    Back(Flight),
}

/// Changes that are to be sent.
#[derive(Debug)]
pub struct Turn(Vec<Change>);

/// Changes whose intent is on its way into the log.
#[derive(Debug)]
pub struct Announcing {
    batch: Vec<Change>,
    charge: Charge,
    /// What the books had before: where nothing can be announced, nothing has changed.
    before: (Ledger, Published),
}

/// A write that is under way.
#[derive(Debug)]
pub struct Flight {
    batch: Vec<Change>,
    intent: u64,
    charge: Option<Charge>,
    /// What was answered, where it was no success.
    fault: Option<Fault>,
    _under_way: UnderWay,
}

impl Flight {
    /// What is to be written, together.
    pub fn changes(&self) -> &[Change] {
        &self.batch
    }
}

/// A refusal of which it is not known yet whom it concerns.
#[derive(Debug)]
pub struct Refusal {
    batch: Vec<Change>,
    charge: Option<Charge>,
    fault: Fault,
}

/// An outcome that is on its way into the log.
#[derive(Debug)]
pub enum Entering {
    /// The answer proves it.
    Proven(Proven),
    /// Reading shows it.
    Found(Closing),
}

/// A write that was not made, as its answer proves.
#[derive(Debug)]
pub struct Proven {
    flight: Flight,
    fault: Fault,
}

/// The writes whose end a reading shows, one by one.
#[derive(Debug)]
pub struct Closing {
    observed: Observed,
    open: Vec<Open>,
    ended: VecDeque<Ended>,
    /// The one whose outcome is on its way into the log, and whether it stands there.
    under: Option<(Open, bool)>,
    purpose: Purpose,
}

/// The end of an attempt that is being kept.
#[derive(Debug)]
pub struct Saving(Option<Early>);

/// Why an attempt ends before all was sent.
#[derive(Debug)]
enum Early {
    /// Something else is wanted by now.
    Dropped,
    /// The pass ends here.
    Stopped(Trouble),
    /// Nothing was written: the write did not arrive.
    Again(Fault),
}

/// How one message, or what goes together, ended.
enum Sent {
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
    pub fn begin(&mut self, view: &mut View<'_>, amiss: Option<NotHeld>) -> Ask {
        match amiss {
            Some(why) => self.stop(view, why.into()),
            None => self.look(view),
        }
    }

    /// Begins another attempt.
    fn look(&mut self, view: &mut View<'_>) -> Ask {
        self.number += 1;
        let names = &self.subject.names() | &self.open_names(view);
        self.ask_to_read(view, names, Purpose::Plan)
    }

    fn ask_to_read(&self, view: &mut View<'_>, names: BTreeSet<DnsName>, purpose: Purpose) -> Ask {
        let open = view.afoot.open(view.open, self.subject.name, view.now, view.steady);
        // How a write ended that was not answered is told by this alone.
        let together = open.iter().any(|write| write.answer == Answer::Unknown);
        Ask::Read { names, together, next: Reading(purpose) }
    }

    /// The names at which this provider's intents without an outcome were to write.
    fn open_names(&self, view: &View<'_>) -> BTreeSet<DnsName> {
        let ours = view.open.values().filter(|intent| intent.provider == self.subject.name);
        ours.flat_map(|intent| &intent.changes).map(|change| change.name.clone()).collect()
    }

    /// What stands was read, or was not.
    pub fn read(&mut self, view: &mut View<'_>, next: Reading, came: Result<Observed, Fault>) -> Ask {
        match (next.0, came) {
            (purpose, Ok(observed)) => {
                let open = view.afoot.open(view.open, self.subject.name, view.now, view.steady);
                let ended = endings(&open, &observed, self.subject.grace).into();
                self.close(view, Closing { observed, open, ended, under: None, purpose })
            }
            (Purpose::Plan, Err(fault)) => self.stop(view, Trouble::from(&fault)),
            (Purpose::Back(flight), Err(fault)) => {
                let trouble = Trouble::from(&fault);
                let trouble = flight.fault.as_ref().map_or(trouble.clone(), |fault| unread(fault, trouble));
                self.sent(view, flight, Sent::Stopped(trouble))
            }
        }
    }

    /// Enters the next of the outcomes that were found; with none left, goes on with what was read.
    fn close(&mut self, view: &mut View<'_>, mut closing: Closing) -> Ask {
        let name = self.subject.name;
        while let Some(Ended { intent, ending: result, by_another }) = closing.ended.pop_front() {
            let Some(write) = closing.open.iter().find(|write| write.intent == intent) else { continue };
            if result == Ending::Done {
                view.state.note_published(name, &write.changes);
            }
            if self.subject.confirms && !by_another {
                let standing = |change: &&Change| stands(&closing.observed, change, Some(&change.after));
                let written: Vec<&Change> = write.changes.iter().filter(standing).collect();
                view.state.note_spreading(name, intent, &written, view.now);
            }
            let detail = match view.afoot.detail(intent) {
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
        view.afoot.keep_ours(&self.subject, view.open, view.state, view.now, view.steady);
        match closing.purpose {
            Purpose::Plan => self.plan(view, closing.observed),
            Purpose::Back(mut flight) => match flight.fault.take() {
                None => self.sent(view, flight, Sent::Read(closing.observed, None)),
                Some(fault) => {
                    let sent = self.found(view, &flight.batch, fault, closing.observed);
                    self.sent(view, flight, sent)
                }
            },
        }
    }

    /// The outcome is durable; or cannot be, for this reason.
    pub fn entered(&mut self, view: &mut View<'_>, next: Entering, came: Result<(), String>) -> Ask {
        let no_books = came.err().map(|why| Trouble::NoBooks { why });
        match (next, no_books) {
            (Entering::Proven(Proven { flight, fault }), None) => {
                view.afoot.forget(flight.intent);
                self.sent(view, flight, told(fault))
            }
            (Entering::Found(mut closing), None) => {
                if let Some((write, is_seen)) = closing.under.take() {
                    view.afoot.end(&self.subject, &write, is_seen, view.steady);
                }
                self.close(view, closing)
            }
            (Entering::Found(Closing { purpose: Purpose::Plan, .. }), Some(trouble)) => self.stop(view, trouble),
            (
                Entering::Found(Closing { purpose: Purpose::Back(flight), .. })
                | Entering::Proven(Proven { flight, .. }),
                Some(trouble),
            ) => self.sent(view, flight, Sent::Stopped(trouble)),
        }
    }

    /// Plans from what was read. After a refusal that does not concern them all the changes go in halves, until those that
    /// are refused stand alone: these are blocked, and the rest is written. So after a conflict, once reading has not told
    /// whom it concerns.
    fn plan(&mut self, view: &mut View<'_>, observed: Observed) -> Ask {
        let Subject { name, zone, desired, .. } = self.subject;
        let items = plan(name, zone, desired, &observed, view.state);
        self.note_in_step(view, &items);
        blocks::set_apart(name, &self.together, &observed, view.state, view.now);
        self.report = Report::of(name, desired, &items);
        let Sorted { fresh, again, blocked } = blocks::sort(name, changes(&items), view.state, view.now);
        self.report.block(&blocked);
        let mut ready = |changes| view.afoot.ready(&self.subject, view.open, changes, view.now, view.steady);
        let mut todo: VecDeque<Vec<Change>> = match self.subject.tally {
            Tally::Together => [ready(fresh)].into(),
            // Each has its own end: what was sent is charged and entered, and what was not is not.
            Tally::Each => ready(fresh).into_iter().map(|one| vec![one]).collect(),
        };
        // What was refused before, or conflicted, goes alone: it holds nobody up.
        todo.extend(ready(again).into_iter().map(|one| vec![one]));
        self.attempt = Attempt { items, serial: observed.serial, todo, ..Attempt::default() };
        self.next(view)
    }

    /// Enters what of the records in step is ours: it is what `member` will have to swap one day.
    fn note_in_step(&self, view: &mut View<'_>, items: &[Item]) {
        let name = self.subject.name;
        for item in items.iter().filter(|item| item.step == Step::Leave) {
            let wanted = &item.desired;
            let key = record_key(name, &wanted.name, wanted.rtype);
            view.state.blocks.remove(&key);
            let ours = match (wanted.sharing, view.state.published.get(&key)) {
                (Sharing::Sole, _) => true,
                (Sharing::Member, Some(known)) => known.contains(&wanted.address),
                // At first sight, what stands there alone has no other owner.
                (Sharing::Member, None) => item.before.as_ref().is_some_and(|set| set.addresses.len() == 1),
            };
            // What we did not write stays another's, also when it is left alone there: nothing is entered, and that is kept.
            view.state.published.insert(key, ours.then_some(wanted.address).into_iter().collect());
        }
        view.afoot.keep_ours(&self.subject, view.open, view.state, view.now, view.steady);
        if view.state.spreading.contains_key(name) {
            // Others may have changed an RRset since: what stands at the provider is what the servers shall serve, and what
            // is in step no more is not waited for. Of what nothing is wanted now, nothing is known.
            let here: BTreeMap<_, _> =
                items.iter().map(|item| ((&item.desired.name, item.desired.rtype), item)).collect();
            view.state.amend_spreading(name, |record| match here.get(&(&record.name, record.rtype)) {
                None => Some(record.set.clone()),
                Some(item) if item.step == Step::Leave => item.before.clone(),
                Some(_) => None,
            });
        }
    }

    /// Sends what is to be sent next, as far as the limits allow.
    fn next(&mut self, view: &mut View<'_>) -> Ask {
        let Subject { name, limits, tally, .. } = self.subject;
        while let Some(batch) = self.attempt.todo.pop_front() {
            let gated = view.state.ledger.gate(view.now, limits, name, tally, batch);
            self.report.put_off(&gated.put_off);
            if gated.allowed.is_empty() {
                continue;
            }
            let attempt = &mut self.attempt;
            attempt.most = attempt.most.max(gated.allowed.len());
            attempt.sent.extend(gated.allowed.iter().map(|change| (change.name.clone(), change.rtype)));
            return Ask::Turn(Turn(gated.allowed));
        }
        self.finish(view, None)
    }

    /// It is our turn, and this is on whose word; `None` when something else is wanted by now. Or it is not.
    pub fn turn(&mut self, view: &mut View<'_>, next: Turn, came: Result<Option<&Words>, NotHeld>) -> Ask {
        let words = match came {
            Ok(Some(words)) => words,
            Ok(None) => return self.finish(view, Some(Early::Dropped)),
            Err(why) => return self.finish(view, Some(Early::Stopped(why.into()))),
        };
        let Subject { name, limits, tally, .. } = self.subject;
        let Turn(batch) = next;
        let before = (view.state.ledger.clone(), view.state.published_at(name, &batch));
        let charge = view.state.ledger.charge(view.now, limits, name, tally, &batch);
        view.state.note_sent(name, &batch);
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

    /// State and intent are durable, the intent under this number; or cannot be, for this reason.
    pub fn announced(&mut self, view: &mut View<'_>, next: Announcing, came: Result<u64, String>) -> Ask {
        let Announcing { batch, charge, before } = next;
        match came {
            Ok(intent) => {
                let under_way = view.afoot.begin(intent, view.steady);
                Ask::Apply(Flight { batch, intent, charge: Some(charge), fault: None, _under_way: under_way })
            }
            Err(why) => {
                // Nothing is sent, so nothing is charged. Where that cannot be saved the charge stays: a wait, never a write
                // too many.
                let (ledger, published) = before;
                view.state.ledger = ledger;
                view.state.restore(published);
                self.finish(view, Some(Early::Stopped(Trouble::NoBooks { why })))
            }
        }
    }

    /// This was answered to the write. What counts is what stands, not what was answered: that is read, unless the answer
    /// proves that nothing was written.
    pub fn applied(&mut self, view: &mut View<'_>, mut flight: Flight, came: Result<Applied, Fault>) -> Ask {
        let intent = flight.intent;
        let fault = match came {
            Ok(applied) => {
                view.afoot.answered(intent, Answer::Taken, &applied.detail);
                return self.read_back(view, flight);
            }
            Err(fault) => fault,
        };
        if fault.unsent
            && let Some(charge) = flight.charge.take()
        {
            view.state.ledger.give_back(charge, self.subject.limits);
        }
        let (answer, is_proof) = match fault.kind {
            FaultKind::InDoubt | FaultKind::Unproven => (Answer::Unknown, false),
            FaultKind::Conflict => (Answer::Said(Ending::Conflict), !fault.sent),
            FaultKind::Refused => (Answer::Said(Ending::Refused), !fault.sent),
            FaultKind::Passing { .. } if fault.sent => (Answer::Unknown, false),
            FaultKind::Passing { .. } => (Answer::Said(Ending::Failed), true),
        };
        let detail = fault.to_string();
        view.afoot.answered(intent, answer, &detail);
        if let (Answer::Said(result), true) = (answer, is_proof) {
            let event = Event::Outcome { intent, provider: self.subject.name.to_owned(), result, detail };
            return Ask::Enter { event, next: Entering::Proven(Proven { flight, fault }) };
        }
        flight.fault = Some(fault);
        self.read_back(view, flight)
    }

    /// Where one write excludes another, what stands where the other was to write shows which of them was made.
    fn read_back(&self, view: &mut View<'_>, flight: Flight) -> Ask {
        let names: BTreeSet<DnsName> = flight.batch.iter().map(|change| change.name.clone()).collect();
        let names = match self.subject.grace {
            Grace::Arrival(_) => &names | &self.open_names(view),
            Grace::Visibility(_) => names,
        };
        self.ask_to_read(view, names, Purpose::Back(flight))
    }

    /// What follows from a fault that proves nothing when `observed` was read after it.
    fn found(&self, view: &mut View<'_>, changes: &[Change], fault: Fault, observed: Observed) -> Sent {
        let all = |stand: &dyn Fn(&Change) -> bool| changes.iter().all(stand);
        if all(&|change| stands(&observed, change, Some(&change.after))) {
            // A wait that is asked for stays one.
            let is_asked = matches!(fault.kind, FaultKind::Passing { retry_after: Some(_) });
            return Sent::Read(observed, is_asked.then(|| Trouble::from(&fault)));
        }
        let is_as_before = all(&|change| stands(&observed, change, change.before.as_ref()));
        match (fault.kind, self.subject.grace) {
            // It may still show itself, and the same once more would stand there twice: the others go on.
            (FaultKind::InDoubt | FaultKind::Conflict, _) if self.has_to_wait(view, changes, &observed) => {
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

    /// Whether `changes`, planned from what stands now, would have to wait.
    fn has_to_wait(&self, view: &mut View<'_>, changes: &[Change], observed: &Observed) -> bool {
        let anew = changes.iter().map(|change| {
            let before =
                observed.names.get(&change.name).and_then(|standing| standing.sets.get(&change.rtype)).cloned();
            Change { before, ..change.clone() }
        });
        view.afoot.ready(&self.subject, view.open, anew.collect(), view.now, view.steady).is_empty()
    }

    /// What follows from how one message ended.
    fn sent(&mut self, view: &mut View<'_>, flight: Flight, sent: Sent) -> Ask {
        // It is no longer under way.
        let Flight { batch, charge, .. } = flight;
        let name = self.subject.name;
        match sent {
            Sent::Read(observed, trouble) => {
                // Who takes one does not refuse all.
                self.attempt.is_permitted |= batch.iter().all(|change| stands(&observed, change, Some(&change.after)));
                self.report.written(&batch, &observed);
                let at = At { provider: name, target: &self.subject.target, permits: self.subject.permits };
                let left = blocks::enter(&at, &batch, &observed, self.attempt.serial, view.state, view.now);
                self.report.block(&left.blocked);
                self.attempt.todo.extend(left.alone.into_iter().map(|one| vec![one]));
                self.attempt.serial = observed.serial;
                match trouble {
                    Some(trouble) => self.finish(view, Some(Early::Stopped(trouble))),
                    None => self.next(view),
                }
            }
            Sent::Again(fault) => self.finish(view, Some(Early::Again(fault))),
            Sent::Stopped(trouble) => self.finish(view, Some(Early::Stopped(trouble))),
            Sent::Conflict(fault) => {
                match &batch[..] {
                    [_, _, ..] if self.number > 1 => self.halve(batch),
                    [one] => {
                        blocks::go_alone(name, one, &fault, view.state, view.now);
                        self.attempt.conflicts.push((batch, fault));
                    }
                    _ => self.attempt.conflicts.push((batch, fault)),
                }
                self.next(view)
            }
            Sent::Refused(fault) if self.subject.permits && !self.attempt.is_permitted => {
                Ask::Permit(Refusal { batch, charge, fault })
            }
            // The others show whether it concerns them.
            Sent::Refused(fault) if self.subject.permits || fault.of_one => {
                self.refused(view, Refusal { batch, charge, fault })
            }
            // Also after another was taken: a token may be withdrawn at any time.
            Sent::Refused(fault) => self.finish(view, Some(Early::Stopped(Trouble::from(&fault)))),
        }
    }

    /// Whether anything at all may be written.
    pub fn permitted(&mut self, view: &mut View<'_>, next: Refusal, came: Result<(), Fault>) -> Ask {
        match came {
            Ok(()) => {
                self.attempt.is_permitted = true;
                self.refused(view, next)
            }
            Err(all) if matches!(all.kind, FaultKind::Refused | FaultKind::Unproven) => {
                self.finish(view, Some(Early::Stopped(Trouble::from(&next.fault))))
            }
            Err(all) => self.finish(view, Some(Early::Stopped(Trouble::from(&all)))),
        }
    }

    /// A refusal that does not concern all that is written here.
    fn refused(&mut self, view: &mut View<'_>, refusal: Refusal) -> Ask {
        let Refusal { batch, charge, fault } = refusal;
        if let [one] = &batch[..] {
            self.attempt.refused.push((one.clone(), fault));
        } else {
            if let Some(charge) = &charge {
                view.state.ledger.give_turns_back(charge, self.subject.limits);
            }
            self.halve(batch);
        }
        self.next(view)
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
    fn finish(&mut self, view: &mut View<'_>, early: Option<Early>) -> Ask {
        let name = self.subject.name;
        let refused = std::mem::take(&mut self.attempt.refused);
        // Where there is no record but these, the refusal concerns all that the provider is for: if it is sure of each.
        if refused.len() == self.attempt.items.len()
            && refused.iter().all(|(_, fault)| !fault.sent)
            && let Some((_, fault)) = refused.first()
        {
            return self.stop(view, Trouble::from(fault));
        }
        let refused = blocks::refuse(name, refused, view.state, view.now);
        self.report.block(&refused);
        let again = blocks::next(name, &changes(&self.attempt.items), view.state, view.now);
        self.report.put_off_until = self.report.put_off_until.into_iter().chain(again).min();
        Ask::Save(Saving(early))
    }

    /// The state is durable; or cannot be, for this reason.
    pub fn saved(&mut self, view: &mut View<'_>, next: Saving, came: Result<(), String>) -> Ask {
        match (came, next.0) {
            (Err(why), _) => self.stop(view, Trouble::NoBooks { why }),
            (Ok(()), Some(Early::Stopped(trouble))) => self.stop(view, trouble),
            (Ok(()), Some(Early::Dropped)) => self.end(view, None),
            (Ok(()), Some(Early::Again(fault))) => {
                self.say.push(format!("{fault} (attempt {} of {ATTEMPTS})", self.number));
                if self.number == ATTEMPTS { self.stop(view, Trouble::from(&fault)) } else { self.look(view) }
            }
            (Ok(()), None) if self.attempt.conflicts.is_empty() => self.settled(view),
            (Ok(()), None) => self.conflicted(view),
        }
    }

    /// All is done but what conflicted.
    fn conflicted(&mut self, view: &mut View<'_>) -> Ask {
        let conflicts = std::mem::take(&mut self.attempt.conflicts);
        for (_, fault) in &conflicts {
            self.say.push(format!("{fault} (attempt {} of {})", self.number, self.last));
        }
        if self.number == self.last {
            let is_all = conflicts.iter().map(|(batch, _)| batch.len()).sum::<usize>() == self.report.records.len();
            if is_all && let Some((_, fault)) = conflicts.first() {
                return self.stop(view, Trouble::from(fault));
            }
            self.report.conflict(&conflicts);
            return self.settled(view);
        }
        self.together =
            conflicts.into_iter().map(|(batch, _)| batch).filter(|batch| batch.len() > 1).flatten().collect();
        // Nobody has had an attempt alone by then.
        if !self.together.is_empty() {
            self.last = ATTEMPTS + 1;
        }
        self.look(view)
    }

    /// There is nothing more to do now; where all went well a hold is over.
    fn settled(&mut self, view: &mut View<'_>) -> Ask {
        let is_over = self.report.is_well() && view.state.holds.remove(self.subject.name).is_some();
        self.end(view, is_over.then(|| HoldNews::Over("it was tried again, and went well".to_owned())))
    }

    /// Ends the pass with `trouble`; a refusal begins a hold, or goes on with it.
    fn stop(&mut self, view: &mut View<'_>, trouble: Trouble) -> Ask {
        self.report.blame(&trouble);
        let mut news = None;
        if let Trouble::Refused { why } = &trouble {
            let (name, before) = (self.subject.name.to_owned(), view.state.holds.get(self.subject.name));
            let since = before.map(|hold| hold.since);
            let event = since.is_none().then(|| Event::Hold { provider: name.clone(), why: why.clone() });
            let fingerprint = Some(self.subject.fingerprint.to_owned());
            let hold = Hold { since: since.unwrap_or(view.now), why: why.clone(), fingerprint };
            view.state.holds.insert(name, hold);
            news = Some(HoldNews::Holds(event));
        }
        self.report.trouble = Some(trouble);
        self.end(view, news)
    }

    fn end(&mut self, view: &mut View<'_>, hold: Option<HoldNews>) -> Ask {
        let mut report = self.report.clone();
        view.afoot.tell(&self.subject, view.open, &mut report, view.now, view.steady);
        let sent = match self.subject.tally {
            Tally::Together => self.attempt.most,
            Tally::Each => self.attempt.sent.len(),
        };
        Ask::End(End { report, sent: Some(sent).filter(|sent| *sent > 0), hold })
    }
}

/// What a pass over `subject` would do, where that is `observed`: the report, and how many changes it would send.
pub fn foresee(subject: &Subject<'_>, observed: &Observed, state: &State, now: Timestamp) -> (Report, usize) {
    let Subject { name, zone, desired, limits, tally, .. } = *subject;
    let items = plan(name, zone, desired, observed, state);
    let mut report = Report::of(name, desired, &items);
    let Sorted { mut fresh, again, blocked } = blocks::sort(name, changes(&items), state, now);
    fresh.extend(again);
    report.block(&blocked);
    let gated = state.ledger.clone().gate(now, limits, name, tally, fresh);
    report.put_off(&gated.put_off);
    (report, gated.allowed.len())
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

fn plan(name: &str, zone: &DnsName, desired: &[Desired], observed: &Observed, state: &State) -> Vec<Item> {
    reconcile::plan(desired, observed, zone, |wanted| {
        state.published.get(&record_key(name, &wanted.name, wanted.rtype)).into_iter().flatten().copied()
    })
}

fn changes(items: &[Item]) -> Vec<Change> {
    let write = |item: &Item| match &item.step {
        Step::Write(change, _) => Some(change.clone()),
        Step::Leave | Step::Refuse(_) => None,
    };
    items.iter().filter_map(write).collect()
}

#[cfg(test)]
mod tests;
