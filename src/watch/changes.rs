//! The kernel's news of addresses and default routes, as reasons to look at once.
//!
//! What is told here is never taken for the home's address: it only says when to ask. [`Memory`], which tells news from
//! repetition, is pure.

use std::collections::BTreeMap;
use std::fmt;
use std::io;
use std::net::IpAddr;
use std::time::Duration;

use rustix::io::Errno;
use tokio::time::{Instant, sleep_until};

use super::netlink::{Address, Body, SCOPE_LINK, Socket, flag, parse};
use crate::address::Family;

/// RTMGRP_IPV4_IFADDR, RTMGRP_IPV4_ROUTE, RTMGRP_IPV6_IFADDR and RTMGRP_IPV6_ROUTE (linux/rtnetlink.h).
const GROUPS: u32 = 0x10 | 0x40 | 0x100 | 0x400;

/// Datagrams read at a time.
const CHUNK: usize = 64;

/// Time from one reading to the next: the first change is told at once, and a flood costs no more than this allows. What
/// the socket cannot hold meanwhile, the kernel drops, and says so.
const PAUSE: Duration = Duration::from_millis(20);

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

/// The news of this machine's addresses and routes.
#[derive(Debug)]
pub struct Changes {
    socket: Socket,
    memory: Memory,
    read_from: Instant,
    /// Since the kernel said that it dropped news it says so no more, and drops them silently until all is read that the
    /// socket holds (`netlink_overrun` in af_netlink.c). What was lost last is told then.
    losing: bool,
}

impl Changes {
    /// Listens, and learns what is there now: only what changes later is news.
    ///
    /// # Errors
    /// What the system says.
    pub async fn listen() -> io::Result<Self> {
        // First the ear, then the look around: what changes in between is told twice at worst.
        let socket = Socket::open(GROUPS)?;
        let mut memory = Memory::default();
        for address in Socket::open(0)?.addresses(None).await? {
            memory.note(&address);
        }
        Ok(Self { socket, memory, read_from: Instant::now(), losing: false })
    }

    /// Waits for the next change; what the kernel has told up to then counts as one. Safe to drop at any point.
    ///
    /// # Errors
    /// What the system says, other than that news were lost.
    pub async fn next(&mut self) -> io::Result<Push> {
        loop {
            sleep_until(self.read_from).await;
            if !self.losing {
                self.socket.readable().await?;
            }
            self.read_from = Instant::now() + PAUSE;
            let mut news = None;
            for _ in 0..CHUNK {
                let more = match self.socket.received() {
                    Ok(Some(datagram)) => self.memory.hear(datagram),
                    Ok(None) if std::mem::take(&mut self.losing) => Some(self.memory.miss()),
                    Ok(None) => break,
                    Err(error) if error.raw_os_error() == Some(Errno::NOBUFS.raw_os_error()) => {
                        self.losing = true;
                        Some(self.memory.miss())
                    }
                    Err(error) if error.kind() == io::ErrorKind::InvalidData => Some(self.memory.miss()),
                    Err(error) => return Err(error),
                };
                // That something is missing outweighs what is known.
                news = news.filter(|news| *news == Push::Missed).or(more).or(news);
            }
            if let Some(push) = news {
                return Ok(push);
            }
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
        let Ok(messages) = parse(datagram) else { return Some(self.miss()) };
        let mut news = None;
        for message in messages {
            news = match message.body {
                Body::Address(address) => self.note(&address),
                Body::AddressGone(address) => self.forget(&address),
                Body::Route(route) | Body::RouteGone(route) if route.is_default() => Some(Push::Route(route.family)),
                Body::Overrun => Some(self.miss()),
                _ => None,
            }
            .or(news);
        }
        news
    }

    /// Takes in that something was missed: what is remembered may be over, and would hide that it comes back.
    fn miss(&mut self) -> Push {
        self.usable.clear();
        Push::Missed
    }

    /// Takes in an address as it is now.
    fn note(&mut self, address: &Address) -> Option<Push> {
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
