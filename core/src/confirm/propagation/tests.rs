use proptest::prelude::*;

use super::*;
use crate::name::DnsName;
use crate::record::{RecordType, RrSet};

const S: Duration = Duration::from_secs(1);
const WALL: Timestamp = Timestamp::from_millis(1_795_000_000_000);

fn awaited(host: u8) -> Awaited {
    Awaited {
        name: DnsName::parse("gauge.heronmill.example").unwrap(),
        rtype: RecordType::A,
        set: RrSet { ttl: 120, addresses: [std::net::IpAddr::from([203, 0, 113, host])].into() },
        by_ttl: false,
    }
}

fn waves(all: &[(u64, u8)]) -> BTreeMap<String, Vec<Propagation>> {
    let wave = |(intent, host): &(u64, u8)| Propagation { intent: *intent, since: WALL, records: vec![awaited(*host)] };
    BTreeMap::from([("home".to_owned(), all.iter().map(wave).collect())])
}

fn tracker() -> Tracker {
    Tracker::new(2 * S, 1200 * S)
}

fn server(nth: usize) -> Server {
    Server { name: format!("ns{nth}"), addresses: Vec::new() }
}

/// Takes the one errand that is due.
fn errand(tracker: &mut Tracker, now: Duration) -> Errand {
    let mut errands = tracker.errands(now);
    assert_eq!(errands.len(), 1);
    errands.pop().unwrap()
}

/// What comes of `errand` when `serves` says of each of three servers whether it serves what is asked for.
fn pass(errand: Errand, at: Duration, serves: impl Fn(usize) -> bool) -> Asked {
    let one = |nth: usize| Heard {
        server: server(nth),
        serial: Some(if serves(nth) { 8 } else { 7 }),
        waves: errand
            .waves
            .iter()
            .filter(|wave| !wave.serving.contains(&server(nth).name))
            .map(|wave| (wave.intent, if serves(nth) { Ok(()) } else { Err(Why::OldData) }))
            .collect(),
    };
    Asked { heard: Ok((1..=3).map(one).collect()), errand, at }
}

fn is_lost(errand: Errand, at: Duration, passing: bool) -> Asked {
    let lost = Lost { why: "no resolver".to_owned(), passing };
    Asked { heard: Err(lost), errand, at }
}

#[test]
fn all_servers_have_to_serve_it_and_each_has_its_lag() {
    let mut tracker = tracker();
    tracker.follow(&waves(&[(4, 77)]), 10 * S, WALL);
    let first = errand(&mut tracker, 10 * S);
    assert!(first.servers.is_none() && tracker.errands(10 * S).is_empty() && tracker.next_due().is_none());
    assert_eq!(tracker.heard(pass(first, 10 * S, |nth| nth == 2)), []);
    let (waited, behind) = tracker.view("home", 4, 11 * S);
    let told: Vec<_> = behind.iter().map(ToString::to_string).collect();
    assert_eq!((waited, told), (S, vec!["ns1 still serves serial 7".into(), "ns3 still serves serial 7".to_owned()]));
    assert_eq!(tracker.next_due(), Some(12 * S));
    let second = errand(&mut tracker, 12 * S);
    assert_eq!(second.waves[0].serving, ["ns2"], "not asked again");
    assert_eq!(second.servers.as_ref().map(Vec::len), Some(3), "nor looked for again");
    assert_eq!(tracker.heard(pass(second, 12 * S, |nth| nth == 1)), []);
    assert_eq!(tracker.next_due(), Some(15 * S));
    let third = errand(&mut tracker, 15 * S);
    let [verdict] = &tracker.heard(pass(third, 16 * S, |_| true))[..] else { panic!("one verdict") };
    assert_eq!((verdict.intent, verdict.records, verdict.took, &verdict.end), (4, 1, 6 * S, &End::Served));
    let lags: Vec<_> = verdict.serving.iter().map(|one| (one.server.as_str(), one.lag_ms, one.serial)).collect();
    assert_eq!(lags, [("ns2", 0, Some(8)), ("ns1", 2000, Some(8)), ("ns3", 6000, Some(8))]);
    assert!(tracker.is_idle() && tracker.next_due().is_none() && tracker.errands(99 * S).is_empty());
}

#[test]
fn what_came_to_its_end_is_not_asked_for_again_while_the_books_still_have_it() {
    let mut tracker = tracker();
    tracker.follow(&waves(&[(7, 77)]), S, WALL);
    let asked = errand(&mut tracker, S);
    assert_eq!(tracker.heard(pass(asked, 2 * S, |_| true)).len(), 1);
    tracker.follow(&waves(&[(7, 77)]), 3 * S, WALL);
    assert!(tracker.is_idle() && tracker.errands(1000 * S).is_empty());
    // What is awaited instead, or after the books have dropped it, is another matter.
    tracker.follow(&waves(&[(7, 78)]), 4 * S, WALL);
    assert_eq!(errand(&mut tracker, 4 * S).waves.len(), 1);
}

#[test]
fn the_pauses_grow_by_half_up_to_half_a_minute() {
    let mut tracker = tracker();
    tracker.follow(&waves(&[(4, 77)]), S, WALL);
    let mut pauses = Vec::new();
    let mut now = S;
    for _ in 0..9 {
        let errand = errand(&mut tracker, now);
        tracker.heard(pass(errand, now, |_| false));
        let next = tracker.next_due().unwrap();
        pauses.push((next - now).as_millis());
        now = next;
    }
    assert_eq!(pauses, [2000, 3000, 4500, 6750, 10125, 15187, 22781, 30000, 30000]);
}

#[test]
fn after_the_deadline_the_missing_are_named() {
    let mut tracker = tracker();
    tracker.follow(&waves(&[(4, 77)]), Duration::ZERO, WALL);
    let first = errand(&mut tracker, Duration::ZERO);
    assert_eq!(tracker.heard(pass(first, 1199 * S, |nth| nth != 3)), []);
    let second = errand(&mut tracker, 1300 * S);
    let [verdict] = &tracker.heard(pass(second, 1300 * S, |_| false))[..] else { panic!("one verdict") };
    let End::Overdue(missing) = &verdict.end else { panic!("{verdict:?}") };
    assert_eq!((missing.len(), missing[0].server.as_str(), verdict.serving.len()), (1, "ns3", 2));
    assert!(tracker.is_idle());
}

/// The wall clock may have been set meanwhile, and the machine may have been off for long.
#[test]
fn a_wave_from_before_the_start_is_asked_for_once_in_any_case() {
    for (wall, took) in [(WALL.plus(9999 * S), 1200 * S), (WALL.minus(9999 * S), Duration::ZERO)] {
        let mut tracker = tracker();
        tracker.follow(&waves(&[(4, 77)]), Duration::ZERO, wall);
        let errand = errand(&mut tracker, Duration::ZERO);
        let [verdict] = &tracker.heard(pass(errand, Duration::ZERO, |_| true))[..] else { panic!("one verdict") };
        assert_eq!((verdict.took, &verdict.end), (took, &End::Served));
    }
}

#[test]
fn a_clock_that_was_set_between_two_starts_makes_no_wait_of_a_year() {
    let year = 365 * 24 * 3600 * S;
    for wall in [WALL.plus(year), WALL.minus(year)] {
        let mut tracker = tracker();
        tracker.follow(&waves(&[(4, 77)]), S, wall);
        let asked = errand(&mut tracker, S);
        let [verdict] = &tracker.heard(pass(asked, 2 * S, |_| true))[..] else { panic!("one verdict") };
        assert!(verdict.took <= 1201 * S, "{:?}", verdict.took);
        assert!(verdict.serving.iter().all(|one| one.lag_ms <= 1_201_000), "{:?}", verdict.serving);
    }
}

#[test]
fn what_was_asked_for_something_else_counts_for_nothing() {
    let mut tracker = tracker();
    tracker.follow(&waves(&[(4, 77)]), Duration::ZERO, WALL);
    let stale = errand(&mut tracker, Duration::ZERO);
    // Written again while the servers are being asked; and the same wave, but others changed the RRset since.
    for now in [waves(&[(6, 78)]), waves(&[(6, 79)])] {
        tracker.follow(&now, S, WALL);
        assert_eq!(tracker.heard(pass(stale.clone(), S, |_| true)), []);
        assert_eq!(tracker.next_due(), Some(S), "asked for at once");
    }
    let errand = errand(&mut tracker, S);
    assert_eq!((errand.waves.len(), &*errand.waves[0].records), (1, &[awaited(79)][..]));
    let [verdict] = &tracker.heard(pass(errand, 2 * S, |_| true))[..] else { panic!("one verdict") };
    assert_eq!(verdict.intent, 6);
}

#[test]
fn a_wave_that_shrinks_keeps_who_serves_it() {
    let two = |records: Vec<Awaited>| {
        BTreeMap::from([("home".to_owned(), vec![Propagation { intent: 4, since: WALL, records }])])
    };
    let mut tracker = tracker();
    tracker.follow(&two(vec![awaited(1), awaited(2)]), Duration::ZERO, WALL);
    let first = errand(&mut tracker, Duration::ZERO);
    tracker.heard(pass(first, Duration::ZERO, |nth| nth == 1));
    tracker.follow(&two(vec![awaited(2)]), S, WALL);
    assert_eq!(errand(&mut tracker, 2 * S).waves[0].serving, ["ns1"]);
}

#[test]
fn servers_that_nobody_knows_are_looked_for_a_while_if_that_may_help() {
    let mut tracker = tracker();
    tracker.follow(&waves(&[(4, 77)]), Duration::ZERO, WALL);
    let first = errand(&mut tracker, Duration::ZERO);
    assert_eq!(tracker.heard(is_lost(first, S, true)), []);
    let second = errand(&mut tracker, 3 * S);
    let [verdict] = &tracker.heard(is_lost(second, SEARCH, true))[..] else { panic!("one verdict") };
    assert_eq!(verdict.end, End::Lost("no resolver".to_owned()));
    tracker.follow(&waves(&[(6, 77)]), Duration::ZERO, WALL);
    let first = errand(&mut tracker, Duration::ZERO);
    assert_eq!(tracker.heard(is_lost(first, S, false)).len(), 1);
    assert!(tracker.is_idle());
}

proptest! {
    /// Three servers that come to serve it at any times; an asking takes a while.
    #[test]
    fn every_wave_ends_and_the_lags_are_true(from in prop::array::uniform3(0u64..2_000_000), takes in 0u64..5000) {
        let mut tracker = tracker();
        tracker.follow(&waves(&[(4, 77)]), Duration::ZERO, WALL);
        let from = from.map(Duration::from_millis);
        let mut askings = 0;
        let verdict = loop {
            let now = tracker.next_due().unwrap();
            let errand = errand(&mut tracker, now);
            askings += 1;
            let serves = |nth: usize| from[nth - 1] <= now;
            if let Some(verdict) = tracker.heard(pass(errand, now + Duration::from_millis(takes), serves)).pop() {
                break verdict;
            }
            prop_assert!(askings < 100);
        };
        let slack = LONGEST + Duration::from_millis(2 * takes);
        let last = from.iter().copied().max().unwrap();
        match &verdict.end {
            End::Served => prop_assert!(verdict.took >= last && verdict.took <= last + slack),
            End::Overdue(behind) => {
                prop_assert!(verdict.took >= 1200 * S && last + slack >= 1200 * S);
                prop_assert_eq!(behind.len() + verdict.serving.len(), 3);
            }
            End::Lost(_) => prop_assert!(false),
        }
        for one in &verdict.serving {
            let true_lag = from[one.server[2..].parse::<usize>().unwrap() - 1];
            let lag = Duration::from_millis(one.lag_ms);
            prop_assert!(lag >= true_lag && lag <= true_lag + slack);
        }
    }
}
