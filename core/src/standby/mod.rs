//! Two daemons, one home: whose turn it is to write, by a lease in the zone.

pub mod turn;
pub mod unable;

pub use turn::News;
pub use unable::{Inability, Unable};
