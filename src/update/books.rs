//! State and audit log together: what is written down before anything is sent, and after.

use std::collections::BTreeMap;
use std::path::Path;

use fingerpost_core::update::afoot::Afoot;
use fingerpost_core::update::pass::OpenBooks;
use tokio::time::Instant;

use crate::audit::chain::Known;
use crate::audit::file::{AuditError, Log};
use crate::audit::{Event, Hands};
use crate::clock::{Clock, Timestamp};
use crate::provider::Tally;
use crate::settings::{self, Config, Limits};
use crate::standby::{Lease, News};
use crate::state::{self, State, StateError, Store};

/// Where books are, and what one needs to know to open them.
#[derive(Clone, Copy)]
pub struct Bookkeeping<'a> {
    /// The state directory.
    pub dir: &'a Path,
    /// How often may be written.
    pub limits: &'a Limits,
    /// How the log is kept.
    pub audit: settings::Audit,
    /// How each provider counts.
    pub tally: &'a dyn Fn(&str) -> Tally,
}

/// State and audit log, open for writing.
#[derive(Debug)]
pub struct Books {
    /// What survives a restart.
    pub state: State,
    /// Where it is kept.
    pub store: Store,
    /// The audit log.
    pub log: Log,
    /// What is known of the writes without an outcome, besides what the log has of them.
    pub(crate) afoot: Afoot,
    /// The state could not be saved when that was last tried.
    is_behind: bool,
    /// The log has an intent that the saved state does not know of.
    has_announced: bool,
    /// What the steady times count from.
    began: Instant,
}

impl Books {
    /// Locks the state directory and opens the books.
    pub fn open(config: &Config) -> Result<Self, BooksError> {
        let tally = tally(config);
        Self::at(&Bookkeeping { dir: &config.state_dir, limits: &config.limits, audit: config.audit, tally: &tally })
    }

    /// Locks the directory of `kept.dir` and opens the books there, for whoever has no configuration. Nothing is under way.
    pub fn at(kept: &Bookkeeping<'_>) -> Result<Self, BooksError> {
        let locked = Store::lock(kept.dir)?;
        let saved = state::load(kept.dir, kept.limits)?;
        let (state, log) = kept.catch_up(saved.clone())?;
        let (store, afoot) = (locked.store(&saved), Afoot::default());
        Ok(Self { state, store, log, afoot, is_behind: false, has_announced: false, began: Instant::now() })
    }

    /// Makes the state durable, if it is not, and with it where the log ends: that alone is no reason to write.
    pub fn save(&mut self) -> Result<(), StateError> {
        // A charge that was given back leaves the state as it was, and a start is to know that.
        if self.store.has(&self.state) && !self.has_announced {
            self.is_behind = false;
            return Ok(());
        }
        let before = self.state.log.replace(self.log.mark());
        let saved = self.store.save(&self.state);
        if saved.is_err() {
            // A mark that is not on the disk is no reason to try again.
            self.state.log = before;
        }
        self.is_behind = saved.is_err();
        self.has_announced &= self.is_behind;
        saved
    }

    /// As a pass sees them now.
    pub(super) fn now(&mut self, clock: &Clock) -> OpenBooks<'_> {
        let (now, steady) = (clock.now(), self.began.elapsed());
        OpenBooks { state: &mut self.state, open: self.log.open_intents(), afoot: &mut self.afoot, now, steady }
    }

    /// Makes the intent `event` durable; returns its number. What the state has of it is as good as durable with that
    /// (`State::catch_up`). Where the state could not be saved before, it must be first: nothing is sent on end by whoever
    /// cannot keep its books.
    pub(super) fn announce(&mut self, now: Timestamp, event: Event) -> Result<u64, BooksError> {
        if self.is_behind {
            self.save()?
        } else {
            self.store.probe()?
        }
        let intent = self.log.append(now, event)?;
        self.has_announced = true;
        Ok(intent)
    }

    /// Makes the state durable once no write is under way: the last of several saves for all. What a crash takes until then
    /// the log has of each write, but for what is only less exact there.
    pub(super) fn save_at_rest(&mut self) -> Result<(), StateError> {
        if self.afoot.is_writing() { Ok(()) } else { self.save() }
    }

    /// Finds out whether the books can be kept, by keeping them once more.
    ///
    /// # Errors
    /// Why they cannot.
    pub fn probe(&mut self) -> Result<(), BooksError> {
        self.log.probe()?;
        self.state.log = Some(self.log.mark());
        Ok(self.store.rewrite(&self.state)?)
    }

    /// Enters and tells what is new about the lease of `provider`.
    pub(crate) fn enter_lease(&mut self, provider: &str, lease: &Lease, now: Timestamp) {
        for news in lease.news() {
            tracing::info!("{provider}: {news}");
            let (what, other) = match news {
                News::Taken { from } => (Hands::Taken, from),
                News::Lost { to } => (Hands::Lost, to),
                News::Released => (Hands::Released, None),
                News::StandingBy { .. } => continue,
            };
            // A lease may be given back because nothing can be written: then this is written first when it can.
            let event = Event::Lease { provider: provider.to_owned(), what, other };
            if let Err(error) = self.log.append_or_owe(now, event) {
                tracing::warn!("{}", crate::text::chain_of(&error));
            }
        }
    }
}

/// Why the books cannot be kept: nothing is sent then.
#[derive(Debug, thiserror::Error)]
pub enum BooksError {
    /// The state file.
    #[error(transparent)]
    State(#[from] StateError),
    /// The audit log.
    #[error(transparent)]
    Audit(#[from] AuditError),
}

/// The state as a reader without the lock sees it. Writes nothing.
pub fn peek(config: &Config) -> Result<State, BooksError> {
    let tally = tally(config);
    peek_at(&Bookkeeping { dir: &config.state_dir, limits: &config.limits, audit: config.audit, tally: &tally })
}

/// The state at `kept.dir` as a reader without the lock sees it, for whoever has no configuration.
pub fn peek_at(kept: &Bookkeeping<'_>) -> Result<State, BooksError> {
    let saved = state::load(kept.dir, kept.limits);
    if saved.is_err() {
        // Where neither can be read, it is the log that matters.
        Log::open(kept.dir, kept.audit)?;
    }
    // What does not hold in the log is told, as a start of the daemon would.
    Ok(kept.catch_up(saved?)?.0)
}

fn tally(config: &Config) -> impl Fn(&str) -> Tally {
    |provider| config.providers.get(provider).map_or(Tally::Each, |one| one.kind.tally())
}

impl Bookkeeping<'_> {
    /// `saved` with what the log has of the writes since, and the log.
    fn catch_up(&self, mut saved: State) -> Result<(State, Log), AuditError> {
        // One that was made anew from the log has all of it.
        let since = saved.log.as_ref().map_or(u64::MAX, |mark| mark.seq);
        let mut open = BTreeMap::new();
        let log = Log::open_hearing(self.dir, self.audit, |entry| {
            if let Known::Yes(event) = &entry.event
                && entry.seq > since
            {
                saved.catch_up(entry.seq, entry.time, event, self.limits, self.tally, &mut open);
            }
        })?;
        Ok((saved, log))
    }
}

#[cfg(test)]
mod tests;
