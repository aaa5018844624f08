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
