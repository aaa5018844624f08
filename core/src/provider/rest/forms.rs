//! How an API writes a record's type and TTL. Pure.

use super::body::Var;
use crate::provider::zonefile::lex::ttl;
use crate::record::RecordType;

/// How types are written.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
pub enum Types {
    /// By their mnemonics.
    #[default]
    Names,
    /// By their numbers.
    Numbers,
}

/// How TTLs are written.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
pub enum Ttls {
    /// In seconds: a number, or digits in a string.
    #[default]
    Seconds,
    /// A text with units, such as "300s" or "1h30m".
    Units,
}

/// IANA, "Domain Name System (DNS) Parameters", resource record types: those that lead somewhere or are often met.
const NUMBERS: [(u16, &str); 15] = [
    (1, "A"),
    (2, "NS"),
    (5, "CNAME"),
    (6, "SOA"),
    (12, "PTR"),
    (15, "MX"),
    (16, "TXT"),
    (28, "AAAA"),
    (33, "SRV"),
    (39, "DNAME"),
    (44, "SSHFP"),
    (52, "TLSA"),
    (64, "SVCB"),
    (65, "HTTPS"),
    (257, "CAA"),
];

/// The mnemonic of a type in capitals, whichever way it is written: no mnemonic is a number. Others have the form of RFC
/// 3597, section 5.
pub(crate) fn mnemonic(text: &str) -> String {
    let Ok(number) = text.parse::<u16>() else { return text.to_ascii_uppercase() };
    let known = NUMBERS.iter().find(|(known, _)| *known == number);
    known.map_or_else(|| format!("TYPE{number}"), |(_, name)| (*name).to_owned())
}

impl Types {
    /// The type for the API.
    pub fn var(self, rtype: RecordType) -> Var {
        let name = rtype.to_string();
        match (self, NUMBERS.iter().find(|(_, known)| *known == name)) {
            (Self::Numbers, Some((number, _))) => Var::plain(number),
            _ => Var::text(name),
        }
    }
}

impl Ttls {
    /// The seconds in what the API wrote.
    pub fn seconds(self, text: &str) -> Option<u32> {
        match (self, text.parse()) {
            (_, Ok(seconds)) => Some(seconds),
            (Self::Seconds, Err(_)) => None,
            // As in a master file.
            (Self::Units, Err(_)) => ttl(text.as_bytes()),
        }
    }

    /// The TTL for the API. Seconds say any TTL, and are understood wherever other units are.
    pub fn var(self, seconds: u32) -> Var {
        match self {
            Self::Seconds => Var::plain(seconds),
            Self::Units => Var::text(format!("{seconds}s")),
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::testing::like;
    use proptest::prelude::*;

    /// RFC 1035, section 3.2.2, RFC 3596, section 2.1, RFC 6672, section 2.1, and RFC 3597, section 5.
    #[test]
    fn types_have_a_name_and_a_number() {
        for (text, name) in [
            ("1", "A"),
            ("28", "AAAA"),
            ("2", "NS"),
            ("5", "CNAME"),
            ("39", "DNAME"),
            ("65534", "TYPE65534"),
            ("aaaa", "AAAA"),
        ] {
            assert_eq!(mnemonic(text), name);
        }
        for rtype in [RecordType::A, RecordType::Aaaa] {
            assert_eq!(Types::Names.var(rtype), Var::text(rtype.to_string()));
        }
        assert_eq!(
            (Types::Numbers.var(RecordType::A), Types::Numbers.var(RecordType::Aaaa)),
            (Var::plain(1), Var::plain(28))
        );
    }

    #[test]
    fn a_ttl_may_have_units() {
        for (text, seconds) in [
            ("300", Some(300)),
            ("300s", Some(300)),
            ("5m", Some(300)),
            ("5m0s", Some(300)),
            ("1H30M", Some(5_400)),
            ("2d", Some(172_800)),
            ("1w", Some(604_800)),
            ("2147483647s", Some(2_147_483_647)),
            ("", None),
            ("s", None),
            ("5", Some(5)),
            ("5m3", None),
            ("5ms", None),
            ("1.5h", None),
            ("-5m", None),
            ("5 m", None),
            ("5y", None),
            ("auto", None),
            ("99999999w", None),
            ("4294967295s1s", None),
        ] {
            assert_eq!(Ttls::Units.seconds(text), seconds, "{text}");
            let plain = text.bytes().all(|b| b.is_ascii_digit());
            assert_eq!(Ttls::Seconds.seconds(text), seconds.filter(|_| plain), "{text}");
        }
        assert_eq!((Ttls::Seconds.var(60), Ttls::Units.var(60)), (Var::plain(60), Var::text("60s")));
    }

    proptest! {
        /// A TTL has 31 bits (RFC 2181, section 8).
        #[test]
        fn what_is_written_is_read(seconds in 0..1_u32 << 31, text in like("[0-9smhdwé]{0,12}")) {
            for form in [Ttls::Seconds, Ttls::Units] {
                let written = super::super::body::Vars::default().with("ttl", form.var(seconds)).text("ttl").unwrap();
                prop_assert_eq!(form.seconds(&written), Some(seconds));
                let _ = form.seconds(&text);
            }
        }
    }
}
