//! What a router says of its WAN address: how it is read.

pub mod announce;
pub mod gateway;
pub mod igd;
pub mod natpmp;
pub mod pcp;

use std::net::Ipv4Addr;

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
