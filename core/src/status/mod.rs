//! What the daemon knows, as one value for whoever looks.

pub mod build;
pub mod history;
pub mod memory;
pub mod model;
pub mod snapshot;
pub mod tenure;
pub mod words;

pub use model::Status;
pub use snapshot::Snapshot;
