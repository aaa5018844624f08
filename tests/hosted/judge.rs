//! What is held against a run afterwards: the audit log against what truly was done, and the zone against what shall stand.
//!
//! It reads the log by its documented form alone.

use std::collections::{BTreeMap, BTreeSet};
use std::fs;
use std::path::Path;

use fingerpost::audit::file::files;
use fingerpost::clock::Timestamp;
use serde_json::Value;

use crate::store::{By, Op, Records, contents};
use crate::world::World;

pub(crate) struct Intent {
    pub(crate) at: u64,
    pub(crate) changes: Vec<Planned>,
    /// When it ended, and how.
    pub(crate) end: Option<(u64, String)>,
}

pub(crate) struct Planned {
    pub(crate) name: String,
    pub(crate) rtype: String,
    pub(crate) comes: BTreeSet<String>,
    pub(crate) goes: BTreeSet<String>,
    pub(crate) ttl: u64,
}

/// The intents of the log, and how many lines it has.
pub(crate) fn intents(dir: &Path) -> (BTreeMap<u64, Intent>, usize) {
    let (mut found, mut count) = (BTreeMap::new(), 0);
    for file in files(dir).unwrap() {
        for line in fs::read_to_string(file).unwrap().lines() {
            count += 1;
            let entry: Value = serde_json::from_str(line).unwrap();
            let time = Timestamp::parse(entry["time"].as_str().unwrap()).unwrap().millis();
            match entry["event"].as_str().unwrap() {
                "intent" => {
                    let changes = entry["changes"].as_array().unwrap().iter().map(planned).collect();
                    found.insert(entry["seq"].as_u64().unwrap(), Intent { at: time, changes, end: None });
                }
                "outcome" => {
                    let intent = found.get_mut(&entry["intent"].as_u64().unwrap()).expect("an outcome of an intent");
                    assert!(intent.end.is_none(), "two outcomes: {line}");
                    intent.end = Some((time, entry["result"].as_str().unwrap().to_owned()));
                }
                _ => {}
            }
        }
    }
    (found, count)
}

fn planned(change: &Value) -> Planned {
    let of = |side: &str| -> BTreeSet<String> {
        let addresses = change[side]["addresses"].as_array().into_iter().flatten();
        addresses.map(|address| address.as_str().unwrap().to_owned()).collect()
    };
    let (before, after) = (of("before"), of("after"));
    Planned {
        name: change["name"].as_str().unwrap().to_owned(),
        rtype: change["type"].as_str().unwrap().to_owned(),
        comes: &after - &before,
        goes: &before - &after,
        ttl: change["after"]["ttl"].as_u64().unwrap(),
    }
}

impl Planned {
    /// Whether it stood so that all of this was done.
    fn is_done_in(&self, records: &Records) -> bool {
        let stands: BTreeSet<String> = contents(records, &self.name, &self.rtype).into_iter().collect();
        let is_about_ttl = self.comes.is_empty() && self.goes.is_empty();
        let ttls = || crate::store::published(records, &self.name, &self.rtype).all(|(_, rec)| rec.ttl == self.ttl);
        self.comes.is_subset(&stands) && self.goes.is_disjoint(&stands) && (!is_about_ttl || ttls())
    }
}

/// What the limits were charged otherwise than for each write of which anything was sent, and for none else. A program is
/// there to send, and what it does nobody sees.
pub(crate) fn charged_wrongly(world: &World, intents: &BTreeMap<u64, Intent>, charged: usize) -> Option<String> {
    let starts: Vec<u64> = intents.values().map(|intent| intent.at).collect();
    let is_sent = |(nth, intent): &(usize, &Intent)| {
        let next = starts.get(nth + 1).copied().unwrap_or(u64::MAX);
        let is_its = |at: u64| (intent.at + 1..=next).contains(&at);
        world.asked.iter().any(|asked| is_its(asked.at) && asked.request.is_write())
    };
    let sent = intents.values().enumerate().filter(is_sent).map(|(_, intent)| intent.changes.len()).sum::<usize>();
    (charged != sent).then(|| format!("charged: {charged} writes, and {sent} were sent"))
}

/// What the log says that is not so.
pub(crate) fn untruths(world: &World, intents: &BTreeMap<u64, Intent>) -> Vec<String> {
    let history = world.store.history();
    let mut wrong = Vec::new();
    let starts: Vec<u64> = intents.values().map(|intent| intent.at).collect();
    for (at, (seq, intent)) in intents.iter().enumerate() {
        let Some((end, result)) = &intent.end else {
            wrong.push(format!("untrue: intent {seq} has no outcome"));
            continue;
        };
        // What was asked on its account: of requests, those since it was written and before the next one was.
        let next = starts.get(at + 1).copied().unwrap_or(u64::MAX);
        let is_its = |no: usize| (intent.at + 1..=next).contains(&world.asked[no].at);
        let is_of_it = |by: By| matches!(by, By::Us(no) if is_its(no));
        let did = world.store.ops.iter().filter(|op| is_of_it(op.by)).count();
        // Whether somebody else changed what it is about, as far as it could be seen.
        let from = intent.at.saturating_sub(world.habits.visible_within);
        let touches = |name: &str| intent.changes.iter().any(|change| change.name == name);
        let is_about = |op: &Op| {
            op.parts.iter().any(|(id, record)| {
                let stood = || history.iter().find_map(|(_, records)| records.get(id));
                record.as_ref().or_else(stood).is_some_and(|record| touches(&record.name))
            })
        };
        let amidst = || world.store.ops.iter().filter(|op| (from..=*end).contains(&op.at) && is_about(op));
        let crossed = amidst().any(|op| !is_of_it(op.by));
        // Somebody, or a request of ours that came late, did more after each thing that was done, and before a look was over.
        let late = |mine: &Op| amidst().any(|op| !is_of_it(op.by) && op.at >= mine.at);
        let undone = amidst().filter(|op| is_of_it(op.by)).all(late);
        let stood = |change: &Planned| {
            let during = history.iter().zip(history.iter().skip(1).map(|(at, _)| *at).chain([u64::MAX]));
            during
                .filter(|((since, _), until)| since <= end && *until > intent.at)
                .any(|((_, records), _)| change.is_done_in(records))
        };
        let all_done = intent.changes.iter().all(stood);
        let is_true = match result.as_str() {
            "done" => all_done,
            // What somebody undid before it was ever listed, nobody can have seen.
            "failed" | "refused" | "conflict" => did == 0 || crossed && !all_done || undone,
            // Some of it was done, or all, and somebody else did more.
            "overtaken" => crossed || did > 0 && !all_done,
            _ => false,
        };
        if !is_true {
            let what: Vec<_> = intent
                .changes
                .iter()
                .map(|change| format!("{} +{:?} -{:?}", change.name, change.comes, change.goes))
                .collect();
            wrong.push(format!(
                "untrue: intent {seq} is said to be {result}: {did} changes of its own, all done: {all_done}; {what:?}"
            ));
        }
    }
    wrong
}
