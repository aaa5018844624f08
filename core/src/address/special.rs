//! Which addresses a home can have, and why it cannot have the others. Pure.
//!
//! A home's address is global unicast and in no block of the IANA special-purpose registries, globally reachable
//! ones such as AS112 included: those belong to a service, never to a home.

mod registry;

use std::fmt;
use std::net::{IpAddr, Ipv4Addr};

use ipnet::IpNet;
use serde::{Serialize, Serializer};

use super::set::AddressSet;

/// One row of the IANA IPv4 or IPv6 special-purpose address registry (RFC 6890, RFC 8190).
#[derive(Debug, PartialEq, Eq)]
pub struct Special {
    /// The block.
    pub block: IpNet,
    /// The registry's name for it.
    pub name: &'static str,
    /// The document that sets it aside, with the section where that helps.
    pub(crate) rfc: &'static str,
    /// The registry's "globally reachable"; `None` where it says N/A.
    pub global: Option<bool>,
    /// What people call it; empty for the general sentence.
    is: &'static str,
    /// Why no home has an address there; empty for the general sentence.
    because: &'static str,
    embedded: Embedded,
}

/// Where a block's addresses carry an IPv4 address.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
enum Embedded {
    Nothing,
    /// In the last 32 bits (RFC 6052, section 2.2; RFC 4291, section 2.5.5.2).
    Low,
    /// In the last 32 bits, every bit inverted (RFC 4380, section 4).
    LowInverted,
    /// In the 32 bits after the first 16 (RFC 3056, section 2).
    High,
}

impl Embedded {
    fn of(self, address: IpAddr) -> Option<Ipv4Addr> {
        let IpAddr::V6(address) = address else { return None };
        let [_, a, b, _, _, _, y, z] = address.segments();
        let join = |upper: u16, lower: u16| {
            let ([a, b], [c, d]) = (upper.to_be_bytes(), lower.to_be_bytes());
            Ipv4Addr::new(a, b, c, d)
        };
        match self {
            Self::Nothing => None,
            Self::Low => Some(join(y, z)),
            Self::LowInverted => Some(join(!y, !z)),
            Self::High => Some(join(a, b)),
        }
    }
}

/// Why an address cannot be a home's. Its text says so in one clause that names the block, not the address.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct NotPublishable {
    /// The address.
    pub address: IpAddr,
    /// The block it is in, or `None` when it lies outside all that is handed out.
    pub special: Option<&'static Special>,
}

impl fmt::Display for NotPublishable {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        let Some(Special { block, name, rfc, is, because, embedded, .. }) = self.special else {
            return write!(
                f,
                "only {} is handed out to hosts, RFC 4291, 2.4 and IANA's IPv6 address space: nothing can reach it",
                registry::HANDED_OUT
            );
        };
        if is.is_empty() {
            return write!(f, "{block} is set aside ({name}), {rfc}: no home is reached there");
        }
        write!(f, "{block} is {is}, {rfc}: {because}")?;
        embedded.of(self.address).map_or(Ok(()), |inner| write!(f, ", here {inner}"))
    }
}

impl std::error::Error for NotPublishable {}

impl Serialize for NotPublishable {
    fn serialize<S: Serializer>(&self, serializer: S) -> Result<S::Ok, S::Error> {
        serializer.collect_str(self)
    }
}

/// Whether `address` can be a home's: global unicast, and in no special-purpose block.
/// Addresses in `accept_special` are taken all the same.
///
/// # Errors
/// [`NotPublishable`], which says why.
pub fn check(address: IpAddr, accept_special: &[IpNet]) -> Result<(), NotPublishable> {
    if accept_special.iter().any(|block| block.contains(&address)) {
        return Ok(());
    }
    let special = lookup(address).or_else(|| registry::NOT_UNICAST.iter().find(|row| row.block.contains(&address)));
    if special.is_some() || (address.is_ipv6() && !registry::HANDED_OUT.contains(&address)) {
        return Err(NotPublishable { address, special });
    }
    Ok(())
}

/// The first address of `set` that [`check`] refuses, and why.
pub(crate) fn first_refused(set: &AddressSet, accept_special: &[IpNet]) -> Option<NotPublishable> {
    let blocks = all().chain(&registry::NOT_UNICAST).map(|row| row.block).collect();
    let refused = not_handed_out().union(&blocks).difference(&accept_special.iter().copied().collect());
    let first = set.intersection(&refused).prefixes().next()?;
    check(first.network(), accept_special).err()
}

/// What no packet from outside has as its source: blocks that are not globally reachable, groups, and space that is not
/// handed out; `accept_special` left out. Blocks for which the registries say N/A (tunnels) are not among them.
pub fn never_from_outside(accept_special: &[IpNet]) -> AddressSet {
    let mut rows: Vec<&Special> = all().chain(&registry::NOT_UNICAST).collect();
    // The more specific one holds.
    rows.sort_by_key(|row| row.block.prefix_len());
    let inside = rows.into_iter().fold(AddressSet::default(), |inside, row| {
        let block = AddressSet::from_iter([row.block]);
        if row.global == Some(false) { inside.union(&block) } else { inside.difference(&block) }
    });
    inside.union(&not_handed_out()).difference(&accept_special.iter().copied().collect())
}

fn not_handed_out() -> AddressSet {
    let all = AddressSet::from((IpAddr::from([0_u8; 16]), IpAddr::from([u8::MAX; 16])));
    all.difference(&AddressSet::from_iter([registry::HANDED_OUT]))
}

/// The registry row for `address`: the most specific one, as the registries' footnotes ask ("unless allowed by a more
/// specific allocation").
pub fn lookup(address: IpAddr) -> Option<&'static Special> {
    all().filter(|row| row.block.contains(&address)).max_by_key(|row| row.block.prefix_len())
}

/// Every row of both registries.
pub fn all() -> impl Iterator<Item = &'static Special> {
    registry::IPV4.iter().chain(&registry::IPV6)
}

/// An IPv4-mapped IPv6 address (RFC 4291, section 2.5.5.2) as the IPv4 address it means; any other one as it is.
pub fn unmap(address: IpAddr) -> IpAddr {
    address.to_canonical()
}

#[cfg(test)]
mod tests;
