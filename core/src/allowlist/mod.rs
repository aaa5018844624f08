//! The ranges of the edge in front of the home: which lists are believed, what a firewall is given, and whom one lets in.

pub mod bounds;
pub mod compare;
pub mod firewall;
#[cfg(any(test, feature = "hostile"))]
pub mod hostile;
pub mod proof;
pub mod refused;
pub mod source;

use ipnet::IpNet;
use serde::{Deserialize, Serialize};

use crate::address::set::AddressSet;
use crate::audit::Event;
use crate::clock::Timestamp;
use crate::settings::{Config, Edge};
use bounds::Doubtful;

/// How many ranges an entry of the audit log names; the versions that are kept have all of them.
const NAMED: usize = 100;

/// What became of one edge's lists.
#[derive(Debug, Serialize)]
#[serde(tag = "outcome", rename_all = "kebab-case")]
pub enum Outcome {
    /// They say what is in force.
    Same,
    /// They are in force now.
    Taken {
        /// The version.
        number: u64,
        /// What was not in force before.
        came: Vec<IpNet>,
        /// What is no longer in force.
        went: Vec<IpNet>,
    },
    /// They are not believed.
    Refused {
        /// Why.
        why: String,
        /// Whether a person may take them.
        acceptable: bool,
    },
    /// A list could not be got, for a passing reason.
    Unreachable {
        /// Why.
        why: String,
    },
}

/// What became of one edge.
#[derive(Debug, Serialize)]
pub struct Report {
    /// Its name.
    pub edge: String,
    /// What became of its lists.
    #[serde(flatten)]
    pub outcome: Outcome,
    /// What is in force now: its version, if there is any.
    pub number: Option<u64>,
    /// Since when.
    pub since: Option<Timestamp>,
    /// The fewest ranges that say it.
    pub ranges: Vec<IpNet>,
    /// What was put right in the lists.
    pub notes: Vec<String>,
}

/// The ranges of an edge that are or were in force.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct Kept {
    /// The form of this file.
    version: Version,
    /// Which one it is, from 1.
    pub number: u64,
    /// When it was taken.
    pub since: Timestamp,
    /// What each source said, in the order of the configuration.
    pub sources: Vec<KeptSource>,
}

#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize, Deserialize)]
enum Version {
    #[serde(rename = "1")]
    One,
}

/// What one source said.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct KeptSource {
    /// The source and how it was read: what was read otherwise is not the same.
    pub source: String,
    /// Its entity tag, to be handed back (RFC 9110, section 8.8.3).
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub etag: Option<String>,
    /// Its date, to be handed back as it was (RFC 9110, section 13.1.3).
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub last_modified: Option<String>,
    /// The fewest ranges that say it.
    pub ranges: Vec<IpNet>,
}

impl Kept {
    /// Version `number`, taken at `since`.
    pub fn new(number: u64, since: Timestamp, sources: Vec<KeptSource>) -> Self {
        Self { version: Version::One, number, since, sources }
    }

    /// Its addresses.
    pub fn set(&self) -> AddressSet {
        self.sources.iter().flat_map(|source| source.ranges.iter().copied()).collect()
    }
}

/// The entry of the audit log that says what changed.
pub fn event(edge: &Edge, kept: &Kept, came: &AddressSet, went: &AddressSet) -> Event {
    let named = |set: &AddressSet| set.prefixes().take(NAMED).collect();
    Event::Ranges {
        edge: edge.name.clone(),
        number: kept.number,
        came: named(came),
        came_addresses: came.count().to_string(),
        went: named(went),
        went_addresses: went.count().to_string(),
        digest: Some(proof::digest(&kept.set())),
    }
}

/// What is to be done with lists that were read.
pub enum Judged {
    /// Nothing.
    Not(Outcome),
    /// The addresses are those of before; what is known of the sources may be new.
    Same(Kept),
    /// Other addresses.
    New {
        /// What is to be in force.
        kept: Kept,
        /// What was not in force before.
        came: AddressSet,
        /// What is no longer.
        went: AddressSet,
    },
}

/// What is to be done with the lists of `edge`, where `before` is in force. With `accept` a person answers for how they
/// changed.
pub fn judge(
    config: &Config,
    edge: &Edge,
    before: Option<&Kept>,
    sources: Vec<KeptSource>,
    accept: bool,
    now: Timestamp,
) -> Judged {
    let new: AddressSet = sources.iter().flat_map(|source| source.ranges.iter().copied()).collect();
    let old = before.map(Kept::set);
    if let Err(doubtful) = bounds::check(edge, &new, old.as_ref(), accept, &config.watch.accept_special) {
        return Judged::Not(doubtful.outcome());
    }
    let old = match (before, old) {
        (Some(before), Some(old)) if old == new => return Judged::Same(Kept { sources, ..before.clone() }),
        (_, old) => old.unwrap_or_default(),
    };
    let number = before.map_or(1, |before| before.number + 1);
    let (came, went) = (new.difference(&old), old.difference(&new));
    Judged::New { kept: Kept::new(number, now, sources), came, went }
}

impl Doubtful {
    /// What it makes of the lists.
    pub fn outcome(&self) -> Outcome {
        Outcome::Refused { why: self.to_string(), acceptable: self.is_acceptable() }
    }
}
