//! State and audit log together: what is written down before anything is sent, and after.

use fingerpost_core::update::afoot::Afoot;
use fingerpost_core::update::pass::OpenBooks;
use tokio::time::Instant;

use crate::audit::file::{AuditError, Log};
use crate::audit::{Event, Hands};
use crate::clock::{Clock, Timestamp};
use crate::settings::Config;
use crate::standby::{Lease, News};
use crate::state::{self, State, StateError, Store};

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
    pub afoot: Afoot,
    /// What the steady times count from.
    began: Instant,
}

impl Books {
    /// Locks the state directory and opens the books.
    pub fn open(config: &Config) -> Result<Self, BooksError> {
        let locked = Store::lock(&config.state_dir)?;
        let state = state::load(&config.state_dir, &config.limits)?;
        let log = Log::open(&config.state_dir, config.audit)?;
        let store = locked.store(&state);
        Ok(Self::new(state, store, log))
    }

    /// With nothing under way.
    pub fn new(state: State, store: Store, log: Log) -> Self {
        Self { state, store, log, afoot: Afoot::default(), began: Instant::now() }
    }

    /// Makes the state durable, if it is not, and with it where the log ends: that alone is no reason to write.
    pub fn save(&mut self) -> Result<(), StateError> {
        if self.store.has(&self.state) {
            return Ok(());
        }
        let before = self.state.log.replace(self.log.mark());
        let saved = self.store.save(&self.state);
        if saved.is_err() {
            // A mark that is not on the disk is no reason to try again.
            self.state.log = before;
        }
        saved
    }

    /// As a pass sees them now.
    pub(super) fn now(&mut self, clock: &Clock) -> OpenBooks<'_> {
        let (now, steady) = (clock.now(), self.began.elapsed());
        OpenBooks { state: &mut self.state, open: self.log.open_intents(), afoot: &mut self.afoot, now, steady }
    }

    /// Makes the state durable, and then the intent `event`; returns its number.
    pub(super) fn announce(&mut self, now: Timestamp, event: Event) -> Result<u64, BooksError> {
        self.save()?;
        Ok(self.log.append(now, event)?)
    }

    /// The same once no write is under way: the last of several saves for all. What a crash takes until then was made
    /// durable before the write, and is only less exact there.
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
    pub fn enter_lease(&mut self, provider: &str, lease: &Lease, now: Timestamp) {
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
    // What does not hold in the log is told, as a start of the daemon would.
    Log::open(&config.state_dir, config.audit)?;
    Ok(state::load(&config.state_dir, &config.limits)?)
}
