//! What is kept of each edge in the state directory: `edges/NAME/current.json` is in force, `edges/NAME/7.json` was the
//! seventh version. Touches these files and nothing else; one process writes at a time, the holder of the state
//! directory's lock.

use std::io::ErrorKind;
use std::path::{Path, PathBuf};

use super::proof::{Proofs, Standing};
use super::{AllowlistError, Kept, bounds};
use crate::aside::aside;
use crate::audit::file;
use crate::clock::Step;
use crate::files::Dir;
use crate::settings::{Config, Edge};

/// How many versions are kept besides the one in force.
const KEPT: u64 = 24;

fn dir(state_dir: &Path, edge: &str) -> PathBuf {
    state_dir.join("edges").join(edge)
}

/// The longest file that is read, in bytes: some hundred thousand ranges.
const LONGEST: u64 = 64 << 20;

/// What the file says of `edge`, if there is one. Writes nothing.
fn said(state_dir: &Path, edge: &str) -> Result<Option<Kept>, AllowlistError> {
    let path = dir(state_dir, edge).join("current.json");
    let read = || Dir::open(state_dir)?.enter("edges")?.enter(edge)?.read("current.json", LONGEST);
    let bytes = match read() {
        Ok(bytes) => bytes,
        Err(error) if error.kind() == ErrorKind::NotFound => return Ok(None),
        Err(source) => return Err(AllowlistError::Store { act: "read", path, source }),
    };
    serde_json::from_slice(&bytes).map(Some).map_err(|error| AllowlistError::Spoilt { path, why: error.to_string() })
}

/// What is in force of `edge`, if anything was ever taken. Writes nothing. It is judged as what is fetched: a file can be
/// changed by whoever has got hold of the service.
///
/// # Errors
/// [`AllowlistError::Store`] or [`AllowlistError::Spoilt`]: never a guess.
pub fn kept(config: &Config, edge: &Edge) -> Result<Option<Kept>, AllowlistError> {
    let Some(kept) = said(&config.state_dir, &edge.name)? else { return Ok(None) };
    let set = kept.set();
    let why = match bounds::check(edge, &set, None, true, &config.watch.accept_special) {
        Ok(()) if set.is_empty() => "it has no range".to_owned(),
        Ok(()) => return Ok(Some(kept)),
        Err(doubtful) => doubtful.to_string(),
    };
    Err(spoilt(config, edge, why))
}

/// The error for a file that says something else than it should.
pub(super) fn spoilt(config: &Config, edge: &Edge, why: impl Into<String>) -> AllowlistError {
    AllowlistError::Spoilt { path: dir(&config.state_dir, &edge.name).join("current.json"), why: why.into() }
}

/// What the audit log tells of the ranges. It is read where that keeps nobody waiting.
///
/// # Errors
/// [`AllowlistError::Audit`] where it cannot be read.
pub(super) async fn proofs(config: &Config) -> Result<Proofs, AllowlistError> {
    let dir = config.state_dir.clone();
    aside(move || {
        let mut proofs = Proofs::default();
        file::links(&dir, |entry, follows| proofs.read(entry, follows))?;
        Ok(proofs)
    })
    .await
}

/// Takes in that the clock was set.
///
/// # Errors
/// Those of [`kept`], and [`AllowlistError::Store`] where the list cannot be written back.
pub fn shift(config: &Config, step: &Step) -> Result<(), AllowlistError> {
    for edge in &config.edges {
        let Some(mut kept) = said(&config.state_dir, &edge.name)? else { continue };
        let since = step.moved(kept.since);
        if since != kept.since {
            kept.since = since;
            put(&config.state_dir, &edge.name, &kept)?;
        }
    }
    Ok(())
}

/// All that may get in: the ranges in force of every edge, with the edge's name.
///
/// # Errors
/// [`AllowlistError::NoEdge`], [`AllowlistError::Never`] while any edge has none, [`AllowlistError::Spoilt`] where the
/// audit log does not tell of them, and those of [`kept`].
pub async fn in_force(config: &Config) -> Result<Vec<(String, Kept)>, AllowlistError> {
    if config.edges.is_empty() {
        return Err(AllowlistError::NoEdge);
    }
    let proofs = proofs(config).await?;
    let config = config.clone();
    aside(move || {
        let one = |edge: &Edge| {
            let kept = kept(&config, edge)?.ok_or_else(|| AllowlistError::Never(edge.name.clone()))?;
            match proofs.standing(&edge.name, &kept) {
                Standing::Proven => Ok((edge.name.clone(), kept)),
                Standing::Refuted => Err(spoilt(&config, edge, REFUTED)),
                Standing::Untold => Err(AllowlistError::Untold(edge.name.clone())),
            }
        };
        config.edges.iter().map(one).collect()
    })
    .await
}

/// Why ranges are not believed that another one has written.
pub(super) const REFUTED: &str =
    "its ranges are not those that the audit log tells of, so another program has written it";

/// Puts `kept` in force, durably; the version before it is kept under its number.
pub(super) fn put(state_dir: &Path, edge: &str, kept: &Kept) -> Result<(), AllowlistError> {
    let path = dir(state_dir, edge);
    let below = |name| move |dir: Dir| dir.below(name);
    let dir = Dir::open(state_dir)
        .and_then(below("edges"))
        .and_then(below(edge))
        .map_err(|source| AllowlistError::Store { act: "create", path: path.clone(), source })?;
    let write = |name: &str, kept: &Kept| {
        let written = serde_json::to_vec_pretty(kept).map_err(Into::into).and_then(|mut text| {
            text.push(b'\n');
            dir.replace(name, ".new", 0o666, &text)
        });
        written.map_err(|source| AllowlistError::Store { act: "write", path: path.join(name), source })
    };
    // An unreadable one was refused before.
    if let Some(before) = said(state_dir, edge)?.filter(|before| before.number < kept.number) {
        write(&format!("{}.json", before.number), &before)?;
        if let Some(oldest) = before.number.checked_sub(KEPT) {
            // It is only tidying up: what is left costs a few kilobytes.
            let _ = dir.remove(&format!("{oldest}.json"));
        }
    }
    write("current.json", kept)
}

#[cfg(test)]
mod tests {
    use std::fs;
    use std::os::unix::fs::symlink;

    use super::*;
    use crate::allowlist::KeptSource;
    use crate::clock::Timestamp;

    fn version(number: u64) -> Kept {
        let ranges = vec!["198.51.100.0/24".parse().unwrap()];
        let source = KeptSource { source: "quay".to_owned(), etag: None, last_modified: None, ranges };
        Kept::new(number, Timestamp::default(), vec![source])
    }

    /// Root fetches the ranges too, in a directory that belongs to the service.
    #[test]
    fn a_link_in_the_state_directory_leads_nowhere() {
        let home = tempfile::tempdir().unwrap();
        let (at, other) = (home.path().join("state"), home.path().join("shadow"));
        fs::write(&other, "theirs").unwrap();
        fs::create_dir_all(at.join("edges/quay")).unwrap();
        for name in [".new", "current.json"] {
            let to = if name == ".new" { other.clone() } else { home.path().join("nothing") };
            symlink(to, dir(&at, "quay").join(name)).unwrap();
        }
        let told = crate::text::chain_of(&put(&at, "quay", &version(1)).unwrap_err());
        assert!(told.contains("current.json; a symbolic link stands there, and none is followed: remove it"), "{told}");
        fs::remove_file(at.join("edges/quay/current.json")).unwrap();
        put(&at, "quay", &version(1)).unwrap();
        put(&at, "quay", &version(2)).unwrap();
        assert_eq!(said(&at, "quay").unwrap(), Some(version(2)));
        assert_eq!(fs::read(&other).unwrap(), b"theirs");
        assert!(!home.path().join("nothing").exists());
        // Nor does one in the place of a directory.
        for name in ["edges/quay", "edges"] {
            let elsewhere = home.path().join("elsewhere");
            fs::create_dir_all(elsewhere.join("quay")).unwrap();
            fs::rename(at.join(name), home.path().join(name.replace('/', "-"))).unwrap();
            symlink(&elsewhere, at.join(name)).unwrap();
            let told = crate::text::chain_of(&put(&at, "quay", &version(3)).unwrap_err());
            assert!(told.contains("edges/quay; what stands in the place of a directory there"), "{told}");
            assert_eq!(fs::read_dir(elsewhere.join("quay")).unwrap().count(), 0);
            fs::remove_file(at.join(name)).unwrap();
        }
    }
}
