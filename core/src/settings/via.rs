//! What a vote is held about.

use std::fmt;

use serde::{Deserialize, Serialize};

use crate::address::Family;

/// A line and a family: what a vote is held about. In the state file it is written `ipv4`, or `fibre ipv4`.
#[derive(Clone, Debug, PartialEq, Eq, PartialOrd, Ord, Serialize, Deserialize)]
#[serde(into = "String", try_from = "String")]
pub struct Via {
    /// The line's name; `None` when there is only one.
    pub line: Option<String>,
    /// The family.
    pub family: Family,
}

impl Via {
    /// The only line, in `family`.
    pub fn only(family: Family) -> Self {
        Self { line: None, family }
    }
}

/// For people: `IPv4`, or `fibre IPv4`.
impl fmt::Display for Via {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        match &self.line {
            None => self.family.fmt(f),
            Some(line) => write!(f, "{line} {}", self.family),
        }
    }
}

impl From<Via> for String {
    fn from(via: Via) -> Self {
        let family = match via.family {
            Family::Ipv4 => "ipv4",
            Family::Ipv6 => "ipv6",
        };
        via.line.map_or_else(|| family.to_owned(), |line| format!("{line} {family}"))
    }
}

impl TryFrom<String> for Via {
    type Error = String;

    fn try_from(text: String) -> Result<Self, String> {
        let (line, family) = text.rsplit_once(' ').map_or((None, text.as_str()), |(line, family)| (Some(line), family));
        let family = match family {
            "ipv4" => Family::Ipv4,
            "ipv6" => Family::Ipv6,
            _ => return Err(format!("{text:?} is no line and family")),
        };
        Ok(Self { line: line.map(str::to_owned), family })
    }
}
