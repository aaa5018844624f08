//! What is awaited, and what servers were found to serve: the values of the state file and the audit log. Pure.

use std::fmt;

use serde::{Deserialize, Serialize};

use crate::clock::Timestamp;
use crate::name::DnsName;
use crate::provider::Change;
use crate::record::{RecordType, RrSet};

/// What one intent wrote and not all servers are known to serve.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct Propagation {
    /// The `seq` of the intent in the audit log.
    pub intent: u64,
    /// When it was found to stand at the provider.
    pub since: Timestamp,
    /// What the servers shall serve; never empty.
    pub records: Vec<Awaited>,
}

/// An RRset that every server of the zone shall serve.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct Awaited {
    /// The owner name.
    pub name: DnsName,
    /// A or AAAA.
    #[serde(rename = "type")]
    pub rtype: RecordType,
    /// What stands at the provider.
    pub set: RrSet,
    /// Whether its TTL tells the new from the old: nothing else was changed.
    pub by_ttl: bool,
}

impl Awaited {
    /// What `change` makes the servers serve.
    pub fn of(change: &Change) -> Self {
        let same = |before: &RrSet| before.addresses == change.after.addresses;
        Self {
            name: change.name.clone(),
            rtype: change.rtype,
            set: change.after.clone(),
            by_ttl: change.before.as_ref().is_some_and(same),
        }
    }

    /// Whether `served` is it. A TTL may be changed on the way, such as by a server's own bounds, and does not count
    /// where the addresses tell.
    pub fn is(&self, served: Option<&RrSet>) -> bool {
        served.is_some_and(|set| set.addresses == self.set.addresses && (!self.by_ttl || set.ttl == self.set.ttl))
    }
}

/// A server that serves what was written.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, Deserialize)]
pub struct Serving {
    /// Its name.
    pub server: String,
    /// After how many milliseconds it was first found to.
    pub lag_ms: u64,
    /// The serial of its zone then (RFC 1982), if it told one.
    pub serial: Option<u32>,
}

/// A server that does not serve it yet.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, Deserialize)]
pub struct Behind {
    /// Its name.
    pub server: String,
    /// The serial of its zone (RFC 1982), if it told one.
    pub serial: Option<u32>,
    /// What it does instead.
    pub why: Why,
}

/// What a server does that does not serve what was written.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum Why {
    /// It serves something else: commonly what was there before.
    OldData,
    /// It does not answer at any of its addresses.
    NoAnswer,
    /// It, or something on the way, answers without authority (RFC 1035, section 4.1.1: AA).
    NoAuthority,
    /// It answers REFUSED.
    Refused,
    /// It answers SERVFAIL.
    ServerFailure,
    /// It answers with another error.
    Error,
    /// Its name has no address.
    NoAddress,
}

/// For people: what is the matter with one server.
impl fmt::Display for Behind {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.write_str(&self.server)?;
        match (self.why, self.serial) {
            (Why::OldData, Some(serial)) => write!(f, " still serves serial {serial}"),
            (Why::OldData, None) => f.write_str(" still serves something else"),
            (Why::NoAnswer, _) => f.write_str(" does not answer"),
            (Why::NoAuthority, _) => f.write_str(" answers without authority over the zone"),
            (Why::Refused, _) => f.write_str(" answers REFUSED: it does not serve the zone"),
            (Why::ServerFailure, _) => f.write_str(" answers SERVFAIL: it may have lost the zone"),
            (Why::Error, _) => f.write_str(" answers with an error"),
            (Why::NoAddress, _) => f.write_str(" has no address"),
        }
    }
}
