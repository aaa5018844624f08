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

    /// The one that is written exactly like this for people.
    pub(crate) fn by_text(text: &str) -> Option<Self> {
        let (line, family) = text.rsplit_once(' ').map_or((None, text), |(line, family)| (Some(line), family));
        Some(Self { line: line.map(str::to_owned), family: Family::by_word(family)? })
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
        let family = via.family.key();
        via.line.map_or_else(|| family.to_owned(), |line| format!("{line} {family}"))
    }
}

impl TryFrom<String> for Via {
    type Error = String;

    fn try_from(text: String) -> Result<Self, String> {
        let (line, family) = text.rsplit_once(' ').map_or((None, text.as_str()), |(line, family)| (Some(line), family));
        let known = Family::BOTH.into_iter().find(|one| one.key() == family);
        let family = known.ok_or_else(|| format!("{text:?} is no line and family"))?;
        Ok(Self { line: line.map(str::to_owned), family })
    }
}

#[cfg(test)]
mod tests {
    use proptest::prelude::*;

    use super::*;

    proptest! {
        #[test]
        fn both_texts_are_read_as_they_are_written(line in proptest::option::of("[A-Za-z0-9._-]{1,64}"), is_4: bool) {
            let via = Via { line, family: if is_4 { Family::Ipv4 } else { Family::Ipv6 } };
            prop_assert_eq!(Via::by_text(&via.to_string()), Some(via.clone()));
            prop_assert_eq!(Via::try_from(String::from(via.clone())), Ok(via));
        }

        #[test]
        fn whatever_is_read_was_written_so(text in "\\PC{0,5} ?(IPv[46]|ipv[46])?") {
            if let Some(via) = Via::by_text(&text) {
                prop_assert_eq!(via.to_string(), text.clone());
            }
            if let Ok(via) = Via::try_from(text.clone()) {
                prop_assert_eq!(String::from(via), text);
            }
        }
    }
}
