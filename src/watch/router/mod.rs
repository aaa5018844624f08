//! The router as a witness: what it says its WAN address is.
//!
//! Every service that tells it is asked, each within its share of the time: [`natpmp`] first, it is one exchange of two
//! datagrams, and [`igd`] unless that has told an address that can be published; [`pcp`] never, for it has no question
//! that opens nothing. What was heard before changes nothing. [`gateway`] finds the router; [`announce`] hears when it has
//! something new.
//! The parsers are pure. May use the network towards the gateway, and netlink; touches no file.

pub mod announce;
pub mod gateway;
pub mod igd;
pub mod natpmp;

use std::net::{IpAddr, Ipv4Addr, SocketAddr, SocketAddrV4};
use std::pin::pin;
use std::time::Duration;
use std::{fmt, io};

use ipnet::IpNet;
use tokio::net::UdpSocket;
use tokio::time::{Instant, timeout_at};

use super::Silence;
use super::diagnose::is_carriers;
use crate::address::special;
use crate::text;
use crate::text::root_cause;
pub use fingerpost_core::watch::router::*;

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

/// What a router's services amount to.
#[derive(Debug, PartialEq)]
pub(super) struct RouterWord {
    /// The word that counts.
    pub(super) word: Result<RouterSays, Silence>,
    /// Whether it is NAT-PMP's alone: one datagram without a secret (RFC 6886, section 9), which anybody on the local
    /// network can send in the router's name. IGD is asked over TCP.
    pub(super) alone: bool,
}

/// Why one way of asking gave no address.
#[derive(Debug, PartialEq)]
enum Failure {
    /// The router has spoken.
    Spoken(Silence),
    /// This way does not work here, for this reason.
    Unavailable(String),
}

/// One service's word.
type Heard = Result<Ipv4Addr, Failure>;

/// A router that can be asked.
#[derive(Debug)]
pub struct Router {
    gateway: Option<Ipv4Addr>,
    interface: Option<String>,
    accept_special: Vec<IpNet>,
    at: Ports,
}

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
        Self { gateway, interface, accept_special: Vec::new(), at }
    }

    /// A router of whose words addresses in `accept_special` count as published ones do.
    pub fn accepting(self, accept_special: &[IpNet]) -> Self {
        Self { accept_special: accept_special.to_vec(), ..self }
    }

    /// The router's WAN address in its own words, within `budget`: of what its services tell, an address that can be
    /// published counts before a carrier's, that before a private one, and any before the word that there is none.
    ///
    /// # Errors
    /// [`Silence::Router`], or [`Silence::NotAnAddress`] when it says something else.
    pub async fn ask(&self, budget: Duration) -> Result<RouterSays, Silence> {
        self.hear(budget).await.word
    }

    /// The router's WAN address in its own words, within `budget`, and what that rests on.
    pub(super) async fn hear(&self, budget: Duration) -> RouterWord {
        match self.gateway() {
            Ok(gateway) => {
                let heard = self.both(gateway, budget).await;
                let alone = self.is_alone(&heard);
                RouterWord { word: self.sum(heard, gateway), alone }
            }
            Err(mute) => RouterWord { word: Err(mute.into()), alone: false },
        }
    }

    /// The addresses that the router tells by UPnP IGD, within `budget`, the one that says most first: a second word beside
    /// that of NAT-PMP.
    pub(super) async fn second(&self, budget: Duration) -> Vec<Ipv4Addr> {
        let Ok(gateway) = self.gateway() else { return Vec::new() };
        let is_enough = |heard: &Heard| self.weight(heard) == Weight::Publishable;
        let until = Instant::now() + budget;
        let mut heard = igd::ask(gateway, self.interface.as_deref(), self.at.ssdp, until, is_enough).await;
        heard.sort_by_key(|word| self.weight(word));
        heard.into_iter().filter_map(Result::ok).collect()
    }

    /// What the services of the router at `gateway` say within `budget`.
    async fn both(&self, gateway: Ipv4Addr, budget: Duration) -> Vec<(By, Heard)> {
        let begun = Instant::now();
        let interface = self.interface.as_deref();
        let is_enough = |heard: &Heard| self.weight(heard) == Weight::Publishable;
        let at = SocketAddrV4::new(gateway, self.at.natpmp);
        let mut natpmp = pin!(natpmp::ask(at, interface, begun + budget / 2));
        // Alone for a quarter of the time: most who know it have answered by then.
        let mut word = timeout_at(begun + budget / 4, &mut natpmp).await.ok();
        let mut words = Vec::new();
        if !word.as_ref().is_some_and(is_enough) {
            let mut igd = pin!(igd::ask(gateway, interface, self.at.ssdp, begun + budget, is_enough));
            loop {
                tokio::select! {
                    biased;
                    late = &mut natpmp, if word.is_none() => {
                        let enough = is_enough(&late);
                        word = Some(late);
                        if enough {
                            break;
                        }
                    }
                    heard = &mut igd => {
                        words = heard;
                        break;
                    }
                }
            }
        }
        let natpmp = word.unwrap_or_else(|| Err(Failure::Unavailable("no answer".to_owned())));
        std::iter::once((By::NatPmp, natpmp)).chain(words.into_iter().map(|word| (By::Igd, word))).collect()
    }

    /// Whether what counts of `heard` was told by NAT-PMP, and IGD bears it out by nothing.
    fn is_alone(&self, heard: &[(By, Heard)]) -> bool {
        let Some((By::NatPmp, best)) = heard.iter().min_by_key(|(_, word)| self.weight(word)) else { return false };
        let bears_out = |word: &Heard| match (self.weight(best), self.weight(word)) {
            (Weight::Publishable, Weight::Publishable) => best == word,
            // Each says that the router has no address of the world's.
            (best, word) => [best, word].iter().all(|one| (Weight::Carriers..=Weight::NoAddress).contains(one)),
        };
        self.weight(best) < Weight::Nothing && !heard.iter().any(|(by, word)| *by == By::Igd && bears_out(word))
    }

    /// What the words of all services amount to. Of equal ones the first counts.
    fn sum(&self, heard: Vec<(By, Heard)>, gateway: Ipv4Addr) -> Result<RouterSays, Silence> {
        let why = |of: By| {
            let of = heard.iter().filter(|(by, _)| *by == of).find_map(|(_, word)| match word {
                Err(Failure::Unavailable(why)) => Some(text::short_line(why)),
                _ => None,
            });
            of.unwrap_or_else(|| "no answer".to_owned())
        };
        let (natpmp, igd) = (why(By::NatPmp), why(By::Igd));
        match heard.into_iter().min_by_key(|(_, word)| self.weight(word)) {
            Some((by, Ok(address))) => Ok(RouterSays { address: address.into(), by }),
            Some((_, Err(Failure::Spoken(silence)))) => Err(silence),
            Some((_, Err(Failure::Unavailable(_)))) | None => Err(Mute::Neither { gateway, natpmp, igd }.into()),
        }
    }

    fn weight(&self, heard: &Heard) -> Weight {
        match heard {
            Ok(address) if special::check((*address).into(), &self.accept_special).is_ok() => Weight::Publishable,
            Ok(address) if is_carriers(*address) => Weight::Carriers,
            Ok(_) => Weight::Inner,
            Err(Failure::Spoken(Silence::Router(_))) => Weight::NoAddress,
            Err(Failure::Spoken(_)) => Weight::NotAnAddress,
            Err(Failure::Unavailable(_)) => Weight::Nothing,
        }
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
            Failure::Spoken(silence) => silence.to_string(),
            Failure::Unavailable(why) => {
                let why = text::short_line(&why);
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
            Err(error) => Err(Mute::Routes(root_cause(&error))),
        }
    }
}

/// How much one service's word says; the least says most.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord)]
enum Weight {
    Publishable,
    Carriers,
    Inner,
    NoAddress,
    NotAnAddress,
    Nothing,
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

#[cfg(test)]
mod tests;
