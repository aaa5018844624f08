//! What there is to tell of a status. Pure.

use std::collections::BTreeMap;
use std::time::Duration;

use crate::clock::Timestamp;
use crate::settings::Occasion;
use crate::status::model::{Check, Edge, Home, Record, State, Status};
use crate::status::words;
use crate::watch::diagnose;

/// So long without a ruling is worth a message.
pub const NO_RULING: Duration = Duration::from_secs(3600);

/// So long a refusal that nothing proves is worth a message.
const REFUSED: Duration = Duration::from_secs(24 * 60 * 60);

/// Something that lasts until it clears, by a key that is always the same for it.
pub type Causes = BTreeMap<String, (Occasion, String)>;

/// What is amiss now.
pub fn causes(status: &Status, now: Timestamp) -> Causes {
    let mut causes = Causes::new();
    for record in &status.records {
        let about = of_record(record);
        if matches!(record.state, State::Blocked | State::HeldBack) {
            let text = format!("{about} is {}: {}", record.state.word(), record.note);
            causes.insert(format!("blocked {about}"), (Occasion::Blocked, text));
        }
    }
    for provider in &status.providers {
        if let (Some(since), Some(why)) = (provider.held_since, &provider.trouble) {
            let text = format!("writes to {} are on hold since {}: {why}", provider.name, words::moment(since));
            causes.insert(format!("hold {}", provider.name), (Occasion::Hold, text));
        }
    }
    for provider in &status.providers {
        let lasts = provider.refused_since.filter(|since| now.since(*since) >= REFUSED);
        if let (Some(since), Some(why)) = (lasts, &provider.trouble) {
            let text = format!("{} has been refusing since {}: {why}", provider.name, words::moment(since));
            causes.insert(format!("finding refused {}", provider.name), (Occasion::Finding, text));
        }
    }
    let gaps = status.stays.iter().filter(|stay| stay.address.is_none() && stay.to.is_none());
    for gap in gaps.filter(|gap| now.since(gap.from) >= NO_RULING) {
        let about = of_via(gap.line.as_deref(), &gap.family);
        let text = format!("no ruling for {about} since {}: the names stay as they are", words::moment(gap.from));
        causes.insert(format!("no-ruling {about}"), (Occasion::NoRuling, text));
    }
    for finding in &status.findings {
        let line = finding.line.as_ref().map(|line| format!("{line}: ")).unwrap_or_default();
        causes.insert(format!("finding {line}{}", finding.key), (Occasion::Finding, format!("{line}{}", finding.text)));
    }
    for check in status.exposure.iter().filter(|check| check.grade == "amiss") {
        let todo = if check.todo.is_empty() { String::new() } else { format!("; {}", check.todo) };
        let text = format!("{}, {}: {}{todo}", check.about, check.check, check.seen);
        causes.insert(format!("finding {} {}", check.about, check.check), (Occasion::Finding, text));
    }
    for edge in &status.edges {
        if let Some(why) = &edge.trouble {
            let text = format!("the ranges of {}: {why}", edge.name);
            causes.insert(format!("finding ranges {}", edge.name), (Occasion::Finding, text));
        }
    }
    causes
}

/// Whether it cannot be told now that the cause `key`, which does not show, is over: what it is about has not been looked at
/// since the start, or could not be.
pub fn is_unknown(status: &Status, key: &str) -> bool {
    let Some((kind, about)) = key.split_once(' ') else { return false };
    let is_kind = |one: Occasion| one.word() == kind;
    if is_kind(Occasion::Blocked) {
        let undecided = |record: &&Record| matches!(record.state, State::Unknown | State::Adrift);
        return status.records.iter().filter(undecided).any(|record| about == of_record(record));
    }
    if is_kind(Occasion::NoRuling) {
        let of_home = |home: &Home| of_via(home.line.as_deref(), &home.family);
        return status.homes.iter().any(|home| home.last_ruling.is_none() && about == of_home(home));
    }
    if is_kind(Occasion::Finding) {
        let of_edge = |edge: &Edge| edge.last_fetch.is_none() && about == format!("ranges {}", edge.name);
        let of_check = |one: &Check| one.grade == "unknown" && about == format!("{} {}", one.about, one.check);
        let is_young = status.rounds < u64::from(diagnose::ROUNDS);
        let of_finding = about.rsplit(": ").next().unwrap_or_default();
        return (is_young && diagnose::needs_history(of_finding))
            || status.exposed.is_none()
            || status.edges.iter().any(of_edge)
            || status.exposure.iter().any(of_check);
    }
    false
}

/// The words by which the cause about a record is known.
pub fn of_record(record: &Record) -> String {
    format!("{} {}", record.name, record.rtype)
}

fn of_via(line: Option<&str>, family: &str) -> String {
    let line = line.map(|line| format!("{line} ")).unwrap_or_default();
    format!("{line}{}", words::family(family))
}

/// The published addresses of each record, by name and type.
pub fn published(status: &Status) -> BTreeMap<String, Vec<String>> {
    let is_published = |state| matches!(state, State::InStep | State::Spreading);
    let records = status.records.iter().filter(|record| is_published(record.state));
    records.map(|record| (of_record(record), record.at_provider.clone())).collect()
}
