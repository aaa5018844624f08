//! Where records live. The [`Provider`] trait is the only thing the rest of the program knows of a DNS host.
//!
//! A provider reads and writes, once, when it is told to. Retrying, back-off, limits, the audit log and
//! the reading-back after a write belong to whoever calls it; a provider does none of these.

pub mod lease_record;
pub mod listing;
pub mod program;
pub mod rest;
pub mod rfc2136;
pub mod zonefile;

use std::collections::{BTreeMap, BTreeSet};
use std::fmt;
use std::future::Future;
use std::pin::Pin;
use std::time::Duration;

use serde::{Deserialize, Serialize};

use crate::name::DnsName;
use crate::record::{RecordType, RrSet};
use listing::ZoneRecord;

/// The longest wait that the other side can ask for: a day. One that asks for more is tried all the same.
pub const LONGEST_ASKED: Duration = Duration::from_secs(86_400);

/// What stands at one name.
#[derive(Clone, Debug, Default, PartialEq, Eq)]
pub struct Standing {
    /// What makes an address record impossible here, if anything does.
    pub obstacle: Option<Obstacle>,
    /// The address RRsets that exist; a missing key is an RRset that does not exist, or is in `unread`.
    pub sets: BTreeMap<RecordType, RrSet>,
    /// The address RRsets that exist and cannot be read, each with the reason and what to do: a clause.
    pub unread: BTreeMap<RecordType, String>,
}

/// Something at or above a name that forbids an address record there.
#[derive(Clone, Debug, PartialEq, Eq)]
pub enum Obstacle {
    /// A CNAME to the given target, written with its final dot, stands here; no other data may
    /// (RFC 1034, section 3.6.2).
    Cname(String),
    /// The name is at or below a zone cut at the given name: the data belongs to another zone (RFC 1034, section 4.2.1).
    Delegated(String),
    /// A DNAME at the given name above it redirects all that is below (RFC 6672, section 2.4).
    Dname(String),
}

impl Obstacle {
    /// A CNAME to what is said to be the name `target`; `None` where that is none, which people would have to read.
    pub fn cname(target: &str) -> Option<Self> {
        let is_plain = target.bytes().all(|b| b.is_ascii_graphic()) && (1..=255).contains(&target.len());
        let target = target.to_ascii_lowercase();
        is_plain.then(|| Self::Cname(if target.ends_with('.') { target } else { target + "." }))
    }
}

/// What a provider answered to a read.
#[derive(Clone, Debug, Default, PartialEq, Eq)]
pub struct Observed {
    /// One entry for every name asked about.
    pub names: BTreeMap<DnsName, Standing>,
    /// The zone's SOA serial (RFC 1982), where there is one.
    pub serial: Option<u32>,
}

/// One RRset to write: it is `before` now, and shall be `after`.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, Deserialize)]
pub struct Change {
    /// The owner name, inside the provider's zone.
    pub name: DnsName,
    /// A or AAAA.
    #[serde(rename = "type")]
    pub rtype: RecordType,
    /// The RRset as it was read; `None` when there was none. A provider writes only if this still holds.
    pub before: Option<RrSet>,
    /// The RRset as it shall be.
    pub after: RrSet,
}

/// What a provider says of a write that succeeded.
#[derive(Clone, Debug, Default, PartialEq, Eq)]
pub struct Applied {
    /// Anything worth keeping in the audit log, such as "serial 2026112501"; may be empty.
    pub detail: String,
}

/// Why a read or a write did not succeed, in the terms the updater acts on.
#[derive(Debug)]
pub struct Fault {
    /// What the updater does about it.
    pub kind: FaultKind,
    /// What happened, in one clause, without a final full stop; never holds a secret.
    pub why: String,
    /// What a person can do, in one clause; may be empty when nothing but waiting helps.
    pub remedy: String,
    /// A write was sent, and nothing proves that it was not taken all the same: what the kind says holds only if what stands
    /// does not say otherwise.
    pub sent: bool,
    /// A refusal that was answered to what was sent: it may concern nothing else, and others are tried before it is taken to
    /// concern them all.
    pub of_one: bool,
    /// It came before a write: not a byte of one has left.
    pub unsent: bool,
    /// The error beneath, if there is one.
    pub source: Option<Box<dyn std::error::Error + Send + Sync>>,
}

/// The classes of fault. Where one says that nothing was written, that is proved unless [`Fault::sent`].
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum FaultKind {
    /// What stands there is not what was read before: nothing was written; read and plan again.
    Conflict,
    /// Nothing was written, and the same may succeed later, at the earliest after the given time.
    Passing {
        /// The wait the other side asked for, if it named one.
        retry_after: Option<Duration>,
    },
    /// A write was sent and its end is not known: only reading can tell.
    InDoubt,
    /// Somebody refused, and nothing proves that it was the other side: it may be whoever is on the way there. Nothing
    /// follows from it. Of a read nothing is known, and how a write ended only reading can tell.
    Unproven,
    /// Nothing was written, and nothing will be until a person acts.
    Refused,
}

impl Fault {
    /// A fault of `kind`; see the fields for the two texts.
    pub fn new(kind: FaultKind, why: impl Into<String>, remedy: impl Into<String>) -> Self {
        Self { kind, why: why.into(), remedy: remedy.into(), sent: false, of_one: false, unsent: false, source: None }
    }

    /// A passing fault without a named wait.
    pub fn passing(why: impl Into<String>, remedy: impl Into<String>) -> Self {
        Self::new(FaultKind::Passing { retry_after: None }, why, remedy)
    }

    /// A permanent refusal.
    pub fn refused(why: impl Into<String>, remedy: impl Into<String>) -> Self {
        Self::new(FaultKind::Refused, why, remedy)
    }

    /// A refusal that nothing proves.
    pub fn unproven(why: impl Into<String>, remedy: impl Into<String>) -> Self {
        Self::new(FaultKind::Unproven, why, remedy)
    }

    /// The fault, said of a write that was sent, by somebody whose word proves nothing.
    pub fn after_sending(self) -> Self {
        Self { sent: true, ..self }
    }

    /// The fault, met before anything of a write was sent.
    pub fn before_sending(self) -> Self {
        Self { unsent: true, ..self }
    }

    /// The fault, answered to what was sent, and perhaps of concern to that alone.
    pub fn of_what_was_sent(self) -> Self {
        Self { of_one: true, ..self }
    }

    /// The fault with the error beneath it.
    pub fn caused_by(mut self, source: impl std::error::Error + Send + Sync + 'static) -> Self {
        self.source = Some(Box::new(source));
        self
    }
}

impl fmt::Display for Fault {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.write_str(&self.why)?;
        if let Some(source) = &self.source {
            write!(f, ": {source}")?;
        }
        if !self.remedy.is_empty() {
            write!(f, "; {}", self.remedy)?;
        }
        Ok(())
    }
}

impl std::error::Error for Fault {
    fn source(&self) -> Option<&(dyn std::error::Error + 'static)> {
        self.source.as_deref().map(|source| source as _)
    }
}

/// The future of a provider's answer.
pub type Pending<'a, T> = Pin<Box<dyn Future<Output = Result<T, Fault>> + Send + 'a>>;

/// How the changes of one write count against the cap on a provider's writes.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Tally {
    /// As one: the other side takes them together.
    Together,
    /// Each for itself: the other side is asked for each.
    Each,
}

/// How long the end of a write may stay open, and why.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Grace {
    /// The other side itself compares before it writes, and shows what it took. Only the end of a write whose answer
    /// was lost is open: for so long it may still arrive. It may be sent again at any time, since it is taken once at
    /// most.
    Arrival(Duration),
    /// Nobody but this program compares. For so long what is shown may lag behind what was taken, and what is sent again may
    /// stand there twice.
    Visibility(Duration),
}

/// A place where records live.
///
/// An implementation bounds its own time; the caller may also drop a future at any await, as a crash would.
pub trait Provider: Send + Sync {
    /// Reads what stands at `names`, with an entry for each of them. Writes nothing.
    fn read<'a>(&'a self, names: &'a BTreeSet<DnsName>) -> Pending<'a, Observed>;

    /// Reads what stands at `names` as of one moment, where that can be had: what was read of several names at several
    /// moments may have stood there at none, and must not decide how a write of them ended.
    fn read_together<'a>(&'a self, names: &'a BTreeSet<DnsName>) -> Pending<'a, Observed> {
        self.read(names)
    }

    /// Writes all of `changes` or none of them, and only if each `before` still holds ([`FaultKind::Conflict`] otherwise).
    /// An error of any kind but [`FaultKind::InDoubt`] and [`FaultKind::Unproven`] promises that nothing was written, unless
    /// it is [`Fault::sent`].
    fn apply<'a>(&'a self, changes: &'a [Change]) -> Pending<'a, Applied>;

    /// Everything that stands in the zone. Writes nothing. Not every kind can; what it says of it is shown to people.
    fn list(&self) -> Pending<'_, Vec<ZoneRecord>> {
        Box::pin(async { Err(Fault::refused("this kind of provider does not list its zone", "")) })
    }

    /// Where a lease can be kept: `None` where nothing but this program would compare before it writes.
    fn compare_and_swap(&self) -> Option<&dyn CompareAndSwap> {
        None
    }

    /// Told once, before the first read, when an earlier process may have died in the middle of a write here.
    fn resume(&self) {}

    /// Asks whether anything at all may be written, and writes nothing: after a refusal of several changes, this tells
    /// one that concerns them all from one that concerns a name. `None` where that cannot be asked: then every refusal
    /// concerns them all, but one that is [`Fault::of_one`] as long as not all are refused. Who can be asked also shows
    /// at once what it took.
    fn permits(&self) -> Option<Pending<'_, ()>> {
        None
    }

    /// How long the end of a write may stay open here.
    fn grace(&self) -> Grace {
        Grace::Arrival(Duration::ZERO)
    }

    /// How its writes count against `limits.daily`.
    fn tally(&self) -> Tally {
        Tally::Each
    }

    /// Where this provider writes, for people: a server, or a file.
    fn target(&self) -> String;

    /// How `count` changes would be sent, for people: "2 changes in 1 signed update to ns1.heronmill.example".
    fn means(&self, count: usize) -> String;
}

/// The TXT records at a name, each as its character-strings (RFC 1035, section 3.3.14).
pub type Texts = Vec<Vec<Vec<u8>>>;

/// A text that has to stand for a write to be made.
#[derive(Clone, Copy, Debug)]
pub struct Fence<'a> {
    /// Where.
    pub name: &'a DnsName,
    /// The one TXT record there, of one character-string.
    pub text: &'a str,
}

/// A provider whose server itself compares before it writes, so that two writers can take turns by a text there.
pub trait CompareAndSwap: Send + Sync {
    /// The TXT records at `name`. Writes nothing.
    fn read_text<'a>(&'a self, name: &'a DnsName) -> Pending<'a, Texts>;

    /// Puts `after` in the place of `before`, if exactly that stands at `name` ([`FaultKind::Conflict`] otherwise);
    /// `None` is no TXT record.
    fn swap_text<'a>(&'a self, name: &'a DnsName, before: Option<&'a str>, after: Option<&'a str>) -> Pending<'a, ()>;

    /// As [`Provider::apply`], but every message of it is refused by the server unless the fence's text stands.
    fn apply_under<'a>(&'a self, changes: &'a [Change], fence: Fence<'a>) -> Pending<'a, Applied>;
}
