//! The two shapes of API over HTTP, on the same records.

use std::collections::BTreeMap;

use serde_json::{Value, json};

use crate::ZONE;
use crate::forms::{canonical, id_in, rtype_in, rtype_of, ttl_of};
use crate::habits::{AfterLast, ByName, Duplicates, Nothing, Paging, Shape, Tags};
use crate::store::{By, Id, Rec, Records};
use crate::world::{Reply, Request, World};

pub(crate) const TOKEN: &str = "t0ken-of-the-hosted-api";

/// What is said of a set beside its members, and must be sent back.
fn policy(name: &str) -> Value {
    json!({ "geo": [name.len(), null] })
}

fn error(status: u16, message: &str) -> Reply {
    reply(status, json!({ "fine": false, "trouble": { "says": message } }))
}

pub(crate) fn reply(status: u16, body: Value) -> Reply {
    Reply { status, headers: Vec::new(), body: body.to_string() }
}

fn done(status: u16, mut body: Value) -> Reply {
    body["fine"] = true.into();
    reply(status, body)
}

fn decoded(text: &str) -> String {
    let mut bytes = Vec::new();
    let mut rest = text.as_bytes();
    while let Some((&first, after)) = rest.split_first() {
        if first == b'%' {
            bytes.push(u8::from_str_radix(std::str::from_utf8(&after[..2]).unwrap(), 16).unwrap());
            rest = &after[2..];
        } else {
            bytes.push(first);
            rest = after;
        }
    }
    String::from_utf8(bytes).unwrap()
}

fn tag_of(value: &str) -> String {
    format!("{:08x}", value.bytes().fold(0_u32, |hash, byte| hash.wrapping_mul(31).wrapping_add(byte.into())))
}

impl World {
    /// Does what is asked for.
    pub(crate) fn perform(&mut self, no: usize, request: &Request) -> Reply {
        if self.habits.shape == Shape::Program {
            return self.perform_for_program(no, request);
        }
        let (path, query) = request.target.split_once('?').unwrap_or((&request.target, ""));
        let query: BTreeMap<&str, String> = query
            .split('&')
            .filter_map(|pair| pair.split_once('='))
            .map(|(key, value)| (key, decoded(value)))
            .collect();
        let path: Vec<String> = path.split('/').skip(1).map(decoded).collect();
        let path: Vec<&str> = path.iter().map(String::as_str).collect();
        match (request.method.as_str(), path.as_slice()) {
            ("GET", ["desk", "shelves"]) => {
                let shelves =
                    json!([{ "label": "tern.example", "shelf": 1 }, { "label": "HeronMill.example.", "shelf": 7 }]);
                done(200, json!({ "shelves": shelves }))
            }
            ("GET", ["desk", "shelves", "7", "cards"]) => self.list("cards", &query, &request.target),
            ("POST", ["desk", "shelves", "7", "cards"]) => self.create(no, request),
            (_, ["desk", "cards", id]) => self.one_record(no, id, request),
            ("GET", ["desk", "shelves", ZONE, "sets"]) => self.list("sets", &query, &request.target),
            ("PATCH", ["desk", "shelves", ZONE, "sets"]) => self.sets(no, request),
            (_, ["desk", "shelves", ZONE, "sets", rest @ ..]) => self.one_set(no, rest, request),
            _ => error(404, "no such path"),
        }
    }

    // Lists.

    /// What a list shows now.
    fn items(&mut self, key: &str, query: &BTreeMap<&str, String>) -> Vec<Value> {
        let server = if self.habits.replicas { self.rng.usize(0..2) } else { 0 };
        let mut records = self.store.view(server, self.time.now());
        if let (Some(by_name), Some(name)) = (self.habits.by_name, query.get("label")) {
            let name = canonical(name);
            records.retain(|_, record| match by_name {
                ByName::Exact => record.name == name,
                ByName::Contains => record.name.contains(name.as_str()),
                ByName::Ignored => true,
            });
        }
        if key == "cards" {
            return records.iter().map(|(id, record)| self.shown(*id, record)).collect();
        }
        let mut places: Vec<_> = records.values().map(|record| (record.name.clone(), record.rtype.clone())).collect();
        places.sort();
        places.dedup();
        places.iter().filter_map(|(name, rtype)| self.shown_set(&records, name, rtype)).collect()
    }

    fn list(&mut self, key: &str, query: &BTreeMap<&str, String>, target: &str) -> Reply {
        let size = self.habits.page_size;
        let start = match self.habits.paging {
            Paging::Whole => 0,
            Paging::Number(_) => (query.get("page").map_or(1, |page| page.parse().unwrap()) - 1) * size,
            Paging::Cursor | Paging::Link => query.get("cursor").map_or(0, |cursor| cursor.parse().unwrap()),
        };
        if start == 0 {
            self.listing = self.items(key, query);
            if self.listing.is_empty() {
                return match self.habits.nothing {
                    Nothing::Empty => done(200, json!({ key: [], "leaf": { "of": 1 } })),
                    Nothing::NotFound => error(404, "nothing of that name"),
                    Nothing::Null => done(200, json!({ key: null, "leaf": { "of": 1 } })),
                    Nothing::Missing => done(200, json!({ "leaf": { "of": 1 } })),
                };
            }
        } else if self.habits.inserts && self.is_wild && self.inserts > 0 && self.rng.u8(0..4) == 0 {
            self.inserts -= 1;
            let host = self.rng.u8(1..250);
            let record = Rec::new(&crate::world::at("cam"), "TXT", 600, &format!("smoke {host}")).noted("fast");
            let id = self.store.fresh();
            self.commit(By::People, vec![(id, Some(record.clone()))]);
            if key == "cards" {
                let shown = self.shown(id, &record);
                self.listing.insert(0, shown);
            }
        }
        if self.habits.unstable {
            self.rng.shuffle(&mut self.listing);
        }
        let count = self.listing.len();
        let (mut from, mut to) = match self.habits.paging {
            Paging::Whole => (0, count),
            _ => (start, (start + size).min(count)),
        };
        if from >= count {
            match self.habits.after_last {
                AfterLast::Empty => (from, to) = (0, 0),
                AfterLast::NotFound => return error(404, "no such page"),
                AfterLast::Last => (from, to) = ((count - 1) / size * size, count),
            }
        }
        let mut page = self.listing[from..to].to_vec();
        if self.habits.repeats {
            match self.habits.paging {
                Paging::Whole => page.extend(self.listing.get(self.rng.usize(0..count)).cloned()),
                _ if from > 0 => page.insert(0, self.listing[from - 1].clone()),
                _ => {}
            }
        }
        let next = (self.habits.paging != Paging::Whole && to < count && to > 0).then_some(to);
        let link = next.map(|next| {
            let target = target.split("&cursor=").next().unwrap();
            format!("{target}&cursor={next}")
        });
        if self.habits.by_header() {
            let mut reply = done(200, json!({ key: page }));
            reply.headers = self.links(link, target);
            return reply;
        }
        let leaf = json!({ "of": count.div_ceil(size), "next": next.map(|next| next.to_string()), "link": link });
        done(200, json!({ key: page, "leaf": leaf }))
    }

    /// The Link headers of a page (RFC 8288, section 3): others beside that which leads on, in one header or several.
    fn links(&mut self, next: Option<String>, target: &str) -> Vec<(&'static str, String)> {
        let mut links = vec![format!("<{target}>; rel=\"first self\"; title=\"a, <b>; rel=next\"")];
        let forms = ["rel=\"next\"", "rel=next", "title=\"on\"; REL=\"up Next\""];
        let form = forms[self.rng.usize(0..forms.len())];
        links.extend(next.map(|next| format!("<{next}>; {form}")));
        self.rng.shuffle(&mut links);
        match self.rng.bool() {
            true => vec![("Link", links.join(", "))],
            false => links.into_iter().map(|link| ("Link", link)).collect(),
        }
    }

    fn shown(&mut self, id: Id, record: &Rec) -> Value {
        let mut shown = record.fields.clone();
        let (name, ttl) = (self.written(&record.name), self.shown_ttl(record));
        let known = json!({ "card": self.shown_id(id), "label": name, "sort": self.shown_type(&record.rtype), "keep_for": ttl, "points_to": record.content });
        shown.extend(known.as_object().unwrap().clone());
        Value::Object(self.flagged(shown, record.disabled))
    }

    fn shown_set(&mut self, records: &Records, name: &str, rtype: &str) -> Option<Value> {
        let of: Vec<_> = records.iter().filter(|(_, record)| record.name == name && record.rtype == rtype).collect();
        let ttl = self.shown_ttl(of.first()?.1);
        let mut members = Vec::new();
        for (id, record) in of {
            let mut member = record.fields.clone();
            member.extend([
                ("card".to_owned(), self.shown_id(*id)),
                ("points_to".to_owned(), record.content.clone().into()),
            ]);
            members.push(Value::Object(self.flagged(member, record.disabled)));
        }
        let written = self.written(name);
        Some(
            json!({ "label": written, "sort": self.shown_type(rtype), "keep_for": ttl, "cards": members, "policy": policy(name) }),
        )
    }

    // Single records.

    fn create(&mut self, no: usize, request: &Request) -> Reply {
        let body: Value = serde_json::from_str(&request.body).unwrap_or_default();
        let text = |key: &str| body[key].as_str().unwrap_or_default().to_owned();
        let Some(ttl) = ttl_of(&body["keep_for"], self.habits.forms.units) else {
            return error(422, "a TTL is needed");
        };
        let record = Rec::new(&canonical(&text("label")), &rtype_in(&body["sort"]), ttl, &text("points_to"));
        self.note_create(no, &record);
        if let Duplicates::Refused(status) = self.habits.duplicates
            && self.store.records.values().any(|other| other.is_like(&record))
        {
            return error(status, "an identical record exists");
        }
        let id = self.store.fresh();
        self.commit(By::Us(no), vec![(id, Some(record.clone()))]);
        let shown = self.shown(id, &record);
        done(201, json!({ "card": shown }))
    }

    fn tagged(&self, reply: Reply, of: &str) -> Reply {
        let tag = match self.habits.tags {
            Tags::Absent => return reply,
            Tags::Weak => format!("W/\"{}\"", tag_of(of)),
            Tags::Ignored | Tags::Strong => format!("\"{}\"", tag_of(of)),
        };
        Reply { headers: vec![("ETag", tag)], ..reply }
    }

    /// Whether the write is of what stands there.
    fn is_current(&self, request: &Request, of: &str) -> bool {
        let wanted = request.if_match.as_ref().filter(|_| self.habits.tags == Tags::Strong);
        wanted.is_none_or(|tag| *tag == format!("\"{}\"", tag_of(of)))
    }

    fn one_record(&mut self, no: usize, id: &str, request: &Request) -> Reply {
        let found = id.parse().ok().and_then(|id: Id| Some((id, self.store.records.get(&id)?.clone())));
        let Some((id, record)) = found else { return error(404, "no such record") };
        let state = format!("{record:?}");
        if request.method == "GET" {
            let shown = self.shown(id, &record);
            return self.tagged(done(200, json!({ "card": shown })), &state);
        }
        if !self.is_current(request, &state) {
            return error(412, "changed meanwhile");
        }
        if request.method == "DELETE" {
            self.commit(By::Us(no), vec![(id, None)]);
            return Reply { status: 204, headers: Vec::new(), body: String::new() };
        }
        let Ok(Value::Object(mut body)) = serde_json::from_str(&request.body) else { return error(400, "not JSON") };
        let ttl = body.get("keep_for").and_then(|ttl| ttl_of(ttl, self.habits.forms.units));
        let Some(ttl) = ttl else { return error(422, "a TTL is needed") };
        let content = body.get("points_to").and_then(Value::as_str).unwrap_or_default().to_owned();
        let mut new = Rec { ttl, content, ..record.clone() };
        if request.method == "PUT" {
            for key in ["card", "label", "sort", "keep_for", "points_to", "resting"] {
                body.remove(key);
            }
            new.fields = body;
        }
        if new.fields != record.fields {
            self.breaches.push(format!(
                "foreign: request {no} changes fields of others: {:?} → {:?}",
                record.fields, new.fields
            ));
        }
        self.exchange(no, vec![(id, record, new.clone())]);
        let shown = self.shown(id, &new);
        done(200, json!({ "card": shown }))
    }

    /// Puts records in the place of others, perhaps with new ids.
    fn exchange(&mut self, no: usize, pairs: Vec<(Id, Rec, Rec)>) {
        let mut parts = Vec::new();
        for (id, _, new) in pairs {
            if self.habits.ids_change {
                parts.push((id, None));
                parts.push((self.store.fresh(), Some(new)));
            } else {
                parts.push((id, Some(new)));
            }
        }
        self.commit(By::Us(no), parts);
    }

    // RRsets.

    fn one_set(&mut self, no: usize, path: &[&str], request: &Request) -> Reply {
        let body: Value = serde_json::from_str(&request.body).unwrap_or_default();
        let text = |key: &str| body[key].as_str().unwrap_or_default().to_owned();
        let (name, rtype) = match path {
            [name, rtype] => (canonical(name), rtype_of(rtype)),
            _ => (canonical(&text("label")), rtype_in(&body["sort"])),
        };
        let records = self.store.records.clone();
        let stands = records.values().any(|record| record.name == name && record.rtype == rtype);
        let state: Vec<_> = records.iter().filter(|(_, record)| record.name == name && record.rtype == rtype).collect();
        let state = format!("{state:?}");
        match request.method.as_str() {
            "GET" | "PUT" if !stands => return error(404, "no such RRset"),
            "GET" => {
                let shown = self.shown_set(&records, &name, &rtype);
                return self.tagged(done(200, json!({ "set": shown })), &state);
            }
            "POST" if stands => {
                if let Some(content) = body["cards"][0]["points_to"].as_str() {
                    self.note_create(no, &Rec::new(&name, &rtype, 0, content));
                }
                return error(if self.habits.duplicates == Duplicates::Refused(422) { 422 } else { 409 }, "exists");
            }
            "PUT" if !self.is_current(request, &state) => return error(412, "changed meanwhile"),
            "PUT" if self.habits.whole && body["policy"] != policy(&name) => {
                self.breaches.push(format!("foreign: request {no} loses the policy of {name}"));
            }
            _ => {}
        }
        match self.parts_of_set(no, &name, &rtype, &body) {
            Ok(parts) => self.commit(By::Us(no), parts),
            Err(refusal) => return refusal,
        }
        done(200, json!({}))
    }

    /// Several at once, all or none.
    fn sets(&mut self, no: usize, request: &Request) -> Reply {
        let body: Value = serde_json::from_str(&request.body).unwrap_or_default();
        let mut all = Vec::new();
        for set in body["sets"].as_array().into_iter().flatten() {
            let (name, rtype) = (canonical(set["label"].as_str().unwrap()), rtype_in(&set["sort"]));
            match self.parts_of_set(no, &name, &rtype, set) {
                Ok(parts) => all.extend(parts),
                Err(refusal) => return refusal,
            }
        }
        self.commit(By::Us(no), all);
        done(200, json!({}))
    }

    fn parts_of_set(
        &mut self,
        no: usize,
        name: &str,
        rtype: &str,
        body: &Value,
    ) -> Result<Vec<(Id, Option<Rec>)>, Reply> {
        let (Some(ttl), Some(members)) = (ttl_of(&body["keep_for"], self.habits.forms.units), body["cards"].as_array())
        else {
            return Err(error(422, "keep_for or cards are wrong"));
        };
        let mut old: Records = self.store.records.clone();
        old.retain(|_, record| record.name == name && record.rtype == rtype);
        let mut parts = Vec::new();
        for member in members {
            let content = member["points_to"].as_str().unwrap_or_default();
            let stood = id_in(&member["card"]).and_then(|id| Some((id, old.remove(&id)?)));
            let Some((id, was)) = stood else {
                parts.push((self.store.fresh(), Some(Rec::new(name, rtype, ttl, content))));
                continue;
            };
            let mut fields = member.as_object().unwrap().clone();
            for key in ["card", "points_to", "resting"] {
                fields.remove(key);
            }
            if fields != was.fields {
                self.breaches
                    .push(format!("foreign: request {no} changes fields of others: {:?} → {fields:?}", was.fields));
            }
            let new = Rec { ttl, content: content.to_owned(), fields, ..was.clone() };
            if new == was {
                continue;
            }
            if self.habits.ids_change {
                parts.push((id, None));
                parts.push((self.store.fresh(), Some(new)));
            } else {
                parts.push((id, Some(new)));
            }
        }
        parts.extend(old.into_keys().map(|id| (id, None)));
        Ok(parts)
    }
}
