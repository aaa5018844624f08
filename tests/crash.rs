//! Crashes: the real daemon is killed again and again in a home that never rests, before a real BIND.
//!
//! After each kill the books are looked at by code of this file's own; whenever the home comes to rest, so are the
//! names. 50 kills, or 500 with `TESTS_LONG=1`; `TESTS_SEED` repeats a course of events, as far as the
//! machine's own timing allows.

#![expect(clippy::unwrap_used, clippy::expect_used, clippy::panic, reason = "a test fails by panicking")]

mod common;
#[path = "common/living.rs"]
mod living;

use std::collections::{BTreeMap, BTreeSet};
use std::fmt::Write as _;
use std::fs;
use std::net::{IpAddr, Ipv4Addr};
use std::os::unix::fs::MetadataExt as _;
use std::path::Path;
use std::sync::Mutex;
use std::sync::atomic::{AtomicBool, Ordering};
use std::time::{Duration, Instant};

use common::ZONE;
use fastrand::Rng;
use fingerpost::audit::file::{files, read_all};
use fingerpost::clock::Timestamp;
use fingerpost::record::RrSet;
use fingerpost::state::State;
use living::{Daemon, Living, open_intents, signal, until};
use rustix::process::Signal;
use serde_json::Value;

const DAY: u64 = 86_400_000;

/// Limits, in milliseconds and counts.
#[derive(Clone, Copy)]
struct Limits {
    spacing: u64,
    burst: u64,
    daily: u64,
}

/// Hardly any: what matters here is that all the program's moments are hit.
const FREE: Limits = Limits { spacing: 1, burst: 1000, daily: 1_000_000 };

/// The outside world as it is now.
struct World {
    home: IpAddr,
    moves: u32,
    /// The other members of mill.
    others: BTreeSet<IpAddr>,
    /// Whom to tell of a move: there is one only while a daemon listens.
    daemon: Option<u32>,
}

fn wan(moves: u32) -> IpAddr {
    Ipv4Addr::new(203, 0, 113, u8::try_from(1 + moves % 254).unwrap()).into()
}

fn neighbour(rng: &mut Rng) -> IpAddr {
    Ipv4Addr::new(198, 51, 100, rng.u8(1..20)).into()
}

/// One thing that happens at Heron Mill.
fn happen(living: &Living, world: &Mutex<World>, rng: &mut Rng) {
    let mut world = world.lock().unwrap();
    match rng.u8(0..100) {
        0..70 => {
            world.moves += 1;
            world.home = wan(world.moves);
            living.move_to(world.home);
        }
        70..84 => {
            let who = neighbour(rng);
            if world.others.remove(&who) {
                living.edit(&format!("update delete mill.{ZONE} A {who}\n"));
            } else {
                world.others.insert(who);
                living.edit(&format!("update add mill.{ZONE} 300 A {who}\n"));
            }
        }
        84..88 => {
            let mut lines = format!("update delete mill.{ZONE} A\n");
            for who in &world.others {
                writeln!(lines, "update add mill.{ZONE} 300 A {who}").unwrap();
            }
            living.edit(&lines);
        }
        88..95 => {
            let stranger = rng.u8(..);
            living.edit(&format!("update delete gauge.{ZONE} A\nupdate add gauge.{ZONE} 60 A 192.0.2.{stranger}\n"));
        }
        _ => {
            living.pause(true);
            drop(world);
            std::thread::sleep(Duration::from_millis(rng.u64(20..500)));
            living.pause(false);
            return;
        }
    }
    if let Some(daemon) = world.daemon {
        signal(daemon, Signal::USR1);
    }
}

/// When the daemon is killed.
#[derive(Clone, Copy, Debug)]
enum Moment {
    /// So long after its start.
    Start(Duration),
    /// So long after it began to listen.
    Later(Duration),
    /// As soon as the audit log grows after that time.
    Audit(Duration),
    /// As soon as the state file is replaced after that time.
    State(Duration),
    /// As soon as BIND has something to log after that time.
    Named(Duration),
}

impl Moment {
    fn draw(rng: &mut Rng) -> Self {
        match rng.u8(0..8) {
            0 => Self::Start(Duration::from_micros(rng.u64(0..60_000))),
            1..4 => Self::Later(Duration::from_micros(rng.u64(0..2_000_000))),
            4 | 5 => Self::Audit(Duration::from_millis(rng.u64(0..600))),
            6 => Self::State(Duration::from_millis(rng.u64(0..600))),
            _ => Self::Named(Duration::from_millis(rng.u64(0..600))),
        }
    }

    /// Waits for the moment; a file that does not change is not waited for any longer than a second.
    fn wait(self, living: &Living, started: Instant) {
        let (after, file) = match self {
            Self::Start(after) => return std::thread::sleep(after.saturating_sub(started.elapsed())),
            Self::Later(after) => return std::thread::sleep(after),
            Self::Audit(after) => (after, living.state_dir().join("audit.jsonl")),
            Self::State(after) => (after, living.state_dir().join("state.json")),
            Self::Named(after) => (after, living.named.log_file()),
        };
        std::thread::sleep(after);
        let look = || fs::metadata(&file).ok().map(|meta| (meta.ino(), meta.len()));
        let before = look();
        let end = Instant::now() + Duration::from_secs(1);
        while look() == before && Instant::now() < end {
            std::thread::sleep(Duration::from_micros(50));
        }
    }
}

/// One intent: its number, its time, what it would write where, and whether its end is known.
struct Intent {
    seq: u64,
    time: u64,
    ended: bool,
    writes: Vec<(String, Vec<IpAddr>)>,
}

/// Reads the log by its documented form alone: JSON lines, `seq` without gaps, `prev` the SHA-256 of the line before.
/// Only what a crash can leave behind is let pass: an end without a newline, in the last file.
fn intents(dir: &Path, torn_allowed: bool) -> Vec<Intent> {
    let files = files(dir).unwrap();
    let (mut seq, mut prev) = (0, "0".repeat(64));
    let mut found = Vec::new();
    for (at, file) in files.iter().enumerate() {
        let bytes = fs::read(file).unwrap();
        for line in bytes.split_inclusive(|byte| *byte == b'\n') {
            if !line.ends_with(b"\n") {
                assert!(torn_allowed && at + 1 == files.len(), "{} is torn", file.display());
                break;
            }
            let entry: Value = serde_json::from_slice(line).unwrap();
            seq += 1;
            assert_eq!((entry["seq"].as_u64(), entry["prev"].as_str()), (Some(seq), Some(prev.as_str())));
            prev = hex(ring::digest::digest(&ring::digest::SHA256, line).as_ref());
            if entry["event"] == "intent" {
                let write = |change: &Value| {
                    let added = |side: &str| -> BTreeSet<IpAddr> {
                        let addresses = change[side]["addresses"].as_array().into_iter().flatten();
                        addresses.map(|address| address.as_str().unwrap().parse().unwrap()).collect()
                    };
                    let all = added("after");
                    (change["name"].as_str().unwrap().to_owned(), all.into_iter().collect())
                };
                let time = Timestamp::parse(entry["time"].as_str().unwrap()).unwrap().millis();
                let writes = entry["changes"].as_array().unwrap().iter().map(write).collect();
                found.push(Intent { seq, time, ended: false, writes });
            }
            if entry["event"] == "outcome" {
                let of = found.iter_mut().find(|intent| Some(intent.seq) == entry["intent"].as_u64()).unwrap();
                assert!(!std::mem::replace(&mut of.ended, true), "two outcomes of intent {}", of.seq);
            }
        }
    }
    found
}

fn hex(bytes: &[u8]) -> String {
    bytes.iter().map(|byte| format!("{byte:02x}")).collect()
}

/// The limits as ITU-T I.371 has them, without its algorithm: of a stream that conforms to GCRA(T, τ), any n cells
/// in a row take at least (n − 1) · T − τ. And no 24 hours hold more updates than the cap.
fn assert_within(limits: Limits, intents: &[Intent]) {
    let mut times: BTreeMap<&str, Vec<u64>> = BTreeMap::new();
    for intent in intents {
        intent.writes.iter().for_each(|(name, _)| times.entry(name).or_default().push(intent.time));
    }
    for (name, times) in &times {
        for (from, first) in times.iter().enumerate() {
            for (to, last) in times.iter().enumerate().skip(from) {
                let least = ((to - from) as u64 * limits.spacing).saturating_sub((limits.burst - 1) * limits.spacing);
                assert!(last - first >= least, "{name}: {} writes in {} ms", to - from + 1, last - first);
            }
        }
    }
    // BIND takes one update for each intent, however many names it has.
    let all: Vec<u64> = intents.iter().map(|intent| intent.time).collect();
    for end in &all {
        let day = all.iter().filter(|time| *time <= end && end - *time < DAY).count() as u64;
        assert!(day <= limits.daily, "{day} writes in a day");
    }
}

/// What BIND tells of updates by our key: each that it took, as name and address added, and how many it did not take.
fn received(log: &str) -> (Vec<(String, IpAddr)>, usize) {
    let ours = log.lines().filter(|line| line.contains("/key gauge-key: updating zone"));
    let mut taken = Vec::new();
    let mut refused = 0;
    for line in ours {
        if let Some((_, added)) = line.split_once("adding an RR at '") {
            let (name, rest) = added.split_once("' A ").unwrap();
            taken.push((name.to_owned(), rest.trim().parse().unwrap()));
        } else if line.contains("update unsuccessful") && !line.contains("value independent") {
            refused += 1;
        }
    }
    (taken, refused)
}

/// Nothing came to BIND that was not announced: each update that it had is one of the intents, and no two are the same.
fn assert_announced(log: &str, intents: &[Intent]) {
    let (taken, refused) = received(log);
    let mut left: BTreeMap<&str, Vec<&[IpAddr]>> = BTreeMap::new();
    for (name, after) in intents.iter().flat_map(|intent| &intent.writes) {
        left.entry(name).or_default().push(after);
    }
    for label in ["gauge", "mill"] {
        let name = format!("{label}.{ZONE}");
        let count = taken.iter().filter(|(taken, _)| *taken == name).count();
        // One update writes a name once.
        assert!(count + refused <= intents.len(), "{count} updates of {name}, {refused} refused, {}", intents.len());
    }
    for (name, address) in &taken {
        let left = left.get_mut(name.as_str()).unwrap();
        let at = left.iter().position(|after| after.contains(address));
        assert!(at.is_some(), "{name} {address} was never announced, or not as often as it was sent");
        left.swap_remove(at.unwrap());
    }
}

fn play(kills: usize, limits: Limits, rng: &mut Rng) {
    let home = wan(0);
    let living = Living::new("gauge 120 A 203.0.113.1\nmill 300 A 198.51.100.1\n", home);
    let configure = |limits: Limits| {
        let Limits { spacing, burst, daily } = limits;
        // Small files, so that crashes meet rotation too; all kept, so that everything can be recounted.
        living.configure(&format!(
            "[limits]\nspacing = \"{spacing}ms\"\nburst = {burst}\ndaily = {daily}\n\
             [audit]\nmax_bytes = 4096\nkeep = 10000\n"
        ));
    };
    configure(limits);
    let world = Mutex::new(World { home, moves: 0, others: ["198.51.100.1".parse().unwrap()].into(), daemon: None });
    let over = AtomicBool::new(false);
    std::thread::scope(|scope| {
        // The life goes on whatever happens to the daemon, and ends with the test even if that fails.
        let _end = End(&over);
        let mut of_life = Rng::with_seed(rng.u64(..));
        let (living, world, over) = (&living, &world, &over);
        scope.spawn(move || {
            while !over.load(Ordering::Relaxed) {
                happen(living, world, &mut of_life);
                std::thread::sleep(Duration::from_millis(of_life.u64(1..60)));
            }
        });
        for kill in 1..=kills {
            let moment = Moment::draw(rng);
            let started = Instant::now();
            let mut daemon = living.daemon();
            if !matches!(moment, Moment::Start(_)) {
                until("the daemon to listen", || daemon.is_up());
                world.lock().unwrap().daemon = Some(daemon.pid());
            }
            moment.wait(living, started);
            // From here on nobody signals a process that may be somebody else's.
            world.lock().unwrap().daemon = None;
            daemon.kill();
            let intents = intents(&living.state_dir(), true);
            assert_within(limits, &intents);
            if let Ok(state) = fs::read(living.state_dir().join("state.json")) {
                serde_json::from_slice::<State>(&state).unwrap();
            }
            if limits.spacing == FREE.spacing && kill % 10 == 0 {
                rest(living, &world.lock().unwrap());
            }
        }
        // What the limits still hold back may be written now: the names are to end right.
        configure(FREE);
        let world = world.lock().unwrap();
        let daemon = rest(living, &world);
        daemon.stop();
        let dir = living.state_dir();
        read_all(&dir).unwrap();
        let intents = intents(&dir, false);
        assert!(intents.iter().all(|intent| intent.ended));
        let log = living.named.log();
        assert_announced(&log, &intents);
        let (taken, refused) = received(&log);
        let torn = fs::read_dir(&dir)
            .unwrap()
            .filter(|item| item.as_ref().unwrap().file_name().to_string_lossy().starts_with("audit.torn-"));
        println!(
            "{kills} kills, {} moves, {} intents in {} files, {} RRsets written, {refused} updates refused, {} torn",
            world.moves,
            intents.len(),
            files(&dir).unwrap().len(),
            taken.len(),
            torn.count(),
        );
        assert!(!taken.is_empty());
    });
}

struct End<'a>(&'a AtomicBool);

impl Drop for End<'_> {
    fn drop(&mut self) {
        self.0.store(true, Ordering::Relaxed);
    }
}

/// The home rests: a daemon that is left alone brings everything in step, and closes every intent.
fn rest(living: &Living, world: &World) -> Daemon {
    living.pause(false);
    let mut daemon = living.daemon();
    let gauge = RrSet { ttl: 120, addresses: [world.home].into() };
    let members: BTreeSet<IpAddr> = world.others.iter().copied().chain([world.home]).collect();
    let (mut seen, mut open) = ((None, None), 0);
    let end = Instant::now() + living::PATIENCE;
    loop {
        if daemon.is_up() {
            seen = (living.rrset("gauge"), living.rrset("mill"));
            open = open_intents(&living.state_dir());
            let mill = seen.1.as_ref().map(|set| &set.addresses);
            if seen.0.as_ref() == Some(&gauge) && mill == Some(&members) && open == 0 {
                return daemon;
            }
        }
        if Instant::now() > end {
            panic!("home {}, mill {members:?}\n{seen:?}\n{open} open\n{}", world.home, daemon.log());
        }
        std::thread::sleep(Duration::from_millis(20));
    }
}

#[test]
#[ignore = "needs named: tests/all.sh runs it"]
fn killed_at_any_moment() {
    let seed = std::env::var("TESTS_SEED").ok().map_or_else(|| fastrand::u64(..), |seed| seed.parse().unwrap());
    println!("TESTS_SEED={seed}");
    let mut rng = Rng::with_seed(seed);
    let long = if std::env::var_os("TESTS_LONG").is_some_and(|long| long == "1") { 10 } else { 1 };
    play(24 * long, FREE, &mut rng);
    play(14 * long, Limits { spacing: 2000, burst: 4, daily: 60 * long as u64 }, &mut rng);
    play(12 * long, Limits { spacing: 100, burst: 8, daily: 8 }, &mut rng);
}

/// The checks above can fail.
#[test]
fn the_recount_finds_what_exceeds_the_limits() {
    let limits = Limits { spacing: 2000, burst: 2, daily: 5 };
    let at = |times: &[u64]| -> Vec<Intent> {
        let writes = || vec![("gauge".to_owned(), Vec::new())];
        times.iter().map(|time| Intent { seq: 1, time: *time, ended: true, writes: writes() }).collect()
    };
    let holds = |times: &[u64]| std::panic::catch_unwind(|| assert_within(limits, &at(times))).is_ok();
    assert!(holds(&[0, 0, 2000, 4000, 6000]));
    assert!(!holds(&[0, 0, 1999]));
    assert!(!holds(&[0, 2000, 2000, 3999]));
    assert!(!holds(&[0, 0, 2000, 4000, 6000, 8000]));
    assert!(holds(&[0, 0, 2000, 4000, 6000, DAY]));
    let line = |address| {
        format!(
            "client @0x7f17952d0098 127.0.0.1#51923/key gauge-key: updating zone '{ZONE}/IN': \
             adding an RR at 'gauge.{ZONE}' A {address}\n"
        )
    };
    let intent = |address: &str| Intent {
        seq: 1,
        time: 0,
        ended: true,
        writes: vec![(format!("gauge.{ZONE}"), vec![address.parse().unwrap()])],
    };
    let announced = |log: &str| {
        std::panic::catch_unwind(|| assert_announced(log, &[intent("203.0.113.9"), intent("203.0.113.8")])).is_ok()
    };
    assert!(announced(&line("203.0.113.9")));
    assert!(!announced(&line("203.0.113.7")));
    assert!(!announced(&(line("203.0.113.9") + &line("203.0.113.9"))));
}
