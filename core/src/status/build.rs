//! The status, made of the daemon's snapshot, or of what a daemon left behind.

use std::collections::{BTreeMap, BTreeSet};
use std::net::IpAddr;

use super::log_digest::{LogDigest, SPAN};
use super::model::{Amiss, Check, Edge, Home, Log, Provider, Record, Said, State, Status, Totals, Vote};
use super::{address_history, words};
use crate::about::About;
use crate::allowlist::Kept;
use crate::clock::Timestamp;
use crate::limits::record_key;
use crate::record::RecordType;
use crate::settings;
use crate::settings::{Config, Via};
use crate::state;
use crate::status::Snapshot;
use crate::update::{RecordReport, RecordState, Report, Trouble};
use crate::watch::look::{Found, HeldBack, Look, agreed};
use crate::watch::vote::Outcome;

/// What `seen`, of a running daemon, amounts to.
pub fn status(seen: &Snapshot) -> Status {
    let mut status = Status {
        version: env!("CARGO_PKG_VERSION").to_owned(),
        running: true,
        time: seen.time,
        started: seen.started,
        sentence: String::new(),
        needs: Vec::new(),
        rounds: seen.rounds,
        next_round: Some(seen.next_round).filter(|_| seen.rounds > 0),
        records: records(seen),
        homes: seen.looks.iter().map(|look| home(look, seen)).collect(),
        witnesses: seen.history.witnesses(),
        findings: seen.findings.iter().map(|found| amiss(found, &seen.memory)).collect(),
        providers: seen.left_today.iter().map(|(name, left)| provider(name, *left, seen)).collect(),
        edges: seen.edges.clone(),
        exposure: seen.exposure.iter().map(|finding| check(finding, &seen.memory)).collect(),
        exposed: seen.exposed,
        stays: stays(seen, seen.time),
        log: Log {
            entries: seen.memory.entries(),
            flaw: seen.flaw.clone(),
            last: seen.memory.lines().cloned().collect(),
        },
        reload_refused: seen.reload_refused.clone(),
        totals: Totals { writes: seen.memory.endings().clone(), ..seen.history.totals().clone() },
    };
    status.needs = words::needs(&status);
    status.sentence = words::sentence(&status);
    status
}

/// All that are configured, in that order.
fn records(seen: &Snapshot) -> Vec<Record> {
    let key = |report: &'_ Report, one: &RecordReport| (report.provider.clone(), one.name.clone(), one.rtype);
    let reported = seen.providers.values().flat_map(|report| report.records.iter().map(move |one| (report, one)));
    let reported: BTreeMap<_, _> = reported.map(|(report, one)| (key(report, one), record(report, one))).collect();
    let held: BTreeMap<_, _> = seen.held_back.iter().map(|held| ((&held.name, held.rtype), held)).collect();
    let agreed = agreed(&seen.looks);
    let one = |(configured, rtype): (&settings::Record, RecordType)| {
        if let Some(held) = held.get(&(&configured.name, rtype)) {
            return held_back(held, &configured.provider);
        }
        let reported = reported.get(&(configured.provider.clone(), configured.name.clone(), rtype));
        reported.cloned().unwrap_or_else(|| unreported(configured, rtype, seen, &agreed))
    };
    each(&seen.records).map(one).collect()
}

/// Each of `records` with each of its types.
fn each(records: &[settings::Record]) -> impl Iterator<Item = (&settings::Record, RecordType)> {
    records.iter().flat_map(|record| record.types.iter().map(move |rtype| (record, *rtype)))
}

/// Nobody was asked about it: there is nothing that it should be, or it is too early.
fn unreported(one: &settings::Record, rtype: RecordType, seen: &Snapshot, agreed: &BTreeMap<Via, IpAddr>) -> Record {
    let family = rtype.family();
    let looked_at = |via: &Via| seen.looks.iter().any(|look| look.line == via.line && look.family == via.family);
    let vias = one.lines.iter().map(|line| Via { line: line.clone(), family });
    let vias: Vec<Via> = vias.filter(|via| looked_at(via)).collect();
    let is_settled = |via: &Via| agreed.get(via).is_some_and(|address| seen.settled.get(via) == Some(address));
    let (state, note) = if seen.rounds == 0 || vias.is_empty() || vias.iter().any(is_settled) {
        (State::Unknown, "not looked at yet".to_owned())
    } else if vias.iter().any(|via| agreed.contains_key(via)) {
        (State::Adrift, "its address is being settled".to_owned())
    } else {
        (State::Adrift, format!("no ruling for {family}"))
    };
    Record {
        name: one.name.clone(),
        rtype,
        provider: one.provider.clone(),
        state,
        wanted: None,
        at_provider: Vec::new(),
        behind: Vec::new(),
        note,
    }
}

fn record(report: &Report, one: &RecordReport) -> Record {
    let standing_by = matches!(report.trouble, Some(Trouble::StandingBy { .. }));
    let (state, behind, note) = match &one.standing {
        RecordState::InStep => (State::InStep, Vec::new(), String::new()),
        RecordState::Spreading { behind, .. } => {
            (State::Spreading, behind.iter().map(ToString::to_string).collect(), String::new())
        }
        RecordState::Adrift { why } if standing_by => (State::Standby, Vec::new(), why.clone().unwrap_or_default()),
        RecordState::Adrift { why } => (State::Adrift, Vec::new(), why.clone().unwrap_or_default()),
        RecordState::Blocked { why } => (State::Blocked, Vec::new(), why.clone()),
    };
    let stands = match &one.after {
        Some(after) if one.standing.is_published() => Some(after),
        _ => one.before.as_ref(),
    };
    Record {
        name: one.name.clone(),
        rtype: one.rtype,
        provider: report.provider.clone(),
        state,
        wanted: Some(one.address.to_string()),
        at_provider: stands.map(|set| set.addresses.iter().map(ToString::to_string).collect()).unwrap_or_default(),
        behind,
        note,
    }
}

fn held_back(held: &HeldBack, provider: &str) -> Record {
    Record {
        name: held.name.clone(),
        rtype: held.rtype,
        provider: provider.to_owned(),
        state: State::HeldBack,
        wanted: Some(held.address.to_string()),
        at_provider: Vec::new(),
        behind: Vec::new(),
        note: "it may not lead here: see what is amiss with the connection".to_owned(),
    }
}

fn home(look: &Look, seen: &Snapshot) -> Home {
    let (via, ruling) = (look.via(), &look.ruling);
    let said = |operator: &String, what: String| Said { operator: operator.clone(), what };
    let list = |all: &[std::net::IpAddr]| all.iter().map(ToString::to_string).collect::<Vec<_>>().join(", ");
    Home {
        line: look.line.clone(),
        family: look.family,
        settled: seen.settled.get(&via).map(ToString::to_string),
        since: seen.memory.settled_since(&via),
        outcome: Vote::of(&ruling.outcome),
        address: match ruling.outcome {
            Outcome::Agreed(address) => Some(address.to_string()),
            Outcome::Split | Outcome::TooFew | Outcome::NoneAsked => None,
        },
        agreed: ruling.agreed.clone(),
        dissent: ruling.dissent.iter().map(|dissent| said(&dissent.operator, list(&dissent.said))).collect(),
        silent: ruling.silent.iter().map(|(operator, why)| said(operator, why.clone())).collect(),
        operators: ruling.operators,
        needed: ruling.needed,
        last_ruling: seen.last_rulings.get(&via).copied(),
    }
}

fn amiss(found: &Found, memory: &LogDigest) -> Amiss {
    let key = found.finding.key();
    let since = memory.since(found.line.as_deref(), &About::Connection(key.clone()));
    Amiss { line: found.line.clone(), key, text: found.finding.to_string(), since }
}

fn provider(name: &str, (left_today, daily): (u32, u32), seen: &Snapshot) -> Provider {
    let report = seen.providers.get(name);
    let trouble = report.and_then(|report| report.trouble.as_ref());
    let hold = seen.holds.get(name);
    Provider {
        name: name.to_owned(),
        last_read: seen.last_reads.get(name).copied(),
        last_write: seen.memory.last_write(name),
        trouble: hold.map(|hold| hold.why.clone()).or_else(|| trouble.map(|trouble| trouble.why().to_owned())),
        held_since: hold.map(|hold| hold.since),
        refused_since: seen.refused_since.get(name).copied(),
        standing_by: matches!(trouble, Some(Trouble::StandingBy { .. })),
        left_today,
        daily,
        put_off_until: report.and_then(|report| report.put_off_until),
        spread: seen.memory.spread(name).cloned(),
    }
}

fn check(finding: &crate::exposure::Finding, memory: &LogDigest) -> Check {
    let crate::exposure::Finding { check, about, grade, seen, todo, reach: _ } = finding;
    let since = memory.since(None, &About::Exposure(finding.key())).filter(|_| *grade == crate::exposure::Grade::Amiss);
    Check { check: *check, about: about.clone(), grade: *grade, seen: seen.clone(), todo: todo.clone(), since }
}

/// With what goes on now.
fn stays(seen: &Snapshot, now: Timestamp) -> Vec<super::model::Stay> {
    let mut stays = address_history::stays(seen.memory.moves(), now, SPAN);
    stays.extend(seen.outages.iter().map(|(via, since)| super::model::Stay {
        line: via.line.clone(),
        family: via.family,
        address: None,
        from: *since,
        to: None,
    }));
    stays
}

/// What is `kept` of the edge of this name, before its lists are looked at; or why that is not known.
pub fn edge(name: &str, kept: Result<Option<Kept>, String>) -> Edge {
    let (kept, trouble) = match kept {
        Ok(kept) => (kept, None),
        Err(why) => (None, Some(why)),
    };
    let (number, since) = kept.as_ref().map(|kept| (kept.number, kept.since)).unzip();
    let ranges = kept.map_or(0, |kept| kept.set().prefixes().count());
    Edge { name: name.to_owned(), number, since, ranges, last_fetch: None, trouble }
}

/// What a daemon that does not run any more left behind in its state and its log, as `memory` has heard that.
///
/// Whether a record is in step cannot be told from here: what is told is what was last known to stand.
pub fn left_behind(
    config: &Config,
    state: &state::State,
    memory: &LogDigest,
    edges: Vec<Edge>,
    flaw: Option<String>,
    now: Timestamp,
) -> Status {
    let kept = |(one, rtype): (&settings::Record, RecordType)| {
        let addresses = state.published.get(&record_key(&one.provider, &one.name, rtype));
        Record {
            name: one.name.clone(),
            rtype,
            provider: one.provider.clone(),
            state: State::Unknown,
            wanted: None,
            at_provider: addresses.into_iter().flatten().map(ToString::to_string).collect(),
            behind: Vec::new(),
            // More than one where the end of a write is not known.
            note: match addresses.map_or(0, BTreeSet::len) {
                0 => "never seen in step".to_owned(),
                1 => "last seen there".to_owned(),
                _ => "last seen at one of them".to_owned(),
            },
        }
    };
    let provider = |name: &String| Provider {
        name: name.clone(),
        last_read: None,
        last_write: memory.last_write(name),
        trouble: state.holds.get(name).map(|hold| hold.why.clone()),
        held_since: state.holds.get(name).map(|hold| hold.since),
        refused_since: state.refused_since.get(name).copied(),
        standing_by: false,
        left_today: state.ledger.left_today(now, &config.limits, name),
        daily: config.limits.daily,
        put_off_until: None,
        spread: memory.spread(name).cloned(),
    };
    let home = |(via, address): (&Via, &IpAddr)| Home {
        line: via.line.clone(),
        family: via.family,
        settled: Some(address.to_string()),
        since: memory.settled_since(via),
        outcome: Vote::NoneAsked,
        address: None,
        agreed: Vec::new(),
        dissent: Vec::new(),
        silent: Vec::new(),
        operators: 0,
        needed: 0,
        last_ruling: None,
    };
    let mut status = Status {
        version: env!("CARGO_PKG_VERSION").to_owned(),
        running: false,
        time: now,
        started: None,
        sentence: String::new(),
        needs: Vec::new(),
        rounds: 0,
        next_round: None,
        records: each(&config.records).map(kept).collect(),
        homes: state.settled.iter().map(home).collect(),
        witnesses: Vec::new(),
        findings: Vec::new(),
        providers: config.providers.keys().map(provider).collect(),
        edges,
        exposure: Vec::new(),
        exposed: None,
        stays: address_history::stays(memory.moves(), now, SPAN),
        log: Log { entries: memory.entries(), flaw, last: memory.lines().cloned().collect() },
        reload_refused: None,
        totals: Totals::default(),
    };
    status.needs = words::needs(&status);
    status.sentence = words::sentence(&status);
    status
}

#[cfg(test)]
mod tests;
