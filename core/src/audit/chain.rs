//! The chain that makes the log checkable: entries to lines, lines to entries. Pure.
//!
//! A line is one JSON object (RFC 8259) and a newline. Its `prev` is the SHA-256 of the line before it, newline
//! included, in lower-case hexadecimal, so that `sed -n 1p audit.jsonl | sha256sum` gives the second line's `prev`.
//! The first line of all has 64 zeros.

use serde::{Deserialize, Serialize};
use serde_json::{Map, Value};

use super::Event;
use crate::clock::Timestamp;

/// The SHA-256 of a line, in lower-case hexadecimal.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Link(String);

impl Link {
    /// What the first line of all has for `prev`.
    pub fn origin() -> Self {
        Self("0".repeat(64))
    }

    /// The link to `line`, which includes its newline.
    pub fn to(line: &[u8]) -> Self {
        use std::fmt::Write as _;
        let mut hex = String::with_capacity(64);
        for byte in ring::digest::digest(&ring::digest::SHA256, line).as_ref() {
            // Writing to a String does not fail.
            let _ = write!(hex, "{byte:02x}");
        }
        Self(hex)
    }

    /// The hexadecimal text.
    pub fn as_str(&self) -> &str {
        &self.0
    }
}

/// One line of the log, read back.
#[derive(Clone, Debug, PartialEq)]
pub struct Entry {
    /// Its number, from 1, without gaps.
    pub seq: u64,
    /// When it was written.
    pub time: Timestamp,
    /// What it says. An event of a later version is kept as plain JSON.
    pub event: Known,
    /// The link to the line before.
    pub prev: String,
    /// The whole line as JSON.
    pub json: Map<String, Value>,
}

/// An event, if this version knows it.
#[derive(Clone, Debug, PartialEq)]
pub enum Known {
    /// It does.
    Yes(Event),
    /// It does not; this is its name.
    No(String),
}

/// What is wrong with a line.
#[derive(Clone, Debug, PartialEq, Eq, thiserror::Error)]
pub enum Flaw {
    /// It does not end with a newline: the power went while it was written.
    #[error("the line is torn: it has no end")]
    Torn,
    /// It is not a JSON object with `seq`, `time`, `event` and `prev`.
    #[error("this is no audit entry: {0}")]
    Unreadable(String),
    /// Its number does not follow.
    #[error("seq is {found}, and {expected} would follow: lines are missing, doubled or out of order")]
    Sequence {
        /// The number it should have.
        expected: u64,
        /// The number it has.
        found: u64,
    },
    /// Its `prev` is not the digest of the line before.
    #[error("prev is not the SHA-256 of the line before: that line, or this one, was changed")]
    Broken,
}

/// The line for `event`, newline included.
pub fn line(seq: u64, time: Timestamp, event: &Event, prev: &Link) -> Result<String, serde_json::Error> {
    #[derive(Serialize)]
    struct Line<'a> {
        seq: u64,
        time: String,
        #[serde(flatten)]
        event: &'a Event,
        prev: &'a str,
    }
    let mut text = serde_json::to_string(&Line { seq, time: time.to_millis_text(), event, prev: prev.as_str() })?;
    text.push('\n');
    Ok(text)
}

/// Reads one line, newline included.
pub fn read(line: &[u8]) -> Result<Entry, Flaw> {
    let Some((b'\n', body)) = line.split_last() else { return Err(Flaw::Torn) };
    let json: Map<String, Value> =
        serde_json::from_slice(body).map_err(|error| Flaw::Unreadable(format!("not a JSON object ({error})")))?;
    let missing = |key: &str| Flaw::Unreadable(format!("{key:?} is missing or of the wrong kind"));
    let seq = json.get("seq").and_then(Value::as_u64).ok_or_else(|| missing("seq"))?;
    let time = json.get("time").and_then(Value::as_str).and_then(Timestamp::parse).ok_or_else(|| missing("time"))?;
    let name = json.get("event").and_then(Value::as_str).ok_or_else(|| missing("event"))?;
    let prev = json.get("prev").and_then(Value::as_str).ok_or_else(|| missing("prev"))?.to_owned();
    let event =
        serde_json::from_value(Value::Object(json.clone())).map_or_else(|_| Known::No(name.to_owned()), Known::Yes);
    Ok(Entry { seq, time, event, prev, json })
}

/// Where a chain has got to.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Tail {
    /// The number of the last entry; 0 before the first.
    pub seq: u64,
    /// The link to the last line.
    pub link: Link,
}

impl Tail {
    /// The tail of an empty log.
    pub fn origin() -> Self {
        Self { seq: 0, link: Link::origin() }
    }

    /// Takes `line` as the next one, checking that it follows.
    pub fn follow(&self, line: &[u8]) -> Result<(Self, Entry), Flaw> {
        let entry = read(line)?;
        let expected = self.seq.saturating_add(1);
        if entry.seq != expected {
            return Err(Flaw::Sequence { expected, found: entry.seq });
        }
        if entry.prev != self.link.as_str() {
            return Err(Flaw::Broken);
        }
        Ok((Self { seq: entry.seq, link: Link::to(line) }, entry))
    }

    /// Takes `line` as the first one that was kept: older files may have been removed by rotation.
    pub fn begin(line: &[u8]) -> Result<(Self, Entry), Flaw> {
        let entry = read(line)?;
        if entry.seq <= 1 {
            return Self::origin().follow(line);
        }
        Ok((Self { seq: entry.seq, link: Link::to(line) }, entry))
    }
}

/// What is wrong with a log, by what the state file knows of it.
#[derive(Clone, Debug, PartialEq, Eq, thiserror::Error)]
pub enum Lack {
    /// There is none.
    #[error("there is no log, and the state file beside it says that there was one: it was taken away")]
    All,
    /// It is shorter than it was.
    #[error("the log ends with entry {last}, and the state file knows of entry {known}: the end was cut off")]
    End {
        /// The last entry there; 0 for none.
        last: u64,
        /// The last one that was known.
        known: u64,
    },
    /// Another entry has its number.
    #[error("entry {0} is not the one that the state file knows: it, or what is before it, was written anew")]
    Same(u64),
}

/// Where the log ended when that was last written down elsewhere.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct Mark {
    /// The number of the last entry; 0 for none.
    pub seq: u64,
    /// The SHA-256 of its line.
    pub hash: String,
}

/// Splits a file into its lines, newlines included; the last may lack one.
pub fn lines(bytes: &[u8]) -> impl Iterator<Item = &[u8]> {
    bytes.split_inclusive(|byte| *byte == b'\n')
}

#[cfg(test)]
mod tests;
