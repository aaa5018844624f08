//! One pass through the flow: ask, vote, settle, publish. The daemon, `sync` and the rehearsal all go through here.
//!
//! Holds the watcher, the providers and the books together; touches the outside only through them.

use std::collections::{BTreeMap, BTreeSet};
use std::net::IpAddr;

use serde::Serialize;

use crate::address::Family;
use crate::audit::file::Log;
use crate::audit::{Ending, Event, Word};
use crate::clock::Clock;
use crate::config::{Config, ProviderKind};
use crate::provider::{Provider, rfc2136::Rfc2136, zonefile::ZoneFile};
use crate::reconcile;
use crate::state::{State, Store};
use crate::update::{self, Books, BooksError, Job, Report};
use crate::watch::settle::{Heard, Settling};
use crate::watch::vote::{Outcome, Ruling};
use crate::watch::{Testimony, WatchError, Watcher};

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

/// What the witnesses said in one round, and what follows for one family.
#[derive(Clone, Debug, Serialize)]
pub struct Look {
    /// The family.
    pub family: Family,
    /// The outcome of the vote.
    pub ruling: Ruling,
    /// What each witness said.
    pub testimony: Vec<Testimony>,
}

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
        let watcher = Watcher::new(&config.witnesses, config.watch.timeout, &config.watch.accept_special)?;
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

    /// Asks every witness, and holds the vote in each family.
    pub async fn look(&self) -> Vec<Look> {
        let families = self.families();
        let mut heard = self.watcher.ask(&families).await;
        let rulings = self.watcher.rule(&heard, &families, self.config.watch.quorum);
        rulings
            .into_iter()
            .map(|(family, ruling)| {
                let testimony = heard.extract_if(.., |testimony| testimony.family == family).collect();
                Look { family, ruling, testimony }
            })
            .collect()
    }

    /// What would be written if the rulings of `looks` were acted on at once. Writes nothing anywhere.
    pub async fn foresee(&self, looks: &[Look], state: &State) -> Vec<Report> {
        let home = agreed(looks);
        let words = words(looks);
        let mut reports = Vec::new();
        for name in self.providers.keys() {
            let desired = reconcile::desired(&self.config.records, name, &home);
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
        words: &'a BTreeMap<Family, Word>,
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
    settling: BTreeMap<Family, Settling>,
    looks: Vec<Look>,
}

impl Home {
    /// Locks the state directory and opens the books. Holds whose configuration has changed end here.
    pub fn open(means: Means) -> Result<Self, RoundError> {
        let books = open_books(&means.config).map_err(RoundError::Books)?;
        let settling = books
            .state
            .settled
            .iter()
            .map(|(family, address)| (*family, Settling { settled: Some(*address), candidate: None }))
            .collect();
        let mut home = Self { means, books, settling, looks: Vec::new() };
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
    pub async fn look(&mut self, rounds: u32) -> Vec<(Family, Heard)> {
        self.looks = self.means.look().await;
        let mut heard = Vec::new();
        for look in self.looks.clone() {
            let told = self.settling.entry(look.family).or_default().hear(&look.ruling.outcome, rounds);
            if let Heard::Settled { from, to } = told {
                self.books.state.settled.insert(look.family, to);
                // First the reason, then the state: what is missing after a crash settles anew.
                self.enter(Event::Settled { family: look.family, from, to, word: word(&look.ruling, to) });
                self.save();
            }
            heard.push((look.family, told));
        }
        heard
    }

    /// Brings the records of the providers for which `due` holds in step with the newest rulings.
    ///
    /// An address is published while it is settled and the newest round agrees: doubt changes nothing.
    pub async fn publish(&mut self, due: impl Fn(&str) -> bool) -> Vec<Report> {
        let mut home = agreed(&self.looks);
        home.retain(|family, address| self.settling.get(family).and_then(|s| s.settled) == Some(*address));
        let words = words(&self.looks);
        let mut reports = Vec::new();
        for name in self.means.providers.keys().filter(|name| due(name)) {
            let desired = reconcile::desired(&self.means.config.records, name, &home);
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
    let (log, entries) = Log::open(&config.state_dir, config.audit)?;
    let state = State::load(&config.state_dir, &entries, &config.limits)?;
    Ok(Books { store: locked.store(&state), state, log })
}

/// The state as a reader without the lock sees it. Writes nothing.
pub fn peek(config: &Config) -> Result<State, BooksError> {
    let (_, entries) = Log::open(&config.state_dir, config.audit)?;
    Ok(State::load(&config.state_dir, &entries, &config.limits)?)
}

/// The addresses that the newest rulings agree on.
pub fn agreed(looks: &[Look]) -> BTreeMap<Family, IpAddr> {
    looks
        .iter()
        .filter_map(|look| match look.ruling.outcome {
            Outcome::Agreed(address) => Some((look.family, address)),
            Outcome::Split | Outcome::TooFew | Outcome::NoneAsked => None,
        })
        .collect()
}

fn words(looks: &[Look]) -> BTreeMap<Family, Word> {
    let addresses = agreed(looks);
    looks.iter().filter_map(|look| Some((look.family, word(&look.ruling, *addresses.get(&look.family)?)))).collect()
}

fn word(ruling: &Ruling, address: IpAddr) -> Word {
    Word {
        address,
        agreed: ruling.agreed.clone(),
        dissent: ruling.dissent.iter().map(|dissent| dissent.operator.clone()).collect(),
        silent: ruling.silent.iter().map(|(operator, _)| operator.clone()).collect(),
    }
}
