//! Everything that stands in a zone, as far as it can lead to an address. Pure.
//!
//! `forms` has one table of the forms of RDATA; `wire` reads it in a message, `words` in a master file's line.

pub(super) mod forms;
pub(super) mod wire;
pub(super) mod words;

use std::borrow::Cow;
use std::net::IpAddr;

use ipnet::IpNet;

/// Bytes of memory that the records of a zone may take, and those of all zones that are looked through together: some
/// hundred thousand records. Looking through them takes as much again, all well within the unit's `MemoryMax`.
pub const ROOM: usize = 24 << 20;

/// One record of a zone.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct ZoneRecord {
    /// Its owner: lower case, without the final dot, octets other than letters, digits, `-`, `_` and `*` escaped.
    pub name: String,
    /// Its type, as master files have it.
    pub rtype: Cow<'static, str>,
    /// What in its data can lead to an address, in its order.
    pub data: Vec<Part>,
}

impl ZoneRecord {
    /// The bytes that it takes, about: its place in a list that may have grown to twice its length, and what it owns.
    pub fn weight(&self) -> usize {
        /// What the allocator adds to a piece.
        const PIECE: usize = 16;
        let text = |text: &String| text.capacity() + PIECE;
        let owned = |part: &Part| match part {
            Part::Address(_) | Part::Range(_) | Part::Hint(_) => 0,
            Part::Name(one) | Part::Mailbox(one) | Part::Text(one) => text(one),
            Part::Strings(all) => PIECE + all.iter().map(|one| size_of::<String>() + text(one)).sum::<usize>(),
        };
        let data = self.data.capacity() * size_of::<Part>() + PIECE + self.data.iter().map(owned).sum::<usize>();
        2 * size_of::<Self>() + text(&self.name) + data
    }
}

/// A part of the data of a record.
#[derive(Clone, Debug, PartialEq, Eq)]
pub enum Part {
    /// An address: that of A and AAAA, and every other that is no hint.
    Address(IpAddr),
    /// A range of them: APL (RFC 3123) and L64 (RFC 6742).
    Range(IpNet),
    /// A hint of SVCB and HTTPS (RFC 9460, section 7.3).
    Hint(IpAddr),
    /// A name, in the form of the owner's.
    Name(String),
    /// A mailbox written as a name, as in SOA: a host only where one has that very name.
    Mailbox(String),
    /// Text.
    Text(String),
    /// Text in several strings: what they say may be meant joined, and may be meant one by one.
    Strings(Vec<String>),
}

impl Part {
    /// Text in `strings`, as many as there are.
    fn strings(mut strings: Vec<String>) -> Self {
        match strings.pop() {
            Some(only) if strings.is_empty() => Self::Text(only),
            Some(last) => {
                strings.push(last);
                Self::Strings(strings)
            }
            None => Self::Text(String::new()),
        }
    }
}
