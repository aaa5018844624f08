//! An API of yet another shape on the zone of `record_api`: RRsets whose members are nothing but strings, put whole, gone
//! when the list is empty, and done with no more than a 202 (RFC 9110, section 15.3.3). `loft.toml` describes it.

use std::collections::BTreeMap;

use serde_json::{Value, json};

use super::record_api::{Asked, Reply, TOKEN, Zone};

/// Who the token is shown for.
pub(crate) const USER: &str = "keeper";

fn error(status: u16, message: &str) -> Reply {
    Reply::new(status, json!({ "no": message }))
}

/// Basic authorisation (RFC 7617, section 2).
pub(crate) fn knows(asked: &Asked) -> bool {
    let wanted = data_encoding::BASE64.encode(format!("{USER}:{TOKEN}").as_bytes());
    asked.headers.get("authorization") == Some(&format!("Basic {wanted}"))
}

pub(crate) fn route(zone: &mut Zone, asked: &Asked) -> Reply {
    let (path, query) = asked.target.split_once('?').unwrap_or((&asked.target, ""));
    let path = path.replace("%2A", "*");
    let parts: Vec<&str> = path.split('/').skip(2).collect();
    match (asked.method.as_str(), parts.as_slice()) {
        ("GET", [name]) if *name == zone.name => list(zone, query),
        ("PUT", [name, who, kind]) if *name == zone.name => put(zone, who, kind, asked),
        _ => error(404, "no such place"),
    }
}

fn list(zone: &Zone, query: &str) -> Reply {
    let mut bundles: BTreeMap<(&str, &str), Value> = BTreeMap::new();
    for record in zone.records.values() {
        let text = |key: &str| record[key].as_str().unwrap();
        let who = format!("{}.", text("label"));
        let bundle = bundles.entry((text("label"), text("sort"))).or_insert_with(|| {
            json!({ "who": who, "kind": { "dns": text("sort"), "class": "IN" }, "seconds": record["keep_for"], "all": [] })
        });
        bundle["all"].as_array_mut().unwrap().push(record["points_to"].clone());
    }
    let from: usize = query.strip_prefix("cursor=").map_or(0, |from| from.parse().unwrap());
    let then = (from + zone.page_size < bundles.len()).then(|| (from + zone.page_size).to_string());
    let of: Vec<Value> = bundles.into_values().skip(from).take(zone.page_size).collect();
    Reply::new(200, json!({ "bundles": { "of": of, "then": then } }))
}

fn put(zone: &mut Zone, who: &str, kind: &str, asked: &Asked) -> Reply {
    let body: Value = serde_json::from_str(&asked.body).unwrap_or_default();
    let all = body["all"].as_array().map(|all| all.iter().map(|one| one.as_str().map(str::to_owned)).collect());
    let (Some(Some(all)), Some(ttl)) = (all, body["seconds"].as_u64().filter(|ttl| (30..=86_400).contains(ttl))) else {
        return error(422, "seconds or all are wrong");
    };
    let mut all: Vec<String> = all;
    let is_it = |record: &serde_json::Map<String, Value>| record["label"] == who && record["sort"] == kind;
    zone.records.retain(|_, record| !is_it(record) || all.iter().any(|one| record["points_to"] == **one));
    for record in zone.records.values_mut().filter(|record| is_it(record)) {
        record.insert("keep_for".into(), json!(ttl));
        all.retain(|one| record["points_to"] != **one);
    }
    for one in all {
        zone.add(who, kind, ttl, &one);
    }
    Reply { status: 202, ..Reply::default() }
}
