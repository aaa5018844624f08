//! What the log says, in words for people.
//!
//! Pure.

use std::fmt::Write as _;

use ipnet::IpNet;

use super::chain::{Entry, Known};
use super::propagation::Serving;
use super::{Event, Hands, Word};
use crate::clock::Step;
use crate::provider::Change;
use crate::settings::Via;
use crate::text::short_span;

/// What `entry` says, in words.
pub fn sentence(entry: &Entry) -> String {
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
        Event::Outage { line, family, since, why } => {
            let via = Via { line: line.clone(), family: *family };
            format!("no ruling for {via} since {since}, until now: {why}")
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
        Event::Spread { intent, provider, took_ms, servers, .. } => {
            format!("spread of {intent} at {provider}, in {}: {}", short_span(*took_ms), lags(servers))
        }
        Event::Unspread { intent, provider, took_ms, servers, missing, why, .. } => {
            let missing: Vec<String> = missing.iter().map(ToString::to_string).collect();
            let lags = if servers.is_empty() { String::new() } else { format!("; {}", lags(servers)) };
            let missing = if missing.is_empty() { String::new() } else { format!("; {}", missing.join(", ")) };
            format!("no full spread of {intent} at {provider}, after {}: {why}{missing}{lags}", short_span(*took_ms))
        }
        Event::Found { line, text, .. } => format!("found{}: {text}", on(line.as_deref())),
        Event::Gone { line, about } => format!("gone{}: {about}", on(line.as_deref())),
        Event::Lease { provider, what, other } => {
            let other = |word: &str| other.as_ref().map_or_else(String::new, |other| format!(" {word} {other}"));
            match what {
                Hands::Taken => format!("lease of {provider} taken{}", other("from")),
                Hands::Lost => format!("lease of {provider} lost{}", other("to")),
                Hands::Released => format!("lease of {provider} given back"),
            }
        }
        Event::Ranges { edge, number, came, came_addresses, went, went_addresses, .. } => {
            let part = |what: &str, ranges: &[IpNet], addresses: &str| match ranges {
                [] => String::new(),
                _ => {
                    let first: Vec<String> = ranges.iter().take(4).map(ToString::to_string).collect();
                    let more = if ranges.len() > first.len() { ", …" } else { "" };
                    format!("; {what} {}{more} ({addresses} addresses)", first.join(", "))
                }
            };
            let (came, went) = (part("came", came, came_addresses), part("went", went, went_addresses));
            format!("ranges of {edge}, version {number}{came}{went}")
        }
        Event::Clock(Step { began, was, is }) => {
            format!(
                "the clock was set from {was} to {is}: what this process did before, since {began}, is dated otherwise"
            )
        }
        Event::SetAside { file, bytes, removed } => {
            let removed = if removed.is_empty() { String::new() } else { format!("; removed: {}", removed.join(", ")) };
            format!("a torn line of {bytes} bytes was set aside in {file}{removed}")
        }
    }
}

/// Each server with its lag and serial.
fn lags(servers: &[Serving]) -> String {
    let one = |serving: &Serving| {
        let serial = serving.serial.map_or_else(String::new, |serial| format!(", serial {serial}"));
        format!("{} after {}{serial}", serving.server, short_span(serving.lag_ms))
    };
    servers.iter().map(one).collect::<Vec<_>>().join("; ")
}

fn on(line: Option<&str>) -> String {
    line.map_or_else(String::new, |line| format!(" on {line}"))
}

fn change(change: &Change) -> String {
    let before = change.before.as_ref().map_or_else(|| "nothing".to_owned(), ToString::to_string);
    format!("{} {} {before} → {}, TTL {} s", change.name, change.rtype, change.after, change.after.ttl)
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
