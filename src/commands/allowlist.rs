//! `fingerpost allowlist`: the ranges of the edge, fetched, compared and written.

use std::fmt::Write as _;

use ipnet::IpNet;

use super::{CommandError, Exit, block_on, load_to_look, print, print_json};
use crate::address::Family;
use crate::allowlist::compare::{Ranges, Verdict, grouped};
use crate::allowlist::{self, AllowlistError, Compared, Outcome, Reload, Rendered, Report};
use crate::cli::Common;
use crate::clock;
use crate::say::{Paint, Tone};

pub(super) fn fetch(common: &Common, accept: bool) -> Result<Exit, CommandError> {
    // No provider is asked for anything, so none of their secrets is needed.
    let config = load_to_look(common)?.config;
    let reports = block_on(allowlist::fetch(&config, accept, clock::system().now()))??;
    let exit = reports.iter().map(|report| exit(&report.outcome)).max().unwrap_or(Exit::Done);
    if common.json {
        print_json(&serde_json::json!({ "edges": reports }))?;
    } else {
        print(&told(&reports, Paint::stdout()))?;
    }
    Ok(exit)
}

pub(super) fn render(common: &Common) -> Result<Exit, CommandError> {
    let config = load_to_look(common)?.config;
    let rendered = block_on(allowlist::write(&config, Reload::Always))??;
    if rendered.is_empty() {
        return Err(AllowlistError::NoFile.into());
    }
    if common.json {
        print_json(&serde_json::json!({ "files": rendered }))?;
    } else {
        print(&files(&rendered, Paint::stdout()))?;
    }
    Ok(if rendered.iter().all(|one| one.trouble.is_none()) { Exit::Done } else { Exit::CannotWrite })
}

fn files(rendered: &[Rendered], paint: Paint) -> String {
    let mut text = String::new();
    for one in rendered {
        let (tone, what) = match (&one.trouble, one.changed, one.reloaded) {
            (Some(why), ..) => (Tone::Amiss, why.clone()),
            (None, true, true) => (Tone::Strong, "written, and in effect".to_owned()),
            (None, true, false) => (Tone::Strong, "written".to_owned()),
            (None, false, true) => (Tone::Good, "as before, and in effect".to_owned()),
            (None, false, false) => (Tone::Good, "as before".to_owned()),
        };
        let _ = writeln!(text, "{}  {}", one.file.display(), paint.tone(tone, &what));
    }
    text
}

pub(super) fn compare(common: &Common) -> Result<Exit, CommandError> {
    let config = load_to_look(common)?.config;
    let compared = block_on(allowlist::compare(&config))??;
    if common.json {
        print_json(&serde_json::json!({ "ports": compared }))?;
    } else {
        print(&differences(&compared, Paint::stdout()))?;
    }
    let verdicts: Vec<Verdict> = compared.iter().map(|one| one.comparison.verdict()).collect();
    Ok(if verdicts.contains(&Verdict::Differs) {
        Exit::Differs
    } else if verdicts.contains(&Verdict::Unknown) {
        Exit::NoRuling
    } else {
        Exit::Done
    })
}

fn differences(compared: &[Compared], paint: Paint) -> String {
    let mut text = String::new();
    for Compared { port, comparison } in compared {
        let tone = if comparison.verdict() == Verdict::Same { Tone::Good } else { Tone::Amiss };
        let _ = writeln!(text, "port {port}  {}", paint.tone(tone, &comparison.sum()));
        for surplus in &comparison.surplus {
            ranges(&mut text, "surplus", &surplus.who, &format!(" by {}", surplus.by));
        }
        if !comparison.missing.ranges.is_empty() {
            ranges(&mut text, "missing", &comparison.missing, "");
        }
        for kept in &comparison.kept_out {
            let _ = writeln!(text, "           kept out by {}: {}", kept.by, kept.who);
        }
        for unknown in &comparison.unknown {
            ranges(&mut text, "unknown", &unknown.who, &format!(": {}, {}", unknown.by, unknown.why));
        }
        if !comparison.not_counted.ranges.is_empty() {
            for (family, ranges) in by_family(&comparison.not_counted) {
                let addresses = grouped(comparison.not_counted.addresses.of(family));
                let note = format!(
                    "not counted: {} that nobody outside has ({addresses} {family})",
                    counted(ranges.len(), "range")
                );
                let _ = writeln!(text, "  {}", paint.tone(Tone::Faint, &note));
            }
        }
    }
    text
}

fn by_family(who: &Ranges) -> impl Iterator<Item = (Family, Vec<IpNet>)> + '_ {
    let of = |family| who.ranges.iter().copied().filter(|range| Family::of(range.addr()) == family).collect();
    Family::BOTH.map(|family| (family, of(family))).into_iter().filter(|(_, ranges): &(_, Vec<_>)| !ranges.is_empty())
}

/// Ranges of one kind, and what makes them so.
fn ranges(text: &mut String, kind: &str, who: &Ranges, by: &str) {
    for (family, ranges) in by_family(who) {
        let (addresses, count) = (grouped(who.addresses.of(family)), counted(ranges.len(), "range"));
        let _ = writeln!(
            text,
            "  {kind}  {addresses} {family} {} in {count}{by}",
            if addresses == "1" { "address" } else { "addresses" }
        );
        for range in ranges.iter().take(FEW) {
            let _ = writeln!(text, "           {range}");
        }
        if ranges.len() > FEW {
            let _ = writeln!(text, "           and {} more (--json has all)", ranges.len() - FEW);
        }
    }
}

/// How many ranges of a difference are shown.
const FEW: usize = 8;

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
