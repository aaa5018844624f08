//! What people are told, and when.

pub mod causes;
pub mod desk;
