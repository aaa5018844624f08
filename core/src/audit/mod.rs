//! The audit log: what was done, when, and on whose word; written before the act, and checkable by anyone.
//!
//! Here are the events; [`chain`] turns them into linked lines.

pub mod chain;
pub mod propagation;
pub mod words;

use std::net::IpAddr;

use ipnet::IpNet;
use serde::{Deserialize, Serialize};

use crate::about::About;
use crate::address::Family;
use crate::audit::propagation::{Behind, Serving};
use crate::clock::{Step, Timestamp};
use crate::provider::Change;

/// One thing worth remembering.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, Deserialize)]
#[serde(tag = "event", rename_all = "kebab-case")]
pub enum Event {
    /// A new address of the home won enough rounds to be acted on.
    Settled {
        /// Its line; absent when there is only one.
        #[serde(default, skip_serializing_if = "Option::is_none")]
        line: Option<String>,
        /// Its family.
        family: Family,
        /// The address settled before, if any.
        from: Option<IpAddr>,
        /// The address settled now.
        to: IpAddr,
        /// On whose word.
        word: Word,
    },
    /// There was no ruling for a while, and now there is one again.
    Outage {
        /// Its line; absent when there is only one.
        #[serde(default, skip_serializing_if = "Option::is_none")]
        line: Option<String>,
        /// Its family.
        family: Family,
        /// Since when.
        since: Timestamp,
        /// How the votes ended meanwhile, as it was at first.
        why: String,
    },
    /// Changes are about to be sent. Durable before they are.
    Intent {
        /// The provider's name.
        provider: String,
        /// Where it writes.
        target: String,
        /// What is to be written.
        changes: Vec<Change>,
        /// On whose word, for each family concerned.
        word: Vec<Word>,
    },
    /// How an intent ended.
    Outcome {
        /// The `seq` of the intent.
        intent: u64,
        /// The provider's name.
        provider: String,
        /// How it ended.
        result: Ending,
        /// Anything more that is known; may be empty.
        detail: String,
    },
    /// Writes to a provider are suspended after a permanent refusal.
    Hold {
        /// The provider's name.
        provider: String,
        /// What the refusal said.
        why: String,
    },
    /// A hold ended.
    Release {
        /// The provider's name.
        provider: String,
        /// What ended it.
        why: String,
    },
    /// Every server of the zone serves what an intent wrote.
    Spread {
        /// The `seq` of the intent.
        intent: u64,
        /// The provider's name.
        provider: String,
        /// How many of its records were waited for; the others were written again meanwhile.
        records: u64,
        /// Milliseconds from the reading-back until the last server was found to serve it.
        took_ms: u64,
        /// The servers, the quickest first.
        servers: Vec<Serving>,
    },
    /// It is no longer waited for that every server serves what an intent wrote.
    Unspread {
        /// The `seq` of the intent.
        intent: u64,
        /// The provider's name.
        provider: String,
        /// How many of its records were waited for.
        records: u64,
        /// How many milliseconds were waited.
        took_ms: u64,
        /// The servers that serve it, the quickest first.
        servers: Vec<Serving>,
        /// The servers that do not.
        missing: Vec<Behind>,
        /// Why it is given up.
        why: String,
    },
    /// Something is amiss with the connection or the witnesses, from now on.
    Found {
        /// The line; absent when there is only one.
        #[serde(default, skip_serializing_if = "Option::is_none")]
        line: Option<String>,
        /// What it is about, always in the same words.
        about: About,
        /// What is amiss, and what to do.
        text: String,
    },
    /// Something is amiss no more.
    Gone {
        /// The line; absent when there is only one.
        #[serde(default, skip_serializing_if = "Option::is_none")]
        line: Option<String>,
        /// What it was about.
        about: About,
    },
    /// The lease that lets one of two daemons write has changed hands.
    Lease {
        /// The provider's name.
        provider: String,
        /// What became of it.
        what: Hands,
        /// Who had it before, or has it now, if that is known.
        #[serde(default, skip_serializing_if = "Option::is_none")]
        other: Option<String>,
    },
    /// The ranges of an edge that may get in have changed. The state directory keeps every version in full.
    Ranges {
        /// The edge's name.
        edge: String,
        /// The version from now on.
        number: u64,
        /// The first of the ranges that came.
        came: Vec<IpNet>,
        /// How many addresses came, in decimal: there may be more than a number of JSON holds exactly.
        came_addresses: String,
        /// The first of the ranges that went.
        went: Vec<IpNet>,
        /// How many addresses went.
        went_addresses: String,
        /// The SHA-256 of all that are in force from now on, one a line, each with its newline, in lower-case hexadecimal:
        /// what is read from the state directory is held against it.
        #[serde(default, skip_serializing_if = "Option::is_none")]
        digest: Option<String>,
    },
    /// The clock was set: what this process dated is later or earlier than it was, and its entries up to here too.
    Clock(Step),
    /// The end of the log was unreadable after a crash and was put into a file of its own.
    SetAside {
        /// That file's name, beside the log.
        file: String,
        /// How many bytes it holds.
        bytes: u64,
        /// The older such files that go, so that there are not ever more of them.
        #[serde(default, skip_serializing_if = "Vec::is_empty")]
        removed: Vec<String>,
    },
}

/// The names of the events, as the log has them.
pub const EVENTS: [&str; 14] = [
    "settled",
    "outage",
    "intent",
    "outcome",
    "hold",
    "release",
    "spread",
    "unspread",
    "found",
    "gone",
    "lease",
    "ranges",
    "clock",
    "set-aside",
];

/// What became of a lease, as this daemon saw it.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum Hands {
    /// It is ours from now on.
    Taken,
    /// It was ours, and is no more.
    Lost,
    /// It was ours, and was given back.
    Released,
}

/// On whose word an address was taken.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, Deserialize)]
pub struct Word {
    /// The address.
    pub address: IpAddr,
    /// The operators that said so.
    pub agreed: Vec<String>,
    /// The operators that said otherwise.
    pub dissent: Vec<String>,
    /// The operators that said nothing.
    pub silent: Vec<String>,
}

/// How an intent ended.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum Ending {
    /// What was intended stands.
    Done,
    /// Somebody else changed the record meanwhile; nothing was written.
    Conflict,
    /// Nothing was written, for a passing reason.
    Failed,
    /// Nothing was written, and a person has to act.
    Refused,
    /// What stands is neither what was before nor what was intended: somebody else wrote since.
    Overtaken,
    /// Nobody could find out for too long.
    Unknown,
}

impl Ending {
    /// The word for it, as in the log.
    pub fn word(self) -> &'static str {
        match self {
            Self::Done => "done",
            Self::Conflict => "conflict",
            Self::Failed => "failed",
            Self::Refused => "refused",
            Self::Overtaken => "overtaken",
            Self::Unknown => "unknown",
        }
    }
}

#[cfg(test)]
mod tests;

/// An intent whose end is not known yet.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct OpenIntent {
    /// When it was entered.
    pub time: Timestamp,
    /// The provider's name.
    pub provider: String,
    /// What was to be written.
    pub changes: Vec<Change>,
}
