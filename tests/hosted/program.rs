//! What an honest program of the owner's would do at a host that takes whole RRsets, by config/providers/program.schema.json.

use serde_json::{Map, Value, json};

use crate::routes::reply;
use crate::store::{By, Rec, published};
use crate::world::{Reply, Request, World};

impl World {
    /// Does what a program is asked for, and says what it has to answer.
    pub(crate) fn perform_for_program(&mut self, no: usize, request: &Request) -> Reply {
        let asked: Value = serde_json::from_str(&request.body).unwrap_or_default();
        let server = if self.habits.replicas { self.rng.usize(0..2) } else { 0 };
        let listed = self.store.view(server, self.time.now());
        let set = |name: &str, rtype: &str| {
            let stands: Vec<_> = published(&listed, name, rtype).map(|(_, record)| record.clone()).collect();
            let mut addresses: Vec<_> = stands.iter().map(|record| record.content.clone()).collect();
            addresses.sort();
            stands.first().map(|first| json!({ "ttl": first.ttl, "addresses": addresses }))
        };
        if asked["action"] == "read" {
            let mut names = Map::new();
            for name in asked["names"].as_array().into_iter().flatten().filter_map(Value::as_str) {
                let sets: Map<String, Value> =
                    ["A", "AAAA"].iter().filter_map(|rtype| Some(((*rtype).to_owned(), set(name, rtype)?))).collect();
                names.insert(name.to_owned(), json!({ "sets": sets }));
            }
            return reply(200, json!({ "version": 1, "names": names }));
        }
        let changes = asked["changes"].as_array().cloned().unwrap_or_default();
        let part = |change: &Value, key: &str| change[key].as_str().unwrap_or_default().to_owned();
        for change in &changes {
            if set(&part(change, "name"), &part(change, "type")).unwrap_or_default() != sorted(&change["before"]) {
                let why = "the zone holds something else";
                return reply(200, json!({ "version": 1, "fault": { "kind": "conflict", "why": why } }));
            }
        }
        for change in &changes {
            let (name, rtype) = (part(change, "name"), part(change, "type"));
            let ttl = change["after"]["ttl"].as_u64().unwrap();
            let mut coming: Vec<String> = change["after"]["addresses"]
                .as_array()
                .unwrap()
                .iter()
                .map(|a| a.as_str().unwrap().to_owned())
                .collect();
            let mut parts = Vec::new();
            let (stay, go): (Vec<_>, Vec<_>) = published(&self.store.records, &name, &rtype)
                .map(|(id, record)| (id, record.clone()))
                .partition(|(_, record)| coming.contains(&record.content));
            coming.retain(|address| stay.iter().all(|(_, record)| record.content != *address));
            for (id, record) in stay {
                if record.ttl != ttl {
                    parts.push((id, Some(Rec { ttl, ..record })));
                }
            }
            for (id, record) in go {
                parts.push((id, coming.pop().map(|content| Rec { ttl, content, ..record })));
            }
            for address in coming {
                parts.push((self.store.fresh(), Some(Rec::new(&name, &rtype, ttl, &address))));
            }
            self.commit(By::Us(no), parts);
        }
        reply(200, json!({ "version": 1, "done": true }))
    }
}

/// A set with its addresses in the order of their texts.
fn sorted(set: &Value) -> Value {
    let mut set = set.clone();
    if let Some(addresses) = set.get_mut("addresses").and_then(Value::as_array_mut) {
        addresses.sort_by_key(|address| address.as_str().map(str::to_owned));
    }
    set
}
