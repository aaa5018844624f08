//! DNS messages and how they travel: what the `rfc2136` provider, the confirming and the rehearsal share.
//!
//! [`message`] is pure; [`tcp`] opens connections.

pub(crate) mod message;
pub(crate) mod tcp;
