//! Addresses: their family, whether a home can have them, and the arithmetic of prefixes and sets. Pure.

pub mod prefix;
pub mod set;
pub mod special;

use std::fmt;
use std::net::IpAddr;

use serde::{Deserialize, Serialize};

/// The address family of a question, an answer or a record.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord, Hash, Serialize, Deserialize)]
#[serde(rename_all = "lowercase")]
pub enum Family {
    /// IPv4, published as A records.
    Ipv4,
    /// IPv6, published as AAAA records.
    Ipv6,
}

impl Family {
    /// Both families, IPv4 first.
    pub const BOTH: [Self; 2] = [Self::Ipv4, Self::Ipv6];

    /// The family of `address`.
    pub fn of(address: IpAddr) -> Self {
        match address {
            IpAddr::V4(_) => Self::Ipv4,
            IpAddr::V6(_) => Self::Ipv6,
        }
    }
}

impl fmt::Display for Family {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.pad(match self {
            Self::Ipv4 => "IPv4",
            Self::Ipv6 => "IPv6",
        })
    }
}
