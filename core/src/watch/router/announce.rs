//! Announcements of the router: NAT-PMP's (RFC 6886, section 3.2.1) and PCP's (RFC 6887, section 14.1).
//!
//! An announcement is a reason to look, never a truth: what it says is not even read.

use std::net::SocketAddr;

use super::{natpmp, pcp};

/// The protocol of an announcement.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum AnnouncementKind {
    /// RFC 6886.
    NatPmp,
    /// RFC 6887.
    Pcp,
}

/// What kind of announcement of `gateway` a datagram is, if it is one. Address and port must be the gateway's; a NAT-PMP
/// announcement has the form of the answer to opcode 0, and one that says "no address" counts.
pub fn is_announcement(datagram: &[u8], from: SocketAddr, gateway: SocketAddr) -> Option<AnnouncementKind> {
    if (from.ip(), from.port()) != (gateway.ip(), gateway.port()) {
        return None;
    }
    if pcp::announced(datagram).is_some() {
        return Some(AnnouncementKind::Pcp);
    }
    let whole = datagram.len() >= 12 && datagram.first() == Some(&0);
    (whole && natpmp::parse(datagram).is_some()).then_some(AnnouncementKind::NatPmp)
}

#[cfg(test)]
mod tests;
