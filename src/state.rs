//! What survives a restart and is not in the audit log: `state.json` in the state directory, and its lock.
//!
//! Touches that file and the directory. The file is replaced as a whole and made durable before it counts; when
//! it is missing or unreadable, what the limits need is taken from the audit log instead of from hope.

use std::collections::BTreeMap;
use std::fs::{self, File, TryLockError};
use std::io;
use std::os::unix::fs::{DirBuilderExt as _, MetadataExt as _, PermissionsExt as _};
use std::path::{Path, PathBuf};

use crate::audit::file::{self, AuditError};
use crate::files::{self, Dir, Errand, Lock, way_in};
use crate::settings::Limits;
pub use fingerpost_core::state::*;

/// The state file's name.
pub(crate) const FILE: &str = "state.json";

/// What it is written as before it is in its place.
const FRESH: &str = ".state.json.new";

/// The file whose lock is the directory's.
const LOCK: &str = "lock";

/// The longest state that is read, in bytes: one of 10,000 records has some megabytes.
const LONGEST: u64 = 64 << 20;

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

/// Reads the state in `dir`. Writes nothing. An unreadable file is told of and treated as missing; a missing one is
/// made up from all of the audit log that is kept.
pub fn load(dir: &Path, limits: &Limits) -> Result<State, StateError> {
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
    let (mut state, mut open) = (State::default(), BTreeMap::new());
    // What does not hold in the chain is told by whoever opens the log.
    file::follow(dir, |entry| state.replay(entry, limits, &mut open))?;
    Ok(state)
}

/// What the file in `dir` says; `None` where there is none, or none that makes sense. Writes nothing.
///
/// # Errors
/// [`StateError::Io`] where it cannot be read.
pub fn recall(dir: &Path) -> Result<Option<State>, StateError> {
    let path = dir.join(FILE);
    match files::read(&path, Errand::ReadOwn, LONGEST) {
        Ok(bytes) => Ok(serde_json::from_slice(&bytes).ok()),
        Err(error) if error.kind() == io::ErrorKind::NotFound => Ok(None),
        Err(source) => Err(StateError::Io { act: "read", path, source }),
    }
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

    /// Makes sure that the file could be replaced now, as far as that shows without writing all of it.
    ///
    /// # Errors
    /// Why it could not.
    pub fn probe(&self) -> Result<(), StateError> {
        let fail = |source| StateError::Io { act: "write", path: self.dir.join(FILE), source };
        Dir::open(&self.dir).and_then(|dir| dir.probe(FRESH)).map_err(fail)
    }

    /// Makes `state` durable, if it is not already what the file says.
    pub fn save(&mut self, state: &State) -> Result<(), StateError> {
        if self.has(state) { Ok(()) } else { self.rewrite(state) }
    }

    /// Makes `state` durable, even if the file says the same already.
    ///
    /// # Errors
    /// Why it cannot be.
    pub(crate) fn rewrite(&mut self, state: &State) -> Result<(), StateError> {
        let path = self.dir.join(FILE);
        let mut text = serde_json::to_vec_pretty(state)?;
        text.push(b'\n');
        let replaced = Dir::open(&self.dir).and_then(|dir| dir.replace(FILE, FRESH, 0o600, &text));
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
    pub(crate) fn store(self, state: &State) -> Store {
        Store { dir: self.dir, saved: state.clone(), _lock: self.lock }
    }
}

#[cfg(test)]
mod tests;
