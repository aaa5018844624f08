//! (to be written)
pub mod limits;
