//! The router as a witness: what it says its WAN address is.
//!
//! [`natpmp`] is asked first, it is one exchange of two datagrams; [`igd`] when that is turned off; [`pcp`] never, for it
//! has no question that opens nothing. [`gateway`] finds the router; [`announce`] hears when it has something new.
//! The parsers are pure. May use the network towards the gateway, and netlink; touches no file.

pub mod announce;
pub mod gateway;
pub mod igd;
pub mod natpmp;
pub mod pcp;

use std::net::{IpAddr, Ipv4Addr, SocketAddr, SocketAddrV4};
use std::sync::atomic::{AtomicU8, Ordering};
use std::time::Duration;
use std::{fmt, io};

use tokio::net::UdpSocket;
use tokio::time::Instant;

use super::Silence;

/// How a router was asked.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum By {
    /// NAT-PMP, RFC 6886.
    NatPmp,
    /// UPnP's Internet Gateway Device, `GetExternalIPAddress`.
    Igd,
}

impl fmt::Display for By {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.pad(match self {
            Self::NatPmp => "NAT-PMP",
            Self::Igd => "UPnP IGD",
        })
    }
}

/// What the router literally says: not judged yet, so it may be a private or a carrier's address.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct RouterSays {
    /// The address; any but the unspecified one.
    pub address: IpAddr,
    /// How it was asked.
    pub by: By,
}

/// Why a router has no answer.
#[derive(Clone, Debug, PartialEq, Eq, thiserror::Error)]
pub enum Mute {
    /// No default route leads to a gateway.
    #[error("no default route with a gateway{}: set this witness's gateway to the router's address",
        .0.as_ref().map(|interface| format!(" on {interface}")).unwrap_or_default())]
    NoGateway(Option<String>),
    /// The kernel does not tell the routes.
    #[error("the default gateway cannot be found: {0}")]
    Routes(String),
    /// An empty answer, 0.0.0.0, or a router that says it is not connected: a sign of trouble on the line, or of a
    /// carrier's NAT.
    #[error("the router has no address of its own to tell")]
    NoAddress,
    /// It was asked both ways.
    #[error(
        "the router at {gateway} tells its address neither by NAT-PMP ({natpmp}) nor by UPnP IGD ({igd}): \
         turn one of them on there, or remove this witness"
    )]
    Neither {
        /// Who was asked.
        gateway: Ipv4Addr,
        /// Why not by NAT-PMP.
        natpmp: String,
        /// Why not by IGD.
        igd: String,
    },
}

/// Why one way of asking gave no address.
#[derive(Debug, PartialEq)]
enum Failure {
    /// The router has spoken: asking it another way would be no better.
    Told(Silence),
    /// This way does not work here, for this reason.
    Unavailable(String),
}

/// A router, and which way of asking it worked last.
#[derive(Debug)]
pub struct Router {
    gateway: Option<Ipv4Addr>,
    interface: Option<String>,
    /// The way to ask first: an index into [`ORDER`].
    first: AtomicU8,
    at: Ports,
}

const ORDER: [By; 2] = [By::NatPmp, By::Igd];

/// Where the services of a router are; tests have others.
#[derive(Clone, Copy, Debug)]
struct Ports {
    natpmp: u16,
    ssdp: SocketAddrV4,
}

impl Router {
    /// The router at `gateway`, or else the default gateway at the time of asking; questions leave by `interface` only,
    /// if one is given.
    pub fn new(gateway: Option<Ipv4Addr>, interface: Option<String>) -> Self {
        let at = Ports { natpmp: natpmp::PORT, ssdp: igd::ssdp::GROUP };
        Self { gateway, interface, first: AtomicU8::new(0), at }
    }

    /// The router's WAN address in its own words, within `budget`. What worked last is asked first and, as long as it
    /// works, alone.
    ///
    /// # Errors
    /// [`Silence::Router`], or [`Silence::NotAnAddress`] when it says something else.
    pub async fn ask(&self, budget: Duration) -> Result<RouterSays, Silence> {
        let begun = Instant::now();
        let gateway = self.gateway()?;
        let first = usize::from(self.first.load(Ordering::Relaxed));
        let mut whys = [const { String::new() }; 2];
        // The second way keeps half of the time, should the first stay silent.
        for (which, budget) in [(first, budget / 2), (1 - first, budget)] {
            let by = ORDER[which];
            match self.ask_by(by, gateway, begun + budget).await {
                Ok(address) => {
                    self.first.store(which as u8, Ordering::Relaxed);
                    return Ok(RouterSays { address, by });
                }
                Err(Failure::Told(silence)) => {
                    self.first.store(which as u8, Ordering::Relaxed);
                    return Err(silence);
                }
                Err(Failure::Unavailable(why)) => whys[which] = super::http::one_line(&why),
            }
        }
        let [natpmp, igd] = whys;
        Err(Mute::Neither { gateway, natpmp, igd }.into())
    }

    /// The router's port mappings over UPnP, within `budget`. Asking changes nothing there.
    ///
    /// # Errors
    /// Why it does not tell them, in one clause.
    pub async fn mappings(&self, budget: Duration) -> Result<Vec<igd::xml::Mapping>, String> {
        let deadline = Instant::now() + budget;
        let gateway = self.gateway().map_err(|mute| mute.to_string())?;
        let asked = igd::mappings(gateway, self.interface.as_deref(), self.at.ssdp, deadline).await;
        asked.map_err(|failure| match failure {
            Failure::Told(silence) => silence.to_string(),
            Failure::Unavailable(why) => {
                let why = super::http::one_line(&why);
                format!("the router at {gateway} does not tell its port mappings by UPnP IGD: {why}")
            }
        })
    }

    fn gateway(&self) -> Result<Ipv4Addr, Mute> {
        if let Some(gateway) = self.gateway {
            return Ok(gateway);
        }
        match gateway::default_gateway(self.interface.as_deref()) {
            Ok(Some((gateway, _))) => Ok(gateway),
            Ok(None) => Err(Mute::NoGateway(self.interface.clone())),
            Err(error) => Err(Mute::Routes(one_line(&error))),
        }
    }

    async fn ask_by(&self, by: By, gateway: Ipv4Addr, deadline: Instant) -> Result<IpAddr, Failure> {
        let interface = self.interface.as_deref();
        match by {
            By::NatPmp => {
                let gateway = SocketAddrV4::new(gateway, self.at.natpmp);
                natpmp::ask(gateway, interface, deadline).await.map(IpAddr::V4)
            }
            By::Igd => igd::ask(gateway, interface, self.at.ssdp, deadline).await,
        }
    }
}

/// A socket that exchanges datagrams with `peer` alone: the kernel drops all others.
fn socket_towards(peer: SocketAddrV4, interface: Option<&str>) -> io::Result<UdpSocket> {
    let socket = std::net::UdpSocket::bind((Ipv4Addr::UNSPECIFIED, 0))?;
    socket.set_nonblocking(true)?;
    let socket = UdpSocket::from_std(socket)?;
    socket.bind_device(interface.map(str::as_bytes))?;
    rustix::net::connect(&socket, &peer)?;
    Ok(socket)
}

/// The address of ours from which datagrams to `peer` leave.
fn facing(peer: SocketAddrV4, interface: Option<&str>) -> io::Result<Ipv4Addr> {
    match socket_towards(peer, interface)?.local_addr()? {
        SocketAddr::V4(local) => Ok(*local.ip()),
        SocketAddr::V6(_) => Err(io::ErrorKind::AddrNotAvailable.into()),
    }
}

/// An error of the operating system without its number.
fn one_line(error: &io::Error) -> String {
    super::http::root_cause(error)
}

#[cfg(test)]
mod tests;
