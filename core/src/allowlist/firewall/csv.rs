//! A router's rules as a table: comma-separated values (RFC 4180) with a header row. Pure.
//!
//! Rows are read from above, the first that fits holds, and what fits none is kept out (common practice, no source).

use std::net::IpAddr;

use csv::{ReaderBuilder, StringRecord, Trim};

use super::{Doubt, LetIn, Way};
use crate::address::set::AddressSet;
use crate::allowlist::source::range;
use crate::settings::Columns;
use crate::text::excerpt;

/// Words for everybody, and for every port (common practice, no source).
const ANY: [&str; 4] = ["", "*", "any", "all"];
/// Words of an action (common practice, no source).
const LETS_IN: [&str; 6] = ["allow", "accept", "permit", "pass", "yes", "enabled"];
const KEEPS_OUT: [&str; 7] = ["deny", "drop", "block", "reject", "discard", "no", "disabled"];

/// Why a text is no such table.
#[derive(Clone, Debug, PartialEq, Eq, thiserror::Error)]
pub enum NotATable {
    /// Not CSV in UTF-8.
    #[error("it cannot be read as a table: {0}")]
    Broken(String),
    /// A column is missing.
    #[error("it has no column {name:?}, only {}; correct `columns`", there.join(", "))]
    NoColumn {
        /// The column.
        name: String,
        /// The columns that it has.
        there: Vec<String>,
    },
    /// A column's name is there twice.
    #[error("it has the column {0:?} twice: which one is meant?")]
    Twice(String),
}

enum Action {
    LetIn,
    KeepOut,
}

/// Whom the table lets in to `port`.
///
/// # Errors
/// [`NotATable`].
pub fn let_in(text: &[u8], columns: &Columns, port: u16) -> Result<LetIn, NotATable> {
    let text = text.strip_prefix(b"\xef\xbb\xbf").unwrap_or(text);
    let broken = |error: csv::Error| NotATable::Broken(error.to_string());
    let mut reader = ReaderBuilder::new().trim(Trim::All).delimiter(delimiter(text)).from_reader(text);
    let header = reader.headers().map_err(broken)?.clone();
    let source = column(&header, &columns.source)?;
    let ports = columns.port.as_ref().map(|name| column(&header, name)).transpose()?;
    let action = columns.action.as_ref().map(|name| column(&header, name)).transpose()?;

    let mut let_in = LetIn::default();
    let everybody = AddressSet::from_iter(["0.0.0.0/0", "::/0"].iter().filter_map(|all| range(all)));
    // Those whom no row has decided about yet, and those of them whom one that was not understood may have kept out.
    let (mut rest, mut shaky) = (everybody.clone(), AddressSet::default());
    // The header is row 1.
    for (row, number) in reader.records().zip(2..) {
        let row = row.map_err(broken)?;
        let cell = |at: usize| row.get(at).unwrap_or_default();
        let mut why = Vec::new();
        match ports.map(|at| has_port(cell(at), port)) {
            Some(Some(false)) => continue,
            Some(None) => why.push(format!("the port {}", excerpt(cell(ports.unwrap_or_default()).as_bytes()))),
            Some(Some(true)) | None => {}
        }
        let who = sources(cell(source)).unwrap_or_else(|| {
            why.push(format!("the source {}", excerpt(cell(source).as_bytes())));
            everybody.clone()
        });
        let done = match action.map(|at| cell(at).to_ascii_lowercase()) {
            None => Some(Action::LetIn),
            Some(word) if LETS_IN.contains(&word.as_str()) => Some(Action::LetIn),
            Some(word) if KEEPS_OUT.contains(&word.as_str()) => Some(Action::KeepOut),
            Some(word) => {
                why.push(format!("the action {}", excerpt(word.as_bytes())));
                None
            }
        };
        let by = format!("row {number}");
        let part = rest.intersection(&who);
        let doubt = |set, why: String| LetIn { doubts: vec![Doubt { set, by: by.clone(), why }], ..LetIn::default() };
        match done {
            done if !why.is_empty() => {
                if matches!(done, Some(Action::KeepOut)) {
                    shaky = shaky.union(&part);
                } else {
                    shaky = if done.is_none() { shaky.union(&part) } else { shaky };
                    let_in.join(doubt(part, why.join(", ")));
                }
            }
            Some(Action::LetIn) => {
                let (surely, perhaps) = (part.difference(&shaky), part.intersection(&shaky));
                let ways = vec![Way { set: surely, by: by.clone() }];
                let_in.join(LetIn { ways, ..LetIn::default() });
                let_in.join(doubt(perhaps, "a row above it is not understood".to_owned()));
                rest = rest.difference(&part);
            }
            Some(Action::KeepOut) | None => rest = rest.difference(&part),
        }
    }
    let_in.ways.retain(|way| !way.set.is_empty());
    let_in.doubts.retain(|doubt| !doubt.set.is_empty());
    Ok(let_in)
}

/// Some export with semicolons, or tabs: what the header has more of.
fn delimiter(text: &[u8]) -> u8 {
    let header = text.split(|b| *b == b'\n').next().unwrap_or_default();
    let count = |delimiter: u8| header.iter().filter(|b| **b == delimiter).count();
    // Of several that are as frequent the last wins: the comma.
    [b'\t', b';', b','].into_iter().max_by_key(|delimiter| count(*delimiter)).unwrap_or(b',')
}

fn column(header: &StringRecord, name: &str) -> Result<usize, NotATable> {
    let mut found = header.iter().enumerate().filter(|(_, column)| column.eq_ignore_ascii_case(name)).map(|(at, _)| at);
    match (found.next(), found.next()) {
        (Some(at), None) => Ok(at),
        (Some(_), Some(_)) => Err(NotATable::Twice(name.to_owned())),
        (None, _) => {
            let there = header.iter().take(20).map(|column| format!("{:?}", excerpt(column.as_bytes()))).collect();
            Err(NotATable::NoColumn { name: name.to_owned(), there })
        }
    }
}

fn parts(text: &str) -> impl Iterator<Item = &str> {
    text.split([',', ';', ' ', '\n', '\t', '|']).filter(|part| !part.is_empty())
}

fn is_any(text: &str) -> bool {
    ANY.contains(&text.to_ascii_lowercase().as_str())
}

/// One range or several, `from-to` among them; `None` when it is something else.
fn sources(text: &str) -> Option<AddressSet> {
    if is_any(text) {
        return Some(AddressSet::from_iter(["0.0.0.0/0", "::/0"].iter().filter_map(|all| range(all))));
    }
    parts(text).try_fold(AddressSet::default(), |sum, part| {
        let one = match part.split_once('-') {
            Some((low, high)) => {
                let (low, high) = (low.parse::<IpAddr>().ok()?, high.parse::<IpAddr>().ok()?);
                Some(AddressSet::from((low, high))).filter(|set| !set.is_empty())?
            }
            None => AddressSet::from_iter([range(part)?]),
        };
        Some(sum.union(&one))
    })
}

/// Whether `port` is among one port or several, `from-to` and `from:to` among them; `None` when it is something else.
fn has_port(text: &str, port: u16) -> Option<bool> {
    if is_any(text) {
        return Some(true);
    }
    parts(text).try_fold(false, |so, part| {
        let (low, high) = part.split_once(['-', ':']).unwrap_or((part, part));
        let (low, high) = (low.parse::<u16>().ok()?, high.parse::<u16>().ok()?);
        Some(so | (low..=high).contains(&port))
    })
}

#[cfg(test)]
mod tests;
