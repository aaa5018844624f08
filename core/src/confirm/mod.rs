//! Whether all servers of a zone serve what was written: who is asked when, what that has shown, and what a parent says of
//! who they are.

pub mod delegation;
pub mod propagation;

use std::net::SocketAddr;

pub use propagation::{End, Verdict};

/// A server of a zone: its name, and where it is asked.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Server {
    /// As the delegation or the configuration has it.
    pub name: String,
    /// Asked in turn until one answers; the one that answered last is first. Empty when none is known.
    pub addresses: Vec<SocketAddr>,
}

/// Why the servers of a zone are not known.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Lost {
    /// What happened, in one clause.
    pub why: String,
    /// Whether it may pass.
    pub passing: bool,
}
