//! The status in words: the sentence that comes first, what needs a person, spans and counts. Pure.

use std::fmt::Write as _;

use super::model::{Home, Record, State, Status, Vote};
use crate::clock::Timestamp;
use crate::exposure::Grade;

/// How many are named where there may be many.
const NAMED: usize = 3;

/// The sentence for whoever reads only this: how many names are in step, where the home is, since when, on whose word.
pub fn sentence(status: &Status) -> String {
    if !status.running {
        return left_behind(status);
    }
    let mut text = in_step(&status.records);
    if status.rounds == 0 {
        return "The first round is under way.".to_owned();
    }
    for home in &status.homes {
        text.push(' ');
        text.push_str(&where_it_is(home));
    }
    text
}

/// Without a daemon: whether a record is in step is not known.
fn left_behind(status: &Status) -> String {
    let seen = status.records.iter().filter(|record| !record.at_provider.is_empty()).count();
    let mut text = format!(
        "No daemon runs here; what it left behind: {}",
        match seen {
            0 => "no record was seen in step.".to_owned(),
            1 => "1 record as it was last seen.".to_owned(),
            seen => format!("{seen} records as they were last seen."),
        }
    );
    for home in &status.homes {
        if let Some(settled) = &home.settled {
            let _ = write!(text, " {} was last settled at {settled}{}.", subject(home), since(home));
        }
    }
    text
}

/// How many records are in step.
fn in_step(records: &[Record]) -> String {
    let (all, good) = (records.len(), of(records, State::InStep));
    let mut text = match (all, good) {
        (0, _) => "No record is known yet.".to_owned(),
        (1, 1) => "The one record is in step.".to_owned(),
        (all, good) if all == good => format!("All {all} records are in step."),
        (all, good) => format!("{good} of {all} records {} in step.", if good == 1 { "is" } else { "are" }),
    };
    let others: Vec<String> = State::ALL
        .into_iter()
        .filter(|state| *state != State::InStep)
        .filter_map(|state| Some((state, of(records, state))).filter(|(_, count)| *count > 0))
        .map(|(state, count)| format!("{count} {}", state.word()))
        .collect();
    if !others.is_empty() {
        text.pop();
        text.push_str(&format!(", {}.", others.join(", ")));
    }
    text
}

fn of(records: &[Record], state: State) -> usize {
    records.iter().filter(|record| record.state == state).count()
}

fn subject(home: &Home) -> String {
    home.line.as_ref().map_or_else(|| "The home".to_owned(), |line| format!("The line {line}"))
}

/// Since when it is where it is, as the end of a clause.
fn since(home: &Home) -> String {
    home.since.map_or_else(String::new, |since| format!(" since {}", moment(since)))
}

fn where_it_is(home: &Home) -> String {
    let (subject, since) = (subject(home), since(home));
    let family = home.family;
    match (&home.address, &home.settled) {
        (Some(address), Some(settled)) if address == settled => {
            let (agreed, all) = (home.agreed.len(), home.operators);
            format!("{subject} is at {address}{since}, on the word of {agreed} of {all} operators.")
        }
        (Some(address), _) => format!("{subject} may have moved to {address}: it is being settled."),
        (None, settled) => {
            let last = settled.as_ref().map_or_else(String::new, |settled| format!("; it was last at {settled}"));
            format!("{subject} has no ruling for {family}{last}.")
        }
    }
}

/// What changes when something has happened: the newest round, and everything in it that a page or a person would show.
pub fn news(status: &Status) -> String {
    let records = status.records.iter().map(|record| record.state.word());
    let exposed = status.exposed.map_or(0, Timestamp::millis);
    let records = records.fold(std::collections::BTreeMap::<_, usize>::new(), |mut all, state| {
        *all.entry(state).or_default() += 1;
        all
    });
    format!("{} {} {exposed} {records:?} {}", status.rounds, status.log.entries, status.sentence)
}

/// What a person has to act on, or what cannot be told, a line each.
pub fn needs(status: &Status) -> Vec<String> {
    let mut needs = Vec::new();
    let blocked: Vec<&Record> = status.records.iter().filter(|record| record.state == State::Blocked).collect();
    needs.extend(blocked.iter().take(NAMED).map(|one| format!("{} {} is blocked: {}", one.name, one.rtype, one.note)));
    if blocked.len() > NAMED {
        needs.push(format!("{} more records are blocked", blocked.len() - NAMED));
    }
    for provider in &status.providers {
        match (&provider.trouble, provider.held_since) {
            (Some(why), Some(since)) => {
                needs.push(format!("{} is on hold since {}: {why}", provider.name, moment(since)));
            }
            (Some(why), None) if !provider.standing_by => needs.push(format!("{}: {why}", provider.name)),
            _ => {}
        }
    }
    for home in status.homes.iter().filter(|home| home.address.is_none() && home.outcome != Vote::NoneAsked) {
        needs.push(format!("no ruling for {}", home.via()));
    }
    needs.extend(status.findings.iter().map(|finding| match &finding.line {
        None => finding.text.clone(),
        Some(line) => format!("{line}: {}", finding.text),
    }));
    let amiss = status.exposure.iter().filter(|check| check.grade == Grade::Amiss);
    needs.extend(amiss.map(|check| {
        let todo = if check.todo.is_empty() { String::new() } else { format!("; {}", check.todo) };
        format!("{}, {}: {}{todo}", check.about, check.check, check.seen)
    }));
    for edge in &status.edges {
        needs.extend(edge.trouble.as_ref().map(|why| format!("the ranges of {}: {why}", edge.name)));
    }
    if let Some(why) = &status.reload_refused {
        needs.push(format!("the last reload was not taken, the old configuration is in force: {why}"));
    }
    needs.extend(status.log.flaw.as_ref().map(|flaw| format!("the audit log does not hold: {flaw}")));
    needs
}

/// A moment for people: to the minute, in UTC.
pub fn moment(time: Timestamp) -> String {
    let text = time.to_string();
    match (text.get(..10), text.get(11..16)) {
        (Some(day), Some(minute)) => format!("{day} {minute} UTC"),
        _ => text,
    }
}

#[cfg(test)]
mod tests;
