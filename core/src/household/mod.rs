//! What a home makes of what it hears: which addresses are settled, which line a record follows, what is amiss and since when,
//! what is wanted of each provider.
//!
//! [`Household`] is a value. Whoever carries out what follows asks the witnesses, keeps the books and works on the providers;
//! times are arguments.

mod amiss;
pub mod asking;
pub mod leases;
pub mod outages;
pub mod queue;
pub mod reach;
pub mod schedule;

use std::collections::{BTreeMap, BTreeSet};
use std::net::IpAddr;
use std::time::Duration;

use crate::about::{About, Connection};
use crate::address::Family;
use crate::audit::{Ending, Event, OpenIntent, Word};
use crate::clock::{Step, Timestamp};
use crate::exposure;
use crate::name::DnsName;
use crate::reconcile::{self, Desired};
use crate::settings::{Config, Confirm, Record, Via, Witness, by_provider};
use crate::state::State;
use crate::watch::diagnose::{self, Finding, History};
use crate::watch::failover::{Failover, Follower, Seen};
use crate::watch::look::{Found, Look, agreed};
use crate::watch::settle::{Heard, Settling};
use crate::watch::vote::Ruling;
use amiss::forbids;
pub use amiss::{diagnose, held_back};
use outages::{Moment, Outages};
use reach::Reach;

/// What earlier rounds leave behind for the diagnosis of later ones, line by line.
pub type Histories = BTreeMap<Option<String>, History>;

/// What is known of the home.
#[derive(Debug)]
pub struct Household {
    settling: BTreeMap<Via, Settling>,
    looks: Vec<Look>,
    failover: Failover,
    histories: Histories,
    found: Vec<Found>,
    /// Looks since the start.
    rounds: u32,
    outages: Outages,
    reach: Reach,
}

/// What one round has told.
#[derive(Debug)]
pub struct Round {
    /// What it means for each line and family.
    pub heard: Vec<(Via, Heard)>,
    /// What the log is to have of it, in this order.
    pub entries: Vec<Event>,
}

/// What is newly amiss or no more, for the log, and the key by which the state knows it.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct FindingNews {
    /// The line, and what it is about.
    pub key: (Option<String>, Connection),
    /// What the log is to have of it.
    pub event: Event,
    /// Whether it begins.
    pub begins: bool,
}

/// What becomes at a start of a write whose end is not known.
#[derive(Clone, Debug, PartialEq, Eq)]
pub enum Leftover {
    /// The provider is told, and reading will show it.
    ToBeRead(String),
    /// It cannot be read any more: this is entered.
    Lost(Event),
}

impl Household {
    /// With what `state` has of earlier.
    pub fn new(state: &State, now: Timestamp) -> Self {
        let settled = state.settled.iter();
        Self {
            settling: settled
                .map(|(via, address)| (via.clone(), Settling { settled: Some(*address), candidate: None }))
                .collect(),
            looks: Vec::new(),
            failover: Failover::recall(&state.lines, now),
            histories: histories(state),
            found: Vec::new(),
            rounds: 0,
            outages: Outages::default(),
            reach: Reach::default(),
        }
    }

    /// The newest round's rulings.
    pub fn looks(&self) -> &[Look] {
        &self.looks
    }

    /// What the newest round showed to be amiss.
    pub fn found(&self) -> &[Found] {
        &self.found
    }

    /// Whether a line has missed rounds of late, but too few to leave it.
    pub fn is_line_open(&self) -> bool {
        self.failover.is_open()
    }

    /// Where there is no ruling now, and since when.
    pub fn outages(&self, now: Moment) -> impl Iterator<Item = (&Via, Timestamp)> {
        self.outages.since(now)
    }

    /// The addresses that nobody doubts: settled, and what the newest round agreed on.
    pub fn certain(&self) -> BTreeMap<Via, IpAddr> {
        let mut certain = agreed(&self.looks);
        certain.retain(|via, address| self.is_settled(via, *address));
        certain
    }

    fn is_settled(&self, via: &Via, address: IpAddr) -> bool {
        self.settling.get(via).and_then(|settling| settling.settled) == Some(address)
    }

    /// Takes in a round: an address that has won `rounds` rounds in a row is the home's.
    pub fn hear(&mut self, config: &Config, looks: Vec<Look>, rounds: u32, now: Moment) -> Round {
        self.looks = looks;
        let found = diagnose(config, &self.looks, &mut self.histories, now.time);
        self.found = found.into_iter().map(|found| self.reach.applied(found)).collect();
        self.rounds = self.rounds.saturating_add(1);
        self.outages.keep_only(&self.looks);
        let mut round = Round { heard: Vec::new(), entries: Vec::new() };
        for look in &self.looks {
            let via = look.via();
            let was_settled = self.settling.get(&via).is_some_and(|settling| settling.settled.is_some());
            round.entries.extend(self.outages.hear(look, now).filter(|_| was_settled));
            let told = self.settling.entry(via.clone()).or_default().hear(&look.ruling.outcome, rounds);
            if let Heard::Settled { from, to } = told {
                self.reach.forget(look.family);
                let word = word(&look.ruling, to);
                round.entries.push(Event::Settled { line: look.line.clone(), family: look.family, from, to, word });
            }
            // Where nothing can be published, a record has nothing to follow.
            let seen = Seen::of(&told, !forbids(config, &self.found, &via));
            // A line has not failed sooner because one round is enough for a new address.
            self.failover.hear(&via, seen, config.watch.settle, now.steady);
            round.heard.push((via, told));
        }
        round
    }

    /// Enters what is settled; says whether that is new.
    pub fn keep_settled(&self, state: &mut State) -> bool {
        let settled = self.settling.iter().filter_map(|(via, settling)| Some((via.clone(), settling.settled?)));
        let new: Vec<_> = settled.filter(|(via, to)| state.settled.get(via) != Some(to)).collect();
        let is_new = !new.is_empty();
        state.settled.extend(new);
        is_new
    }

    /// Enters which line each record follows, which are down, and since when the others work; says whether that is new.
    pub fn keep_lines(&self, state: &mut State, now: Moment) -> bool {
        let lines = self.failover.kept(now.steady, now.time, &state.lines);
        let is_new = state.lines != lines;
        state.lines = lines;
        is_new
    }

    /// Enters what stands between the lines and the world: at the next start the router may still be silent. Says whether that
    /// is new.
    pub fn keep_nats(&self, state: &mut State) -> bool {
        let of_line = |(line, history): (&Option<String>, &History)| {
            let found = |finding: Finding| Found { line: line.clone(), finding };
            history.nats().map(found).collect::<Vec<_>>()
        };
        let nats: Vec<Found> = self.histories.iter().flat_map(of_line).collect();
        let is_new = state.nats != nats;
        state.nats = nats;
        is_new
    }

    /// Takes in that the clock was set.
    pub fn shift(&mut self, step: &Step) {
        self.histories.values_mut().for_each(|history| history.shift(step));
        for Found { finding, .. } in &mut self.found {
            *finding = finding.clone().moved(step);
        }
    }

    /// Takes in what the outside was seen to reach.
    pub fn has_looked(&mut self, found: &[exposure::Finding]) {
        self.reach = Reach::of(found);
    }

    /// Another configuration: what an operator said by other witnesses tells nothing of the present ones.
    pub fn succeed(&mut self, before: &Config, present: &Config) {
        for (line, history) in &mut self.histories {
            let asked = |config: &'_ Config, operator: &str| -> Vec<Witness> {
                let of_operator = |one: &&Witness| one.line == *line && one.operator == operator;
                config.witnesses.iter().filter(of_operator).cloned().collect()
            };
            history.retain(|operator| asked(before, operator) == asked(present, operator));
        }
    }

    /// Forgets, also in `state`, the lines, families, operators, records and providers that are not configured any more.
    pub fn keep_only(&mut self, config: &Config, vias: &BTreeSet<Via>, state: &mut State, now: Moment) {
        let records = config.records.iter();
        let followers: BTreeSet<Follower> =
            records.flat_map(|one| Family::BOTH.map(|family| follower(&one.provider, &one.name, family))).collect();
        self.failover.keep_only(|via| vias.contains(via), |key| followers.contains(key));
        self.settling.retain(|via, _| vias.contains(via));
        let lines: BTreeSet<&Option<String>> = vias.iter().map(|via| &via.line).collect();
        self.histories.retain(|line, _| lines.contains(line));
        for (line, history) in &mut self.histories {
            history.retain(|operator| config.witnesses.iter().any(|one| one.line == *line && one.operator == operator));
        }
        state.settled.retain(|via, _| vias.contains(via));
        state.nats.retain(|found| lines.contains(&found.line));
        state.refused_since.retain(|provider, _| config.providers.contains_key(provider));
        // No moment to come: the clock may have been set while nobody was there.
        state.refused_since.values_mut().for_each(|since| *since = now.time.min(*since));
        let confirms = |name: &str| config.providers.get(name).is_some_and(|provider| provider.confirm != Confirm::Off);
        state.spreading.retain(|provider, _| confirms(provider));
        self.keep_lines(state, now);
    }

    /// What is wanted of the provider `name`, whose records are `records`.
    ///
    /// An address is published while it is settled and the newest round agrees: doubt changes nothing.
    pub fn desired(&mut self, config: &Config, name: &str, records: &[&Record], steady: Duration) -> Vec<Desired> {
        let mut home = self.certain();
        home.retain(|via, _| !forbids(config, &self.found, via));
        desired(config, name, records, &home, &mut self.failover, steady)
    }

    /// What is newly amiss, and what is no more, once each, against what `state` knows. For who looks again and again: one
    /// look alone shows what is amiss now, and not that something has passed.
    pub fn news(&self, config: &Config, state: &State) -> Vec<FindingNews> {
        let mut now: BTreeSet<_> = self.found.iter().map(|found| (found.line.clone(), found.finding.key())).collect();
        if self.rounds < diagnose::ROUNDS {
            // What shows only over many rounds has not passed because this process is young.
            let is_asked = |(line, about): &&(Option<String>, Connection)| {
                let by = |one: &Witness| matches!(about, Connection::Dissenter { operator, .. } if one.operator == *operator);
                config.witnesses.iter().any(|one| one.line == *line && by(one))
            };
            now.extend(state.findings.iter().filter(is_asked).cloned());
        }
        let mut news = Vec::new();
        for found in &self.found {
            let key = (found.line.clone(), found.finding.key());
            if !state.findings.contains(&key) {
                let (line, about) = (key.0.clone(), About::Connection(key.1.clone()));
                let event = Event::Found { line, about, text: found.finding.to_string() };
                news.push(FindingNews { key, event, begins: true });
            }
        }
        for key in state.findings.difference(&now) {
            let event = Event::Gone { line: key.0.clone(), about: About::Connection(key.1.clone()) };
            news.push(FindingNews { key: key.clone(), event, begins: false });
        }
        news
    }
}

/// The histories with which a process goes on from `state`.
pub fn histories(state: &State) -> Histories {
    let mut histories = Histories::new();
    for Found { line, finding } in &state.nats {
        histories.entry(line.clone()).or_default().recall(finding.clone());
    }
    histories
}

/// On whose word each address of `looks` stands.
pub fn words(looks: &[Look]) -> BTreeMap<Via, Word> {
    let addresses = agreed(looks);
    looks.iter().filter_map(|look| Some((look.via(), word(&look.ruling, *addresses.get(&look.via())?)))).collect()
}

fn word(ruling: &Ruling, address: IpAddr) -> Word {
    Word {
        address,
        agreed: ruling.agreed.clone(),
        dissent: ruling.dissent.iter().map(|dissent| dissent.operator.clone()).collect(),
        silent: ruling.silent.iter().map(|(operator, _)| operator.clone()).collect(),
    }
}

/// What a record follows its lines by.
fn follower(provider: &str, name: &DnsName, family: Family) -> Follower {
    Follower { provider: provider.to_owned(), name: name.clone(), family }
}

/// The families that any record wants, or any witness tells when there are no records.
pub fn families(config: &Config) -> Vec<Family> {
    let wanted: BTreeSet<Family> =
        config.records.iter().flat_map(|record| &record.types).map(|rtype| rtype.family()).collect();
    if wanted.is_empty() {
        let is_told = |family: &Family| config.witnesses.iter().any(|witness| witness.families.contains(family));
        return Family::BOTH.into_iter().filter(is_told).collect();
    }
    wanted.into_iter().collect()
}

fn desired(
    config: &Config,
    name: &str,
    records: &[&Record],
    home: &BTreeMap<Via, IpAddr>,
    failover: &mut Failover,
    steady: Duration,
) -> Vec<Desired> {
    reconcile::desired(records, config.watch.prefix_length, |record, family| {
        let key = follower(name, &record.name, family);
        let line = failover.follow(&key, &record.lines, steady, config.watch.return_after)?;
        home.get(&Via { line: line.clone(), family }).copied()
    })
}

/// What would be wanted of each provider if the rulings of `looks` were acted on at once; `vias` are asked about.
pub fn dry_run(
    config: &Config,
    vias: &[Via],
    looks: &[Look],
    found: &[Found],
    state: &State,
    now: Timestamp,
) -> BTreeMap<String, Vec<Desired>> {
    let mut home = agreed(looks);
    home.retain(|via, _| !forbids(config, found, via));
    // As if every round until the line is left or settled went like this one.
    let mut failover = Failover::recall(&state.lines, now);
    for via in vias {
        let seen = if home.contains_key(via) { Seen::Works } else { Seen::Missed };
        failover.hear(via, seen, 1, Duration::ZERO);
    }
    let records = by_provider(&config.records);
    let of = |name: &String| {
        let records = records.get(name.as_str()).map_or(&[][..], Vec::as_slice);
        (name.clone(), desired(config, name, records, &home, &mut failover, Duration::ZERO))
    };
    config.providers.keys().map(of).collect()
}

/// What becomes at a start of the writes that are `open`.
pub fn left(config: &Config, open: &BTreeMap<u64, OpenIntent>) -> Vec<Leftover> {
    let one = |(intent, started): (&u64, &OpenIntent)| {
        let provider = started.provider.clone();
        let detail = match config.providers.get(&provider) {
            Some(settings) if started.changes.iter().all(|change| change.name.is_in(&settings.zone)) => {
                return Leftover::ToBeRead(provider);
            }
            // A server asked about names of another zone refuses, and that would put the provider on hold.
            Some(_) => "the provider now has another zone, so how it ended cannot be read",
            None => "the provider is no longer configured, so how it ended cannot be read",
        };
        let (result, detail) = (Ending::Overtaken, detail.to_owned());
        Leftover::Lost(Event::Outcome { intent: *intent, provider, result, detail })
    };
    open.iter().map(one).collect()
}

#[cfg(test)]
mod tests;
