//! What stands on the page, ready to be put there: words, and places in drawings. Pure.

use std::time::Duration;

use serde::Serialize;

use crate::clock::Timestamp;
use crate::exposure::Grade;
use crate::name::DnsName;
use crate::settings::Via;
use crate::status::log_digest::SPAN;
use crate::status::model::{Check, Edge, Home, Mark, Provider, Record, State, Status, Stay, Witness};
use crate::status::words;
use crate::text;

/// Arms of the signpost that are drawn, at most: what needs a person comes first.
const ARMS: usize = 60;
/// The side of a round's cell, and its distance from the next, in pixels.
const CELL: usize = 11;
/// The width of the drawing of stays.
const WIDTH: f64 = 900.0;

/// The whole page.
#[derive(Debug, Serialize)]
pub(crate) struct View {
    title: String,
    lead: String,
    needs: Vec<String>,
    arms: Vec<Arm>,
    more: usize,
    homes: Vec<Vote>,
    witnesses: Vec<Row>,
    tenures: Vec<Tenure>,
    edges: Vec<EdgeRow>,
    checks: Vec<CheckRow>,
    exposed: Option<String>,
    providers: Vec<ProviderRow>,
    log: Vec<LogRow>,
    chain: String,
    chain_grade: &'static str,
    foot: String,
}

/// An arm of the signpost: one name, with its records.
#[derive(Debug, Serialize)]
struct Arm {
    name: String,
    /// The class that the worst state has.
    class: &'static str,
    grade: &'static str,
    state: &'static str,
    values: Vec<String>,
    notes: Vec<String>,
}

#[derive(Debug, Serialize)]
struct Vote {
    about: String,
    address: String,
    grade: &'static str,
    told: String,
    others: Vec<String>,
}

#[derive(Debug, Serialize)]
struct Row {
    name: String,
    operator: String,
    about: String,
    share: String,
    label: String,
    width: usize,
    cells: Vec<Cell>,
}

#[derive(Debug, Serialize)]
struct Cell {
    x: usize,
    class: &'static str,
}

#[derive(Debug, Serialize)]
struct Tenure {
    about: String,
    label: String,
    parts: Vec<Part>,
    stays: Vec<StayRow>,
}

#[derive(Debug, Serialize)]
struct Part {
    x: String,
    width: String,
    class: &'static str,
}

#[derive(Debug, Serialize)]
struct StayRow {
    what: String,
    is_address: bool,
    when: String,
}

#[derive(Debug, Serialize)]
struct EdgeRow {
    name: String,
    told: String,
    trouble: Option<String>,
}

#[derive(Debug, Serialize)]
struct CheckRow {
    about: String,
    check: String,
    grade: Grade,
    seen: String,
    todo: String,
    since: Option<String>,
}

#[derive(Debug, Serialize)]
struct ProviderRow {
    name: String,
    grade: &'static str,
    told: String,
    trouble: Option<String>,
}

#[derive(Debug, Serialize)]
struct LogRow {
    seq: u64,
    at: String,
    time: String,
    text: String,
}

impl View {
    /// Of this status.
    pub(crate) fn of(status: &Status) -> Self {
        let (arms, more) = arms(&status.records);
        let ago = |time: Timestamp| text::span(status.time.since(time));
        let next = status.next_round.map(|next| format!(", the next at {}", words::moment(next)));
        let started = status.started.map(|started| format!(" up for {},", ago(started))).unwrap_or_default();
        Self {
            title: title(status),
            lead: status.sentence.clone(),
            needs: status.needs.clone(),
            arms,
            more,
            homes: status.homes.iter().map(vote).collect(),
            witnesses: status.witnesses.iter().map(row).collect(),
            tenures: tenures(&status.stays, status.time),
            edges: status.edges.iter().map(edge).collect(),
            checks: status.exposure.iter().map(check).collect(),
            exposed: status.exposed.map(|time| format!("looked at {} ago", ago(time))),
            providers: status.providers.iter().map(|one| provider(one, status.time)).collect(),
            log: status
                .log
                .last
                .iter()
                .map(|line| LogRow {
                    seq: line.seq,
                    at: line.time.to_string(),
                    time: words::moment(line.time),
                    text: line.text.clone(),
                })
                .collect(),
            chain: match &status.log.flaw {
                None => format!("{} entries, the chain held at the start", status.log.entries),
                Some(flaw) => format!("{} entries, the chain does not hold: {flaw}", status.log.entries),
            },
            chain_grade: if status.log.flaw.is_none() { "good" } else { "amiss" },
            foot: format!(
                "fingerpost {},{started} {} rounds{}. All times are UTC; this was true at {}.",
                status.version,
                status.rounds,
                next.unwrap_or_default(),
                words::moment(status.time)
            ),
        }
    }
}

fn title(status: &Status) -> String {
    let all = status.records.len();
    let good = status.records.iter().filter(|record| record.state == State::InStep).count();
    match (status.needs.len(), all, good) {
        (0, all, good) if all == good && all > 0 => "in step".to_owned(),
        (0, all, good) => format!("{good} of {all} in step"),
        (1, ..) => "one thing needs you".to_owned(),
        (needs, ..) => format!("{needs} things need you"),
    }
}

/// How a state is drawn: the class of its arm, and the grade of its mark.
fn drawn(state: State) -> (&'static str, &'static str) {
    match state {
        State::InStep => ("level", "good"),
        State::Spreading | State::Standby => ("level", "underway"),
        State::Unknown | State::Adrift => ("level", "underway"),
        State::HeldBack => ("hanging", "amiss"),
        State::Blocked => ("hanging", "amiss"),
    }
}

/// One arm a name, the worst first where there are too many; and how many are left out.
fn arms(records: &[Record]) -> (Vec<Arm>, usize) {
    let mut names: Vec<(&DnsName, Vec<&Record>)> = Vec::new();
    let mut at = std::collections::BTreeMap::new();
    for record in records {
        let place = *at.entry(&record.name).or_insert(names.len());
        match names.get_mut(place) {
            Some((_, all)) => all.push(record),
            None => names.push((&record.name, vec![record])),
        }
    }
    let worst = |all: &[&Record]| all.iter().map(|record| record.state).max().unwrap_or(State::InStep);
    let more = names.len().saturating_sub(ARMS);
    if more > 0 {
        names.sort_by_key(|(_, all)| std::cmp::Reverse(worst(all)));
        names.truncate(ARMS);
    }
    let arm = |(name, all): (&DnsName, Vec<&Record>)| {
        let state = worst(&all);
        let (class, grade) = drawn(state);
        let notes = all.iter().flat_map(|record| record.behind.iter().cloned().chain([record.note.clone()]));
        Arm {
            name: name.to_string(),
            class,
            grade,
            state: state.word(),
            values: all.iter().map(|record| value(record)).collect(),
            notes: notes.filter(|note| !note.is_empty()).collect(),
        }
    };
    (names.into_iter().map(arm).collect(), more)
}

fn value(record: &Record) -> String {
    let (there, rtype) = (record.at_provider.join(", "), record.rtype);
    let wanted = record.wanted.clone().unwrap_or_default();
    match record.state {
        State::InStep | State::Spreading => format!("{rtype} {there}"),
        _ if there.is_empty() && wanted.is_empty() => rtype.to_string(),
        _ if wanted.is_empty() => format!("{rtype} {there}"),
        _ if there.is_empty() => format!("{rtype} wants {wanted}"),
        _ => format!("{rtype} {there} → {wanted}"),
    }
}

fn vote(home: &Home) -> Vote {
    let others = home.dissent.iter().map(|said| format!("{} says {}", said.operator, said.what));
    let silent = home.silent.iter().map(|said| format!("{}: {}", said.operator, said.what));
    let told = match home.agreed.as_slice() {
        [] => format!("none of {} operators agree, and {} must", home.operators, home.needed),
        agreed => format!("{} of {} operators: {}", agreed.len(), home.operators, agreed.join(", ")),
    };
    Vote {
        about: home.via().to_string(),
        address: home.address.clone().unwrap_or_else(|| "no ruling".to_owned()),
        grade: if home.address.is_some() { "good" } else { "amiss" },
        told,
        others: others.chain(silent).collect(),
    }
}

fn row(witness: &Witness) -> Row {
    let cells = witness.marks.iter().enumerate().map(|(at, mark)| Cell {
        x: at * CELL,
        class: match mark {
            Mark::Agreed => "agreed",
            Mark::Dissented => "dissented",
            Mark::Undecided => "undecided",
            Mark::Silent => "silent",
            Mark::Unasked => "unasked",
        },
    });
    let count = |mark| witness.marks.iter().filter(|one| **one == mark).count();
    let took = witness.took_ms.map(|took| format!(", {took} ms")).unwrap_or_default();
    Row {
        name: witness.name.clone(),
        operator: witness.operator.clone(),
        about: witness.via().to_string(),
        share: witness.agreed_percent.map_or_else(|| "not asked yet".to_owned(), |share| format!("{share} %{took}")),
        label: format!(
            "{}: of the last {} rounds agreed in {}, dissented in {}, silent in {}, not asked in {}",
            witness.name,
            witness.marks.len(),
            count(Mark::Agreed),
            count(Mark::Dissented) + count(Mark::Undecided),
            count(Mark::Silent),
            count(Mark::Unasked)
        ),
        width: witness.marks.len().max(1) * CELL,
        cells: cells.collect(),
    }
}

/// The stays of each line and family, drawn to scale over the whole span.
fn tenures(stays: &[Stay], now: Timestamp) -> Vec<Tenure> {
    let mut all: Vec<(Via, Vec<&Stay>)> = Vec::new();
    for stay in stays {
        let via = stay.via();
        match all.iter_mut().find(|(known, _)| *known == via) {
            Some((_, known)) => known.push(stay),
            None => all.push((via, vec![stay])),
        }
    }
    let begin = now.minus(SPAN);
    let at = |time: Timestamp| time.since(begin).as_secs_f64() / SPAN.as_secs_f64() * WIDTH;
    let tenure = |(via, stays): (Via, Vec<&Stay>)| {
        let part = |stay: &&Stay| {
            let (from, to) = (at(stay.from), at(stay.to.unwrap_or(now)));
            Part {
                x: format!("{from:.1}"),
                width: format!("{:.1}", (to - from).max(2.0)),
                class: match (&stay.address, stay.to) {
                    (None, _) => "gap",
                    (Some(_), None) => "now",
                    (Some(_), Some(_)) => "then",
                },
            }
        };
        // Gaps are drawn over the stays that go on through them.
        let (addresses, gaps): (Vec<_>, Vec<_>) = stays.iter().partition(|stay| stay.address.is_some());
        let rows: Vec<StayRow> = stays.iter().rev().map(|stay| stay_row(stay, now)).collect();
        let label: Vec<String> = rows.iter().map(|row| format!("{}, {}", row.what, row.when)).collect();
        Tenure {
            about: via.to_string(),
            label: label.join("; "),
            parts: addresses.iter().map(part).chain(gaps.iter().map(part)).collect(),
            stays: rows,
        }
    };
    all.into_iter().map(tenure).collect()
}

fn stay_row(stay: &Stay, now: Timestamp) -> StayRow {
    let span = text::span(stay.to.unwrap_or(now).since(stay.from));
    let when = match stay.to {
        Some(to) => format!("{} to {}, {span}", words::moment(stay.from), words::moment(to)),
        None => format!("since {}, {span}", words::moment(stay.from)),
    };
    let what = stay.address.clone().unwrap_or_else(|| "no ruling".to_owned());
    StayRow { what, is_address: stay.address.is_some(), when }
}

fn edge(edge: &Edge) -> EdgeRow {
    let since = edge.since.map(|since| format!(" since {}", words::moment(since))).unwrap_or_default();
    let told = match edge.number {
        Some(number) => format!("version {number}{since}, {} ranges", edge.ranges),
        None => "no ranges are known yet".to_owned(),
    };
    EdgeRow { name: edge.name.clone(), told, trouble: edge.trouble.clone() }
}

fn check(check: &Check) -> CheckRow {
    let Check { check, about, grade, seen, todo, since } = check.clone();
    CheckRow { about, check: check.to_string(), grade, seen, todo, since: since.map(words::moment) }
}

fn provider(provider: &Provider, now: Timestamp) -> ProviderRow {
    let ago = |time: Timestamp| text::span(now.since(time));
    let read = provider.last_read.map_or_else(|| "not read yet".to_owned(), |time| format!("read {} ago", ago(time)));
    let written = provider.last_write.map(|time| format!(", written {} ago", ago(time))).unwrap_or_default();
    let spread = provider.spread.as_ref().map(|spread| {
        let last = spread.servers.iter().map(|(_, lag)| *lag).max().unwrap_or_default();
        let lag = text::span(Duration::from_millis(last));
        format!("; the last write was served by all {} servers after {lag}", spread.servers.len())
    });
    let until = provider.put_off_until.map(|until| format!("; a write waits until {}", words::moment(until)));
    let mut told = format!("{read}{written}, {} of {} writes left today", provider.left_today, provider.daily);
    told.push_str(&until.unwrap_or_default());
    told.push_str(&spread.unwrap_or_default());
    let grade = match (&provider.trouble, provider.standing_by) {
        (None, _) => "good",
        (Some(_), true) => "underway",
        (Some(_), false) => "amiss",
    };
    ProviderRow { name: provider.name.clone(), grade, told, trouble: provider.trouble.clone() }
}
