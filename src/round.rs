//! One pass through the flow: ask, vote, settle, publish. The daemon, `sync` and the rehearsal all go through here.
//!
//! Holds the watcher, the providers and the books together; touches the outside only through them.
//!
//! [`Means`] are the witnesses and providers, [`Home`] has the books besides.

mod home;
mod means;
mod outages;
mod reach;
mod work;

use std::collections::BTreeMap;
use std::fmt;
use std::net::IpAddr;

use serde::{Deserialize, Serialize};

use crate::address::Family;
use crate::audit::Word;
use crate::audit::file::Log;
use crate::config::Config;
use crate::name::DnsName;
use crate::provider::RecordType;
use crate::state::{State, Store};
use crate::update::{Afoot, Books, BooksError};
use crate::watch::diagnose::{Finding, History};
use crate::watch::vote::{Outcome, Ruling};
use crate::watch::{Testimony, Via, WatchError};
pub use home::Home;
pub use means::Means;
pub use work::{Done, Work};

/// Why a round cannot even begin.
#[derive(Debug, thiserror::Error)]
pub enum RoundError {
    /// The witnesses cannot be asked.
    #[error(transparent)]
    Watch(#[from] WatchError),
    /// The books cannot be opened.
    #[error(transparent)]
    Books(#[from] BooksError),
}

/// What the witnesses said in one round about one line and family, and what follows.
#[derive(Clone, Debug, Serialize)]
pub struct Look {
    /// The line; `None` when there is only one.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub line: Option<String>,
    /// The family.
    pub family: Family,
    /// The outcome of the vote.
    pub ruling: Ruling,
    /// What each witness said.
    pub testimony: Vec<Testimony>,
}

impl Look {
    /// The line and family.
    pub fn via(&self) -> Via {
        Via { line: self.line.clone(), family: self.family }
    }
}

/// Something that is amiss with a line or its witnesses.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, Deserialize)]
pub struct Found {
    /// The line; `None` when there is only one.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub line: Option<String>,
    /// What is amiss.
    #[serde(flatten)]
    pub finding: Finding,
}

/// For people: what is amiss and what to do, with the line where there are several.
impl fmt::Display for Found {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        match &self.line {
            None => self.finding.fmt(f),
            Some(line) => write!(f, "{line}: {}", self.finding),
        }
    }
}

/// A record that is not published although its address is agreed on: the home could not be reached there.
#[derive(Clone, Debug, PartialEq, Eq, Serialize)]
pub struct HeldBack {
    /// The line; `None` when there is only one.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub line: Option<String>,
    /// The record's name.
    pub name: DnsName,
    /// Its type.
    #[serde(rename = "type")]
    pub rtype: RecordType,
    /// What the outside sees.
    pub address: IpAddr,
}

/// What earlier rounds leave behind for the diagnosis of later ones, line by line.
pub type Histories = BTreeMap<Option<String>, History>;

/// The histories with which a process goes on from `state`.
pub fn histories(state: &State) -> Histories {
    let mut histories = Histories::new();
    for Found { line, finding } in &state.nats {
        histories.entry(line.clone()).or_default().recall(finding.clone());
    }
    histories
}

/// The addresses that the newest rulings agree on.
pub fn agreed(looks: &[Look]) -> BTreeMap<Via, IpAddr> {
    looks
        .iter()
        .filter_map(|look| match look.ruling.outcome {
            Outcome::Agreed(address) => Some((look.via(), address)),
            Outcome::Split | Outcome::TooFew | Outcome::NoneAsked => None,
        })
        .collect()
}

/// What a record follows its lines by.
fn follower(provider: &str, name: &DnsName, family: Family) -> String {
    format!("{provider} {name} {family}")
}

fn words(looks: &[Look]) -> BTreeMap<Via, Word> {
    let addresses = agreed(looks);
    looks.iter().filter_map(|look| Some((look.via(), word(&look.ruling, *addresses.get(&look.via())?)))).collect()
}

fn word(ruling: &Ruling, address: IpAddr) -> Word {
    Word {
        address,
        agreed: ruling.agreed.clone(),
        dissent: ruling.dissent.iter().map(|dissent| dissent.operator.clone()).collect(),
        silent: ruling.silent.iter().map(|(operator, _)| operator.clone()).collect(),
    }
}

/// Locks the state directory and opens the books.
pub(crate) fn open_books(config: &Config) -> Result<Books, BooksError> {
    let locked = Store::lock(&config.state_dir)?;
    let state = State::load(&config.state_dir, &config.limits)?;
    let log = Log::open(&config.state_dir, config.audit)?;
    Ok(Books { store: locked.store(&state), state, log, afoot: Afoot::default() })
}

/// The state as a reader without the lock sees it. Writes nothing.
pub fn peek(config: &Config) -> Result<State, BooksError> {
    // What does not hold in the log is told, as a start of the daemon would.
    Log::open(&config.state_dir, config.audit)?;
    Ok(State::load(&config.state_dir, &config.limits)?)
}
