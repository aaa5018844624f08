//! The world behind an API: what people and others put there, what becomes of each request, and what never may.

use std::collections::BTreeSet;
use std::sync::Arc;
use std::time::{SystemTime, UNIX_EPOCH};

use fastrand::Rng;
use serde_json::json;
use tokio::sync::Notify;
use tokio::time::Instant;

use crate::ZONE;
use crate::habits::{Answer, Fault, Habits, Shape, Work};
use crate::store::{By, Id, Rec, Records, Store, contents, places, published};

/// The records that are kept at the home's address: label, whether others have members there, TTL.
pub(crate) const WANTED: [(&str, bool, u64); 4] =
    [("gauge", false, 120), ("mill", true, 300), ("fresh", false, 120), ("*.w", false, 120)];

/// Names of others; some contain ours.
const OTHERS: [&str; 6] = ["cam", "old-gauge", "x.mill", "oven", "a.fresh", "w"];

pub(crate) fn at(label: &str) -> String {
    format!("{label}.{ZONE}")
}

pub(crate) fn wanted_at(name: &str) -> Option<bool> {
    WANTED.iter().find(|(label, ..)| at(label) == name).map(|(_, member, _)| *member)
}

/// The run's own time.
#[derive(Clone, Copy, Debug)]
pub(crate) enum Time {
    /// Paused, and moved on by whoever would wait.
    Own(Instant),
    Real,
}

/// A moment in the year 2026.
pub(crate) const BEGIN: u64 = 1_795_000_000_000;

impl Time {
    /// Milliseconds since the epoch.
    pub(crate) fn now(self) -> u64 {
        let millis = |span: std::time::Duration| u64::try_from(span.as_millis()).unwrap();
        match self {
            Self::Own(origin) => BEGIN + millis(origin.elapsed()),
            Self::Real => millis(SystemTime::now().duration_since(UNIX_EPOCH).unwrap()),
        }
    }
}

#[derive(Clone, Debug, PartialEq)]
pub(crate) struct Request {
    pub(crate) method: String,
    pub(crate) target: String,
    pub(crate) if_match: Option<String>,
    pub(crate) body: String,
    /// Whether it is not the first on its connection.
    pub(crate) is_kept: bool,
}

impl Request {
    pub(crate) fn is_write(&self) -> bool {
        self.method != "GET" && self.method != "READ"
    }
}

#[derive(Clone, Debug)]
pub(crate) struct Reply {
    pub(crate) status: u16,
    pub(crate) headers: Vec<(&'static str, String)>,
    pub(crate) body: String,
}

/// What is done to a connection.
pub(crate) enum Given {
    Answered(Reply, Answer),
    Cut,
    /// Cut when the other side has waited too long.
    Slow,
    /// The other side has died.
    Never,
}

/// What came, when, and what was done to it.
#[derive(Clone, Debug)]
pub(crate) struct Asked {
    pub(crate) at: u64,
    pub(crate) request: Request,
    pub(crate) fault: Option<Fault>,
}

pub(crate) struct World {
    pub(crate) habits: Habits,
    pub(crate) store: Store,
    pub(crate) rng: Rng,
    pub(crate) time: Time,
    pub(crate) home: String,
    /// All that the home ever had.
    pub(crate) homes: BTreeSet<String>,
    /// Faults occur, and others write in between.
    pub(crate) is_wild: bool,
    pub(crate) asked: Vec<Asked>,
    /// What will be done, and when.
    pending: Vec<(u64, usize, Request)>,
    /// When what is done just now was due.
    due: Option<u64>,
    /// The items of a list that is being read in pages.
    pub(crate) listing: Vec<serde_json::Value>,
    /// How many records may still be put in while a list is read.
    pub(crate) inserts: u8,
    /// No write before this: so it was asked.
    pub(crate) wait_until: u64,
    /// The program dies at the request after so many more.
    pub(crate) dies_in: Option<usize>,
    pub(crate) died: Arc<Notify>,
    /// Some answer said rightly that a person has to act.
    pub(crate) needs_a_person: bool,
    /// What must not have happened.
    pub(crate) breaches: Vec<String>,
}

impl World {
    pub(crate) fn new(habits: Habits, time: Time, mut rng: Rng, home: &str) -> Self {
        let mut records = vec![
            Rec::new(ZONE, "SOA", 300, "ns1 hostmaster 1 3600 900 604800 300"),
            Rec::new(ZONE, "NS", 300, "ns1.heronmill.example."),
            Rec::new(&at("gauge"), "A", 120, "203.0.113.1").noted("of the keeper"),
            Rec::new(&at("gauge"), "AAAA", 120, "2001:db8::9").noted("by hand"),
            Rec::new(&at("gauge"), "TXT", 300, "level").noted("the river's"),
            Rec::new(&at("mill"), "A", 300, "198.51.100.99").noted("of the neighbour"),
            Rec::new(&at("old-gauge"), "A", 600, "192.0.2.77").noted("of long ago"),
            Rec::new(&at("oven"), "CNAME", 300, "cam.heronmill.example.").noted("bread"),
        ];
        for label in ["gauge", "fresh"] {
            if rng.bool() {
                let hidden = Rec::new(&at(label), "A", 120, "198.51.100.200").noted("not yet");
                records.push(Rec { disabled: true, ..hidden });
            }
        }
        Self {
            habits,
            store: Store::new(records),
            rng,
            time,
            home: home.to_owned(),
            homes: [home.to_owned()].into(),
            is_wild: true,
            asked: Vec::new(),
            pending: Vec::new(),
            due: None,
            listing: Vec::new(),
            inserts: 20,
            wait_until: 0,
            dies_in: None,
            died: Arc::default(),
            needs_a_person: false,
            breaches: Vec::new(),
        }
    }

    pub(crate) fn move_to(&mut self, home: &str) {
        self.home = home.to_owned();
        self.homes.insert(home.to_owned());
    }

    /// Takes in a request, and says what comes of it.
    pub(crate) fn receive(&mut self, request: Request) -> Given {
        let now = self.time.now();
        self.catch_up(now);
        let (no, is_write) = (self.asked.len(), request.is_write());
        if self.is_wild && self.rng.u8(0..12) == 0 {
            self.somebody_acts(true);
        }
        let dies = self.dies_in.as_mut().is_some_and(|left| {
            *left = left.saturating_sub(1);
            *left == 0
        });
        let fault = (self.is_wild && !dies).then(|| self.fault(&request)).flatten();
        self.asked.push(Asked { at: now, request: request.clone(), fault });
        if is_write && now < self.wait_until {
            self.breaches
                .push(format!("early: request {no} writes {} ms before it was asked to", self.wait_until - now));
        }
        if dies {
            self.dies_in = None;
            self.died.notify_one();
            match self.rng.u8(0..3) {
                0 => {}
                1 => drop(self.perform(no, &request)),
                _ => self.put_off(now, no, request),
            }
            // What it was told is forgotten.
            self.wait_until = 0;
            return Given::Never;
        }
        let Some(fault) = fault else { return Given::Answered(self.perform(no, &request), Answer::Proper) };
        self.needs_a_person |= fault.needs_a_person(is_write);
        let proper = match fault.work {
            Work::No => None,
            Work::Now => Some(self.perform(no, &request)),
            Work::Later => {
                self.put_off(now, no, request);
                None
            }
        };
        let reply =
            |status: u16| Reply { status, headers: Vec::new(), body: r#"{"trouble":{"says":"not now"}}"#.into() };
        match fault.answer {
            Answer::Cut => Given::Cut,
            Answer::Slow => Given::Slow,
            Answer::Proper | Answer::Gzip => Given::Answered(proper.unwrap_or_else(|| reply(500)), fault.answer),
            Answer::Status(status, wait) => {
                let mut reply = reply(status);
                if let Some((seconds, is_date)) = wait {
                    self.wait_until = self.wait_until.max(now + seconds * 1000);
                    let date =
                        || httpdate::fmt_http_date(SystemTime::now() + std::time::Duration::from_secs(seconds + 1));
                    reply.headers.push(("Retry-After", if is_date { date() } else { seconds.to_string() }));
                }
                if status == 302 {
                    reply.headers.push(("Location", "http://127.0.0.1:9/maintenance".into()));
                    reply.body = "<html>back soon</html>".into();
                }
                Given::Answered(reply, fault.answer)
            }
            Answer::Bare(status) => {
                let headers = vec![("Location", "/desk/errands/7".to_owned())];
                Given::Answered(Reply { status, headers, body: String::new() }, fault.answer)
            }
            Answer::NotOk => {
                let body = json!({ "fine": false, "trouble": { "says": "not now" } }).to_string();
                Given::Answered(Reply { body, ..reply(200) }, fault.answer)
            }
            Answer::Junk => Given::Answered(Reply { body: "<html>hello</html>".into(), ..reply(200) }, fault.answer),
        }
    }

    fn fault(&mut self, request: &Request) -> Option<Fault> {
        if self.habits.kinds.is_empty() || self.rng.u8(0..100) >= self.habits.rate {
            return None;
        }
        let kind = self.habits.kinds[self.rng.usize(0..self.habits.kinds.len())];
        Fault::draw(&mut self.rng, &self.habits, kind, request)
    }

    fn put_off(&mut self, now: u64, no: usize, request: Request) {
        let due = now + self.rng.u64(1..=self.habits.lag.max(self.habits.visible_within / 30) / 2);
        self.pending.push((due, no, request));
    }

    /// Does what was put off until `now`.
    pub(crate) fn catch_up(&mut self, now: u64) {
        self.pending.sort_by_key(|(due, ..)| *due);
        let due = self.pending.iter().filter(|(due, ..)| *due <= now).count();
        for (due, no, request) in self.pending.drain(..due).collect::<Vec<_>>() {
            self.due = Some(due);
            self.perform(no, &request);
        }
        self.due = None;
    }

    /// Somebody else is about to create this too, or has: it would stand there twice.
    pub(crate) fn note_create(&mut self, no: usize, record: &Rec) {
        let here = self.store.records.values().any(|other| other.is_like(record));
        let request = &self.asked[no].request;
        let coming = self.pending.iter().any(|(_, _, other)| other.method == "POST" && other.body == request.body);
        if here || coming {
            let how = if here { "stands there" } else { "is on its way" };
            self.breaches
                .push(format!("double: request {no} creates {} {} again, which {how}", record.name, record.content));
        }
    }

    /// Makes a change of ours or of others, and holds ours against what never may be.
    pub(crate) fn commit(&mut self, by: By, parts: Vec<(Id, Option<Rec>)>) {
        let now = self.due.unwrap_or_else(|| self.time.now());
        let lag = self.habits.lag / 2;
        let mut draw = || self.rng.u64(0..=lag);
        let first = draw();
        let lags = [first, if self.habits.replicas { draw() } else { first }];
        let before = self.store.records.clone();
        self.store.write(now, by, parts.clone(), lags);
        let By::Us(no) = by else { return };
        for (id, after) in &parts {
            let was = before.get(id);
            let Some(place) = was.or(after.as_ref()) else { continue };
            let what = format!("request {no}: {} {} {}", place.name, place.rtype, place.content);
            let ours = |record: &Rec| self.homes.contains(&record.content);
            match wanted_at(&place.name).filter(|_| place.rtype == "A") {
                None => self.breaches.push(format!("foreign: {what} is of others")),
                Some(true) if !was.into_iter().chain(after).all(ours) => {
                    self.breaches.push(format!("foreign: {what} is a member of others"));
                }
                Some(_) if was.is_some_and(|was| was.disabled) => {
                    self.breaches.push(format!("foreign: {what} is not published, and was touched"));
                }
                Some(_) => {}
            }
        }
        for (name, rtype) in places(&before).difference(&places(&self.store.records)) {
            self.breaches.push(format!("dark: request {no} leaves {name} without {rtype}"));
        }
    }

    pub(crate) fn is_settled(&self) -> bool {
        self.pending.is_empty() && self.store.settled_at() <= self.time.now()
    }

    /// Somebody else writes. In the middle of our own requests only what no guard of the API's is needed for.
    pub(crate) fn somebody_acts(&mut self, is_amidst: bool) {
        self.catch_up(self.time.now());
        let now_or_never = self.habits.is_guarded() || !is_amidst && self.is_settled();
        let id = self.store.fresh();
        let host = self.rng.u8(1..60);
        let chance = self.rng.usize(..);
        let pick = |found: Vec<(Id, Rec)>| (!found.is_empty()).then(|| found[chance % found.len()].clone());
        let of = |records: &Records, is: &dyn Fn(&Rec) -> bool| -> Vec<(Id, Rec)> {
            records.iter().filter(|(_, record)| is(record)).map(|(id, record)| (*id, record.clone())).collect()
        };
        let records = &self.store.records;
        let others = of(records, &|record| wanted_at(&record.name).is_none() && record.name != ZONE);
        let neighbours = of(records, &|record| record.name == at("mill") && !self.homes.contains(&record.content));
        let ours = of(records, &|record| wanted_at(&record.name).is_some() && record.rtype == "A");
        let parts = match self.rng.u8(0..12) {
            // A zone that grows with every request has no end.
            0..4 if records.len() < 60 => {
                let rtype = ["A", "TXT", "AAAA"][usize::from(host) % 3];
                let content = match rtype {
                    "A" => format!("192.0.2.{host}"),
                    "AAAA" => format!("2001:db8::{host:x}"),
                    _ => format!("water {host}"),
                };
                let name = at(OTHERS[usize::from(host) % OTHERS.len()]);
                if self.store.records.values().any(|record| record.name == name && record.rtype == "CNAME") {
                    return;
                }
                vec![(id, Some(Rec::new(&name, rtype, 600, &content).noted("of somebody")))]
            }
            4 => match pick(others) {
                Some((id, record)) if record.rtype == "A" => {
                    vec![(id, Some(Rec { content: format!("192.0.2.{}", 100 + host), ..record }))]
                }
                _ => return,
            },
            5 => match pick(others) {
                Some((id, _)) => vec![(id, None)],
                None => return,
            },
            6 | 7 if now_or_never || self.habits.shape == Shape::Record => match pick(neighbours) {
                Some((id, _)) if host.is_multiple_of(2) => vec![(id, None)],
                _ => vec![(id, Some(Rec::new(&at("mill"), "A", 300, &format!("198.51.100.{host}")).noted("lodger")))],
            },
            8 if now_or_never => match pick(ours) {
                Some((id, record)) => {
                    let (ttl, disabled) = (record.ttl, record.disabled);
                    vec![(id, Some(Rec { ttl, disabled, ..record }.noted(&format!("seen on day {host}"))))]
                }
                None => return,
            },
            9.. if !is_amidst && self.is_settled() => {
                let name = at(["gauge", "fresh", "*.w"][usize::from(host) % 3]);
                let stands: Vec<_> = published(&self.store.records, &name, "A").collect();
                let content = format!("192.0.2.{}", 200 + host % 50);
                match &stands[..] {
                    [] => return,
                    [(id, record), ..] if host.is_multiple_of(3) => {
                        vec![(*id, Some(Rec { content, ..(*record).clone() }))]
                    }
                    [(id, _)] if host % 3 == 1 => vec![(*id, None)],
                    _ => vec![(id, Some(Rec::new(&name, "A", 120, &content).noted("a trial")))],
                }
            }
            _ => return,
        };
        // A set has no member twice (RFC 2181, section 5).
        let is_double = |(id, record): &(Id, Option<Rec>)| {
            let twin = |other: &Rec, one: &Rec| {
                (&other.name, &other.rtype, &other.content) == (&one.name, &one.rtype, &one.content)
            };
            record.as_ref().is_some_and(|one| records.iter().any(|(other, it)| other != id && twin(it, one)))
        };
        if self.habits.shape != Shape::Record && parts.iter().any(is_double) {
            return;
        }
        self.commit(By::People, parts);
    }

    /// What is not as it shall be, if anything.
    pub(crate) fn amiss(&self) -> Option<String> {
        WANTED.iter().find_map(|(label, member, _)| {
            let stands = contents(&self.store.records, &at(label), "A");
            let ours: Vec<_> = stands.iter().filter(|content| !member || self.homes.contains(*content)).collect();
            (ours != [&self.home]).then(|| format!("{label} has {stands:?}, and the home is at {}", self.home))
        })
    }
}
