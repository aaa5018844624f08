//! Two daemons, one home: whose turn it is to write, by a lease in the zone.

pub mod turn;
pub mod unable;

pub use turn::News;
pub use unable::{Inability, Unable};

/// Why a provider is not written to now.
#[derive(Clone, Debug, PartialEq, Eq)]
pub enum NotHeld {
    /// Another one has the lease, and that is as it should be.
    StandingBy(String),
    /// Nobody can tell yet, or the lease cannot be taken now.
    Passing(String),
    /// Somebody refused, and nothing proves that it was the server.
    Unproven(String),
    /// Something is in the way that a person has to remove; it is looked at again.
    Barred(String),
    /// A permanent refusal.
    Refused(String),
    /// It rests, because this machine could not write anyway.
    Resting(String),
}
