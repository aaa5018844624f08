//! Netlink: what the kernel says of this machine's addresses and routes (RFC 3549; linux/netlink.h, linux/rtnetlink.h).
//!
//! The socket asks for nothing but lists and news, needs no privilege, and reads neither /proc nor /sys: both may be
//! hidden. The messages are the core's.

use std::io;
use std::os::fd::OwnedFd;

use rustix::io::Errno;
use rustix::net::netlink::SocketAddrNetlink;
use rustix::net::{AddressFamily, RecvFlags, SendFlags, SocketFlags, SocketType};
use rustix::net::{bind, netdevice, recvfrom, sendto, socket_with};
use tokio::io::Interest;
use tokio::io::unix::AsyncFd;

use crate::address::Family;
pub use fingerpost_core::watch::netlink::*;

/// No datagram of rtnetlink is longer: the kernel builds lists in 32 KiB at most, and news in a page.
const DATAGRAM: usize = 32 * 1024;

/// More addresses than this on one machine are not read.
const MOST: usize = 16_384;

/// How often a list is asked for again that changed while it was written.
const ATTEMPTS: u32 = 3;

/// A socket to the kernel's routing tables.
#[derive(Debug)]
pub(crate) struct Socket {
    fd: AsyncFd<OwnedFd>,
    buffer: Vec<u8>,
}

impl Socket {
    /// Opens one that gets the news of `groups` (RTMGRP_ bits, linux/rtnetlink.h); none for questions only.
    ///
    /// # Errors
    /// What the system says; under a unit of systemd, AF_NETLINK must be among RestrictAddressFamilies.
    pub(crate) fn open(groups: u32) -> io::Result<Self> {
        let flags = SocketFlags::NONBLOCK | SocketFlags::CLOEXEC;
        // Protocol 0 of the family is NETLINK_ROUTE.
        let fd = socket_with(AddressFamily::NETLINK, SocketType::RAW, flags, None)?;
        bind(&fd, &SocketAddrNetlink::new(0, groups))?;
        #[expect(deprecated, reason = "sound for an OwnedFd, which keeps its descriptor; the other way is unsafe code")]
        let fd = AsyncFd::with_interest(fd, Interest::READABLE)?;
        Ok(Self { fd, buffer: vec![0; DATAGRAM] })
    }

    /// Waits until there may be a datagram. Safe to drop at any point.
    ///
    /// # Errors
    /// What the system says.
    pub(crate) async fn readable(&self) -> io::Result<()> {
        self.fd.readable().await?.retain_ready();
        Ok(())
    }

    /// The next datagram of the kernel, once there is one. Safe to drop at any point.
    ///
    /// # Errors
    /// What the system says: ENOBUFS when news were lost.
    pub(crate) async fn receive(&mut self) -> io::Result<&[u8]> {
        loop {
            self.readable().await?;
            if let Some(length) = self.read()? {
                return Ok(self.buffer.get(..length).unwrap_or_default());
            }
        }
    }

    /// The next datagram of the kernel, if it is there already.
    ///
    /// # Errors
    /// As for [`Socket::receive`].
    pub(crate) fn received(&mut self) -> io::Result<Option<&[u8]>> {
        let length = self.read()?;
        Ok(length.map(|length| self.buffer.get(..length).unwrap_or_default()))
    }

    fn read(&mut self) -> io::Result<Option<usize>> {
        loop {
            let (fd, buffer) = (&self.fd, &mut self.buffer);
            let got = fd
                .try_io(tokio::io::Interest::READABLE, |fd| Ok(recvfrom(fd, buffer.as_mut_slice(), RecvFlags::TRUNC)?));
            let (kept, length, from) = match got {
                Err(error) if error.kind() == io::ErrorKind::WouldBlock => return Ok(None),
                Err(error) if error.kind() == io::ErrorKind::Interrupted => continue,
                got => got?,
            };
            // Others than the kernel have port numbers of their own.
            let sender = from.and_then(|from| SocketAddrNetlink::try_from(from).ok());
            if sender.is_none_or(|sender| sender.pid() != 0) {
                continue;
            }
            if length > kept {
                return Err(io::Error::new(io::ErrorKind::InvalidData, Malformed("is longer than any of this kind")));
            }
            return Ok(Some(length));
        }
    }

    /// Every address of this machine, of one family or of both.
    ///
    /// # Errors
    /// What the system says; [`Malformed`] within.
    pub(crate) async fn addresses(&mut self, family: Option<Family>) -> io::Result<Vec<Address>> {
        for sequence in 1..=ATTEMPTS {
            sendto(self.fd.get_ref(), &question(family, sequence), SendFlags::empty(), &SocketAddrNetlink::new(0, 0))?;
            if let Some(addresses) = self.list(sequence).await? {
                return Ok(addresses);
            }
        }
        Err(io::Error::other("the machine's addresses changed each time they were read; they are read again soon"))
    }

    /// The answer to one question; `None` when the list changed while it was written.
    async fn list(&mut self, sequence: u32) -> io::Result<Option<Vec<Address>>> {
        let (mut addresses, mut steady) = (Vec::new(), true);
        loop {
            let datagram = self.receive().await?;
            let messages = parse(datagram).map_err(|error| io::Error::new(io::ErrorKind::InvalidData, error))?;
            for message in messages.into_iter().filter(|message| message.sequence == sequence) {
                steady &= !message.interrupted;
                match message.body {
                    Body::Address(address) if addresses.len() < MOST => addresses.push(address),
                    Body::Done => return Ok(steady.then_some(addresses)),
                    Body::Error(errno) if errno != 0 => return Err(io::Error::from_raw_os_error(errno)),
                    Body::Overrun => return Err(Errno::NOBUFS.into()),
                    _ => {}
                }
            }
        }
    }

    /// The number of the interface called `name`; `None` when there is none.
    ///
    /// # Errors
    /// What the system says.
    pub(crate) fn interface(&self, name: &str) -> io::Result<Option<u32>> {
        match netdevice::name_to_index(self.fd.get_ref(), name) {
            Ok(number) => Ok(Some(number)),
            Err(Errno::NODEV) => Ok(None),
            Err(errno) => Err(errno.into()),
        }
    }

    /// The name of an interface, if it is still there.
    pub(crate) fn name(&self, interface: u32) -> Option<String> {
        netdevice::index_to_name(self.fd.get_ref(), interface).ok()
    }
}

#[cfg(test)]
mod tests;
