//! `fingerpost status`: what the running daemon knows, or what the last one left behind. Writes nothing.

use std::fmt::Write as _;
use std::path::Path;
use std::time::Duration;

use super::{CommandError, Exit, load_to_look, print, print_json};
use crate::address::Family;
use crate::audit::file;
use crate::cli::Common;
use crate::clock::{self, Timestamp};
use crate::exposure::Grade;
use crate::round::{Actors, RoundError};
use crate::say::{Paint, Tone};
use crate::settings::Config;
use crate::status::ask::{self, AskError};
use crate::status::log_digest::LogDigest;
use crate::status::model::{Record, State, Status};
use crate::status::{build, edges, words};
use crate::text::chain_of;
use crate::{shown, text, update};

pub(super) fn run(common: &Common, follow: bool) -> Result<Exit, CommandError> {
    // What runs is asked also while the file beside it does not hold, after a reload that was refused say. Where a
    // `--state-dir` says whom to ask, the file is read only when nobody is there.
    let loaded = common.state_dir.is_none().then(|| load_to_look(common));
    let dir = match &loaded {
        Some(Ok(loaded)) => loaded.config.state_dir.clone(),
        _ => super::state_dir(common),
    };
    let told = if follow { self::follow(common, &dir) } else { now(common, &dir) };
    match (told, loaded) {
        (Err(CommandError::Ask(AskError::Nobody { .. })), loaded) if !follow => {
            let config = loaded.unwrap_or_else(|| load_to_look(common))?.config;
            show(common, &left_behind(&config)?)
        }
        (Err(_), Some(Err(error))) => Err(error.into()),
        (told, Some(Err(error))) => {
            tracing::warn!("the configuration does not hold; the daemon goes on with the one that it has:\n{error}");
            told
        }
        (told, _) => told,
    }
}

/// What the daemon knows.
fn now(common: &Common, dir: &Path) -> Result<Exit, CommandError> {
    show(common, &ask::status(dir)?)
}

fn show(common: &Common, status: &Status) -> Result<Exit, CommandError> {
    if common.json {
        print_json(status)?;
    } else {
        print(&told(status, Paint::stdout()))?;
    }
    Ok(exit(status))
}

/// For people a line whenever the sentence or a state has changed; as JSON a document a line whenever anything has.
fn follow(common: &Common, dir: &Path) -> Result<Exit, CommandError> {
    let mut before = String::new();
    let mut failed = None;
    let ended = ask::follow(dir, || {
        let status = match ask::status(dir) {
            // It ends just now, as the stream will say.
            Err(AskError::Nobody { .. } | AskError::Broken { .. }) => return Ok(true),
            asked => asked?,
        };
        let line = if common.json {
            let line = serde_json::to_string(&status).map_err(|error| AskError::Strange { why: error.to_string() })?;
            shown::json(&line).into_owned()
        } else {
            let mut line = status.sentence.clone();
            for need in &status.needs {
                let _ = write!(line, " {need}.");
            }
            if line == before {
                return Ok(true);
            }
            before.clone_from(&line);
            format!("{}  {line}", status.time)
        };
        failed = print(&format!("{line}\n")).err();
        Ok(failed.is_none())
    });
    match failed {
        Some(error) => Err(error),
        None => ended.map(|()| Exit::Done).map_err(CommandError::from),
    }
}

/// What the state file and the audit log tell.
fn left_behind(config: &Config) -> Result<Status, CommandError> {
    let mut state = update::peek(config).map_err(RoundError::from)?;
    let actors = Actors::new(config.clone(), clock::system()).map_err(RoundError::from)?;
    state.ledger.settle(actors.sites());
    let mut memory = LogDigest::default();
    let flaw = file::recall(&config.state_dir, |entry| memory.hear(entry))?;
    let flaw = flaw.map(|flaw| chain_of(&flaw));
    Ok(build::left_behind(config, &state, &memory, edges(config), flaw, clock::system().now()))
}

fn exit(status: &Status) -> Exit {
    let any = |state| status.records.iter().any(|record| record.state == state);
    if !status.running {
        Exit::NoRuling
    } else if any(State::Blocked) || any(State::HeldBack) || status.providers.iter().any(|one| one.held_since.is_some())
    {
        Exit::Refused
    } else if status.records.iter().any(|record| record.state == State::Adrift && record.wanted.is_some())
        || status.homes.iter().any(|home| home.address.is_some() && home.address != home.settled)
    {
        // Not yet, or not yet settled.
        Exit::PutOff
    } else if status.rounds == 0
        || status.homes.iter().any(|home| home.address.is_none() && !has_other(status, home.family))
    {
        Exit::NoRuling
    } else if any(State::Adrift) || any(State::Unknown) {
        // Its turn comes.
        Exit::PutOff
    } else if status.needs.is_empty() {
        Exit::Done
    } else {
        Exit::Differs
    }
}

/// A line may be down as long as another one of the family is not.
fn has_other(status: &Status, family: Family) -> bool {
    status.homes.iter().any(|home| home.family == family && home.address.is_some())
}

fn told(status: &Status, paint: Paint) -> String {
    let mut text = format!("{}\n", paint.tone(Tone::Strong, &status.sentence));
    if !status.running {
        let start = "start it: sudo systemctl enable --now fingerpost, or fingerpost daemon";
        let _ = writeln!(text, "{} {start}", paint.tone(Tone::Amiss, "!"));
    }
    for need in &status.needs {
        let _ = writeln!(text, "{} {need}", paint.tone(Tone::Amiss, "!"));
    }
    let ago = |time: Option<Timestamp>| time.map(|time| format!("{} ago", text::span(status.time.since(time))));
    records(&mut text, &status.records, paint);
    homes(&mut text, status, paint);
    heading(&mut text, "providers", !status.providers.is_empty(), paint);
    for provider in &status.providers {
        let read = ago(provider.last_read).map_or_else(|| "not read yet".to_owned(), |ago| format!("read {ago}"));
        let written = ago(provider.last_write).map(|ago| format!(", written {ago}")).unwrap_or_default();
        let (left, daily) = (provider.left_today, provider.daily);
        let until = provider.put_off_until.map(|until| format!(", a write waits until {}", words::moment(until)));
        let until = until.unwrap_or_default();
        let standby = if provider.standing_by { ", standing by" } else { "" };
        let _ =
            writeln!(text, "{}  {read}{written}, {left} of {daily} writes left today{until}{standby}", provider.name);
    }
    heading(&mut text, "who can get in", !(status.edges.is_empty() && status.exposure.is_empty()), paint);
    for edge in &status.edges {
        let since = edge.since.map(|since| format!(" since {}", words::moment(since))).unwrap_or_default();
        let version =
            edge.number.map_or_else(|| "no ranges yet".to_owned(), |number| format!("version {number}{since}"));
        let _ = writeln!(text, "edge {}  {version}, {} ranges", edge.name, edge.ranges);
    }
    for check in &status.exposure {
        let tone = match check.grade {
            Grade::Good => Tone::Good,
            Grade::Amiss => Tone::Amiss,
            Grade::Unknown => Tone::Faint,
        };
        let grade = paint.tone(tone, &format!("{:7}", check.grade));
        let _ = writeln!(text, "{}  {:11}  {grade}  {}", check.about, check.check, check.seen);
    }
    heading(&mut text, "the log", true, paint);
    let chain = status.log.flaw.as_deref().map_or("its chain held at the start", |_| "its chain does not hold");
    let entries = if status.log.entries == 1 { "entry" } else { "entries" };
    let _ = writeln!(text, "{} {entries}, {chain}", status.log.entries);
    for line in status.log.last.iter().take(3) {
        let _ = writeln!(text, "{}  {}", line.time, line.text);
    }
    if let Some(next) = status.next_round {
        let wait = text::span(Duration::from_millis(next.millis().saturating_sub(status.time.millis())));
        let _ = writeln!(text, "\n{} rounds since the start; the next one in {wait}", status.rounds);
    }
    text
}

fn heading(text: &mut String, words: &str, any: bool, paint: Paint) {
    if any {
        let _ = writeln!(text, "\n{}", paint.tone(Tone::Faint, words));
    }
}

fn homes(text: &mut String, status: &Status, paint: Paint) {
    let words = if status.running { "the vote" } else { "the home" };
    heading(text, words, !status.homes.is_empty(), paint);
    for home in &status.homes {
        let via = home.via();
        let settled = home.settled.as_ref().map(|settled| format!("last settled at {settled}"));
        if !status.running {
            let _ = writeln!(text, "{via}  {}", settled.unwrap_or_else(|| "never settled".to_owned()));
            continue;
        }
        let (agreed, all) = (home.agreed.len(), home.operators);
        let _ = match &home.address {
            Some(address) => {
                writeln!(text, "{via}  {address}   {agreed} of {all}: {}", home.agreed.join(", "))
            }
            None => {
                let settled = settled.map(|settled| format!("; {settled}")).unwrap_or_default();
                writeln!(text, "{via}  no ruling   {agreed} of {all}{settled}")
            }
        };
        let mut faintly = |said: String| writeln!(text, "      {}", paint.tone(Tone::Faint, &said));
        for said in &home.dissent {
            let _ = faintly(format!("{} says {}", said.operator, said.what));
        }
        for said in &home.silent {
            let _ = faintly(format!("{}: {}", said.operator, said.what));
        }
    }
}

fn records(text: &mut String, records: &[Record], paint: Paint) {
    heading(text, "records", !records.is_empty(), paint);
    let width = records.iter().map(|record| record.name.as_str().len()).max().unwrap_or(0);
    for record in records {
        let tone = match record.state {
            State::InStep => Tone::Good,
            State::Spreading | State::Standby | State::Unknown => Tone::Strong,
            State::Adrift | State::HeldBack | State::Blocked => Tone::Amiss,
        };
        let there = record.at_provider.join(", ");
        let wanted = record.wanted.clone().unwrap_or_default();
        let values = match record.state {
            State::InStep | State::Spreading => there,
            _ if wanted.is_empty() => there,
            _ if there.is_empty() => format!("wants {wanted}"),
            _ => format!("{there}, wants {wanted}"),
        };
        let state = paint.tone(tone, record.state.word());
        let mut note = record.behind.join(", ");
        note.push_str(&record.note);
        let colon = if note.is_empty() { "" } else { ": " };
        let _ = writeln!(text, "{:width$}  {:4}  {values}   {state}{colon}{note}", record.name.as_str(), record.rtype);
    }
}
