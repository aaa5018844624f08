//! What becomes of a provider and its records in one pass.

pub mod afoot;
mod blocks;
mod open;
pub mod pass;
pub mod report;
pub mod retry;

use crate::provider::{Change, Observed};
use crate::record::RrSet;
pub use report::{RecordReport, RecordState, Report, Trouble};

/// How often a plan is made anew when somebody else writes at the same time.
pub const ATTEMPTS: usize = 3;

/// Whether exactly `set` stands where `change` would write.
pub fn stands(observed: &Observed, change: &Change, set: Option<&RrSet>) -> bool {
    observed.names.get(&change.name).and_then(|standing| standing.sets.get(&change.rtype)) == set
}
