//! How far what was written has spread: who is asked when, and what that has shown. Pure; times are arguments.
//!
//! A server that has served a wave is not asked for it again. Times count from the start of the process; a wave that is
//! older has its age from the wall clock, once; that may have been set meanwhile, so it is never more than the deadline:
//! nothing is waited for longer than that.

use std::collections::BTreeMap;
use std::sync::Arc;
use std::time::Duration;

use serde::{Serialize, Serializer};

use super::{Lost, Server};
use crate::audit::propagation::{Awaited, Behind, Propagation, Serving, Why};
use crate::clock::Timestamp;

/// The longest pause between two askings.
const LONGEST: Duration = Duration::from_secs(30);
/// So long the servers are looked for, when that fails in a way that may pass: the line may only just be coming up.
const SEARCH: Duration = Duration::from_secs(120);

/// A wave has come to its end.
#[derive(Clone, Debug, PartialEq, Eq, Serialize)]
pub struct Verdict {
    /// The provider's name.
    pub provider: String,
    /// The wave's intent.
    pub intent: u64,
    /// How many records it had.
    pub records: usize,
    /// How long it took, or was waited for.
    #[serde(rename = "took_ms", serialize_with = "millis")]
    pub took: Duration,
    /// The servers that serve it, the quickest first.
    pub serving: Vec<Serving>,
    /// How it ended.
    pub end: End,
}

/// How a wave ended.
#[derive(Clone, Debug, PartialEq, Eq, Serialize)]
#[serde(rename_all = "kebab-case")]
pub enum End {
    /// All servers serve it.
    Served,
    /// The deadline passed, and these did not.
    Overdue(Vec<Behind>),
    /// Nobody knows the servers, for this reason.
    Lost(String),
}

fn millis<S: Serializer>(span: &Duration, to: S) -> Result<S::Ok, S::Error> {
    to.serialize_u64(span.as_millis().try_into().unwrap_or(u64::MAX))
}

/// One asking of the servers of one provider's zone.
#[derive(Clone, Debug)]
pub struct Errand {
    /// The provider's name.
    pub provider: String,
    /// Whom to ask; to be found out when absent.
    pub servers: Option<Vec<Server>>,
    /// What for.
    pub waves: Vec<Question>,
}

/// What is asked for one wave.
#[derive(Clone, Debug)]
pub struct Question {
    /// The wave's intent.
    pub intent: u64,
    /// What is awaited.
    pub records: Arc<[Awaited]>,
    /// The servers that need not be asked again.
    pub serving: Vec<String>,
}

/// What one server showed.
#[derive(Clone, Debug)]
pub struct Heard {
    /// Who was asked.
    pub server: Server,
    /// The zone's serial there, if it was told.
    pub serial: Option<u32>,
    /// By intent, for the waves that it was asked for.
    pub waves: BTreeMap<u64, Result<(), Why>>,
}

/// What came of an [`Errand`].
#[derive(Debug)]
pub struct Asked {
    /// What was asked.
    pub errand: Errand,
    /// What each server showed; or why nobody was asked.
    pub heard: Result<Vec<Heard>, Lost>,
    /// When it was over.
    pub at: Duration,
}

/// How far everything has spread.
#[derive(Debug)]
pub struct Tracker {
    every: Duration,
    deadline: Duration,
    providers: BTreeMap<String, Tracked>,
    /// Waves that came to their end, by provider and intent, until whoever keeps the books has dropped them.
    ended: BTreeMap<(String, u64), Arc<[Awaited]>>,
    nobody: Arc<[Behind]>,
}

#[derive(Debug)]
struct Tracked {
    waves: BTreeMap<u64, Spread>,
    /// Known since the first asking.
    servers: Option<Vec<Server>>,
    /// When to ask next; absent while an errand is under way.
    due: Option<Duration>,
    /// After the next asking.
    pause: Duration,
}

#[derive(Debug)]
struct Spread {
    records: Arc<[Awaited]>,
    /// How old it was when it was first seen, and when that was.
    age: Duration,
    seen: Duration,
    serving: Vec<Serving>,
    behind: Arc<[Behind]>,
}

impl Spread {
    fn waited(&self, now: Duration) -> Duration {
        self.age + now.saturating_sub(self.seen)
    }
}

impl Tracker {
    /// `every` is the first pause between two askings; after `deadline` a wave is given up.
    pub fn new(every: Duration, deadline: Duration) -> Self {
        Self { every, deadline, providers: BTreeMap::new(), ended: BTreeMap::new(), nobody: Arc::new([]) }
    }

    /// Takes over which waves there are. A new one is asked for at once.
    pub fn follow(&mut self, waves: &BTreeMap<String, Vec<Propagation>>, now: Duration, wall: Timestamp) {
        let kept = |provider: &String, intent: u64, records: &[Awaited]| {
            let waves = waves.get(provider).into_iter().flatten();
            waves.into_iter().any(|wave| wave.intent == intent && *wave.records == *records)
        };
        self.ended.retain(|(provider, intent), records| kept(provider, *intent, records));
        self.providers.retain(|provider, _| waves.contains_key(provider));
        for (provider, waves) in waves {
            let goes_on = |wave: &&Propagation| !self.ended.contains_key(&(provider.clone(), wave.intent));
            let waves: Vec<&Propagation> = waves.iter().filter(goes_on).collect();
            if waves.is_empty() {
                self.providers.remove(provider);
                continue;
            }
            let fresh = || Tracked { waves: BTreeMap::new(), servers: None, due: Some(now), pause: self.every };
            let tracked = self.providers.entry(provider.clone()).or_insert_with(fresh);
            tracked.waves.retain(|intent, _| waves.iter().any(|wave| wave.intent == *intent));
            for wave in waves {
                let known = tracked.waves.get_mut(&wave.intent);
                match known {
                    Some(spread) if *spread.records == *wave.records => {}
                    Some(spread) => {
                        // Whoever serves all serves a part; but what is awaited instead nobody is known to serve.
                        if !wave.records.iter().all(|record| spread.records.contains(record)) {
                            spread.serving.clear();
                        }
                        spread.records = wave.records.clone().into();
                    }
                    None => {
                        let spread = Spread {
                            records: wave.records.clone().into(),
                            age: wall.since(wave.since).min(self.deadline),
                            seen: now,
                            serving: Vec::new(),
                            behind: Arc::clone(&self.nobody),
                        };
                        tracked.waves.insert(wave.intent, spread);
                        tracked.pause = self.every;
                        tracked.due = tracked.due.map(|_| now);
                    }
                }
            }
        }
    }

    /// Whether there is nothing to ask for.
    pub fn is_idle(&self) -> bool {
        self.providers.is_empty()
    }

    /// Who is to be asked now. Each is under way from now on, until [`Self::heard`].
    pub fn errands(&mut self, now: Duration) -> Vec<Errand> {
        let mut errands = Vec::new();
        for (provider, tracked) in &mut self.providers {
            if tracked.due.take_if(|due| *due <= now).is_some() {
                let question = |(intent, spread): (&u64, &Spread)| Question {
                    intent: *intent,
                    records: Arc::clone(&spread.records),
                    serving: spread.serving.iter().map(|serving| serving.server.clone()).collect(),
                };
                let waves = tracked.waves.iter().map(question).collect();
                errands.push(Errand { provider: provider.clone(), servers: tracked.servers.clone(), waves });
            }
        }
        errands
    }

    /// When somebody is to be asked next.
    pub fn next_due(&self) -> Option<Duration> {
        self.providers.values().filter_map(|tracked| tracked.due).min()
    }

    /// Takes in what an errand brought, and tells which waves are at an end; they are forgotten.
    pub fn heard(&mut self, asked: Asked) -> Vec<Verdict> {
        let Some(tracked) = self.providers.get_mut(&asked.errand.provider) else { return Vec::new() };
        // What came in the meantime has not been asked for: at once.
        let question = |intent: &u64| asked.errand.waves.iter().find(|question| question.intent == *intent);
        let is_new = |(intent, spread): (&u64, &Spread)| question(intent).is_none_or(|q| *q.records != *spread.records);
        let news = tracked.waves.iter().any(is_new);
        tracked.due = Some(if news { asked.at } else { asked.at + tracked.pause });
        if !news {
            tracked.pause = (tracked.pause * 3 / 2).min(LONGEST.max(self.every));
        }
        let ends = match &asked.heard {
            Ok(heard) => {
                tracked.servers = Some(heard.iter().map(|heard| heard.server.clone()).collect());
                tracked.take_in(&asked, heard, self.deadline)
            }
            Err(lost) => tracked.lost(&asked, lost, self.deadline.min(SEARCH)),
        };
        let mut verdicts = Vec::new();
        for (intent, end) in ends {
            let Some(spread) = tracked.waves.remove(&intent) else { continue };
            self.ended.insert((asked.errand.provider.clone(), intent), Arc::clone(&spread.records));
            verdicts.push(Verdict {
                provider: asked.errand.provider.clone(),
                intent,
                records: spread.records.len(),
                took: spread.waited(asked.at),
                serving: spread.serving,
                end,
            });
        }
        if tracked.waves.is_empty() {
            self.providers.remove(&asked.errand.provider);
        }
        verdicts
    }

    /// Who was behind at the last asking, each once, by name.
    pub fn behind(&self) -> Vec<&Behind> {
        let waves = self.providers.values().flat_map(|tracked| tracked.waves.values());
        let mut all: Vec<&Behind> = waves.flat_map(|spread| spread.behind.iter()).collect();
        all.sort_by(|a, b| (&a.server, a.serial).cmp(&(&b.server, b.serial)));
        all.dedup();
        all
    }

    /// How long a wave has been waited for, and who was behind at the last asking.
    pub fn view(&self, provider: &str, intent: u64, now: Duration) -> (Duration, Arc<[Behind]>) {
        match self.providers.get(provider).and_then(|tracked| tracked.waves.get(&intent)) {
            Some(spread) => (spread.waited(now), Arc::clone(&spread.behind)),
            None => (Duration::ZERO, Arc::clone(&self.nobody)),
        }
    }
}

impl Tracked {
    /// The waves of which `asked` says anything: as they were asked for.
    fn asked<'a>(&'a mut self, asked: &'a Asked) -> impl Iterator<Item = (u64, &'a mut Spread)> {
        let question = |intent: u64| asked.errand.waves.iter().find(move |question| question.intent == intent);
        self.waves
            .iter_mut()
            .filter(move |(intent, spread)| question(**intent).is_some_and(|q| *q.records == *spread.records))
            .map(|(intent, spread)| (*intent, spread))
    }

    fn take_in(&mut self, asked: &Asked, heard: &[Heard], deadline: Duration) -> Vec<(u64, End)> {
        let mut ends = Vec::new();
        for (intent, spread) in self.asked(asked) {
            let waited = spread.waited(asked.at);
            let mut behind = Vec::new();
            for one in heard {
                match one.waves.get(&intent) {
                    Some(Ok(())) => spread.serving.push(Serving {
                        server: one.server.name.clone(),
                        lag_ms: waited.as_millis().try_into().unwrap_or(u64::MAX),
                        serial: one.serial,
                    }),
                    Some(Err(why)) => {
                        behind.push(Behind { server: one.server.name.clone(), serial: one.serial, why: *why });
                    }
                    // It had served it before.
                    None => {}
                }
            }
            if behind.is_empty() {
                ends.push((intent, End::Served));
            } else if waited >= deadline {
                ends.push((intent, End::Overdue(behind)));
            } else {
                spread.behind = behind.into();
            }
        }
        ends
    }

    fn lost(&mut self, asked: &Asked, lost: &Lost, patience: Duration) -> Vec<(u64, End)> {
        let over = |spread: &Spread| !lost.passing || spread.waited(asked.at) >= patience;
        self.asked(asked)
            .filter(|(_, spread)| over(spread))
            .map(|(intent, _)| (intent, End::Lost(lost.why.clone())))
            .collect()
    }
}

#[cfg(test)]
mod tests;
