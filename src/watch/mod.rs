//! Asking witnesses for the home's address, and deciding what their answers amount to.
//!
//! One file or folder a kind of witness ([`http`], [`router`]); [`extract`], [`vote`] and [`settle`] are pure.
//! May use the network through the witnesses' kinds; touches no file but the system's certificates.

pub mod extract;
pub mod http;
pub mod router;
pub mod settle;
pub mod vote;

use std::collections::{BTreeMap, BTreeSet};
use std::future::poll_fn;
use std::net::IpAddr;
use std::pin::Pin;
use std::task::Poll;
use std::time::Duration;

use ipnet::IpNet;
use serde::ser::{Serialize, SerializeStruct, Serializer};
use tokio::time::{Instant, timeout};

use crate::address::Family;
use crate::address::special::NotPublishable;
use crate::config::{Quorum, Witness, WitnessKind};
use vote::Ruling;

/// One witness's answer in one round, or why there is none.
#[derive(Clone, Debug, PartialEq)]
pub struct Testimony {
    /// The witness's name.
    pub witness: String,
    /// Who runs it.
    pub operator: String,
    /// The family it was asked over.
    pub family: Family,
    /// An address of that family that a home can have, or why there is none.
    pub said: Result<IpAddr, Silence>,
    /// How long it took.
    pub took: Duration,
}

/// `address` or `silence`, the other one null; `took_ms` in milliseconds.
impl Serialize for Testimony {
    fn serialize<S: Serializer>(&self, serializer: S) -> Result<S::Ok, S::Error> {
        let mut fields = serializer.serialize_struct("Testimony", 6)?;
        fields.serialize_field("witness", &self.witness)?;
        fields.serialize_field("operator", &self.operator)?;
        fields.serialize_field("family", &self.family)?;
        fields.serialize_field("address", &self.said.as_ref().ok())?;
        fields.serialize_field("silence", &self.said.as_ref().err())?;
        fields.serialize_field("took_ms", &u64::try_from(self.took.as_millis()).unwrap_or(u64::MAX))?;
        fields.end()
    }
}

/// Why a witness has no answer that counts.
#[derive(Clone, Debug, PartialEq, Eq, thiserror::Error)]
pub enum Silence {
    /// It took longer than the configured time.
    #[error("no answer within {}", humantime::format_duration(*.0))]
    TimedOut(Duration),
    /// No connection, or one that broke.
    #[error("not reached: {0}")]
    Unreachable(String),
    /// A status other than 200 (RFC 9110, section 15).
    #[error("it answered with status {0}")]
    Status(u16),
    /// A redirect to the given origin, which is not the one configured.
    #[error("it redirects to {0}, which is not followed: put the final URL into its url")]
    RedirectedAway(String),
    /// More redirects than are followed.
    #[error("it redirects more than {0} times: put the final URL into its url")]
    TooManyRedirects(usize),
    /// A body longer than this many bytes.
    #[error("its answer is longer than {0} bytes")]
    TooLong(usize),
    /// Something else; an excerpt, safe to print.
    #[error("not an address: {0}")]
    NotAnAddress(String),
    /// A web page, or a demand to log in to the network (RFC 6585, section 6).
    #[error("a web page instead of an address: a captive portal, or a wrong url")]
    CaptivePortal,
    /// JSON without a value at the configured pointer.
    #[error("nothing at {0:?} in its JSON: set extract to where the address stands")]
    NoSuchPointer(String),
    /// An address of the other family.
    #[error("it says {0}, which is of the other family")]
    WrongFamily(IpAddr),
    /// An address that cannot be a home's.
    #[error("it says {address}, but {0}", address = .0.address)]
    NotPublishable(NotPublishable),
    /// The router cannot say, or has nothing to say.
    #[error(transparent)]
    Router(#[from] router::Mute),
}

impl Serialize for Silence {
    fn serialize<S: Serializer>(&self, serializer: S) -> Result<S::Ok, S::Error> {
        serializer.collect_str(self)
    }
}

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
    http: http::Clients,
}

impl Watcher {
    /// A watcher that allows `timeout` to each witness and takes addresses in `accept_special` all the same.
    ///
    /// # Errors
    /// [`WatchError`] when HTTPS cannot be set up on this machine.
    pub fn new(witnesses: &[Witness], timeout: Duration, accept_special: &[IpNet]) -> Result<Self, WatchError> {
        let http = http::Clients::new(witnesses)?;
        Ok(Self { witnesses: witnesses.to_vec(), timeout, accept_special: accept_special.to_vec(), http })
    }

    /// Asks every witness over each of its families that is among `families`, all at once.
    /// The answers come in the order of the configuration, IPv4 before IPv6.
    pub async fn ask(&self, families: &[Family]) -> Vec<Testimony> {
        let mut asking = Vec::new();
        for witness in &self.witnesses {
            for family in Family::BOTH {
                if families.contains(&family) && witness.families.contains(&family) {
                    asking.push(self.ask_one(witness, family));
                }
            }
        }
        join(asking).await
    }

    async fn ask_one(&self, witness: &Witness, family: Family) -> Testimony {
        let begun = Instant::now();
        let answer = async {
            match &witness.kind {
                WitnessKind::Http { url, extract } => self.http.ask(family, url, extract).await,
            }
        };
        let said = match timeout(self.timeout, answer).await {
            Ok(said) => said.and_then(|address| extract::judge(family, address, &self.accept_special)),
            Err(_) => Err(Silence::TimedOut(self.timeout)),
        };
        let Witness { name, operator, .. } = witness;
        Testimony { witness: name.clone(), operator: operator.clone(), family, said, took: begun.elapsed() }
    }

    /// Rules on `testimony` for each of `families`, by one vote for each operator configured for the family.
    pub fn rule(&self, testimony: &[Testimony], families: &[Family], quorum: Quorum) -> BTreeMap<Family, Ruling> {
        let rule = |family| {
            let asked = self.witnesses.iter().filter(|witness| witness.families.contains(&family));
            let operators: BTreeSet<&str> = asked.map(|witness| witness.operator.as_str()).collect();
            let of_family = testimony.iter().filter(|testimony| testimony.family == family);
            (family, vote::rule(of_family, &operators, quorum))
        };
        families.iter().map(|family| rule(*family)).collect()
    }
}

/// Waits for all of `futures` within this task; the results keep their order.
async fn join<F: Future>(futures: Vec<F>) -> Vec<F::Output> {
    enum Slot<F: Future> {
        Pending(Pin<Box<F>>),
        Done(F::Output),
    }
    let mut slots: Vec<_> = futures.into_iter().map(|future| Slot::Pending(Box::pin(future))).collect();
    poll_fn(move |context| {
        let mut all = true;
        for slot in &mut slots {
            if let Slot::Pending(future) = slot {
                match future.as_mut().poll(context) {
                    Poll::Ready(output) => *slot = Slot::Done(output),
                    Poll::Pending => all = false,
                }
            }
        }
        if !all {
            return Poll::Pending;
        }
        let done = std::mem::take(&mut slots).into_iter();
        Poll::Ready(done.filter_map(|slot| if let Slot::Done(output) = slot { Some(output) } else { None }).collect())
    })
    .await
}

#[cfg(test)]
mod tests;
