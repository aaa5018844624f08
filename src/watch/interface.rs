//! The interface as a witness: the kernel's own list of addresses, by [`super::netlink`]. For a daemon on the router
//! itself, and for IPv6, where a host's address is the one the world sees.

use std::net::IpAddr;

use ipnet::IpNet;

use super::Silence;
use super::netlink::Socket;
use crate::address::Family;
pub use fingerpost_core::watch::interface::*;

/// The address of `family` on the interface called `interface`.
///
/// # Errors
/// [`Silence::Interface`] with what was found; [`Silence::Unreachable`] when the kernel does not answer.
pub async fn ask(interface: &str, family: Family, accept_special: &[IpNet]) -> Result<IpAddr, Silence> {
    let unreachable = |error: std::io::Error| Silence::Unreachable(format!("the kernel's list of addresses: {error}"));
    let mut socket = Socket::open(0).map_err(unreachable)?;
    let Some(number) = socket.interface(interface).map_err(unreachable)? else {
        let mut numbers: Vec<_> =
            socket.addresses(None).await.map_err(unreachable)?.iter().map(|address| address.interface).collect();
        numbers.sort_unstable();
        numbers.dedup();
        let known = numbers.into_iter().filter_map(|number| socket.name(number)).collect();
        return Err(Silence::Interface(Bare::NoSuchInterface { name: interface.to_owned(), known }));
    };
    let mut addresses = socket.addresses(Some(family)).await.map_err(unreachable)?;
    addresses.retain(|address| address.interface == number);
    choose(&addresses, family, accept_special).map_err(Silence::Interface)
}

#[cfg(test)]
mod tests;
