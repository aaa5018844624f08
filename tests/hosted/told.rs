//! A run, told line by line.

use std::collections::BTreeMap;

use crate::judge::Intent;
use crate::world::{BEGIN, World};

/// Everything that happened, for whoever looks for the cause.
pub(crate) fn tell(world: &World, intents: &BTreeMap<u64, Intent>) {
    let mut lines: Vec<(u64, String)> = Vec::new();
    for (no, asked) in world.asked.iter().enumerate() {
        let request = &asked.request;
        lines.push((
            asked.at,
            format!("#{no} {} {} {} {:?}", request.method, request.target, request.body, asked.fault),
        ));
    }
    for op in &world.store.ops {
        let parts: Vec<_> = op
            .parts
            .iter()
            .map(|(id, rec)| (id % 1000, rec.as_ref().map(|r| (&r.name, &r.rtype, &r.content, r.disabled))))
            .collect();
        lines.push((op.at, format!("  {:?} {parts:?}, listed after {:?}", op.by, op.lags())));
    }
    for (seq, intent) in intents {
        let what: Vec<_> = intent.changes.iter().map(|change| (&change.name, &change.comes, &change.goes)).collect();
        lines.push((intent.at, format!("intent {seq} {what:?}")));
        if let Some((at, result)) = &intent.end {
            lines.push((*at, format!("intent {seq} {result}")));
        }
    }
    lines.sort_by_key(|(at, _)| *at);
    println!("{:#?}", world.habits);
    for (at, line) in lines {
        println!("{:>9} {line}", at - BEGIN);
    }
}
