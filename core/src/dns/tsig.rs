//! The key with which messages are signed (RFC 8945).
//!
//! Pure.

use crate::name::DnsName;
use crate::secret::Secret;

/// A TSIG key (RFC 8945).
#[derive(Clone, Debug)]
pub struct TsigKey {
    /// Its name, as both sides know it.
    pub name: DnsName,
    /// Its algorithm.
    pub algorithm: TsigAlgorithm,
    /// The shared secret, decoded.
    pub secret: Secret,
}

/// The TSIG algorithms this program signs with (RFC 8945, section 6).
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum TsigAlgorithm {
    /// hmac-sha256
    HmacSha256,
    /// hmac-sha384
    HmacSha384,
    /// hmac-sha512
    HmacSha512,
}
