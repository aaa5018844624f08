//! What a finding in the log is about: its text begins with the topic, so that what is found and what is gone meet.
//!
//! Pure.

/// Findings about what the outside can see of the home.
pub const EXPOSURE: &str = "exposure: ";

/// Lists of ranges that are not believed.
pub const RANGES: &str = "ranges: ";
