//! What people were told, so that nobody is told twice over a restart.

use std::collections::{BTreeMap, BTreeSet};
use std::fmt;

use serde::de::IgnoredAny;
use serde::{Deserialize, Serialize};

use crate::about::{Check, Connection, by_word};
use crate::record::RecordId;
use crate::settings::{Occasion, Via};

/// What has been told to whom, by the name of the `[[message]]`. It survives restarts.
pub type Told = BTreeMap<String, Past>;

/// What a person knows already.
#[derive(Clone, Debug, Default, PartialEq, Eq, Serialize, Deserialize)]
#[serde(from = "Kept")]
pub struct Past {
    /// The causes that were told and are not over.
    pub causes: BTreeSet<Cause>,
    /// The addresses of each record as they were last told or first seen.
    pub published: BTreeMap<RecordId, Vec<String>>,
}

/// Something that lasts until it clears, and is told of once.
#[derive(Clone, Debug, PartialEq, Eq, PartialOrd, Ord, Serialize, Deserialize)]
#[serde(tag = "cause", rename_all = "kebab-case")]
pub enum Cause {
    /// A record is blocked, or held back.
    Blocked {
        /// Which.
        record: RecordId,
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
        /// Over this line and family.
        #[serde(rename = "about", with = "for_people")]
        via: Via,
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
        #[serde(with = "by_word")]
        check: Check,
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
            Self::Blocked { record } => record.to_string(),
            Self::Hold { provider } => provider.clone(),
            Self::Refused { provider } => format!("refused {provider}"),
            Self::NoRuling { via } => via.to_string(),
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

/// A line and family in the words for people.
mod for_people {
    use serde::{Deserialize, Deserializer, Serializer, de};

    use super::Via;

    pub(super) fn serialize<S: Serializer>(via: &Via, to: S) -> Result<S::Ok, S::Error> {
        to.collect_str(via)
    }

    pub(super) fn deserialize<'de, D: Deserializer<'de>>(from: D) -> Result<Via, D::Error> {
        let text = String::deserialize(from)?;
        Via::by_text(&text).ok_or_else(|| de::Error::custom(format!("{text:?} is no line and family")))
    }
}

/// [`Past`] as a state file has it; once it was the causes alone, and later these by their keys. What another version has
/// there and this one cannot read is left out.
#[derive(Deserialize)]
#[serde(untagged)]
enum Kept {
    Whole { causes: Vec<KeptCause>, published: BTreeMap<String, Vec<String>> },
    Causes(Vec<KeptCause>),
}

#[derive(Deserialize)]
#[serde(untagged)]
enum KeptCause {
    Whole(Cause),
    Key(String),
    /// Another version knows it. It is told again, should it last.
    Strange(IgnoredAny),
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
            KeptCause::Strange(_) => None,
        };
        let record = |(text, addresses): (String, _)| Some((RecordId::by_text(&text)?, addresses));
        Self {
            causes: causes.into_iter().filter_map(one).collect(),
            published: published.into_iter().filter_map(record).collect(),
        }
    }
}

/// What an earlier version kept as `key`. One that makes no sense is told again, should it last.
fn by_key(key: &str) -> Option<Cause> {
    let (kind, about) = key.split_once(' ')?;
    let owned = about.to_owned();
    match kind {
        "blocked" => return Some(Cause::Blocked { record: RecordId::by_text(about)? }),
        "hold" => return Some(Cause::Hold { provider: owned }),
        "no-ruling" => return Some(Cause::NoRuling { via: Via::by_text(about)? }),
        "finding" => {}
        _ => return None,
    }
    if let Some((line, finding)) = about.split_once(": ") {
        return Some(Cause::Connection { line: Some(line.to_owned()), finding: finding.to_owned().into() });
    }
    match about.split_once(' ') {
        Some(("refused", provider)) => return Some(Cause::Refused { provider: provider.to_owned() }),
        Some(("ranges", edge)) => return Some(Cause::Ranges { edge: edge.to_owned() }),
        _ => {}
    }
    match Connection::from(owned) {
        Connection::Other(_) => {
            let (about, check) = about.split_once(' ')?;
            Some(Cause::Exposure { about: about.to_owned(), check: Check::by_word(check)? })
        }
        finding => Some(Cause::Connection { line: None, finding }),
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
            (
                "blocked cam.heronmill.example A",
                Cause::Blocked { record: RecordId::by_text("cam.heronmill.example A").unwrap() },
            ),
            ("hold home", Cause::Hold { provider: text("home") }),
            ("no-ruling fibre IPv4", Cause::NoRuling { via: Via::by_text("fibre IPv4").unwrap() }),
            ("finding refused home", Cause::Refused { provider: text("home") }),
            ("finding ranges weir", Cause::Ranges { edge: text("weir") }),
            ("finding carrier-nat", connection(None, "carrier-nat")),
            ("finding dissenter tern-labs IPv4", connection(None, "dissenter tern-labs IPv4")),
            ("finding lte: other-egress IPv6", connection(Some("lte"), "other-egress IPv6")),
            (
                "finding gauge.heronmill.example way in",
                Cause::Exposure { about: text("gauge.heronmill.example"), check: Check::WayIn },
            ),
        ];
        for (key, cause) in &causes {
            assert_eq!(cause.to_string(), *key);
            let earlier: Past = serde_json::from_value(serde_json::json!([key])).unwrap();
            assert_eq!(earlier, Past { causes: [cause.clone()].into(), published: BTreeMap::new() });
        }
        let past = Past { causes: causes.map(|(_, cause)| cause).into(), published: BTreeMap::new() };
        assert_eq!(serde_json::from_value::<Past>(serde_json::to_value(&past).unwrap()).unwrap(), past);
        let stored = r#"{"causes":[{"cause":"blocked","record":"cam.heronmill.example A"},{"cause":"no-ruling","about":"fibre IPv4"},{"cause":"connection","line":"lte","finding":"moat IPv6"},{"cause":"exposure","about":"gauge.heronmill.example","check":"way in"}],"published":{"gauge.heronmill.example A":["203.0.113.77"]}}"#;
        let present: Past = serde_json::from_str(stored).unwrap();
        assert_eq!((present.causes.len(), present.published.len()), (4, 1));
        assert_eq!(serde_json::to_string(&present).unwrap(), stored);
        let exposed = |check| Cause::Exposure { about: text("weir"), check };
        assert!(exposed(Check::Allowlist) < exposed(Check::Leaks) && exposed(Check::Leaks) < exposed(Check::Masked));
        // What makes no sense here is told again, should it last, and keeps nothing else from being read.
        for cause in [
            r#""what""#,
            r#""else entirely""#,
            r#""blocked moat""#,
            r#""finding gauge.heronmill.example moat""#,
            r#"{"cause":"flood","about":"mill"}"#,
            r#"{"cause":"blocked","record":"cam.heronmill.example HTTPS"}"#,
            r#"{"cause":"no-ruling","about":"fibre"}"#,
            r#"{"cause":"exposure","about":"gauge.heronmill.example","check":"moat"}"#,
        ] {
            let strange =
                format!(r#"{{"causes":[{cause},{{"cause":"hold","provider":"home"}}],"published":{{"moat":[]}}}}"#);
            let strange: Past = serde_json::from_str(&strange).unwrap();
            let hold = Cause::Hold { provider: "home".to_owned() };
            assert_eq!(strange, Past { causes: [hold].into(), published: BTreeMap::new() }, "{cause}");
        }
    }
}
