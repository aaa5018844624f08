//! The kernel's news of addresses and default routes, as reasons to look at once.
//!
//! What is told here is never taken for the home's address: it only says when to ask. [`Memory`] tells news from
//! repetition; the ration of reads keeps a flood of them cheap.

use std::io;
use std::time::Duration;

use rustix::io::Errno;
use tokio::time::{Instant, sleep_until};

use super::netlink::Socket;
pub use fingerpost_core::watch::changes::*;

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

#[cfg(test)]
mod tests;
