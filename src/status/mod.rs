//! What the daemon knows, for whoever looks: one value, [`Status`], behind the command, the page and the metrics.
//!
//! [`model`] has the value, [`build`] makes it of the daemon's snapshot, [`history`] and [`memory`] keep what a single
//! round does not show, [`tenure`] tells where the home has been, [`page`], [`metrics`] and [`words`] turn it into text; all of them are pure. [`request`] decides what
//! a request gets, and is pure too. [`serve`] listens, and [`ask`] asks the daemon of this machine: over its control
//! socket, `status.sock` in the state directory.

pub mod ask;
pub mod build;
pub mod history;
pub mod memory;
pub mod metrics;
pub mod model;
pub mod page;
pub mod request;
pub mod serve;
pub mod snapshot;
pub mod tenure;
pub mod words;

pub use model::Status;
pub use snapshot::Snapshot;

/// The control socket's name in the state directory.
pub const SOCKET: &str = "status.sock";
