//! The vectors of RFC 5769 are from memory. What shows that memory holds: each one's own FINGERPRINT and
//! MESSAGE-INTEGRITY, with the RFC's password, are right, and the addresses come out as the RFC gives them.

use std::net::SocketAddr;

use data_encoding::HEXLOWER_PERMISSIVE;
use proptest::prelude::*;
use ring::hmac;

use super::{Flaw, LONGEST, TransactionId, address, is_of, request, respond};

/// RFC 5769, sections 2.1 to 2.3.
const SAMPLE_REQUEST: &str = "000100582112a442b7e7a701bc34d686fa87dfae802200105354554e207465737420636c69656e74002400046e\
    0001ff80290008932ff9b151263b36000600096576746a3a68367659202020000800149aeaa70cbfd8cb56781ef2b5b2d3f249c1b571a2802800\
    04e57a3bcf";
const SAMPLE_IPV4: &str = "0101003c2112a442b7e7a701bc34d686fa87dfae8022000b7465737420766563746f7220002000080001a147e112\
    a643000800142b91f599fd9e90c38c7489f92af9ba53f06be7d780280004c07d4c96";
const SAMPLE_IPV6: &str = "010100482112a442b7e7a701bc34d686fa87dfae8022000b7465737420766563746f7220002000140002a1470113\
    a9faa5d3f179bc25f4b5bed2b9d900080014a382954e4be67bf11784c97c8292c275bfe3ed4180280004c8fb0b4c";
const ID: &str = "b7e7a701bc34d686fa87dfae";

fn hex(text: &str) -> Vec<u8> {
    HEXLOWER_PERMISSIVE.decode(text.as_bytes()).unwrap()
}

fn id() -> TransactionId {
    hex(ID).try_into().unwrap()
}

/// A message of `kind` with these attributes, each as it stands on the wire.
fn message(kind: &str, attributes: &str) -> Vec<u8> {
    hex(&format!("{kind}{:04x}2112a442{ID}{attributes}", attributes.len() / 2))
}

/// A success with a FINGERPRINT that holds, and `attribute` before and behind it.
fn fingerprint_amid(attribute: &str) -> Vec<u8> {
    let mut message = sealed(message("0101", attribute), 8 + attribute.len() / 2);
    message.extend(hex(attribute));
    message
}

/// `message` with FINGERPRINT behind it.
fn with_fingerprint(message: Vec<u8>) -> Vec<u8> {
    sealed(message, 8)
}

/// `message` with FINGERPRINT behind it, where the length counts `more` bytes from FINGERPRINT on.
fn sealed(mut message: Vec<u8>, more: usize) -> Vec<u8> {
    let length = u16::try_from(message.len() - 20 + more).unwrap();
    message[2..4].copy_from_slice(&length.to_be_bytes());
    let crc = crc32fast::hash(&message) ^ 0x5354_554e;
    [&message[..], &[0x80, 0x28, 0, 4], &crc.to_be_bytes()].concat()
}

#[test]
fn the_vectors_of_rfc_5769_are_read() {
    assert_eq!(address(&hex(SAMPLE_IPV4)), Ok("192.0.2.1".parse().unwrap()));
    assert_eq!(address(&hex(SAMPLE_IPV6)), Ok("2001:db8:1234:5678:11:2233:4455:6677".parse().unwrap()));
    for sample in [SAMPLE_REQUEST, SAMPLE_IPV4, SAMPLE_IPV6].map(hex) {
        assert!(is_of(&sample, &id()));
        // MESSAGE-INTEGRITY is computed as if it were last (RFC 8489, section 14.5); FINGERPRINT is 8 bytes behind it.
        let (mut before, seal) = (sample[..sample.len() - 32].to_vec(), &sample[sample.len() - 28..sample.len() - 8]);
        let length = u16::try_from(before.len() - 20 + 24).unwrap();
        before[2..4].copy_from_slice(&length.to_be_bytes());
        let key = hmac::Key::new(hmac::HMAC_SHA1_FOR_LEGACY_USE_ONLY, b"VOkJxbRl1RmTxUk/WvJxBt");
        hmac::verify(&key, &before, seal).unwrap();
    }
}

#[test]
fn any_bit_changed_in_a_vector_is_noticed() {
    for sample in [SAMPLE_IPV4, SAMPLE_IPV6].map(hex) {
        for bit in 0..sample.len() * 8 {
            let mut changed = sample.clone();
            changed[bit / 8] ^= 1 << (bit % 8);
            // A length of FINGERPRINT's header or a type other than FINGERPRINT leaves the rest unprotected.
            let fingerprint_header = sample.len() - 8..sample.len() - 4;
            if !fingerprint_header.contains(&(bit / 8)) {
                assert!(address(&changed).is_err(), "bit {bit}");
            }
        }
    }
}

#[test]
fn an_answer_that_does_not_hold_is_none() {
    let v4 = "002000080001a147e112a643";
    let seal = format!("00080014{}", "00".repeat(20));
    let home = || Ok("192.0.2.1".parse().unwrap());
    let malformed = |why| Err(Flaw::Malformed(why));
    let (length, exceeds) = ("its length is not the datagram's", "an attribute exceeds the message");
    for (what, datagram, expected) in [
        ("as it should be", message("0101", v4), home()),
        ("optional unknown", message("0101", &format!("802b0008000100007f000001{v4}")), home()),
        ("padding of any bits", message("0101", &format!("80220001ffeeddcc{v4}")), home()),
        ("an empty attribute", message("0101", &format!("80220000{v4}")), home()),
        ("first byte to be ignored", message("0101", "00200008ff01a147e112a643"), home()),
        ("the first of two", message("0101", &format!("{v4}002000080001a1470012a643")), home()),
        ("both kinds, either order", message("0101", &format!("00010008000180557f000001{v4}")), home()),
        ("with its fingerprint", with_fingerprint(message("0101", v4)), home()),
        ("in the clear only", message("0101", "00010008000180557f000001"), Err(Flaw::OnlyMapped)),
        ("nothing in it", message("0101", ""), Err(Flaw::NoAddress)),
        ("unknown and required", message("0101", &format!("00250000{v4}")), Err(Flaw::Unknown(0x25))),
        ("unknown, after the address", message("0101", &format!("{v4}7fff0000")), Err(Flaw::Unknown(0x7fff))),
        ("only behind the seal", message("0101", &format!("{seal}{v4}")), Err(Flaw::NoAddress)),
        (
            "a seal of no size",
            message("0101", &format!("00080000{v4}")),
            malformed("MESSAGE-INTEGRITY of the wrong length"),
        ),
        ("the request come back", request(&id()), Err(Flaw::NoResponse(1))),
        ("an indication", message("0011", v4), Err(Flaw::NoResponse(0x11))),
        ("of another method", message("0103", v4), Err(Flaw::NoResponse(0x103))),
        ("upper bits set", message("4101", v4), Err(Flaw::NoResponse(0x4101))),
        ("error 400", message("0111", "0009000400000400"), Err(Flaw::Error(400))),
        ("error 300", message("0111", "00090004fffffb00"), Err(Flaw::Error(300))),
        ("error 699", message("0111", "0009000800000663626164ff"), Err(Flaw::Error(699))),
        ("an error that is an address too", message("0111", &format!("0009000400000401{v4}")), Err(Flaw::Error(401))),
        ("error 200", message("0111", "0009000400000200"), malformed("an ERROR-CODE that is none")),
        ("error 4100", message("0111", "0009000400000464"), malformed("an ERROR-CODE that is none")),
        ("error cut off", message("0111", "00090003000004ff"), malformed("an ERROR-CODE that is none")),
        ("error without code", message("0111", v4), malformed("an error without ERROR-CODE")),
        ("family 3", message("0101", "002000080003a147e112a643"), malformed("XOR-MAPPED-ADDRESS of no family known")),
        (
            "IPv4 too long",
            message("0101", "0020000a0001a147e112a6430000ffff"),
            malformed("XOR-MAPPED-ADDRESS of no family known"),
        ),
        (
            "IPv6 too short",
            message("0101", "002000080002a147e112a643"),
            malformed("XOR-MAPPED-ADDRESS of no family known"),
        ),
        ("no value", message("0101", "00200000"), malformed("XOR-MAPPED-ADDRESS of no family known")),
        ("fingerprint not last", fingerprint_amid(v4), malformed("FINGERPRINT is not last")),
        (
            "fingerprint wrong",
            message("0101", &format!("{v4}8028000400000000")),
            malformed("FINGERPRINT does not hold"),
        ),
        ("fingerprint of no size", message("0101", &format!("{v4}80280000")), malformed("FINGERPRINT does not hold")),
        ("attribute exceeds", message("0101", "00200009e112a643e112a643"), malformed(exceeds)),
        ("attribute of 65535", message("0101", "8022ffff"), malformed(exceeds)),
        ("one byte more", message("0101", v4).tap(|m| m.push(0)), malformed(length)),
        ("one byte less", message("0101", v4).tap(|m| m.truncate(31)), malformed(length)),
        ("four bytes less", message("0101", v4).tap(|m| m.truncate(28)), malformed(length)),
        ("no multiple of 4", message("0101", &format!("{v4}80")), malformed(length)),
        ("longer than is read", message("0101", &"80220000".repeat(133)), malformed(length)),
        ("no cookie", message("0101", v4).tap(|m| m[4] = 0), malformed("no magic cookie")),
        ("a head cut off", message("0101", v4).tap(|m| m.truncate(19)), malformed("too short")),
        ("nothing", Vec::new(), malformed("too short")),
    ] {
        assert_eq!(address(&datagram), expected, "{what}");
    }
}

trait Tap {
    fn tap(self, change: impl FnOnce(&mut Self)) -> Self;
}

impl Tap for Vec<u8> {
    fn tap(mut self, change: impl FnOnce(&mut Self)) -> Self {
        change(&mut self);
        self
    }
}

/// Adds an attribute behind, and counts it in the length.
fn extend(message: &mut Vec<u8>, attribute: &str) {
    message.extend(hex(attribute));
    let length = u16::try_from(message.len() - 20).unwrap();
    message[2..4].copy_from_slice(&length.to_be_bytes());
}

#[test]
fn whatever_is_not_of_the_transaction_is_not_looked_at() {
    let mine = message("0101", "");
    assert!(is_of(&mine, &id()));
    for at in 4..20 {
        assert!(!is_of(&mine.clone().tap(|m| m[at] ^= 1), &id()), "{at}");
    }
    assert!(!is_of(&mine[..19], &id()));
    assert!(!is_of(b"", &id()));
}

#[test]
fn a_server_answers_binding_requests_and_nothing_else() {
    let from: SocketAddr = "192.0.2.1:32853".parse().unwrap();
    // The XOR-MAPPED-ADDRESS of RFC 5769, section 2.2, for the same address, port and id.
    assert_eq!(respond(&message("0001", ""), from), Some(message("0101", "002000080001a147e112a643")));
    let from6 = "[2001:db8:1234:5678:11:2233:4455:6677]:32853".parse().unwrap();
    let mapped6 = "002000140002a1470113a9faa5d3f179bc25f4b5bed2b9d9";
    assert_eq!(respond(&message("0001", ""), from6), Some(message("0101", mapped6)));
    assert_eq!(respond(&request(&id()), from6), Some(with_fingerprint(message("0101", mapped6))));
    // PRIORITY of the RFC's request is of ICE, which this server is not: 420 (RFC 8489, section 6.3.1).
    let refusal = message("0111", "0009000400000414000a000200240000");
    assert_eq!(respond(&hex(SAMPLE_REQUEST), from), Some(with_fingerprint(refusal)));
    // CHANGE-REQUEST of RFC 3489 would have the answer come from elsewhere.
    let refusal = message("0111", "0009000400000414000a000200030000");
    assert_eq!(respond(&message("0001", "0003000400000006"), from), Some(refusal));
    // However many are unknown, the refusal names the first four.
    let many: String = (0x7001..0x7011).map(|kind| format!("{kind:04x}0000")).collect();
    let refusal = message("0111", "0009000400000414000a00087001700270037004");
    assert_eq!(respond(&message("0001", &many), from), Some(refusal));
    for (what, datagram) in [
        ("an indication", message("0011", "")),
        ("a success: two servers would answer each other for ever", message("0101", "002000080001a147e112a643")),
        ("an error", message("0111", "0009000400000414")),
        ("another method", message("0003", "")),
        ("a request of RFC 3489, without cookie", message("0001", "").tap(|m| m[4..8].fill(0))),
        ("a wrong fingerprint", message("0001", "8028000400000000")),
        ("cut off", message("0001", "").tap(|m| m.truncate(16))),
        ("more than it says", message("0001", "").tap(|m| m.extend([0; 4]))),
        ("nothing", Vec::new()),
    ] {
        assert_eq!(respond(&datagram, from), None, "{what}");
    }
}

proptest! {
    #[test]
    fn what_the_server_says_the_client_reads(id: TransactionId, ip: std::net::IpAddr, port: u16) {
        let answer = respond(&request(&id), SocketAddr::new(ip, port)).unwrap();
        prop_assert!(is_of(&answer, &id));
        prop_assert_eq!(address(&answer), Ok(ip));
    }

    /// The figures that `respond` documents: never more than 2.2 times the request, over IPv4 never more than 1.8.
    #[test]
    fn an_answer_stays_close_to_its_request(
        attributes in prop::collection::vec((any::<u16>(), prop::collection::vec(any::<u8>(), 0..3)), 0..60),
        sealed: bool,
        from: SocketAddr,
    ) {
        let mut asked = message("0001", "");
        for (kind, words) in attributes {
            // These two would not hold.
            if ![0x0008, 0x8028].contains(&kind) && asked.len() + 4 + words.len() * 4 <= LONGEST - 8 {
                extend(&mut asked, &format!("{kind:04x}{:04x}{}", words.len() * 4, "00000000".repeat(words.len())));
            }
        }
        let asked = if sealed { with_fingerprint(asked) } else { asked };
        let answer = respond(&asked, from).unwrap();
        let tenths = if from.is_ipv4() { 18 } else { 22 };
        prop_assert!(answer.len() * 10 <= asked.len() * tenths, "{} for {}", answer.len(), asked.len());
    }

    #[test]
    fn nothing_read_is_trusted(
        kind in prop::sample::select(vec!["0101", "0111", "0001"]),
        tail in prop::collection::vec(any::<u8>(), 0..80),
        honest_length: bool,
    ) {
        let mut datagram = message(kind, "");
        if honest_length {
            datagram[3] = tail.len() as u8;
        }
        datagram.extend(tail);
        let _ = address(&datagram);
        let _ = respond(&datagram, SocketAddr::from(([203, 0, 113, 7], 1)));
    }
}
