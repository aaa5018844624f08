//! One pass through the flow: ask, vote, settle, publish. The daemon, `sync` and the rehearsal all go through here.
//!
//! Holds the watcher, the providers and the books together; touches the outside only through them.
//!
//! [`Actors`] are the witnesses and providers, [`Home`] has the books besides.

mod actors;
mod home;
mod work;

use crate::update::BooksError;
use crate::watch::WatchError;
pub use actors::Actors;
pub use home::{Answers, Home};
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
