//! The forms of RDATA: of every type of the IANA registry of DNS parameters, what its data is made of, as far as an
//! address, a name or text is in it. From memory of the RFCs; a test holds it against dnspython's classes.
//!
//! Types of questions and of messages (OPT, TKEY, TSIG, AXFR, ...) never stand in a zone, and are not here.

use Field::{
    Fixed, Gateway, Hip, Ipv4, Ipv6, Located, Locator, Mailbox, Name, Next, Opaque, Params, Prefixes, Relay, Rest,
    Suffix, Word, Words,
};

/// One field of the data, or all that is left of it.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(super) enum Field {
    /// So many octets, one word in a master file, with nothing to read in them.
    Fixed(usize),
    /// An address.
    Ipv4,
    /// An address.
    Ipv6,
    /// The upper half of an IPv6 address (RFC 6742, section 2.3).
    Locator,
    /// A name, compressed or not.
    Name,
    /// A mailbox as a name (RFC 1035, section 3.3.13).
    Mailbox,
    /// The name that follows in an NSEC chain: tells strangers of a name, unless that is above the owner's.
    Next,
    /// One character-string.
    Word,
    /// All that is left, as character-strings.
    Words,
    /// All that is left, as one text.
    Rest,
    /// All that is left: keys, digests, numbers.
    Opaque,
    /// Type of gateway, algorithm, and the gateway (RFC 4025, section 2.1).
    Gateway,
    /// Type of relay with the bit before it, and the relay (RFC 8777, section 4.2).
    Relay,
    /// Identity, key, and the names of the servers where one meets (RFC 8005, section 5).
    Hip,
    /// Length of the prefix, the rest of the address, the prefix's name (RFC 2874, section 3.1).
    Suffix,
    /// Ranges (RFC 3123, section 4).
    Prefixes,
    /// Parameters of a service (RFC 9460, section 2.2).
    Params,
    /// An object, or where one is found, in Base64 in a master file.
    Located,
}

/// What the data of one type is made of.
#[derive(Debug)]
pub(super) struct Form {
    /// The type's number; that of types that exist in APIs only is reserved (65535).
    pub(super) code: u16,
    /// The type's name.
    pub(super) name: &'static str,
    /// Its fields, in order.
    pub(super) fields: &'static [Field],
}

const fn form(code: u16, name: &'static str, fields: &'static [Field]) -> Form {
    Form { code, name, fields }
}

/// The number of the types that have none.
const NONE: u16 = 65535;

/// By the RFC that is named, or by RFC 1035, section 3.
const FORMS: &[Form] = &[
    form(1, "A", &[Ipv4]),
    form(2, "NS", &[Name]),
    form(3, "MD", &[Name]),
    form(4, "MF", &[Name]),
    form(5, "CNAME", &[Name]),
    form(6, "SOA", &[Name, Mailbox, Opaque]),
    form(7, "MB", &[Name]),
    form(8, "MG", &[Mailbox]),
    form(9, "MR", &[Mailbox]),
    form(10, "NULL", &[Rest]),
    form(11, "WKS", &[Ipv4, Opaque]),
    form(12, "PTR", &[Name]),
    form(13, "HINFO", &[Word, Word]),
    form(14, "MINFO", &[Mailbox, Mailbox]),
    form(15, "MX", &[Fixed(2), Name]),
    form(16, "TXT", &[Words]),
    // RFC 1183.
    form(17, "RP", &[Mailbox, Name]),
    form(18, "AFSDB", &[Fixed(2), Name]),
    form(19, "X25", &[Word]),
    form(20, "ISDN", &[Word, Word]),
    form(21, "RT", &[Fixed(2), Name]),
    // RFC 1706.
    form(22, "NSAP", &[Opaque]),
    form(23, "NSAP-PTR", &[Name]),
    // The signer is the zone itself: here, and in RRSIG (RFC 4034, section 3.1.7).
    form(24, "SIG", &[Opaque]),
    form(25, "KEY", &[Opaque]),
    // RFC 2163.
    form(26, "PX", &[Fixed(2), Name, Name]),
    // RFC 1712.
    form(27, "GPOS", &[Word, Word, Word]),
    form(28, "AAAA", &[Ipv6]),
    form(29, "LOC", &[Opaque]),
    // RFC 2535, section 5.2.
    form(30, "NXT", &[Next, Opaque]),
    form(31, "EID", &[Opaque]),
    form(32, "NIMLOC", &[Opaque]),
    // RFC 2782.
    form(33, "SRV", &[Fixed(2), Fixed(2), Fixed(2), Name]),
    form(34, "ATMA", &[Opaque]),
    // RFC 3403, section 4.1.
    form(35, "NAPTR", &[Fixed(2), Fixed(2), Word, Word, Word, Name]),
    // RFC 2230.
    form(36, "KX", &[Fixed(2), Name]),
    form(37, "CERT", &[Opaque]),
    form(38, "A6", &[Suffix]),
    // RFC 6672, section 2.1.
    form(39, "DNAME", &[Name]),
    form(40, "SINK", &[Opaque]),
    form(42, "APL", &[Prefixes]),
    form(43, "DS", &[Opaque]),
    form(44, "SSHFP", &[Opaque]),
    form(45, "IPSECKEY", &[Fixed(1), Gateway, Opaque]),
    form(46, "RRSIG", &[Opaque]),
    // RFC 4034, section 4.1.
    form(47, "NSEC", &[Next, Opaque]),
    form(48, "DNSKEY", &[Opaque]),
    form(49, "DHCID", &[Opaque]),
    form(50, "NSEC3", &[Opaque]),
    form(51, "NSEC3PARAM", &[Opaque]),
    form(52, "TLSA", &[Opaque]),
    form(53, "SMIMEA", &[Opaque]),
    form(55, "HIP", &[Hip]),
    form(56, "NINFO", &[Words]),
    form(57, "RKEY", &[Opaque]),
    form(58, "TALINK", &[Name, Name]),
    form(59, "CDS", &[Opaque]),
    form(60, "CDNSKEY", &[Opaque]),
    form(61, "OPENPGPKEY", &[Opaque]),
    form(62, "CSYNC", &[Opaque]),
    form(63, "ZONEMD", &[Opaque]),
    form(64, "SVCB", &[Fixed(2), Name, Params]),
    form(65, "HTTPS", &[Fixed(2), Name, Params]),
    // RFC 9859.
    form(66, "DSYNC", &[Fixed(2), Fixed(1), Fixed(2), Name]),
    form(67, "HHIT", &[Opaque]),
    form(68, "BRID", &[Opaque]),
    // RFC 4408, section 3.1.1.
    form(99, "SPF", &[Words]),
    form(100, "UINFO", &[Words]),
    form(101, "UID", &[Opaque]),
    form(102, "GID", &[Opaque]),
    form(103, "UNSPEC", &[Opaque]),
    // RFC 6742.
    form(104, "NID", &[Opaque]),
    form(105, "L32", &[Fixed(2), Ipv4]),
    form(106, "L64", &[Fixed(2), Locator]),
    form(107, "LP", &[Fixed(2), Name]),
    form(108, "EUI48", &[Opaque]),
    form(109, "EUI64", &[Opaque]),
    // RFC 7553.
    form(256, "URI", &[Fixed(2), Fixed(2), Rest]),
    // RFC 8659, section 4.1.
    form(257, "CAA", &[Fixed(1), Word, Rest]),
    form(258, "AVC", &[Words]),
    form(259, "DOA", &[Fixed(4), Fixed(4), Fixed(1), Word, Located]),
    form(260, "AMTRELAY", &[Fixed(1), Relay]),
    // RFC 9606.
    form(261, "RESINFO", &[Words]),
    form(262, "WALLET", &[Words]),
    form(263, "CLA", &[Words]),
    form(264, "IPN", &[Opaque]),
    form(32768, "TA", &[Opaque]),
    form(32769, "DLV", &[Opaque]),
    // Of hosted zones only: an address that the server looks up under another name (common practice, no source).
    form(NONE, "ALIAS", &[Name]),
    form(NONE, "ANAME", &[Name]),
];

/// The form of the type with this number.
pub(super) fn numbered(code: u16) -> Option<&'static Form> {
    FORMS.iter().find(|form| form.code == code && code != NONE)
}

/// The form of the type with this name in upper case, or with the number that it is (RFC 3597, section 5).
pub(super) fn named(rtype: &str) -> Option<&'static Form> {
    let number = rtype.strip_prefix("TYPE").and_then(|number| number.parse().ok());
    number.and_then(numbered).or_else(|| FORMS.iter().find(|form| form.name == rtype))
}
