//! `fingerpost audit`: the log for people, and its chain, checked. Writes nothing.

use std::fmt::Write as _;
use std::path::PathBuf;

use super::{CommandError, Exit, load_to_look, print, print_json, say};
use crate::audit::chain::{Entry, Known};
use crate::audit::{Event, Word, file};
use crate::cli::Common;
use crate::clock::{Clock, Timestamp};
use crate::name::DnsName;
use crate::provider::Change;
use crate::watch::Via;

pub(super) fn verify(common: &Common) -> Result<Exit, CommandError> {
    let dir = state_dir(common)?;
    let files = file::files(&dir)?.len();
    let entries = file::read_all(&dir)?;
    let first = entries.first().map(|entry| entry.seq);
    let last = entries.last().map(|entry| entry.seq);
    if common.json {
        let document = serde_json::json!({ "ok": true, "files": files, "first": first, "last": last });
        print_json(&document)?;
        return Ok(Exit::Done);
    }
    let text = match (first, last) {
        (Some(1), Some(last)) => format!("The chain holds: {last} entries in {files} files.\n"),
        (Some(first), Some(last)) => format!(
            "The chain holds from entry {first} to {last}, in {files} files; older files were removed by rotation (audit.keep).\n"
        ),
        _ => format!("There is no audit log in {} yet.\n", dir.display()),
    };
    print(&text)?;
    Ok(Exit::Done)
}

pub(super) fn show(
    common: &Common,
    record: Option<&str>,
    since: Option<&str>,
    event: Option<&str>,
) -> Result<Exit, CommandError> {
    let record = record
        .map(|text| DnsName::parse(text).map_err(|error| CommandError::Usage(format!("--record: {error}"))))
        .transpose()?;
    let since = since.map(|text| moment(text, Clock::system().now())).transpose()?;
    let entries = file::read_all(&state_dir(common)?)?;
    let intents = intents_of(&entries, record.as_ref());
    let wanted = entries.iter().filter(|entry| {
        since.is_none_or(|since| entry.time >= since)
            && event.is_none_or(|event| entry.json.get("event").and_then(|name| name.as_str()) == Some(event))
            && record.as_ref().is_none_or(|_| match &entry.event {
                Known::Yes(Event::Outcome { intent, .. }) => intents.contains(intent),
                _ => intents.contains(&entry.seq),
            })
    });
    if common.json {
        print_json(&wanted.map(|entry| &entry.json).collect::<Vec<_>>())?;
        return Ok(Exit::Done);
    }
    let mut text = String::new();
    for entry in wanted {
        let _ = writeln!(text, "{:>6}  {}  {}", entry.seq, entry.time, sentence(entry));
    }
    print(&text)?;
    Ok(Exit::Done)
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

/// The `seq` of the intents that concern `record`.
fn intents_of(entries: &[Entry], record: Option<&DnsName>) -> Vec<u64> {
    let concerns = |entry: &&Entry| match &entry.event {
        Known::Yes(Event::Intent { changes, .. }) => changes.iter().any(|change| Some(&change.name) == record),
        _ => false,
    };
    entries.iter().filter(concerns).map(|entry| entry.seq).collect()
}

fn sentence(entry: &Entry) -> String {
    let event = match &entry.event {
        Known::Yes(event) => event,
        Known::No(name) => return format!("{name} (an event of another version)"),
    };
    match event {
        Event::Settled { line, family, from, to, word } => {
            let via = Via { line: line.clone(), family: *family };
            let from = from.map_or_else(String::new, |from| format!("{from} → "));
            format!("settled {via} {from}{to}, {}", on_the_word_of(word))
        }
        Event::Intent { provider, target, changes, .. } => {
            let changes: Vec<String> = changes.iter().map(change).collect();
            format!("intent at {provider} ({target}): {}", changes.join("; "))
        }
        Event::Outcome { intent, result, detail, .. } => {
            let detail = if detail.is_empty() { String::new() } else { format!(": {detail}") };
            format!("outcome of {intent}: {}{detail}", result.word())
        }
        Event::Hold { provider, why } => format!("hold on {provider}: {why}"),
        Event::Release { provider, why } => format!("release of {provider}: {why}"),
        Event::Found { line, text, .. } => format!("found{}: {text}", on(line.as_deref())),
        Event::Gone { line, about } => format!("gone{}: {about}", on(line.as_deref())),
        Event::SetAside { file, bytes } => format!("a torn line of {bytes} bytes was set aside in {file}"),
    }
}

fn on(line: Option<&str>) -> String {
    line.map_or_else(String::new, |line| format!(" on {line}"))
}

fn change(change: &Change) -> String {
    let before = change.before.as_ref().map_or_else(|| "nothing".to_owned(), say::list);
    format!("{} {} {before} → {}, TTL {} s", change.name, change.rtype, say::list(&change.after), change.after.ttl)
}

fn on_the_word_of(word: &Word) -> String {
    let mut text = format!("on the word of {}", word.agreed.join(", "));
    if !word.dissent.is_empty() {
        let _ = write!(text, "; against: {}", word.dissent.join(", "));
    }
    if !word.silent.is_empty() {
        let _ = write!(text, "; silent: {}", word.silent.join(", "));
    }
    text
}
