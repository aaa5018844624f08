//! NAT-PMP (RFC 6886): how the answer to opcode 0 is read.

use std::net::Ipv4Addr;

/// Where a gateway listens (RFC 6886, section 1.1).
pub const PORT: u16 = 5351;

/// What a gateway can answer.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum PmpAnswer {
    /// Its external address, whatever that is.
    Address(Ipv4Addr),
    /// A result code other than 0, in which case the address means nothing.
    Refused(u16),
}

/// The answer to opcode 0 in a datagram (RFC 6886, section 3.2), or `None` when it is not one.
///
/// A success is version 0 and opcode 128, and 12 octets long; some gateways pad it, and what follows is not looked at
/// (common practice, no source). A refusal may be of another version and of any length
/// from 4 octets: a gateway that speaks PCP alone says so in its own (RFC 6886, section 3.5; RFC 6887, appendix A).
pub fn parse(datagram: &[u8]) -> Option<PmpAnswer> {
    let &[version, opcode, high, low, ref rest @ ..] = datagram else { return None };
    match (opcode, u16::from_be_bytes([high, low])) {
        (128, 0) if version == 0 => {
            let &[_, _, _, _, a, b, c, d, ..] = rest else { return None };
            Some(PmpAnswer::Address(Ipv4Addr::new(a, b, c, d)))
        }
        (128, code @ 1..) => Some(PmpAnswer::Refused(code)),
        _ => None,
    }
}

/// What a result code means (RFC 6886, section 3.5).
pub fn refusal(code: u16) -> String {
    match code {
        1 => "it speaks another version".to_owned(),
        2 => "it is turned off".to_owned(),
        5 => "it does not tell the address".to_owned(),
        _ => format!("result code {code}"),
    }
}

#[cfg(test)]
mod tests {
    use std::net::Ipv4Addr;

    use proptest::prelude::*;

    use super::{PmpAnswer, parse};

    #[test]
    fn answers_are_read_to_the_letter() {
        let address = Some(PmpAnswer::Address(Ipv4Addr::new(203, 0, 113, 7)));
        for (datagram, expected) in [
            // RFC 6886, section 3.2: version, opcode 128, result code, seconds since start of epoch, address.
            (&[0, 128, 0, 0, 0, 0, 1, 44, 203, 0, 113, 7][..], address),
            (&[0, 128, 0, 0, 0, 0, 0, 0, 0, 0, 0, 0], Some(PmpAnswer::Address(Ipv4Addr::UNSPECIFIED))),
            // Padded: what is clear is taken.
            (&[0, 128, 0, 0, 0, 0, 1, 44, 203, 0, 113, 7, 0], address),
            (&[0, 128, 0, 0, 0, 0, 1, 44, 203, 0, 113, 7, 198, 51, 100, 9], address),
            // Shorter.
            (&[0, 128, 0, 0, 0, 0, 1, 44, 203, 0, 113], None),
            (&[0, 128, 0, 0], None),
            // Another version, a question, the answer to another question.
            (&[1, 128, 0, 0, 0, 0, 1, 44, 203, 0, 113, 7], None),
            (&[0, 0, 0, 0, 0, 0, 1, 44, 203, 0, 113, 7], None),
            (&[0, 129, 0, 0, 0, 0, 1, 44, 203, 0, 113, 7], None),
            // Section 3.5: 3 is "network failure: the gateway itself has no address", and the address is ignored.
            (&[0, 128, 0, 3, 0, 0, 1, 44, 203, 0, 113, 7], Some(PmpAnswer::Refused(3))),
            (&[0, 128, 0, 5, 0, 0, 1, 44], Some(PmpAnswer::Refused(5))),
            // RFC 6887, section 7.2: PCP's unsupported version, its result code in the lower octet.
            (&[2, 128, 0, 1, 0, 0, 0, 0, 0, 0, 0, 9, 0, 0, 0, 0, 0, 0, 0, 0, 0, 0, 0, 0], Some(PmpAnswer::Refused(1))),
            (&[], None),
            (&[0], None),
        ] {
            assert_eq!(parse(datagram), expected, "{datagram:?}");
        }
    }

    proptest! {
        #[test]
        fn only_the_first_twelve_octets_give_an_address(datagram in prop::collection::vec(any::<u8>(), 0..40)) {
            if let Some(PmpAnswer::Address(address)) = parse(&datagram) {
                prop_assert!(datagram.len() >= 12);
                prop_assert_eq!(&datagram[..4], &[0, 128, 0, 0]);
                prop_assert_eq!(&datagram[8..12], &address.octets());
            }
        }
    }
}
