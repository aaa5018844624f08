//! Whose turn it is to write, and what to do next about it. Pure: times are arguments, counted from any one moment of
//! this machine's own clock.
//!
//! No clock is shared. Who stands by watches the claim; when it has not changed for the whole lease that it names, it
//! may be swapped for one's own. The holder counts its lease from the moment at which it *sent* the renewal, which is
//! before anybody can have seen it: so by clocks that run alike its own lease is over first. What makes it exact is not
//! this, but that the server compares and swaps.

use std::fmt;
use std::time::Duration;

use crate::clock::{self, Timestamp};
use crate::provider::lease_record::{LeaseRecord, Nonce, Unreadable};

/// A moment, as the time since some start.
type Moment = Duration;

/// Who takes part.
#[derive(Clone, Debug)]
pub struct Me {
    /// The machine's name, for people.
    pub holder: String,
    /// This process.
    pub nonce: Nonce,
    /// How long a claim of ours holds.
    pub lease: Duration,
}

/// What to do next.
#[derive(Clone, Debug, PartialEq, Eq)]
pub enum Step {
    /// Read what stands.
    Look,
    /// Put `after` in the place of `before`, if exactly that stands there; `None` is no record.
    Swap {
        /// What has to stand there.
        before: Option<LeaseRecord>,
        /// What shall.
        after: Option<LeaseRecord>,
    },
    /// Nothing, until then; `None` for as long as nothing is told.
    Wait(Option<Moment>),
}

/// How a swap ended.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Swapped {
    /// It stands.
    Done,
    /// Something else stood there.
    Conflict,
    /// Nobody knows.
    InDoubt,
    /// Nothing was written.
    Failed,
}

/// Something about the lease that a person may want to know.
#[derive(Clone, Debug, PartialEq, Eq)]
pub enum News {
    /// The lease is ours from now on.
    Taken {
        /// Who let it lapse; `None` when nobody had it.
        from: Option<String>,
    },
    /// It was ours, and is no more.
    Lost {
        /// Who has it; `None` when the record is gone, or is no lease.
        to: Option<String>,
    },
    /// It was ours, and was given back.
    Released,
    /// Another one has it.
    StandingBy {
        /// Who.
        holder: String,
        /// Since when, by their clock.
        since: Timestamp,
    },
}

/// For people.
impl fmt::Display for News {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        match self {
            Self::Taken { from: None } => f.write_str("the lease is ours, and so is the writing"),
            Self::Taken { from: Some(from) } => {
                write!(f, "{from} let the lease lapse; it is ours now, and so is the writing")
            }
            Self::Lost { to: None } => f.write_str("the lease is ours no more, and nothing is written"),
            Self::Lost { to: Some(to) } => write!(f, "{to} has the lease now; this daemon stands by"),
            Self::Released => f.write_str("the lease is given back"),
            Self::StandingBy { holder, since } => {
                write!(f, "{holder} has had the lease since {since}; this daemon stands by")
            }
        }
    }
}

/// What is known of what stands at the lease's name.
#[derive(Clone, Debug, PartialEq, Eq)]
enum Ground {
    /// Nothing that can be acted on. A claim of ours may still stand, and then holds as long as it did.
    Unknown { was: Option<Mine> },
    /// No record.
    Free,
    /// Our claim.
    Mine(Mine),
    /// Another one's claim, seen first at `since`.
    Theirs { claim: LeaseRecord, since: Moment, look_at: Moment },
    /// Something that is no lease.
    Foreign { why: Unreadable, look_at: Moment },
}

#[derive(Clone, Debug, PartialEq, Eq)]
struct Mine {
    claim: LeaseRecord,
    /// When it is renewed.
    renew: Moment,
    /// How long it can be relied on.
    until: Moment,
}

impl Mine {
    fn sent(claim: LeaseRecord, at: Moment) -> Self {
        Self { renew: at + claim.lease / 3, until: at + claim.lease, claim }
    }
}

/// What one process knows of one lease.
#[derive(Clone, Debug)]
pub struct Turn {
    me: Me,
    ground: Ground,
    /// The highest count of ours that may ever have been sent.
    count: u64,
    /// When the lease was taken, by the wall clock.
    taken: Timestamp,
    /// The newest swap of whose end nothing is known.
    tried: Option<Mine>,
    /// From whom it is being taken.
    from: Option<String>,
    /// Swaps in a row that met something else.
    conflicts: u32,
    /// Swaps in a row of whose end nothing was heard.
    doubts: u32,
    /// No step before this.
    not_before: Moment,
    /// Nothing is to be held: what we have is given back, and nothing is taken.
    resting: bool,
    /// Whether it was told that the lease is ours.
    told_mine: bool,
    /// Whose claim it was told to be.
    told_theirs: Option<Nonce>,
    news: Vec<News>,
}

impl Turn {
    /// Before anything is known.
    pub fn new(me: Me) -> Self {
        Self {
            me,
            ground: Ground::Unknown { was: None },
            count: 0,
            taken: Timestamp::default(),
            tried: None,
            from: None,
            conflicts: 0,
            doubts: 0,
            not_before: Moment::ZERO,
            resting: false,
            told_mine: false,
            told_theirs: None,
            news: Vec::new(),
        }
    }

    /// What to do at `now`; `wall` dates a claim, for people.
    pub fn next(&self, now: Moment, wall: Timestamp) -> Step {
        if self.resting {
            return match &self.ground {
                Ground::Mine(mine) => Step::Swap { before: Some(mine.claim.clone()), after: None },
                _ => Step::Wait(None),
            };
        }
        if now < self.not_before {
            return Step::Wait(Some(self.not_before));
        }
        match &self.ground {
            Ground::Unknown { .. } => Step::Look,
            Ground::Free => Step::Swap { before: None, after: Some(self.claim(wall)) },
            Ground::Mine(mine) => {
                if now < mine.renew {
                    return Step::Wait(Some(mine.renew));
                }
                Step::Swap { before: Some(mine.claim.clone()), after: Some(self.claim(self.taken)) }
            }
            Ground::Theirs { claim, since, look_at } => {
                let lapses = *since + claim.lease;
                if now >= lapses {
                    Step::Swap { before: Some(claim.clone()), after: Some(self.claim(wall)) }
                } else if now >= *look_at {
                    Step::Look
                } else {
                    Step::Wait(Some(lapses.min(*look_at)))
                }
            }
            Ground::Foreign { look_at, .. } if now >= *look_at => Step::Look,
            Ground::Foreign { look_at, .. } => Step::Wait(Some(*look_at)),
        }
    }

    fn claim(&self, since: Timestamp) -> LeaseRecord {
        let Me { holder, nonce, lease } = &self.me;
        // As it is read back.
        let since = Timestamp::from_millis(since.millis() / 1000 * 1000);
        LeaseRecord { holder: holder.clone(), nonce: *nonce, count: self.count + 1, lease: *lease, since }
    }

    /// A look that ended at `now` saw `found`.
    pub fn looked(&mut self, now: Moment, found: Result<Option<LeaseRecord>, Unreadable>) {
        let ground = std::mem::replace(&mut self.ground, Ground::Unknown { was: None });
        self.ground = match found {
            Ok(None) => Ground::Free,
            Ok(Some(claim)) if claim.nonce == self.me.nonce => {
                self.count = self.count.max(claim.count);
                if self.tried.as_ref().is_some_and(|tried| tried.claim == claim) {
                    // It came through after all.
                    self.doubts = 0;
                }
                let known = [self.tried.take(), was(ground)].into_iter().flatten().find(|known| known.claim == claim);
                self.taken = claim.since;
                // From before a reload, or a delayed swap that arrived after all: nobody knows how old it is.
                Ground::Mine(known.unwrap_or(Mine { claim, renew: now, until: now }))
            }
            Ok(Some(claim)) => {
                (self.conflicts, self.doubts) = (0, 0);
                let look_at = now + claim.lease / 3;
                match ground {
                    Ground::Theirs { claim: before, since, .. } if before == claim => {
                        Ground::Theirs { claim, since, look_at }
                    }
                    _ => Ground::Theirs { claim, since: now, look_at },
                }
            }
            Err(why) => Ground::Foreign { why, look_at: now + self.me.lease / 3 },
        };
        self.tell();
    }

    /// A look or a swap came to nothing, at `now`.
    pub fn failed(&mut self, now: Moment) {
        self.not_before = now + self.me.lease / 6;
    }

    /// It was refused, at `now`, and hardly anything but a person changes that.
    pub fn refused(&mut self, now: Moment) {
        self.not_before = now + self.me.lease;
    }

    /// A swap to `after` was sent at `sent`, and its end is known at `now`.
    pub fn swapped(&mut self, sent: Moment, now: Moment, after: Option<LeaseRecord>, end: Swapped) {
        let Some(claim) = after else {
            // A release is tried once: what is not released lapses.
            self.ground = Ground::Unknown { was: None };
            if end == Swapped::Done {
                self.tried = None;
                self.told_mine = false;
                self.news.push(News::Released);
            }
            return;
        };
        if let Ground::Theirs { claim, .. } = &self.ground {
            self.from = Some(claim.holder.clone());
        }
        if end != Swapped::Failed {
            self.count = self.count.max(claim.count);
        }
        match end {
            Swapped::Done => {
                (self.taken, self.tried) = (claim.since, None);
                (self.conflicts, self.doubts) = (0, 0);
                self.ground = Ground::Mine(Mine::sent(claim, sent));
                self.tell();
            }
            Swapped::Conflict => {
                self.conflicts += 1;
                if self.conflicts > 2 {
                    // Something in the way that a look does not show.
                    self.failed(now);
                }
                self.ground = Ground::Unknown { was: None };
            }
            Swapped::InDoubt => {
                self.tried = Some(Mine::sent(claim, sent));
                self.doubts += 1;
                if self.doubts > 1 {
                    // A look that answers is no sign that the next swap will be.
                    self.failed(now);
                }
                match std::mem::replace(&mut self.ground, Ground::Unknown { was: None }) {
                    // Trying again is as good as looking: if the first swap was made, the second is refused.
                    theirs @ Ground::Theirs { .. } => {
                        self.ground = theirs;
                        self.failed(now);
                    }
                    other => self.ground = Ground::Unknown { was: was(other) },
                }
            }
            // Whoever swapped knows why.
            Swapped::Failed => {}
        }
    }

    /// Our claim may not stand any more: a write under it was refused.
    pub fn doubt(&mut self) {
        if let Ground::Mine(mine) = &self.ground {
            self.ground = Ground::Unknown { was: Some(mine.clone()) };
        }
    }

    /// The clock was set: the next renewal says so.
    pub fn shift(&mut self, step: &clock::Step) {
        // A claim has whole seconds, and may so seem to be from just before the start.
        if self.taken.plus(Duration::from_secs(1)) > step.began && self.taken <= step.was {
            self.taken = step.along(self.taken);
        }
    }

    /// To hold nothing, or to take part again. True when that is a change.
    pub fn rest(&mut self, resting: bool) -> bool {
        let changes = self.resting != resting;
        if changes && !resting {
            self.ground = Ground::Unknown { was: None };
            self.not_before = Moment::ZERO;
        }
        self.resting = resting;
        changes
    }

    /// Whether nothing is to be held.
    pub fn is_resting(&self) -> bool {
        self.resting
    }

    /// Our claim, while it can be relied on at `now`.
    pub fn held(&self, now: Moment) -> Option<&LeaseRecord> {
        match &self.ground {
            Ground::Mine(mine) if !self.resting && now < mine.until => Some(&mine.claim),
            _ => None,
        }
    }

    /// Another one's claim, if that is what stands.
    pub fn theirs(&self) -> Option<&LeaseRecord> {
        match &self.ground {
            Ground::Theirs { claim, .. } => Some(claim),
            _ => None,
        }
    }

    /// What is in the lease's place, if that is no lease.
    pub fn foreign(&self) -> Option<&Unreadable> {
        match &self.ground {
            Ground::Foreign { why, .. } => Some(why),
            _ => None,
        }
    }

    /// What is new since this was last asked.
    pub fn news(&mut self) -> Vec<News> {
        std::mem::take(&mut self.news)
    }

    /// Whether something is new since [`Self::news`] was last asked.
    pub fn has_news(&self) -> bool {
        !self.news.is_empty()
    }

    /// Whether a claim of ours may stand that is not known to be another's by now.
    pub fn may_stand(&self) -> bool {
        self.told_mine || self.tried.is_some()
    }

    /// Notes what is new about who has the lease.
    fn tell(&mut self) {
        let (mine, theirs) = match &self.ground {
            Ground::Unknown { .. } => return,
            Ground::Mine(_) => (true, None),
            Ground::Theirs { claim, .. } => (false, Some(claim)),
            Ground::Free | Ground::Foreign { .. } => (false, None),
        };
        if self.told_mine && !mine {
            self.news.push(News::Lost { to: theirs.map(|claim| claim.holder.clone()) });
        } else if mine && !self.told_mine {
            self.news.push(News::Taken { from: self.from.take() });
        }
        if let Some(claim) = theirs.filter(|claim| self.told_theirs != Some(claim.nonce)) {
            self.news.push(News::StandingBy { holder: claim.holder.clone(), since: claim.since });
        }
        (self.told_mine, self.told_theirs) = (mine, theirs.map(|claim| claim.nonce));
    }
}

fn was(ground: Ground) -> Option<Mine> {
    match ground {
        Ground::Mine(mine) | Ground::Unknown { was: Some(mine) } => Some(mine),
        _ => None,
    }
}

#[cfg(test)]
mod tests;
