//! STUN (RFC 8489): the messages.

pub mod message;
