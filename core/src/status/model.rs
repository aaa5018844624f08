//! What is known, as plain values. `config/status.schema.json` describes its JSON. Pure.
//!
//! Times are milliseconds since 1970-01-01 in UTC; a time that is not known is null.

use std::collections::BTreeMap;

use serde::{Deserialize, Serialize};

use crate::about::{self, Connection, by_word};
use crate::address::Family;
use crate::clock::Timestamp;
use crate::exposure::Grade;
use crate::name::DnsName;
use crate::record::{RecordId, RecordType};
use crate::settings::Via;
use crate::watch::vote::Outcome;

/// All that the daemon knows.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
pub struct Status {
    /// The program's version.
    pub version: String,
    /// Whether a daemon runs and says this; else it is what it left behind.
    pub running: bool,
    /// When this was true.
    pub time: Timestamp,
    /// When the daemon was started.
    pub started: Option<Timestamp>,
    /// The sentence that says it all.
    pub sentence: String,
    /// What needs a person, or cannot be told: a line each, the gravest first. Empty when there is nothing.
    pub needs: Vec<String>,
    /// Rounds since the start.
    pub rounds: u64,
    /// When the next round is due.
    pub next_round: Option<Timestamp>,
    /// The records, in the order of the configuration.
    pub records: Vec<Record>,
    /// Where the home is, line by line and family by family.
    pub homes: Vec<Home>,
    /// Who said what in the last rounds.
    pub witnesses: Vec<Witness>,
    /// What is amiss with the connection or the witnesses.
    pub findings: Vec<Amiss>,
    /// The providers.
    pub providers: Vec<Provider>,
    /// The edges and their ranges.
    pub edges: Vec<Edge>,
    /// What the outside can see, check by check.
    pub exposure: Vec<Check>,
    /// When that was looked at.
    pub exposed: Option<Timestamp>,
    /// Where the home has been.
    pub stays: Vec<Stay>,
    /// The audit log.
    pub log: Log,
    /// Why the last reload was not taken, if it was not.
    pub reload_refused: Option<String>,
    /// What was counted since the start.
    pub totals: Totals,
}

/// The state of a record, in one word.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum State {
    /// Published as desired.
    InStep,
    /// Written as desired, and not yet served by every server of the zone.
    Spreading,
    /// It has not been looked at yet, or is not any more.
    Unknown,
    /// Not published as desired yet.
    Adrift,
    /// Held back: the home could not be reached there.
    HeldBack,
    /// Another daemon has the lease, and writes.
    Standby,
    /// Not before a person acts.
    Blocked,
}

impl State {
    /// All of them.
    pub const ALL: [Self; 7] =
        [Self::InStep, Self::Spreading, Self::Unknown, Self::Adrift, Self::HeldBack, Self::Standby, Self::Blocked];

    /// The word for people.
    pub fn word(self) -> &'static str {
        match self {
            Self::InStep => "in step",
            Self::Spreading => "spreading",
            Self::Unknown => "unknown",
            Self::Adrift => "adrift",
            Self::HeldBack => "held back",
            Self::Standby => "standby",
            Self::Blocked => "blocked",
        }
    }
}

/// One record.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
pub struct Record {
    /// Its name.
    pub name: DnsName,
    /// Its type.
    #[serde(rename = "type")]
    pub rtype: RecordType,
    /// Its provider.
    pub provider: String,
    /// In one word.
    pub state: State,
    /// The address that it shall have.
    pub wanted: Option<String>,
    /// The addresses that the provider has, or had when it was last seen.
    pub at_provider: Vec<String>,
    /// The servers of the zone that do not serve it yet, and how.
    pub behind: Vec<String>,
    /// More words about its state; may be empty.
    pub note: String,
}

impl Record {
    /// Which it is.
    pub fn id(&self) -> RecordId {
        RecordId { name: self.name.clone(), rtype: self.rtype }
    }

    /// Whether it is this one.
    pub fn is(&self, id: &RecordId) -> bool {
        (&self.name, self.rtype) == (&id.name, id.rtype)
    }
}

/// Where the home is, over one line and family.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
pub struct Home {
    /// The line; null when there is only one.
    pub line: Option<String>,
    /// `ipv4` or `ipv6`.
    pub family: Family,
    /// The address that is acted on.
    pub settled: Option<String>,
    /// Since when.
    pub since: Option<Timestamp>,
    /// How the newest vote ended.
    pub outcome: Vote,
    /// The address of the newest ruling, if there is one.
    pub address: Option<String>,
    /// The operators for it.
    pub agreed: Vec<String>,
    /// The operators that said something else, and what.
    pub dissent: Vec<Said>,
    /// The operators that said nothing, and why.
    pub silent: Vec<Said>,
    /// How many operators are configured.
    pub operators: usize,
    /// How many must agree.
    pub needed: usize,
    /// When a ruling was last reached.
    pub last_ruling: Option<Timestamp>,
}

/// How a vote ended, in one word.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum Vote {
    /// There is a ruling.
    Agreed,
    /// The operators differ.
    Split,
    /// Too few of them said anything.
    TooFew,
    /// Nobody is asked.
    NoneAsked,
}

impl Vote {
    /// How it ended by `outcome`.
    pub fn of(outcome: &Outcome) -> Self {
        match outcome {
            Outcome::Agreed(_) => Self::Agreed,
            Outcome::Split => Self::Split,
            Outcome::TooFew => Self::TooFew,
            Outcome::NoneAsked => Self::NoneAsked,
        }
    }

    /// The word for it, as in JSON.
    pub fn word(self) -> &'static str {
        match self {
            Self::Agreed => "agreed",
            Self::Split => "split",
            Self::TooFew => "too-few",
            Self::NoneAsked => "none-asked",
        }
    }
}

impl Home {
    /// The line and family.
    pub fn via(&self) -> Via {
        Via { line: self.line.clone(), family: self.family }
    }
}

/// What an operator said.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
pub struct Said {
    /// The operator.
    pub operator: String,
    /// Its words.
    pub what: String,
}

/// What became of one witness's word in one round.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum Mark {
    /// It said what the operators agreed on.
    Agreed,
    /// It said something else.
    Dissented,
    /// It said something, and the operators did not agree.
    Undecided,
    /// It said nothing.
    Silent,
    /// It was not asked.
    Unasked,
}

/// One witness over one line and family.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
pub struct Witness {
    /// Its name.
    pub name: String,
    /// Who runs it.
    pub operator: String,
    /// The line; null when there is only one.
    pub line: Option<String>,
    /// `ipv4` or `ipv6`.
    pub family: Family,
    /// The last rounds, oldest first.
    pub marks: Vec<Mark>,
    /// Of the rounds in which it was asked, how many in a hundred it agreed in; null before it was asked.
    pub agreed_percent: Option<u8>,
    /// The median time of its answers, in milliseconds.
    pub took_ms: Option<u64>,
    /// What it said last.
    pub said: String,
}

/// Something that is amiss.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
pub struct Amiss {
    /// The line; null when there is only one.
    pub line: Option<String>,
    /// What it is, in the audit log's words: the same as long as it lasts.
    pub key: Connection,
    /// What is amiss, and what to do.
    pub text: String,
    /// Since when.
    pub since: Option<Timestamp>,
}

/// A provider.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
pub struct Provider {
    /// Its name.
    pub name: String,
    /// When it was last read.
    pub last_read: Option<Timestamp>,
    /// When it was last written to.
    pub last_write: Option<Timestamp>,
    /// What went wrong, if anything did.
    pub trouble: Option<String>,
    /// Since when writes to it are suspended; null when they are not.
    pub held_since: Option<Timestamp>,
    /// Since when whoever answers for it refuses, without proving who it is; null when nobody does.
    pub refused_since: Option<Timestamp>,
    /// Whether another daemon has the lease, and writes.
    pub standing_by: bool,
    /// Writes that its daily limit still leaves.
    pub left_today: u32,
    /// The daily limit.
    pub daily: u32,
    /// When a write that was put off may be made.
    pub put_off_until: Option<Timestamp>,
    /// How the last write spread over the servers of its zones.
    pub spread: Option<Spread>,
}

/// How a write spread.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
pub struct Spread {
    /// When all of them served it.
    pub time: Timestamp,
    /// The servers, with the milliseconds after which each was found to serve it.
    pub servers: Vec<(String, u64)>,
}

/// An edge and its ranges.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
pub struct Edge {
    /// Its name.
    pub name: String,
    /// The version that is in force; null before the first.
    pub number: Option<u64>,
    /// Since when.
    pub since: Option<Timestamp>,
    /// How many ranges say it.
    pub ranges: usize,
    /// When its lists were last fetched and believed.
    pub last_fetch: Option<Timestamp>,
    /// Why the newest lists are not in force, if they are not.
    pub trouble: Option<String>,
}

/// What one look at the outside has found.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
pub struct Check {
    /// What is looked at.
    #[serde(with = "by_word")]
    pub check: about::Check,
    /// What was looked at: a service's name, or a zone's.
    pub about: String,
    /// `good`, `amiss` or `unknown`.
    pub grade: Grade,
    /// What was seen.
    pub seen: String,
    /// What a person can do; may be empty.
    pub todo: String,
    /// Since when it is amiss.
    pub since: Option<Timestamp>,
}

/// A stay at an address, or a time without a ruling.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
pub struct Stay {
    /// The line; null when there is only one.
    pub line: Option<String>,
    /// `ipv4` or `ipv6`.
    pub family: Family,
    /// The address; null for a time without a ruling.
    pub address: Option<String>,
    /// From when.
    pub from: Timestamp,
    /// Until when; null when it goes on.
    pub to: Option<Timestamp>,
}

impl Witness {
    /// The line and family.
    pub fn via(&self) -> Via {
        Via { line: self.line.clone(), family: self.family }
    }
}

impl Stay {
    /// The line and family.
    pub fn via(&self) -> Via {
        Via { line: self.line.clone(), family: self.family }
    }
}

/// The audit log.
#[derive(Clone, Debug, Default, PartialEq, Serialize, Deserialize)]
pub struct Log {
    /// How many entries it has had.
    pub entries: u64,
    /// Where its chain does not hold, as it was found when the daemon was started; null when it held.
    pub flaw: Option<String>,
    /// The newest entries, newest first.
    pub last: Vec<Line>,
}

/// One entry of the audit log.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
pub struct Line {
    /// Its number.
    pub seq: u64,
    /// When it was written.
    pub time: Timestamp,
    /// What it says.
    pub text: String,
}

/// What was counted since the start; the keys are the words of the states.
#[derive(Clone, Debug, Default, PartialEq, Eq, Serialize, Deserialize)]
pub struct Totals {
    /// Votes, by line and family and by how they ended.
    pub rulings: BTreeMap<String, BTreeMap<String, u64>>,
    /// Testimonies, by witness, and by what became of them.
    pub testimonies: BTreeMap<String, BTreeMap<String, u64>>,
    /// Writes, by provider and by how they ended.
    pub writes: BTreeMap<String, BTreeMap<String, u64>>,
}
