//! What survives a restart and is not in the audit log: `state.json` in the state directory, and its lock.
//!
//! Touches that file and the directory. The file is replaced as a whole and made durable before it counts; when
//! it is missing or unreadable, what the limits need is taken from the audit log instead of from hope.

mod told;

use std::collections::{BTreeMap, BTreeSet};
use std::fs::{self, File, TryLockError};
use std::io;
use std::net::IpAddr;
use std::os::unix::fs::{DirBuilderExt as _, MetadataExt as _, PermissionsExt as _};
use std::path::{Path, PathBuf};

use serde::{Deserialize, Serialize};

use crate::audit::chain::{Entry, Known, Mark};
use crate::audit::file::{self, AuditError};
use crate::audit::wave::{Awaited, Wave};
use crate::audit::{Ending, Event, topics};
use crate::clock::{Step, Timestamp};
use crate::files::{self, Dir, Errand, Lock, way_in};
use crate::limits::{Ledger, record_key};
use crate::provider::{Change, Tally};
use crate::record::RrSet;
use crate::settings::{Limits, Via};
use crate::watch::failover;
use crate::watch::look::Found;
pub use told::{Past, Told};

/// The state file's name.
pub const FILE: &str = "state.json";

/// The file whose lock is the directory's.
const LOCK: &str = "lock";

/// The longest state that is read, in bytes: one of 10,000 records has some megabytes.
const LONGEST: u64 = 64 << 20;

/// What survives a restart.
#[derive(Clone, Debug, Default, PartialEq, Eq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct State {
    /// The form of this file.
    version: Version,
    /// The settled address of each line and family.
    pub settled: BTreeMap<Via, IpAddr>,
    /// For each record, by [`record_key`], the addresses there that are or may be this home's: the one last seen
    /// in step, if it was ours, and every one sent since, however that seemed to end. An empty set is of a record at
    /// which others had entered our address before us.
    pub published: BTreeMap<String, BTreeSet<IpAddr>>,
    /// What the limits need to know.
    pub ledger: Ledger,
    /// The providers that are on hold, by name.
    pub holds: BTreeMap<String, Hold>,
    /// The providers for which somebody refuses without proving who it is, and since when.
    #[serde(default, skip_serializing_if = "BTreeMap::is_empty")]
    pub refused_since: BTreeMap<String, Timestamp>,
    /// The records whose change a provider refused while others may go on, by [`record_key`].
    #[serde(default, skip_serializing_if = "BTreeMap::is_empty")]
    pub blocks: BTreeMap<String, Block>,
    /// What was written and not all servers of its zone are known to serve, by provider.
    #[serde(default)]
    pub spreading: BTreeMap<String, Vec<Wave>>,
    /// What is amiss and was told of: the line, and what it is about.
    #[serde(default)]
    pub findings: BTreeSet<(Option<String>, String)>,
    /// What was amiss in what the outside can see, and was told of.
    #[serde(default)]
    pub exposed: BTreeSet<String>,
    /// The edges whose lists are not believed, as the audit log has it.
    #[serde(default)]
    pub refused: BTreeSet<String>,
    /// Who was told of what that is not over.
    #[serde(default)]
    pub told: Told,
    /// Where the audit log ended when this was saved; `None` from a version that did not keep it.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub log: Option<Mark>,
    /// Which line each record follows, which are down, and since when the others work.
    #[serde(default)]
    pub lines: failover::Kept,
    /// What stood between each line and the world when that could last be told.
    #[serde(default)]
    pub nats: Vec<Found>,
}

#[derive(Clone, Copy, Debug, Default, PartialEq, Eq, Serialize, Deserialize)]
enum Version {
    #[default]
    #[serde(rename = "1")]
    One,
}

/// Writes to a provider are suspended after a permanent refusal.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct Hold {
    /// Since when.
    pub since: Timestamp,
    /// What the refusal said.
    pub why: String,
    /// The fingerprint of the provider's configuration at that time: a hold ends when it changes. `None` when it was made up
    /// from the audit log, which does not have it: then nobody can tell, and a person ends it.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub fingerprint: Option<String>,
}

/// One record is not written after the provider refused its change, and only that.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct Block {
    /// When it was refused last.
    pub tried: Timestamp,
    /// What the refusal said.
    pub why: String,
    /// What stood there then: when something else does, the change is another.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub before: Option<RrSet>,
    /// What should have been written: something else is tried at once.
    pub after: RrSet,
    /// How long the same is not tried after that, in seconds.
    #[serde(default = "hour")]
    pub wait_s: u64,
}

fn hour() -> u64 {
    60 * 60
}

impl Hold {
    /// Whether it still holds for a provider whose configuration has `fingerprint`.
    pub fn holds_for(&self, fingerprint: &str) -> bool {
        self.fingerprint.as_deref().is_none_or(|then| then == fingerprint)
    }
}

/// Why the state cannot be kept.
#[derive(Debug, thiserror::Error)]
pub enum StateError {
    /// The operating system said no.
    #[error("cannot {act} {}; it must be writable for the user that runs fingerpost{}", path.display(), way_in(source))]
    Io {
        /// What was tried.
        act: &'static str,
        /// On which path.
        path: PathBuf,
        /// What it said.
        source: io::Error,
    },
    /// Another process holds the lock.
    #[error(
        "another fingerpost is at work on {}; to have the daemon look now, send it SIGUSR1 \
         (`systemctl kill --signal=USR1 fingerpost`); to lift a hold, reload it",
        path.display()
    )]
    Locked {
        /// The state directory.
        path: PathBuf,
    },
    /// A lost state cannot be made anew.
    #[error(transparent)]
    Audit(#[from] AuditError),
    /// The state could not be put into JSON.
    #[error("cannot put the state into JSON")]
    Json(#[from] serde_json::Error),
}

impl State {
    /// Reads the state in `dir`. Writes nothing. An unreadable file is told of and treated as missing; a missing one is
    /// made up from all of the audit log that is kept.
    pub fn load(dir: &Path, limits: &Limits) -> Result<Self, StateError> {
        let path = dir.join(FILE);
        match files::read(&path, Errand::ReadOwn, LONGEST) {
            Ok(bytes) => match serde_json::from_slice(&bytes) {
                Ok(state) => return Ok(state),
                Err(error) => {
                    tracing::warn!("{} cannot be read ({error}); it is made anew from the audit log", path.display());
                }
            },
            Err(error) if error.kind() == io::ErrorKind::NotFound => {}
            Err(source) => return Err(StateError::Io { act: "read", path, source }),
        }
        let (mut state, mut open) = (Self::default(), BTreeMap::new());
        // What does not hold in the chain is told by whoever opens the log.
        file::follow(dir, |entry| state.replay(entry, limits, &mut open))?;
        Ok(state)
    }

    /// What the file in `dir` says; `None` where there is none, or none that makes sense. Writes nothing.
    ///
    /// # Errors
    /// [`StateError::Io`] where it cannot be read.
    pub fn recall(dir: &Path) -> Result<Option<Self>, StateError> {
        let path = dir.join(FILE);
        match files::read(&path, Errand::ReadOwn, LONGEST) {
            Ok(bytes) => Ok(serde_json::from_slice(&bytes).ok()),
            Err(error) if error.kind() == io::ErrorKind::NotFound => Ok(None),
            Err(source) => Err(StateError::Io { act: "read", path, source }),
        }
    }

    /// Takes in what `entry`, the next of the log, tells. `open` has the intents without an outcome up to now.
    fn replay(&mut self, entry: Entry, limits: &Limits, open: &mut BTreeMap<u64, (String, Vec<Change>)>) {
        let Known::Yes(event) = entry.event else { return };
        match event {
            Event::Settled { line, family, to, .. } => {
                self.settled.insert(Via { line, family }, to);
            }
            Event::Intent { provider, changes, .. } => {
                // The log does not tell how the provider counts: rather a wait too long than a write too many.
                self.ledger.charge(entry.time, limits, &provider, Tally::Each, &changes);
                self.note_sent(&provider, &changes);
                open.insert(entry.seq, (provider, changes));
            }
            Event::Outcome { intent, result, .. } => {
                if let Some((provider, changes)) = open.remove(&intent)
                    && result == Ending::Done
                {
                    self.note_published(&provider, &changes);
                }
            }
            Event::Found { about, .. } if about.starts_with(topics::EXPOSURE) => {
                self.exposed.insert(about);
            }
            Event::Gone { about, .. } if about.starts_with(topics::EXPOSURE) => {
                self.exposed.remove(&about);
            }
            Event::Found { about, .. } if about.starts_with(topics::RANGES) => {
                self.refused.insert(about);
            }
            Event::Gone { about, .. } if about.starts_with(topics::RANGES) => {
                self.refused.remove(&about);
            }
            Event::Found { line, about, .. } => {
                self.findings.insert((line, about));
            }
            Event::Gone { line, about } => {
                self.findings.remove(&(line, about));
            }
            Event::Hold { provider, why } => {
                self.holds.insert(provider, Hold { since: entry.time, why, fingerprint: None });
            }
            Event::Release { provider, .. } => {
                self.holds.remove(&provider);
            }
            Event::Clock(step) => self.shift(&step, limits),
            Event::Spread { .. }
            | Event::Unspread { .. }
            | Event::Lease { .. }
            | Event::Ranges { .. }
            | Event::Outage { .. }
            | Event::SetAside { .. } => {}
        }
    }

    /// Takes in that the clock was set: what this process dated moves along.
    pub fn shift(&mut self, step: &Step, limits: &Limits) {
        self.ledger.shift(step, limits);
        self.holds.values_mut().for_each(|hold| step.shift(&mut hold.since));
        self.refused_since.values_mut().for_each(|since| step.shift(since));
        self.blocks.values_mut().for_each(|block| step.shift(&mut block.tried));
        self.spreading.values_mut().flatten().for_each(|wave| step.shift(&mut wave.since));
    }

    /// Enters that `changes` are about to be sent to `provider`: from now on what they add may stand there.
    pub fn note_sent(&mut self, provider: &str, changes: &[Change]) {
        for (change, ours) in changes.iter().filter_map(|change| Some((change, added(change)?))) {
            self.published.entry(record_key(provider, &change.name, change.rtype)).or_default().insert(ours);
        }
    }

    /// Enters that `changes` now stand at `provider`: whatever was there of ours before is gone.
    pub fn note_published(&mut self, provider: &str, changes: &[Change]) {
        for (change, ours) in changes.iter().filter_map(|change| Some((change, added(change)?))) {
            self.published.insert(record_key(provider, &change.name, change.rtype), BTreeSet::from([ours]));
        }
    }

    /// Enters that `changes` of `intent` were found to stand at `provider` at `now`: the servers shall follow. What was
    /// awaited of the same records before is awaited no more.
    pub fn note_spreading(&mut self, provider: &str, intent: u64, changes: &[&Change], now: Timestamp) {
        if changes.is_empty() {
            return;
        }
        let records: Vec<Awaited> = changes.iter().map(|change| Awaited::of(change)).collect();
        let anew: BTreeSet<_> = records.iter().map(|record| (record.name.clone(), record.rtype)).collect();
        self.amend_spreading(provider, |record| {
            (!anew.contains(&(record.name.clone(), record.rtype))).then(|| record.set.clone())
        });
        self.spreading.entry(provider.to_owned()).or_default().push(Wave { intent, since: now, records });
    }

    /// Lets `amend` say of every RRset awaited of `provider` what stands there now; none ends the waiting for it.
    pub fn amend_spreading(&mut self, provider: &str, amend: impl Fn(&Awaited) -> Option<RrSet>) {
        let Some(waves) = self.spreading.get_mut(provider) else { return };
        for wave in waves.iter_mut() {
            wave.records.retain_mut(|record| match amend(record) {
                Some(set) => {
                    record.set = set;
                    true
                }
                None => false,
            });
        }
        waves.retain(|wave| !wave.records.is_empty());
        if waves.is_empty() {
            self.spreading.remove(provider);
        }
    }

    /// Ends the waiting for what `intent` wrote to `provider`.
    pub fn end_spreading(&mut self, provider: &str, intent: u64) {
        let Some(waves) = self.spreading.get_mut(provider) else { return };
        waves.retain(|wave| wave.intent != intent);
        if waves.is_empty() {
            self.spreading.remove(provider);
        }
    }
}

/// The address that `change` adds: it is this home's. None when only others, or the TTL, change.
fn added(change: &Change) -> Option<IpAddr> {
    let before = change.before.as_ref().map(|set| &set.addresses);
    change.after.addresses.iter().find(|address| !before.is_some_and(|set| set.contains(address))).copied()
}

/// What users other than the owner of a directory of this mode can do there, if they can do anything.
fn lax(mode: u32) -> Option<&'static str> {
    match mode {
        mode if mode & 0o022 != 0 => {
            Some("can be written to by others than its owner, who can make this program believe anything")
        }
        mode if mode & 0o077 != 0 => Some("can be looked into by others than its owner"),
        _ => None,
    }
}

/// Makes `dir` for its owner alone, durably, if it is missing.
fn make(dir: &Path) -> Result<(), StateError> {
    let fail = |act| move |source| StateError::Io { act, path: dir.to_owned(), source };
    let missing: Vec<&Path> =
        dir.ancestors().take_while(|part| !part.as_os_str().is_empty() && !part.exists()).collect();
    if missing.is_empty() {
        return Ok(());
    }
    if let Some(above) = dir.parent() {
        fs::create_dir_all(above).map_err(fail("create"))?;
    }
    match fs::DirBuilder::new().mode(0o700).create(dir) {
        Err(error) if error.kind() != io::ErrorKind::AlreadyExists => return Err(fail("create")(error)),
        _ => {}
    }
    // What is durable inside is lost all the same if the directory's own name is not durable in its parent.
    for made in missing {
        File::open(made.join("..")).and_then(|parent| parent.sync_all()).map_err(fail("make durable"))?;
    }
    Ok(())
}

/// The state on disk, under the directory's lock.
#[derive(Debug)]
pub struct Store {
    dir: PathBuf,
    saved: State,
    _lock: Lock,
}

impl Store {
    /// Makes sure of `dir` and takes its lock, without waiting.
    pub fn lock(dir: &Path) -> Result<LockedDir, StateError> {
        let fail = |act| move |source| StateError::Io { act, path: dir.to_owned(), source };
        make(dir)?;
        let held = Dir::open(dir).map_err(fail("open"))?;
        let mode = held.metadata().map_err(fail("open"))?.mode() & 0o777;
        // Whoever can open the file can hold its lock, and keep this program from everything (flock(2)).
        let lock = held.standing(LOCK, 0o600).map_err(fail("lock"))?;
        if lock.metadata().map_err(fail("lock"))?.mode() & 0o077 != 0 {
            lock.set_permissions(fs::Permissions::from_mode(0o600)).map_err(fail("lock"))?;
        }
        match Lock::try_take(lock) {
            Ok(lock) => {
                if let Some(others) = lax(mode) {
                    tracing::warn!("{} {others} (mode {mode:03o}); chmod 700 {}", dir.display(), dir.display());
                }
                Ok(LockedDir { dir: dir.to_owned(), lock })
            }
            Err(TryLockError::WouldBlock) => Err(StateError::Locked { path: dir.to_owned() }),
            Err(TryLockError::Error(source)) => Err(fail("lock")(source)),
        }
    }

    /// Whether `state` is what the file says.
    pub fn has(&self, state: &State) -> bool {
        *state == self.saved
    }

    /// Makes `state` durable, if it is not already what the file says.
    pub fn save(&mut self, state: &State) -> Result<(), StateError> {
        if self.has(state) { Ok(()) } else { self.rewrite(state) }
    }

    /// Makes `state` durable, even if the file says the same already.
    ///
    /// # Errors
    /// Why it cannot be.
    pub fn rewrite(&mut self, state: &State) -> Result<(), StateError> {
        let path = self.dir.join(FILE);
        let mut text = serde_json::to_vec_pretty(state)?;
        text.push(b'\n');
        let replaced = Dir::open(&self.dir).and_then(|dir| dir.replace(FILE, ".state.json.new", 0o600, &text));
        replaced.map_err(|source| StateError::Io { act: "write", path, source })?;
        self.saved = state.clone();
        Ok(())
    }
}

/// A state directory whose lock is held.
#[derive(Debug)]
pub struct LockedDir {
    dir: PathBuf,
    lock: Lock,
}

impl LockedDir {
    /// The store that goes on from `state`, which was loaded from the directory.
    pub fn store(self, state: &State) -> Store {
        Store { dir: self.dir, saved: state.clone(), _lock: self.lock }
    }
}

#[cfg(test)]
mod tests;
