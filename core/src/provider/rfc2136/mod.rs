//! Dynamic updates (RFC 2136), signed by TSIG (RFC 8945): the messages, and what answers to them amount to.

#[cfg(any(test, feature = "hostile"))]
pub mod hostile;
pub mod judge;
pub mod read;
pub mod transfer;
pub mod update;
