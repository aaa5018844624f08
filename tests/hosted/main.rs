//! APIs as they are: a simulator with a switch for every odd behaviour of hosted APIs, and people and others who write there
//! too, driven at random by a seed.
//!
//! Whatever the API does, no record or field of others changes, no name is without a record that had one, nothing stands
//! there twice, the audit log is true, and after the last fault all is in step within a stated time, and quiet. 100 runs
//! of the same seeds each time and those in `ONCE` and `SINCE`, or 2,000 of new ones with `TESTS_LONG=1`; `TESTS_RUNS` plays so many of
//! new ones, `TESTS_SEED` repeats one of them, and `TESTS_TOLD=1` shows all that happens in it;
//! `TESTS_SHAPE`, which is `record`, `rrset` or `program`, plays no other.

#![expect(clippy::unwrap_used, clippy::expect_used, clippy::panic, reason = "a test fails by panicking")]

mod api;
mod bench;
#[path = "../common/mod.rs"]
mod common;
mod describe;
mod drive;
mod forms;
mod habits;
mod judge;
#[path = "../common/living.rs"]
mod living;
mod process;
mod program;
mod routes;
mod store;
mod told;
mod world;

use std::collections::{BTreeMap, BTreeSet};
use std::sync::Mutex;
use std::sync::atomic::{AtomicUsize, Ordering};

use fastrand::Rng;
use habits::{Habits, Shape};

/// The first seed of those that are played each time.
const FIRST: u64 = 2000;

/// Those in which something once was not as it must be; played each time too, in the forms that there were then.
const ONCE: [u64; 15] = [
    // The end of a list in a random order was taken for its end: lines came into the log in step.
    837104121787,
    987623805568,
    822589400754,
    2078,
    // A write that came late set a member of ours that was known as ours no more.
    843031866058,
    // What two machines show by turns was taken for somebody else's doing.
    125293069827,
    // Not in step in time.
    1053,
    87314227106,
    282168293651,
    // A list without an end.
    43990228680,
    // A token was withdrawn after a write that was taken.
    1075421328059,
    // The wait that was asked for, when a write in doubt was read back, was not kept.
    406701998614,
    1021371291230,
    173379947028,
    192014346847,
];

/// The same since there are more forms.
const SINCE: [u64; 2] = [
    // Of two records that were alike now one got the address and now the other, while the list showed neither: both had it.
    751036618264,
    // A reading of unsteady pages that stopped early was taken for one that shows how many items there are.
    576708222945,
];

/// The zone of the scenario.
const ZONE: &str = "heronmill.example";

/// Plays these, some beside each other since they wait for the disk more than for anything else; fails with what was not as
/// it must be.
fn play(runs: &[(u64, (Habits, Rng))]) {
    let next = AtomicUsize::new(0);
    let all = Mutex::new(Vec::new());
    std::thread::scope(|scope| {
        for _ in 0..4 {
            scope.spawn(|| {
                while let Some((seed, habits)) = runs.get(next.fetch_add(1, Ordering::Relaxed)) {
                    let facts = drive::run(habits.clone());
                    all.lock().unwrap().push((*seed, facts));
                }
            });
        }
    });
    let (mut failed, mut kinds, mut endings) = (Vec::new(), BTreeMap::new(), BTreeMap::new());
    let (mut faults, mut kills, mut longest) = (0, 0, 0);
    for (seed, facts) in all.into_inner().unwrap() {
        if !facts.breaches.is_empty() {
            println!("TESTS_SEED={seed}");
            facts.breaches.iter().for_each(|breach| println!("    {}", breach.chars().take(700).collect::<String>()));
            failed.push(seed);
        }
        let of: BTreeSet<&str> = facts.breaches.iter().filter_map(|breach| breach.split(':').next()).collect();
        of.into_iter().for_each(|kind| *kinds.entry(kind.to_owned()).or_insert(0) += 1);
        faults += facts.faults;
        kills += facts.kills;
        longest = longest.max(facts.took);
        for (ending, count) in facts.endings {
            *endings.entry(ending).or_insert(0) += count;
        }
    }
    let count = runs.len();
    println!(
        "{count} runs: {faults} faults, {kills} kills; intents {endings:?}; in step within {longest} ms of their own time"
    );
    assert!(failed.is_empty(), "{} of {count} runs failed: {failed:?}, for {kinds:?}", failed.len());
}

#[test]
fn nothing_is_lost_or_doubled_and_the_log_is_true() {
    let seed = std::env::var("TESTS_SEED").ok().map(|seed| seed.parse::<u64>().unwrap());
    let is_long = std::env::var_os("TESTS_LONG").is_some_and(|long| long == "1");
    let new = std::env::var("TESTS_RUNS").ok().map(|runs| runs.parse().unwrap()).or_else(|| is_long.then_some(2000));
    let seeds: Vec<u64> = match (seed, new) {
        (Some(seed), _) => vec![seed],
        (None, Some(count)) => std::iter::repeat_with(|| fastrand::u64(..1 << 40)).take(count).collect(),
        (None, None) => (FIRST..FIRST + 101).filter(|seed| !ONCE.contains(seed)).chain(ONCE).chain(SINCE).collect(),
    };
    play(&seeds.into_iter().map(|seed| (seed, drive::habits(seed))).collect::<Vec<_>>());
}

/// What the checks find is the API's doing and the program's, and not the simulator's own.
#[test]
fn an_api_as_it_is_documented() {
    let shapes = [Shape::Record, Shape::RrSet, Shape::Program];
    play(
        &(0..12)
            .map(|seed| (seed, (Habits::plain(shapes[seed as usize % 3]), Rng::with_seed(seed))))
            .collect::<Vec<_>>(),
    );
}

#[test]
fn an_api_as_it_is_documented_and_kills() {
    let habits = Habits { visible_within: 2000, ..Habits::plain(Shape::Record) };
    assert_eq!(process::run((habits, Rng::with_seed(1)), 4), [""; 0]);
}

/// The same with the real program, killed at any moment.
#[test]
fn killed_at_any_moment() {
    let seed = std::env::var("TESTS_SEED").ok().map(|seed| seed.parse::<u64>().unwrap());
    let is_long = std::env::var_os("TESTS_LONG").is_some_and(|long| long == "1");
    for nth in 0..if is_long && seed.is_none() { 20 } else { 2 } {
        let seed = seed.unwrap_or_else(|| if is_long { fastrand::u64(..1 << 40) } else { FIRST + nth });
        let breaches = process::run(process::habits(seed), 4);
        assert!(breaches.is_empty(), "TESTS_SEED={seed}\n{}", breaches.join("\n"));
    }
}
