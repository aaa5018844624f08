//! Whether a new set of ranges is believed: of plausible size, of addresses that anybody can have, and not all too
//! different from the last one. Pure.

use std::fmt;

use ipnet::IpNet;

use crate::address::Family;
use crate::address::set::AddressSet;
use crate::address::special::{self, NotPublishable};
use crate::settings::Edge;

/// Why a set of ranges is not taken. The last good one stays in force.
#[derive(Clone, Debug, PartialEq, Eq, thiserror::Error)]
pub enum Doubtful {
    /// A range is larger than the configuration lets it be.
    #[error("{range} is shorter than /{least}: so many addresses are no edge's; if they are, lower `shortest`")]
    Short {
        /// The range.
        range: IpNet,
        /// The shortest prefix that is taken.
        least: u8,
    },
    /// A range that nobody on the Internet comes from.
    #[error("it holds {}: {}", .0.address, .0)]
    Special(NotPublishable),
    /// Too many addresses are gone.
    #[error("{} of its {} addresses are gone, and `may_lose` is {} percent; {ACCEPT}", .0, .0.family, .0.most)]
    Lost(Share),
    /// Too many addresses are new.
    #[error("its {} addresses grew by {}, and `may_gain` is {} percent; {ACCEPT}", .0.family, .0, .0.most)]
    Gained(Share),
    /// A family has come that was not there before.
    #[error("it has {0} addresses, and had none before; {ACCEPT}")]
    Appeared(Family),
}

/// The way out where only a person can tell.
const ACCEPT: &str = "look at the list, and if it is right take it with `fingerpost allowlist fetch --accept`";

impl Doubtful {
    /// Whether a person may take it all the same.
    pub(crate) fn is_acceptable(&self) -> bool {
        match self {
            Self::Short { .. } | Self::Special(_) => false,
            Self::Lost(_) | Self::Gained(_) | Self::Appeared(_) => true,
        }
    }
}

/// So many addresses of a family, compared with how many there were.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Share {
    /// The family.
    pub family: Family,
    /// How many.
    pub count: u128,
    /// Of how many; never none.
    pub of: u128,
    /// How many percent were allowed.
    pub most: u32,
}

impl Share {
    /// Whether it exceeds what is allowed, exactly.
    fn is_too_much(self) -> bool {
        // The floor of of × most / 100 without of × most, which may not fit.
        let most = u128::from(self.most);
        let allowed = (self.of / 100).saturating_mul(most).saturating_add(self.of % 100 * most / 100);
        self.count > allowed
    }
}

/// In percent; less than one percent is said so.
impl fmt::Display for Share {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        let percent = match self.count.checked_mul(100) {
            Some(hundredfold) => hundredfold / self.of,
            // It is that large: the error is below a percent.
            None => self.count / (self.of / 100).max(1),
        };
        if percent == 0 { f.write_str("less than 1 percent") } else { write!(f, "{percent} percent") }
    }
}

/// Checks `new`, the whole of what `edge` publishes now, against its bounds and what was in force before.
///
/// With `accepted` a person has looked at the list: how it changed is not judged then.
///
/// # Errors
/// The first [`Doubtful`] thing about it.
pub fn check(
    edge: &Edge,
    new: &AddressSet,
    before: Option<&AddressSet>,
    accepted: bool,
    accept_special: &[IpNet],
) -> Result<(), Doubtful> {
    for range in new.prefixes() {
        let least = match range {
            IpNet::V4(_) => edge.shortest.ipv4,
            IpNet::V6(_) => edge.shortest.ipv6,
        };
        if range.prefix_len() < least {
            return Err(Doubtful::Short { range, least });
        }
    }
    if let Some(refused) = special::first_refused(new, accept_special) {
        return Err(Doubtful::Special(refused));
    }
    let Some(before) = before.filter(|_| !accepted) else { return Ok(()) };
    Family::BOTH.into_iter().try_for_each(|family| compare(edge, family, &new.of(family), &before.of(family)))
}

fn compare(edge: &Edge, family: Family, new: &AddressSet, before: &AddressSet) -> Result<(), Doubtful> {
    let of = before.count();
    if of == 0 {
        return if new.is_empty() { Ok(()) } else { Err(Doubtful::Appeared(family)) };
    }
    let lost = Share { family, count: before.difference(new).count(), of, most: edge.may_lose };
    if lost.is_too_much() {
        return Err(Doubtful::Lost(lost));
    }
    let gained = Share { family, count: new.difference(before).count(), of, most: edge.may_gain };
    if gained.is_too_much() {
        return Err(Doubtful::Gained(gained));
    }
    Ok(())
}

#[cfg(test)]
mod tests;
