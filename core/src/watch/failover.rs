//! Which line a record follows, when a home has several. Pure; the time is an argument, on a clock that nobody sets.
//!
//! A record follows the first of its lines that works. It leaves one that has had no ruling for as many rounds as would
//! settle an address, and returns to a preferred one only after that has worked for a while without interruption:
//! a line that comes and goes must not take the name along each time. A line of which nothing is known yet, or at which a
//! new address is in sight, is waited for: no lesser one is taken before it has failed.
//!
//! What each record follows, which lines are down, and since when the others work survives a restart: who calls `sync` now
//! and then must see a record return, too. Between two processes only a clock that anybody may set goes on. Set back, it
//! lets the wait begin anew; set on, it ends it, which takes the record to no line but one that works.

use std::collections::{BTreeMap, BTreeSet};
use std::time::Duration;

use serde::{Deserialize, Deserializer, Serialize};

use super::Via;
use super::settle::Heard;
use crate::address::Family;
use crate::clock::Timestamp;
use crate::name::DnsName;

/// By how much what is kept of a time may be off before it is written anew: a clock is set by less all day long.
const DRIFT: Duration = Duration::from_secs(60);

/// Who follows a line: the record of a name and family at a provider. In the state file
/// `home gauge.heronmill.example IPv4`.
#[derive(Clone, Debug, PartialEq, Eq, PartialOrd, Ord, Serialize)]
#[serde(into = "String")]
pub struct Follower {
    /// The provider's name.
    pub provider: String,
    /// The record's name.
    pub name: DnsName,
    /// Its family.
    pub family: Family,
}

impl Follower {
    /// The one that is written exactly like this.
    fn by_text(text: &str) -> Option<Self> {
        let (provider, rest) = text.split_once(' ')?;
        let (name, family) = rest.split_once(' ')?;
        Some(Self { provider: provider.to_owned(), name: DnsName::by_text(name)?, family: Family::by_word(family)? })
    }
}

impl From<Follower> for String {
    fn from(Follower { provider, name, family }: Follower) -> Self {
        format!("{provider} {name} {family}")
    }
}

/// The entries of `from` whose key is a [`Follower`].
fn known<'de, D: Deserializer<'de>>(from: D) -> Result<BTreeMap<Follower, Option<String>>, D::Error> {
    let all = BTreeMap::<String, Option<String>>::deserialize(from)?;
    Ok(all.into_iter().filter_map(|(text, line)| Some((Follower::by_text(&text)?, line))).collect())
}

/// What is known of each line, and which one each record follows.
#[derive(Clone, Debug, Default, PartialEq, Eq)]
pub(crate) struct Failover {
    lines: BTreeMap<Via, Health>,
    follows: BTreeMap<Follower, Option<String>>,
}

/// What of it survives a restart.
#[derive(Clone, Debug, Default, PartialEq, Eq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct Kept {
    /// The line that each record follows. What another version calls otherwise is forgotten, like what is not configured any
    /// more.
    #[serde(deserialize_with = "known")]
    pub follows: BTreeMap<Follower, Option<String>>,
    /// The lines that are down.
    pub down: BTreeSet<Via>,
    /// Since when the others work.
    #[serde(default)]
    pub works: BTreeMap<Via, Timestamp>,
    /// How many rounds those that are not down have missed.
    #[serde(default)]
    pub missed: BTreeMap<Via, u32>,
}

#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
struct Health {
    /// Since when it has worked; `None` while it does not.
    since: Option<Duration>,
    /// How long it had worked before that, in an earlier process.
    before: Duration,
    /// Rounds without a settled ruling since it last worked.
    missed: u32,
    /// It has had no ruling for as many rounds as make it one.
    is_down: bool,
    /// An address has come in sight since it last worked.
    was_in_sight: bool,
}

/// What one round showed of a line.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Seen {
    /// It has a settled ruling that may be published.
    Works,
    /// Another address has won so many rounds in a row, and may settle.
    InSight(u32),
    /// It has none.
    Missed,
}

impl Health {
    /// How long it has worked; `None` while it does not, or the newest round did not show it.
    fn worked(&self, now: Duration) -> Option<Duration> {
        let since = self.since.filter(|_| self.missed == 0 && !self.was_in_sight)?;
        Some(now.saturating_sub(since).saturating_add(self.before))
    }
}

impl Seen {
    /// By what settling heard, and whether the address may be published.
    pub fn of(heard: &Heard, may_be_published: bool) -> Self {
        match heard {
            _ if !may_be_published => Self::Missed,
            Heard::Unchanged | Heard::Settled { .. } => Self::Works,
            Heard::InSight { won, .. } => Self::InSight(*won),
            Heard::NoRuling => Self::Missed,
        }
    }
}

impl Failover {
    /// Goes on from what was kept; `wall` is the time at the moment that all others are told since.
    pub(crate) fn recall(kept: &Kept, wall: Timestamp) -> Self {
        let mut lines: BTreeMap<Via, Health> = BTreeMap::new();
        for (via, since) in &kept.works {
            let (since, before) = (Some(Duration::ZERO), wall.since(*since));
            lines.insert(via.clone(), Health { since, before, ..Health::default() });
        }
        for (via, missed) in &kept.missed {
            lines.entry(via.clone()).or_default().missed = *missed;
        }
        for via in &kept.down {
            lines.insert(via.clone(), Health { is_down: true, ..Health::default() });
        }
        Self { lines, follows: kept.follows.clone() }
    }

    /// What is to be kept at `wall`, where `last` was kept last: nothing for a home whose only line has no name.
    pub(crate) fn kept(&self, now: Duration, wall: Timestamp, last: &Kept) -> Kept {
        let named = || self.lines.iter().filter(|(via, _)| via.line.is_some());
        let down = named().filter(|(_, health)| health.is_down).map(|(via, _)| via.clone());
        let works = named().filter_map(|(via, health)| {
            let since = wall.minus(now.saturating_sub(health.since?).saturating_add(health.before));
            let is_near = |last: &&Timestamp| last.since(since).max(since.since(**last)) < DRIFT;
            Some((via.clone(), last.works.get(via).filter(is_near).copied().unwrap_or(since)))
        });
        let missed = named().filter(|(_, health)| health.missed > 0 && !health.is_down);
        let follows = self.follows.iter().filter(|(_, line)| line.is_some());
        Kept {
            follows: follows.map(|(key, line)| (key.clone(), line.clone())).collect(),
            down: down.collect(),
            works: works.collect(),
            missed: missed.map(|(via, health)| (via.clone(), health.missed)).collect(),
        }
    }

    /// Forgets lines and records that are not configured any more.
    pub(crate) fn keep_only(&mut self, line: impl Fn(&Via) -> bool, record: impl Fn(&Follower) -> bool) {
        self.lines.retain(|via, _| line(via));
        self.follows.retain(|key, _| record(key));
    }

    /// Takes in one round. `rounds` without a ruling, and the line is down; one address in sight is no miss, but one after
    /// another that never settles is. `now` is the time since any moment that stays the same.
    pub(crate) fn hear(&mut self, via: &Via, seen: Seen, rounds: u32, now: Duration) {
        let health = self.lines.entry(via.clone()).or_default();
        let is_miss = match seen {
            Seen::Works => {
                let (since, before) = (health.since.or(Some(now)), health.before);
                *health = Health { since, before, ..Health::default() };
                return;
            }
            Seen::InSight(won) => won <= 1 && std::mem::replace(&mut health.was_in_sight, true),
            Seen::Missed => true,
        };
        health.missed = health.missed.saturating_add(is_miss.into());
        if health.missed >= rounds {
            (health.since, health.before, health.is_down) = (None, Duration::ZERO, true);
        }
    }

    /// Whether a line has missed rounds, but not yet as many as show that it is down: of more rounds one would know.
    pub(crate) fn is_open(&self) -> bool {
        self.lines.iter().any(|(via, health)| via.line.is_some() && health.missed > 0 && !health.is_down)
    }

    /// The line of `preferred` that the records `key` follow from now on; `None` when none works.
    ///
    /// It stays where it is while that works, until a line it prefers has worked for `return_after`.
    pub(crate) fn follow<'a>(
        &mut self,
        key: &Follower,
        preferred: &'a [Option<String>],
        now: Duration,
        return_after: Duration,
    ) -> Option<&'a Option<String>> {
        // One that was never heard of is not asked about in this family: there is nothing to wait for.
        let health = |line: &Option<String>| {
            self.lines.get(&Via { line: line.clone(), family: key.family }).filter(|health| !health.is_down)
        };
        let present = self.follows.get(key).filter(|line| health(line).is_some() && preferred.contains(line));
        let chosen = preferred.iter().find(|line| match (health(line), present) {
            (None, _) => false,
            (Some(_), None) => true,
            (Some(health), Some(present)) => {
                *line == present || health.worked(now).is_some_and(|worked| worked >= return_after)
            }
        })?;
        if self.follows.get(key) != Some(chosen) {
            self.follows.insert(key.clone(), chosen.clone());
        }
        Some(chosen)
    }
}

#[cfg(test)]
mod tests;
