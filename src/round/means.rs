//! What is configured, made able to act: asking, the vote, and what would follow. Keeps no books.

use std::collections::{BTreeMap, BTreeSet};
use std::net::IpAddr;
use std::rc::Rc;
use std::sync::Arc;
use std::time::Duration;

use super::{Histories, follower, words};
use crate::address::Family;
use crate::audit::Word;
use crate::clock::Clock;
use crate::exposure::{self, look::look};
use crate::limits;
use crate::name::DnsName;
use crate::provider::claim::Nonce;
use crate::provider::{Provider, program::Program, rest::Rest, rfc2136::Rfc2136, zonefile::ZoneFile};
use crate::reconcile;
use crate::settings::{CarrierNat, Config, Confirm, ProviderKind, Via, Witness, WitnessKind, by_provider};
use crate::standby::{self, Lease, Leases};
use crate::state::State;
use crate::update::{self, Job, Report};
use crate::watch::diagnose::{self, Finding, Vantage};
use crate::watch::failover::{Failover, Seen};
use crate::watch::look::{Found, HeldBack, Look, agreed};
use crate::watch::rota::{self, Rota};
use crate::watch::{Testimony, WatchError, Watcher, vote};

/// What is configured, made able to act: the witnesses and the providers.
pub struct Means {
    /// The configuration.
    pub config: Config,
    watcher: Watcher,
    pub(super) providers: BTreeMap<String, Arc<dyn Provider>>,
    nonce: Nonce,
    pub(super) leases: Leases,
    pub(super) clock: Clock,
}

impl Means {
    /// Builds the watcher and the providers. Touches nothing outside yet.
    pub fn new(config: Config, clock: Clock) -> Result<Self, WatchError> {
        let watcher =
            Watcher::new(&config.witnesses, &config.lines, config.watch.timeout, &config.watch.accept_special)?;
        let build = |(name, provider): (&String, &crate::settings::Provider)| {
            let zone = provider.zone.clone();
            let built: Arc<dyn Provider> = match &provider.kind {
                ProviderKind::Rfc2136 { server, key } => {
                    Arc::new(Rfc2136::new(zone, server.clone(), key.clone(), provider.timeout))
                }
                ProviderKind::Rest(api) => Arc::new(Rest::new(zone, (**api).clone(), provider.timeout)),
                ProviderKind::Zonefile { file, reload } => {
                    Arc::new(ZoneFile::new(zone, file.clone(), reload.clone(), provider.timeout))
                }
                ProviderKind::Program { program, arguments, variables, secret, visible_within } => {
                    let (program, arguments, variables) = (program.clone(), arguments.clone(), variables.clone());
                    let built = Program::new(zone, program, arguments, variables, secret.clone(), provider.timeout);
                    Arc::new(built.visible_within(*visible_within))
                }
            };
            (name.clone(), built)
        };
        let providers = config.providers.iter().map(build).collect();
        let means = Self { config, watcher, providers, nonce: standby::fresh_nonce(), leases: Leases::new(), clock };
        Ok(means.with_leases())
    }

    /// The same, taking the turns of those that `before` took: what they hold stays held.
    pub(super) fn succeed(mut self, before: &Self) -> Self {
        self.nonce = before.nonce;
        self.with_leases()
    }

    fn with_leases(mut self) -> Self {
        let Some(standby) = &self.config.standby else { return self };
        let lease = |(name, provider): (&String, &Arc<dyn Provider>)| {
            let at = standby.names.get(name)?.clone();
            let lease = Lease::new(standby, at, Arc::clone(provider), self.nonce, self.clock.clone());
            Some((name.clone(), Arc::new(lease)))
        };
        self.leases = self.providers.iter().filter_map(lease).collect();
        self
    }

    /// What the outside can see of `home`: see [`look`]. What it needs it takes along.
    pub fn exposing(&self, home: exposure::home::Home) -> impl Future<Output = Vec<exposure::Finding>> + use<> {
        self.onlooker()(home)
    }

    /// How one looks at a home that is known later.
    pub(super) fn onlooker(&self) -> impl AsyncFnOnce(exposure::home::Home) -> Vec<exposure::Finding> + use<> {
        let (config, now) = (self.config.clone(), self.clock.now());
        let zone = |(name, settings): (&String, &crate::settings::Provider)| {
            Some((settings.zone.clone(), Arc::clone(self.providers.get(name)?)))
        };
        let zones: Vec<(DnsName, Arc<dyn Provider>)> = self.config.providers.iter().filter_map(zone).collect();
        async move |home: exposure::home::Home| look(&config, &zones, &home, now).await
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

    /// The lines and families that are asked about.
    pub fn vias(&self) -> Vec<Via> {
        self.watcher.vias(&self.families())
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
            let findings = diagnose::diagnose(&words, &wanted, history, self.clock.now());
            found.extend(findings.into_iter().map(|finding| Found { line: line.clone(), finding }));
        }
        found
    }

    /// Whether `found` forbids publishing an address that was voted on `via`.
    pub(super) fn forbids(&self, found: &[Found], via: &Via) -> bool {
        let of_line: Vec<Finding> =
            found.iter().filter(|found| found.line == via.line).map(|found| found.finding.clone()).collect();
        self.config.watch.carrier_nat == CarrierNat::Hold && diagnose::forbids_publishing(&of_line, via.family)
    }

    /// The records that are held back because of `found`: on every line that has an address for them.
    pub fn held_back(&self, looks: &[Look], found: &[Found]) -> Vec<HeldBack> {
        let home = agreed(looks);
        let mut held = Vec::new();
        for record in &self.config.records {
            for rtype in record.types.iter().copied() {
                let vias = record.lines.iter().map(|line| Via { line: line.clone(), family: rtype.family() });
                let (forbidden, free): (Vec<Via>, Vec<Via>) =
                    vias.filter(|via| home.contains_key(via)).partition(|via| self.forbids(found, via));
                if let (true, Some(via)) = (free.is_empty(), forbidden.first())
                    && let Some(address) = home.get(via).copied()
                {
                    held.push(HeldBack { line: via.line.clone(), name: record.name.clone(), rtype, address });
                }
            }
        }
        held
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

    /// Where each provider writes, and which records, as the limits count it.
    pub fn sites(&self) -> BTreeMap<String, limits::Site> {
        let records = by_provider(&self.config.records);
        let site = |(name, provider): (&String, &Arc<dyn Provider>)| {
            let zone = &self.config.providers.get(name)?.zone;
            let records = records.get(name.as_str()).into_iter().flatten();
            let records = records.flat_map(|record| record.types.iter().map(|rtype| (record.name.clone(), *rtype)));
            let place = limits::place(&provider.target(), zone);
            Some((name.clone(), limits::Site { place, records: records.collect() }))
        };
        self.providers.iter().filter_map(site).collect()
    }

    /// What would be written if the rulings of `looks` were acted on at once. Writes nothing anywhere.
    pub async fn foresee(&self, looks: &[Look], found: &[Found], state: &State) -> Vec<Report> {
        let mut home = agreed(looks);
        home.retain(|via, _| !self.forbids(found, via));
        let words = Rc::new(words(looks));
        let words = || Some(Rc::clone(&words));
        let mut state = state.clone();
        state.ledger.settle(self.sites());
        // As if every round until the line is left or settled went like this one.
        let mut failover = Failover::recall(&state.lines, self.clock.now());
        for via in self.vias() {
            let seen = if home.contains_key(&via) { Seen::Works } else { Seen::Missed };
            failover.hear(&via, seen, 1, Duration::ZERO);
        }
        let return_after = self.config.watch.return_after;
        let mut reports = Vec::new();
        let records = by_provider(&self.config.records);
        for name in self.providers.keys() {
            let prefix_length = self.config.watch.prefix_length;
            let records = records.get(name.as_str()).map_or(&[][..], Vec::as_slice);
            let desired = reconcile::desired(records, prefix_length, |record, family| {
                let key = follower(name, &record.name, family);
                let line = failover.follow(&key, &record.lines, family, Duration::ZERO, return_after)?;
                home.get(&Via { line: line.clone(), family }).copied()
            });
            if let Some(job) = self.job(name, &desired, &words).filter(|_| !desired.is_empty()) {
                reports.push(update::foresee(&job, &state, &self.clock).await);
            }
        }
        reports
    }

    pub(super) fn job<'a>(
        &'a self,
        name: &'a str,
        desired: &'a [reconcile::Desired],
        words: &'a dyn Fn() -> Option<Rc<BTreeMap<Via, Word>>>,
    ) -> Option<Job<'a>> {
        let (settings, provider) = (self.config.providers.get(name)?, self.providers.get(name)?);
        Some(Job {
            name,
            zone: &settings.zone,
            fingerprint: &settings.fingerprint,
            provider: provider.as_ref(),
            lease: self.leases.get(name).map(Arc::as_ref),
            desired,
            words,
            limits: &self.config.limits,
            confirms: settings.confirm != Confirm::Off,
        })
    }
}

fn vantage(kind: &WitnessKind) -> Vantage {
    match kind {
        WitnessKind::Http { .. } | WitnessKind::Stun { .. } => Vantage::Outside,
        WitnessKind::Router { .. } => Vantage::Router,
        WitnessKind::Interface { .. } => Vantage::Interface,
    }
}
