//! One pass through the flow: ask, vote, settle, publish. The daemon, `sync` and the rehearsal all go through here.
//!
//! Holds the watcher, the providers and the books together; touches the outside only through them.
//!
//! [`Means`] are the witnesses and providers, [`Home`] has the books besides.

mod home;
mod means;
mod work;

use std::collections::BTreeMap;
use std::net::IpAddr;

use crate::address::Family;
use crate::audit::Word;
use crate::name::DnsName;
use crate::settings::Via;
use crate::state::State;
use crate::update::BooksError;
use crate::watch::WatchError;
use crate::watch::diagnose::History;
use crate::watch::look::{Found, Look, agreed};
use crate::watch::vote::Ruling;
use fingerpost_core::round::{outages, reach};
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
