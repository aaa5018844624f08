//! An HTTP API of the tests' own, in which an item is one record with an id; and, on the same records, one in which it is
//! an RRset. Both speak as `config/providers/record.toml` and `rrset.toml` say. `yard_api` and `loft_api` have two more shapes.
//!
//! It knows nothing of the program under test. Every record carries fields that no DNS needs.

use std::collections::{BTreeMap, VecDeque};
use std::io::{BufRead, BufReader, Read, Write};
use std::net::{SocketAddr, TcpListener, TcpStream};
use std::sync::{Arc, Mutex};

use serde_json::{Map, Value, json};

use super::{loft_api, yard_api};

/// What may change it takes.
pub(crate) const TOKEN: &str = "t0ken-of-the-record-api";

/// How a list is cut in pages.
#[derive(Clone, Copy, PartialEq)]
pub(crate) enum Pages {
    Number,
    Cursor,
    Link,
}

/// What an API does to one request instead of answering as it should.
pub(crate) type Trick = Box<dyn Fn(&Asked) -> Option<Reply> + Send>;

/// One request.
#[derive(Clone, Debug)]
pub(crate) struct Asked {
    pub(crate) method: String,
    /// Path and query.
    pub(crate) target: String,
    pub(crate) headers: BTreeMap<String, String>,
    pub(crate) body: String,
}

impl Asked {
    /// Whether it changes a record that is there.
    pub(crate) fn is_change(&self) -> bool {
        let of = ["/desk/cards/", "/yard/pegs/", "/loft/"];
        matches!(self.method.as_str(), "POST" | "PUT") && of.iter().any(|of| self.target.starts_with(of))
    }
}

/// One answer.
#[derive(Clone, Default)]
pub(crate) struct Reply {
    pub(crate) status: u16,
    pub(crate) headers: Vec<(String, String)>,
    pub(crate) body: Body,
    /// What was asked for is done all the same.
    pub(crate) is_done: bool,
}

#[derive(Clone, Default)]
pub(crate) enum Body {
    #[default]
    Nothing,
    Text(String),
    Bytes(Vec<u8>),
    /// This many bytes of a JSON string that does not end.
    Endless(u64),
    /// One byte now and then until the other side has enough of it.
    Trickle,
    /// The connection is cut without an answer.
    Cut,
    /// The request is carried out, and the connection cut.
    DoneAndCut,
}

impl Reply {
    pub(crate) fn new(status: u16, body: Value) -> Self {
        Self::text(status, &body.to_string())
    }

    pub(crate) fn text(status: u16, body: &str) -> Self {
        Self { status, body: Body::Text(body.to_owned()), ..Self::default() }
    }

    pub(crate) fn with(mut self, name: &str, value: &str) -> Self {
        self.headers.push((name.into(), value.into()));
        self
    }

    /// The same after the work.
    pub(crate) fn after_the_work(self) -> Self {
        Self { is_done: true, ..self }
    }

    fn error(status: u16, message: &str) -> Self {
        Self::new(status, json!({ "fine": false, "trouble": { "says": message } }))
    }
}

/// The zone behind the API.
pub(crate) struct Zone {
    pub(crate) name: String,
    pub(crate) id: String,
    /// By which it knows who may change it, where an item is one record.
    pub(crate) token: String,
    /// By id. The keys `card` (the id), `label` (absolute, no final dot), `sort`, `keep_for`, `points_to`, and whatever else.
    pub(crate) records: BTreeMap<u64, Map<String, Value>>,
    /// What lists show instead of the records, one after the other; then the last again and again.
    pub(crate) listed: VecDeque<BTreeMap<u64, Map<String, Value>>>,
    next_id: u64,
    /// Changes with every write of a record.
    versions: BTreeMap<u64, u64>,
    pub(crate) page_size: usize,
    pub(crate) pages: Pages,
    /// Every request, in order.
    pub(crate) asked: Vec<Asked>,
    pub(crate) trick: Option<Trick>,
    /// Each name and type that had an address once and has none now.
    pub(crate) went_dark: Vec<String>,
}

/// Ids are larger than a 64-bit float can hold exactly.
const FIRST_ID: u64 = 9_007_199_254_740_993;
/// The zone's own id, to begin with.
const ZONE_ID: &str = "z/7 b";

impl Zone {
    /// Puts a record in, with fields of no concern to anybody's DNS; gives its id.
    pub(crate) fn add(&mut self, name: &str, rtype: &str, ttl: u64, content: &str) -> u64 {
        let id = self.next_id;
        self.next_id += 2;
        let record = json!({
            "card": id, "label": name, "sort": rtype, "keep_for": ttl, "points_to": content,
            "stamped": id % 4 == 1, "note": format!("of {name}, «né»\n"), "tags": ["a", {"w": 1.10}], "weight": 18446744073709551615u64,
        });
        self.records.insert(id, record.as_object().unwrap().clone());
        *self.versions.entry(id).or_default() += 1;
        id
    }

    /// The contents of the records of this name and type, with their TTLs, sorted.
    pub(crate) fn at(&self, name: &str, rtype: &str) -> Vec<(u64, String)> {
        let of = self.records.values().filter(|record| record["label"] == name && record["sort"] == rtype);
        let mut found: Vec<_> = of
            .map(|record| (record["keep_for"].as_u64().unwrap(), record["points_to"].as_str().unwrap().to_owned()))
            .collect();
        found.sort();
        found
    }

    /// Writes an address into a record, as people do.
    pub(crate) fn put(&mut self, id: u64, address: &str) {
        self.records.get_mut(&id).unwrap().insert("points_to".into(), address.into());
        *self.versions.entry(id).or_default() += 1;
    }

    /// The requests that are no reading, such as `DELETE /desk/cards/…`.
    pub(crate) fn writes(&self) -> Vec<String> {
        let writes = self.asked.iter().filter(|asked| asked.method != "GET");
        writes.map(|asked| format!("{} {}", asked.method, asked.target)).collect()
    }
}

/// A running API; its threads end with the test's process, its port is closed with this value.
pub(crate) struct RecordApi {
    pub(crate) at: SocketAddr,
    pub(crate) zone: Arc<Mutex<Zone>>,
    stop: Arc<std::sync::atomic::AtomicBool>,
}

impl RecordApi {
    pub(crate) fn start(zone: &str) -> Self {
        let listener = TcpListener::bind("127.0.0.1:0").unwrap();
        let at = listener.local_addr().unwrap();
        let zone = Arc::new(Mutex::new(Zone {
            name: zone.into(),
            id: ZONE_ID.into(),
            token: TOKEN.into(),
            records: BTreeMap::new(),
            listed: VecDeque::new(),
            next_id: FIRST_ID,
            versions: BTreeMap::new(),
            page_size: 100,
            pages: Pages::Number,
            asked: Vec::new(),
            trick: None,
            went_dark: Vec::new(),
        }));
        let stop = Arc::<std::sync::atomic::AtomicBool>::default();
        let (shared, ending) = (zone.clone(), stop.clone());
        std::thread::spawn(move || {
            for stream in listener.incoming().map_while(Result::ok) {
                if ending.load(std::sync::atomic::Ordering::Relaxed) {
                    return;
                }
                let zone = shared.clone();
                std::thread::spawn(move || drop(serve(&stream, &zone, at)));
            }
        });
        Self { at, zone, stop }
    }

    pub(crate) fn url(&self) -> String {
        format!("http://{}", self.at)
    }

    pub(crate) fn zone(&self) -> std::sync::MutexGuard<'_, Zone> {
        self.zone.lock().unwrap()
    }
}

impl Drop for RecordApi {
    fn drop(&mut self) {
        self.stop.store(true, std::sync::atomic::Ordering::Relaxed);
        let _ = TcpStream::connect(self.at);
    }
}

/// Serves one connection until it closes.
fn serve(stream: &TcpStream, zone: &Mutex<Zone>, at: SocketAddr) -> std::io::Result<()> {
    stream.set_nodelay(true)?;
    let mut reader = BufReader::new(stream);
    let mut out = stream;
    loop {
        let mut line = String::new();
        if reader.read_line(&mut line)? == 0 {
            return Ok(());
        }
        let mut parts = line.split(' ');
        let (method, target) = (parts.next().unwrap_or_default(), parts.next().unwrap_or_default());
        let mut asked =
            Asked { method: method.into(), target: target.into(), headers: BTreeMap::new(), body: String::new() };
        loop {
            let mut line = String::new();
            reader.read_line(&mut line)?;
            let Some((name, value)) = line.trim_end().split_once(':') else { break };
            asked.headers.insert(name.to_ascii_lowercase(), value.trim().into());
        }
        let length: usize = asked.headers.get("content-length").and_then(|length| length.parse().ok()).unwrap_or(0);
        let mut body = vec![0; length];
        reader.read_exact(&mut body)?;
        asked.body = String::from_utf8_lossy(&body).into_owned();
        let reply = answer(&mut zone.lock().unwrap(), &asked, at);
        let mut head = format!("HTTP/1.1 {} X\r\n", reply.status);
        for (name, value) in &reply.headers {
            head += &format!("{name}: {value}\r\n");
        }
        match reply.body {
            Body::Nothing => out.write_all(format!("{head}Content-Length: 0\r\n\r\n").as_bytes())?,
            Body::Bytes(bytes) => {
                out.write_all(format!("{head}Content-Length: {}\r\n\r\n", bytes.len()).as_bytes())?;
                out.write_all(&bytes)?;
            }
            Body::Text(text) => {
                out.write_all(format!("{head}Content-Length: {}\r\n\r\n{text}", text.len()).as_bytes())?;
            }
            Body::Endless(bytes) => {
                out.write_all(format!("{head}Content-Length: {}\r\n\r\n\"", bytes + 1).as_bytes())?;
                let chunk = vec![b'x'; 1 << 16];
                for _ in 0..bytes >> 16 {
                    out.write_all(&chunk)?;
                }
            }
            Body::Trickle => {
                out.write_all(format!("{head}Content-Length: 1000000\r\n\r\n").as_bytes())?;
                loop {
                    out.write_all(b" ")?;
                    std::thread::sleep(std::time::Duration::from_millis(5));
                }
            }
            Body::Cut | Body::DoneAndCut => return Ok(()),
        }
    }
}

fn answer(zone: &mut Zone, asked: &Asked, at: SocketAddr) -> Reply {
    zone.asked.push(asked.clone());
    let tricked = zone.trick.as_ref().and_then(|trick| trick(asked));
    if let Some(reply) = tricked {
        if reply.is_done || matches!(reply.body, Body::DoneAndCut) {
            route(zone, asked, at);
        }
        return reply;
    }
    let knows = match asked.target.split('/').nth(1) {
        Some("yard") => yard_api::knows(asked),
        Some("loft") => loft_api::knows(asked),
        _ => asked.headers.get("authorization") == Some(&format!("Bearer {}", zone.token)),
    };
    if !knows {
        return Reply::error(401, "who are you?");
    }
    let dark_before = addresses(zone);
    let reply = route(zone, asked, at);
    let now = addresses(zone);
    zone.went_dark.extend(dark_before.into_iter().filter(|name| !now.contains(name)));
    reply
}

fn addresses(zone: &Zone) -> Vec<String> {
    let of = zone.records.values().filter(|record| record["sort"] == "A" || record["sort"] == "AAAA");
    let mut names: Vec<_> = of.map(|record| format!("{} {}", record["sort"], record["label"])).collect();
    names.dedup();
    names
}

fn route(zone: &mut Zone, asked: &Asked, at: SocketAddr) -> Reply {
    match asked.target.split('/').nth(1) {
        Some("yard") => return yard_api::route(zone, asked),
        Some("loft") => return loft_api::route(zone, asked),
        _ => {}
    }
    let (path, query) = asked.target.split_once('?').unwrap_or((&asked.target, ""));
    let query: BTreeMap<&str, &str> = query.split('&').filter_map(|pair| pair.split_once('=')).collect();
    let path: Vec<String> = path.split('/').skip(1).map(decoded).collect();
    let path: Vec<&str> = path.iter().map(String::as_str).collect();
    let known_zone = |id: &str, zone: &Zone| id == zone.id || id == zone.name;
    match (asked.method.as_str(), path.as_slice()) {
        ("GET", ["desk", "shelves"]) => Reply::new(
            200,
            json!({ "shelves": [{ "label": "tern.example", "shelf": "other" }, { "label": format!("{}.", zone.name.to_uppercase()), "shelf": zone.id }] }),
        ),
        (_, ["desk", "shelves", id, ..]) if !known_zone(id, zone) => Reply::error(404, "no such zone"),
        ("GET", ["desk", "shelves", _, "cards"]) => {
            let shown = all_records(zone);
            if zone.listed.len() > 1 {
                zone.listed.pop_front();
            }
            page(zone, "cards", &shown, &query, &asked.target, at)
        }
        ("POST", ["desk", "shelves", _, "cards"]) => {
            let Ok(Value::Object(body)) = serde_json::from_str(&asked.body) else {
                return Reply::error(400, "not JSON");
            };
            if let Some(why) = bad(&body, zone, None) {
                return why;
            }
            let text = |key: &str| body[key].as_str().unwrap().to_owned();
            let id = zone.add(&text("label"), &text("sort"), body["keep_for"].as_u64().unwrap(), &text("points_to"));
            Reply::new(201, json!({ "card": zone.records[&id] }))
        }
        (method, ["desk", "cards", id]) => one_record(zone, method, id, asked),
        ("GET", ["desk", "shelves", _, "sets"]) => page(zone, "sets", &all_sets(zone), &query, &asked.target, at),
        (method, ["desk", "shelves", _, "sets", rest @ ..]) => one_set(zone, method, rest, asked),
        _ => Reply::error(404, "no such path"),
    }
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

fn all_records(zone: &Zone) -> Vec<Value> {
    zone.listed.front().unwrap_or(&zone.records).values().map(|record| Value::Object(record.clone())).collect()
}

fn page(zone: &Zone, key: &str, items: &[Value], query: &BTreeMap<&str, &str>, target: &str, at: SocketAddr) -> Reply {
    let size = zone.page_size;
    let start = match zone.pages {
        Pages::Number => query.get("page").map_or(0, |page| (page.parse::<usize>().unwrap() - 1) * size),
        Pages::Cursor | Pages::Link => query.get("cursor").map_or(0, |cursor| cursor.parse().unwrap()),
    };
    let part: Vec<&Value> = items.iter().skip(start).take(size).collect();
    let next = (start + size < items.len()).then(|| start + size);
    let link = next.map(|next| format!("http://{at}{}?cursor={next}", target.split('?').next().unwrap()));
    Reply::new(
        200,
        json!({ key: part, "leaf": { "of": items.len().div_ceil(size).max(1), "next": next.map(|next| next.to_string()), "link": link } }),
    )
}

/// What is wrong with a record that shall be written.
pub(crate) fn bad(body: &Map<String, Value>, zone: &Zone, id: Option<u64>) -> Option<Reply> {
    let text = |key: &str| body.get(key).and_then(Value::as_str);
    let (Some(name), Some(rtype), Some(content)) = (text("label"), text("sort"), text("points_to")) else {
        return Some(Reply::error(422, "label, sort and points_to are needed"));
    };
    let Some(ttl) = body.get("keep_for").and_then(Value::as_u64) else {
        return Some(Reply::error(422, "keep_for must be a number"));
    };
    if !(30..=86_400).contains(&ttl) {
        return Some(Reply::error(422, &format!("keep_for {ttl} is not within 30 and 86400")));
    }
    if name != zone.name && !name.ends_with(&format!(".{}", zone.name)) {
        return Some(Reply::error(422, "label is outside of the shelf"));
    }
    let others = zone.records.iter().filter(|(other, record)| Some(**other) != id && record["label"] == name);
    for (_, other) in others {
        if other["sort"] == "CNAME" {
            return Some(Reply::error(422, "a CNAME is here"));
        }
        if other["sort"] == rtype && other["points_to"] == content {
            return Some(Reply::error(409, "exists already"));
        }
    }
    None
}

fn one_record(zone: &mut Zone, method: &str, id: &str, asked: &Asked) -> Reply {
    let Some((id, record)) = id.parse().ok().and_then(|id: u64| Some((id, zone.records.get(&id)?.clone()))) else {
        return Reply::error(404, "no such record");
    };
    let etag = format!("\"v{}\"", zone.versions[&id]);
    if method != "GET" && asked.headers.get("if-match").is_some_and(|tag| *tag != etag) {
        return Reply::error(412, "changed meanwhile");
    }
    let body = serde_json::from_str(&asked.body);
    match (method, body) {
        ("GET", _) => Reply::new(200, json!({ "card": record })).with("ETag", &etag),
        ("DELETE", _) => {
            zone.records.remove(&id);
            Reply { status: 204, ..Reply::default() }
        }
        ("POST" | "PUT", Ok(Value::Object(body))) => {
            let mut new = if method == "POST" { record } else { Map::new() };
            new.extend(body);
            if new.get("card") != Some(&json!(id)) {
                return Reply::error(422, "the id cannot be changed");
            }
            if let Some(why) = bad(&new, zone, Some(id)) {
                return why;
            }
            zone.records.insert(id, new.clone());
            *zone.versions.entry(id).or_default() += 1;
            Reply::new(200, json!({ "card": new }))
        }
        _ => Reply::error(400, "not JSON"),
    }
}

/// The records as RRsets: members keep id and all other fields.
fn all_sets(zone: &Zone) -> Vec<Value> {
    let mut sets: BTreeMap<(String, String), Value> = BTreeMap::new();
    for record in zone.records.values() {
        let text = |key: &str| record[key].as_str().unwrap().to_owned();
        let set = sets.entry((text("label"), text("sort"))).or_insert_with(|| {
            let relative = text("label");
            let relative = relative.strip_suffix(&zone.name).unwrap().trim_end_matches('.').to_owned();
            let relative = if relative.is_empty() { "@".to_owned() } else { relative };
            json!({ "label": relative, "sort": text("sort"), "keep_for": record["keep_for"].to_string(), "cards": [], "policy": { "geo": [1, null] } })
        });
        let mut member = record.clone();
        for key in ["label", "sort", "keep_for"] {
            member.remove(key);
        }
        set["cards"].as_array_mut().unwrap().push(Value::Object(member));
    }
    sets.into_values().collect()
}

fn one_set(zone: &mut Zone, method: &str, path: &[&str], asked: &Asked) -> Reply {
    let body: Value = serde_json::from_str(&asked.body).unwrap_or_default();
    let text = |key: &str| body[key].as_str().unwrap_or_default().to_owned();
    let (relative, rtype) = match path {
        [name, rtype] => ((*name).to_owned(), (*rtype).to_owned()),
        _ => (text("label"), text("sort")),
    };
    let existing = all_sets(zone).into_iter().find(|set| set["label"] == relative && set["sort"] == rtype);
    let etag = |set: &Value| format!("\"{:08x}\"", hash_of(&set.to_string()));
    match (method, existing) {
        ("GET" | "PUT", None) => return Reply::error(404, "no such RRset"),
        ("POST", Some(_)) => return Reply::error(409, "exists already"),
        ("GET", Some(set)) => {
            let tag = etag(&set);
            return Reply::new(200, json!({ "set": set })).with("ETag", &tag);
        }
        ("PUT", Some(set)) => {
            if asked.headers.get("if-match") != Some(&etag(&set)) {
                return Reply::error(412, "changed meanwhile");
            }
            if set["policy"] != body["policy"] {
                return Reply::error(422, "policy is missing");
            }
        }
        _ => {}
    }
    let name = if relative == "@" { zone.name.clone() } else { format!("{relative}.{}", zone.name) };
    // The TTL goes out as text, and may come back as either.
    let ttl = body["keep_for"].as_u64().or_else(|| text("keep_for").parse().ok());
    let (Some(ttl), Some(members)) = (ttl.filter(|ttl| (30..=86_400).contains(ttl)), body["cards"].as_array()) else {
        return Reply::error(422, "keep_for or cards are wrong");
    };
    zone.records.retain(|_, record| !(record["label"] == name && record["sort"] == rtype));
    for member in members {
        let mut member = member.as_object().unwrap().clone();
        let content = member.remove("points_to").unwrap();
        let content = content.as_str().unwrap();
        match member.get("card").and_then(Value::as_u64) {
            Some(id) => {
                for (key, value) in [
                    ("label", json!(name)),
                    ("sort", json!(rtype)),
                    ("keep_for", json!(ttl)),
                    ("points_to", json!(content)),
                ] {
                    member.insert(key.into(), value);
                }
                zone.records.insert(id, member);
            }
            None => drop(zone.add(&name, &rtype, ttl, content)),
        }
    }
    Reply::new(200, json!({}))
}

/// Any hash will do.
fn hash_of(text: &str) -> u32 {
    text.bytes().fold(0_u32, |hash, byte| hash.wrapping_mul(31).wrapping_add(byte.into()))
}
