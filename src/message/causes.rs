//! What there is to tell of a status. Pure.

use std::collections::BTreeMap;
use std::time::Duration;

use serde::Serialize;

use crate::clock::Timestamp;
use crate::status::model::{State, Status};
use crate::status::words;

/// So long without a ruling is worth a message.
pub const NO_RULING: Duration = Duration::from_secs(3600);

/// What a message is about.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord, Serialize)]
#[serde(rename_all = "kebab-case")]
pub enum Kind {
    /// A record has another address.
    Changed,
    /// A record is blocked, or held back.
    Blocked,
    /// Writes to a provider are suspended.
    Hold,
    /// There has been no ruling for an hour.
    NoRuling,
    /// Something is amiss with the connection, the ranges, or what the outside can see.
    Finding,
}

impl Kind {
    /// With the words of the configuration.
    pub const ALL: [(&'static str, Self); 5] = [
        ("changed", Self::Changed),
        ("blocked", Self::Blocked),
        ("hold", Self::Hold),
        ("no-ruling", Self::NoRuling),
        ("finding", Self::Finding),
    ];

    /// The word.
    pub fn word(self) -> &'static str {
        Self::ALL.iter().find(|(_, kind)| *kind == self).map_or("", |(word, _)| word)
    }
}

/// Something that lasts until it clears, by a key that is always the same for it.
pub type Causes = BTreeMap<String, (Kind, String)>;

/// What is amiss now.
pub fn causes(status: &Status, now: Timestamp) -> Causes {
    let mut causes = Causes::new();
    for record in &status.records {
        let about = format!("{} {}", record.name, record.rtype);
        if matches!(record.state, State::Blocked | State::HeldBack) {
            let text = format!("{about} is {}: {}", record.state.word(), record.note);
            causes.insert(format!("blocked {about}"), (Kind::Blocked, text));
        }
    }
    for provider in &status.providers {
        if let (Some(since), Some(why)) = (provider.held_since, &provider.trouble) {
            let text = format!("writes to {} are on hold since {}: {why}", provider.name, words::moment(since));
            causes.insert(format!("hold {}", provider.name), (Kind::Hold, text));
        }
    }
    let gaps = status.stays.iter().filter(|stay| stay.address.is_none() && stay.to.is_none());
    for gap in gaps.filter(|gap| now.since(gap.from) >= NO_RULING) {
        let line = gap.line.as_ref().map(|line| format!("{line} ")).unwrap_or_default();
        let about = format!("{line}{}", words::family(&gap.family));
        let text = format!("no ruling for {about} since {}: the names stay as they are", words::moment(gap.from));
        causes.insert(format!("no-ruling {about}"), (Kind::NoRuling, text));
    }
    for finding in &status.findings {
        let line = finding.line.as_ref().map(|line| format!("{line}: ")).unwrap_or_default();
        // Its first words say what it is about; the rest may be told otherwise next time.
        let about: String = finding.text.chars().take_while(|letter| *letter != ':' && *letter != ';').collect();
        causes.insert(format!("finding {line}{about}"), (Kind::Finding, format!("{line}{}", finding.text)));
    }
    for check in status.exposure.iter().filter(|check| check.grade == "amiss") {
        let todo = if check.todo.is_empty() { String::new() } else { format!("; {}", check.todo) };
        let text = format!("{}, {}: {}{todo}", check.about, check.check, check.seen);
        causes.insert(format!("finding {} {}", check.about, check.check), (Kind::Finding, text));
    }
    for edge in &status.edges {
        if let Some(why) = &edge.trouble {
            let text = format!("the ranges of {}: {why}", edge.name);
            causes.insert(format!("finding ranges {}", edge.name), (Kind::Finding, text));
        }
    }
    causes
}

/// What the outside cannot be seen for at the moment: whether it has cleared is not known.
pub fn is_unknown(status: &Status, key: &str) -> bool {
    let is_it = |about: &str, check: &str| key == format!("finding {about} {check}");
    status.exposure.iter().any(|check| check.grade == "unknown" && is_it(&check.about, &check.check))
}

/// The published addresses of each record, by name and type.
pub fn published(status: &Status) -> BTreeMap<String, Vec<String>> {
    let is_published = |state| matches!(state, State::InStep | State::Spreading);
    let records = status.records.iter().filter(|record| is_published(record.state));
    records.map(|record| (format!("{} {}", record.name, record.rtype), record.at_provider.clone())).collect()
}
