//! A router advertisement (RFC 4861, section 4.2), as an access provider's router sends it.

use std::io;
use std::net::{Ipv6Addr, SocketAddrV6};

use rustix::net::{AddressFamily, SendFlags, SocketType, ipproto, netdevice, sendto, socket, sockopt};

/// A /64 for hosts to make addresses of.
pub(crate) struct Prefix {
    pub(crate) prefix: Ipv6Addr,
    /// Lifetimes in seconds; a preferred lifetime of 0 deprecates the addresses.
    pub(crate) valid: u32,
    pub(crate) preferred: u32,
}

/// Sends one to all nodes on the link of `device`. The kernel writes the checksum (RFC 3542, section 3.1).
pub(crate) fn send(device: &str, prefixes: &[Prefix]) -> io::Result<()> {
    let socket = socket(AddressFamily::INET6, SocketType::RAW, Some(ipproto::ICMPV6))?;
    let index = netdevice::name_to_index(&socket, device)?;
    // Whatever has crossed a router is ignored (RFC 4861, section 6.1.2).
    sockopt::set_ipv6_multicast_hops(&socket, 255)?;
    sockopt::set_ipv6_multicast_if(&socket, index)?;
    let all_nodes = SocketAddrV6::new("ff02::1".parse().map_err(io::Error::other)?, 0, 0, index);
    sendto(&socket, &message(prefixes), SendFlags::empty(), &all_nodes)?;
    Ok(())
}

fn message(prefixes: &[Prefix]) -> Vec<u8> {
    // Type 134; hop limit 64; this is a default router for half an hour; no times told.
    let mut bytes = vec![134, 0, 0, 0, 64, 0];
    bytes.extend(1800u16.to_be_bytes());
    bytes.extend([0; 8]);
    for Prefix { prefix, valid, preferred } in prefixes {
        // Prefix information (section 4.6.2): on-link, and for autonomous configuration.
        bytes.extend([3, 4, 64, 0xc0]);
        bytes.extend(valid.to_be_bytes());
        bytes.extend(preferred.to_be_bytes());
        bytes.extend([0; 4]);
        bytes.extend(prefix.octets());
    }
    bytes
}
