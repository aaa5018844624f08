//! What is wrong with a configuration, in words a person can act on.

use std::fmt;
use std::io;
use std::path::PathBuf;

use serde::Serialize;

/// One thing that is wrong, or doubtful, and the way out.
///
/// Its `Display` is one line: `fingerpost.toml:12: witness[1].operater: unknown key; did you mean `operator`?`
#[derive(Clone, Debug, Default, PartialEq, Eq, Serialize)]
pub struct Problem {
    /// Where it stands: the file as it was named, the environment variable, or the option.
    pub file: String,
    /// The line in the file, counted from 1, where there is one.
    pub line: Option<usize>,
    /// The key, from the root: `witness[1].operator`, counted from 0; empty when it is about the whole.
    pub key: String,
    /// What is wrong; never holds a secret or the value of an environment variable.
    pub what: String,
    /// What to do; may be empty.
    pub remedy: String,
}

impl fmt::Display for Problem {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.write_str(&self.file)?;
        if let Some(line) = self.line {
            write!(f, ":{line}")?;
        }
        if !self.key.is_empty() {
            write!(f, ": {}", self.key)?;
        }
        write!(f, ": {}", self.what)?;
        if !self.remedy.is_empty() {
            write!(f, "; {}", self.remedy)?;
        }
        Ok(())
    }
}

/// Why there is no configuration.
#[derive(Debug, thiserror::Error)]
pub enum ConfigError {
    /// The file cannot be read.
    #[error("{}: cannot be read: {source}; {}", file.display(), way_out(source))]
    Unreadable {
        /// The file.
        file: PathBuf,
        /// What the system said.
        source: io::Error,
    },
    /// The file was read and does not hold; every problem that was found, one line each.
    #[error("{}", lines(.0))]
    Invalid(Vec<Problem>),
}

impl ConfigError {
    /// What is wrong, problem by problem.
    pub fn problems(self) -> Vec<Problem> {
        match self {
            Self::Invalid(problems) => problems,
            Self::Unreadable { file, source } => vec![Problem {
                file: file.display().to_string(),
                line: None,
                key: String::new(),
                what: format!("cannot be read: {source}"),
                remedy: way_out(&source).to_owned(),
            }],
        }
    }
}

fn way_out(error: &io::Error) -> &'static str {
    match error.kind() {
        io::ErrorKind::NotFound => "write it with `fingerpost config new`, or name another with --config",
        io::ErrorKind::PermissionDenied => "let the user that runs fingerpost read it, or name another with --config",
        _ => "name another file with --config",
    }
}

fn lines(problems: &[Problem]) -> String {
    problems.iter().map(Problem::to_string).collect::<Vec<_>>().join("\n")
}

/// What to do about a table that is missing, of which `table` is an example; for whoever needs it.
pub(crate) fn add(table: &str) -> String {
    format!("add it, such as\n  {table}\n`man fingerpost.toml` explains the table")
}
