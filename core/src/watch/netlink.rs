//! Netlink: what the kernel says of this machine's addresses and routes (RFC 3549; linux/netlink.h, linux/rtnetlink.h).
//!
//! Octets in, messages out; what does not fit its own lengths is refused whole.

use std::net::{IpAddr, Ipv4Addr, Ipv6Addr};

use crate::address::Family;

/// From linux/netlink.h and linux/rtnetlink.h.
mod number {
    pub(super) const ERROR: u16 = 2;
    pub(super) const DONE: u16 = 3;
    pub(super) const OVERRUN: u16 = 4;
    pub(super) const NEW_ADDRESS: u16 = 20;
    pub(super) const DEL_ADDRESS: u16 = 21;
    pub(super) const GET_ADDRESS: u16 = 22;
    pub(super) const NEW_ROUTE: u16 = 24;
    pub(super) const DEL_ROUTE: u16 = 25;
    pub(super) const REQUEST: u16 = 0x1;
    pub(super) const DUMP_INTERRUPTED: u16 = 0x10;
    pub(super) const DUMP: u16 = 0x300;
    pub(super) const INET: u8 = 2;
    pub(super) const INET6: u8 = 10;
    pub(super) const IFA_ADDRESS: u16 = 1;
    pub(super) const IFA_LOCAL: u16 = 2;
    pub(super) const IFA_CACHEINFO: u16 = 6;
    pub(super) const IFA_FLAGS: u16 = 8;
    /// The upper two bits of an attribute's type say how it is coded.
    pub(super) const ATTRIBUTE: u16 = 0x3fff;
    pub(super) const ROUTE_CLONED: u32 = 0x200;
    pub(super) const UNICAST: u8 = 1;
}

/// The flags of an address (linux/if_addr.h).
pub mod flag {
    /// IPv6: made for privacy and soon gone (RFC 8981). The same bit says of an IPv4 address that it is a secondary one.
    pub const TEMPORARY: u32 = 0x01;
    /// See [`TEMPORARY`].
    pub const SECONDARY: u32 = TEMPORARY;
    /// Another machine has it (RFC 4862, section 5.4.5).
    pub(crate) const DAD_FAILED: u32 = 0x08;
    /// Not for new connections (RFC 4862, section 5.5.4).
    pub(crate) const DEPRECATED: u32 = 0x20;
    /// Not known to be unique yet (RFC 4862, section 5.4).
    pub(crate) const TENTATIVE: u32 = 0x40;
}

/// Scopes from here on do not reach beyond the link (RT_SCOPE_LINK, linux/rtnetlink.h).
pub(crate) const SCOPE_LINK: u8 = 253;

/// A lifetime without end, in seconds (RFC 4861, section 4.6.2).
pub const FOREVER: u32 = u32::MAX;

/// One address of one interface.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Address {
    /// The interface's number.
    pub interface: u32,
    /// This end's address.
    pub address: IpAddr,
    /// See [`flag`].
    pub flags: u32,
    /// How far it reaches; 0 is everywhere.
    pub scope: u8,
    /// For how long it is still preferred, in seconds; [`FOREVER`] without an end.
    pub preferred: u32,
}

/// One route, as far as it matters here.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Route {
    /// Its family.
    pub family: Family,
    /// The length of its destination's prefix.
    pub length: u8,
    /// Whether it forwards (RTN_UNICAST), and is no copy in a cache.
    pub forwards: bool,
}

impl Route {
    /// Whether traffic to the world may take it: the default route, or one of the pieces in which a VPN lays its own
    /// over it (0/1 and 128/1; 2000::/3). Common practice, no source.
    pub fn is_default(&self) -> bool {
        let longest = match self.family {
            Family::Ipv4 => 1,
            Family::Ipv6 => 3,
        };
        self.forwards && self.length <= longest
    }
}

/// What one message says.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Body {
    /// An address is there, or is as told from now on.
    Address(Address),
    /// An address is gone.
    AddressGone(Address),
    /// A route is there.
    Route(Route),
    /// A route is gone.
    RouteGone(Route),
    /// The end of a list.
    Done,
    /// A refusal, with its errno; 0 is a receipt.
    Error(i32),
    /// The kernel lost messages.
    Overrun,
    /// Something else.
    Other,
}

/// One message.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Message {
    /// The number of the question that it answers.
    pub sequence: u32,
    /// The list changed while it was written (NLM_F_DUMP_INTR).
    pub interrupted: bool,
    /// What it says.
    pub body: Body,
}

/// A datagram that is not what its own lengths say.
#[derive(Clone, Copy, Debug, PartialEq, Eq, thiserror::Error)]
#[error("a netlink message {0}; please report this, with your kernel's version")]
pub struct Malformed(pub &'static str);

/// The messages of one datagram.
///
/// # Errors
/// [`Malformed`] when any of them is cut short or contradicts its own lengths.
pub fn parse(mut datagram: &[u8]) -> Result<Vec<Message>, Malformed> {
    let mut messages = Vec::new();
    while !datagram.is_empty() {
        let length = word(datagram, 0).and_then(|length| usize::try_from(length).ok());
        let whole = length.filter(|length| *length >= 16).and_then(|length| datagram.get(..length));
        let whole = whole.ok_or(Malformed("is cut short"))?;
        messages.push(message(whole)?);
        datagram = after(datagram, whole.len());
    }
    Ok(messages)
}

fn message(whole: &[u8]) -> Result<Message, Malformed> {
    let short = Malformed("lacks a part of its header");
    let (kind, flags) = (half(whole, 4).ok_or(short)?, half(whole, 6).ok_or(short)?);
    let sequence = word(whole, 8).ok_or(short)?;
    let payload = whole.get(16..).unwrap_or_default();
    let errno = || word(payload, 0).map(|code| code.cast_signed().wrapping_neg());
    let body = match kind {
        number::NEW_ADDRESS => address(payload)?.map_or(Body::Other, Body::Address),
        number::DEL_ADDRESS => address(payload)?.map_or(Body::Other, Body::AddressGone),
        number::NEW_ROUTE => route(payload)?.map_or(Body::Other, Body::Route),
        number::DEL_ROUTE => route(payload)?.map_or(Body::Other, Body::RouteGone),
        number::ERROR => Body::Error(errno().ok_or(Malformed("refuses without saying why"))?),
        // A list that failed half-way ends so, with its errno.
        number::DONE => errno().filter(|errno| *errno != 0).map_or(Body::Done, Body::Error),
        number::OVERRUN => Body::Overrun,
        _ => Body::Other,
    };
    Ok(Message { sequence, interrupted: flags & number::DUMP_INTERRUPTED != 0, body })
}

/// `None` when it is of another family.
fn address(payload: &[u8]) -> Result<Option<Address>, Malformed> {
    let short = Malformed("about an address is cut short");
    let [family, _, flags, scope] = bytes(payload, 0).ok_or(short)?;
    let interface = word(payload, 4).ok_or(short)?;
    let Some(family) = known_family(family) else { return Ok(None) };
    let (mut local, mut listed) = (None, None);
    let (mut flags, mut preferred) = (u32::from(flags), FOREVER);
    for attribute in attributes(payload.get(8..).unwrap_or_default()) {
        let (kind, value) = attribute?;
        match kind {
            number::IFA_LOCAL => local = Some(ip(family, value)?),
            number::IFA_ADDRESS => listed = Some(ip(family, value)?),
            number::IFA_FLAGS => flags = only_word(value)?,
            number::IFA_CACHEINFO => preferred = word(value, 0).ok_or(Malformed("has no whole lifetime"))?,
            _ => {}
        }
    }
    // Of a link between two points IFA_ADDRESS is the far end, and IFA_LOCAL this one.
    let address = local.or(listed).ok_or(Malformed("about an address names none"))?;
    Ok(Some(Address { interface, address, flags, scope, preferred }))
}

fn route(payload: &[u8]) -> Result<Option<Route>, Malformed> {
    let short = Malformed("about a route is cut short");
    let [family, length, _, _, _, _, _, kind] = bytes(payload, 0).ok_or(short)?;
    let flags = word(payload, 8).ok_or(short)?;
    let Some(family) = known_family(family) else { return Ok(None) };
    for attribute in attributes(payload.get(12..).unwrap_or_default()) {
        attribute?;
    }
    let forwards = kind == number::UNICAST && flags & number::ROUTE_CLONED == 0;
    Ok(Some(Route { family, length, forwards }))
}

fn known_family(family: u8) -> Option<Family> {
    match family {
        number::INET => Some(Family::Ipv4),
        number::INET6 => Some(Family::Ipv6),
        _ => None,
    }
}

fn attributes(mut rest: &[u8]) -> impl Iterator<Item = Result<(u16, &[u8]), Malformed>> {
    std::iter::from_fn(move || {
        if rest.is_empty() {
            return None;
        }
        let whole = half(rest, 0).map(usize::from).filter(|length| *length >= 4).and_then(|length| rest.get(..length));
        let Some((whole, kind)) = whole.zip(half(rest, 2)) else {
            rest = &[];
            return Some(Err(Malformed("has an attribute that is cut short")));
        };
        rest = after(rest, whole.len());
        Some(Ok((kind & number::ATTRIBUTE, whole.get(4..).unwrap_or_default())))
    })
}

/// What follows `length` octets and their padding to four; the last padding may be missing.
fn after(all: &[u8], length: usize) -> &[u8] {
    all.get(length.next_multiple_of(4)..).unwrap_or_default()
}

fn ip(family: Family, value: &[u8]) -> Result<IpAddr, Malformed> {
    let address = match family {
        Family::Ipv4 => <[u8; 4]>::try_from(value).map(|octets| Ipv4Addr::from(octets).into()),
        Family::Ipv6 => <[u8; 16]>::try_from(value).map(|octets| Ipv6Addr::from(octets).into()),
    };
    address.map_err(|_| Malformed("has an address of a wrong length"))
}

fn bytes<const N: usize>(from: &[u8], at: usize) -> Option<[u8; N]> {
    from.get(at..)?.first_chunk().copied()
}

fn half(from: &[u8], at: usize) -> Option<u16> {
    bytes(from, at).map(u16::from_ne_bytes)
}

fn word(from: &[u8], at: usize) -> Option<u32> {
    bytes(from, at).map(u32::from_ne_bytes)
}

fn only_word(value: &[u8]) -> Result<u32, Malformed> {
    value.try_into().map(u32::from_ne_bytes).map_err(|_| Malformed("has flags of a wrong length"))
}

/// A list of addresses as a question; `sequence` comes back in every answer.
pub fn question(family: Option<Family>, sequence: u32) -> Vec<u8> {
    let family = match family {
        None => 0,
        Some(Family::Ipv4) => number::INET,
        Some(Family::Ipv6) => number::INET6,
    };
    let mut question = 24_u32.to_ne_bytes().to_vec();
    question.extend(number::GET_ADDRESS.to_ne_bytes());
    question.extend((number::REQUEST | number::DUMP).to_ne_bytes());
    question.extend(sequence.to_ne_bytes());
    question.extend([0; 4]);
    question.extend([family, 0, 0, 0, 0, 0, 0, 0]);
    question
}

#[cfg(test)]
pub(crate) mod tests;
