//! The pass against a zone in memory that does to it whatever a provider, a disk or a power cut can do, by a seed; and a
//! judge that knows what truly was written.

use std::collections::BTreeMap;

use super::*;
use crate::audit::OpenIntent;
use crate::clock::Timestamp;
use crate::limits::record_key;
use crate::provider::Standing;
use crate::reconcile::Desired;
use crate::record::RrSet;
use crate::settings::{Limits, Sharing};
use crate::state::State;
use crate::testing::seeds;
use crate::update::afoot::Afoot;

const NAME: &str = "home";
const HOUR: Duration = Duration::from_secs(3600);
/// A pass asks for no more than this for each record, however it goes: each is sent in four attempts at most, in halves.
const MOST: usize = 60;

fn set(hosts: &[u8]) -> RrSet {
    RrSet { ttl: 120, addresses: hosts.iter().map(|host| [203, 0, 113, *host].into()).collect() }
}

fn wanted(label: usize, host: u8, sharing: Sharing) -> Desired {
    let name = DnsName::parse(&format!("n{label}.heronmill.example")).unwrap();
    Desired { name, rtype: RecordType::A, address: [203, 0, 113, host].into(), ttl: 120, sharing }
}

/// What truly became of a write.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
enum Truth {
    /// The intent is durable, and nothing was sent.
    Unsent,
    Made,
    NotMade,
}

/// A provider, a disk and a clock.
struct World {
    rng: fastrand::Rng,
    /// No fault any more.
    is_calm: bool,
    grace: Grace,
    tally: Tally,
    permits: bool,
    limits: Limits,
    zone: BTreeMap<DnsName, RrSet>,
    /// Names that are refused, for good.
    forbidden: BTreeSet<DnsName>,
    serial: u32,
    /// In memory.
    state: State,
    /// On the disk, and what the log has since then.
    kept: State,
    since: Vec<(u64, Timestamp, Event)>,
    intents: BTreeMap<u64, OpenIntent>,
    truths: BTreeMap<u64, (Vec<Change>, Truth)>,
    outcomes: BTreeMap<u64, Ending>,
    sent: Vec<Timestamp>,
    seq: u64,
    afoot: Afoot,
    time: Duration,
}

impl World {
    fn new(seed: u64) -> Self {
        let mut rng = fastrand::Rng::with_seed(seed);
        let (tally, grace, permits) = match rng.u8(0..4) {
            0 => (Tally::Together, Grace::Arrival(Duration::ZERO), true),
            1 => (Tally::Together, Grace::Arrival(Duration::ZERO), false),
            2 => (Tally::Each, Grace::Arrival(Duration::ZERO), false),
            _ => (Tally::Each, Grace::Visibility(Duration::ZERO), false),
        };
        let spacing = Duration::from_secs(rng.u64(0..90));
        let limits = Limits { spacing, burst: rng.u32(1..4), daily: rng.u32(3..200) };
        Self {
            is_calm: false,
            grace,
            tally,
            permits,
            limits,
            zone: BTreeMap::new(),
            forbidden: BTreeSet::new(),
            serial: 1,
            state: State::default(),
            kept: State::default(),
            since: Vec::new(),
            intents: BTreeMap::new(),
            truths: BTreeMap::new(),
            outcomes: BTreeMap::new(),
            sent: Vec::new(),
            seq: 0,
            afoot: Afoot::default(),
            time: Duration::ZERO,
            rng,
        }
    }

    /// Now and then, while there are faults.
    fn by_chance(&mut self, one_in: u8) -> bool {
        !self.is_calm && self.rng.u8(0..one_in) == 0
    }

    fn now(&self) -> Timestamp {
        Timestamp::from_millis(1_795_000_000_000).plus(self.time)
    }

    fn open(&mut self) -> OpenBooks<'_> {
        let (now, steady) = (self.now(), self.time);
        OpenBooks { state: &mut self.state, open: &self.intents, afoot: &mut self.afoot, now, steady }
    }

    fn fault(&mut self) -> Fault {
        match self.rng.u8(0..4) {
            0 => Fault::refused("no", ""),
            1 => Fault::unproven("somebody says no", ""),
            2 => Fault::new(FaultKind::Passing { retry_after: Some(HOUR) }, "busy", ""),
            _ => Fault::passing("away", ""),
        }
    }

    fn read(&mut self, names: &BTreeSet<DnsName>) -> Result<Observed, Fault> {
        self.time += Duration::from_millis(self.rng.u64(1..2000));
        if self.by_chance(10) {
            return Err(self.fault());
        }
        let standing = |name: &DnsName| {
            let sets = self.zone.get(name).map(|set| (RecordType::A, set.clone())).into_iter().collect();
            (name.clone(), Standing { sets, ..Standing::default() })
        };
        Ok(Observed { names: names.iter().map(standing).collect(), serial: self.permits.then_some(self.serial) })
    }

    /// What stands is compared, and then all is made or nothing; the answer may be lost, or wrong.
    fn apply(&mut self, changes: &[Change]) -> Result<Applied, Fault> {
        let intent = self.seq;
        let (announced, truth) = self.truths.get(&intent).expect("an intent before each write");
        assert_eq!((&announced[..], *truth), (changes, Truth::Unsent), "what is sent was announced, once");
        assert!(self.intents.contains_key(&intent) && !self.outcomes.contains_key(&intent));
        self.note(intent, Truth::NotMade);
        self.time += Duration::from_millis(self.rng.u64(1..2000));
        if self.by_chance(12) {
            let fault = self.fault();
            return Err(if self.rng.bool() { fault.before_sending() } else { fault });
        }
        if self.by_chance(12) {
            return Err(Fault::new(FaultKind::InDoubt, "lost on the way", ""));
        }
        let stands = |change: &Change| self.zone.get(&change.name) == change.before.as_ref();
        if !changes.iter().all(stands) {
            return Err(Fault::new(FaultKind::Conflict, "something else stands there", ""));
        }
        if changes.iter().any(|change| self.forbidden.contains(&change.name)) {
            return Err(Fault::refused("not this one", "").of_what_was_sent());
        }
        self.zone.extend(changes.iter().map(|change| (change.name.clone(), change.after.clone())));
        self.serial += 1;
        self.note(intent, Truth::Made);
        if self.by_chance(8) {
            let fault = self.fault().after_sending();
            // Where the other side compares, a word that it said is true.
            let is_lie = fault.kind == FaultKind::Refused && matches!(self.grace, Grace::Arrival(_));
            return Err(if is_lie || self.rng.bool() { Fault { kind: FaultKind::InDoubt, ..fault } } else { fault });
        }
        Ok(Applied::default())
    }

    fn note(&mut self, intent: u64, truth: Truth) {
        if let Some((_, kept)) = self.truths.get_mut(&intent) {
            *kept = truth;
        }
    }

    fn save(&mut self) -> Result<(), String> {
        if self.by_chance(25) {
            return Err("the disk is full".to_owned());
        }
        self.kept = self.state.clone();
        self.since.clear();
        Ok(())
    }

    /// What a start would go on from.
    fn recovered(&self) -> State {
        let (mut state, mut open) = (self.kept.clone(), BTreeMap::new());
        for (seq, time, event) in &self.since {
            state.catch_up(*seq, *time, event, &self.limits, |_| self.tally, &mut open);
        }
        state
    }

    fn append(&mut self, event: Event) -> Result<u64, String> {
        if self.by_chance(25) {
            return Err("the disk is full".to_owned());
        }
        self.seq += 1;
        self.since.push((self.seq, self.now(), event.clone()));
        match event {
            Event::Intent { provider, changes, .. } => {
                let mut recovered = self.recovered();
                let left = recovered.ledger.left_today(self.now(), &self.limits, NAME);
                assert!(left <= self.state.ledger.left_today(self.now(), &self.limits, NAME), "it was not charged");
                for change in &changes {
                    let key = record_key(NAME, &change.name, change.rtype);
                    let published = recovered.published.remove(&key).unwrap_or_default();
                    let before = change.before.clone().unwrap_or(set(&[])).addresses;
                    let ours = change.after.addresses.difference(&before);
                    assert!(ours.into_iter().all(|address| published.contains(address)), "{key} is not on the disk");
                }
                self.sent.push(self.now());
                self.truths.insert(self.seq, (changes.clone(), Truth::Unsent));
                self.intents.insert(self.seq, OpenIntent { time: self.now(), provider, changes });
            }
            Event::Outcome { intent, result, .. } => {
                assert!(self.intents.remove(&intent).is_some(), "an outcome of what is open");
                let (changes, truth) = &self.truths[&intent];
                match result {
                    Ending::Done => {
                        // Somebody may have put the same there.
                        let stands = |change: &Change| self.zone.get(&change.name) == Some(&change.after);
                        assert!(*truth == Truth::Made || changes.iter().all(stands), "{intent} was not done");
                    }
                    Ending::Failed | Ending::Refused | Ending::Conflict => {
                        assert_ne!(*truth, Truth::Made, "{intent} was done, and {result:?} was said");
                    }
                    Ending::Overtaken | Ending::Unknown => {}
                }
                self.outcomes.insert(intent, result);
            }
            Event::Hold { .. } | Event::Release { .. } => {}
            other => panic!("{other:?}"),
        }
        Ok(self.seq)
    }

    /// The power is gone, and comes back.
    fn restart(&mut self) {
        self.state = self.recovered();
        self.afoot = Afoot::default();
        self.time += Duration::from_secs(30);
    }

    /// One pass; `None` where a power cut ended it.
    fn pass(&mut self, desired: &[Desired]) -> Option<Report> {
        let zone = DnsName::parse("heronmill.example").unwrap();
        let limits = self.limits;
        let subject = Subject {
            name: NAME,
            zone: &zone,
            fingerprint: "1",
            target: "ns1.heronmill.example".to_owned(),
            tally: self.tally,
            grace: self.grace,
            permits: self.permits,
            confirms: true,
            limits: &limits,
            desired,
        };
        let (mut pass, mut asked, mut before) = (Pass::new(subject), 0, None);
        let mut ask = pass.begin(&mut self.open(), None);
        loop {
            asked += 1;
            assert!(asked < MOST * (desired.len() + 1), "it never ends");
            if self.by_chance(200) {
                return None;
            }
            if self.by_chance(30) {
                // Others write there too: never this home's addresses, and never what stood there before, which would look as
                // if nothing had been written.
                let at = self.rng.usize(0..desired.len());
                self.serial += 1;
                let [.., high, low] = self.serial.to_be_bytes();
                let addresses = [[198, 51, high, low].into()].into();
                self.zone.insert(desired[at].name.clone(), RrSet { ttl: 120, addresses });
            }
            ask = match ask {
                Ask::Read { names, next, .. } => {
                    let came = self.read(&names);
                    pass.read(&mut self.open(), next, came)
                }
                Ask::Turn(next) if self.by_chance(60) => {
                    let why = NotHeld::StandingBy("the other one writes".to_owned());
                    pass.turn(&mut self.open(), next, Err(why))
                }
                Ask::Turn(next) => {
                    let words = (!self.by_chance(60)).then(Words::new);
                    before = Some((self.state.ledger.clone(), self.state.published.clone()));
                    pass.turn(&mut self.open(), next, Ok(words.as_ref()))
                }
                Ask::Announce { event, next } => {
                    let came = self.append(event);
                    let is_lost = came.is_err();
                    let ask = pass.announced(&mut self.open(), next, came);
                    let after = Some((self.state.ledger.clone(), self.state.published.clone()));
                    assert!(!is_lost || before == after, "nothing was sent, and nothing has changed");
                    ask
                }
                Ask::Apply(flight) => {
                    let came = self.apply(flight.changes());
                    pass.applied(&mut self.open(), flight, came)
                }
                Ask::Permit(next) => {
                    let came = if self.by_chance(8) { Err(self.fault()) } else { Ok(()) };
                    pass.permitted(&mut self.open(), next, came)
                }
                Ask::Enter { event, next } => {
                    let came = self.append(event).map(|_| ());
                    pass.entered(&mut self.open(), next, came)
                }
                Ask::Save(next) => {
                    let came = self.save();
                    pass.saved(&mut self.open(), next, came)
                }
                Ask::End(Finished { report, sent, hold }) => {
                    assert_eq!(report.records.len(), desired.len());
                    assert!(sent.is_none_or(|sent| (1..=desired.len()).contains(&sent)));
                    match hold {
                        Some(HoldNews::Holds(_)) => {
                            assert!(matches!(report.trouble, Some(Trouble::Refused { .. })));
                        }
                        Some(HoldNews::Over(_)) => assert!(report.is_well()),
                        None => {}
                    }
                    return Some(report);
                }
            };
        }
    }

    /// No record is written more often than the limits say, and no provider.
    fn judge_limits(&self) {
        let units = |changes: &Vec<Change>| match self.tally {
            Tally::Together => 1,
            Tally::Each => changes.len(),
        };
        // Of which truly something may have left this machine.
        let made = self.truths.values().filter(|(_, truth)| *truth == Truth::Made);
        assert!(made.map(|(changes, _)| units(changes)).sum::<usize>() <= self.limits.daily as usize);
    }
}

fn run(seed: u64) {
    let mut world = World::new(seed);
    let many = world.rng.usize(1..6);
    let sharing = if world.rng.bool() { Sharing::Sole } else { Sharing::Member };
    let mut host = 77;
    for _ in 0..world.rng.usize(1..8) {
        let desired: Vec<Desired> = (0..many).map(|label| wanted(label, host, sharing)).collect();
        if world.by_chance(4) {
            let at = world.rng.usize(0..many);
            world.forbidden.insert(desired[at].name.clone());
        }
        if world.pass(&desired).is_none() {
            world.restart();
        }
        world.judge_limits();
        world.time += Duration::from_secs(world.rng.u64(1..600));
        host = if world.by_chance(2) { host + 1 } else { host };
    }
    // All faults are over, and so is the day: everything follows.
    world.is_calm = true;
    world.forbidden.clear();
    world.limits.daily = 200;
    let desired: Vec<Desired> = (0..many).map(|label| wanted(label, host, sharing)).collect();
    for _ in 0..3 {
        world.time += 25 * HOUR;
        world.pass(&desired).expect("no power cut");
    }
    assert!(world.intents.is_empty(), "{:?}", world.intents);
    assert!(world.state.holds.is_empty());
    for wanted in &desired {
        let stands = &world.zone[&wanted.name].addresses;
        assert!(stands.contains(&wanted.address), "{} is not followed: {stands:?}", wanted.name);
        assert!(sharing == Sharing::Member || stands.len() == 1, "{}: {stands:?}", wanted.name);
    }
    let report = world.pass(&desired).expect("no power cut");
    assert!(report.is_well() && !report.has_written(), "quiet means that nothing is written");
}

#[test]
fn whatever_happens_the_log_is_true_and_every_name_follows_in_the_end() {
    for seed in seeds(4_000, 20_000) {
        let run = std::panic::catch_unwind(|| run(seed));
        assert!(run.is_ok(), "seed {seed}");
    }
}
