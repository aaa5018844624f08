//! What is kept of each edge in the state directory: `edges/NAME/current.json` is in force, `edges/NAME/7.json` was the
//! seventh version. Touches these files and nothing else; one process writes at a time, the holder of the state
//! directory's lock.

use std::fs;
use std::io::{self, ErrorKind};
use std::path::{Path, PathBuf};

use ipnet::IpNet;
use serde::{Deserialize, Serialize};

use super::AllowlistError;
use crate::address::set::AddressSet;
use crate::clock::Timestamp;
use crate::config::Config;
use crate::own;

/// How many versions are kept besides the one in force.
const KEPT: u64 = 24;

/// The ranges of an edge that are or were in force.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct Kept {
    pub(super) version: Version,
    /// Which one it is, from 1.
    pub number: u64,
    /// When it was taken.
    pub since: Timestamp,
    /// What each source said, in the order of the configuration.
    pub sources: Vec<KeptSource>,
}

#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize, Deserialize)]
pub(super) enum Version {
    #[serde(rename = "1")]
    One,
}

/// What one source said.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct KeptSource {
    /// The source and how it was read: what was read otherwise is not the same.
    pub source: String,
    /// Its entity tag, to be handed back (RFC 9110, section 8.8.3).
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub etag: Option<String>,
    /// Its date, to be handed back as it was (RFC 9110, section 13.1.3).
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub last_modified: Option<String>,
    /// The fewest ranges that say it.
    pub ranges: Vec<IpNet>,
}

impl Kept {
    pub(super) fn new(number: u64, since: Timestamp, sources: Vec<KeptSource>) -> Self {
        Self { version: Version::One, number, since, sources }
    }

    /// Its addresses.
    pub fn set(&self) -> AddressSet {
        self.sources.iter().flat_map(|source| source.ranges.iter().copied()).collect()
    }
}

fn dir(state_dir: &Path, edge: &str) -> PathBuf {
    state_dir.join("edges").join(edge)
}

/// What is in force of `edge`, if anything was ever taken. Writes nothing.
///
/// # Errors
/// [`AllowlistError::Store`] or [`AllowlistError::Spoilt`]: never a guess.
pub fn kept(state_dir: &Path, edge: &str) -> Result<Option<Kept>, AllowlistError> {
    let path = dir(state_dir, edge).join("current.json");
    let bytes = match own::read(&path) {
        Ok(bytes) => bytes,
        Err(error) if error.kind() == ErrorKind::NotFound => return Ok(None),
        Err(source) => return Err(AllowlistError::Store { act: "read", path, source }),
    };
    let kept: Kept = serde_json::from_slice(&bytes)
        .map_err(|error| AllowlistError::Spoilt { path: path.clone(), why: error.to_string() })?;
    if kept.set().is_empty() {
        return Err(AllowlistError::Spoilt { path, why: "it has no range".to_owned() });
    }
    Ok(Some(kept))
}

/// All that may get in: the ranges in force of every edge, with the edge's name.
///
/// # Errors
/// [`AllowlistError::NoEdge`], [`AllowlistError::Never`] while any edge has none, and those of [`kept`].
pub fn in_force(config: &Config) -> Result<Vec<(String, Kept)>, AllowlistError> {
    if config.edges.is_empty() {
        return Err(AllowlistError::NoEdge);
    }
    let one = |name: &String| {
        let kept = kept(&config.state_dir, name)?.ok_or_else(|| AllowlistError::Never(name.clone()))?;
        Ok((name.clone(), kept))
    };
    config.edges.iter().map(|edge| one(&edge.name)).collect()
}

/// Puts `kept` in force, durably; the version before it is kept under its number.
pub(super) fn put(state_dir: &Path, edge: &str, kept: &Kept) -> Result<(), AllowlistError> {
    let dir = dir(state_dir, edge);
    let fail = |act, path: &Path| {
        let path = path.to_owned();
        move |source| AllowlistError::Store { act, path, source }
    };
    make_dirs(state_dir, &dir).map_err(fail("create", &dir))?;
    let current = dir.join("current.json");
    // An unreadable one was refused before.
    if let Some(before) = self::kept(state_dir, edge)?.filter(|before| before.number < kept.number) {
        let older = dir.join(format!("{}.json", before.number));
        write(&dir, &older, &before).map_err(fail("write", &older))?;
        if let Some(oldest) = before.number.checked_sub(KEPT) {
            // It is only tidying up: what is left costs a few kilobytes.
            let _ = fs::remove_file(dir.join(format!("{oldest}.json")));
        }
    }
    write(&dir, &current, kept).map_err(fail("write", &current))
}

fn make_dirs(state_dir: &Path, dir: &Path) -> io::Result<()> {
    own::make_dir(&state_dir.join("edges"), state_dir)?;
    own::make_dir(dir, state_dir)
}

fn write(dir: &Path, path: &Path, kept: &Kept) -> io::Result<()> {
    let mut text = serde_json::to_vec_pretty(kept)?;
    text.push(b'\n');
    own::replace(path, ".new", 0o644, &text, dir)
}
