//! An API of another shape on the zone of `record_api`: a bare list in pages by `Link` headers (RFC 8288), types by their
//! numbers, TTLs with a unit, the token in the query, and a record taken whole. `yard.toml` describes it.

use std::collections::BTreeMap;

use serde_json::{Map, Value, json};

use super::record_api::{Asked, Reply, TOKEN, Zone, bad};

/// RFC 1035, section 3.2.2, RFC 3596, section 2.1, and RFC 6672, section 2.1.
const TYPES: [(u64, &str); 8] =
    [(1, "A"), (2, "NS"), (5, "CNAME"), (6, "SOA"), (15, "MX"), (16, "TXT"), (28, "AAAA"), (39, "DNAME")];

fn error(status: u16, message: &str) -> Reply {
    Reply::new(status, json!({ "sorry": message }))
}

/// What stands in the query, decoded as far as the tests need it.
fn query(asked: &Asked) -> BTreeMap<&str, &str> {
    let query = asked.target.split_once('?').map_or("", |(_, query)| query);
    query.split('&').filter_map(|pair| pair.split_once('=')).collect()
}

pub(crate) fn knows(asked: &Asked) -> bool {
    query(asked).get("pass") == Some(&TOKEN)
}

pub(crate) fn route(zone: &mut Zone, asked: &Asked) -> Reply {
    let path = asked.target.split('?').next().unwrap();
    let parts: Vec<&str> = path.split('/').skip(2).collect();
    match (asked.method.as_str(), parts.as_slice()) {
        ("GET", [name, "pegs"]) if *name == zone.name => page(zone, &query(asked)),
        ("POST", [name, "pegs"]) if *name == zone.name => create(zone, asked),
        (method, ["pegs", no]) => one(zone, method, no, asked),
        _ => error(404, "no such place"),
    }
}

/// A page; where the next one is stands beside where the first one is, and both are relative (RFC 3986, section 4.2).
fn page(zone: &Zone, query: &BTreeMap<&str, &str>) -> Reply {
    let from = query.get("from").map_or(0, |from| from.parse().unwrap());
    let size: usize = query["most"].parse().unwrap();
    let pegs: Vec<Value> = zone.records.values().skip(from).take(size).map(|record| peg(zone, record)).collect();
    let reply = Reply::new(200, Value::Array(pegs)).with("Link", &format!("<pegs?most={size}>; rel=\"first\""));
    match from + size < zone.records.len() {
        true => reply
            .with("Link", &format!("<?most={size}&from={}>; title=\"more, please\"; rel=\"last next\"", from + size)),
        false => reply,
    }
}

/// A record as this API shows it.
fn peg(zone: &Zone, record: &Map<String, Value>) -> Value {
    let mut shown = record.clone();
    let mut taken = |key: &str| shown.remove(key).unwrap();
    let (no, label, sort, ttl, holds) =
        (taken("card"), taken("label"), taken("sort"), taken("keep_for"), taken("points_to"));
    let at = label.as_str().unwrap().strip_suffix(&zone.name).unwrap().trim_end_matches('.').to_owned();
    let what = TYPES.iter().find(|(_, name)| sort == *name).map(|(number, _)| *number);
    let ttl = ttl.as_u64().unwrap();
    let lasts = if ttl % 60 == 0 { format!("{}m", ttl / 60) } else { format!("{ttl}s") };
    let known = json!({ "no": no, "at": at, "what": what.unwrap(), "lasts": lasts, "holds": holds });
    shown.extend(known.as_object().unwrap().clone());
    Value::Object(shown)
}

/// The record that a body of this API stands for.
fn record(zone: &Zone, asked: &Asked) -> Result<Map<String, Value>, Reply> {
    let Ok(Value::Object(mut body)) = serde_json::from_str(&asked.body) else { return Err(error(400, "not JSON")) };
    let mut taken = |key: &str| body.remove(key).ok_or_else(|| error(422, &format!("{key} is missing")));
    let (at, what, lasts, holds) = (taken("at")?, taken("what")?, taken("lasts")?, taken("holds")?);
    let at = at.as_str().ok_or_else(|| error(422, "at is no text"))?;
    let label = if at.is_empty() { zone.name.clone() } else { format!("{at}.{}", zone.name) };
    let sort =
        TYPES.iter().find(|(number, _)| what == *number).ok_or_else(|| error(422, "what is no number of a type"))?.1;
    let seconds = |text: &str| match text.split_at_checked(text.len().checked_sub(1)?)? {
        (digits, "s") => digits.parse().ok(),
        (digits, "m") => digits.parse::<u64>().ok().map(|minutes| minutes * 60),
        _ => None,
    };
    let ttl = lasts.as_str().and_then(seconds).ok_or_else(|| error(422, "lasts has no unit"))?;
    let known = json!({ "label": label, "sort": sort, "keep_for": ttl, "points_to": holds });
    body.extend(known.as_object().unwrap().clone());
    Ok(body)
}

fn create(zone: &mut Zone, asked: &Asked) -> Reply {
    let new = match record(zone, asked) {
        Ok(new) => new,
        Err(refusal) => return refusal,
    };
    if let Some(why) = bad(&new, zone, None) {
        return why;
    }
    let text = |key: &str| new[key].as_str().unwrap().to_owned();
    let id = zone.add(&text("label"), &text("sort"), new["keep_for"].as_u64().unwrap(), &text("points_to"));
    Reply::new(201, peg(zone, &zone.records[&id]))
}

fn one(zone: &mut Zone, method: &str, no: &str, asked: &Asked) -> Reply {
    let Some(id) = no.parse().ok().filter(|id: &u64| zone.records.contains_key(id)) else {
        return error(404, "no such peg");
    };
    if method == "DELETE" {
        zone.records.remove(&id);
        return Reply { status: 204, ..Reply::default() };
    }
    let mut new = match record(zone, asked) {
        Ok(new) if method == "PUT" => new,
        Ok(_) => return error(405, "a peg is put"),
        Err(refusal) => return refusal,
    };
    if let Some(why) = bad(&new, zone, Some(id)) {
        return why;
    }
    if new.remove("no") != Some(json!(id)) {
        return error(422, "no is another");
    }
    new.insert("card".into(), json!(id));
    let missing = zone.records[&id].keys().find(|key| !new.contains_key(*key));
    if let Some(missing) = missing {
        return error(422, &format!("{missing} is missing"));
    }
    let shown = peg(zone, &new);
    zone.records.insert(id, new);
    Reply::new(200, shown)
}
