//! The log's files: `audit.jsonl`, and beside it the closed ones, `audit.000000000001.jsonl`, by their first `seq`.
//!
//! Touches the files of the state directory, and nothing else. One process writes at a time: the holder of the
//! directory's lock.

mod walk;

use std::collections::{BTreeMap, VecDeque};
use std::fs::{self, File};
use std::io::{self, Read, Seek, SeekFrom, Write};
use std::os::unix::fs::MetadataExt;
use std::path::{Path, PathBuf};

use super::chain::{self, Entry, Flaw, Known, Lack, Mark, Tail};
use super::{Ending, Event, OpenIntent};
use crate::clock::Timestamp;
use crate::files::{Dir, way_in};
use crate::settings;
use walk::{LONGEST, closed_files, first_entry, first_seq, open, open_if_there, torn_files, walk};
pub use walk::{files, follow, follow_past, links, read_all, recall};

/// The file that is written to.
pub const CURRENT: &str = "audit.jsonl";

/// How the names of the torn ends begin; the number of the entry that tells of it follows.
const TORN: &str = "audit.torn-";

/// Why the log cannot be written or read.
#[derive(Debug, thiserror::Error)]
pub enum AuditError {
    /// The operating system said no.
    #[error("cannot {act} {}; until it can, nothing is sent to any provider{}", file.display(), way_in(source))]
    Io {
        /// What was tried.
        act: &'static str,
        /// On which file.
        file: PathBuf,
        /// What it said.
        source: io::Error,
    },
    /// An event could not be put into JSON.
    #[error("cannot put an audit entry into JSON")]
    Json(#[from] serde_json::Error),
    /// A line does not follow from the one before: the log does not hold.
    #[error("{}: line {line}: {flaw}", file.display())]
    Flawed {
        /// The file.
        file: PathBuf,
        /// The line, from 1.
        line: usize,
        /// What is wrong with it.
        flaw: Flaw,
    },
    /// What was once known to stand in the log does not.
    #[error("{}: {lack}", file.display())]
    Lacking {
        /// The file in which it should be.
        file: PathBuf,
        /// What does not stand there.
        lack: Lack,
    },
}

/// The log, open for writing.
#[derive(Debug)]
pub struct Log {
    dir: PathBuf,
    settings: settings::Audit,
    tail: Tail,
    /// Where the last whole line of the current file ends, in bytes.
    end: u64,
    /// The current file, once it is known to end there.
    current: Option<File>,
    /// The name of the current file is durable in the directory.
    named: bool,
    /// Something unreadable stands behind the last whole line.
    torn: bool,
    open: BTreeMap<u64, OpenIntent>,
    /// What could not be written yet and has to stand before anything else, oldest first.
    owed: VecDeque<(Timestamp, Event)>,
    /// The newest entries that were written here, oldest first.
    fresh: VecDeque<Entry>,
}

/// How many entries are kept for whoever asks for what is new.
const FRESH: usize = 64;

impl Log {
    /// Reads where the log in `dir` ends, and which intents are open. Writes nothing.
    ///
    /// A line that does not hold does not keep the home from being served: the log goes on behind it.
    pub fn open(dir: &Path, settings: settings::Audit) -> Result<Self, AuditError> {
        Self::open_hearing(dir, settings, |_| {})
    }

    /// Opens the log in `dir` as [`Self::open`] does; `hear` is told every entry that there is, oldest first.
    pub(crate) fn open_hearing(
        dir: &Path,
        settings: settings::Audit,
        mut hear: impl FnMut(&Entry),
    ) -> Result<Self, AuditError> {
        let mut log = Self {
            dir: dir.to_owned(),
            settings,
            tail: Tail::origin(),
            end: 0,
            current: None,
            named: false,
            torn: false,
            open: BTreeMap::new(),
            owed: VecDeque::new(),
            fresh: VecDeque::new(),
        };
        let path = log.path();
        let current = open_if_there(&path)?;
        // An intent may have stayed open while several files were closed behind it.
        for closed in closed_files(dir)? {
            let walked = walk(open(&closed)?, |entry| {
                hear(entry);
                log.remember(entry.seq, entry.time, &entry.event);
            })
            .map_err(|source| AuditError::Io { act: "read", file: closed, source })?;
            if walked.whole > 0 {
                // The power may have gone between closing one file and the first whole line of the next.
                log.tail = walked.tail;
            }
        }
        let Some(current) = current else { return Ok(log) };
        let fail = |source| AuditError::Io { act: "read", file: path.clone(), source };
        let walked = walk(&current, |entry| {
            hear(entry);
            log.remember(entry.seq, entry.time, &entry.event);
        })
        .map_err(fail)?;
        if let Some((line, flaw)) = &walked.flaw {
            tracing::warn!(
                "{}: line {line}: {flaw}; the log goes on behind it, and `fingerpost audit verify` will always tell of it",
                path.display()
            );
        }
        if walked.whole > 0 {
            log.tail = walked.tail;
        }
        log.end = walked.whole;
        log.torn = walked.whole < current.metadata().map_err(fail)?.len();
        if log.torn {
            tracing::warn!(
                "the last line of {} is torn, by a power cut perhaps; it will be set aside before the next is written",
                path.display()
            );
        }
        Ok(log)
    }

    /// Where it ends now.
    pub fn mark(&self) -> Mark {
        Mark { seq: self.tail.seq, hash: self.tail.link.as_str().to_owned() }
    }

    /// Goes on with other settings, after a reload.
    pub(crate) fn refit(&mut self, settings: settings::Audit) {
        self.settings = settings;
    }

    /// The intents whose end is not known, by `seq`.
    pub fn open_intents(&self) -> &BTreeMap<u64, OpenIntent> {
        &self.open
    }

    /// The newest entries that were written since this was last asked, oldest first: the last 64 at most.
    pub fn fresh(&mut self) -> VecDeque<Entry> {
        std::mem::take(&mut self.fresh)
    }

    /// Writes `event` as of `now`, or keeps it to be written before anything else is.
    ///
    /// # Errors
    /// Why it could not be written yet.
    pub(crate) fn append_or_owe(&mut self, now: Timestamp, event: Event) -> Result<(), AuditError> {
        self.owed.push_back((now, event));
        self.pay()
    }

    /// Writes what is owed, as far as that can be done.
    ///
    /// # Errors
    /// Why not all of it could.
    pub(crate) fn pay(&mut self) -> Result<(), AuditError> {
        while let Some((time, event)) = self.owed.front().cloned() {
            self.put(time, event)?;
            self.owed.pop_front();
        }
        Ok(())
    }

    /// Writes what is owed, and makes sure that the current file lets itself be written to.
    ///
    /// # Errors
    /// Why not.
    pub fn probe(&mut self) -> Result<(), AuditError> {
        self.pay()?;
        let file = match self.current.take().filter(|file| self.is_current(file)) {
            Some(current) => current,
            None => self.open_current()?,
        };
        self.current = Some(file);
        Ok(())
    }

    /// Writes `event` and makes it durable, after all that is owed; returns its `seq`. After an error it is as if it
    /// had never been asked for.
    pub fn append(&mut self, now: Timestamp, event: Event) -> Result<u64, AuditError> {
        self.pay()?;
        self.put(now, event)
    }

    fn put(&mut self, now: Timestamp, event: Event) -> Result<u64, AuditError> {
        if self.torn {
            self.set_aside(now)?;
        }
        self.rotate_if_full(now)?;
        self.write(now, event)
    }

    fn write(&mut self, now: Timestamp, event: Event) -> Result<u64, AuditError> {
        let seq = self.tail.seq + 1;
        let line = chain::line(seq, now, &event, &self.tail.link)?;
        let path = self.path();
        let mut file = match self.current.take().filter(|file| self.is_current(file)) {
            Some(current) => current,
            None => self.open_current()?,
        };
        let written = file.seek(SeekFrom::Start(self.end)).and_then(|_| file.write_all(line.as_bytes()));
        if let Err(source) = written.and_then(|()| file.sync_data()) {
            // What is not durable must not stay, whole or half: take it back, now or at the next attempt.
            let _ = file.set_len(self.end);
            return Err(AuditError::Io { act: "write to", file: path, source });
        }
        self.current = Some(file);
        self.end += line.len() as u64;
        self.tail = Tail { seq, link: chain::Link::to(line.as_bytes()) };
        self.remember(seq, now, &Known::Yes(event));
        if let Ok(entry) = chain::read(line.as_bytes()) {
            if self.fresh.len() == FRESH {
                self.fresh.pop_front();
            }
            self.fresh.push_back(entry);
        }
        Ok(seq)
    }

    /// Whether the name still leads to `file`, and that ends where it should: who knows what became of it meanwhile.
    fn is_current(&self, file: &File) -> bool {
        let of = |meta: &fs::Metadata| (meta.dev(), meta.ino(), meta.len());
        let there = fs::symlink_metadata(self.path());
        there.is_ok_and(|there| there.len() == self.end && file.metadata().is_ok_and(|ours| of(&ours) == of(&there)))
    }

    fn remember(&mut self, seq: u64, time: Timestamp, event: &Known) {
        match event {
            Known::Yes(Event::Intent { provider, changes, .. }) => {
                let (provider, changes) = (provider.clone(), changes.clone());
                self.open.insert(seq, OpenIntent { time, provider, changes });
            }
            Known::Yes(Event::Outcome { intent, .. }) => {
                self.open.remove(intent);
            }
            Known::Yes(Event::Clock(step)) => self.open.values_mut().for_each(|open| step.shift(&mut open.time)),
            _ => {}
        }
    }

    /// Opens the current file, cutting off what an earlier failed attempt may have left behind the last whole line.
    fn open_current(&mut self) -> Result<File, AuditError> {
        let path = self.path();
        let fail = |act, source| AuditError::Io { act, file: path.clone(), source };
        let dir = Dir::open(&self.dir).map_err(|source| fail("open", source))?;
        let (file, is_new) = dir.kept(CURRENT, 0o640).map_err(|source| fail("open", source))?;
        if is_new || !self.named {
            // One that stood there at the start may have been made right before a crash.
            sync_dir(&self.dir)?;
            self.named = true;
        }
        let length = file.metadata().map_err(|source| fail("read", source))?.len();
        if length < self.end {
            // Somebody shortened or removed it meanwhile: the log goes on behind what is left.
            self.end = walk(&file, |_| {}).map_err(|source| fail("read", source))?.whole;
        }
        if length > self.end {
            file.set_len(self.end).map_err(|source| fail("shorten", source))?;
        }
        Ok(file)
    }

    fn rotate_if_full(&mut self, now: Timestamp) -> Result<(), AuditError> {
        let path = self.path();
        if !fs::symlink_metadata(&path).is_ok_and(|meta| meta.len() >= self.settings.max_bytes) {
            return Ok(());
        }
        self.current = None;
        // A first line that was meddled with must not take the name from which the files have their order.
        let first = first_entry(open(&path)?)
            .map_err(|source| AuditError::Io { act: "read", file: path.clone(), source })?
            .unwrap_or(0);
        let closed = self.dir.join(format!("audit.{first:012}.jsonl"));
        fs::rename(&path, &closed).map_err(|source| AuditError::Io { act: "rename", file: path, source })?;
        self.end = 0;
        sync_dir(&self.dir)?;
        let files = closed_files(&self.dir)?;
        let ends = files.iter().skip(1).map(|file| first_seq(file)).chain([Some(self.tail.seq + 1)]);
        let surplus = files.len().saturating_sub(self.settings.keep);
        let surplus: Vec<_> = files.iter().zip(ends).take(surplus).collect();
        if let Some((_, Some(end))) = surplus.last() {
            self.give_up(now, *end)?;
        }
        for (old, end) in surplus {
            // The next start has to find an intent whose end is not known, and the chain has no gaps: all behind it stays.
            if self.open.keys().next().is_some_and(|oldest| end.is_none_or(|end| *oldest < end)) {
                break;
            }
            fs::remove_file(old).map_err(|source| AuditError::Io { act: "remove", file: old.clone(), source })?;
        }
        Ok(())
    }

    /// Closes, as unknown, the intents before `end` whose end could not be found out for too long: what is behind them is
    /// to go.
    fn give_up(&mut self, now: Timestamp, end: u64) -> Result<(), AuditError> {
        let limit = self.settings.unknown_after;
        let is_old = |(_, intent): &(&u64, &OpenIntent)| now.since(intent.time) >= limit;
        let old: Vec<(u64, String)> =
            self.open.range(..end).filter(is_old).map(|(intent, open)| (*intent, open.provider.clone())).collect();
        for (intent, provider) in old {
            let detail = format!(
                "for {} nobody could find out how it ended, and the log is to keep no more files (`audit.unknown_after`)",
                humantime::format_duration(limit)
            );
            tracing::warn!("{provider}: the end of the write {intent} is entered as unknown: {detail}");
            self.write(now, Event::Outcome { intent, provider, result: Ending::Unknown, detail })?;
        }
        Ok(())
    }

    /// Copies what follows the last whole line into a file of its own, as far as it is no longer than a line can be, cuts it
    /// off, and says so in the log.
    fn set_aside(&mut self, now: Timestamp) -> Result<(), AuditError> {
        let current = self.path();
        let fail = |source| AuditError::Io { act: "read", file: current.clone(), source };
        let mut from = open(&current)?;
        let whole = walk(&from, |_| {}).map_err(fail)?.whole;
        from.seek(SeekFrom::Start(whole)).map_err(fail)?;
        let name = format!("{TORN}{:012}", self.tail.seq + 1);
        let path = self.dir.join(&name);
        let fail = |source| AuditError::Io { act: "write", file: path.clone(), source };
        let mut file = Dir::open(&self.dir).and_then(|dir| dir.fresh(&name, 0o640)).map_err(fail)?;
        let bytes = io::copy(&mut from.take(LONGEST as u64), &mut file).map_err(fail)?;
        file.sync_all().map_err(fail)?;
        sync_dir(&self.dir)?;
        let mut torn_files = torn_files(&self.dir)?;
        let surplus = torn_files.len().saturating_sub(self.settings.keep);
        torn_files.truncate(surplus);
        // First it is told, then they go.
        self.write(now, Event::SetAside { file: name, bytes, removed: torn_files.clone() })?;
        self.torn = false;
        for old in torn_files {
            // One that stays is named again next time.
            if let Err(error) = fs::remove_file(self.dir.join(&old)) {
                tracing::warn!("cannot remove {}: {error}", self.dir.join(&old).display());
            }
        }
        Ok(())
    }

    fn path(&self) -> PathBuf {
        self.dir.join(CURRENT)
    }
}

/// Makes the names in `dir` durable.
pub(crate) fn sync_dir(dir: &Path) -> Result<(), AuditError> {
    File::open(dir).and_then(|dir| dir.sync_all()).map_err(|source| AuditError::Io {
        act: "sync",
        file: dir.to_owned(),
        source,
    })
}

#[cfg(test)]
mod tests;
