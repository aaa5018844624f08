//! The hosts of the battery, one file a kind of provider.

pub(crate) mod program;
pub(crate) mod rest;
pub(crate) mod rfc2136;
pub(crate) mod zonefile;
