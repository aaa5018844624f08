//! The default gateway in what rtnetlink(7) says: which routes there are, and which of them counts.
//!
//! The walks over messages and attributes are those that any rtnetlink answer needs.

use std::io;
use std::net::IpAddr;

// linux/netlink.h and linux/rtnetlink.h.
const NLMSG_ERROR: u16 = 2;
const NLMSG_DONE: u16 = 3;
const RTM_NEWROUTE: u16 = 24;
const NLM_F_DUMP_INTR: u16 = 0x10;
const RTN_UNICAST: u8 = 1;
const RT_TABLE_MAIN: u32 = 254;
const RTM_F_CLONED: u32 = 0x200;
const RTNH_F_DEAD: u8 = 0x1;
const RTNH_F_LINKDOWN: u8 = 0x10;
const RTA_OIF: u16 = 4;
const RTA_GATEWAY: u16 = 5;
const RTA_PRIORITY: u16 = 6;
const RTA_MULTIPATH: u16 = 9;
const RTA_TABLE: u16 = 15;

/// The lengths of `nlmsghdr`, `rtmsg`, `rtattr` and `rtnexthop`.
const MESSAGE: usize = 16;
const ROUTE_MESSAGE: usize = 12;
const ATTRIBUTE: usize = 4;
const NEXT_HOP: usize = 8;

/// A default route that leads to a gateway.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct DefaultRoute {
    /// The next hop.
    pub gateway: IpAddr,
    /// The index of the interface it is on.
    pub interface: u32,
    /// Lower is preferred.
    pub metric: u32,
    /// The routing table; the main one is 254.
    pub table: u32,
}

/// The default routes in the answer to one `RTM_GETROUTE` dump.
#[derive(Clone, Debug, Default, PartialEq)]
pub struct Dump {
    /// In the kernel's order.
    pub routes: Vec<DefaultRoute>,
    /// Nothing more will come.
    pub done: bool,
    /// The routes changed meanwhile: some may be missing or double.
    pub interrupted: bool,
}

impl Dump {
    /// Takes in one datagram.
    ///
    /// # Errors
    /// What the kernel answers instead of routes.
    pub fn take(&mut self, datagram: &[u8]) -> io::Result<()> {
        for (kind, flags, body) in messages(datagram) {
            self.interrupted |= flags & NLM_F_DUMP_INTR != 0;
            match kind {
                NLMSG_ERROR | NLMSG_DONE => {
                    self.done = true;
                    let code = body.first_chunk().map_or(0, |code| i32::from_ne_bytes(*code));
                    if code < 0 {
                        return Err(io::Error::from_raw_os_error(code.saturating_neg()));
                    }
                }
                RTM_NEWROUTE => self.routes.extend(default_route(body)),
                _ => {}
            }
        }
        Ok(())
    }
}

/// The gateway to ask: of the main table, where no interface is given, and then of the lowest metric.
///
/// A line of its own often has its default route in a table of its own: with an interface, any table will do.
pub fn choose(routes: &[DefaultRoute], interface: Option<u32>) -> Option<DefaultRoute> {
    let fits = |route: &&DefaultRoute| match interface {
        Some(index) => route.interface == index,
        None => route.table == RT_TABLE_MAIN,
    };
    routes.iter().filter(fits).min_by_key(|route| (route.table != RT_TABLE_MAIN, route.metric)).copied()
}

/// The route in the body of an `RTM_NEWROUTE`, if it is a usable default route with a gateway. One through a tunnel
/// has none: there is no router to ask.
fn default_route(body: &[u8]) -> Option<DefaultRoute> {
    let (&[_, to, from, tos, table, _, _, kind, flags @ ..], rest) = body.split_first_chunk::<ROUTE_MESSAGE>()?;
    let flags = u32::from_ne_bytes(flags);
    let down = u32::from(RTNH_F_DEAD | RTNH_F_LINKDOWN);
    if to != 0 || from != 0 || tos != 0 || kind != RTN_UNICAST || flags & (RTM_F_CLONED | down) != 0 {
        return None;
    }
    let mut route = Hop::default();
    let (mut metric, mut table, mut several) = (0, u32::from(table), None);
    for (kind, value) in attributes(rest) {
        match kind {
            RTA_PRIORITY => metric = number(value)?,
            RTA_TABLE => table = number(value)?,
            RTA_MULTIPATH => several = first_hop(value),
            _ => route.take(kind, value),
        }
    }
    let Hop { gateway: Some(gateway), interface: Some(interface) } = several.unwrap_or(route) else { return None };
    Some(DefaultRoute { gateway, interface, metric, table })
}

#[derive(Clone, Copy, Default)]
struct Hop {
    gateway: Option<IpAddr>,
    interface: Option<u32>,
}

impl Hop {
    fn take(&mut self, kind: u16, value: &[u8]) {
        match kind {
            RTA_OIF => self.interface = number(value),
            RTA_GATEWAY => {
                let v4 = || <[u8; 4]>::try_from(value).map(IpAddr::from).ok();
                self.gateway = v4().or_else(|| <[u8; 16]>::try_from(value).map(IpAddr::from).ok());
            }
            _ => {}
        }
    }
}

/// The first usable hop of several (`rtnexthop`).
fn first_hop(mut rest: &[u8]) -> Option<Hop> {
    loop {
        let &[a, b, flags, _, i, j, k, l] = rest.first_chunk::<NEXT_HOP>()?;
        let length = usize::from(u16::from_ne_bytes([a, b]));
        let inner = rest.get(NEXT_HOP..length)?;
        let mut hop = Hop { gateway: None, interface: Some(u32::from_ne_bytes([i, j, k, l])) };
        attributes(inner).for_each(|(kind, value)| hop.take(kind, value));
        if hop.gateway.is_some() && flags & (RTNH_F_DEAD | RTNH_F_LINKDOWN) == 0 {
            return Some(hop);
        }
        rest = rest.get(length.next_multiple_of(4)..)?;
    }
}

fn number(value: &[u8]) -> Option<u32> {
    value.try_into().map(u32::from_ne_bytes).ok()
}

/// Kind, flags and body of each message; ends at the first that does not hold its length.
fn messages(mut rest: &[u8]) -> impl Iterator<Item = (u16, u16, &[u8])> {
    std::iter::from_fn(move || {
        let &[a, b, c, d, e, f, g, h, ..] = rest.first_chunk::<MESSAGE>()?;
        let length = usize::try_from(u32::from_ne_bytes([a, b, c, d])).ok()?;
        let body = rest.get(MESSAGE..length)?;
        rest = rest.get(length.next_multiple_of(4)..).unwrap_or_default();
        Some((u16::from_ne_bytes([e, f]), u16::from_ne_bytes([g, h]), body))
    })
}

/// Kind and value of each attribute, as [`messages`].
fn attributes(mut rest: &[u8]) -> impl Iterator<Item = (u16, &[u8])> {
    std::iter::from_fn(move || {
        let &[a, b, c, d] = rest.first_chunk::<ATTRIBUTE>()?;
        let length = usize::from(u16::from_ne_bytes([a, b]));
        let value = rest.get(ATTRIBUTE..length)?;
        rest = rest.get(length.next_multiple_of(4)..).unwrap_or_default();
        // The upper bits are flags (NLA_F_NESTED, NLA_F_NET_BYTEORDER).
        Some((u16::from_ne_bytes([c, d]) & 0x3fff, value))
    })
}

#[cfg(test)]
mod tests;
