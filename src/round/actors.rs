//! What is configured, made able to act: asking, the vote, and what would follow. Keeps no books.

use std::collections::BTreeMap;
use std::net::IpAddr;
use std::rc::Rc;
use std::sync::Arc;

use crate::audit::Word;
use crate::clock::{Clock, Timestamp};
use crate::exposure::{self, look::look};
use crate::household::{self, asking::Asking};
use crate::limits;
use crate::name::DnsName;
use crate::provider::lease_record::Nonce;
use crate::provider::{Provider, program::Program, rest::Rest, rfc2136::Rfc2136, zonefile::ZoneFile};
use crate::reconcile;
use crate::settings::{Config, Confirm, ProviderKind, Via, Witness, by_provider};
use crate::standby::{self, Lease, Leases};
use crate::state::State;
use crate::update::{self, Job, Report};
use crate::watch::look::{Found, Look};
use crate::watch::rota::Rota;
use crate::watch::{WatchError, Watcher};

/// What is configured, made able to act: the witnesses and the providers.
pub struct Actors {
    /// The configuration.
    pub config: Config,
    watcher: Watcher,
    pub(super) providers: BTreeMap<String, Arc<dyn Provider>>,
    nonce: Nonce,
    pub(super) leases: Leases,
    pub(super) clock: Clock,
}

impl Actors {
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
        let actors = Self { config, watcher, providers, nonce: standby::fresh_nonce(), leases: Leases::new(), clock };
        Ok(actors.with_leases())
    }

    /// Goes on in the place of `before`: the leases that it holds stay held.
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

    /// What time it is.
    pub fn now(&self) -> Timestamp {
        self.clock.now()
    }

    /// The lines and families that are asked about.
    pub(crate) fn vias(&self) -> Vec<Via> {
        self.watcher.vias(&household::families(&self.config))
    }

    /// Asks every witness, and holds the vote for each line and family.
    pub async fn poll(&self) -> Vec<Look> {
        self.poll_some(&BTreeMap::new(), &[], &mut Rota::default()).await
    }

    /// Asks as [`Self::poll`] does; but where `certain` has an address that nobody doubts, only those are asked whose
    /// turn it is; where their answers leave room for doubt, the others too: see [`Asking`]. `last` is the round
    /// before.
    pub async fn poll_some(&self, certain: &BTreeMap<Via, IpAddr>, last: &[Look], rota: &mut Rota) -> Vec<Look> {
        let families = household::families(&self.config);
        let asking = Asking::begin(&self.config, certain, last, rota);
        let mut heard = self.watcher.ask_those(&families, |witness, family| asking.has_turn(witness, family)).await;
        let doubtful = asking.doubtful(&heard);
        if !doubtful.is_empty() {
            let is_other = |witness: &Witness, family| asking.is_other(witness, family, &doubtful);
            heard.extend(self.watcher.ask_those(&families, is_other).await);
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

    /// Where each provider writes, and which records, as the limits count it.
    pub(crate) fn sites(&self) -> BTreeMap<String, limits::Site> {
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
    pub async fn dry_run(&self, looks: &[Look], found: &[Found], state: &State) -> Vec<Report> {
        let words = Rc::new(household::words(looks));
        let words = || Some(Rc::clone(&words));
        let mut state = state.clone();
        state.ledger.settle(self.sites());
        let mut reports = Vec::new();
        let wanted = household::dry_run(&self.config, &self.vias(), looks, found, &state, self.clock.now());
        for (name, desired) in wanted.iter().filter(|(_, desired)| !desired.is_empty()) {
            if let Some(job) = self.job(name, desired, &words) {
                reports.push(update::dry_run(&job, &state, &self.clock).await);
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

#[cfg(test)]
mod tests {
    use std::fs;

    use super::*;
    use crate::config::testing;

    /// At a start the log is read before there are providers.
    #[test]
    fn the_configuration_tells_how_a_provider_counts_as_the_provider_does() {
        let dir = tempfile::tempdir().unwrap();
        let providers = concat!(env!("CARGO_MANIFEST_DIR"), "/config/providers");
        let token = dir.path().join("token");
        fs::write(&token, "opensesame").unwrap();
        fs::set_permissions(&token, std::os::unix::fs::PermissionsExt::from_mode(0o600)).unwrap();
        let token = token.display();
        let text = format!(
            r#"
[provider.home]
kind = "rfc2136"
zone = "heronmill.example"
server = "127.0.0.1:53"
unsigned = true
[provider.shelf]
kind = "zonefile"
zone = "shelf.example"
file = "shelf.zone"
[provider.barn]
kind = "program"
zone = "barn.example"
command = ["/bin/true"]
[provider.desk]
kind = "rest"
zone = "desk.example"
description = "{providers}/record.toml"
values = {{ server = "http://127.0.0.1:1" }}
token = {{ file = "{token}" }}
"#
        );
        let actors = Actors::new(testing::config(dir.path(), &text), crate::clock::system()).unwrap();
        assert_eq!(actors.providers.len(), 4);
        for (name, provider) in &actors.providers {
            assert_eq!(provider.tally(), actors.config.providers[name].kind.tally(), "{name}");
        }
    }
}
