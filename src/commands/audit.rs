//! `fingerpost audit`: the log for people, and its chain, checked. Writes nothing.

use std::collections::BTreeSet;
use std::fs;
use std::io;
use std::path::{Path, PathBuf};

use rustix::termios::tcgetwinsize;

use super::{CommandError, Exit, load_to_look, print, print_json};
use crate::audit::Event;
use crate::audit::chain::{Entry, Known, Lack};
use crate::audit::file::{self, AuditError};
use crate::audit::words::sentence;
use crate::cli::Common;
use crate::clock::{self, Timestamp};
use crate::name::DnsName;
use crate::shown;
use crate::state::{self, StateError};
use crate::status::address_history::{Move, stays};
use crate::status::log_digest::SPAN;

pub(super) fn verify(common: &Common) -> Result<Exit, CommandError> {
    let dir = state_dir(common)?;
    let (files, ends) = match check(&dir) {
        Ok(sound) => sound,
        Err(error) => {
            if common.json {
                print_json(&unsound(&error))?;
            }
            return Err(unreadable(error));
        }
    };
    if common.json {
        let (first, last) = ends.unzip();
        let document = serde_json::json!({ "ok": true, "files": files, "first": first, "last": last });
        print_json(&document)?;
        return Ok(Exit::Done);
    }
    let text = match ends {
        Some((1, last)) => {
            let entries = if last == 1 { "entry" } else { "entries" };
            format!("The chain holds: {last} {entries} in {}.\n", counted(files))
        }
        Some((first, last)) => format!(
            "The chain holds from entry {first} to {last}, in {}; older files were removed by rotation (audit.keep).\n",
            counted(files)
        ),
        None => none_yet(&dir),
    };
    print(&text)?;
    Ok(Exit::Done)
}

/// How many files there are, and the first and last entry in them, of a log that holds.
fn check(dir: &Path) -> Result<(usize, Option<(u64, u64)>), AuditError> {
    let unreadable = |file: &Path| {
        let file = file.to_owned();
        move |source| AuditError::Io { act: "read", file, source }
    };
    fs::metadata(dir).map_err(unreadable(dir))?;
    let state = state::recall(dir).map_err(|error| match error {
        StateError::Io { act, path: file, source } => AuditError::Io { act, file, source },
        other => unreadable(&dir.join(state::FILE))(io::Error::other(other)),
    })?;
    let files = file::files(dir)?.len();
    let mut ends: Option<(u64, u64)> = None;
    let mark = state.as_ref().and_then(|state| state.log.as_ref());
    let flaw =
        file::follow_past(dir, mark, |Entry { seq, .. }| ends = Some((ends.map_or(seq, |(first, _)| first), seq)))?;
    if let Some(flaw) = flaw {
        return Err(flaw);
    }
    // A state that does not tell where the log ended was written by a version that always had one.
    if files == 0 && state.is_some() && mark.is_none() {
        return Err(AuditError::Lacking { file: dir.join(file::CURRENT), lack: Lack::All });
    }
    Ok((files, ends))
}

/// Why the log does not hold, for programs.
fn unsound(error: &AuditError) -> serde_json::Value {
    let (file, line, why) = match error {
        AuditError::Flawed { file, line, flaw } => (Some(file), Some(line), flaw.to_string()),
        AuditError::Lacking { file, lack } => (Some(file), None, lack.to_string()),
        AuditError::Io { file, source, .. } => (Some(file), None, source.to_string()),
        AuditError::Json(error) => (None, None, error.to_string()),
    };
    serde_json::json!({ "ok": false, "file": file.map(|file| file.display().to_string()), "line": line, "why": why })
}

/// What can be read is shown, also behind a line that does not hold; that is told afterwards, as an error.
pub(super) fn show(
    common: &Common,
    record: Option<&str>,
    since: Option<&str>,
    event: Option<&str>,
    csv: bool,
) -> Result<Exit, CommandError> {
    let record = record
        .map(|text| DnsName::parse(text).map_err(|error| CommandError::Usage(format!("--record: {error}"))))
        .transpose()?;
    let since = since.map(|text| moment(text, clock::system().now())).transpose()?;
    let dir = state_dir(common)?;
    let mut concerned = Concerned { record, intents: BTreeSet::new() };
    let mut shown = Vec::new();
    let mut any = false;
    let flaw = file::follow(&dir, |entry| {
        any = true;
        let concerns = concerned.has(&entry);
        let is_event = event.is_none_or(|event| entry.json.get("event").and_then(|name| name.as_str()) == Some(event));
        if concerns && is_event && since.is_none_or(|since| entry.time >= since) {
            shown.push(match common.json {
                _ if csv => row(&entry),
                true => shown::json(&serde_json::Value::Object(entry.json).to_string()).into_owned(),
                false => format!("{:>6}  {}  {}\n", entry.seq, entry.time, shown::escaped(&sentence(&entry))),
            });
        }
    });
    let flaw = flaw.map_err(unreadable)?;
    match common.json {
        _ if csv => print(&format!("seq,time,event,text\r\n{}", shown.concat()))?,
        true if shown.is_empty() => print("[]\n")?,
        true => print(&format!("[\n{}\n]\n", shown.join(",\n")))?,
        false if !any && flaw.is_none() => print(&none_yet(&dir))?,
        false => print(&shown.concat())?,
    }
    flaw.map_or(Ok(Exit::Done), |flaw| Err(flaw.into()))
}

/// One entry as a row of CSV.
fn row(entry: &Entry) -> String {
    let name = entry.json.get("event").and_then(|name| name.as_str()).unwrap_or_default();
    let mut writer = csv::WriterBuilder::new().terminator(csv::Terminator::CRLF).from_writer(Vec::new());
    let fields = [entry.seq.to_string(), entry.time.to_millis_text(), name.to_owned(), sentence(entry)];
    let fields = fields.iter().map(|text| shown::field(text).into_owned());
    // Into memory it is written without fail.
    let _ = writer.write_record(fields.map(String::into_bytes));
    writer.into_inner().map(|bytes| String::from_utf8_lossy(&bytes).into_owned()).unwrap_or_default()
}

/// Where the home has been, as the log has it.
pub(super) fn plot(common: &Common) -> Result<Exit, CommandError> {
    let dir = state_dir(common)?;
    let (mut moves, mut any) = (Vec::new(), false);
    let flaw = file::follow(&dir, |entry| {
        any = true;
        moves.extend(Move::of(&entry));
    });
    let flaw = flaw.map_err(unreadable)?;
    let now = clock::system().now();
    let stays = stays(&moves, now, SPAN);
    if stays.is_empty() && any {
        print("The log that is kept tells of no settled address.\n")?;
    } else if stays.is_empty() {
        print(&none_yet(&dir))?;
    } else {
        let terminal = tcgetwinsize(io::stdout()).ok().map(|size| size.ws_col);
        let width = super::plot::width(terminal, std::env::var("COLUMNS").ok().as_deref());
        print(&super::plot::plot(&stays, now, SPAN, width))?;
    }
    flaw.map_or(Ok(Exit::Done), |flaw| Err(flaw.into()))
}

fn none_yet(dir: &Path) -> String {
    format!("There is no audit log in {} yet; the daemon writes it, and `fingerpost sync`.\n", dir.display())
}

/// Here nothing is to be written, and the daemon may well be able to do what this user is not.
fn unreadable(error: AuditError) -> CommandError {
    match error {
        AuditError::Io { act, file, source } => CommandError::Log { act, file, source },
        other => other.into(),
    }
}

/// Without a `--state-dir` the configuration tells where the log is.
fn state_dir(common: &Common) -> Result<PathBuf, CommandError> {
    match &common.state_dir {
        Some(dir) => Ok(dir.clone()),
        None => Ok(load_to_look(common)?.config.state_dir),
    }
}

/// An RFC 3339 time, or a span back from `now`.
fn moment(text: &str, now: Timestamp) -> Result<Timestamp, CommandError> {
    Timestamp::parse(text).or_else(|| humantime::parse_duration(text).ok().map(|span| now.minus(span))).ok_or_else(
        || {
            CommandError::Usage(format!(
                "--since: {text:?} is neither a time such as 2026-11-24T08:00:00Z nor a span such as 36h"
            ))
        },
    )
}

/// Which entries concern a record: its intents, and their outcomes.
struct Concerned {
    /// None for every record, and what concerns no record.
    record: Option<DnsName>,
    intents: BTreeSet<u64>,
}

impl Concerned {
    /// Whether `entry`, the next of the log, is one of them.
    fn has(&mut self, entry: &Entry) -> bool {
        let Some(record) = &self.record else { return true };
        match &entry.event {
            Known::Yes(Event::Intent { changes, .. }) => {
                changes.iter().any(|change| change.name == *record) && self.intents.insert(entry.seq)
            }
            Known::Yes(
                Event::Outcome { intent, .. } | Event::Spread { intent, .. } | Event::Unspread { intent, .. },
            ) => self.intents.contains(intent),
            _ => false,
        }
    }
}

fn counted(files: usize) -> String {
    if files == 1 { "1 file".to_owned() } else { format!("{files} files") }
}
