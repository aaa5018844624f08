//! What must hold of each parser of strangers' words, whatever stands in them: a function a parser, which fails when it
//! does not hold. Fuzzing (`fuzz/`) calls them for minutes, the tests beneath for a moment. No part of the program.
//!
//! Each says whether anything was read at all, so that its seeds can be held to it. Where chance would hardly ever get
//! past a length or a checksum, the same octets are tried again with those put right.

use crate::watch::router::igd::xml;

pub use crate::allowlist::hostile::{ranges, ruleset, table};
pub use crate::confirm::hostile::any_answer as server_answer;
pub use crate::echo::hostile::request_head as echo_request;
pub use crate::exposure::hostile::{certificate, zone_text};
pub use fingerpost_core::hostile::*;

/// An entry of a router's list of port mappings.
pub fn port_mapping(data: &[u8]) -> bool {
    let Ok(entry) = xml::mapping(data) else { return false };
    if let xml::Entry::Mapping(mapping) = &entry {
        let let_in = crate::allowlist::firewall::mappings::let_in(std::slice::from_ref(mapping), mapping.port);
        assert!(let_in.ways.len() + let_in.doubts.len() <= 1);
        assert!(mapping.enabled && mapping.is_tcp || let_in == crate::allowlist::firewall::LetIn::default());
    }
    true
}

#[cfg(test)]
mod tests;
