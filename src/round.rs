//! One pass through the flow: ask, vote, settle, publish. The daemon, `sync` and the rehearsal all go through here.
//!
//! Holds the watcher, the providers and the books together; touches the outside only through them.

use std::collections::{BTreeMap, BTreeSet};
use std::fmt;
use std::net::IpAddr;

use serde::Serialize;

use crate::address::Family;
use crate::audit::file::Log;
use crate::audit::{Ending, Event, Word};
use crate::clock::Clock;
use crate::config::{CarrierNat, Config, ProviderKind, Witness, WitnessKind};
use crate::provider::{Provider, rfc2136::Rfc2136, zonefile::ZoneFile};
use crate::reconcile;
use crate::state::{State, Store};
use crate::update::{self, Books, BooksError, Job, Report};
use crate::watch::diagnose::{self, Finding, History, Vantage};
use crate::watch::failover::Failover;
use crate::watch::rota::{self, Rota};
use crate::watch::settle::{Heard, Settling};
use crate::watch::vote::{self, Outcome, Ruling};
use crate::watch::{Testimony, Via, WatchError, Watcher};

/// Why a round cannot even begin.
#[derive(Debug, thiserror::Error)]
pub enum RoundError {
    /// The witnesses cannot be asked.
    #[error(transparent)]
    Watch(#[from] WatchError),
    /// The books cannot be opened.
    #[error(transparent)]
    Books(#[from] BooksError),
}

/// What the witnesses said in one round about one line and family, and what follows.
#[derive(Clone, Debug, Serialize)]
pub struct Look {
    /// The line; `None` when there is only one.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub line: Option<String>,
    /// The family.
    pub family: Family,
    /// The outcome of the vote.
    pub ruling: Ruling,
    /// What each witness said.
    pub testimony: Vec<Testimony>,
}

impl Look {
    /// The line and family.
    pub fn via(&self) -> Via {
        Via { line: self.line.clone(), family: self.family }
    }
}

/// Something that is amiss with a line or its witnesses.
#[derive(Clone, Debug, PartialEq, Eq, Serialize)]
pub struct Found {
    /// The line; `None` when there is only one.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub line: Option<String>,
    /// What is amiss.
    #[serde(flatten)]
    pub finding: Finding,
}

/// For people: what is amiss and what to do, with the line where there are several.
impl fmt::Display for Found {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        match &self.line {
            None => self.finding.fmt(f),
            Some(line) => write!(f, "{line}: {}", self.finding),
        }
    }
}

/// How often operators dissented lately, line by line.
pub type Histories = BTreeMap<Option<String>, History>;

/// What is configured, made able to act: the witnesses and the providers.
pub struct Means {
    /// The configuration.
    pub config: Config,
    watcher: Watcher,
    providers: BTreeMap<String, Box<dyn Provider>>,
    clock: Clock,
}

impl Means {
    /// Builds the watcher and the providers. Touches nothing outside yet.
    pub fn new(config: Config, clock: Clock) -> Result<Self, WatchError> {
        let watcher =
            Watcher::new(&config.witnesses, &config.lines, config.watch.timeout, &config.watch.accept_special)?;
        let build = |(name, provider): (&String, &crate::config::Provider)| {
            let zone = provider.zone.clone();
            let built: Box<dyn Provider> = match &provider.kind {
                ProviderKind::Rfc2136 { server, key } => {
                    Box::new(Rfc2136::new(zone, server.clone(), key.clone(), provider.timeout))
                }
                ProviderKind::Zonefile { file, reload } => {
                    Box::new(ZoneFile::new(zone, file.clone(), reload.clone(), provider.timeout))
                }
            };
            (name.clone(), built)
        };
        let providers = config.providers.iter().map(build).collect();
        Ok(Self { config, watcher, providers, clock })
    }

    /// The families that any record wants, or any witness tells when there are no records.
    pub fn families(&self) -> Vec<Family> {
        let wanted: BTreeSet<Family> =
            self.config.records.iter().flat_map(|record| &record.types).map(|rtype| rtype.family()).collect();
        if wanted.is_empty() {
            return Family::BOTH
                .into_iter()
                .filter(|family| self.config.witnesses.iter().any(|witness| witness.families.contains(family)))
                .collect();
        }
        wanted.into_iter().collect()
    }

    /// Asks every witness, and holds the vote for each line and family.
    pub async fn look(&self) -> Vec<Look> {
        self.glance(&BTreeMap::new(), &[], &mut Rota::default()).await
    }

    /// What `looks` show to be amiss, line by line; `histories` are brought up to date.
    pub fn diagnose(&self, looks: &[Look], histories: &mut Histories) -> Vec<Found> {
        let vantages: BTreeMap<&str, Vantage> =
            self.config.witnesses.iter().map(|witness| (witness.name.as_str(), vantage(&witness.kind))).collect();
        let wanted = if self.config.records.is_empty() { Vec::new() } else { self.families() };
        let lines: BTreeSet<&Option<String>> = looks.iter().map(|look| &look.line).collect();
        let mut found = Vec::new();
        for line in lines {
            let testimony = looks.iter().filter(|look| look.line == *line).flat_map(|look| &look.testimony);
            let words: Vec<diagnose::Word<'_>> = testimony
                .filter_map(|one| Some(diagnose::Word::of(*vantages.get(one.witness.as_str())?, one)))
                .collect();
            let history = histories.entry(line.clone()).or_default();
            let findings = diagnose::diagnose(&words, &wanted, history);
            found.extend(findings.into_iter().map(|finding| Found { line: line.clone(), finding }));
        }
        found
    }

    /// Whether `found` forbids publishing an address that was voted on `via`.
    fn forbids(&self, found: &[Found], via: &Via) -> bool {
        let of_line: Vec<Finding> =
            found.iter().filter(|found| found.line == via.line).map(|found| found.finding.clone()).collect();
        self.config.watch.carrier_nat == CarrierNat::Hold && diagnose::forbids_publishing(&of_line, via.family)
    }

    /// Those of `found` because of which something is held back.
    pub fn holding_back<'a>(&'a self, looks: &[Look], found: &'a [Found]) -> impl Iterator<Item = &'a Found> {
        let held: Vec<Via> = agreed(looks).into_keys().filter(|via| self.forbids(found, via)).collect();
        found.iter().filter(move |one| {
            held.iter().any(|via| via.line == one.line && self.forbids(std::slice::from_ref(*one), via))
        })
    }

    /// The same, but where `certain` has an address that nobody doubts, only those are asked whose turn it is; where
    /// their answers leave room for doubt, the others too.
    ///
    /// What is near and had no answer in `last` either is asked, but neither counted on nor a reason for doubt: a router
    /// behind another one never has an address to tell.
    pub async fn glance(&self, certain: &BTreeMap<Via, IpAddr>, last: &[Look], rota: &mut Rota) -> Vec<Look> {
        let families = self.families();
        let mute = |via: &Via, operator: &str| {
            last.iter()
                .any(|look| look.via() == *via && look.ruling.silent.iter().any(|(silent, _)| silent == operator))
        };
        let turns: BTreeMap<&Via, BTreeSet<&str>> =
            certain.keys().map(|via| (via, self.turn(via, rota, |operator| mute(via, operator)))).collect();
        let has_turn = |witness: &Witness, family| {
            let via = Via { line: witness.line.clone(), family };
            turns.get(&via).is_none_or(|turn| turn.contains(witness.operator.as_str()))
        };
        let mut heard = self.watcher.ask_those(&families, has_turn).await;
        let doubtful: BTreeSet<&Via> = certain
            .iter()
            .filter(|(via, address)| {
                let counts = |one: &&Testimony| {
                    let is_mute = one.said.is_err() && self.is_near(&one.witness) && mute(via, &one.operator);
                    one.via() == **via && !is_mute
                };
                rota::leaves_doubt(heard.iter().filter(counts), **address)
            })
            .map(|(via, _)| via)
            .collect();
        if !doubtful.is_empty() {
            let rest = |witness: &Witness, family| {
                doubtful.contains(&Via { line: witness.line.clone(), family }) && !has_turn(witness, family)
            };
            heard.extend(self.watcher.ask_those(&families, rest).await);
        }
        let rulings = self.watcher.rule(&heard, &families, self.config.watch.quorum);
        rulings
            .into_iter()
            .map(|(via, ruling)| {
                let testimony = heard.extract_if(.., |one| one.via() == via).collect();
                Look { line: via.line, family: via.family, ruling, testimony }
            })
            .collect()
    }

    /// The operators whose turn it is.
    fn turn(&self, via: &Via, rota: &mut Rota, is_mute: impl Fn(&str) -> bool) -> BTreeSet<&str> {
        let (mut near, mut far): (Vec<&str>, Vec<&str>) = (Vec::new(), Vec::new());
        for witness in self.watcher.witnesses_of(via) {
            let list = if witness.kind.is_near() { &mut near } else { &mut far };
            if !list.contains(&witness.operator.as_str()) {
                list.push(&witness.operator);
            }
        }
        far.retain(|operator| !near.contains(operator));
        let needed = vote::needed(near.len() + far.len(), self.config.watch.quorum);
        let (silent, telling): (Vec<&str>, Vec<&str>) = near.into_iter().partition(|operator| is_mute(operator));
        let mut turn = rota.turn(via, &telling, &far, needed);
        turn.extend(silent);
        turn
    }

    fn is_near(&self, witness: &str) -> bool {
        self.config.witnesses.iter().any(|one| one.name == witness && one.kind.is_near())
    }

    /// What would be written if the rulings of `looks` were acted on at once. Writes nothing anywhere.
    pub async fn foresee(&self, looks: &[Look], found: &[Found], state: &State) -> Vec<Report> {
        let mut home = agreed(looks);
        home.retain(|via, _| !self.forbids(found, via));
        let words = words(looks);
        let mut reports = Vec::new();
        for name in self.providers.keys() {
            let prefix_length = self.config.watch.prefix_length;
            let desired = reconcile::desired(&self.config.records, name, prefix_length, |record, family| {
                let via = |line: &Option<String>| Via { line: line.clone(), family };
                record.lines.iter().find_map(|line| home.get(&via(line)).copied())
            });
            if let Some(job) = self.job(name, &desired, &words).filter(|_| !desired.is_empty()) {
                reports.push(update::foresee(&job, state, &self.clock).await);
            }
        }
        reports
    }

    fn job<'a>(
        &'a self,
        name: &'a str,
        desired: &'a [reconcile::Desired],
        words: &'a BTreeMap<Via, Word>,
    ) -> Option<Job<'a>> {
        let (settings, provider) = (self.config.providers.get(name)?, self.providers.get(name)?);
        Some(Job {
            name,
            zone: &settings.zone,
            fingerprint: &settings.fingerprint,
            provider: provider.as_ref(),
            desired,
            words,
            limits: &self.config.limits,
        })
    }
}

/// The means together with the books: what the daemon and `sync` work with.
pub struct Home {
    /// What is configured, made able to act.
    pub means: Means,
    books: Books,
    settling: BTreeMap<Via, Settling>,
    looks: Vec<Look>,
    rota: Rota,
    failover: Failover,
    histories: Histories,
    found: Vec<Found>,
    /// Looks since the start.
    rounds: u32,
}

impl Home {
    /// Locks the state directory and opens the books. Holds whose configuration has changed end here.
    pub fn open(means: Means) -> Result<Self, RoundError> {
        let books = open_books(&means.config).map_err(RoundError::Books)?;
        let settling = books
            .state
            .settled
            .iter()
            .map(|(via, address)| (via.clone(), Settling { settled: Some(*address), candidate: None }))
            .collect();
        let mut home = Self {
            means,
            books,
            settling,
            looks: Vec::new(),
            rota: Rota::default(),
            failover: Failover::default(),
            histories: Histories::new(),
            found: Vec::new(),
            rounds: 0,
        };
        home.after_start();
        Ok(home)
    }

    /// Goes on with other means, after a reload. All holds end.
    pub fn refit(&mut self, means: Means) {
        self.books.log.refit(means.config.audit);
        self.means = means;
        self.after_start();
        self.release("the configuration was reloaded", |_, _| true);
    }

    /// Ends every hold, because a person asked for a write by hand.
    pub fn release_all(&mut self, why: &str) {
        self.release(why, |_, _| true);
    }

    /// What survives a restart.
    pub fn state(&self) -> &State {
        &self.books.state
    }

    /// Whether a write was begun whose end is not known.
    pub fn is_writing(&self) -> bool {
        !self.books.log.open_intents().is_empty()
    }

    /// The newest round's rulings.
    pub fn looks(&self) -> &[Look] {
        &self.looks
    }

    /// What the newest round showed to be amiss.
    pub fn found(&self) -> &[Found] {
        &self.found
    }

    /// Enters what is newly amiss, and what is no more, once each. For who looks again and again: one look alone shows
    /// what is amiss now, and not that something has passed.
    pub fn enter_findings(&mut self) {
        let mut now: BTreeSet<_> = self.found.iter().map(|found| (found.line.clone(), found.finding.key())).collect();
        if self.rounds < diagnose::ROUNDS {
            // What shows only over many rounds has not passed because this process is young.
            let lasting = |(_, about): &&(Option<String>, String)| diagnose::needs_history(about);
            now.extend(self.books.state.findings.iter().filter(lasting).cloned());
        }
        let before = self.books.state.findings.clone();
        let mut news = Vec::new();
        for found in &self.found {
            let (line, about) = (found.line.clone(), found.finding.key());
            if !before.contains(&(line.clone(), about.clone())) {
                news.push((
                    (line.clone(), about.clone()),
                    Event::Found { line, about, text: found.finding.to_string() },
                ));
            }
        }
        for (line, about) in before.difference(&now) {
            let gone = Event::Gone { line: line.clone(), about: about.clone() };
            news.push(((line.clone(), about.clone()), gone));
        }
        for (key, event) in news {
            let is_new = matches!(event, Event::Found { .. });
            // What cannot be written now is news in the next round too; that nothing can be written is told elsewhere.
            if let Err(error) = self.books.log.append(self.means.clock.now(), event) {
                tracing::debug!("{}", crate::commands::chain_of(&error));
            } else if is_new {
                self.books.state.findings.insert(key);
            } else {
                self.books.state.findings.remove(&key);
            }
        }
        if let Err(error) = self.books.store.save(&self.books.state) {
            tracing::debug!("{}", crate::commands::chain_of(&error));
        }
    }

    fn after_start(&mut self) {
        let open = self.books.log.open_intents().clone();
        for (intent, started) in open {
            let zone = self.means.config.providers.get(&started.provider).map(|provider| &provider.zone);
            let detail = match (zone, self.means.providers.get(&started.provider)) {
                (Some(zone), Some(provider)) if started.changes.iter().all(|change| change.name.is_in(zone)) => {
                    provider.resume();
                    continue;
                }
                // A server asked about names of another zone refuses, and that would put the provider on hold.
                (Some(_), Some(_)) => "the provider now has another zone, so how it ended cannot be read",
                _ => "the provider is no longer configured, so how it ended cannot be read",
            };
            let detail = detail.to_owned();
            self.enter(Event::Outcome { intent, provider: started.provider, result: Ending::Overtaken, detail });
        }
        let fingerprints: BTreeMap<String, String> =
            self.means.config.providers.iter().map(|(name, p)| (name.clone(), p.fingerprint.clone())).collect();
        self.release("its configuration changed", |name, fingerprint| {
            fingerprints.get(name).is_none_or(|present| present != fingerprint)
        });
    }

    fn release(&mut self, why: &str, ends: impl Fn(&str, &str) -> bool) {
        let ended: Vec<String> = self
            .books
            .state
            .holds
            .iter()
            .filter(|(name, hold)| ends(name, &hold.fingerprint))
            .map(|(name, _)| name.clone())
            .collect();
        for name in ended {
            self.books.state.holds.remove(&name);
            tracing::info!("{name}: the hold ends: {why}");
            self.enter(Event::Release { provider: name, why: why.to_owned() });
        }
        self.save();
    }

    /// Asks the witnesses, and settles: an address that has won `rounds` rounds in a row is the home's.
    ///
    /// Everybody is asked when the round is to be `thorough`, and where the newest round left any doubt.
    pub async fn look(&mut self, rounds: u32, thorough: bool) -> Vec<(Via, Heard)> {
        let mut certain = agreed(&self.looks);
        certain.retain(|via, address| !thorough && self.is_settled(via, *address));
        self.looks = self.means.glance(&certain, &self.looks, &mut self.rota).await;
        self.found = self.means.diagnose(&self.looks, &mut self.histories);
        self.rounds = self.rounds.saturating_add(1);
        let now = self.means.clock.now();
        let mut heard = Vec::new();
        for look in self.looks.clone() {
            let via = look.via();
            let told = self.settling.entry(via.clone()).or_default().hear(&look.ruling.outcome, rounds);
            if let Heard::Settled { from, to } = told {
                self.books.state.settled.insert(via.clone(), to);
                // First the reason, then the state: what is missing after a crash settles anew.
                let word = word(&look.ruling, to);
                self.enter(Event::Settled { line: look.line.clone(), family: look.family, from, to, word });
                self.save();
            }
            let works = matches!(told, Heard::Unchanged | Heard::Settled { .. });
            self.failover.hear(&via, works, rounds, now);
            heard.push((via, told));
        }
        heard
    }

    /// Brings the records of the providers for which `due` holds in step with the newest rulings.
    ///
    /// An address is published while it is settled and the newest round agrees: doubt changes nothing.
    pub async fn publish(&mut self, due: impl Fn(&str) -> bool) -> Vec<Report> {
        let mut home = agreed(&self.looks);
        home.retain(|via, address| self.is_settled(via, *address) && !self.means.forbids(&self.found, via));
        let words = words(&self.looks);
        let (now, return_after) = (self.means.clock.now(), self.means.config.watch.return_after);
        let mut reports = Vec::new();
        for name in self.means.providers.keys().filter(|name| due(name)) {
            let failover = &mut self.failover;
            let prefix_length = self.means.config.watch.prefix_length;
            let desired = reconcile::desired(&self.means.config.records, name, prefix_length, |record, family| {
                let key = format!("{name} {} {family}", record.name);
                let line = failover.follow(&key, &record.lines, family, now, return_after)?;
                home.get(&Via { line: line.clone(), family }).copied()
            });
            let open = self.books.log.open_intents().values().any(|intent| intent.provider == *name);
            if desired.is_empty() && !open {
                continue;
            }
            if let Some(job) = self.means.job(name, &desired, &words) {
                reports.push(update::bring_in_step(&job, &mut self.books, &self.means.clock).await);
            }
        }
        reports
    }

    fn is_settled(&self, via: &Via, address: IpAddr) -> bool {
        self.settling.get(via).and_then(|settling| settling.settled) == Some(address)
    }

    fn enter(&mut self, event: Event) {
        if let Err(error) = self.books.log.append(self.means.clock.now(), event) {
            tracing::warn!("{}", crate::commands::chain_of(&error));
        }
    }

    fn save(&mut self) {
        if let Err(error) = self.books.store.save(&self.books.state) {
            tracing::warn!("{}", crate::commands::chain_of(&error));
        }
    }
}

fn open_books(config: &Config) -> Result<Books, BooksError> {
    let locked = Store::lock(&config.state_dir)?;
    let state = State::load(&config.state_dir, &config.limits)?;
    let (log, _) = Log::open(&config.state_dir, config.audit)?;
    Ok(Books { store: locked.store(&state), state, log })
}

/// The state as a reader without the lock sees it. Writes nothing.
pub fn peek(config: &Config) -> Result<State, BooksError> {
    Ok(State::load(&config.state_dir, &config.limits)?)
}

fn vantage(kind: &WitnessKind) -> Vantage {
    match kind {
        WitnessKind::Http { .. } | WitnessKind::Stun { .. } => Vantage::Outside,
        WitnessKind::Router { .. } => Vantage::Router,
        WitnessKind::Interface { .. } => Vantage::Interface,
    }
}

/// The addresses that the newest rulings agree on.
pub fn agreed(looks: &[Look]) -> BTreeMap<Via, IpAddr> {
    looks
        .iter()
        .filter_map(|look| match look.ruling.outcome {
            Outcome::Agreed(address) => Some((look.via(), address)),
            Outcome::Split | Outcome::TooFew | Outcome::NoneAsked => None,
        })
        .collect()
}

fn words(looks: &[Look]) -> BTreeMap<Via, Word> {
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
