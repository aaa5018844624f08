//! What must hold of each parser of strangers' words, whatever stands in them: a function a parser, which fails when it
//! does not hold. Fuzzing (`fuzz/`) calls them for minutes, the tests beneath for a moment. No part of the program.
//!
//! Each says whether anything was read at all, so that its seeds can be held to it. Where chance would hardly ever get
//! past a length or a checksum, the same octets are tried again with those put right.

pub use crate::confirm::hostile::any_answer as server_answer;
pub use crate::echo::hostile::request_head as echo_request;
pub use crate::exposure::hostile::certificate;
pub use fingerpost_core::hostile::*;

#[cfg(test)]
mod tests;
