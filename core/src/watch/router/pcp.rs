//! PCP (RFC 6887): its announcements are heard; it is never asked. Pure.
//!
//! PCP has no question for the address alone. MAP opens a port of the router while it asks, even with the shortest
//! lifetime, and PEER can leave a rule behind: neither is ever sent. ANNOUNCE carries no address.

/// The lengths of a response (RFC 6887, section 7.2 and section 7).
const LENGTHS: std::ops::RangeInclusive<usize> = 24..=1100;

/// The epoch, in seconds, of an unsolicited ANNOUNCE response (RFC 6887, sections 7.2 and 14.1.1), or `None` when the
/// datagram is not one.
pub fn announced(datagram: &[u8]) -> Option<u32> {
    if !LENGTHS.contains(&datagram.len()) || !datagram.len().is_multiple_of(4) {
        return None;
    }
    // Version, the response bit with opcode 0, a reserved octet, the result code, a lifetime, the epoch.
    let &[2, 0x80, _, 0, _, _, _, _, a, b, c, d, ..] = datagram else { return None };
    Some(u32::from_be_bytes([a, b, c, d]))
}

#[cfg(test)]
mod tests {
    use proptest::prelude::*;

    use super::announced;

    fn response(change: impl FnOnce(&mut Vec<u8>)) -> Vec<u8> {
        let mut response = [vec![2, 0x80, 0, 0], vec![0; 4], vec![0, 0, 1, 44], vec![0; 12]].concat();
        change(&mut response);
        response
    }

    #[test]
    fn announcements_are_read_to_the_letter() {
        for (datagram, expected) in [
            (response(|_| {}), Some(300)),
            // Reserved: "MUST be ignored on receipt".
            (response(|it| it[2] = 9), Some(300)),
            (response(|it| it.extend([0; 4])), Some(300)),
            (response(|it| it.resize(1100, 0)), Some(300)),
            (response(|it| it.resize(1104, 0)), None),
            (response(|it| it.extend([0; 2])), None),
            (response(|it| it.truncate(20)), None),
            (response(|it| it[0] = 1), None),
            // A request, and the response to a MAP.
            (response(|it| it[1] = 0), None),
            (response(|it| it[1] = 0x81), None),
            // Result code 3, malformed request.
            (response(|it| it[3] = 3), None),
            (vec![], None),
        ] {
            assert_eq!(announced(&datagram), expected, "{datagram:?}");
        }
    }

    proptest! {
        #[test]
        fn nothing_makes_it_fail(datagram in prop::collection::vec(any::<u8>(), 0..1200)) {
            let _ = announced(&datagram);
        }
    }
}
