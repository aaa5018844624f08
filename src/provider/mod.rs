//! Where records live, one file or folder a kind. The trait, and what passes through it, are the core's.
//!
//! A provider reads and writes, once, when it is told to. Retrying, back-off, limits, the audit log and
//! the reading-back after a write belong to [`crate::update`]; a provider does none of these.

pub mod program;
pub mod rest;
pub mod rfc2136;
pub mod zonefile;

pub use fingerpost_core::provider::*;
