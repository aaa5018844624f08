//! What survives a restart and is not in the audit log; made anew from the log where it is lost.

mod told;

use std::collections::{BTreeMap, BTreeSet};
use std::net::IpAddr;

use serde::{Deserialize, Serialize};

use crate::about::{About, Connection, Exposed, Ranges};
use crate::audit::chain::{Entry, Known, Mark};
use crate::audit::propagation::{Awaited, Propagation};
use crate::audit::{Ending, Event};
use crate::clock::{Step, Timestamp};
use crate::limits::{Ledger, RecordKey, record_key};
use crate::provider::{Change, Tally};
use crate::record::RrSet;
use crate::settings::{Limits, Via};
use crate::watch::failover;
use crate::watch::look::Found;
pub use told::{Cause, Past, Told};

/// What survives a restart.
#[derive(Clone, Debug, Default, PartialEq, Eq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct State {
    /// The form of this file.
    version: Version,
    /// The settled address of each line and family.
    pub settled: BTreeMap<Via, IpAddr>,
    /// For each record the addresses there that are or may be this home's: the one last seen
    /// in step, if it was ours, and every one sent since, however that seemed to end. An empty set is of a record at
    /// which others had entered our address before us.
    pub published: BTreeMap<RecordKey, BTreeSet<IpAddr>>,
    /// What the limits need to know.
    pub ledger: Ledger,
    /// The providers that are on hold, by name.
    pub holds: BTreeMap<String, Hold>,
    /// The providers for which somebody refuses without proving who it is, and since when.
    #[serde(default, skip_serializing_if = "BTreeMap::is_empty")]
    pub refused_since: BTreeMap<String, Timestamp>,
    /// The records whose change a provider refused while others may go on.
    #[serde(default, skip_serializing_if = "BTreeMap::is_empty")]
    pub blocks: BTreeMap<RecordKey, Block>,
    /// What was written and not all servers of its zone are known to serve, by provider.
    #[serde(default)]
    pub spreading: BTreeMap<String, Vec<Propagation>>,
    /// What is amiss and was told of: the line, and what it is about.
    #[serde(default)]
    pub findings: BTreeSet<(Option<String>, Connection)>,
    /// What was amiss in what the outside can see, and was told of.
    #[serde(default)]
    pub exposed: BTreeSet<Exposed>,
    /// The edges whose lists are not believed, as the audit log has it.
    #[serde(default)]
    pub refused: BTreeSet<Ranges>,
    /// Who was told of what that is not over.
    #[serde(default)]
    pub told: Told,
    /// Where the audit log ended when this was saved; `None` from a version that did not keep it.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub log: Option<Mark>,
    /// Which line each record follows, which are down, and since when the others work.
    #[serde(default)]
    pub lines: failover::Kept,
    /// What stood between each line and the world when that could last be told.
    #[serde(default)]
    pub(crate) nats: Vec<Found>,
}

#[derive(Clone, Copy, Debug, Default, PartialEq, Eq, Serialize, Deserialize)]
enum Version {
    #[default]
    #[serde(rename = "1")]
    One,
}

/// What [`State::published`] had of some records.
#[derive(Debug)]
pub(crate) struct Published(Vec<(RecordKey, Option<BTreeSet<IpAddr>>)>);

/// Writes to a provider are suspended after a permanent refusal.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct Hold {
    /// Since when.
    pub since: Timestamp,
    /// What the refusal said.
    pub why: String,
    /// The fingerprint of the provider's configuration at that time: a hold ends when it changes. `None` when it was made up
    /// from the audit log, which does not have it: then nobody can tell, and a person ends it.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub fingerprint: Option<String>,
}

/// One record is not written after the provider refused its change, and only that.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct Block {
    /// When it was refused last.
    pub tried: Timestamp,
    /// What the refusal said.
    pub why: String,
    /// What stood there then: when something else does, the change is another.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub before: Option<RrSet>,
    /// What should have been written: something else is tried at once.
    pub after: RrSet,
    /// How long the same is not tried after that, in seconds.
    #[serde(default = "hour")]
    pub wait_s: u64,
}

fn hour() -> u64 {
    60 * 60
}

impl Hold {
    /// Whether it still holds for a provider whose configuration has `fingerprint`.
    pub fn holds_for(&self, fingerprint: &str) -> bool {
        self.fingerprint.as_deref().is_none_or(|then| then == fingerprint)
    }
}

impl State {
    /// Takes in what `entry`, the next of the log, tells. `open` has the intents without an outcome up to now.
    pub fn replay(&mut self, entry: Entry, limits: &Limits, open: &mut BTreeMap<u64, (String, Vec<Change>)>) {
        let Known::Yes(event) = entry.event else { return };
        // The log does not tell how the provider counts: rather a wait too long than a write too many.
        self.catch_up(entry.seq, entry.time, &event, limits, |_| Tally::Each, open);
        match event {
            Event::Settled { line, family, to, .. } => {
                self.settled.insert(Via { line, family }, to);
            }
            Event::Found { line, about, .. } => drop(match about {
                About::Connection(about) => self.findings.insert((line, about)),
                About::Exposure(about) => self.exposed.insert(about),
                About::Ranges(about) => self.refused.insert(about),
            }),
            Event::Gone { line, about } => drop(match about {
                About::Connection(about) => self.findings.remove(&(line, about)),
                About::Exposure(about) => self.exposed.remove(&about),
                About::Ranges(about) => self.refused.remove(&about),
            }),
            Event::Hold { provider, why } => {
                self.holds.insert(provider, Hold { since: entry.time, why, fingerprint: None });
            }
            Event::Release { provider, .. } => {
                self.holds.remove(&provider);
            }
            Event::Intent { .. }
            | Event::Outcome { .. }
            | Event::Clock(_)
            | Event::Spread { .. }
            | Event::Unspread { .. }
            | Event::Lease { .. }
            | Event::Ranges { .. }
            | Event::Outage { .. }
            | Event::SetAside { .. } => {}
        }
    }

    /// Takes in what the log tells of a write, or of the clock, in an entry that came after this was saved: a write is charged,
    /// and may stand there.
    /// So an intent in the log is enough to be durable before anything is sent, and the whole file need not be written for
    /// each. `tally` is how the provider counts, and `open` has the intents since then.
    pub fn catch_up(
        &mut self,
        seq: u64,
        time: Timestamp,
        event: &Event,
        limits: &Limits,
        tally: impl Fn(&str) -> Tally,
        open: &mut BTreeMap<u64, (String, Vec<Change>)>,
    ) {
        match event {
            Event::Intent { provider, changes, .. } => {
                self.ledger.charge(time, limits, provider, tally(provider), changes);
                self.note_sent(provider, changes);
                open.insert(seq, (provider.clone(), changes.clone()));
            }
            Event::Outcome { intent, result, .. } => {
                if let Some((provider, changes)) = open.remove(intent)
                    && *result == Ending::Done
                {
                    self.note_published(&provider, &changes);
                }
            }
            Event::Clock(step) => self.shift(step, limits),
            // All else was saved with its entry, or is found out anew.
            _ => {}
        }
    }

    /// Takes in that the clock was set: what this process dated moves along.
    pub fn shift(&mut self, step: &Step, limits: &Limits) {
        self.ledger.shift(step, limits);
        self.holds.values_mut().for_each(|hold| step.shift(&mut hold.since));
        self.refused_since.values_mut().for_each(|since| step.shift(since));
        self.blocks.values_mut().for_each(|block| step.shift(&mut block.tried));
        self.spreading.values_mut().flatten().for_each(|wave| step.shift(&mut wave.since));
    }

    /// Enters that `changes` are about to be sent to `provider`: from now on what they add may stand there.
    pub fn note_sent(&mut self, provider: &str, changes: &[Change]) {
        for (change, ours) in changes.iter().filter_map(|change| Some((change, added(change)?))) {
            self.published.entry(record_key(provider, &change.name, change.rtype)).or_default().insert(ours);
        }
    }

    /// What [`Self::note_sent`] would change for `changes`.
    pub(crate) fn published_at(&self, provider: &str, changes: &[Change]) -> Published {
        let key = |change: &Change| record_key(provider, &change.name, change.rtype);
        let keys = changes.iter().map(key);
        Published(keys.map(|key| (key.clone(), self.published.get(&key).cloned())).collect())
    }

    /// Takes it back: nothing was sent.
    pub(crate) fn restore(&mut self, Published(before): Published) {
        for (key, addresses) in before {
            match addresses {
                Some(addresses) => self.published.insert(key, addresses),
                None => self.published.remove(&key),
            };
        }
    }

    /// Enters that `changes` now stand at `provider`: whatever was there of ours before is gone.
    pub fn note_published(&mut self, provider: &str, changes: &[Change]) {
        for (change, ours) in changes.iter().filter_map(|change| Some((change, added(change)?))) {
            self.published.insert(record_key(provider, &change.name, change.rtype), BTreeSet::from([ours]));
        }
    }

    /// Enters that `changes` of `intent` were found to stand at `provider` at `now`: the servers shall follow. What was
    /// awaited of the same records before is awaited no more.
    pub fn note_spreading(&mut self, provider: &str, intent: u64, changes: &[&Change], now: Timestamp) {
        if changes.is_empty() {
            return;
        }
        let records: Vec<Awaited> = changes.iter().map(|change| Awaited::of(change)).collect();
        let anew: BTreeSet<_> = records.iter().map(|record| (record.name.clone(), record.rtype)).collect();
        self.amend_spreading(provider, |record| {
            (!anew.contains(&(record.name.clone(), record.rtype))).then(|| record.set.clone())
        });
        self.spreading.entry(provider.to_owned()).or_default().push(Propagation { intent, since: now, records });
    }

    /// Lets `amend` say of every RRset awaited of `provider` what stands there now; none ends the waiting for it.
    pub(crate) fn amend_spreading(&mut self, provider: &str, amend: impl Fn(&Awaited) -> Option<RrSet>) {
        let Some(waves) = self.spreading.get_mut(provider) else { return };
        for wave in waves.iter_mut() {
            wave.records.retain_mut(|record| match amend(record) {
                Some(set) => {
                    record.set = set;
                    true
                }
                None => false,
            });
        }
        waves.retain(|wave| !wave.records.is_empty());
        if waves.is_empty() {
            self.spreading.remove(provider);
        }
    }

    /// Ends the waiting for what `intent` wrote to `provider`.
    pub fn end_spreading(&mut self, provider: &str, intent: u64) {
        let Some(waves) = self.spreading.get_mut(provider) else { return };
        waves.retain(|wave| wave.intent != intent);
        if waves.is_empty() {
            self.spreading.remove(provider);
        }
    }
}

/// The address that `change` adds: it is this home's. None when only others, or the TTL, change.
fn added(change: &Change) -> Option<IpAddr> {
    let before = change.before.as_ref().map(|set| &set.addresses);
    change.after.addresses.iter().find(|address| !before.is_some_and(|set| set.contains(address))).copied()
}
