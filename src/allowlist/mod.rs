//! The ranges of the edge in front of the home: fetched, checked, kept, written where the firewall reads them, and
//! compared with whom the firewall really lets in.
//!
//! Contacts nothing but the sources that the configuration names, and writes only in the state directory and to the
//! files that it names. What judges is pure: [`source`] reads lists, [`bounds`] decides whether a new one is believed.

mod fetch;
mod look;
pub mod render;
mod store;
mod write;

use std::io;
use std::path::PathBuf;

use crate::address::set::AddressSet;
use crate::aside::aside;
use crate::audit::Event;
use crate::audit::file::{AuditError, Log};
use crate::clock::Timestamp;
use crate::config::load::add;
use crate::files::way_in;
use crate::settings::{Config, Edge};
use crate::state::StateError;
use crate::update::{Books, BooksError};
pub use fetch::{Client, SourceError};
pub use fingerpost_core::allowlist::*;
pub use look::{Compared, compare};
use proof::Standing;
pub use store::{in_force, kept, shift};
pub use write::{Reload, Rendered, write};

const EDGE: &str = "[[edge]]\n  name = \"weir\"\n  sources = [{ url = \"https://weir.example/ranges.txt\" }]";
const RENDER: &str = "[[allowlist.render]]\n  form = \"lines\"\n  file = \"/var/lib/fingerpost/edge.txt\"";
const FIREWALL: &str = "[allowlist.firewall]\n  kind = \"nft\"\n  command = [\"/usr/sbin/nft\", \"-j\", \"list\", \"ruleset\"]\n  \
                        service = \"here\"\n  outside = \"wan\"";

/// Why there are no ranges to go by.
#[derive(Debug, thiserror::Error)]
pub enum AllowlistError {
    /// The configuration names no edge.
    #[error("no [[edge]] is configured: whose ranges are meant? {}", add(EDGE))]
    NoEdge,
    /// The client for HTTP cannot be made.
    #[error("the platform's certificates cannot be used: {0}")]
    Client(String),
    /// State or audit log cannot be kept.
    #[error(transparent)]
    Books(#[from] BooksError),
    /// Another process, most likely the daemon, is at work: it looks at the lists itself.
    #[error("another fingerpost is at work on {}; {}", path.display(), if *accept {
        "stop it (`systemctl stop fingerpost`), run this again, and start it"
    } else {
        "a daemon looks at the lists itself; to have it look now, reload it (`systemctl reload fingerpost`)"
    })]
    AtWork {
        /// The state directory.
        path: PathBuf,
        /// Whether a person was going to answer for the lists: the daemon never does.
        accept: bool,
    },
    /// The audit log cannot be written.
    #[error(transparent)]
    Audit(#[from] AuditError),
    /// What is kept of an edge cannot be read or written.
    #[error("cannot {act} {}{}", path.display(), way_in(source))]
    Store {
        /// What was tried.
        act: &'static str,
        /// On which path.
        path: PathBuf,
        /// What the system said.
        source: io::Error,
    },
    /// What is kept of an edge makes no sense.
    #[error("{} does not hold: {why}; remove it, and run `fingerpost allowlist fetch`", path.display())]
    Spoilt {
        /// The file.
        path: PathBuf,
        /// What is wrong with it.
        why: String,
    },
    /// What is kept of an edge may be right, and nothing tells so.
    #[error(
        "the audit log does not tell of the ranges of the edge {0} any more: its files that did were removed by rotation, or \
         do not hold (`fingerpost audit verify`); run `fingerpost allowlist fetch`, or reload the daemon"
    )]
    Untold(String),
    /// The configuration names no file to write.
    #[error("no [[allowlist.render]] is configured: which file is to be written? {}", add(RENDER))]
    NoFile,
    /// The configuration names no firewall.
    #[error("no [allowlist.firewall] is configured: what is to be compared? {}", add(FIREWALL))]
    NoFirewall,
    /// The firewall does not tell whom it lets in.
    #[error("{place}: {why}")]
    Firewall {
        /// What was asked.
        place: String,
        /// Why there is no answer.
        why: String,
    },
    /// Of this edge nothing has been fetched yet.
    #[error("no ranges of the edge {0} are known yet; run `fingerpost allowlist fetch`")]
    Never(String),
}

/// What the sources of one edge said, and what was in force before.
#[derive(Debug)]
pub struct Looked {
    edge: Edge,
    before: Option<Kept>,
    /// The audit log tells of these.
    is_told: bool,
    said: Result<(Vec<KeptSource>, Vec<String>), SourceError>,
}

/// Fetches the lists of every edge, and takes those that are believed. With `accept` a person answers for how they
/// changed.
///
/// # Errors
/// [`AllowlistError`] when the books cannot be kept; what is wrong with a list is in its report.
pub async fn fetch(config: &Config, accept: bool, now: Timestamp) -> Result<Vec<Report>, AllowlistError> {
    if config.edges.is_empty() {
        return Err(AllowlistError::NoEdge);
    }
    let mut books = Books::open(config).map_err(|error| match error {
        BooksError::State(StateError::Locked { path }) => AllowlistError::AtWork { path, accept },
        error => error.into(),
    })?;
    let looked = look(config).await?;
    take(config, looked, &mut books, accept, now)
}

/// Looks at the lists of every edge. Writes nothing.
///
/// # Errors
/// [`AllowlistError`]; what is wrong with a list is told by [`take`].
pub async fn look(config: &Config) -> Result<Vec<Looked>, AllowlistError> {
    let client = Client::new(&config.edges).await?;
    let proofs = store::proofs(config).await?;
    let kept_of = config.clone();
    // Some hundred thousand ranges take their time.
    let before = aside(move || kept_of.edges.iter().map(|edge| kept(&kept_of, edge)).collect::<Result<Vec<_>, _>>());
    let mut all = Vec::new();
    for (edge, before) in config.edges.iter().zip(before.await?) {
        let standing = before.as_ref().map(|before| proofs.standing(&edge.name, before));
        if standing == Some(Standing::Refuted) {
            return Err(store::spoilt(config, edge, store::REFUTED));
        }
        let said = client.look(edge, before.as_ref()).await;
        all.push(Looked { edge: edge.clone(), before, is_told: standing == Some(Standing::Proven), said });
    }
    Ok(all)
}

/// Takes what is believed of what was `looked` at, and enters what is not; for the holder of the state directory's lock.
///
/// # Errors
/// [`AllowlistError`] when it cannot be written down.
pub fn take(
    config: &Config,
    looked: Vec<Looked>,
    books: &mut Books,
    accept: bool,
    now: Timestamp,
) -> Result<Vec<Report>, AllowlistError> {
    let log = &mut books.log;
    let reports =
        looked.into_iter().map(|one| take_one(config, one, log, accept, now)).collect::<Result<Vec<_>, _>>()?;
    let news = refused::news(&books.state.refused, &reports);
    for (key, event) in news {
        let begins = matches!(event, Event::Found { .. });
        books.log.append(now, event)?;
        if begins {
            books.state.refused.insert(key);
        } else {
            books.state.refused.remove(&key);
        }
    }
    books.save().map_err(BooksError::from)?;
    Ok(reports)
}

fn take_one(
    config: &Config,
    looked: Looked,
    log: &mut Log,
    accept: bool,
    now: Timestamp,
) -> Result<Report, AllowlistError> {
    let Looked { edge, before, is_told, said } = looked;
    let (judged, notes) = match said {
        Ok((sources, notes)) => (judge(config, &edge, before.as_ref(), sources, accept, now), notes),
        Err(error) => (Judged::Not(error.outcome()), Vec::new()),
    };
    let (outcome, after) = match judged {
        Judged::Not(outcome) => (outcome, before),
        Judged::Same(kept) => {
            if !is_told {
                let none = AddressSet::default();
                log.append(now, event(&edge, &kept, &none, &none))?;
            }
            if before.as_ref() != Some(&kept) {
                store::put(&config.state_dir, &edge.name, &kept)?;
            }
            (Outcome::Same, Some(kept))
        }
        Judged::New { kept, came, went } => {
            // First the log: what a crash keeps from being in force is fetched and told again.
            log.append(now, event(&edge, &kept, &came, &went))?;
            store::put(&config.state_dir, &edge.name, &kept)?;
            let (came, went) = (came.prefixes().collect(), went.prefixes().collect());
            (Outcome::Taken { number: kept.number, came, went }, Some(kept))
        }
    };
    let (number, since) = after.as_ref().map(|kept| (kept.number, kept.since)).unzip();
    let ranges = after.map(|kept| kept.set().prefixes().collect()).unwrap_or_default();
    Ok(Report { edge: edge.name, outcome, number, since, ranges, notes })
}
