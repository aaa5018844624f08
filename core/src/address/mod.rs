//! Addresses: their family, whether a home can have them, and the arithmetic of prefixes and sets. Pure.

pub mod prefix;
pub mod set;
pub mod special;

use std::fmt;
use std::net::IpAddr;

use ipnet::IpNet;
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

    /// The one that is written like this for people: `IPv4`, `IPv6`.
    pub(crate) fn by_word(word: &str) -> Option<Self> {
        Self::BOTH.into_iter().find(|family| family.word() == word)
    }

    /// As files and JSON have it: `ipv4`, `ipv6`.
    pub fn key(self) -> &'static str {
        match self {
            Self::Ipv4 => "ipv4",
            Self::Ipv6 => "ipv6",
        }
    }

    fn word(self) -> &'static str {
        match self {
            Self::Ipv4 => "IPv4",
            Self::Ipv6 => "IPv6",
        }
    }

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
        f.pad(self.word())
    }
}

/// A range in CIDR form (RFC 4632, section 3.1), its host bits as they are. No zone id, and no leading zero, which some
/// read as octal: another network then (RFC 6943, section 3.1.1).
pub fn range(text: &str) -> Option<IpNet> {
    let (address, length) = text.split_once('/')?;
    let is_number = length.bytes().all(|b| b.is_ascii_digit()) && (length == "0" || !length.starts_with('0'));
    // `std` reads addresses so strictly, and lengths not quite.
    IpNet::new(address.parse().ok()?, length.parse().ok().filter(|_| is_number)?).ok()
}

#[cfg(test)]
mod tests {
    use crate::testing::like;
    use ipnet::IpNet;
    use proptest::prelude::*;

    use super::range;

    #[test]
    fn what_could_be_another_range_is_none() {
        for text in ["203.0.113.7/24", "0.0.0.0/0", "10.0.0.0/8", "::/0", "2001:db8::1/32", "::ffff:203.0.113.0/120"] {
            assert_eq!(range(text), Some(text.parse().unwrap()), "{text}");
        }
        for text in [
            "",
            "/",
            "10.0.0.0",
            "10.0.0.0/",
            "/8",
            "010.0.0.0/8",
            "10.0.0.00/8",
            "10.0.0.0/08",
            "10.0.0.0/00",
            "10.0.0.0/+8",
            "10.0.0.0/-0",
            "10.0.0.0/33",
            "10.0.0.0/8/8",
            "10.0.0.0/ 8",
            " 10.0.0.0/8",
            "10/8",
            "10.0.0.0/255.0.0.0",
            "0x0a.0.0.0/8",
            "fe80::1%eth0/64",
            "2001:db8::/129",
            "2001:00db8::/32",
        ] {
            assert_eq!(range(text), None, "{text}");
        }
    }

    proptest! {
        #[test]
        fn what_is_written_is_read(address: std::net::IpAddr, length in 0..=128_u8) {
            if let Ok(net) = IpNet::new(address, length) {
                prop_assert_eq!(range(&net.to_string()), Some(net));
            }
        }

        #[test]
        fn nothing_panics(text in like("[0-9a-f.:/+ ]{0,24}|\\PC{0,24}")) {
            let _ = range(&text);
        }
    }
}
