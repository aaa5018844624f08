//! How often may be written: a rate for each record, a cap for each provider. Pure; the time is an argument.
//!
//! The rate is the Generic Cell Rate Algorithm in its virtual-scheduling form (ITU-T I.371, annex A):
//! with increment T = `spacing` and tolerance τ = (`burst` − 1) · T, a write at time t conforms
//! if t ≥ TAT − τ, and then TAT becomes max(t, TAT) + T.
//! The cap counts writes in any 24 hours, not by the calendar day: RRsets, or what goes together, by [`Tally`].

use std::collections::BTreeMap;
use std::time::Duration;

use serde::{Deserialize, Serialize};

use crate::clock::Timestamp;
use crate::config::Limits;
use crate::name::DnsName;
use crate::provider::{Change, RecordType, Tally};

const DAY: Duration = Duration::from_secs(24 * 60 * 60);

/// What has been written, as far as the limits need to know it. It survives restarts in the state file.
#[derive(Clone, Debug, Default, PartialEq, Eq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct Ledger {
    /// The theoretical arrival time (TAT) of each record's next write, by [`record_key`].
    tat: BTreeMap<String, Timestamp>,
    /// For each place that is written to, when how many writes were made, oldest first, over the last 24 hours. By the
    /// provider's name where its place is not known.
    writes: BTreeMap<String, Vec<(Timestamp, u32)>>,
    #[serde(skip)]
    places: Places,
}

/// The place that each provider writes to, by [`place`]: the configuration says so anew at each start, and two ledgers that
/// differ in nothing else have the same to keep.
#[derive(Clone, Debug, Default)]
struct Places(BTreeMap<String, String>);

impl PartialEq for Places {
    fn eq(&self, _: &Self) -> bool {
        true
    }
}

impl Eq for Places {}

/// A record's key in the ledger and the state file: `home gauge.heronmill.example A`.
pub fn record_key(provider: &str, name: &DnsName, rtype: RecordType) -> String {
    format!("{provider} {name} {rtype}")
}

/// What `limits.daily` counts by: where is written, and in which zone. It stays when a provider's table gets another name,
/// and two tables with the same place share it.
pub fn place(target: &str, zone: &DnsName) -> String {
    format!("{zone} at {target}")
}

/// Why a write has to wait.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize)]
#[serde(rename_all = "kebab-case")]
pub enum Cause {
    /// The record's own rate: `limits.spacing` and `limits.burst`.
    Spacing,
    /// The provider's cap: `limits.daily`.
    Daily,
}

/// What the gate lets through, and what has to wait until when.
#[derive(Clone, Debug, Default, PartialEq, Eq)]
pub struct Gated {
    /// Changes that may be written now.
    pub allowed: Vec<Change>,
    /// Changes that are put off, with the earliest time at which the cause is over.
    pub put_off: Vec<(Change, Timestamp, Cause)>,
}

impl Ledger {
    /// Takes in where each provider writes. What was entered by a provider's name, by an earlier version or from the log,
    /// counts there from now on.
    pub fn settle(&mut self, places: BTreeMap<String, String>) {
        for (provider, place) in &places {
            if let Some(entered) = self.writes.remove(provider) {
                let there = self.writes.entry(place.clone()).or_default();
                there.extend(entered);
                there.sort_by_key(|(at, _)| *at);
            }
        }
        self.places = Places(places);
    }

    fn place_of<'a>(&'a self, provider: &'a str) -> &'a str {
        self.places.0.get(provider).map_or(provider, String::as_str)
    }

    /// Sorts `changes` into those that conform at `now` and those that do not. Charges nothing.
    pub fn gate(
        &mut self,
        now: Timestamp,
        limits: &Limits,
        provider: &str,
        tally: Tally,
        changes: Vec<Change>,
    ) -> Gated {
        self.mend(now, limits);
        let mut gated = Gated::default();
        let recent = self.recent(now, provider);
        let used: u32 = recent.iter().map(|(_, count)| count).sum();
        let mut left = limits.daily.saturating_sub(used);
        for change in changes {
            let earliest = self.earliest(now, limits, &record_key(provider, &change.name, change.rtype));
            if earliest > now {
                gated.put_off.push((change, earliest, Cause::Spacing));
            } else if left == 0 {
                let until = recent.first().map_or(now, |(at, _)| *at).plus(DAY);
                gated.put_off.push((change, until, Cause::Daily));
            } else {
                left -= u32::from(tally == Tally::Each);
                gated.allowed.push(change);
            }
        }
        gated
    }

    /// Enters the writing of `changes` at `now`. To be made durable before they are sent.
    pub fn charge(&mut self, now: Timestamp, limits: &Limits, provider: &str, tally: Tally, changes: &[Change]) {
        if changes.is_empty() {
            return;
        }
        for change in changes {
            let key = record_key(provider, &change.name, change.rtype);
            let tat = self.tat.get(&key).map_or(now, |tat| now.max(*tat)).plus(limits.spacing);
            self.tat.insert(key, tat);
        }
        // A TAT that has passed says no more than a missing one.
        self.tat.retain(|_, tat| *tat > now);
        let mut recent = self.recent(now, provider);
        let count = match tally {
            Tally::Together => 1,
            Tally::Each => changes.len().try_into().unwrap_or(u32::MAX),
        };
        recent.push((now, count));
        self.writes.insert(self.place_of(provider).to_owned(), recent);
    }

    /// Gives `changes` back the turns that their records had in `before`: nothing was written, and they will be sent
    /// again otherwise. The message stays counted against the cap.
    pub fn refund(&mut self, before: &Self, provider: &str, changes: &[Change]) {
        for change in changes {
            let key = record_key(provider, &change.name, change.rtype);
            match before.tat.get(&key) {
                Some(tat) => self.tat.insert(key, *tat),
                None => self.tat.remove(&key),
            };
        }
    }

    /// Writes that the provider's cap still leaves at `now`.
    pub fn left_today(&self, now: Timestamp, limits: &Limits, provider: &str) -> u32 {
        let used: u32 = self.recent(now, provider).iter().map(|(_, count)| count).sum();
        limits.daily.saturating_sub(used)
    }

    fn earliest(&self, now: Timestamp, limits: &Limits, key: &str) -> Timestamp {
        let tolerance = limits.spacing.saturating_mul(limits.burst.saturating_sub(1));
        self.tat.get(key).map_or(now, |tat| tat.minus(tolerance))
    }

    /// Takes back what cannot be: no honest TAT is further ahead than a full burst, and no write was in the future.
    /// Such entries were made before the clock was set back. Brought to the latest honest time they delay once,
    /// and not until the old time comes round again.
    fn mend(&mut self, now: Timestamp, limits: &Limits) {
        let latest = now.plus(limits.spacing.saturating_mul(limits.burst));
        for tat in self.tat.values_mut() {
            *tat = (*tat).min(latest);
        }
        for (at, _) in self.writes.values_mut().flatten() {
            *at = (*at).min(now);
        }
    }

    fn recent(&self, now: Timestamp, provider: &str) -> Vec<(Timestamp, u32)> {
        let entered = self.writes.get(self.place_of(provider)).map_or(&[][..], Vec::as_slice);
        entered.iter().copied().filter(|(at, _)| now.since(*at) < DAY).collect()
    }
}

#[cfg(test)]
mod tests;
