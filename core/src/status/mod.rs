//! What the daemon knows, as one value for whoever looks.

pub mod address_history;
pub mod build;
pub mod history;
pub mod log_digest;
pub mod model;
pub mod snapshot;
pub mod words;

pub use model::Status;
pub use snapshot::Snapshot;
