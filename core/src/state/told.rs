//! What people were told, so that nobody is told twice over a restart.

use std::collections::{BTreeMap, BTreeSet};
use std::fmt;

use serde::{Deserialize, Serialize};

use crate::about::Connection;
use crate::settings::Occasion;

/// What has been told to whom, by the name of the `[[message]]`. It survives restarts.
pub type Told = BTreeMap<String, Past>;

/// What a person knows already.
#[derive(Clone, Debug, Default, PartialEq, Eq, Serialize, Deserialize)]
#[serde(from = "Kept")]
pub struct Past {
    /// The causes that were told and are not over.
    pub causes: BTreeSet<Cause>,
    /// The addresses of each record, by name and type, as they were last told or first seen.
    pub published: BTreeMap<String, Vec<String>>,
}

/// Something that lasts until it clears, and is told of once.
#[derive(Clone, Debug, PartialEq, Eq, PartialOrd, Ord, Serialize, Deserialize)]
#[serde(tag = "cause", rename_all = "kebab-case")]
pub enum Cause {
    /// A record is blocked, or held back.
    Blocked {
        /// Its name and type.
        record: String,
    },
    /// Writes to a provider are suspended.
    Hold {
        /// The provider's name.
        provider: String,
    },
    /// Somebody has been refusing for long, without proving who it is.
    Refused {
        /// The provider's name.
        provider: String,
    },
    /// There has been no ruling for an hour.
    NoRuling {
        /// The line and the family.
        about: String,
    },
    /// Something is amiss with the connection.
    Connection {
        /// The line; absent where there is only one.
        #[serde(default, skip_serializing_if = "Option::is_none")]
        line: Option<String>,
        /// What it is about.
        finding: Connection,
    },
    /// A check of what the outside can see is amiss.
    Exposure {
        /// The service or zone.
        about: String,
        /// The check.
        check: String,
    },
    /// The ranges of an edge are not to be had or not believed.
    Ranges {
        /// The edge's name.
        edge: String,
    },
}

impl Cause {
    /// What kind of thing it is.
    pub fn occasion(&self) -> Occasion {
        match self {
            Self::Blocked { .. } => Occasion::Blocked,
            Self::Hold { .. } => Occasion::Hold,
            Self::NoRuling { .. } => Occasion::NoRuling,
            Self::Refused { .. } | Self::Connection { .. } | Self::Exposure { .. } | Self::Ranges { .. } => {
                Occasion::Finding
            }
        }
    }

    /// What it is about, in words.
    pub fn about(&self) -> String {
        match self {
            Self::Blocked { record } => record.clone(),
            Self::Hold { provider } => provider.clone(),
            Self::Refused { provider } => format!("refused {provider}"),
            Self::NoRuling { about } => about.clone(),
            Self::Connection { line: None, finding } => finding.to_string(),
            Self::Connection { line: Some(line), finding } => format!("{line}: {finding}"),
            Self::Exposure { about, check } => format!("{about} {check}"),
            Self::Ranges { edge } => format!("ranges {edge}"),
        }
    }
}

/// The key by which whoever is told knows that a beginning and an end belong together.
impl fmt::Display for Cause {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        write!(f, "{} {}", self.occasion().word(), self.about())
    }
}

/// [`Past`] as a state file has it; once it was the causes alone, and later these by their keys.
#[derive(Deserialize)]
#[serde(untagged)]
enum Kept {
    Whole { causes: BTreeSet<KeptCause>, published: BTreeMap<String, Vec<String>> },
    Causes(BTreeSet<KeptCause>),
}

#[derive(PartialEq, Eq, PartialOrd, Ord, Deserialize)]
#[serde(untagged)]
enum KeptCause {
    Whole(Cause),
    Key(String),
}

impl From<Kept> for Past {
    fn from(kept: Kept) -> Self {
        let (causes, published) = match kept {
            Kept::Whole { causes, published } => (causes, published),
            Kept::Causes(causes) => (causes, BTreeMap::new()),
        };
        let one = |cause| match cause {
            KeptCause::Whole(cause) => Some(cause),
            KeptCause::Key(key) => by_key(&key),
        };
        Self { causes: causes.into_iter().filter_map(one).collect(), published }
    }
}

/// What an earlier version kept as `key`. One that makes no sense is told again, should it last.
fn by_key(key: &str) -> Option<Cause> {
    /// The first words of the findings about the connection, at that time.
    const CONNECTION: [&str; 7] = [
        "captive-portal",
        "carrier-nat",
        "dissenter",
        "double-nat",
        "family-missing",
        "other-egress",
        "router-contradicts",
    ];
    let (kind, about) = key.split_once(' ')?;
    let owned = about.to_owned();
    match kind {
        "blocked" => return Some(Cause::Blocked { record: owned }),
        "hold" => return Some(Cause::Hold { provider: owned }),
        "no-ruling" => return Some(Cause::NoRuling { about: owned }),
        "finding" => {}
        _ => return None,
    }
    if let Some((line, finding)) = about.split_once(": ") {
        return Some(Cause::Connection { line: Some(line.to_owned()), finding: finding.to_owned().into() });
    }
    let (first, rest) = about.split_once(' ').unwrap_or((about, ""));
    let rest = rest.to_owned();
    match first {
        "refused" => Some(Cause::Refused { provider: rest }),
        "ranges" => Some(Cause::Ranges { edge: rest }),
        _ if CONNECTION.contains(&first) => Some(Cause::Connection { line: None, finding: owned.into() }),
        _ => Some(Cause::Exposure { about: first.to_owned(), check: rest }),
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn what_an_earlier_version_kept_is_read_and_what_is_kept_now_too() {
        let text = |text: &str| text.to_owned();
        let connection =
            |line: Option<&str>, finding| Cause::Connection { line: line.map(text), finding: text(finding).into() };
        let causes = [
            ("blocked cam.heronmill.example A", Cause::Blocked { record: text("cam.heronmill.example A") }),
            ("hold home", Cause::Hold { provider: text("home") }),
            ("no-ruling fibre IPv4", Cause::NoRuling { about: text("fibre IPv4") }),
            ("finding refused home", Cause::Refused { provider: text("home") }),
            ("finding ranges weir", Cause::Ranges { edge: text("weir") }),
            ("finding carrier-nat", connection(None, "carrier-nat")),
            ("finding dissenter tern-labs IPv4", connection(None, "dissenter tern-labs IPv4")),
            ("finding lte: other-egress IPv6", connection(Some("lte"), "other-egress IPv6")),
            (
                "finding gauge.heronmill.example way in",
                Cause::Exposure { about: text("gauge.heronmill.example"), check: text("way in") },
            ),
        ];
        for (key, cause) in &causes {
            assert_eq!(cause.to_string(), *key);
            let earlier: Past = serde_json::from_value(serde_json::json!([key])).unwrap();
            assert_eq!(earlier, Past { causes: [cause.clone()].into(), published: BTreeMap::new() });
        }
        let past = Past { causes: causes.map(|(_, cause)| cause).into(), published: BTreeMap::new() };
        assert_eq!(serde_json::from_value::<Past>(serde_json::to_value(&past).unwrap()).unwrap(), past);
        let strange: Past = serde_json::from_str(r#"{"causes":["what","else entirely"],"published":{}}"#).unwrap();
        assert_eq!(strange, Past::default());
    }
}
