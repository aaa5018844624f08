//! A zone in a master file (RFC 1035, section 5), on the machine of the name server or on its way to it.
//!
//! May touch the file, its directory, and the reload command; all of it beside the loop, since a file may be large and its disk
//! slow. `lex`, `scan`, `view`, `listing`, `edit`, `runs` and `serial` are pure.
//! Only the RRsets that are written and the SOA serial change; every other byte stays.
//!
//! Not for a zone that its server writes by itself, be it for dynamic updates or for signing: such a file is the
//! server's own, and [`super::rfc2136`] is the way there.

mod file;
pub(crate) mod reload;

pub use fingerpost_core::provider::zonefile::*;

use std::collections::BTreeSet;
use std::path::PathBuf;
use std::sync::Arc;
use std::sync::atomic::{AtomicBool, Ordering};
use std::time::{Duration, SystemTime};

use tokio::sync::{Mutex, OwnedMutexGuard};

use super::listing::ZoneRecord;
use super::{Applied, Change, Fault, FaultKind, Observed, Pending, Provider, Tally};
use crate::aside::aside;
use crate::clock::Timestamp;
use crate::name::DnsName;
use file::Snapshot;
use lex::Problem;
use scan::Master;

/// A provider whose records live in a master file.
#[derive(Debug)]
pub struct ZoneFile {
    zone: DnsName,
    file: PathBuf,
    reload: Vec<String>,
    timeout: Duration,
    /// The file was replaced, and the server may not have loaded it.
    reload_due: Arc<AtomicBool>,
    /// Held while the file is worked on: a write that nobody waits for any more goes on to its end, and what is read after it
    /// must be what it left.
    at_work: Arc<Mutex<()>>,
}

impl ZoneFile {
    /// The zone `zone` in the master file `file`; `reload` is program and arguments of the command that makes the
    /// server load it, empty for none, and may take as long as `timeout`.
    pub fn new(zone: DnsName, file: PathBuf, reload: Vec<String>, timeout: Duration) -> Self {
        Self { zone, file, reload, timeout, reload_due: Arc::default(), at_work: Arc::default() }
    }

    /// The file's only worker, once whoever was before is done.
    async fn alone(&self) -> OwnedMutexGuard<()> {
        Arc::clone(&self.at_work).lock_owned().await
    }

    /// What `make` reads in the master file.
    async fn scan<T, M>(&self, alone: OwnedMutexGuard<()>, make: M) -> Result<T, Fault>
    where
        T: Send + 'static,
        M: FnOnce(&Master<'_>, &DnsName) -> Result<T, Problem> + Send + 'static,
    {
        let (file, zone) = (self.file.clone(), self.zone.clone());
        aside(move || {
            let _alone = alone;
            let snapshot = Snapshot::take(&file, false)?;
            Master::scan(&snapshot.bytes, zone.as_str())
                .and_then(|master| make(&master, &zone))
                .map_err(|problem| problem.into_fault(&file.display().to_string()))
        })
        .await
    }

    async fn reload_if_due(&self) -> Result<(), reload::ReloadError> {
        if self.reload_due.load(Ordering::Relaxed) {
            reload::reload(&self.reload, self.timeout).await?;
            self.reload_due.store(false, Ordering::Relaxed);
        }
        Ok(())
    }

    async fn look(&self, names: &BTreeSet<DnsName>) -> Result<Observed, Fault> {
        let alone = self.alone().await;
        self.reload_if_due().await.map_err(|error| {
            let why = format!("{} was written, but the server may not have loaded it", self.file.display());
            Fault::passing(why, RELOAD).caused_by(error)
        })?;
        let names = names.clone();
        self.scan(alone, move |master, zone| view::observe(master, zone, &names)).await
    }

    async fn write(&self, changes: &[Change]) -> Result<Applied, Fault> {
        let (file, zone, changes) = (self.file.clone(), self.zone.clone(), changes.to_vec());
        let (alone, due) = (self.alone().await, Arc::clone(&self.reload_due));
        let today = day(Timestamp::from(SystemTime::now()));
        let serial = aside(move || {
            let _alone = alone;
            let snapshot = Snapshot::take(&file, true)?;
            let edited = edit::edit(&snapshot.bytes, &zone, &changes, today)
                .map_err(|problem| problem.into_fault(&file.display().to_string()))?;
            let Some(edited) = edited else { return Ok(None) };
            // Set before the rename: nobody may wait for this any more, or for the command.
            let due_before = due.load(Ordering::Relaxed);
            let outcome = snapshot.replace(&edited.bytes, || due.store(true, Ordering::Relaxed));
            if outcome.as_ref().is_err_and(|fault| fault.kind != FaultKind::InDoubt) {
                due.store(due_before, Ordering::Relaxed);
            }
            outcome.map(|()| Some(edited.serial))
        });
        let Some(serial) = serial.await? else { return Ok(Applied { detail: "nothing to change".into() }) };
        self.reload_if_due().await.map_err(|error| {
            let why = format!("{} now has serial {serial}, but the server may not have loaded it", self.target());
            Fault::new(FaultKind::InDoubt, why, RELOAD).caused_by(error)
        })?;
        Ok(Applied { detail: format!("serial {serial}") })
    }
}

const RELOAD: &str = "run the `reload` command by hand as the daemon's user; it is tried again at the next read";

/// The day of `now` in UTC, as the number YYYYMMDD.
fn day(now: Timestamp) -> u32 {
    let text = now.to_string();
    let digits = text.chars().take(10).filter_map(|digit| digit.to_digit(10));
    digits.fold(0, |number, digit| number * 10 + digit)
}

impl Provider for ZoneFile {
    fn read<'a>(&'a self, names: &'a BTreeSet<DnsName>) -> Pending<'a, Observed> {
        Box::pin(self.look(names))
    }

    fn apply<'a>(&'a self, changes: &'a [Change]) -> Pending<'a, Applied> {
        Box::pin(self.write(changes))
    }

    fn list(&self) -> Pending<'_, Vec<ZoneRecord>> {
        Box::pin(async { self.scan(self.alone().await, |master, _| listing::records(master)).await })
    }

    fn resume(&self) {
        // The earlier process may have died between the replacing and the reloading.
        self.reload_due.store(true, Ordering::Relaxed);
    }

    fn tally(&self) -> Tally {
        Tally::Together
    }

    fn target(&self) -> String {
        self.file.display().to_string()
    }

    fn means(&self, count: usize) -> String {
        let changes = if count == 1 { "change" } else { "changes" };
        format!("{count} {changes} in the file {}", self.target())
    }
}

#[cfg(test)]
mod tests;
