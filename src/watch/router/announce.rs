//! Announcements of the router: NAT-PMP's (RFC 6886, section 3.2.1) and PCP's (RFC 6887, section 14.1).
//!
//! An announcement is a reason to look, never a truth: what it says is not even read. Only the gateway's are heard, and
//! the kernel sorts out all others: each socket is bound to the group and connected to the gateway.

use std::io;
use std::net::{Ipv4Addr, Ipv6Addr, SocketAddr, SocketAddrV4, SocketAddrV6};
use std::time::Duration;

use futures_util::FutureExt as _;
use futures_util::future::select_all;
use rustix::net::{AddressFamily, SocketFlags, SocketType, bind, connect, socket_with, sockopt};
use tokio::net::UdpSocket;
use tokio::time::{Instant, sleep_until};

use super::{gateway, natpmp};
pub use fingerpost_core::watch::router::announce::*;

/// Where announcements go (RFC 6886, section 3.2.1; RFC 6887, section 14.1.3).
const GROUP: Ipv4Addr = Ipv4Addr::new(224, 0, 0, 1);
const GROUP_V6: Ipv6Addr = Ipv6Addr::new(0xff02, 0, 0, 0, 0, 0, 0, 1);
const PORT: u16 = 5350;

/// At most this many datagrams are looked at in one [`WINDOW`]; the kernel drops what its buffer does not hold.
const PER_WINDOW: u32 = 16;
const WINDOW: Duration = Duration::from_millis(500);

/// What the kernel may store for one socket, in bytes with its own overhead: some dozens of datagrams.
const BUFFER: usize = 16 * 1024;

/// The announcements that came together: at least one.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
pub struct Push {
    /// How many of NAT-PMP.
    pub natpmp: u32,
    /// How many of PCP.
    pub pcp: u32,
}

/// Listens to the gateway that was the default one when this began: after a change of routes, listen anew.
#[derive(Debug)]
pub struct Announcements {
    ears: Vec<Ear>,
    dropped: u64,
    /// The end of the present window, and how many datagrams were looked at in it.
    window: Instant,
    looked_at: u32,
}

/// A socket and whom it hears.
#[derive(Debug)]
struct Ear {
    socket: UdpSocket,
    gateway: SocketAddr,
}

impl Announcements {
    /// Listens to `gateway`, or else to the default gateway, and to the default gateway of IPv6 if there is one; on
    /// `interface` only, if one is given. Others on this machine may listen too.
    ///
    /// # Errors
    /// [`io::ErrorKind::NotFound`] when there is no gateway to listen to, or what the system says.
    pub fn listen(gateway: Option<Ipv4Addr>, interface: Option<&str>) -> io::Result<Self> {
        let v4 = match gateway {
            Some(gateway) => Some(gateway),
            None => gateway::default_gateway(interface)?.map(|(gateway, _)| gateway),
        };
        let mut ears = Vec::new();
        if let Some(gateway) = v4 {
            ears.push(Ear::v4(SocketAddrV4::new(GROUP, PORT), SocketAddrV4::new(gateway, natpmp::PORT), interface)?);
        }
        // A machine without IPv6 has no such routes, or no such sockets: nothing is missing then.
        if let Ok(Some((gateway, index))) = gateway::default_gateway_v6(interface) {
            let gateway = SocketAddrV6::new(gateway, natpmp::PORT, 0, index);
            match Ear::v6(SocketAddrV6::new(GROUP_V6, PORT, 0, index), gateway, interface) {
                Ok(ear) => ears.push(ear),
                Err(error) => tracing::debug!(%gateway, %error, "not listening to this gateway's announcements"),
            }
        }
        if ears.is_empty() {
            return Err(io::Error::new(io::ErrorKind::NotFound, "no default route with a gateway"));
        }
        Ok(Self::new(ears))
    }

    fn new(ears: Vec<Ear>) -> Self {
        Self { ears, dropped: 0, window: Instant::now(), looked_at: 0 }
    }

    /// Waits for an announcement. A flood costs a bounded number of datagrams a second and is dropped. Nothing is lost
    /// when this is given up half-way.
    ///
    /// # Errors
    /// When a socket fails: listen anew, after a pause.
    pub async fn next(&mut self) -> io::Result<Push> {
        let mut buffer = [0; 1500];
        loop {
            if self.looked_at >= PER_WINDOW {
                sleep_until(self.window).await;
                self.looked_at = 0;
            }
            let mut push = Push::default();
            let mut datagram = Some(self.datagram(&mut buffer).await?);
            while let Some(kind) = datagram.take() {
                match kind {
                    Some(AnnouncementKind::NatPmp) => push.natpmp += 1,
                    Some(AnnouncementKind::Pcp) => push.pcp += 1,
                    None => self.dropped = self.dropped.saturating_add(1),
                }
                self.count();
                if self.looked_at < PER_WINDOW {
                    datagram = self.waiting(&mut buffer)?;
                }
            }
            if push != Push::default() {
                return Ok(push);
            }
        }
    }

    /// How many datagrams came in the gateway's name and were no announcements. Those of others do not come here.
    pub fn dropped(&self) -> u64 {
        self.dropped
    }

    fn count(&mut self) {
        let now = Instant::now();
        if now >= self.window {
            (self.window, self.looked_at) = (now + WINDOW, 0);
        }
        self.looked_at += 1;
    }

    /// The next datagram, once there is one.
    async fn datagram(&self, buffer: &mut [u8]) -> io::Result<Option<AnnouncementKind>> {
        loop {
            if let Some(datagram) = self.waiting(buffer)? {
                return Ok(datagram);
            }
            select_all(self.ears.iter().map(|ear| ear.socket.readable().boxed())).await.0?;
        }
    }

    /// The next datagram that is there already.
    fn waiting(&self, buffer: &mut [u8]) -> io::Result<Option<Option<AnnouncementKind>>> {
        for Ear { socket, gateway } in &self.ears {
            match socket.try_recv_from(buffer) {
                Ok((length, from)) => return Ok(Some(is_announcement(&buffer[..length], from, *gateway))),
                Err(error) if error.kind() == io::ErrorKind::WouldBlock => {}
                Err(error) => return Err(error),
            }
        }
        Ok(None)
    }
}

impl Ear {
    fn v4(group: SocketAddrV4, gateway: SocketAddrV4, interface: Option<&str>) -> io::Result<Self> {
        let socket = unbound(AddressFamily::INET, interface)?;
        bind(&socket, &group)?;
        connect(&socket, &gateway)?;
        // The address of ours that faces the gateway names the interface to hear on.
        sockopt::set_ip_add_membership(&socket, group.ip(), &super::facing(gateway, interface)?)?;
        Ok(Self { socket, gateway: gateway.into() })
    }

    fn v6(group: SocketAddrV6, gateway: SocketAddrV6, interface: Option<&str>) -> io::Result<Self> {
        let socket = unbound(AddressFamily::INET6, interface)?;
        sockopt::set_ipv6_v6only(&socket, true)?;
        bind(&socket, &group)?;
        connect(&socket, &gateway)?;
        sockopt::set_ipv6_add_membership(&socket, group.ip(), group.scope_id())?;
        Ok(Self { socket, gateway: gateway.into() })
    }
}

/// A socket that shares its port and keeps little in store.
fn unbound(family: AddressFamily, interface: Option<&str>) -> io::Result<UdpSocket> {
    let flags = SocketFlags::CLOEXEC | SocketFlags::NONBLOCK;
    let socket = socket_with(family, SocketType::DGRAM, flags, None)?;
    sockopt::set_socket_reuseaddr(&socket, true)?;
    sockopt::set_socket_reuseport(&socket, true)?;
    sockopt::set_socket_recv_buffer_size(&socket, BUFFER)?;
    let socket = UdpSocket::from_std(socket.into())?;
    socket.bind_device(interface.map(str::as_bytes))?;
    Ok(socket)
}

#[cfg(test)]
mod tests;
