//! Carries out what a pass over a provider asks for; what that is, the core decides (`fingerpost_core::update::pass`).
//!
//! Touches the provider, the lease and the books. Whatever it is cut off in leaves an intent that reading resolves.

mod books;
pub mod retry;

use std::cell::RefCell;
use std::collections::BTreeMap;
use std::rc::Rc;

use crate::audit::{Event, Word};
use crate::clock::Clock;
use crate::name::DnsName;
use crate::provider::Provider;
use crate::reconcile::Desired;
use crate::settings::{Limits, Via};
use crate::standby::{Lease, NotHeld};
use crate::state::State;
use crate::text::chain_of;
pub use books::{Bookkeeping, Books, BooksError, peek, peek_at};
pub use fingerpost_core::update::*;
use pass::{Ask, Finished, HoldNews, Pass, Subject};

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

impl Job<'_> {
    fn subject(&self) -> Subject<'_> {
        Subject {
            name: self.name,
            zone: self.zone,
            fingerprint: self.fingerprint,
            target: self.provider.target(),
            tally: self.provider.tally(),
            grace: self.provider.grace(),
            permits: self.provider.permits().is_some(),
            confirms: self.confirms,
            limits: self.limits,
            desired: self.desired,
        }
    }

    /// What is known to be the matter with the lease. While a hold lasts, whether it can be had shows on the way.
    fn amiss(&self, is_held: bool) -> Option<NotHeld> {
        let lease = self.lease?;
        if is_held {
            lease.rest(false);
            return None;
        }
        lease.amiss()
    }
}

/// Brings the job's records in step, as far as limits, holds and the provider allow.
///
/// Several jobs, of a provider each, may share the books: they are borrowed between two waits, and never across one.
///
/// A provider that is on hold is tried: whoever calls this knows that it is time for that. The hold ends when the pass does
/// without trouble.
pub async fn bring_in_step(job: &Job<'_>, books: &RefCell<Books>, clock: &Clock) -> Report {
    let mut pass = Pass::new(job.subject());
    let mut turn = None;
    let is_held = books.borrow().state.holds.contains_key(job.name);
    let mut ask = pass.begin(&mut books.borrow_mut().now(clock), job.amiss(is_held));
    loop {
        for text in pass.say() {
            tracing::info!("{}: {text}", job.name);
        }
        ask = match ask {
            Ask::Read { names, together, next } => {
                let provider = job.provider;
                let came = if together { provider.read_together(&names) } else { provider.read(&names) }.await;
                pass.read(&mut books.borrow_mut().now(clock), next, came)
            }
            Ask::Turn(next) => {
                let came = match job.lease {
                    None => Ok(()),
                    Some(lease) => {
                        let entered = lease.enter().await;
                        books.borrow_mut().enter_lease(job.name, lease, clock.now());
                        entered.map(|entered| turn = Some(entered))
                    }
                };
                // The reading and the turn may have taken long: from here to the sending nothing is waited for.
                let words = came.map(|()| (job.words)());
                let words = words.as_ref().map(|words| words.as_deref()).map_err(Clone::clone);
                pass.turn(&mut books.borrow_mut().now(clock), next, words)
            }
            Ask::Announce { event, next } => {
                let came = told(books.borrow_mut().announce(clock.now(), event));
                pass.announced(&mut books.borrow_mut().now(clock), next, came)
            }
            Ask::Apply(flight) => {
                // The reading-back keeps no renewal waiting.
                let came = match turn.take() {
                    None => job.provider.apply(flight.changes()).await,
                    Some(turn) => turn.apply(flight.changes()).await,
                };
                pass.applied(&mut books.borrow_mut().now(clock), flight, came)
            }
            Ask::Permit(next) => {
                let came = match job.provider.permits() {
                    Some(answer) => answer.await,
                    None => Ok(()),
                };
                pass.permitted(&mut books.borrow_mut().now(clock), next, came)
            }
            Ask::Enter { event, next } => {
                let came = told(books.borrow_mut().log.append(clock.now(), event)).map(|_| ());
                pass.entered(&mut books.borrow_mut().now(clock), next, came)
            }
            Ask::Save(next) => {
                let came = told(books.borrow_mut().save_at_rest());
                pass.saved(&mut books.borrow_mut().now(clock), next, came)
            }
            Ask::End(Finished { mut report, sent, hold }) => {
                report.means = sent.map(|sent| job.provider.means(sent));
                if let Some(news) = hold {
                    keep_hold(job.name, news, &mut books.borrow_mut(), clock);
                }
                return report;
            }
        };
    }
}

fn told<T>(came: Result<T, impl Into<BooksError>>) -> Result<T, String> {
    came.map_err(|error| chain_of(&error.into()))
}

/// Makes durable what is new about a hold, and tells of it. One that cannot be written down still holds in this process.
fn keep_hold(name: &str, news: HoldNews, books: &mut Books, clock: &Clock) {
    let enter = |books: &mut Books, event| books.log.append(clock.now(), event).map_err(BooksError::from);
    let kept = match news {
        HoldNews::Holds(event) => {
            let saved = books.save().map_err(BooksError::from);
            saved.and_then(|()| event.map_or(Ok(()), |event| enter(books, event).map(|_| ())))
        }
        HoldNews::Over(why) => {
            tracing::info!("{name}: the hold ends: {why}");
            let event = Event::Release { provider: name.to_owned(), why };
            enter(books, event).and_then(|_| Ok(books.save()?))
        }
    };
    if let Err(error) = kept {
        tracing::warn!("{}", chain_of(&error));
    }
}

/// What [`bring_in_step`] would do, found out without writing anything anywhere.
pub async fn dry_run(job: &Job<'_>, state: &State, clock: &Clock) -> Report {
    let stopped = |mut report: Report, trouble: Trouble| {
        report.stop(trouble);
        report
    };
    let unread = |trouble| stopped(Report::unread(job.name, job.desired), trouble);
    if let Some(hold) = state.holds.get(job.name).filter(|hold| hold.holds_for(job.fingerprint)) {
        return unread(Trouble::Held { since: hold.since, why: hold.why.clone() });
    }
    let subject = job.subject();
    let observed = match job.provider.read(&subject.names()).await {
        Ok(observed) => observed,
        Err(fault) => return unread(Trouble::from(&fault)),
    };
    let (mut report, count) = pass::dry_run(&subject, &observed, state, clock.now());
    if let Some(lease) = job.lease
        && count > 0
        && let Err(why) = lease.peek().await
    {
        return stopped(report, why.into());
    }
    report.means = (count > 0).then(|| job.provider.means(count));
    report
}
