//! The home's IPv6 prefix and the host parts that are joined with it. Pure.

use std::fmt;
use std::net::Ipv6Addr;
use std::str::FromStr;

/// An Ethernet address (EUI-48).
#[derive(Clone, Copy, PartialEq, Eq, Hash)]
pub struct Mac([u8; 6]);

impl Mac {
    /// Whether it names a group of machines and not one (the I/G bit, IEEE 802; RFC 9542, section 2.1).
    pub fn is_group(self) -> bool {
        let [first, ..] = self.0;
        first & 1 != 0
    }
}

/// What is no MAC.
#[derive(Clone, Copy, Debug, PartialEq, Eq, thiserror::Error)]
#[error("a MAC is six pairs of hexadecimal digits, such as \"00:00:5e:00:53:10\"")]
pub struct NotAMac;

/// Six pairs of hexadecimal digits, all parted by ':' or all by '-'.
impl FromStr for Mac {
    type Err = NotAMac;

    fn from_str(text: &str) -> Result<Self, NotAMac> {
        let parting = if text.contains(':') { ':' } else { '-' };
        let mut pairs = text.split(parting);
        let mut octets = [0; 6];
        for octet in &mut octets {
            // from_str_radix takes a sign.
            let pair = pairs.next().filter(|pair| pair.len() == 2 && pair.bytes().all(|b| b.is_ascii_hexdigit()));
            *octet = pair.and_then(|pair| u8::from_str_radix(pair, 16).ok()).ok_or(NotAMac)?;
        }
        if pairs.next().is_none() { Ok(Self(octets)) } else { Err(NotAMac) }
    }
}

impl fmt::Display for Mac {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        let [a, b, c, d, e, g] = self.0;
        write!(f, "{a:02x}:{b:02x}:{c:02x}:{d:02x}:{e:02x}:{g:02x}")
    }
}

impl fmt::Debug for Mac {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        fmt::Display::fmt(self, f)
    }
}

/// The host part that a machine makes of its MAC: ff:fe in the middle, and the universal/local bit inverted
/// (RFC 4291, appendix A).
pub fn eui64(mac: Mac) -> Ipv6Addr {
    const UNIVERSAL_LOCAL: u8 = 0x02;
    let [a, b, c, d, e, f] = mac.0;
    let interface = u64::from_be_bytes([a ^ UNIVERSAL_LOCAL, b, c, 0xff, 0xfe, d, e, f]);
    Ipv6Addr::from(u128::from(interface))
}

/// The bits behind a prefix of `prefix_len` bits; a length beyond 128 leaves none.
fn host_bits(prefix_len: u8) -> u128 {
    u128::MAX.checked_shr(prefix_len.into()).unwrap_or(0)
}

/// Whether `host_part` leaves the first `prefix_len` bits free.
pub fn fits(prefix_len: u8, host_part: Ipv6Addr) -> bool {
    u128::from(host_part) & !host_bits(prefix_len) == 0
}

/// The first `prefix_len` bits of `home`, and the others of `host_part`, which should fit: [`fits`].
pub fn join(home: Ipv6Addr, prefix_len: u8, host_part: Ipv6Addr) -> Ipv6Addr {
    let host = host_bits(prefix_len);
    Ipv6Addr::from((u128::from(home) & !host) | (u128::from(host_part) & host))
}

#[cfg(test)]
mod tests {
    use super::{Mac, eui64, fits, join};
    use crate::testing::like;
    use proptest::prelude::*;
    use std::net::Ipv6Addr;

    fn ip(text: &str) -> Ipv6Addr {
        text.parse().unwrap()
    }

    fn mac(text: &str) -> Mac {
        text.parse().unwrap()
    }

    #[test]
    fn a_host_part_is_joined_with_a_prefix_of_any_length() {
        let home = "2001:db8:1234:5678:aaaa:bbbb:cccc:dddd";
        // RFC 4291, section 2.3: the address is the prefix with zeros, and the rest.
        for (length, host, whole) in [
            (64, "::10", "2001:db8:1234:5678::10"),
            (64, "::ffff:ffff:ffff:ffff", "2001:db8:1234:5678:ffff:ffff:ffff:ffff"),
            (56, "::10", "2001:db8:1234:5600::10"),
            (56, "0:0:0:1::10", "2001:db8:1234:5601::10"),
            (60, "0:0:0:f::10", "2001:db8:1234:567f::10"),
            (48, "0:0:0:ab::10", "2001:db8:1234:ab::10"),
            (32, "::1:2:0:0:0:10", "2001:db8:1:2::10"),
            (57, "::10", "2001:db8:1234:5600::10"),
            (1, "::10", "::10"),
            (0, "::10", "::10"),
            (128, "::", home),
            (255, "::", home),
        ] {
            assert!(fits(length, ip(host)), "{length} {host}");
            assert_eq!(join(ip(home), length, ip(host)), ip(whole), "{length} {host}");
        }
    }

    #[test]
    fn a_host_part_must_leave_the_prefix_free() {
        for (length, host) in [
            (64, "0:0:0:1::"),
            (56, "0:0:0:100::"),
            (60, "0:0:0:10::10"),
            (64, "2001:db8::10"),
            (1, "8000::"),
            (128, "::1"),
        ] {
            assert!(!fits(length, ip(host)), "{length} {host}");
        }
    }

    #[test]
    fn a_mac_becomes_a_host_part() {
        for (text, host) in [
            // RFC 2464, section 4: 34-56-78-9A-BC-DE gives 36-56-78-FF-FE-9A-BC-DE (from memory).
            ("34-56-78-9A-BC-DE", "::3656:78ff:fe9a:bcde"),
            // A locally administered MAC loses the bit, and its host part becomes short: what it was inverted for
            // (RFC 4291, section 2.5.1). This one and its address were read off Linux.
            ("02:fc:00:00:00:01", "::fc:ff:fe00:1"),
            // RFC 7042, section 2.1.2: for documentation.
            ("00:00:5e:00:53:10", "::200:5eff:fe00:5310"),
        ] {
            assert_eq!(eui64(mac(text)), ip(host), "{text}");
        }
    }

    /// RFC 4291, appendix A draws it bit by bit (c: company, m: chosen by it, g: group; from memory):
    /// `cccccc0gcccccccc ccccccccmmmmmmmm mmmmmmmmmmmmmmmm` becomes
    /// `cccccc1gcccccccc cccccccc11111111 11111110mmmmmmmm mmmmmmmmmmmmmmmm`.
    #[test]
    fn the_worked_example_of_appendix_a() {
        let bits = |picture: &str, c: bool, m: bool, g: bool| {
            let set = |bit| match bit {
                'c' => c,
                'm' => m,
                'g' => g,
                bit => bit == '1',
            };
            picture.chars().filter(|c| *c != ' ').fold(0u64, |bits, bit| bits << 1 | u64::from(set(bit)))
        };
        for (c, m, g) in (0..8).map(|n| (n & 1 != 0, n & 2 != 0, n & 4 != 0)) {
            let before = bits("cccccc0gcccccccc ccccccccmmmmmmmm mmmmmmmmmmmmmmmm", c, m, g).to_be_bytes();
            let after = bits("cccccc1gcccccccc cccccccc11111111 11111110mmmmmmmm mmmmmmmmmmmmmmmm", c, m, g);
            let mac = Mac(before[2..].try_into().unwrap());
            assert_eq!(eui64(mac), Ipv6Addr::from(u128::from(after)));
            assert_eq!(mac.is_group(), g);
        }
    }

    #[test]
    fn a_mac_is_six_pairs() {
        assert_eq!(mac("00-00-5E-00-53-10"), mac("00:00:5e:00:53:10"));
        for text in [
            "",
            ":",
            "00:00:5e:00:53",
            "00:00:5e:00:53:10:00",
            "00:00:5e:00:53:1",
            "0:0:5e:0:53:10",
            "00:00:5e-00-53-10",
            "00005e005310",
            "0000.5e00.5310",
            "00:00:5e:00:53:1g",
            "+1:00:5e:00:53:10",
            " 00:00:5e:00:53:10",
            "é:00:5e:00:53:10",
        ] {
            assert!(text.parse::<Mac>().is_err(), "{text:?}");
        }
    }

    proptest! {
        #[test]
        fn joining_takes_each_bit_from_its_side(home: u128, host: u128, length in 0..=128_u8) {
            let joined = u128::from(join(home.into(), length, host.into()));
            for bit in 0..128_u32 {
                let from = if bit < u32::from(length) { home } else { host };
                prop_assert_eq!(joined >> (127 - bit) & 1, from >> (127 - bit) & 1);
            }
            prop_assert!(fits(length, (joined ^ (home & joined & !(u128::MAX.checked_shr(length.into()).unwrap_or(0)))).into()));
        }

        #[test]
        fn a_mac_survives_being_written(octets: [u8; 6]) {
            prop_assert_eq!(Mac(octets).to_string().parse(), Ok(Mac(octets)));
            prop_assert!(fits(64, eui64(Mac(octets))));
        }

        #[test]
        fn any_text_is_read_without_panic(text in like("\\PC{0,20}")) {
            let _ = text.parse::<Mac>();
        }
    }
}
