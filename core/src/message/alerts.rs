//! What there is to tell of a status. Pure.

use std::collections::BTreeMap;
use std::time::Duration;

use crate::clock::Timestamp;
use crate::exposure::Grade;
use crate::record::RecordId;
use crate::state::Cause;
use crate::status::model::{Record, State, Status};
use crate::status::words;
use crate::watch::diagnose;

/// So long without a ruling is worth a message.
pub(crate) const NO_RULING: Duration = Duration::from_secs(3600);

/// So long a refusal that nothing proves is worth a message.
const REFUSED: Duration = Duration::from_secs(24 * 60 * 60);

/// What lasts until it clears, each with its words.
pub(crate) type Causes = BTreeMap<Cause, String>;

/// What is amiss now.
pub fn causes(status: &Status, now: Timestamp) -> Causes {
    let mut causes = Causes::new();
    for record in &status.records {
        if matches!(record.state, State::Blocked | State::HeldBack) {
            let record_id = record.id();
            let text = format!("{record_id} is {}: {}", record.state.word(), record.note);
            causes.insert(Cause::Blocked { record: record_id }, text);
        }
    }
    for provider in &status.providers {
        if let (Some(since), Some(why)) = (provider.held_since, &provider.trouble) {
            let text = format!("writes to {} are on hold since {}: {why}", provider.name, words::moment(since));
            causes.insert(Cause::Hold { provider: provider.name.clone() }, text);
        }
    }
    for provider in &status.providers {
        let lasts = provider.refused_since.filter(|since| now.since(*since) >= REFUSED);
        if let (Some(since), Some(why)) = (lasts, &provider.trouble) {
            let text = format!("{} has been refusing since {}: {why}", provider.name, words::moment(since));
            causes.insert(Cause::Refused { provider: provider.name.clone() }, text);
        }
    }
    let gaps = status.stays.iter().filter(|stay| stay.address.is_none() && stay.to.is_none());
    for gap in gaps.filter(|gap| now.since(gap.from) >= NO_RULING) {
        let via = gap.via();
        let text = format!("no ruling for {via} since {}: the names stay as they are", words::moment(gap.from));
        causes.insert(Cause::NoRuling { via }, text);
    }
    for finding in &status.findings {
        let line = finding.line.as_ref().map(|line| format!("{line}: ")).unwrap_or_default();
        let cause = Cause::Connection { line: finding.line.clone(), finding: finding.key.clone() };
        causes.insert(cause, format!("{line}{}", finding.text));
    }
    for check in status.exposure.iter().filter(|check| check.grade == Grade::Amiss) {
        let todo = if check.todo.is_empty() { String::new() } else { format!("; {}", check.todo) };
        let text = format!("{}, {}: {}{todo}", check.about, check.check, check.seen);
        causes.insert(Cause::Exposure { about: check.about.clone(), check: check.check }, text);
    }
    for edge in &status.edges {
        if let Some(why) = &edge.trouble {
            let text = format!("the ranges of {}: {why}", edge.name);
            causes.insert(Cause::Ranges { edge: edge.name.clone() }, text);
        }
    }
    causes
}

/// Whether it cannot be told now that `cause`, which does not show, is over: what it is about has not been looked at since the
/// start, or could not be.
pub(crate) fn is_unknown(status: &Status, cause: &Cause) -> bool {
    match cause {
        Cause::Blocked { record } => {
            let undecided = |one: &&Record| matches!(one.state, State::Unknown | State::Adrift);
            status.records.iter().filter(undecided).any(|one| one.is(record))
        }
        Cause::NoRuling { via } => status.homes.iter().any(|home| home.last_ruling.is_none() && home.via() == *via),
        Cause::Connection { finding, .. } => status.rounds < u64::from(diagnose::ROUNDS) && finding.needs_history(),
        Cause::Exposure { about, check } => {
            let here = status.exposure.iter().filter(|one| one.about == *about && one.check == *check);
            status.exposed.is_none() || here.into_iter().any(|one| one.grade == Grade::Unknown)
        }
        Cause::Ranges { edge } => status.edges.iter().any(|one| one.last_fetch.is_none() && one.name == *edge),
        // They survive a start.
        Cause::Hold { .. } | Cause::Refused { .. } => false,
    }
}

/// The published addresses of each record.
pub fn published(status: &Status) -> BTreeMap<RecordId, Vec<String>> {
    let is_published = |state| matches!(state, State::InStep | State::Spreading);
    let records = status.records.iter().filter(|record| is_published(record.state));
    records.map(|record| (record.id(), record.at_provider.clone())).collect()
}
