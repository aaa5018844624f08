//! Reads the log's files, and follows the chain through them. Writes nothing.

use std::fs::{self, File};
use std::io::{self, BufRead, BufReader, Read};
use std::path::{Path, PathBuf};

use super::{AuditError, CURRENT, TORN};
use crate::audit::chain::{self, Entry, Flaw, Lack, Mark, Tail};
use crate::files::{self, Errand};

pub(super) struct Walked {
    pub(super) tail: Tail,
    /// Bytes up to the end of the last readable line.
    pub(super) whole: u64,
    /// The first line, from 1, that does not follow, and why.
    pub(super) flaw: Option<(usize, Flaw)>,
}

/// The longest line that is read, in bytes. Nothing longer was ever written: an entry of 10,000 changes is a tenth of it.
pub(super) const LONGEST: usize = 16 << 20;

/// What the next line of a file is.
enum Next {
    Line,
    /// Longer than any of ours; where it ends, nobody looks.
    Long,
    End,
}

/// Reads the next line into `line`, newline included; the last may lack one.
fn next(reader: &mut impl BufRead, line: &mut Vec<u8>) -> io::Result<Next> {
    line.clear();
    match reader.take(LONGEST as u64 + 1).read_until(b'\n', line)? {
        0 => Ok(Next::End),
        length if length > LONGEST => Ok(Next::Long),
        _ => Ok(Next::Line),
    }
}

fn too_long() -> Flaw {
    Flaw::Unreadable(format!("it is longer than {LONGEST} bytes, and nothing behind it is read"))
}

/// Follows the chain through one file and hands every entry that can be read to `each`. What cannot be read at its very end
/// is torn, and no flaw.
pub(super) fn walk(file: impl Read, mut each: impl FnMut(&Entry)) -> io::Result<Walked> {
    let mut walked = Walked { tail: Tail::origin(), whole: 0, flaw: None };
    let (mut reader, mut bytes) = (BufReader::new(file), Vec::new());
    let mut end = 0;
    let mut unread = None;
    for at in 1.. {
        match next(&mut reader, &mut bytes)? {
            Next::Line => {}
            Next::End => break,
            Next::Long => {
                unread.get_or_insert((at, too_long()));
                break;
            }
        }
        end += bytes.len() as u64;
        let followed = if at == 1 { Tail::begin(&bytes) } else { walked.tail.follow(&bytes) };
        let (tail, entry) = match followed.or_else(|flaw| {
            let entry = chain::read(&bytes)?;
            walked.flaw.get_or_insert((at, flaw));
            Ok::<_, Flaw>((Tail { seq: entry.seq, link: chain::Link::to(&bytes) }, entry))
        }) {
            Ok(read) => read,
            Err(flaw) => {
                unread.get_or_insert((at, flaw));
                continue;
            }
        };
        walked.flaw = walked.flaw.or(unread.take());
        walked.tail = tail;
        each(&entry);
        walked.whole = end;
    }
    Ok(walked)
}

/// The number of the first entry in `file` that can be read.
pub(super) fn first_entry(file: impl Read) -> io::Result<Option<u64>> {
    let (mut reader, mut bytes) = (BufReader::new(file), Vec::new());
    while let Next::Line = next(&mut reader, &mut bytes)? {
        if let Ok(entry) = chain::read(&bytes) {
            return Ok(Some(entry.seq));
        }
    }
    Ok(None)
}

/// The log's files in `dir`, oldest first; the current one, if there is one, last.
pub fn files(dir: &Path) -> Result<Vec<PathBuf>, AuditError> {
    let mut files = closed_files(dir)?;
    let current = dir.join(CURRENT);
    if current.symlink_metadata().is_ok() {
        files.push(current);
    }
    Ok(files)
}

/// Follows the chain over all files that are kept, line by line, and hands every entry that can be read to `each`.
/// Returns the first line that does not hold, if one does not ([`AuditError::Flawed`]). Writes nothing.
pub fn follow(dir: &Path, each: impl FnMut(Entry)) -> Result<Option<AuditError>, AuditError> {
    follow_past(dir, None, each)
}

/// Follows the chain as [`follow`] does, of a log that once had got to `mark`: it must go on from there, or at least
/// end there ([`AuditError::Lacking`]).
pub fn follow_past(
    dir: &Path,
    mark: Option<&Mark>,
    mut each: impl FnMut(Entry),
) -> Result<Option<AuditError>, AuditError> {
    walk_all(dir, mark, |entry, _| each(entry)).map(|(flaw, torn)| flaw.or(torn))
}

/// Hands every entry that can be read to `each`, and whether it follows from all before it. Writes nothing.
pub fn links(dir: &Path, each: impl FnMut(Entry, bool)) -> Result<(), AuditError> {
    walk_all(dir, None, each).map(|_| ())
}

/// As [`follow`]; but a torn end is no flaw, as it is none for [`Log::open`](super::Log::open): it will be set aside
/// before the next line.
pub fn recall(dir: &Path, mut each: impl FnMut(Entry)) -> Result<Option<AuditError>, AuditError> {
    walk_all(dir, None, |entry, _| each(entry)).map(|(flaw, _)| flaw)
}

/// The first line that does not hold and has a readable one at or behind it, or what is not there that `mark` knows of; and
/// the first of those that can not be read at the very end.
fn walk_all(
    dir: &Path,
    mark: Option<&Mark>,
    mut each: impl FnMut(Entry, bool),
) -> Result<(Option<AuditError>, Option<AuditError>), AuditError> {
    let (mut tail, mut first, mut unread): (Option<Tail>, _, _) = (None, None, None);
    for file in files(dir)? {
        let fail = |source| AuditError::Io { act: "read", file: file.clone(), source };
        let mut reader = BufReader::new(files::open(&file, Errand::ReadOwn).map_err(fail)?);
        let mut bytes = Vec::new();
        for line in 1.. {
            match next(&mut reader, &mut bytes).map_err(fail)? {
                Next::Line => {}
                Next::End => break,
                Next::Long => {
                    unread.get_or_insert_with(|| AuditError::Flawed { file: file.clone(), line, flaw: too_long() });
                    break;
                }
            }
            let followed = tail.as_ref().map_or_else(|| Tail::begin(&bytes), |tail| tail.follow(&bytes));
            let follows = followed.is_ok() && unread.is_none();
            let read = followed.or_else(|flaw| {
                unread.get_or_insert_with(|| AuditError::Flawed { file: file.clone(), line, flaw });
                chain::read(&bytes).map(|entry| (Tail { seq: entry.seq, link: chain::Link::to(&bytes) }, entry))
            });
            if let Ok((last, entry)) = read {
                first = first.or(unread.take());
                if let Some(mark) = mark.filter(|mark| mark.seq == last.seq && mark.hash != last.link.as_str()) {
                    let lack = Lack::Same(mark.seq);
                    first.get_or_insert_with(|| AuditError::Lacking { file: file.clone(), lack });
                }
                tail = Some(last);
                each(entry, follows);
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

/// The file at `path`, to be read.
pub(super) fn open(path: &Path) -> Result<File, AuditError> {
    files::open(path, Errand::ReadOwn).map_err(|source| AuditError::Io { act: "read", file: path.to_owned(), source })
}

pub(super) fn open_if_there(path: &Path) -> Result<Option<File>, AuditError> {
    match files::open(path, Errand::ReadOwn) {
        Ok(file) => Ok(Some(file)),
        Err(error) if error.kind() == io::ErrorKind::NotFound => Ok(None),
        Err(source) => Err(AuditError::Io { act: "read", file: path.to_owned(), source }),
    }
}
