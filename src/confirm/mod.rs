//! Confirming: after a write, every authoritative server of the zone is asked until all of them serve it.
//!
//! [`crate::audit::propagation`] has the values, `propagation` decides (pure) who is asked when and what has been reached, `delegation` reads
//! (pure) what resolvers and parents answer. `nameservers` and `ask` touch the network, and [`Confirming`] runs them: a task a
//! provider, beside everything else, with nothing to wait for it.
//!
//! The books are kept by whoever is told of a [`Verdict`]: nothing here writes anywhere.

mod ask;
#[cfg(any(test, fuzzing))]
pub(crate) mod hostile;
mod nameservers;

use std::collections::BTreeMap;
use std::net::SocketAddr;
use std::sync::Arc;
use std::time::Duration;

use tokio::task::{JoinError, JoinSet};
use tokio::time::{Instant, sleep_until};

use crate::audit::propagation::{Behind, Propagation};
use crate::clock::Timestamp;
use crate::dns::udp::Asker;
use crate::name::DnsName;
use crate::settings::{Config, Confirm};
use crate::update::{RecordState, Report};
pub use fingerpost_core::confirm::*;
use propagation::{Asked, Errand, Tracker};

/// How long one question to one address may take, a second try included.
const PATIENCE: Duration = Duration::from_secs(3);

/// The servers of `zone`, for whoever else has a question to them; by `resolver`, or those of this machine.
///
/// # Errors
/// Why they are not known.
pub(crate) async fn servers_of(
    asker: &Asker,
    zone: &DnsName,
    confirm: &Confirm,
    resolver: Option<SocketAddr>,
) -> Result<Vec<Server>, String> {
    nameservers::servers(asker, zone, confirm, resolver).await.map_err(|lost| lost.why)
}

/// Where a provider's zone is served.
#[derive(Clone, Debug)]
struct Place {
    zone: DnsName,
    confirm: Confirm,
}

/// Asks for all waves that there are, at their times. Dropped, it asks no more.
pub struct Confirming {
    tracker: Tracker,
    places: BTreeMap<String, Place>,
    resolver: Option<SocketAddr>,
    asker: Arc<Asker>,
    /// What the tracker's times count from.
    start: Instant,
    passes: JoinSet<Asked>,
}

impl Confirming {
    /// For the zones of `config`; asks nobody yet.
    pub(crate) fn new(config: &Config) -> Self {
        let place = |(name, provider): (&String, &crate::settings::Provider)| {
            (name.clone(), Place { zone: provider.zone.clone(), confirm: provider.confirm.clone() })
        };
        Self {
            tracker: Tracker::new(config.confirm.every, config.confirm.deadline),
            places: config.providers.iter().map(place).collect(),
            resolver: config.confirm.resolver,
            asker: Arc::new(Asker::new()),
            start: Instant::now(),
            passes: JoinSet::new(),
        }
    }

    /// Takes over which waves there are, by provider; `wall` is the time that they count from.
    pub(crate) fn follow(&mut self, waves: &BTreeMap<String, Vec<Propagation>>, wall: Timestamp) {
        self.tracker.follow(waves, self.start.elapsed(), wall);
    }

    /// Whether there is nothing to wait for.
    pub(crate) fn is_idle(&self) -> bool {
        self.tracker.is_idle()
    }

    /// Asks whoever is to be asked at its time, and tells what a pass over one provider's servers has shown; often that
    /// is only who is still behind. Never returns when there is nothing to wait for. May be dropped at any time, and
    /// goes on when called again. An error is a task that came to a bad end.
    pub(crate) async fn next(&mut self) -> Result<Vec<Verdict>, JoinError> {
        loop {
            for errand in self.tracker.errands(self.start.elapsed()) {
                self.send(errand);
            }
            let due = self.tracker.next_due().map(|due| self.start + due);
            tokio::select! {
                Some(pass) = self.passes.join_next() => return Ok(self.tracker.heard(pass?)),
                () = sleep_until(due.unwrap_or(self.start)), if due.is_some() => {}
                // A branch that does not match is disabled: with nobody under way this waits for the time alone.
                else => std::future::pending().await,
            }
        }
    }

    /// Who was behind when last asked, whatever for.
    pub(crate) fn behind(&self) -> Vec<&Behind> {
        self.tracker.behind()
    }

    fn send(&mut self, errand: Errand) {
        let (asker, resolver, start) = (Arc::clone(&self.asker), self.resolver, self.start);
        // The books have no waves of a provider that is not configured.
        let Some(place) = self.places.get(&errand.provider).cloned() else { return };
        self.passes.spawn(async move {
            let servers = match &errand.servers {
                Some(servers) => Ok(servers.clone()),
                None => nameservers::servers(&asker, &place.zone, &place.confirm, resolver).await,
            };
            let heard = match servers {
                Ok(servers) => Ok(ask::all(&asker, &place.zone, servers, &errand).await),
                Err(lost) => Err(lost),
            };
            Asked { errand, heard, at: start.elapsed() }
        });
    }

    /// Enters into `report` which of its records are not served everywhere yet, by the `waves` of all providers.
    pub(crate) fn mark(&self, report: &mut Report, waves: &BTreeMap<String, Vec<Propagation>>) {
        let mut spreading = BTreeMap::new();
        for wave in waves.get(&report.provider).into_iter().flatten() {
            let (waited, behind) = self.tracker.view(&report.provider, wave.intent, self.start.elapsed());
            let waited_ms = waited.as_millis().try_into().unwrap_or(u64::MAX);
            let state = RecordState::Spreading { since: wave.since, waited_ms, behind };
            spreading.extend(wave.records.iter().map(|record| ((&record.name, record.rtype), state.clone())));
        }
        for record in &mut report.records {
            if record.standing.is_published() {
                let state = spreading.get(&(&record.name, record.rtype));
                record.standing = state.cloned().unwrap_or(RecordState::InStep);
            }
        }
    }
}
