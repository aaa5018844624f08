//! Reads the log's files, and follows the chain through them. Writes nothing.

use std::fs;
use std::io::{self, BufRead, BufReader};
use std::path::{Path, PathBuf};

use super::{AuditError, CURRENT, TORN};
use crate::audit::chain::{self, Entry, Flaw, Lack, Mark, Tail};
use crate::files::{self, Errand};

pub(super) struct Walked {
    pub(super) tail: Tail,
    /// Bytes up to the end of the last readable line.
    pub(super) whole: usize,
    /// The first line, from 1, that does not follow, and why.
    pub(super) flaw: Option<(usize, Flaw)>,
}

/// Follows the chain through one file and hands every entry that can be read to `each`. What cannot be read at its very end
/// is torn, and no flaw.
pub(super) fn walk(bytes: &[u8], mut each: impl FnMut(&Entry)) -> Walked {
    let mut walked = Walked { tail: Tail::origin(), whole: 0, flaw: None };
    let mut end = 0;
    let mut unread = None;
    for (at, line) in chain::lines(bytes).enumerate() {
        end += line.len();
        let followed = if at == 0 { Tail::begin(line) } else { walked.tail.follow(line) };
        let (tail, entry) = match followed.or_else(|flaw| {
            let entry = chain::read(line)?;
            walked.flaw.get_or_insert((at + 1, flaw));
            Ok::<_, Flaw>((Tail { seq: entry.seq, link: chain::Link::to(line) }, entry))
        }) {
            Ok(read) => read,
            Err(flaw) => {
                unread.get_or_insert((at + 1, flaw));
                continue;
            }
        };
        walked.flaw = walked.flaw.or(unread.take());
        walked.tail = tail;
        each(&entry);
        walked.whole = end;
    }
    walked
}

/// The log's files in `dir`, oldest first; the current one, if there is one, last.
pub fn files(dir: &Path) -> Result<Vec<PathBuf>, AuditError> {
    let mut files = closed_files(dir)?;
    let current = dir.join(CURRENT);
    if current.exists() {
        files.push(current);
    }
    Ok(files)
}

/// Follows the chain over all files that are kept, line by line, and hands every entry that can be read to `each`.
/// Returns the first line that does not hold, if one does not ([`AuditError::Flawed`]). Writes nothing.
pub fn follow(dir: &Path, each: impl FnMut(Entry)) -> Result<Option<AuditError>, AuditError> {
    follow_past(dir, None, each)
}

/// The same of a log that once had got to `mark`: it must go on from there, or at least end there
/// ([`AuditError::Lacking`]).
pub fn follow_past(dir: &Path, mark: Option<&Mark>, each: impl FnMut(Entry)) -> Result<Option<AuditError>, AuditError> {
    walk_all(dir, mark, each).map(|(flaw, torn)| flaw.or(torn))
}

/// The same as [`follow`], but a torn end is no flaw, as it is none for [`Log::open`](super::Log::open): it will be set aside before the next
/// line.
pub fn recall(dir: &Path, each: impl FnMut(Entry)) -> Result<Option<AuditError>, AuditError> {
    walk_all(dir, None, each).map(|(flaw, _)| flaw)
}

/// The first line that does not hold and has a readable one at or behind it, or what is not there that `mark` knows of; and
/// the first of those that can not be read at the very end.
fn walk_all(
    dir: &Path,
    mark: Option<&Mark>,
    mut each: impl FnMut(Entry),
) -> Result<(Option<AuditError>, Option<AuditError>), AuditError> {
    let (mut tail, mut first, mut unread): (Option<Tail>, _, _) = (None, None, None);
    for file in files(dir)? {
        let fail = |source| AuditError::Io { act: "read", file: file.clone(), source };
        let mut reader = BufReader::new(files::open(&file, Errand::ReadOwn).map_err(fail)?);
        let mut bytes = Vec::new();
        for line in 1.. {
            bytes.clear();
            if reader.read_until(b'\n', &mut bytes).map_err(fail)? == 0 {
                break;
            }
            let followed = tail.as_ref().map_or_else(|| Tail::begin(&bytes), |tail| tail.follow(&bytes));
            let read = followed.or_else(|flaw| {
                unread.get_or_insert_with(|| AuditError::Flawed { file: file.clone(), line, flaw });
                chain::read(&bytes).map(|entry| (Tail { seq: entry.seq, link: chain::Link::to(&bytes) }, entry))
            });
            if let Ok((next, entry)) = read {
                first = first.or(unread.take());
                if let Some(mark) = mark.filter(|mark| mark.seq == next.seq && mark.hash != next.link.as_str()) {
                    let lack = Lack::Same(mark.seq);
                    first.get_or_insert_with(|| AuditError::Lacking { file: file.clone(), lack });
                }
                tail = Some(next);
                each(entry);
            }
        }
    }
    let last = tail.map_or(0, |tail| tail.seq);
    if let Some(mark) = mark.filter(|mark| mark.seq > last) {
        let lack = if last == 0 { Lack::All } else { Lack::End { last, known: mark.seq } };
        first.get_or_insert_with(|| AuditError::Lacking { file: dir.join(CURRENT), lack });
    }
    Ok((first, unread))
}

/// Every entry that is kept, in a chain that holds. Writes nothing.
pub fn read_all(dir: &Path) -> Result<Vec<Entry>, AuditError> {
    let mut entries = Vec::new();
    match follow(dir, |entry| entries.push(entry))? {
        None => Ok(entries),
        Some(flaw) => Err(flaw),
    }
}

pub(super) fn closed_files(dir: &Path) -> Result<Vec<PathBuf>, AuditError> {
    let fail = |source| AuditError::Io { act: "list", file: dir.to_owned(), source };
    let listing = match fs::read_dir(dir) {
        Ok(listing) => listing,
        Err(error) if error.kind() == io::ErrorKind::NotFound => return Ok(Vec::new()),
        Err(source) => return Err(fail(source)),
    };
    let mut files = Vec::new();
    for item in listing {
        let file = dir.join(item.map_err(fail)?.file_name());
        if first_seq(&file).is_some() {
            files.push(file);
        }
    }
    files.sort();
    Ok(files)
}

/// The names of the torn ends in `dir`, oldest first.
pub(super) fn torn_files(dir: &Path) -> Result<Vec<String>, AuditError> {
    let fail = |source| AuditError::Io { act: "list", file: dir.to_owned(), source };
    let mut names = Vec::new();
    for item in fs::read_dir(dir).map_err(fail)? {
        let name = item.map_err(fail)?.file_name();
        let is_one = |name: &&str| {
            let number = name.strip_prefix(TORN).unwrap_or_default();
            number.len() == 12 && number.bytes().all(|byte| byte.is_ascii_digit())
        };
        names.extend(name.to_str().filter(is_one).map(str::to_owned));
    }
    names.sort();
    Ok(names)
}

/// The number of the first entry in the closed `file`, by its name; `None` where it is no such file.
pub(super) fn first_seq(file: &Path) -> Option<u64> {
    let number = file.file_name()?.to_str()?.strip_prefix("audit.")?.strip_suffix(".jsonl")?;
    let is_one = number.len() == 12 && number.bytes().all(|byte| byte.is_ascii_digit());
    is_one.then(|| number.parse().ok())?
}

pub(super) fn read(path: &Path) -> Result<Vec<u8>, AuditError> {
    files::read(path, Errand::ReadOwn, u64::MAX).map_err(|source| AuditError::Io {
        act: "read",
        file: path.to_owned(),
        source,
    })
}

pub(super) fn read_if_there(path: &Path) -> Result<Option<Vec<u8>>, AuditError> {
    match files::read(path, Errand::ReadOwn, u64::MAX) {
        Ok(bytes) => Ok(Some(bytes)),
        Err(error) if error.kind() == io::ErrorKind::NotFound => Ok(None),
        Err(source) => Err(AuditError::Io { act: "read", file: path.to_owned(), source }),
    }
}
