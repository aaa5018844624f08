//! From the bytes of a published list to address ranges. Pure.
//!
//! What is only untidy is put right with a note; what cannot be a list of ranges is refused whole: half of a list taken
//! for all of it would lock the other half out.

use std::collections::BTreeSet;
use std::net::IpAddr;

use ipnet::IpNet;
use serde_json::Value;

use crate::address::{self, set::AddressSet};
use crate::settings::ListForm;
use crate::text::excerpt;
use crate::watch::extract::is_page;

/// The longest list that is read, in bytes: some fifty thousand ranges.
pub const LIMIT: usize = 1 << 20;

/// How many cases of one untidiness are told one by one.
const TOLD: usize = 3;

/// What a list holds.
#[derive(Clone, Debug, Default, PartialEq, Eq)]
pub struct Listed {
    /// Its addresses.
    pub set: AddressSet,
    /// What was put right, a clause each.
    pub notes: Vec<String>,
}

/// Why a list is refused. Each is a clause about the list.
#[derive(Clone, Debug, PartialEq, Eq, thiserror::Error)]
pub enum Unreadable {
    /// A log-in page, an error page.
    #[error("it is a page for a browser, not a list: something stands in the way, or the URL is wrong")]
    Page,
    /// Longer than [`LIMIT`].
    #[error("it is longer than {LIMIT} bytes")]
    TooLong,
    /// Not UTF-8.
    #[error("it is not UTF-8 text")]
    NotText,
    /// A line that is no range.
    #[error("line {line} is not an address range: {said}")]
    Line {
        /// The line, from 1.
        line: usize,
        /// What stands there.
        said: String,
    },
    /// Not JSON.
    #[error("it is not JSON: {0}")]
    NotJson(String),
    /// Nothing stands at a pointer of `lists`.
    #[error("it has nothing at {0:?}: correct `lists`")]
    NoList(String),
    /// What stands there is no list.
    #[error("what it has at {0:?} is not a list: correct `lists`")]
    NotAList(String),
    /// An entry of a list without a range.
    #[error("entry {at} of the list at {list:?} has no address range: {said}; correct `item`")]
    Entry {
        /// The list's pointer.
        list: String,
        /// The entry, from 0.
        at: usize,
        /// What stands there.
        said: String,
    },
    /// No range at all.
    #[error("it is empty")]
    Empty,
}

/// Reads a list in `form`. `content_type` is what the server calls it, if a server was asked.
///
/// # Errors
/// [`Unreadable`], which says what stands there instead.
pub fn read(form: &ListForm, content_type: Option<&str>, bytes: &[u8]) -> Result<Listed, Unreadable> {
    if is_page(content_type, bytes) {
        return Err(Unreadable::Page);
    }
    if bytes.len() > LIMIT {
        return Err(Unreadable::TooLong);
    }
    let text = str::from_utf8(bytes).map_err(|_| Unreadable::NotText)?;
    // A byte order mark says nothing in UTF-8 (RFC 3629, section 6).
    let text = text.strip_prefix('\u{feff}').unwrap_or(text);
    if text.trim().is_empty() {
        return Err(Unreadable::Empty);
    }
    let mut tally = Tally::default();
    match form {
        ListForm::Lines => lines(text, &mut tally)?,
        ListForm::Json { lists, item } => json(text, lists, item, &mut tally)?,
    }
    tally.listed()
}

fn lines(text: &str, tally: &mut Tally) -> Result<(), Unreadable> {
    // `lines` takes CRLF as the end of a line too.
    for (at, line) in text.lines().enumerate() {
        let range = line.split(['#', ';']).next().unwrap_or_default().trim_ascii();
        if !range.is_empty() && !tally.add(range) {
            return Err(Unreadable::Line { line: at + 1, said: excerpt(range.as_bytes()) });
        }
    }
    Ok(())
}

fn json(text: &str, lists: &[String], item: &str, tally: &mut Tally) -> Result<(), Unreadable> {
    let whole: Value = serde_json::from_str(text).map_err(|error| Unreadable::NotJson(error.to_string()))?;
    for list in lists {
        let entries = whole.pointer(list).ok_or_else(|| Unreadable::NoList(list.clone()))?;
        let entries = entries.as_array().ok_or_else(|| Unreadable::NotAList(list.clone()))?;
        for (at, entry) in entries.iter().enumerate() {
            let range = entry.pointer(item).and_then(Value::as_str);
            if !range.is_some_and(|range| tally.add(range.trim_ascii())) {
                let said = excerpt(entry.to_string().as_bytes());
                return Err(Unreadable::Entry { list: list.clone(), at, said });
            }
        }
    }
    Ok(())
}

/// A range, or one address.
pub fn range(text: &str) -> Option<IpNet> {
    address::range(text).or_else(|| text.parse::<IpAddr>().ok().map(IpNet::from))
}

/// What has been read so far.
#[derive(Default)]
struct Tally {
    ranges: Vec<IpNet>,
    seen: BTreeSet<IpNet>,
    repeated: usize,
    /// What had bits set behind its prefix, and what it was taken for.
    corrected: Vec<(IpNet, IpNet)>,
}

impl Tally {
    /// Takes one range in. A bare address is a range of one. False when it is neither.
    fn add(&mut self, text: &str) -> bool {
        let Some(net) = range(text) else { return false };
        let taken = net.trunc();
        if taken != net {
            self.corrected.push((net, taken));
        }
        if !self.seen.insert(taken) {
            self.repeated += 1;
        }
        self.ranges.push(taken);
        true
    }

    fn listed(self) -> Result<Listed, Unreadable> {
        if self.ranges.is_empty() {
            return Err(Unreadable::Empty);
        }
        let mut notes: Vec<String> = self
            .corrected
            .iter()
            .take(TOLD)
            .map(|(written, taken)| format!("{written} has bits set behind its prefix: taken for {taken}"))
            .collect();
        match self.corrected.len().saturating_sub(TOLD) {
            0 => {}
            more => notes.push(format!("and {more} more ranges with bits set behind their prefix")),
        }
        match self.repeated {
            0 => {}
            1 => notes.push("1 range is listed twice".to_owned()),
            more => notes.push(format!("{more} ranges are listed more than once")),
        }
        Ok(Listed { set: self.ranges.into_iter().collect(), notes })
    }
}

#[cfg(test)]
mod tests;
