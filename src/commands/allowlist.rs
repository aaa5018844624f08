//! `fingerpost allowlist`: the ranges of the edge, fetched, compared and written.

use std::fmt::Write as _;

use super::say::{Paint, Tone};
use super::{CommandError, Exit, block_on, load_to_look, print, print_json};
use crate::allowlist::{self, Outcome, Report};
use crate::cli::Common;
use crate::clock::Clock;

pub(super) fn fetch(common: &Common, accept: bool) -> Result<Exit, CommandError> {
    // No provider is asked for anything, so none of their secrets is needed.
    let config = load_to_look(common)?.config;
    let reports = block_on(allowlist::fetch(&config, accept, Clock::system().now()))??;
    let exit = reports.iter().map(|report| exit(&report.outcome)).max().unwrap_or(Exit::Done);
    if common.json {
        print_json(&serde_json::json!({ "edges": reports }))?;
    } else {
        print(&told(&reports, Paint::stdout()))?;
    }
    Ok(exit)
}

/// A list that is not believed weighs most if only its owner can put it right.
fn exit(outcome: &Outcome) -> Exit {
    match outcome {
        Outcome::Same | Outcome::Taken { .. } => Exit::Done,
        Outcome::Refused { acceptable: false, .. } => Exit::Data,
        Outcome::Refused { acceptable: true, .. } => Exit::Refused,
        Outcome::Unreachable { .. } => Exit::PutOff,
    }
}

fn told(reports: &[Report], paint: Paint) -> String {
    let width = reports.iter().map(|report| report.edge.chars().count()).max().unwrap_or(0);
    let mut text = String::new();
    for report in reports {
        let (edge, ranges) = (&report.edge, counted(report.ranges.len(), "range"));
        let in_force = match (report.number, report.since) {
            (Some(number), Some(since)) => format!("version {number} since {since}, {ranges}"),
            _ => "nothing is in force yet".to_owned(),
        };
        let (tone, what) = match &report.outcome {
            Outcome::Same => (Tone::Good, "as before".to_owned()),
            Outcome::Taken { .. } => (Tone::Strong, "taken".to_owned()),
            Outcome::Refused { why, .. } => (Tone::Amiss, format!("not taken: {why}")),
            Outcome::Unreachable { why } => (Tone::Amiss, format!("not fetched: {why}")),
        };
        let _ = writeln!(text, "{edge:width$}  {}", paint.tone(tone, &what));
        let _ = writeln!(text, "{:width$}  {}", "", paint.tone(Tone::Faint, &format!("in force: {in_force}")));
        if let Outcome::Taken { came, went, .. } = &report.outcome {
            for (sign, ranges) in [("+", came), ("-", went)] {
                for range in ranges.iter().take(SHOWN) {
                    let _ = writeln!(text, "{:width$}  {sign} {range}", "");
                }
                if ranges.len() > SHOWN {
                    let _ = writeln!(text, "{:width$}  {sign} and {} more", "", ranges.len() - SHOWN);
                }
            }
        }
        for note in &report.notes {
            let _ = writeln!(text, "{:width$}  note: {note}", "");
        }
    }
    text
}

/// How many ranges are shown of a long list; `--json` has all of them.
const SHOWN: usize = 20;

fn counted(count: usize, what: &str) -> String {
    if count == 1 { format!("1 {what}") } else { format!("{count} {what}s") }
}
