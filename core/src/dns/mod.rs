//! DNS messages: built, signed and read.

pub mod answer;
pub mod message;
pub mod tsig;
