//! Asking witnesses for the home's address, and deciding what their answers amount to.
//!
//! One file or folder a kind of witness ([`http`], [`stun`], [`router`], [`interface`]); [`extract`], [`vote`], [`settle`],
//! [`rota`], [`failover`] and [`diagnose`] are pure. [`changes`] tells when to look. May use the network through the
//! witnesses' kinds, and ask the kernel by [`netlink`]; touches no file but the system's certificates.

pub mod changes;
pub mod http;
pub mod interface;
pub mod netlink;
pub mod router;
pub mod stun;

use std::collections::{BTreeMap, BTreeSet};
use std::net::{IpAddr, Ipv4Addr};
use std::time::Duration;

use futures_util::future::join_all;
use ipnet::IpNet;
use tokio::time::{Instant, timeout};

use crate::address::Family;
use crate::settings::{Bind, Line, Quorum, Via, Witness, WitnessKind};
pub use fingerpost_core::watch::*;
use vote::Ruling;

/// Why a watcher cannot be set up.
#[derive(Debug, thiserror::Error)]
pub enum WatchError {
    /// The HTTP client cannot be built.
    #[error("cannot set up HTTPS for the witnesses: {why}; install the system's CA certificates (ca-certificates)")]
    Client {
        /// The cause, on one line.
        why: String,
        /// The error beneath.
        #[source]
        source: reqwest::Error,
    },
}

/// The witnesses, ready to be asked again and again.
#[derive(Debug)]
pub struct Watcher {
    witnesses: Vec<Witness>,
    timeout: Duration,
    accept_special: Vec<IpNet>,
    /// How to ask over each line; one without a name when there is only one.
    ways: BTreeMap<Option<String>, Way>,
    /// The routers among the witnesses, by the witness's name.
    routers: BTreeMap<String, router::Router>,
}

/// How a question goes out by one line.
#[derive(Debug)]
struct Way {
    bind: Option<Bind>,
    http: http::Clients,
}

impl Way {
    fn interface(&self) -> Option<&str> {
        match &self.bind {
            Some(Bind::Interface(interface)) => Some(interface),
            Some(Bind::Sources(_)) | None => None,
        }
    }
}

impl Watcher {
    /// A watcher over `lines` (none: the only one) that allows `timeout` to each witness and takes addresses in
    /// `accept_special` all the same.
    ///
    /// # Errors
    /// [`WatchError`] when HTTPS cannot be set up on this machine.
    pub fn new(
        witnesses: &[Witness],
        lines: &[Line],
        timeout: Duration,
        accept_special: &[IpNet],
    ) -> Result<Self, WatchError> {
        let mut ways = BTreeMap::new();
        if lines.is_empty() {
            ways.insert(None, Way { bind: None, http: http::Clients::new(witnesses, None)? });
        }
        for line in lines {
            let bind = Some(line.bind.clone());
            let http = http::Clients::new(witnesses, bind.as_ref())?;
            ways.insert(Some(line.name.clone()), Way { bind, http });
        }
        let mut routers = BTreeMap::new();
        for witness in witnesses {
            if let WitnessKind::Router { gateway } = witness.kind {
                let interface = ways.get(&witness.line).and_then(Way::interface).map(str::to_owned);
                let router = router::Router::new(gateway, interface).accepting(accept_special);
                routers.insert(witness.name.clone(), router);
            }
        }
        Ok(Self { witnesses: witnesses.to_vec(), timeout, accept_special: accept_special.to_vec(), ways, routers })
    }

    /// Asks every witness over each of its families that is among `families`, all at once.
    /// The answers come in the order of the configuration, IPv4 before IPv6.
    pub async fn ask(&self, families: &[Family]) -> Vec<Testimony> {
        self.ask_those(families, |_, _| true).await
    }

    /// Asks the witnesses that `chosen` names, over those of `families` that it names, all at once; in the order of the
    /// configuration.
    pub(crate) async fn ask_those(
        &self,
        families: &[Family],
        chosen: impl Fn(&Witness, Family) -> bool,
    ) -> Vec<Testimony> {
        let mut asking = Vec::new();
        for witness in &self.witnesses {
            for family in Family::BOTH {
                if families.contains(&family) && witness.families.contains(&family) && chosen(witness, family) {
                    asking.push(self.ask_one(witness, family));
                }
            }
        }
        let mut testimony = join_all(asking).await;
        let doubted: Vec<(usize, Testimony)> = testimony
            .iter()
            .enumerate()
            .filter(|(_, one)| self.is_doubted(one, &testimony))
            .map(|(at, one)| (at, one.clone()))
            .collect();
        for (at, one) in doubted {
            let second = self.seconded(one).await;
            if let Some(one) = testimony.get_mut(at) {
                *one = second;
            }
        }
        testimony
    }

    /// Whether `one` is a router's word by NAT-PMP alone, of an address that the outside does not see.
    fn is_doubted(&self, one: &Testimony, all: &[Testimony]) -> bool {
        let is_outside = |name: &str| {
            let mut named = self.witnesses.iter().filter(|witness| witness.name == name);
            named.any(|witness| matches!(witness.kind, WitnessKind::Http { .. } | WitnessKind::Stun { .. }))
        };
        let says_some =
            |other: &&Testimony| other.said.is_ok() && other.via() == one.via() && is_outside(&other.witness);
        let mut seen = all.iter().filter(says_some).peekable();
        one.alone && one.said.is_ok() && seen.peek().is_some() && !seen.any(|other| other.said == one.said)
    }

    /// A router's testimony once it was asked in another way too: that one counts where the two contradict.
    async fn seconded(&self, one: Testimony) -> Testimony {
        let Some(router) = self.routers.get(&one.witness) else { return one };
        let told = router.second(self.timeout.mul_f64(0.9)).await;
        let agrees = |address: &Ipv4Addr| one.said == Ok(IpAddr::V4(*address));
        match told.first() {
            None => one,
            Some(_) if told.iter().any(agrees) => Testimony { alone: false, ..one },
            Some(first) => {
                let said = extract::judge(one.family, (*first).into(), &self.accept_special);
                Testimony { said, alone: false, ..one }
            }
        }
    }

    async fn ask_one(&self, witness: &Witness, family: Family) -> Testimony {
        let begun = Instant::now();
        let mut alone = false;
        let answer = async {
            let Some(way) = self.ways.get(&witness.line) else { return Err(Silence::NoWay) };
            match &witness.kind {
                WitnessKind::Http { url, extract } => way.http.ask(family, url, extract).await,
                WitnessKind::Stun { server } => stun::ask(server, family, way.bind.as_ref(), self.timeout).await,
                WitnessKind::Router { .. } => match self.routers.get(&witness.name) {
                    Some(router) => {
                        let told = router.hear(self.timeout.mul_f64(0.9)).await;
                        alone = told.alone;
                        told.word.map(|says| says.address)
                    }
                    None => Err(Silence::NoWay),
                },
                WitnessKind::Interface { interface } => interface::ask(interface, family, &self.accept_special).await,
            }
        };
        let said = match timeout(self.timeout, answer).await {
            Ok(said) => said.and_then(|address| extract::judge(family, address, &self.accept_special)),
            Err(_) => Err(Silence::TimedOut(self.timeout)),
        };
        let Witness { name, operator, line, .. } = witness;
        let (witness, operator, line) = (name.clone(), operator.clone(), line.clone());
        Testimony { witness, operator, line, family, said, alone, took: begun.elapsed() }
    }

    /// The lines over which any witness can be asked in `families`; the only line in all of them.
    pub(crate) fn vias(&self, families: &[Family]) -> Vec<Via> {
        let lines = self.ways.keys().flat_map(|line| families.iter().map(|family| (line.clone(), *family)));
        lines
            .map(|(line, family)| Via { line, family })
            .filter(|via| via.line.is_none() || self.witnesses_of(via).next().is_some())
            .collect()
    }

    /// The witnesses that can be asked `via` a line and family.
    pub(crate) fn witnesses_of(&self, via: &Via) -> impl Iterator<Item = &Witness> {
        self.witnesses.iter().filter(|witness| witness.line == via.line && witness.families.contains(&via.family))
    }

    /// Rules on `testimony` for each line and family, by one vote for each operator configured for it.
    pub fn rule(&self, testimony: &[Testimony], families: &[Family], quorum: Quorum) -> BTreeMap<Via, Ruling> {
        let rule = |via: Via| {
            let operators: BTreeSet<&str> = self.witnesses_of(&via).map(|witness| witness.operator.as_str()).collect();
            let of_via = testimony.iter().filter(|one| one.line == via.line && one.family == via.family);
            let ruling = vote::rule(of_via, &operators, quorum);
            (via, ruling)
        };
        self.vias(families).into_iter().map(rule).collect()
    }
}

#[cfg(test)]
mod tests;
