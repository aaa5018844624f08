//! What is sent when: one desk for each `[[message]]`. Pure; the time is an argument.

use std::collections::{BTreeSet, VecDeque};
use std::fmt;
use std::time::Duration;

use super::alerts::{causes, is_unknown, published};
use crate::clock::{Step, Timestamp};
use crate::record::RecordId;
use crate::settings::{Message, Occasion, Quiet};
use crate::shown;
use crate::state::{Cause, Past};
use crate::status::Status;

/// Letters that may wait, at most; the oldest goes when there are more.
const WAITING: usize = 64;
/// After a failure the wait is this, and twice as long each time.
const FIRST: Duration = Duration::from_secs(30);
/// But no longer than that.
const LAST: Duration = Duration::from_secs(3600);
/// A letter that could not be sent for so long is given up.
const GIVEN_UP: Duration = Duration::from_secs(86_400);
/// With nothing to do, it is looked again after so long.
pub const LONG: Duration = Duration::from_secs(60);

/// One message, to be sent.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Notification {
    /// What it is about; the same for the beginning and the end of one cause.
    pub about: About,
    /// Whether it says that something is over.
    pub over: bool,
    /// The words.
    pub text: String,
    /// When it came up.
    pub time: Timestamp,
    /// For a change, the addresses of the record now.
    pub addresses: Vec<String>,
}

/// What a message is about.
#[derive(Clone, Debug, PartialEq, Eq)]
pub enum About {
    /// Something that lasts until it clears.
    Cause(Cause),
    /// The record has other addresses.
    Change(RecordId),
}

impl About {
    /// What kind of thing that is.
    pub fn occasion(&self) -> Occasion {
        match self {
            Self::Cause(cause) => cause.occasion(),
            Self::Change(_) => Occasion::Changed,
        }
    }
}

/// The key by which whoever is told knows that a beginning and an end belong together.
impl fmt::Display for About {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        match self {
            Self::Cause(cause) => cause.fmt(f),
            Self::Change(record) => write!(f, "{} {record}", Occasion::Changed.word()),
        }
    }
}

impl Notification {
    fn new(about: About, over: bool, text: String, time: Timestamp) -> Self {
        let text = shown::lines(&text).into_owned();
        Self { about, over, text, time, addresses: Vec::new() }
    }

    fn is_about(&self, cause: &Cause) -> bool {
        matches!(&self.about, About::Cause(one) if one == cause)
    }
}

/// What is to be done now.
#[derive(Clone, Debug, PartialEq, Eq)]
pub enum Next {
    /// This letter is to be sent.
    Send(Notification),
    /// Nothing for so long.
    Wait(Duration),
}

/// What is new about a way to a person.
#[derive(Clone, Debug, PartialEq, Eq)]
pub enum Delivery {
    /// Nothing gets through, for this reason.
    Fails(String),
    /// It gets through again.
    Works,
}

/// One way to a person: what was told, and what waits to be.
#[derive(Debug)]
pub struct Outbox {
    kinds: BTreeSet<Occasion>,
    quiet: Option<Quiet>,
    past: Past,
    waiting: VecDeque<Notification>,
    failures: u32,
    not_before: Option<Timestamp>,
    amiss: bool,
}

impl Outbox {
    /// A desk by `message`, with what it told in an earlier life.
    pub fn new(message: &Message, past: Past) -> Self {
        Self {
            kinds: message.events.clone(),
            quiet: message.quiet,
            past,
            waiting: VecDeque::new(),
            failures: 0,
            not_before: None,
            amiss: false,
        }
    }

    /// Takes in that the clock was set.
    pub fn shift(&mut self, step: &Step) {
        self.waiting.iter_mut().for_each(|letter| step.shift(&mut letter.time));
        self.not_before = self.not_before.map(|time| step.along(time));
    }

    /// Takes in what is known now.
    pub fn hear(&mut self, status: &Status, now: Timestamp) {
        let causes = causes(status, now);
        for (cause, text) in &causes {
            let is_new = !self.past.causes.contains(cause)
                && !self.waiting.iter().any(|letter| letter.is_about(cause) && !letter.over);
            if is_new && self.kinds.contains(&cause.occasion()) {
                self.put(Notification::new(About::Cause(cause.clone()), false, text.clone(), now));
            }
        }
        let lasts = |cause: &Cause| causes.contains_key(cause) || is_unknown(status, cause);
        self.waiting.retain(|letter| match &letter.about {
            // What nobody was told of need not be called off, and what is so again is not over.
            About::Cause(cause) => letter.over != lasts(cause),
            About::Change(_) => true,
        });
        let over: Vec<Cause> = self.past.causes.iter().filter(|cause| !lasts(cause)).cloned().collect();
        for cause in over {
            if !self.waiting.iter().any(|letter| letter.is_about(&cause)) {
                let text = format!("over: {}", cause.about());
                self.put(Notification::new(About::Cause(cause), true, text, now));
            }
        }
        self.changed(status, now);
    }

    fn changed(&mut self, status: &Status, now: Timestamp) {
        if !self.kinds.contains(&Occasion::Changed) {
            return;
        }
        let present = published(status);
        let is_configured = |about: &RecordId| status.records.iter().any(|record| record.is(about));
        self.past.published.retain(|about, _| present.contains_key(about) || is_configured(about));
        for (about, addresses) in present {
            let what = About::Change(about.clone());
            let before = self.past.published.entry(about.clone()).or_insert_with(|| addresses.clone());
            let text = format!("{about} is {} now, and was {}", addresses.join(", "), before.join(", "));
            let has_moved = *before != addresses;
            // What waits is overtaken, also by a return.
            let is_said = |letter: &Notification| has_moved && letter.addresses == addresses;
            self.waiting.retain(|letter| letter.about != what || is_said(letter));
            if has_moved && !self.waiting.iter().any(|letter| letter.about == what) {
                self.put(Notification { addresses, ..Notification::new(what, false, text, now) });
            }
        }
    }

    fn put(&mut self, letter: Notification) {
        if self.waiting.len() == WAITING {
            self.waiting.pop_front();
        }
        self.waiting.push_back(letter);
    }

    /// What is to be done now.
    pub fn next(&mut self, now: Timestamp) -> Next {
        self.waiting.retain(|letter| now.since(letter.time) < GIVEN_UP);
        let Some(letter) = self.waiting.front() else { return Next::Wait(LONG) };
        if let Some(wait) = self.quiet.and_then(|quiet| quiet.lasts(now)) {
            return Next::Wait(wait.min(LONG));
        }
        // The clock may have been set back.
        self.not_before = self.not_before.map(|time| time.min(now.plus(LAST)));
        match self.not_before.filter(|time| *time > now) {
            Some(time) => Next::Wait(time.since(now).min(LONG)),
            None => Next::Send(letter.clone()),
        }
    }

    /// Takes in how the sending of `letter` ended.
    pub fn ended(&mut self, letter: &Notification, now: Timestamp, done: bool) {
        if !done {
            let wait = FIRST.saturating_mul(1 << self.failures.min(10)).min(LAST);
            (self.failures, self.not_before) = (self.failures.saturating_add(1), Some(now.plus(wait)));
            // It may be this letter alone that nobody takes.
            if self.waiting.front() == Some(letter) {
                self.waiting.rotate_left(1);
            }
            return;
        }
        (self.failures, self.not_before) = (0, None);
        self.waiting.retain(|waiting| waiting != letter);
        match &letter.about {
            // A change is no state that lasts.
            About::Change(about) => drop(self.past.published.insert(about.clone(), letter.addresses.clone())),
            About::Cause(cause) if letter.over => drop(self.past.causes.remove(cause)),
            About::Cause(cause) => drop(self.past.causes.insert(cause.clone())),
        }
    }

    /// What is known of what it told.
    pub fn past(&self) -> &Past {
        &self.past
    }

    /// What is new about the way, by how the last sending ended: its first failure and its recovery.
    pub fn news(&mut self, failure: Option<String>) -> Option<Delivery> {
        let news = match failure {
            Some(why) if !self.amiss => Some(Delivery::Fails(why)),
            None if self.amiss => Some(Delivery::Works),
            _ => None,
        };
        self.amiss = self.failures > 0;
        news
    }
}

#[cfg(test)]
mod tests;
