//! (to be written)
pub mod http;
pub mod settle;
pub mod vote;
