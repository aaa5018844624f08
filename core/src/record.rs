//! What a record is in this house: its type, and the set of addresses that stands at a name.
//!
//! Pure.

use std::collections::BTreeSet;
use std::fmt;
use std::net::IpAddr;

use serde::{Deserialize, Serialize};

use crate::address::Family;

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
}

impl fmt::Display for RecordType {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.pad(match self {
            Self::A => "A",
            Self::Aaaa => "AAAA",
        })
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
