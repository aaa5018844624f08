//! What the daemon knows, for whoever looks: one value, [`Status`], behind the command, the page and the metrics.
//!
//! [`model`] has the value, [`build`] makes it of the daemon's snapshot, [`history`] and [`log_digest`] keep what a single
//! round does not show, [`address_history`] tells where the home has been, [`page`], [`metrics`] and [`words`] turn it into text; all of them are pure. [`request`] decides what
//! a request gets, and is pure too. [`serve`] listens, and [`ask`] asks the daemon of this machine: over its control
//! socket, `status.sock` in the state directory.

pub mod ask;
pub mod metrics;
pub mod page;
pub mod request;
pub mod serve;

pub use fingerpost_core::status::*;

/// The control socket's name in the state directory.
pub(crate) const SOCKET: &str = "status.sock";

use crate::allowlist;
use crate::settings::Config;
use model::Edge;

/// What is kept of the edges, before their lists are looked at. Reads the state directory.
pub fn edges(config: &Config) -> Vec<Edge> {
    let one = |edge: &crate::settings::Edge| {
        let kept = allowlist::kept(config, edge).map_err(|error| crate::text::chain_of(&error));
        build::edge(&edge.name, kept)
    };
    config.edges.iter().map(one).collect()
}
