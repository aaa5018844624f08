//! The interface as a witness: which of its addresses is the home's.

use std::fmt;
use std::net::IpAddr;

use ipnet::IpNet;

use super::netlink::{Address, flag};
use crate::address::Family;
use crate::address::special::{self, NotPublishable};

/// More excluded addresses than this are counted, not named.
const NAMED: usize = 8;

/// Why an address of the interface is not the home's.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Excluded {
    /// It lies where no home is reached: link-local, unique-local, private and the like.
    Special(NotPublishable),
    /// It was made for privacy and is soon replaced (RFC 8981).
    Temporary,
    /// No new connections are to use it (RFC 4862, section 5.5.4): its prefix was withdrawn, or ran out.
    Deprecated,
    /// It is not known to be unique on its link yet (RFC 4862, section 5.4).
    Tentative,
    /// Another machine on the link has it (RFC 4862, section 5.4.5).
    Duplicate,
}

impl fmt::Display for Excluded {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        match self {
            Self::Special(why) => why.fmt(f),
            Self::Temporary => f.write_str("temporary, RFC 8981"),
            Self::Deprecated => f.write_str("deprecated: its preferred lifetime is over"),
            Self::Tentative => f.write_str("tentative: not known to be unique yet"),
            Self::Duplicate => f.write_str("another machine on the link has it too"),
        }
    }
}

/// Why an interface has no address to tell.
#[derive(Clone, Debug, PartialEq, Eq, thiserror::Error)]
pub enum Bare {
    /// There is no such interface.
    #[error(
        "there is no interface {name:?} on this machine; those with addresses are {}; correct its name",
        known.join(", ")
    )]
    NoSuchInterface {
        /// The name asked for.
        name: String,
        /// The interfaces that have an address.
        known: Vec<String>,
    },
    /// It has no address of the family that could be a home's.
    #[error("{}", none_left(*family, excluded))]
    NoneLeft {
        /// The family asked for.
        family: Family,
        /// What it has, and why none of it counts.
        excluded: Vec<(IpAddr, Excluded)>,
    },
}

fn none_left(family: Family, excluded: &[(IpAddr, Excluded)]) -> String {
    if excluded.is_empty() {
        return format!("the interface has no {family} address at all");
    }
    let mut named: Vec<_> = excluded.iter().take(NAMED).map(|(address, why)| format!("{address} ({why})")).collect();
    if excluded.len() > NAMED {
        named.push(format!("{} more", excluded.len() - NAMED));
    }
    format!("the interface has no {family} address for a home, only {}", named.join(", "))
}

/// The one of an interface's addresses that is the home's. Special ones in `accept_special` count all the same.
///
/// When several remain, the choice must neither change from round to round nor cling to what is dying:
///
/// 1. Of IPv4, primary addresses go before secondary ones: they are what the machine speaks from.
/// 2. Those whose preferred lifetime is less than half of the longest one are put aside. A router that restarts with
///    another prefix forgets to withdraw the old one (RFC 8978, section 1), which is then no longer refreshed. Not simply
///    the longest: two that are alive and refreshed at different moments would take turns. An address set by hand has no
///    end, and so goes before those that were advertised.
/// 3. The lowest address, as something that does not change by itself.
///
/// # Errors
/// [`Bare::NoneLeft`], which says of each why it is excluded.
pub fn choose(addresses: &[Address], family: Family, accept_special: &[IpNet]) -> Result<IpAddr, Bare> {
    let of_family = || addresses.iter().filter(|address| Family::of(address.address) == family);
    let mut left: Vec<_> = of_family().filter(|address| exclude(address, accept_special).is_none()).collect();
    let is_secondary = |address: &Address| family == Family::Ipv4 && address.flags & flag::SECONDARY != 0;
    if left.iter().any(|address| !is_secondary(address)) {
        left.retain(|address| !is_secondary(address));
    }
    let longest = left.iter().map(|address| address.preferred).max().unwrap_or_default();
    let best = left.iter().filter(|address| address.preferred >= longest / 2).map(|address| address.address).min();
    best.ok_or_else(|| {
        let excluded = of_family().filter_map(|one| Some((one.address, exclude(one, accept_special)?)));
        Bare::NoneLeft { family, excluded: excluded.collect() }
    })
}

/// What keeps `address` from being the home's: first what it is for ever, then what may pass.
fn exclude(address: &Address, accept_special: &[IpNet]) -> Option<Excluded> {
    let has = |flags: u32| address.flags & flags != 0;
    if let Err(why) = special::check(address.address, accept_special) {
        Some(Excluded::Special(why))
    } else if has(flag::DAD_FAILED) {
        Some(Excluded::Duplicate)
    } else if has(flag::TENTATIVE) {
        Some(Excluded::Tentative)
    } else if has(flag::DEPRECATED) || address.preferred == 0 {
        Some(Excluded::Deprecated)
    } else if address.address.is_ipv6() && has(flag::TEMPORARY) {
        Some(Excluded::Temporary)
    } else {
        None
    }
}

#[cfg(test)]
mod tests;
