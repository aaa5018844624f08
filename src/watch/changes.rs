//! The kernel's news of addresses and default routes, as reasons to look at once.
//!
//! What is told here is never taken for the home's address: it only says when to ask. [`Memory`], which tells news from
//! repetition, and the ration of reads, which keeps a flood of them cheap, are pure.

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

/// Datagrams read before other tasks have their turn.
const CHUNK: usize = 64;

/// More datagrams than the socket keeps.
const KEPT: usize = 4096;

/// At most so many times in one `WINDOW` the kernel's news are read, up to `CHUNK` datagrams a time. What more there
/// is waits in the socket: who is told that there is news has had a reason to look by then.
const PER_WINDOW: u32 = 8;
const WINDOW: Duration = Duration::from_millis(250);

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
    ration: Ration,
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
        Ok(Self { socket, memory, ration: Ration::new(Instant::now()) })
    }

    /// Waits for the next change; what the kernel has told up to then counts as one. Safe to drop at any point.
    ///
    /// # Errors
    /// What the system says, other than that news were lost.
    pub async fn next(&mut self) -> io::Result<Push> {
        loop {
            while let Some(end) = self.ration.spent(Instant::now()) {
                sleep_until(end).await;
            }
            let first = self.socket.receive().await;
            self.ration.take(Instant::now());
            let mut news = read(first, &mut self.memory)?;
            let mut lost = news == Some(Push::Missed);
            let mut count = 1;
            // The kernel tells a loss before what it had kept, and goes on losing until that is read: only then is it
            // told that news were lost, so that no loss comes after the last word of it.
            while count < if lost { KEPT } else { CHUNK } {
                let more = match self.socket.received() {
                    Ok(None) => break,
                    Ok(Some(datagram)) => Ok(datagram),
                    Err(error) => Err(error),
                };
                let more = read(more, &mut self.memory)?;
                lost |= more == Some(Push::Missed);
                news = more.or(news);
                count += 1;
            }
            if lost {
                // What left unheard must be news when it comes back.
                self.memory = Memory::default();
                return Ok(Push::Missed);
            }
            if let Some(push) = news {
                return Ok(push);
            }
            tokio::task::yield_now().await;
        }
    }
}

/// How often the socket may be read.
#[derive(Clone, Copy, Debug)]
struct Ration {
    /// The end of the present window, and the reads in it.
    end: Instant,
    reads: u32,
}

impl Ration {
    fn new(now: Instant) -> Self {
        Self { end: now, reads: 0 }
    }

    /// Until when nothing is left, if so.
    fn spent(&self, now: Instant) -> Option<Instant> {
        (self.reads >= PER_WINDOW && now < self.end).then_some(self.end)
    }

    /// Takes in a read at `now`. A window begins with its first read.
    fn take(&mut self, now: Instant) {
        if now >= self.end {
            (self.end, self.reads) = (now + WINDOW, 0);
        }
        self.reads = self.reads.saturating_add(1);
    }
}

fn read(datagram: io::Result<&[u8]>, memory: &mut Memory) -> io::Result<Option<Push>> {
    match datagram {
        Ok(datagram) => Ok(memory.hear(datagram)),
        Err(error) if error.raw_os_error() == Some(Errno::NOBUFS.raw_os_error()) => Ok(Some(Push::Missed)),
        Err(error) if error.kind() == io::ErrorKind::InvalidData => Ok(Some(Push::Missed)),
        Err(error) => Err(error),
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
