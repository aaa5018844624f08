//! Who is told of what, and how.

use std::collections::BTreeSet;
use std::time::Duration;

use http::Method;
use http::header::HeaderMap;
use serde::Serialize;

use crate::clock::Timestamp;
use crate::provider::rest::body::Body;
use crate::secret::Secret;

/// One `[[message]]`.
#[derive(Clone, Debug)]
pub struct Message {
    /// Its name, unique.
    pub name: String,
    /// What it tells of.
    pub events: BTreeSet<Occasion>,
    /// When nothing is sent.
    pub quiet: Option<Quiet>,
    /// How long one sending may take.
    pub timeout: Duration,
    /// The way.
    pub way: Way,
}

/// How somebody is told.
#[derive(Clone, Debug)]
pub enum Way {
    /// A request.
    Webhook(Webhook),
    /// A program that sends mail.
    Mail {
        /// The program and its arguments; never empty. It reads the mail with its headers.
        command: Vec<String>,
        /// To whom.
        to: String,
        /// From whom.
        from: String,
    },
    /// A program that reads JSON.
    Program {
        /// The program and its arguments; never empty.
        command: Vec<String>,
    },
}

/// A request that tells somebody.
#[derive(Clone, Debug)]
pub struct Webhook {
    /// Whole; it may hold the secret.
    pub url: Secret,
    /// Scheme, host and port: for people.
    pub origin: String,
    /// The method.
    pub method: Method,
    /// Its headers; they may hold the secret, and do not show it.
    pub headers: HeaderMap,
    /// Its body.
    pub body: Body,
}

/// What a message is about.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord, Serialize)]
#[serde(rename_all = "kebab-case")]
pub enum Occasion {
    /// A record has another address.
    Changed,
    /// A record is blocked, or held back.
    Blocked,
    /// Writes to a provider are suspended.
    Hold,
    /// There has been no ruling for an hour.
    NoRuling,
    /// Something is amiss with the connection, the ranges, or what the outside can see.
    Finding,
}

impl Occasion {
    /// With the words of the configuration.
    pub const ALL: [(&'static str, Self); 5] = [
        ("changed", Self::Changed),
        ("blocked", Self::Blocked),
        ("hold", Self::Hold),
        ("no-ruling", Self::NoRuling),
        ("finding", Self::Finding),
    ];

    /// The word.
    pub fn word(self) -> &'static str {
        Self::ALL.iter().find(|(_, kind)| *kind == self).map_or("", |(word, _)| word)
    }
}

/// Hours of the day in which nothing is sent: minutes since midnight in UTC, from and until.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Quiet {
    /// From then.
    pub from: u32,
    /// Until then, perhaps on the next day.
    pub until: u32,
}

const MINUTES: u32 = 24 * 60;

impl Quiet {
    /// How long it stays quiet at `now`; `None` when it is not.
    pub fn lasts(self, now: Timestamp) -> Option<Duration> {
        let day = Duration::from_secs(86_400).as_millis();
        let spent = Duration::from_millis((u128::from(now.millis()) % day).try_into().unwrap_or_default());
        let minute = u32::try_from(spent.as_secs() / 60).unwrap_or_default();
        let since = (minute + MINUTES - self.from) % MINUTES;
        let span = (self.until + MINUTES - self.from) % MINUTES;
        (since < span).then(|| {
            let begun =
                Duration::from_secs(u64::from(since) * 60) + (spent - Duration::from_secs(u64::from(minute) * 60));
            Duration::from_secs(u64::from(span) * 60) - begun
        })
    }
}
