//! The log that can be checked with `sha256sum`: what is entered, and the file in which it stands.
//!
//! The events, their words and the chain are the core's; [`mod@file`] writes and reads.

pub mod file;

pub use fingerpost_core::audit::*;
