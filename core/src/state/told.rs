//! What people were told, so that nobody is told twice over a restart.
//!
//! Pure.

use std::collections::{BTreeMap, BTreeSet};

use serde::{Deserialize, Serialize};

/// What has been told to whom, by the name of the `[[message]]`. It survives restarts.
pub type Told = BTreeMap<String, Past>;

/// What a person knows already.
#[derive(Clone, Debug, Default, PartialEq, Eq, Serialize, Deserialize)]
#[serde(from = "Kept")]
pub struct Past {
    /// The causes that were told and are not over.
    pub causes: BTreeSet<String>,
    /// The addresses of each record, by name and type, as they were last told or first seen.
    pub published: BTreeMap<String, Vec<String>>,
}

/// [`Past`] as a state file has it; once it was the causes alone.
#[derive(Deserialize)]
#[serde(untagged)]
enum Kept {
    Whole { causes: BTreeSet<String>, published: BTreeMap<String, Vec<String>> },
    Causes(BTreeSet<String>),
}

impl From<Kept> for Past {
    fn from(kept: Kept) -> Self {
        match kept {
            Kept::Whole { causes, published } => Self { causes, published },
            Kept::Causes(causes) => Self { causes, ..Self::default() },
        }
    }
}
