//! A provider that follows a script, with the books it is to be held against, and time at the test's will.

use std::cell::RefCell;
use std::collections::{BTreeMap, BTreeSet, VecDeque};
use std::fs;
use std::future::{Future, pending};
use std::path::{Path, PathBuf};
use std::rc::Rc;
use std::sync::atomic::{AtomicBool, AtomicU64, Ordering};
use std::sync::{Arc, Mutex};
use std::time::Duration;

use fingerpost::address::Family;
use fingerpost::audit::chain::Known;
use fingerpost::audit::file::read_all;
use fingerpost::audit::{Ending, Event, Word};
use fingerpost::clock::{Clock, Timestamp};
use fingerpost::limits::{Site, place};
use fingerpost::name::DnsName;
use fingerpost::provider::{Applied, Change, Fault, FaultKind, Observed, Pending, Provider, Standing, Tally};
use fingerpost::reconcile::Desired;
use fingerpost::record::{RecordType, RrSet};
use fingerpost::settings::{Audit, Limits, Sharing};
use fingerpost::state::State;
use fingerpost::update::{Bookkeeping, Books, Job, RecordState, Report, Trouble, bring_in_step, peek_at};
use futures_util::FutureExt as _;
use tempfile::TempDir;

pub(crate) const ZONE: &str = "heronmill.example";

pub(crate) fn name(label: &str) -> DnsName {
    DnsName::parse(&format!("{label}.{ZONE}")).unwrap()
}

pub(crate) fn set(ttl: u32, addresses: &[&str]) -> RrSet {
    RrSet { ttl, addresses: addresses.iter().map(|address| address.parse().unwrap()).collect() }
}

/// What happens at a call.
pub(crate) enum Act {
    /// As an honest server does: all or nothing, and only if each `before` holds.
    Honest,
    /// Somebody else gets in first; then as an honest server does.
    After(Box<dyn FnOnce(&mut Zone) + Send>),
    /// Nothing is done, and this is said.
    Fault(Fault),
    /// It is done, but this is said.
    DoneBut(Fault),
    /// Success is said, and nothing is done.
    Lies,
    /// Nothing is done, and no answer comes.
    HangsBefore,
    /// It is done, and no answer comes.
    HangsAfter,
}

pub(crate) type Zone = BTreeMap<(DnsName, RecordType), RrSet>;

/// The scripted provider. A call without an act of its own is answered honestly.
pub(crate) struct Fake {
    dir: PathBuf,
    daily: Arc<AtomicU64>,
    now: Arc<AtomicU64>,
    pub(crate) zone: Mutex<Zone>,
    pub(crate) reads: Mutex<VecDeque<Act>>,
    pub(crate) applies: Mutex<VecDeque<Act>>,
    /// Says of itself that it refuses names, and not all.
    pub(crate) permits: AtomicBool,
    /// Whatever would write it is a conflict, though nothing of that is to be read.
    pub(crate) contested: Mutex<Option<DnsName>>,
    pub(crate) tally: Mutex<Tally>,
    /// `read` and `apply`, as they came.
    calls: Mutex<Vec<&'static str>>,
    /// As many writes were never sent, as far as it was said.
    unsent: AtomicU64,
}

impl Fake {
    pub(crate) fn calls(&self) -> Vec<&'static str> {
        std::mem::take(&mut self.calls.lock().unwrap())
    }

    /// Promise 2: whenever something is sent, its intent is the last line of the log, and a start would go on from a state
    /// that has been charged for it and for every intent before that was sent.
    fn check_books(&self, changes: &[Change]) {
        let log = read_all(&self.dir).unwrap();
        let Some(Known::Yes(Event::Intent { changes: last, .. })) = log.last().map(|entry| &entry.event) else {
            panic!("the last line is no intent")
        };
        assert_eq!(last, changes);
        let tally = |_: &str| self.tally();
        let mut state = peek_at(&Bookkeeping { dir: &self.dir, limits: &FREE, audit: AUDIT, tally: &tally }).unwrap();
        state.ledger.settle([("home".to_owned(), site(&[]))].into());
        let now = Timestamp::from_millis(self.now.load(Ordering::Relaxed));
        let day = |time: Timestamp| time <= now && now.since(time) < Duration::from_secs(86_400);
        let recent = log.iter().filter(|entry| day(entry.time));
        let intended: u64 = recent
            .map(|entry| match &entry.event {
                Known::Yes(Event::Intent { changes, .. }) if self.tally() == Tally::Each => changes.len() as u64,
                Known::Yes(Event::Intent { .. }) => 1,
                _ => 0,
            })
            .sum();
        let daily = self.daily.load(Ordering::Relaxed);
        let limits = Limits { spacing: Duration::ZERO, burst: 1, daily: u32::try_from(daily).unwrap() };
        let sent = intended - self.unsent.load(Ordering::Relaxed);
        assert!(u64::from(state.ledger.left_today(now, &limits, "home")) <= daily.saturating_sub(sent));
    }

    fn write(&self, changes: &[Change]) -> Result<Applied, Fault> {
        let mut zone = self.zone.lock().unwrap();
        let key = |change: &Change| (change.name.clone(), change.rtype);
        let contested = self.contested.lock().unwrap().clone();
        if let Some(change) = changes.iter().find(|change| Some(&change.name) == contested.as_ref()) {
            return Err(Fault::new(FaultKind::Conflict, format!("{} is contested", change.name), ""));
        }
        if changes.iter().any(|change| {
            zone.get(&key(change)).map(|set| &set.addresses) != change.before.as_ref().map(|b| &b.addresses)
        }) {
            return Err(Fault::new(FaultKind::Conflict, "gauge is not as it was read", ""));
        }
        zone.extend(changes.iter().map(|change| (key(change), change.after.clone())));
        Ok(Applied { detail: "the fake took it".to_owned() })
    }
}

impl Provider for Fake {
    fn read<'a>(&'a self, names: &'a BTreeSet<DnsName>) -> Pending<'a, Observed> {
        Box::pin(async move {
            self.calls.lock().unwrap().push("read");
            let act = self.reads.lock().unwrap().pop_front().unwrap_or(Act::Honest);
            match act {
                Act::Honest => {}
                Act::After(edit) => edit(&mut self.zone.lock().unwrap()),
                Act::Fault(fault) => return Err(fault),
                Act::HangsBefore | Act::HangsAfter => return pending().await,
                Act::DoneBut(_) | Act::Lies => panic!("no act for a read"),
            }
            let zone = self.zone.lock().unwrap();
            let standing = |name: &DnsName| Standing {
                sets: zone.iter().filter(|((n, _), _)| n == name).map(|((_, t), set)| (*t, set.clone())).collect(),
                ..Standing::default()
            };
            Ok(Observed { names: names.iter().map(|name| (name.clone(), standing(name))).collect(), serial: None })
        })
    }

    fn apply<'a>(&'a self, changes: &'a [Change]) -> Pending<'a, Applied> {
        Box::pin(async move {
            self.calls.lock().unwrap().push("apply");
            self.check_books(changes);
            let act = self.applies.lock().unwrap().pop_front().unwrap_or(Act::Honest);
            match act {
                Act::Honest => self.write(changes),
                Act::After(edit) => {
                    edit(&mut self.zone.lock().unwrap());
                    self.write(changes)
                }
                Act::Fault(fault) => {
                    let count = if self.tally() == Tally::Each { changes.len() as u64 } else { 1 };
                    self.unsent.fetch_add(if fault.unsent { count } else { 0 }, Ordering::Relaxed);
                    Err(fault)
                }
                Act::DoneBut(fault) => self.write(changes).and(Err(fault)),
                Act::Lies => Ok(Applied::default()),
                Act::HangsBefore => pending().await,
                Act::HangsAfter => {
                    self.write(changes)?;
                    pending().await
                }
            }
        })
    }

    fn permits(&self) -> Option<Pending<'_, ()>> {
        self.permits.load(Ordering::Relaxed).then(|| -> Pending<'_, ()> { Box::pin(async { Ok(()) }) })
    }

    fn tally(&self) -> Tally {
        *self.tally.lock().unwrap()
    }

    fn target(&self) -> String {
        "the fake".to_owned()
    }

    fn means(&self, count: usize) -> String {
        format!("{count} by the fake")
    }
}

fn site(desired: &[Desired]) -> Site {
    let records = desired.iter().map(|wanted| (wanted.name.clone(), wanted.rtype)).collect();
    Site { place: place("the fake", &DnsName::parse(ZONE).unwrap()), records }
}

/// A home with one provider: what is wanted, the books, and the time.
pub(crate) struct Bench {
    dir: TempDir,
    pub(crate) fake: Fake,
    /// Closed between a crash and the next start.
    pub(crate) books: Option<RefCell<Books>>,
    pub(crate) limits: Limits,
    /// Whether the servers of the zone would be asked.
    pub(crate) confirms: bool,
    pub(crate) desired: Vec<Desired>,
    now: Arc<AtomicU64>,
}

/// A moment in the year 2026.
pub(crate) const BEGIN: u64 = 1_795_000_000_000;
pub(crate) const AUDIT: Audit = Audit { max_bytes: 1 << 20, keep: 9, unknown_after: Duration::from_secs(3600) };
pub(crate) const FREE: Limits = Limits { spacing: Duration::from_millis(1), burst: 1000, daily: 100_000 };

impl Bench {
    /// The zone holds gauge at .9 and mill at .9 beside .99; both are wanted at .9, and both .9 were written by us.
    pub(crate) fn new() -> Self {
        let bench = Self::found();
        {
            let mut books = bench.books.as_ref().unwrap().borrow_mut();
            for label in ["gauge", "mill"] {
                let key = fingerpost::limits::record_key("home", &name(label), RecordType::A);
                books.state.published.insert(key, ["203.0.113.9".parse().unwrap()].into());
            }
            books.save().unwrap();
        }
        bench
    }

    /// The same before the first pass of all: nothing is known to be ours.
    pub(crate) fn found() -> Self {
        let dir = tempfile::tempdir().unwrap();
        let now = Arc::new(AtomicU64::new(BEGIN));
        let zone = BTreeMap::from([
            ((name("gauge"), RecordType::A), set(120, &["203.0.113.9"])),
            ((name("mill"), RecordType::A), set(300, &["203.0.113.9", "198.51.100.99"])),
        ]);
        let fake = Fake {
            dir: dir.path().to_owned(),
            daily: Arc::new(AtomicU64::new(u64::from(FREE.daily))),
            now: Arc::clone(&now),
            zone: Mutex::new(zone),
            contested: Mutex::default(),
            tally: Mutex::new(Tally::Together),
            reads: Mutex::default(),
            applies: Mutex::default(),
            permits: AtomicBool::new(false),
            calls: Mutex::default(),
            unsent: AtomicU64::new(0),
        };
        let mut bench = Self { dir, fake, books: None, limits: FREE, confirms: false, desired: Vec::new(), now };
        bench.want(&[("gauge", Sharing::Sole), ("mill", Sharing::Member)], "203.0.113.9");
        bench.start();
        bench
    }

    /// The same with gauge alone.
    pub(crate) fn gauge() -> Self {
        let mut bench = Self::new();
        bench.want(&[("gauge", Sharing::Sole)], "203.0.113.9");
        bench
    }

    pub(crate) fn want(&mut self, records: &[(&str, Sharing)], address: &str) {
        let record = |(label, sharing): &(&str, Sharing)| Desired {
            name: name(label),
            rtype: RecordType::A,
            address: address.parse().unwrap(),
            ttl: 120,
            sharing: *sharing,
        };
        self.desired = records.iter().map(record).collect();
    }

    pub(crate) fn limit(&mut self, spacing: u64, burst: u32, daily: u32) {
        self.limits = Limits { spacing: Duration::from_secs(spacing), burst, daily };
        self.fake.daily.store(u64::from(daily), Ordering::Relaxed);
    }

    /// Tells the limits which records there are, as the home does when it starts.
    pub(crate) fn settle(&mut self) {
        let site = site(&self.desired);
        let books = self.books.as_mut().unwrap().get_mut();
        books.state.ledger.settle([("home".to_owned(), site)].into());
    }

    pub(crate) fn move_to(&mut self, address: &str) {
        self.desired.iter_mut().for_each(|wanted| wanted.address = address.parse().unwrap());
    }

    pub(crate) fn dir(&self) -> &Path {
        self.dir.path()
    }

    pub(crate) fn set_clock(&self, millis: u64) {
        self.now.store(millis, Ordering::Relaxed);
    }

    pub(crate) fn pass_time(&self, span: Duration) {
        self.now.fetch_add(u64::try_from(span.as_millis()).unwrap(), Ordering::Relaxed);
    }

    pub(crate) fn now(&self) -> Timestamp {
        Timestamp::from_millis(self.now.load(Ordering::Relaxed))
    }

    /// Opens the books as a start of the program does.
    pub(crate) fn start(&mut self) {
        self.books = None;
        let tally = |_: &str| self.fake.tally();
        let books = Books::at(&Bookkeeping { dir: self.dir(), limits: &self.limits, audit: AUDIT, tally: &tally });
        self.books = Some(RefCell::new(books.unwrap()));
    }

    /// One pass; `None` when a call hangs in it, and the pass is dropped there as by a crash.
    pub(crate) fn try_pass(&mut self) -> Option<Report> {
        let word = Word {
            address: self.desired[0].address,
            agreed: vec!["ferryman".to_owned(), "millrace".to_owned()],
            dissent: vec!["tern-labs".to_owned()],
            silent: Vec::new(),
        };
        let now = Arc::clone(&self.now);
        let clock = Clock::telling(move || Timestamp::from_millis(now.load(Ordering::Relaxed)));
        let words = Rc::new(BTreeMap::from([(fingerpost::settings::Via::only(Family::Ipv4), word)]));
        let job = Job {
            name: "home",
            zone: &DnsName::parse(ZONE).unwrap(),
            fingerprint: "first",
            provider: &self.fake,
            desired: &self.desired,
            words: &|| Some(Rc::clone(&words)),
            limits: &self.limits,
            lease: None,
            confirms: self.confirms,
        };
        block_on(async { bring_in_step(&job, self.books.as_ref().unwrap(), &clock).now_or_never() })
    }

    #[track_caller]
    pub(crate) fn pass(&mut self) -> Report {
        self.try_pass().expect("a pass that ends")
    }

    #[track_caller]
    pub(crate) fn dies(&mut self) {
        assert!(self.try_pass().is_none(), "the pass did not hang");
        self.books = None;
    }

    pub(crate) fn script(&mut self, applies: impl IntoIterator<Item = Act>) {
        self.fake.applies.lock().unwrap().extend(applies);
    }

    pub(crate) fn script_reads(&mut self, reads: impl IntoIterator<Item = Act>) {
        self.fake.reads.lock().unwrap().extend(reads);
    }

    pub(crate) fn stands(&self, label: &str) -> Option<RrSet> {
        self.fake.zone.lock().unwrap().get(&(name(label), RecordType::A)).cloned()
    }

    pub(crate) fn edit(&self, label: &str, ttl: u32, addresses: &[&str]) {
        self.fake.zone.lock().unwrap().insert((name(label), RecordType::A), set(ttl, addresses));
    }

    /// How each intent ended, and what is said of it, in order.
    pub(crate) fn outcomes(&self) -> Vec<(u64, Ending, String)> {
        let outcome = |entry: fingerpost::audit::chain::Entry| match entry.event {
            Known::Yes(Event::Outcome { intent, result, detail, .. }) => Some((intent, result, detail)),
            _ => None,
        };
        read_all(self.dir()).unwrap().into_iter().filter_map(outcome).collect()
    }

    pub(crate) fn endings(&self) -> Vec<Ending> {
        self.outcomes().into_iter().map(|(_, ending, _)| ending).collect()
    }

    /// Every intent with its number.
    pub(crate) fn intents(&self) -> Vec<(u64, Vec<Change>)> {
        intents(self.dir())
    }

    pub(crate) fn state_on_disk(&self) -> State {
        serde_json::from_slice(&fs::read(self.dir().join("state.json")).unwrap()).unwrap()
    }
}

fn intents(dir: &Path) -> Vec<(u64, Vec<Change>)> {
    let intent = |entry: fingerpost::audit::chain::Entry| match entry.event {
        Known::Yes(Event::Intent { changes, .. }) => Some((entry.seq, changes)),
        _ => None,
    };
    read_all(dir).unwrap().into_iter().filter_map(intent).collect()
}

pub(crate) fn block_on<F: Future>(work: F) -> F::Output {
    tokio::runtime::Builder::new_current_thread().build().unwrap().block_on(work)
}

/// Whether all of the report's records are in step.
pub(crate) fn in_step(report: &Report) -> bool {
    report.trouble.is_none() && report.records.iter().all(|record| record.standing == RecordState::InStep)
}

/// Why the first record is adrift.
#[track_caller]
pub(crate) fn adrift(report: &Report) -> &str {
    match &report.records[0].standing {
        RecordState::Adrift { why: Some(why) } => why,
        other => panic!("not adrift for a reason: {other:?}"),
    }
}

#[track_caller]
pub(crate) fn passing(report: &Report) -> &str {
    match &report.trouble {
        Some(Trouble::Passing { why, .. }) => why,
        other => panic!("no passing trouble: {other:?}"),
    }
}

pub(crate) fn doubt() -> Fault {
    Fault::new(FaultKind::InDoubt, "no answer came", "read to learn how it ended")
}
