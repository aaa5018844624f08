//! The default gateway, by netlink (rtnetlink(7)): the service unit hides `/proc/net/route`.
//!
//! [`default_gateway`] and [`default_gateway_v6`] ask the kernel, which answers at once. Its answer is read by the core.

use std::io;
use std::net::{IpAddr, Ipv4Addr, Ipv6Addr};
use std::time::Duration;

use rustix::net::netlink::SocketAddrNetlink;
use rustix::net::{
    AddressFamily, RecvFlags, SendFlags, SocketFlags, SocketType, netdevice, recvfrom, sendto, socket_with, sockopt,
};

pub use fingerpost_core::watch::router::gateway::*;

// linux/netlink.h and linux/rtnetlink.h.
const RTM_GETROUTE: u16 = 26;
const NLM_F_REQUEST: u16 = 0x1;
const NLM_F_DUMP: u16 = 0x300;

/// The lengths of `nlmsghdr` and `rtmsg`.
const MESSAGE: usize = 16;
const ROUTE_MESSAGE: usize = 12;

/// What the kernel may put into one datagram of a dump (netlink(7)); it uses no more than this.
const DATAGRAM: usize = 32 * 1024;

/// How often a dump is asked for again when the routes changed meanwhile.
const TRIES: usize = 3;

/// The IPv4 default gateway and the index of its interface, on `interface` or wherever the lowest metric is.
///
/// # Errors
/// When the kernel cannot be asked or `interface` does not exist.
pub fn default_gateway(interface: Option<&str>) -> io::Result<Option<(Ipv4Addr, u32)>> {
    Ok(match ask(AddressFamily::INET, interface)? {
        Some(DefaultRoute { gateway: IpAddr::V4(gateway), interface, .. }) => Some((gateway, interface)),
        _ => None,
    })
}

/// The IPv6 default gateway, usually a link-local address, and the index of its interface.
///
/// # Errors
/// When the kernel cannot be asked or `interface` does not exist.
pub fn default_gateway_v6(interface: Option<&str>) -> io::Result<Option<(Ipv6Addr, u32)>> {
    Ok(match ask(AddressFamily::INET6, interface)? {
        Some(DefaultRoute { gateway: IpAddr::V6(gateway), interface, .. }) => Some((gateway, interface)),
        _ => None,
    })
}

/// The index of `interface`.
///
/// # Errors
/// When there is none of that name.
pub fn index_of(interface: &str) -> io::Result<u32> {
    let socket = socket_with(AddressFamily::INET, SocketType::DGRAM, SocketFlags::CLOEXEC, None)?;
    Ok(netdevice::name_to_index(&socket, interface)?)
}

fn ask(family: AddressFamily, interface: Option<&str>) -> io::Result<Option<DefaultRoute>> {
    let interface = interface.map(index_of).transpose()?;
    let mut dump = Dump::default();
    for _ in 0..TRIES {
        dump = dump_routes(family)?;
        if !dump.interrupted {
            break;
        }
    }
    Ok(choose(&dump.routes, interface))
}

fn dump_routes(family: AddressFamily) -> io::Result<Dump> {
    // Protocol 0 is NETLINK_ROUTE.
    let socket = socket_with(AddressFamily::NETLINK, SocketType::RAW, SocketFlags::CLOEXEC, None)?;
    // The kernel answers within the call; the limit is for a kernel that does not.
    sockopt::set_socket_timeout(&socket, sockopt::Timeout::Recv, Some(Duration::from_secs(1)))?;
    sendto(&socket, &request(family), SendFlags::empty(), &SocketAddrNetlink::new(0, 0))?;
    let mut dump = Dump::default();
    let mut buffer = vec![0; DATAGRAM];
    while !dump.done {
        let (_, length, from) = recvfrom(&socket, &mut buffer[..], RecvFlags::TRUNC)?;
        let from = from.map(SocketAddrNetlink::try_from).transpose()?;
        // Another process may write to this socket; the kernel's port is 0.
        if from.is_none_or(|from| from.pid() != 0) {
            continue;
        }
        let datagram = buffer.get(..length).ok_or_else(|| io::Error::other("a netlink answer was cut off"))?;
        dump.take(datagram)?;
    }
    Ok(dump)
}

fn request(family: AddressFamily) -> Vec<u8> {
    let length = (MESSAGE + ROUTE_MESSAGE) as u32;
    let mut request = Vec::with_capacity(MESSAGE + ROUTE_MESSAGE);
    request.extend(length.to_ne_bytes());
    request.extend(RTM_GETROUTE.to_ne_bytes());
    request.extend((NLM_F_REQUEST | NLM_F_DUMP).to_ne_bytes());
    // The sequence number; the socket asks one thing only. Then our port, which the kernel chooses.
    request.extend([0; 8]);
    request.extend([family.as_raw() as u8]);
    request.resize(MESSAGE + ROUTE_MESSAGE, 0);
    request
}

#[cfg(test)]
mod tests;
