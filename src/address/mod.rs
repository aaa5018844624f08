//! Addresses: their family, whether a home can have them, and the arithmetic of prefixes. Pure.

pub mod special;

use std::fmt;
use std::net::{IpAddr, Ipv6Addr};

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

/// Joins the /64 prefix of `home` with `host_part`, whose upper 64 bits must be zero
/// (RFC 4291, section 2.5.1: an interface identifier has 64 bits).
pub fn join_host_part(home: Ipv6Addr, host_part: Ipv6Addr) -> Ipv6Addr {
    const HOST: u128 = u64::MAX as u128;
    Ipv6Addr::from((u128::from(home) & !HOST) | (u128::from(host_part) & HOST))
}

#[cfg(test)]
mod tests {
    use super::join_host_part;

    #[test]
    fn a_host_part_replaces_the_lower_half_only() {
        let home = "2001:db8:1200:1:aaaa:bbbb:cccc:dddd".parse();
        let host = "::10".parse();
        assert_eq!(home.and_then(|home| host.map(|host| join_host_part(home, host))), "2001:db8:1200:1::10".parse());
    }
}
