//! What truly stands in the zone, who put it there and when, and what of it is listed by now.

use std::collections::{BTreeMap, BTreeSet};

use serde_json::{Map, Value, json};

pub(crate) type Id = u64;
pub(crate) type Records = BTreeMap<Id, Rec>;

#[derive(Clone, Debug, PartialEq)]
pub(crate) struct Rec {
    /// In lower case, without a final dot.
    pub(crate) name: String,
    pub(crate) rtype: String,
    pub(crate) ttl: u64,
    pub(crate) content: String,
    pub(crate) disabled: bool,
    /// What no DNS needs.
    pub(crate) fields: Map<String, Value>,
}

impl Rec {
    pub(crate) fn new(name: &str, rtype: &str, ttl: u64, content: &str) -> Self {
        let (name, rtype, content) = (name.to_owned(), rtype.to_owned(), content.to_owned());
        Self { name, rtype, ttl, content, disabled: false, fields: Map::new() }
    }

    pub(crate) fn noted(mut self, comment: &str) -> Self {
        let fields = json!({ "note": comment, "stamped": comment.len() % 2 == 1, "tags": ["a", { "w": 1.10 }] });
        self.fields = fields.as_object().unwrap().clone();
        self
    }

    /// Whether both are the same to a resolver.
    pub(crate) fn is_like(&self, other: &Self) -> bool {
        (&self.name, &self.rtype, &self.content, self.disabled)
            == (&other.name, &other.rtype, &other.content, other.disabled)
    }
}

#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(crate) enum By {
    People,
    /// The request of this number.
    Us(usize),
}

/// One change of the zone, whole.
#[derive(Debug)]
pub(crate) struct Op {
    /// In milliseconds, as are all times here.
    pub(crate) at: u64,
    pub(crate) by: By,
    pub(crate) parts: Vec<(Id, Option<Rec>)>,
    /// When it is listed, by each of two servers.
    visible: [u64; 2],
}

pub(crate) struct Store {
    base: Records,
    pub(crate) records: Records,
    pub(crate) ops: Vec<Op>,
    next: Id,
}

impl Store {
    pub(crate) fn new(records: impl IntoIterator<Item = Rec>) -> Self {
        // Larger than a 64-bit float can hold exactly.
        let first = 9_007_199_254_740_993;
        let base: Records = (first..).step_by(2).zip(records).collect();
        let next = first + 2 * base.len() as u64;
        Self { records: base.clone(), base, ops: Vec::new(), next }
    }

    pub(crate) fn fresh(&mut self) -> Id {
        self.next += 2;
        self.next - 2
    }

    /// Makes a change, which is listed after these times.
    pub(crate) fn write(&mut self, at: u64, by: By, parts: Vec<(Id, Option<Rec>)>, lags: [u64; 2]) {
        apply(&mut self.records, &parts);
        self.ops.push(Op { at, by, parts, visible: lags.map(|lag| at + lag) });
    }

    /// What a server lists at this time.
    pub(crate) fn view(&self, server: usize, at: u64) -> Records {
        let mut records = self.base.clone();
        self.ops.iter().filter(|op| op.visible[server] <= at).for_each(|op| apply(&mut records, &op.parts));
        records
    }

    /// What truly stood before the first change and after each, with its time.
    pub(crate) fn history(&self) -> Vec<(u64, Records)> {
        let mut history = vec![(0, self.base.clone())];
        for op in &self.ops {
            let mut records = history[history.len() - 1].1.clone();
            apply(&mut records, &op.parts);
            history.push((op.at, records));
        }
        history
    }

    /// When the last change was listed everywhere.
    pub(crate) fn settled_at(&self) -> u64 {
        self.ops.iter().flat_map(|op| op.visible).max().unwrap_or_default()
    }
}

fn apply(records: &mut Records, parts: &[(Id, Option<Rec>)]) {
    for (id, record) in parts {
        match record {
            Some(record) => drop(records.insert(*id, record.clone())),
            None => drop(records.remove(id)),
        }
    }
}

/// The published contents at a name and type, one for each record.
pub(crate) fn contents(records: &Records, name: &str, rtype: &str) -> Vec<String> {
    published(records, name, rtype).map(|(_, record)| record.content.clone()).collect()
}

pub(crate) fn published<'a>(records: &'a Records, name: &str, rtype: &str) -> impl Iterator<Item = (Id, &'a Rec)> {
    let is = |record: &Rec| record.name == name && record.rtype == rtype && !record.disabled;
    let found: Vec<_> = records.iter().filter(|(_, record)| is(record)).map(|(id, record)| (*id, record)).collect();
    found.into_iter()
}

/// Every name and type that is published.
pub(crate) fn places(records: &Records) -> BTreeSet<(String, String)> {
    let shown = records.values().filter(|record| !record.disabled);
    shown.map(|record| (record.name.clone(), record.rtype.clone())).collect()
}

impl Op {
    /// How long it takes to be listed.
    pub(crate) fn lags(&self) -> [u64; 2] {
        self.visible.map(|visible| visible - self.at)
    }
}
