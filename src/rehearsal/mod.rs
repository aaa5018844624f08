//! (to be written)
pub mod dns;
