//! The writes to one place over 24 hours, against `limits.daily` and the records' shares of it.

use std::collections::{BTreeMap, VecDeque};

use super::{DAY, Entry};
use crate::clock::Timestamp;
use crate::provider::Change;
use crate::record::RecordId;

#[derive(Clone, Debug)]
pub(super) struct Day {
    daily: u32,
    /// Where there are more records than writes: how many are kept at most for those that have not written.
    most_kept: u32,
    /// Oldest first.
    pub(super) entries: VecDeque<Entry>,
    pub(super) used: u32,
    spent: BTreeMap<RecordId, Spent>,
    /// What is left of the shares of all.
    unspent: u32,
}

#[derive(Clone, Copy, Debug, Default)]
struct Spent {
    count: u32,
    /// None where the record is not configured any more.
    share: u32,
}

impl Spent {
    fn left(self) -> u32 {
        self.share.saturating_sub(self.count)
    }
}

impl Day {
    pub(super) fn new<'a>(
        daily: u32,
        records: impl Iterator<Item = &'a RecordId>,
        entries: impl Iterator<Item = Entry>,
    ) -> Self {
        let mut spent: BTreeMap<_, _> = records.map(|record| (record.clone(), Spent::default())).collect();
        let many = u32::try_from(spent.len()).unwrap_or(u32::MAX);
        let share = daily.checked_div(many).unwrap_or(0).max(1);
        spent.values_mut().for_each(|spent| spent.share = share);
        let most_kept = if many > daily { daily / 2 } else { daily };
        let unspent = share.saturating_mul(many);
        let mut day = Self { daily, most_kept, entries: VecDeque::new(), used: 0, spent, unspent };
        for entry in entries {
            day.count(entry.record.as_ref(), |count| count.saturating_add(entry.count));
            day.entries.push_back(entry);
        }
        day
    }

    /// Which record the writing of `unit` at once is charged to.
    pub(super) fn payer(&self, unit: &[Change]) -> Option<RecordId> {
        let keys = unit.iter().map(|change| RecordId { name: change.name.clone(), rtype: change.rtype });
        keys.min_by_key(|key| self.spent.get(key).map_or((true, 0), |spent| (spent.left() == 0, spent.count)))
    }

    /// Whether one write more, charged to `record`, is within the cap and takes nothing from what others have left.
    pub(super) fn conforms(&self, record: &RecordId) -> bool {
        let left = self.spent.get(record).map_or(0, |spent| spent.left());
        let kept = (self.unspent - left).min(self.most_kept);
        self.used < self.daily && (left > 0 || self.used.saturating_add(kept) < self.daily)
    }

    pub(super) fn enter(&mut self, at: Timestamp, record: RecordId) {
        self.count(Some(&record), |count| count.saturating_add(1));
        self.entries.push_back(Entry { at, count: 1, record: Some(record) });
    }

    /// The earliest time at which a write of `record` conforms, if nothing else is written until then.
    pub(super) fn until(mut self, record: &RecordId, now: Timestamp) -> Timestamp {
        while let Some(entry) = self.entries.pop_front() {
            self.count(entry.record.as_ref(), |count| count.saturating_sub(entry.count));
            let next_at = self.entries.front().map(|next| next.at);
            if next_at != Some(entry.at) && self.conforms(record) {
                return entry.at.plus(DAY);
            }
        }
        now.plus(DAY)
    }

    fn count(&mut self, record: Option<&RecordId>, by: impl Fn(u32) -> u32) {
        self.used = by(self.used);
        if let Some(record) = record {
            let spent = self.spent.entry(record.clone()).or_default();
            let before = spent.left();
            spent.count = by(spent.count);
            self.unspent = self.unspent + spent.left() - before;
        }
    }
}
