//! (to be written)
pub mod dns;
pub mod zone;
