use std::net::IpAddr;

use proptest::prelude::*;

use super::*;
use crate::address::Family;
use crate::clock::Timestamp;
use crate::settings::{CarrierNat, Quorum};
use crate::update::Trouble;
use crate::update::retry::tests::doubling;

const SECOND: Duration = Duration::from_secs(1);
const NOW: Duration = Duration::from_secs(1000);
const HOME: IpAddr = IpAddr::V4(std::net::Ipv4Addr::new(203, 0, 113, 77));

fn paces() -> Paces {
    let watch = Watch {
        every: 300 * SECOND,
        settle: 2,
        settle_every: 10 * SECOND,
        quorum: Quorum::Majority,
        timeout: SECOND,
        carrier_nat: CarrierNat::Hold,
        push: true,
        return_after: 600 * SECOND,
        accept_special: Vec::new(),
        prefix_length: 64,
    };
    Paces { watch, expose: 6 * 3600 * SECOND, fetch: None }
}

fn schedule_by(paces: Paces) -> Schedule {
    let retry = settings::Retry { initial: 5 * SECOND, max: 60 * SECOND };
    Schedule::by(paces, retry, doubling, NOW)
}

fn schedule() -> Schedule {
    schedule_by(paces())
}

fn heard(heard: Heard) -> Vec<(Via, Heard)> {
    vec![(Via::only(Family::Ipv4), heard)]
}

/// All that is to be done at `now`.
fn all(schedule: &mut Schedule, now: Duration) -> Vec<Action> {
    std::iter::from_fn(|| schedule.next(now, 0.5)).collect()
}

const LOOK: Action = Action::Look { thorough: false };
const LOOK_AT_ALL: Action = Action::Look { thorough: true };

/// With the first round behind it, and what came of that.
fn settled() -> Schedule {
    let mut schedule = schedule();
    assert_eq!(all(&mut schedule, NOW), [LOOK]);
    schedule.looked(&heard(Heard::Settled { from: None, to: HOME }), NOW, 0.5);
    assert_eq!(all(&mut schedule, NOW), [Action::Expose]);
    schedule
}

#[test]
fn rounds_come_every_so_often_within_a_tenth() {
    for (draw, seconds) in [(0.0, 270), (0.5, 300), (1.0, 330)] {
        let mut schedule = settled();
        assert_eq!(schedule.looked(&heard(Heard::Unchanged), NOW, draw), seconds * SECOND);
        assert_eq!(schedule.due(), Some(NOW + seconds * SECOND));
        assert_eq!(all(&mut schedule, NOW + seconds * SECOND - Duration::from_millis(1)), []);
        assert_eq!(all(&mut schedule, NOW + seconds * SECOND), [LOOK]);
    }
    assert_eq!(schedule().looked(&[], NOW, 0.5), 300 * SECOND, "nobody is asked");
}

#[test]
fn a_new_address_in_either_family_hastens_the_rounds() {
    let in_sight = (Via::only(Family::Ipv6), Heard::InSight { address: HOME, won: 1, needed: 2 });
    for other in [Heard::Unchanged, Heard::NoRuling] {
        let heard = [(Via::only(Family::Ipv4), other), in_sight.clone()];
        assert_eq!(schedule().looked(&heard, NOW, 0.9), 10 * SECOND);
    }
}

#[test]
fn without_a_ruling_the_rounds_grow_rarer_and_a_ruling_ends_that() {
    let mut schedule = schedule();
    let heard = [(Via::only(Family::Ipv4), Heard::NoRuling), (Via::only(Family::Ipv6), Heard::Unchanged)];
    let mut next = |draw| schedule.looked(&heard, NOW, draw).as_secs();
    assert_eq!([next(1.0), next(1.0), next(1.0), next(1.0)], [10, 20, 40, 80]);
    assert_eq!([next(0.0), next(0.0), next(0.0)], [80, 150, 150]);
    schedule.looked(&[(Via::only(Family::Ipv4), Heard::Unchanged)], NOW, 0.5);
    assert_eq!(schedule.looked(&heard, NOW, 1.0), 10 * SECOND);
}

#[test]
fn what_a_person_wants_is_done_at_once_or_after_the_look_that_is_under_way() {
    let mut schedule = settled();
    schedule.asked();
    assert_eq!(schedule.due(), Some(Duration::ZERO));
    assert_eq!(all(&mut schedule, NOW), [LOOK_AT_ALL]);
    assert!(schedule.is_looking());
    schedule.asked();
    schedule.asked();
    assert_eq!(all(&mut schedule, NOW + SECOND), [], "one look at a time");
    schedule.looked(&heard(Heard::Unchanged), NOW + SECOND, 0.5);
    assert_eq!(all(&mut schedule, NOW + SECOND), [LOOK_AT_ALL]);
    schedule.looked(&heard(Heard::Unchanged), NOW + SECOND, 0.5);
    assert_eq!(all(&mut schedule, NOW + SECOND), []);
}

#[test]
fn what_is_pushed_is_looked_at_by_everybody_at_once_and_again() {
    let mut schedule = settled();
    let soon = NOW + SECOND;
    schedule.pushed(soon);
    assert_eq!(all(&mut schedule, soon), [LOOK_AT_ALL]);
    schedule.looked(&heard(Heard::Unchanged), soon, 0.5);
    assert_eq!(schedule.due(), Some(soon + debounce::AGAIN));
    assert_eq!(all(&mut schedule, soon + debounce::AGAIN), [LOOK_AT_ALL]);
    schedule.looked(&heard(Heard::Unchanged), soon + debounce::AGAIN, 0.5);
    assert_eq!(schedule.due(), Some(soon + debounce::AGAIN + 300 * SECOND));
    assert_eq!(schedule.pushes(), (1, 0));
}

/// How a pass over the provider "home" went.
fn report(trouble: Option<Trouble>) -> Report {
    let (provider, records) = ("home".to_owned(), Vec::new());
    Report { provider, records, means: None, trouble, put_off_until: None, looked_for_until: None }
}

fn busy() -> Report {
    report(Some(Trouble::Passing { why: "busy".to_owned(), retry_after: None }))
}

fn work(schedule: &mut Schedule, report: &Report) {
    schedule.worked(report, Moment { time: Timestamp::from_millis(1_795_000_000_000), steady: NOW }, 1.0);
}

#[test]
fn a_provider_that_has_to_wait_has_its_turn_afterwards_and_others_meanwhile() {
    let home = || BTreeSet::from(["home".to_owned()]);
    let mut schedule = settled();
    work(&mut schedule, &busy());
    let turn = schedule.turn(NOW);
    assert_eq!(turn, Selection::AllBut(home()));
    assert!(!turn.is_for("home") && turn.is_for("other"));
    assert_eq!(schedule.due(), Some(NOW + 5 * SECOND));
    assert_eq!(
        schedule.turn_again("home", NOW),
        Selection::Only(BTreeSet::new()),
        "not even where there is more to do"
    );
    assert_eq!(schedule.turn_again("other", NOW), Selection::Only(["other".to_owned()].into()));
    let turn = Selection::Only(home());
    assert!(turn.is_for("home") && !turn.is_for("other"));
    assert_eq!(all(&mut schedule, NOW + 5 * SECOND), [Action::Publish(turn)], "once");
    // Work that is done just when the wait is over has the other one's turn come with it.
    work(&mut schedule, &busy());
    assert_eq!(
        schedule.turn_again("other", NOW + 10 * SECOND),
        Selection::Only(["home", "other"].map(str::to_owned).into())
    );
    assert_eq!(all(&mut schedule, NOW + 10 * SECOND), []);
}

#[test]
fn a_new_address_a_person_and_a_clock_that_was_set_end_the_waits() {
    let ends: [fn(&mut Schedule); 3] = [
        |schedule| _ = schedule.looked(&heard(Heard::Settled { from: None, to: HOME }), NOW, 0.5),
        |schedule| {
            schedule.asked();
            assert_eq!(schedule.next(NOW, 0.5), Some(LOOK_AT_ALL));
        },
        |schedule| schedule.clock_set(NOW),
    ];
    for ends in ends {
        let mut schedule = settled();
        work(&mut schedule, &busy());
        schedule.looked(&heard(Heard::Unchanged), NOW, 0.5);
        assert!(!schedule.turn(NOW).is_for("home"));
        ends(&mut schedule);
        assert!(schedule.turn(NOW).is_for("home"));
    }
}

#[test]
fn what_came_of_work_is_shown_at_its_end_and_now_and_then_before() {
    let mut schedule = settled();
    schedule.show(false, NOW);
    assert_eq!(all(&mut schedule, NOW), [Action::Show], "it was never shown");
    schedule.showed(NOW);
    let ms = Duration::from_millis;
    schedule.show(false, NOW + ms(100));
    schedule.show(false, NOW + ms(200));
    assert_eq!(schedule.due(), Some(NOW + SHOWING));
    assert_eq!(all(&mut schedule, NOW + SHOWING - ms(1)), []);
    assert_eq!(all(&mut schedule, NOW + SHOWING), [Action::Show]);
    schedule.showed(NOW + SHOWING);
    schedule.show(true, NOW + SHOWING + ms(1));
    assert_eq!(all(&mut schedule, NOW + SHOWING + ms(1)), [Action::Show], "nothing is worked on any more");
    schedule.show(false, NOW + SHOWING + ms(2));
    schedule.showed(NOW + SHOWING + ms(3));
    assert_eq!(all(&mut schedule, NOW + 2 * SHOWING), [], "shown for another reason meanwhile");
}

#[test]
fn one_looks_from_outside_after_the_first_round_now_and_then_and_when_something_is_new() {
    let hours = |hours: u32| hours * 3600 * SECOND;
    for (draw, wait) in [(0.0, hours(6).mul_f64(0.9)), (1.0, hours(6).mul_f64(1.1))] {
        let mut schedule = schedule();
        assert_eq!(schedule.next(NOW, draw), Some(LOOK), "not before a round has ended");
        assert_eq!(schedule.next(NOW, draw), None);
        schedule.looked(&heard(Heard::Unchanged), NOW, 0.5);
        assert_eq!(schedule.next(NOW, draw), Some(Action::Expose));
        assert_eq!(schedule.expose, Some(NOW + wait));
    }
    let mut schedule = settled();
    schedule.looked(&heard(Heard::Unchanged), NOW, 0.5);
    assert_eq!(all(&mut schedule, NOW), []);
    schedule.looked(&heard(Heard::Settled { from: None, to: HOME }), NOW, 0.5);
    assert_eq!(all(&mut schedule, NOW), [Action::Expose]);
    // A clock that was set is no reason before there was a look.
    schedule.clock_set(NOW);
    assert_eq!(all(&mut schedule, NOW), [LOOK_AT_ALL]);
    schedule.exposed();
    schedule.clock_set(NOW);
    assert_eq!(schedule.next(NOW, 0.5), Some(Action::Expose));
}

#[test]
fn the_lists_are_read_after_the_names_then_seldom_and_sooner_after_a_failure() {
    let day = 86_400 * SECOND;
    let mut schedule = schedule_by(Paces { fetch: Some(day), ..paces() });
    assert_eq!(all(&mut schedule, NOW), [LOOK]);
    schedule.looked(&heard(Heard::Unchanged), NOW, 0.5);
    assert_eq!(all(&mut schedule, NOW), [Action::Expose, Action::Fetch]);
    assert_eq!(schedule.fetch, Some(NOW + SOON), "should it be given up");
    for (what, wait) in [(Fetched::All, day), (Fetched::Some, SOON), (Fetched::Nothing, SOON)] {
        schedule.fetched(what, NOW, 0.5);
        assert_eq!(schedule.fetch, Some(NOW + wait), "{what:?}");
        assert_eq!(all(&mut schedule, NOW), []);
        schedule.looked(&heard(Heard::Unchanged), NOW, 0.5);
        assert_eq!(schedule.fetch, Some(NOW + wait), "a round is no reason");
    }
    for (draw, wait) in [(0.0, day.mul_f64(0.95)), (1.0, day.mul_f64(1.05))] {
        schedule.fetched(Fetched::All, NOW, draw);
        assert_eq!((schedule.fetch, schedule.next(NOW, draw)), (Some(NOW + wait), None));
    }
    schedule.ranges_changed(NOW);
    assert_eq!(all(&mut schedule, NOW), [Action::Expose], "others may get in");
}

#[test]
fn after_a_reload_all_is_looked_at_anew_and_what_a_person_wanted_is_done() {
    let again = |schedule: &mut Schedule| {
        schedule.go_on_by(schedule_by(Paces { fetch: Some(3600 * SECOND), ..paces() }));
        all(schedule, NOW)
    };
    let mut schedule = settled();
    work(&mut schedule, &busy());
    assert_eq!(again(&mut schedule), [LOOK, Action::Fetch]);
    assert!(schedule.turn(NOW).is_for("home"), "the wait is over");
    // That one is cut short.
    assert_eq!(again(&mut schedule), [LOOK_AT_ALL, Action::Fetch]);
    schedule.looked(&heard(Heard::Unchanged), NOW, 0.5);
    schedule.asked();
    assert_eq!(again(&mut schedule), [LOOK_AT_ALL, Action::Fetch]);
    let mut young = self::schedule();
    assert_eq!(again(&mut young), [LOOK], "the names come first");
}

#[derive(Clone, Debug)]
enum Happens {
    Asked,
    Pushed,
    Looked(bool),
    Worked(bool),
    Clock,
    Later(u64),
}

proptest! {
    /// Whatever happens: the schedule says when it is to be asked, has nothing before and something then; and it comes to
    /// rest, so that nobody turns in a circle.
    #[test]
    fn whoever_asks_when_it_is_due_misses_nothing_and_never_turns_in_a_circle(
        course in proptest::collection::vec(prop_oneof![
            Just(Happens::Asked),
            Just(Happens::Pushed),
            any::<bool>().prop_map(Happens::Looked),
            any::<bool>().prop_map(Happens::Worked),
            Just(Happens::Clock),
            (0u64..400_000).prop_map(Happens::Later),
        ], 0..60),
        draw in 0.0..1.0f64,
    ) {
        let mut schedule = schedule_by(Paces { fetch: Some(3600 * SECOND), ..paces() });
        let mut now = NOW;
        for happens in course {
            match happens {
                Happens::Asked => schedule.asked(),
                Happens::Pushed => schedule.pushed(now),
                Happens::Looked(well) if schedule.is_looking() => {
                    _ = schedule.looked(&heard(if well { Heard::Unchanged } else { Heard::NoRuling }), now, draw);
                }
                Happens::Looked(_) => {}
                Happens::Worked(well) => {
                    let report = if well { report(None) } else { busy() };
                    schedule.worked(&report, Moment { time: Timestamp::from_millis(1_795_000_000_000), steady: now }, draw);
                    schedule.show(well, now);
                }
                Happens::Clock => schedule.clock_set(now),
                Happens::Later(ms) => now += Duration::from_millis(ms),
            }
            if schedule.due().is_none_or(|due| due > now) {
                prop_assert_eq!(schedule.next(now, draw), None);
            } else {
                prop_assert!(schedule.next(now, draw).is_some());
            }
            let rest = std::iter::from_fn(|| schedule.next(now, draw)).take(6).count();
            prop_assert!(rest < 6, "it does not come to rest");
            prop_assert!(schedule.due().is_none_or(|due| due > now));
        }
    }
}
