//! What a finding is about, always the same as long as it lasts: so that what is found and what is gone meet, in the audit
//! log, in the state and in what people are told. Pure.
//!
//! On the disk, in JSON and on the screen each is one text, and each text is read: one that this version does not know, of
//! a newer one or an older, is kept as it is. Nothing here will find it again, so it is entered as gone, once.

use std::cmp::Ordering;
use std::fmt;

use serde::{Deserialize, Serialize};

use crate::address::Family;

/// How the text of every [`Exposed`] begins.
const EXPOSURE: &str = "exposure: ";

/// How the text of every [`Ranges`] begins.
const RANGES: &str = "ranges: ";

/// What a finding in the audit log is about.
#[derive(Clone, Debug, PartialEq, Eq, PartialOrd, Ord, Serialize, Deserialize)]
#[serde(into = "String", from = "String")]
pub enum About {
    /// The connection, or a witness.
    Connection(Connection),
    /// What the outside can see of the home.
    Exposure(Exposed),
    /// Lists of ranges that are not believed.
    Ranges(Ranges),
}

/// What is amiss with a home's connection or its witnesses. Ordered as the texts are.
#[derive(Clone, Debug, PartialEq, Eq, PartialOrd, Ord, Serialize, Deserialize)]
#[serde(into = "String", from = "String")]
pub enum Connection {
    /// Web pages come instead of addresses.
    CaptivePortal,
    /// The access provider shares one address among several homes.
    CarrierNat,
    /// An operator says again and again something else than the others.
    Dissenter {
        /// The operator.
        operator: String,
        /// The family.
        family: Family,
    },
    /// The router stands behind another one.
    DoubleNat,
    /// Records want a family that no witness knows of.
    FamilyMissing(Family),
    /// What this machine sends leaves elsewhere than at the home's router.
    OtherEgress(Family),
    /// The router says for long something else than the outside.
    RouterContradicts(Family),
    /// What another version knows, by its text.
    Other(String),
}

/// What the outside can see and should not, or cannot and should. Ordered as the texts are; what is not known comes last.
#[derive(Clone, Debug, PartialEq, Eq, PartialOrd, Ord, Serialize, Deserialize)]
#[serde(into = "String", from = "String")]
pub enum Exposed {
    /// A check has found it.
    By {
        /// The check.
        check: Check,
        /// What was checked: a service's name, or a zone's.
        of: String,
    },
    /// What another version knows, by its whole text.
    Other(String),
}

/// The lists of an edge's ranges, which are not believed.
#[derive(Clone, Debug, PartialEq, Eq, PartialOrd, Ord, Serialize, Deserialize)]
#[serde(into = "String", from = "String")]
pub struct Ranges {
    /// The edge's name.
    pub edge: String,
}

/// One thing that is looked at of what the outside can see.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize)]
#[serde(rename_all = "kebab-case")]
pub enum Check {
    /// A name behind the edge leads to the edge, and never home.
    Masked,
    /// No family goes around the edge.
    Families,
    /// No other record gives the home's address away.
    Leaks,
    /// The origin's certificate will do.
    Certificate,
    /// The public name leads in.
    WayIn,
    /// The home's own address does not.
    Closed,
    /// The firewall lets in the edge, and nobody else.
    Allowlist,
    /// No port mapping of the router lets in others.
    Forwarding,
}

impl Connection {
    /// Whether it shows only over many rounds.
    pub fn needs_history(&self) -> bool {
        matches!(self, Self::Dissenter { .. })
    }

    fn read(text: &str) -> Option<Self> {
        let bare = [
            ("captive-portal", Self::CaptivePortal),
            ("carrier-nat", Self::CarrierNat),
            ("double-nat", Self::DoubleNat),
        ];
        if let Some((_, known)) = bare.into_iter().find(|(word, _)| *word == text) {
            return Some(known);
        }
        let (what, family) = text.rsplit_once(' ')?;
        let family = Family::by_word(family)?;
        Some(match what {
            "family-missing" => Self::FamilyMissing(family),
            "other-egress" => Self::OtherEgress(family),
            "router-contradicts" => Self::RouterContradicts(family),
            _ => Self::Dissenter { operator: what.strip_prefix("dissenter ")?.to_owned(), family },
        })
    }
}

impl Exposed {
    fn read(text: &str) -> Option<Self> {
        let (check, of) = text.strip_prefix(EXPOSURE)?.split_once(", ")?;
        Some(Self::By { check: Check::by_word(check)?, of: of.to_owned() })
    }
}

impl Check {
    /// All of them.
    pub const ALL: [Self; 8] = [
        Self::Masked,
        Self::Families,
        Self::Leaks,
        Self::Certificate,
        Self::WayIn,
        Self::Closed,
        Self::Allowlist,
        Self::Forwarding,
    ];

    /// The word for people.
    pub fn word(self) -> &'static str {
        match self {
            Self::Masked => "masked",
            Self::Families => "families",
            Self::Leaks => "leaks",
            Self::Certificate => "certificate",
            Self::WayIn => "way in",
            Self::Closed => "closed",
            Self::Allowlist => "allowlist",
            Self::Forwarding => "forwarding",
        }
    }

    /// The one with this word.
    pub(crate) fn by_word(word: &str) -> Option<Self> {
        Self::ALL.into_iter().find(|check| check.word() == word)
    }
}

impl fmt::Display for About {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        match self {
            Self::Connection(about) => about.fmt(f),
            Self::Exposure(about) => about.fmt(f),
            Self::Ranges(about) => about.fmt(f),
        }
    }
}

impl fmt::Display for Connection {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        match self {
            Self::CaptivePortal => f.write_str("captive-portal"),
            Self::CarrierNat => f.write_str("carrier-nat"),
            Self::Dissenter { operator, family } => write!(f, "dissenter {operator} {family}"),
            Self::DoubleNat => f.write_str("double-nat"),
            Self::FamilyMissing(family) => write!(f, "family-missing {family}"),
            Self::OtherEgress(family) => write!(f, "other-egress {family}"),
            Self::RouterContradicts(family) => write!(f, "router-contradicts {family}"),
            Self::Other(text) => f.write_str(text),
        }
    }
}

impl fmt::Display for Exposed {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        match self {
            Self::By { check, of } => write!(f, "{EXPOSURE}{check}, {of}"),
            Self::Other(text) => f.write_str(text),
        }
    }
}

impl fmt::Display for Ranges {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        write!(f, "{RANGES}{}", self.edge)
    }
}

impl fmt::Display for Check {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.pad(self.word())
    }
}

/// As the words are: so they stand in the state file, and so people are told of them.
impl Ord for Check {
    fn cmp(&self, other: &Self) -> Ordering {
        self.word().cmp(other.word())
    }
}

impl PartialOrd for Check {
    fn partial_cmp(&self, other: &Self) -> Option<Ordering> {
        Some(self.cmp(other))
    }
}

impl From<String> for About {
    fn from(text: String) -> Self {
        if text.starts_with(EXPOSURE) {
            Self::Exposure(text.into())
        } else if text.starts_with(RANGES) {
            Self::Ranges(text.into())
        } else {
            Self::Connection(text.into())
        }
    }
}

impl From<String> for Connection {
    fn from(text: String) -> Self {
        Self::read(&text).unwrap_or(Self::Other(text))
    }
}

impl From<String> for Exposed {
    fn from(text: String) -> Self {
        Self::read(&text).unwrap_or(Self::Other(text))
    }
}

/// No version has written one that begins otherwise.
impl From<String> for Ranges {
    fn from(text: String) -> Self {
        Self { edge: text.strip_prefix(RANGES).map_or_else(|| text.clone(), str::to_owned) }
    }
}

impl From<About> for String {
    fn from(about: About) -> Self {
        about.to_string()
    }
}

impl From<Connection> for String {
    fn from(about: Connection) -> Self {
        about.to_string()
    }
}

impl From<Exposed> for String {
    fn from(about: Exposed) -> Self {
        about.to_string()
    }
}

impl From<Ranges> for String {
    fn from(about: Ranges) -> Self {
        about.to_string()
    }
}

/// A [`Check`] in a file by its word for people.
pub(crate) mod by_word {
    use serde::{Deserialize, Deserializer, Serializer, de};

    use super::Check;

    /// Writes it.
    pub(crate) fn serialize<S: Serializer>(check: &Check, to: S) -> Result<S::Ok, S::Error> {
        to.serialize_str(check.word())
    }

    /// Reads it.
    pub(crate) fn deserialize<'de, D: Deserializer<'de>>(from: D) -> Result<Check, D::Error> {
        let word = String::deserialize(from)?;
        Check::by_word(&word).ok_or_else(|| de::Error::custom(format!("{word:?} is no check")))
    }
}

#[cfg(test)]
mod tests;
