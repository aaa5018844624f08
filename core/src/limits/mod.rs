//! How often may be written: a rate for each record, a cap for each provider. Pure; the time is an argument.
//!
//! The rate is the Generic Cell Rate Algorithm in its virtual-scheduling form (ITU-T I.371, annex A):
//! with increment T = `spacing` and tolerance τ = (`burst` − 1) · T, a write at time t conforms
//! if t ≥ TAT − τ, and then TAT becomes max(t, TAT) + T.
//!
//! The cap counts writes in any 24 hours, not by the calendar day: RRsets, or what goes together, by [`Tally`]. Each of
//! the n records of a place has a share of it, floor(`daily` / n) and at least 1. A record may write while it has spent
//! less than its share; beyond that, while the writes of all and what the others have left of their shares are together
//! fewer than `daily`. So whatever one record spends, what the others need is there: where n ≤ `daily`, the sum over the
//! records of the greater of share and spent never exceeds `daily`. Where n is greater not everybody can have a share, and
//! no more than half of `daily` is kept for those that have not written. What goes together is charged to one record, the
//! one in it that has spent the least.

use std::collections::{BTreeMap, BTreeSet};
use std::sync::Arc;
use std::time::Duration;

use serde::{Deserialize, Serialize};

use crate::clock::{Step, Timestamp};
use crate::name::DnsName;
use crate::provider::{Change, Tally};
use crate::record::{RecordId, RecordType};
use crate::settings::Limits;

mod day;
mod key;

use day::Day;
use key::Account;
pub use key::{Place, RecordKey, place, record_key};

const DAY: Duration = Duration::from_secs(24 * 60 * 60);

/// What has been written, as far as the limits need to know it. It survives restarts in the state file.
#[derive(Clone, Debug, Default, PartialEq, Eq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct Ledger {
    /// The theoretical arrival time (TAT) of each record's next write, by [`record_key`].
    tat: BTreeMap<RecordKey, Timestamp>,
    /// For each place that is written to, the writes of the last 24 hours, oldest first. By the provider's name where its
    /// place is not known.
    writes: BTreeMap<Account, Vec<Entry>>,
    #[serde(skip)]
    places: Arc<Places>,
}

/// Writes at one time.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, Deserialize)]
#[serde(from = "Written", into = "Written")]
struct Entry {
    at: Timestamp,
    count: u32,
    /// Whose share they are charged to. Earlier versions did not say; what another version says and this one cannot read is
    /// nobody's here.
    record: Option<RecordId>,
}

/// An entry in the state file: `[1795000000000, 1, "gauge.heronmill.example A"]`.
#[derive(Serialize, Deserialize)]
#[serde(untagged)]
enum Written {
    By(Timestamp, u32, String),
    Unsaid(Timestamp, u32),
}

impl From<Written> for Entry {
    fn from(written: Written) -> Self {
        match written {
            Written::By(at, count, record) => Self { at, count, record: RecordId::by_text(&record) },
            Written::Unsaid(at, count) => Self { at, count, record: None },
        }
    }
}

impl From<Entry> for Written {
    fn from(Entry { at, count, record }: Entry) -> Self {
        match record {
            Some(record) => Self::By(at, count, record.into()),
            None => Self::Unsaid(at, count),
        }
    }
}

/// Where a provider writes, and what.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Site {
    /// Where.
    pub place: Place,
    /// The records that are configured there.
    pub records: BTreeSet<(DnsName, RecordType)>,
}

/// The place that each provider writes to, and the records of each place: the configuration says so anew at each start,
/// and two ledgers that differ in nothing else have the same to keep.
#[derive(Clone, Debug, Default)]
struct Places {
    of: BTreeMap<String, Arc<Place>>,
    records: BTreeMap<Arc<Place>, BTreeSet<RecordId>>,
}

impl PartialEq for Places {
    fn eq(&self, _: &Self) -> bool {
        true
    }
}

impl Eq for Places {}

/// Why a write has to wait.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize)]
#[serde(rename_all = "kebab-case")]
pub enum Cause {
    /// The record's own rate: `limits.spacing` and `limits.burst`.
    Spacing,
    /// The provider's cap: `limits.daily`.
    Daily,
}

/// Who paid for a write, for as long as it may turn out that it was never sent.
#[derive(Debug, PartialEq, Eq)]
pub struct Charge {
    /// The records whose turn it was.
    turns: Vec<RecordKey>,
    account: Account,
    /// Whose share of the cap was taken there; once for each time.
    payers: Vec<RecordId>,
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
    pub fn settle(&mut self, sites: BTreeMap<String, Site>) {
        let mut places = Places::default();
        for (provider, Site { place, records }) in sites {
            let place = Arc::new(place);
            if let Some(entered) = self.writes.remove(&Account::Provider(provider.clone())) {
                let there = self.writes.entry(Account::Place(Arc::clone(&place))).or_default();
                there.extend(entered);
                there.sort_by_key(|entry| entry.at);
            }
            let ids = records.into_iter().map(|(name, rtype)| RecordId { name, rtype });
            places.records.entry(Arc::clone(&place)).or_default().extend(ids);
            places.of.insert(provider, place);
        }
        self.places = Arc::new(places);
    }

    fn account_of(&self, provider: &str) -> Account {
        let place = self.places.of.get(provider).cloned();
        place.map_or_else(|| Account::Provider(provider.to_owned()), Account::Place)
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
        let mut day = self.day(now, limits, provider);
        let mut ready = Vec::new();
        for change in changes {
            let earliest = self.earliest(now, limits, &record_key(provider, &change.name, change.rtype));
            if earliest > now {
                gated.put_off.push((change, earliest, Cause::Spacing));
            } else {
                ready.push(change);
            }
        }
        let units: Vec<Vec<Change>> = match tally {
            Tally::Each => ready.into_iter().map(|change| vec![change]).collect(),
            Tally::Together => vec![ready],
        };
        for unit in units {
            let Some(payer) = day.payer(&unit) else { continue };
            if day.conforms(&payer) {
                day.enter(now, payer);
                gated.allowed.extend(unit);
            } else {
                let until = day.clone().until(&payer, now);
                gated.put_off.extend(unit.into_iter().map(|change| (change, until, Cause::Daily)));
            }
        }
        gated
    }

    /// Enters the writing of `changes` at `now`. Before they are sent it is to be durable: in a state file, or by an intent in
    /// the log that comes after it.
    pub fn charge(
        &mut self,
        now: Timestamp,
        limits: &Limits,
        provider: &str,
        tally: Tally,
        changes: &[Change],
    ) -> Charge {
        let mut charge = Charge { account: self.account_of(provider), turns: Vec::new(), payers: Vec::new() };
        if changes.is_empty() {
            return charge;
        }
        for change in changes {
            let key = record_key(provider, &change.name, change.rtype);
            let tat = self.tat.get(&key).map_or(now, |tat| now.max(*tat)).plus(limits.spacing);
            self.tat.insert(key.clone(), tat);
            charge.turns.push(key);
        }
        // A TAT that has passed says no more than a missing one.
        self.tat.retain(|_, tat| *tat > now);
        let mut day = self.day(now, limits, provider);
        let units = match tally {
            Tally::Each => changes.chunks(1),
            Tally::Together => changes.chunks(changes.len()),
        };
        for unit in units {
            if let Some(payer) = day.payer(unit) {
                day.enter(now, payer.clone());
                charge.payers.push(payer);
            }
        }
        let entries = day.entries;
        self.writes.insert(charge.account.clone(), entries.into());
        charge
    }

    /// Takes back what was entered: nothing was sent. A TAT less by T says of every later time what the one before said: the
    /// charge made it max(t, TAT) + T.
    pub(crate) fn give_back(&mut self, charge: Charge, limits: &Limits) {
        self.give_turns_back(&charge, limits);
        let Some(entries) = self.writes.get_mut(&charge.account) else { return };
        for payer in charge.payers {
            // Its last one: they differ in nothing but their time.
            if let Some(at) = entries.iter().rposition(|entry| entry.record.as_ref() == Some(&payer)) {
                entries.remove(at);
            }
        }
    }

    /// Gives the records their turns back: nothing was written, and they will be sent again otherwise. The message stays
    /// counted against the cap.
    pub(crate) fn give_turns_back(&mut self, charge: &Charge, limits: &Limits) {
        for key in &charge.turns {
            if let Some(tat) = self.tat.get_mut(key) {
                *tat = tat.minus(limits.spacing);
            }
        }
    }

    /// Writes that the provider's cap still leaves at `now`.
    pub fn left_today(&self, now: Timestamp, limits: &Limits, provider: &str) -> u32 {
        limits.daily.saturating_sub(self.day(now, limits, provider).used)
    }

    fn earliest(&self, now: Timestamp, limits: &Limits, key: &RecordKey) -> Timestamp {
        let tolerance = limits.spacing.saturating_mul(limits.burst.saturating_sub(1));
        self.tat.get(key).map_or(now, |tat| tat.minus(tolerance))
    }

    /// Takes in that the clock was set.
    pub fn shift(&mut self, step: &Step, limits: &Limits) {
        let last = step.was.plus(limits.spacing.saturating_mul(limits.burst));
        self.tat.values_mut().for_each(|tat| *tat = step.moved_up_to(*tat, last));
        self.writes.values_mut().flatten().for_each(|entry| step.shift(&mut entry.at));
        self.writes.values_mut().for_each(|entries| entries.sort_by_key(|entry| entry.at));
    }

    /// Takes back what cannot be: no honest TAT is further ahead than a full burst, and no write was in the future.
    /// Such entries were made before the clock was set back. Brought to the latest honest time they delay once,
    /// and not until the old time comes round again.
    fn mend(&mut self, now: Timestamp, limits: &Limits) {
        let latest = now.plus(limits.spacing.saturating_mul(limits.burst));
        for tat in self.tat.values_mut() {
            *tat = (*tat).min(latest);
        }
        for entry in self.writes.values_mut().flatten() {
            entry.at = entry.at.min(now);
        }
    }

    fn day(&self, now: Timestamp, limits: &Limits, provider: &str) -> Day {
        let account = self.account_of(provider);
        let records = self.places.of.get(provider).and_then(|place| self.places.records.get(place));
        Day::new(
            limits.daily,
            records.into_iter().flatten(),
            self.writes.get(&account).into_iter().flatten().filter(|entry| now.since(entry.at) < DAY).cloned(),
        )
    }
}

#[cfg(test)]
mod tests;
