//! STUN messages of the Binding method (RFC 8489): built, read and answered. Pure.
//!
//! What is read here came from a stranger: a message holds wholly, or not at all.

use std::net::{IpAddr, Ipv4Addr, Ipv6Addr, SocketAddr};

/// Tells a transaction from all others; 96 bits from a cryptographic source (RFC 8489, section 5).
pub type TransactionId = [u8; 12];

/// The longest message that is read, in bytes: what fits the least IPv4 datagram every host must take, less the
/// headers (RFC 8489, section 6.1; RFC 1122, section 3.3.2).
pub const LONGEST: usize = 548;

// RFC 8489, section 5.
const COOKIE: [u8; 4] = 0x2112_A442_u32.to_be_bytes();
const HEAD: usize = 20;

// Method Binding in each class (RFC 8489, sections 5 and 18.2).
const REQUEST: u16 = 0x0001;
const SUCCESS: u16 = 0x0101;
const ERROR: u16 = 0x0111;

// RFC 8489, section 18.3.
const MAPPED_ADDRESS: u16 = 0x0001;
const USERNAME: u16 = 0x0006;
const MESSAGE_INTEGRITY: u16 = 0x0008;
const ERROR_CODE: u16 = 0x0009;
const UNKNOWN_ATTRIBUTES: u16 = 0x000A;
const REALM: u16 = 0x0014;
const NONCE: u16 = 0x0015;
const MESSAGE_INTEGRITY_SHA256: u16 = 0x001C;
const PASSWORD_ALGORITHM: u16 = 0x001D;
const USERHASH: u16 = 0x001E;
const XOR_MAPPED_ADDRESS: u16 = 0x0020;
const FINGERPRINT: u16 = 0x8028;

/// Attributes in the comprehension-required range whose meaning is known here. Those of authentication change nothing
/// about a Binding that asks for none.
const KNOWN: [u16; 11] = [
    MAPPED_ADDRESS,
    USERNAME,
    MESSAGE_INTEGRITY,
    ERROR_CODE,
    UNKNOWN_ATTRIBUTES,
    REALM,
    NONCE,
    MESSAGE_INTEGRITY_SHA256,
    PASSWORD_ALGORITHM,
    USERHASH,
    XOR_MAPPED_ADDRESS,
];

/// Attributes from here on may be ignored by whoever does not know them (RFC 8489, section 14).
const OPTIONAL: u16 = 0x8000;

/// RFC 8489, section 14.7: the CRC is told apart from one of another protocol by this.
const FINGERPRINT_XOR: u32 = 0x5354_554e;

/// How many unknown attributes an error names, so that it stays small.
const UNKNOWN_NAMED: usize = 4;

/// Why an answer with the right transaction id is no address.
#[derive(Clone, Debug, PartialEq, Eq, thiserror::Error)]
pub enum Flaw {
    /// Not a STUN message, or one whose parts exceed it.
    #[error("a malformed STUN message: {0}")]
    Malformed(&'static str),
    /// Neither a success nor an error, or not of the Binding method.
    #[error("a STUN message of type {0:#06x}, which answers no Binding request")]
    NoResponse(u16),
    /// An error response, with its code.
    #[error("STUN error {0}")]
    Error(u16),
    /// An attribute that must be understood, and is not (RFC 8489, section 6.3.3).
    #[error("a STUN message with attribute {0:#06x}, which must be understood and is not")]
    Unknown(u16),
    /// The address stands there in the clear only.
    #[error(
        "STUN's MAPPED-ADDRESS alone, which a router on the way may have rewritten (RFC 8489, 14.2): \
         use a server that knows RFC 8489"
    )]
    OnlyMapped,
    /// No address at all.
    #[error("a STUN success without XOR-MAPPED-ADDRESS")]
    NoAddress,
}

/// A Binding request with FINGERPRINT: 28 bytes.
pub fn request(id: &TransactionId) -> Vec<u8> {
    let mut draft = Draft::new(REQUEST, id);
    draft.fingerprint();
    draft.bytes
}

/// Whether `datagram` belongs to the transaction `id`. Whatever does not is nobody's answer, and says nothing.
pub fn is_of(datagram: &[u8], id: &TransactionId) -> bool {
    datagram.get(4..8) == Some(&COOKIE) && datagram.get(8..HEAD) == Some(id)
}

/// The address in the response `datagram`, as it stands there: not judged yet.
///
/// MAPPED-ADDRESS is not taken in its stead. Only servers older than RFC 5389 of 2008 send it alone to a request with
/// the magic cookie, and routers that look for addresses in what passes are why the other one was made: a witness
/// whose word can be rewritten on the way is none.
///
/// # Errors
/// The [`Flaw`] that says what stands there instead.
pub fn address(datagram: &[u8]) -> Result<IpAddr, Flaw> {
    let message = Message::read(datagram)?;
    if !matches!(message.kind, SUCCESS | ERROR) {
        return Err(Flaw::NoResponse(message.kind));
    }
    if let Some(unknown) = message.unknown().next() {
        return Err(Flaw::Unknown(unknown));
    }
    if message.kind == ERROR {
        return Err(message.first(ERROR_CODE).map_or(Flaw::Malformed("an error without ERROR-CODE"), error_code));
    }
    match message.first(XOR_MAPPED_ADDRESS) {
        Some(value) => xored(value, &message.id).ok_or(Flaw::Malformed("XOR-MAPPED-ADDRESS of no family known")),
        None if message.first(MAPPED_ADDRESS).is_some() => Err(Flaw::OnlyMapped),
        None => Err(Flaw::NoAddress),
    }
}

/// The answer to `datagram` that came from `from`, an IPv4-mapped IPv6 address already being the IPv4 one it means.
/// Anything but a Binding request that holds has none.
///
/// Whoever forges the sender of a request turns the answer on a third party, so it stays close to the request:
/// 32 bytes for 20 over IPv4 (1.6 times; with UDP and IP headers 60 for 48, 1.25 times) and 44 for 20 over IPv6
/// (2.2 times; with headers 92 for 68, 1.4 times). FINGERPRINT is sent to those who sent one, where it adds 8 bytes to
/// both. No SOFTWARE, no ERROR-CODE phrase.
pub fn respond(datagram: &[u8], from: SocketAddr) -> Option<Vec<u8>> {
    let message = Message::read(datagram).ok().filter(|message| message.kind == REQUEST)?;
    let unknown: Vec<u16> = message.unknown().take(UNKNOWN_NAMED).collect();
    let mut draft;
    if unknown.is_empty() {
        draft = Draft::new(SUCCESS, &message.id);
        draft.attribute(XOR_MAPPED_ADDRESS, &xored_value(from, &message.id));
    } else {
        draft = Draft::new(ERROR, &message.id);
        // Class and number of 420 (RFC 8489, sections 14.8 and 14.13).
        draft.attribute(ERROR_CODE, &[0, 0, 4, 20]);
        draft.attribute(UNKNOWN_ATTRIBUTES, &unknown.iter().flat_map(|kind| kind.to_be_bytes()).collect::<Vec<_>>());
    }
    if message.fingerprinted {
        draft.fingerprint();
    }
    Some(draft.bytes)
}

/// A message that holds: header, length, bounds of each attribute, FINGERPRINT where there is one.
struct Message<'a> {
    kind: u16,
    id: TransactionId,
    attributes: Vec<(u16, &'a [u8])>,
    fingerprinted: bool,
}

impl<'a> Message<'a> {
    fn read(datagram: &'a [u8]) -> Result<Self, Flaw> {
        let malformed = |why| move || Flaw::Malformed(why);
        let (head, mut rest) = datagram.split_first_chunk::<HEAD>().ok_or_else(malformed("too short"))?;
        let [k0, k1, l0, l1, cookie @ .., _, _, _, _, _, _, _, _, _, _, _, _] = *head;
        if cookie != COOKIE {
            return Err(Flaw::Malformed("no magic cookie"));
        }
        let kind = u16::from_be_bytes([k0, k1]);
        let length = usize::from(u16::from_be_bytes([l0, l1]));
        if length != rest.len() || !length.is_multiple_of(4) || datagram.len() > LONGEST {
            return Err(Flaw::Malformed("its length is not the datagram's"));
        }
        let id = head.last_chunk().copied().unwrap_or_default();
        let (mut attributes, mut fingerprinted, mut sealed) = (Vec::new(), false, false);
        while !rest.is_empty() {
            if fingerprinted {
                // RFC 8489, section 14.7.
                return Err(Flaw::Malformed("FINGERPRINT is not last"));
            }
            let at = datagram.len() - rest.len();
            let ([t0, t1, l0, l1], after) = rest.split_first_chunk().ok_or_else(malformed("an attribute cut off"))?;
            let (kind, length) = (u16::from_be_bytes([*t0, *t1]), usize::from(u16::from_be_bytes([*l0, *l1])));
            // The length is that before padding, and padding may be any bits (RFC 8489, section 14).
            let value = after.get(..length).ok_or_else(malformed("an attribute exceeds the message"))?;
            rest = after.get(length.next_multiple_of(4)..).ok_or_else(malformed("padding exceeds the message"))?;
            if kind == FINGERPRINT {
                let before = datagram.get(..at).unwrap_or_default();
                if value != fingerprint_of(before) {
                    return Err(Flaw::Malformed("FINGERPRINT does not hold"));
                }
                fingerprinted = true;
            } else if kind == MESSAGE_INTEGRITY && length != 20 {
                // RFC 8489, section 14.5; else it could take in the FINGERPRINT behind it.
                return Err(Flaw::Malformed("MESSAGE-INTEGRITY of the wrong length"));
            } else if !sealed || kind == MESSAGE_INTEGRITY_SHA256 {
                // Whatever else follows MESSAGE-INTEGRITY is ignored (RFC 8489, sections 14.5 and 14.6).
                sealed |= matches!(kind, MESSAGE_INTEGRITY | MESSAGE_INTEGRITY_SHA256);
                attributes.push((kind, value));
            }
        }
        Ok(Self { kind, id, attributes, fingerprinted })
    }

    /// Only the first of several is significant (RFC 8489, section 14).
    fn first(&self, kind: u16) -> Option<&'a [u8]> {
        self.attributes.iter().find(|(other, _)| *other == kind).map(|(_, value)| *value)
    }

    fn unknown(&self) -> impl Iterator<Item = u16> {
        self.attributes.iter().map(|(kind, _)| *kind).filter(|kind| *kind < OPTIONAL && !KNOWN.contains(kind))
    }
}

/// RFC 8489, section 14.8: the hundreds in three bits, the rest from 0 to 99.
fn error_code(value: &[u8]) -> Flaw {
    match value {
        [_, _, class, number, ..] if (3..=6).contains(&(class & 7)) && *number < 100 => {
            Flaw::Error(u16::from(class & 7) * 100 + u16::from(*number))
        }
        _ => Flaw::Malformed("an ERROR-CODE that is none"),
    }
}

/// RFC 8489, section 14.2: the address XORed with the magic cookie, for IPv6 with the transaction id behind it.
fn xored(value: &[u8], id: &TransactionId) -> Option<IpAddr> {
    // The first byte is to be ignored; the port says nothing to a home (section 14.1).
    let ([_, family, _, _], address) = value.split_first_chunk()?;
    match (family, address.len()) {
        (1, 4) => Some(Ipv4Addr::from(<[u8; 4]>::try_from(address).ok()?.map_with(&COOKIE)).into()),
        (2, 16) => Some(Ipv6Addr::from(<[u8; 16]>::try_from(address).ok()?.map_with(&pad(id))).into()),
        _ => None,
    }
}

fn xored_value(from: SocketAddr, id: &TransactionId) -> Vec<u8> {
    let [p0, p1] = from.port().to_be_bytes().map_with(&[COOKIE[0], COOKIE[1]]);
    match from.ip() {
        IpAddr::V4(address) => [&[0, 1, p0, p1][..], &address.octets().map_with(&COOKIE)].concat(),
        IpAddr::V6(address) => [&[0, 2, p0, p1][..], &address.octets().map_with(&pad(id))].concat(),
    }
}

fn pad(id: &TransactionId) -> [u8; 16] {
    let [a, b, c, d] = COOKIE;
    let [e, f, g, h, i, j, k, l, m, n, o, p] = *id;
    [a, b, c, d, e, f, g, h, i, j, k, l, m, n, o, p]
}

/// Bytes XORed with others.
trait MapWith {
    fn map_with(self, with: &Self) -> Self;
}

impl<const N: usize> MapWith for [u8; N] {
    fn map_with(mut self, with: &Self) -> Self {
        self.iter_mut().zip(with).for_each(|(byte, with)| *byte ^= with);
        self
    }
}

/// FINGERPRINT's value behind `before`, whose length field counts FINGERPRINT already (RFC 8489, section 14.7).
fn fingerprint_of(before: &[u8]) -> [u8; 4] {
    (crc32fast::hash(before) ^ FINGERPRINT_XOR).to_be_bytes()
}

/// A message as it grows; its length field is right after each step.
struct Draft {
    bytes: Vec<u8>,
}

impl Draft {
    fn new(kind: u16, id: &TransactionId) -> Self {
        Self { bytes: [&kind.to_be_bytes()[..], &[0, 0], &COOKIE, id].concat() }
    }

    fn attribute(&mut self, kind: u16, value: &[u8]) {
        let length = u16::try_from(value.len()).unwrap_or(u16::MAX);
        self.bytes.extend_from_slice(&kind.to_be_bytes());
        self.bytes.extend_from_slice(&length.to_be_bytes());
        self.bytes.extend_from_slice(value);
        self.bytes.resize(self.bytes.len().next_multiple_of(4), 0);
        self.set_length(0);
    }

    fn fingerprint(&mut self) {
        self.set_length(8);
        let value = fingerprint_of(&self.bytes);
        self.attribute(FINGERPRINT, &value);
    }

    fn set_length(&mut self, more: usize) {
        let length = u16::try_from(self.bytes.len() - HEAD + more).unwrap_or(u16::MAX);
        if let Some(field) = self.bytes.get_mut(2..4) {
            field.copy_from_slice(&length.to_be_bytes());
        }
    }
}

#[cfg(test)]
mod tests;
