//! What the outside can see of the home, judged: names that should lead to the edge, records that give the home away, ways
//! in, port mappings. What was seen is an argument.

pub mod doors;
pub mod home;
#[cfg(any(test, feature = "hostile"))]
pub mod hostile;
pub mod leaks;
pub mod masked;
pub mod news;
pub mod reach;

use std::fmt;

use serde::{Deserialize, Serialize};

pub use crate::about::Check;
use crate::address::Family;

/// How a check went.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "lowercase")]
pub enum Grade {
    /// As it should be.
    Good,
    /// A person has to act.
    Amiss,
    /// It could not be seen.
    Unknown,
}

impl fmt::Display for Grade {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.pad(match self {
            Self::Good => "good",
            Self::Amiss => "amiss",
            Self::Unknown => "unknown",
        })
    }
}

/// What one check has found.
#[derive(Clone, Debug, PartialEq, Eq, Serialize)]
pub struct Finding {
    /// The check.
    pub check: Check,
    /// What was checked: a service's name, or a zone's.
    pub about: String,
    /// How it went.
    pub grade: Grade,
    /// What was seen.
    pub seen: String,
    /// What a person can do; may be empty.
    pub todo: String,
    /// Whether a helper got in where it should, family by family, as far as one could tell.
    #[serde(skip)]
    pub reach: Vec<(Family, bool)>,
}

/// For the log: one line.
impl fmt::Display for Finding {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        let Self { check, about, grade, seen, todo, reach: _ } = self;
        write!(f, "{about}: {check} {grade}: {seen}")?;
        if todo.is_empty() { Ok(()) } else { write!(f, "; {todo}") }
    }
}

impl Finding {
    /// Without a word of a helper.
    pub fn new(check: Check, about: &str, grade: Grade, seen: String, todo: &str) -> Self {
        Self { check, about: about.to_owned(), grade, seen, todo: todo.to_owned(), reach: Vec::new() }
    }
}
