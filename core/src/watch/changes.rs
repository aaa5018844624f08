//! What of the kernel's news of addresses and default routes is new: a reason to look, and never the home's address itself.

use std::collections::BTreeMap;
use std::fmt;
use std::net::IpAddr;

use super::netlink::{Address, Body, SCOPE_LINK, flag, parse};
use crate::address::Family;

/// Addresses remembered. Of one that does not fit, every mention counts as news.
const REMEMBERED: usize = 1024;

/// Something changed: a reason to look.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Push {
    /// An address can be used from now on.
    Gained(IpAddr),
    /// An address is gone, or is not to be used any more.
    Lost(IpAddr),
    /// A default route came, went, or was exchanged.
    Route(Family),
    /// News were lost (more than the socket holds), or not understood.
    Missed,
}

/// For logs, after "because": `203.0.113.77 came`.
impl fmt::Display for Push {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        match self {
            Self::Gained(address) => write!(f, "{address} came to an interface"),
            Self::Lost(address) => write!(f, "{address} left an interface, or is deprecated"),
            Self::Route(family) => write!(f, "the {family} default route changed"),
            Self::Missed => f.write_str("some news of addresses and routes were lost"),
        }
    }
}

/// Which addresses are usable, as last told: a router advertisement repeats every address with a fresh lifetime, every
/// few seconds in some homes, and that is no news.
#[derive(Clone, Debug, Default, PartialEq, Eq)]
pub struct Memory {
    usable: BTreeMap<(u32, IpAddr), bool>,
}

impl Memory {
    /// Takes in one datagram of news; the last change in it, if there is one.
    pub fn hear(&mut self, datagram: &[u8]) -> Option<Push> {
        let Ok(messages) = parse(datagram) else { return Some(Push::Missed) };
        let mut news = None;
        for message in messages {
            news = match message.body {
                Body::Address(address) => self.note(&address),
                Body::AddressGone(address) => self.forget(&address),
                Body::Route(route) | Body::RouteGone(route) if route.is_default() => Some(Push::Route(route.family)),
                Body::Overrun => Some(Push::Missed),
                _ => None,
            }
            .or(news);
        }
        news
    }

    /// Takes in an address as it is now.
    pub fn note(&mut self, address: &Address) -> Option<Push> {
        if address.scope >= SCOPE_LINK {
            return None;
        }
        let unusable = flag::TENTATIVE | flag::DAD_FAILED | flag::DEPRECATED;
        let usable = address.preferred > 0 && address.flags & unusable == 0;
        let key = (address.interface, address.address);
        let full = self.usable.len() >= REMEMBERED && !self.usable.contains_key(&key);
        let before = if full { None } else { self.usable.insert(key, usable) };
        match (before, usable) {
            (Some(true), true) | (Some(false) | None, false) => None,
            (Some(false) | None, true) => Some(Push::Gained(address.address)),
            (Some(true), false) => Some(Push::Lost(address.address)),
        }
    }

    /// Takes in that an address is gone.
    fn forget(&mut self, address: &Address) -> Option<Push> {
        if address.scope >= SCOPE_LINK {
            return None;
        }
        let before = self.usable.remove(&(address.interface, address.address));
        // One that was not usable, such as a deprecated one that has now run out, is not missed.
        (before != Some(false)).then_some(Push::Lost(address.address))
    }
}

#[cfg(test)]
mod tests;
