//! Being a witness for others: how often each is answered, and what is told of their ports.

pub mod budget;
pub mod knock;
pub mod sieve;
