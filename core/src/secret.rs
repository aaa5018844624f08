//! A secret: bytes that cannot be printed by mistake.
//!
//! Pure.

use std::fmt;

/// A secret's bytes. It has no `Display`, and its `Debug` shows nothing of it.
#[derive(Clone)]
pub struct Secret(Vec<u8>);

impl Secret {
    /// Takes the bytes over.
    pub fn new(bytes: Vec<u8>) -> Self {
        Self(bytes)
    }

    /// The bytes, for the one place that signs or sends with them.
    pub fn expose(&self) -> &[u8] {
        &self.0
    }
}

impl fmt::Debug for Secret {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.write_str("(secret)")
    }
}
