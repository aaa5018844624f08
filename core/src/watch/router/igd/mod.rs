//! UPnP IGD: how descriptions and answers are read.

pub mod ssdp;
pub mod tree;
pub mod xml;

/// The longest description of a device that is read, in bytes.
pub const DESCRIPTION: usize = 64 * 1024;
