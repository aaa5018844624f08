//! A zone in a master file (RFC 1035, section 5): read, and edited with every other byte kept.

pub mod edit;
#[cfg(any(test, feature = "hostile"))]
pub mod hostile;
pub mod lex;
pub mod listing;
pub mod runs;
pub mod scan;
pub mod serial;
pub mod view;
