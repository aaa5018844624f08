//! A DNS name as the program compares, stores and prints it. Pure.

use std::fmt;

use serde::{Deserialize, Serialize};

/// A fully qualified DNS name in lower-case ASCII without the final dot; the root is not one.
///
/// Names compare without regard to case (RFC 4343, section 3). A leading `*` label is a wildcard (RFC 4592).
/// Unicode names are taken in and held in their ASCII form (RFC 5891).
#[derive(Clone, Debug, PartialEq, Eq, PartialOrd, Ord, Hash, Serialize, Deserialize)]
#[serde(into = "String", try_from = "String")]
pub struct DnsName(String);

/// Why a text is not a DNS name.
#[derive(Clone, Debug, PartialEq, Eq, thiserror::Error)]
#[error("{text:?} is not a DNS name: {why}")]
pub struct NameError {
    text: String,
    why: &'static str,
}

impl NameError {
    /// The reason alone, for a message that must not repeat the text.
    pub fn why(&self) -> &'static str {
        self.why
    }
}

impl DnsName {
    /// Reads a name, with or without the final dot.
    ///
    /// Labels hold letters, digits, `-` and `_`, 1 to 63 octets; the whole is at most 253 characters
    /// (RFC 1035, section 2.3.4, less the root label and the length octets).
    pub fn parse(text: &str) -> Result<Self, NameError> {
        let fail = |why| NameError { text: text.to_owned(), why };
        let bare = text.strip_suffix('.').unwrap_or(text);
        let ascii = if bare.is_ascii() {
            bare.to_ascii_lowercase()
        } else {
            idna::domain_to_ascii(bare).map_err(|_| fail("its Unicode form has no ASCII form (RFC 5891)"))?
        };
        if ascii.is_empty() {
            return Err(fail("it is empty"));
        }
        if ascii.len() > 253 {
            return Err(fail("it is longer than 253 characters (RFC 1035, 2.3.4)"));
        }
        for (at, label) in ascii.split('.').enumerate() {
            if label.is_empty() {
                return Err(fail("it has an empty label"));
            }
            if label.len() > 63 {
                return Err(fail("a label is longer than 63 characters (RFC 1035, 2.3.4)"));
            }
            if label == "*" && at == 0 {
                continue;
            }
            if !label.bytes().all(|b| b.is_ascii_alphanumeric() || b == b'-' || b == b'_') {
                return Err(fail("a label holds something else than letters, digits, '-' and '_'"));
            }
        }
        if ascii == "*" {
            return Err(fail("a wildcard alone stands in no zone"));
        }
        Ok(Self(ascii))
    }

    /// The name that is written exactly like this.
    pub(crate) fn by_text(text: &str) -> Option<Self> {
        Self::parse(text).ok().filter(|name| name.0 == text)
    }

    /// Reads a name as others write it in their lists: white space around it is no part of it, and `\X` and `\DDD` stand for
    /// one character, DDD in decimal (RFC 1035, section 5.1). Some write a wildcard with its octal number, 052, where nobody
    /// would escape the digit that this is by the RFC. A dot within a label makes it none that this program knows.
    pub fn parse_written(text: &str) -> Result<Self, NameError> {
        let fail = |why| NameError { text: text.to_owned(), why };
        let trimmed = text.trim();
        if !trimmed.contains('\\') {
            return Self::parse(trimmed);
        }
        let (mut plain, rest) = match trimmed.strip_prefix("\\052.") {
            Some(rest) => ("*.".to_owned(), rest),
            None => (String::new(), trimmed),
        };
        let mut rest = rest.chars();
        while let Some(next) = rest.next() {
            if next != '\\' {
                plain.push(next);
                continue;
            }
            let digits: String = rest.clone().take(3).take_while(char::is_ascii_digit).collect();
            let meant = match digits.len() {
                0 => rest.next(),
                3 => {
                    rest.nth(2);
                    digits.parse::<u8>().ok().filter(u8::is_ascii).map(char::from)
                }
                _ => None,
            };
            match meant {
                Some('.') => return Err(fail("a label holds a dot")),
                Some(meant) => plain.push(meant),
                None => return Err(fail("an escape in it is no ASCII character (RFC 1035, 5.1)")),
            }
        }
        Self::parse(&plain)
    }

    /// The name as text, lower case, without the final dot.
    pub fn as_str(&self) -> &str {
        &self.0
    }

    /// Whether this name is `zone` itself or stands below it.
    pub fn is_in(&self, zone: &Self) -> bool {
        self == zone || self.0.strip_suffix(zone.as_str()).is_some_and(|left| left.ends_with('.'))
    }
}

impl fmt::Display for DnsName {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.write_str(&self.0)
    }
}

impl From<DnsName> for String {
    fn from(name: DnsName) -> Self {
        name.0
    }
}

impl TryFrom<String> for DnsName {
    type Error = NameError;

    fn try_from(text: String) -> Result<Self, NameError> {
        Self::parse(&text)
    }
}

impl std::str::FromStr for DnsName {
    type Err = NameError;

    fn from_str(text: &str) -> Result<Self, NameError> {
        Self::parse(text)
    }
}

#[cfg(test)]
mod tests {
    use super::DnsName;

    #[test]
    fn names_are_compared_without_case_and_final_dot() {
        assert_eq!(DnsName::parse("Gauge.HeronMill.example."), DnsName::parse("gauge.heronmill.example"));
    }

    /// RFC 1035, section 5.1: `\X` and `\DDD`, the latter in decimal.
    #[test]
    fn names_as_others_write_them() {
        let wildcard = DnsName::parse("*.w.heronmill.example");
        for text in [
            r"\*.w.heronmill.example",
            r"\042.w.heronmill.example.",
            r"\052.w.heronmill.example",
            " *.W.heronmill.example\t",
            r"*.\119.heronmill.example",
        ] {
            assert_eq!(DnsName::parse_written(text), wildcard, "{text:?}");
        }
        assert_eq!(DnsName::parse_written(r"\103auge.example"), DnsName::parse("gauge.example"));
        assert_eq!(DnsName::parse_written(r"\071\a\uGe.example"), DnsName::parse("gauge.example"));
        for text in [
            r"a\.b.example",
            r"a\046b.example",
            r"\255.example",
            r"\300.example",
            r"\10",
            r"\1a.example",
            "\\",
            r"a\\b.example",
            r"\032.example",
            "a b.example",
            "",
            " ",
            r"gauge.example\",
            r"\*\*.example",
        ] {
            assert!(DnsName::parse_written(text).is_err(), "{text:?} was taken");
        }
    }

    #[test]
    fn unicode_is_held_as_ascii() {
        // RFC 5891 by way of the well-known A-label of "bücher" (RFC 3492 family; value from memory).
        assert_eq!(DnsName::parse("bücher.example").map(|n| n.to_string()), Ok("xn--bcher-kva.example".into()));
    }

    #[test]
    fn what_is_not_a_name_is_refused() {
        let long_label = format!("{}.example", "a".repeat(64));
        let long_name = ["a".repeat(63), "b".repeat(63), "c".repeat(63), "d".repeat(62)].join(".");
        for text in
            ["", ".", "a..b", "-ok.but space.example", "a/b.example", "*", "x.*.example", &long_label, &long_name]
        {
            assert!(DnsName::parse(text).is_err(), "{text:?} was taken");
        }
        let why = |text| DnsName::parse(text).unwrap_err().why();
        assert_eq!(why("a..b"), "it has an empty label");
        assert_eq!(
            DnsName::parse("a..b").unwrap_err().to_string(),
            "\"a..b\" is not a DNS name: it has an empty label"
        );
        let longest = ["a".repeat(63), "b".repeat(63), "c".repeat(63), "d".repeat(61)].join(".");
        assert!(DnsName::parse(&longest).is_ok());
        assert!(DnsName::parse(&format!("{}.example", "a".repeat(63))).is_ok());
        assert!(DnsName::parse("*.heronmill.example").is_ok());
        assert!(DnsName::parse("_lease.heronmill.example").is_ok());
    }

    #[test]
    fn a_name_is_in_its_zone_by_whole_labels() {
        let is_in = |name: &str, zone: &str| {
            DnsName::parse(name).is_ok_and(|name| DnsName::parse(zone).is_ok_and(|zone| name.is_in(&zone)))
        };
        assert!(is_in("heronmill.example", "heronmill.example"));
        assert!(is_in("gauge.heronmill.example", "heronmill.example"));
        assert!(!is_in("gaugeheronmill.example", "heronmill.example"));
        assert!(!is_in("heronmill.example", "gauge.heronmill.example"));
        assert!(!is_in("gauge.heronmill.test", "heronmill.example"));
    }
}
