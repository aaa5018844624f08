//! What a record is in this house: its type, and the set of addresses that stands at a name.
//!
//! Pure.

use std::collections::BTreeSet;
use std::fmt;
use std::net::IpAddr;

use serde::{Deserialize, Serialize};

use crate::address::Family;
use crate::name::DnsName;

/// The record types this program publishes.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord, Hash, Serialize, Deserialize)]
#[serde(rename_all = "UPPERCASE")]
pub enum RecordType {
    /// An IPv4 address (RFC 1035, section 3.4.1).
    A,
    /// An IPv6 address (RFC 3596, section 2.1).
    Aaaa,
}

impl RecordType {
    /// The family of the addresses such a record holds.
    pub fn family(self) -> Family {
        match self {
            Self::A => Family::Ipv4,
            Self::Aaaa => Family::Ipv6,
        }
    }

    /// The one of this name (RFC 1035, section 3.2.2; RFC 3596, section 2.1).
    pub(crate) fn by_word(word: &str) -> Option<Self> {
        [Self::A, Self::Aaaa].into_iter().find(|rtype| rtype.word() == word)
    }

    fn word(self) -> &'static str {
        match self {
            Self::A => "A",
            Self::Aaaa => "AAAA",
        }
    }
}

impl fmt::Display for RecordType {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.pad(self.word())
    }
}

/// Which record is meant. For people and on the disk `gauge.heronmill.example A`.
#[derive(Clone, Debug, PartialEq, Eq, PartialOrd, Ord, Serialize, Deserialize)]
#[serde(into = "String", try_from = "String")]
pub struct RecordId {
    /// The owner name.
    pub name: DnsName,
    /// The type.
    pub rtype: RecordType,
}

impl RecordId {
    /// The one that is written exactly like this.
    pub(crate) fn by_text(text: &str) -> Option<Self> {
        let (name, rtype) = text.split_once(' ')?;
        Some(Self { name: DnsName::by_text(name)?, rtype: RecordType::by_word(rtype)? })
    }
}

impl fmt::Display for RecordId {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        write!(f, "{} {}", self.name, self.rtype)
    }
}

impl From<RecordId> for String {
    fn from(id: RecordId) -> Self {
        id.to_string()
    }
}

impl TryFrom<String> for RecordId {
    type Error = String;

    fn try_from(text: String) -> Result<Self, String> {
        Self::by_text(&text).ok_or_else(|| format!("{text:?} is no name and type of a record"))
    }
}

/// The A or AAAA RRset at one name: one TTL for all members (RFC 2181, section 5.2), at least one address.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, Deserialize)]
pub struct RrSet {
    /// Time to live, in seconds.
    pub ttl: u32,
    /// The members.
    pub addresses: BTreeSet<IpAddr>,
}

/// The addresses, with commas.
impl fmt::Display for RrSet {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        let texts: Vec<String> = self.addresses.iter().map(ToString::to_string).collect();
        f.write_str(&texts.join(", "))
    }
}
