//! Limits as a pass meets them: put off, not lost; across restarts; and whatever the clock does.

use std::fs;
use std::time::Duration;

use fingerpost::clock::Timestamp;
use fingerpost::provider::{Fault, FaultKind, Tally};

use super::fake::*;

const MINUTE: Duration = Duration::from_secs(60);
const DAY: Duration = Duration::from_secs(86_400);

#[test]
fn a_put_off_change_is_not_sent_and_not_lost_and_the_newest_wins() {
    let mut bench = Bench::gauge();
    bench.limit(60, 1, 100);
    bench.move_to("203.0.113.77");
    assert!(in_step(&bench.pass()));
    let until = bench.now().plus(MINUTE);
    bench.fake.calls();
    bench.pass_time(Duration::from_millis(59_999));
    for address in ["203.0.113.78", "203.0.113.79"] {
        bench.move_to(address);
        let report = bench.pass();
        assert_eq!(report.put_off_until, Some(until));
        assert_eq!(adrift(&report), format!("put off until {until} by limits.spacing"));
        assert!(report.trouble.is_none());
        assert_eq!(report.means, None);
        assert_eq!(bench.fake.calls(), ["read"]);
        bench.start();
    }
    bench.pass_time(Duration::from_millis(1));
    assert!(in_step(&bench.pass()));
    assert_eq!(bench.stands("gauge"), Some(set(120, &["203.0.113.79"])));
    assert_eq!(bench.intents().len(), 2);
}

#[test]
fn an_address_that_comes_back_needs_no_write() {
    let mut bench = Bench::gauge();
    bench.limit(60, 1, 100);
    bench.move_to("203.0.113.77");
    bench.pass();
    bench.move_to("203.0.113.78");
    assert!(bench.pass().put_off_until.is_some());
    bench.move_to("203.0.113.77");
    let report = bench.pass();
    assert!(in_step(&report) && report.put_off_until.is_none());
}

#[test]
fn the_daily_cap_counts_rrsets_over_any_24_hours() {
    let mut bench = Bench::new();
    *bench.fake.tally.lock().unwrap() = Tally::Each;
    bench.limit(1, 1, 3);
    let begin = bench.now();
    bench.move_to("203.0.113.77");
    assert!(in_step(&bench.pass()));
    bench.pass_time(MINUTE);
    bench.move_to("203.0.113.78");
    // One of the two still goes.
    let report = bench.pass();
    assert_eq!(report.put_off_until, Some(begin.plus(DAY)));
    assert_eq!(report.means.as_deref(), Some("1 by the fake"));
    assert_eq!(bench.stands("gauge"), Some(set(120, &["203.0.113.78"])));
    bench.start();
    bench.set_clock(begin.plus(DAY).minus(Duration::from_millis(1)).millis());
    assert!(bench.pass().put_off_until.is_some());
    bench.set_clock(begin.plus(DAY).millis());
    assert!(in_step(&bench.pass()));
    // Each for itself.
    assert_eq!(bench.intents().iter().map(|(_, changes)| changes.len()).collect::<Vec<_>>(), [1; 4]);
}

#[test]
fn what_fails_counts_too() {
    let mut bench = Bench::gauge();
    bench.limit(60, 2, 100);
    bench.move_to("203.0.113.77");
    let busy = || Act::Fault(Fault::new(FaultKind::Passing { retry_after: None }, "busy", ""));
    bench.script([busy(), busy()]);
    for _ in 0..2 {
        assert_eq!(passing(&bench.pass()), "busy");
    }
    assert!(bench.pass().put_off_until.is_some());
}

/// What failed before anything was sent does not, whatever it says: the day's one write is there when it can be made, also
/// after a start anew.
#[test]
fn what_was_never_sent_does_not_count() {
    let passing = FaultKind::Passing { retry_after: None };
    for kind in [passing, FaultKind::Conflict, FaultKind::Unproven, FaultKind::Refused] {
        for tally in [Tally::Together, Tally::Each] {
            let mut bench = Bench::gauge();
            *bench.fake.tally.lock().unwrap() = tally;
            bench.limit(60, 1, 1);
            bench.settle();
            bench.move_to("203.0.113.77");
            let unsent = || Act::Fault(Fault::new(kind, "it could not be read again", "").before_sending());
            bench.script([unsent(), unsent()]);
            if kind == FaultKind::Conflict {
                // It is tried again within the pass.
                bench.script([unsent()]);
            } else {
                bench.pass();
            }
            bench.pass();
            let left = |bench: &Bench| {
                let books = bench.books.as_ref().unwrap().borrow();
                books.state.ledger.left_today(bench.now(), &bench.limits, "home")
            };
            assert_eq!((left(&bench), bench.fake.applies.lock().unwrap().len()), (1, 0), "{kind:?}");
            bench.start();
            bench.settle();
            assert_eq!(left(&bench), 1, "{kind:?}");
            // Until what was refused may be asked for again.
            bench.pass_time(60 * MINUTE);
            assert!(in_step(&bench.pass()), "{kind:?}");
            assert_eq!(left(&bench), 0);
        }
    }
}

/// Within one pass too: a server that never answers is not asked more often than that.
#[test]
fn tries_within_a_pass_are_limited() {
    let mut bench = Bench::gauge();
    bench.limit(60, 2, 100);
    bench.move_to("203.0.113.77");
    bench.script([Act::Fault(doubt()), Act::Fault(doubt())]);
    assert!(bench.pass().put_off_until.is_some());
    assert_eq!(bench.intents().len(), 2);
}

#[test]
fn without_a_state_file_the_limits_come_from_the_log() {
    let mut bench = Bench::gauge();
    bench.limit(60, 1, 100);
    bench.move_to("203.0.113.77");
    bench.script([Act::HangsBefore]);
    bench.dies();
    for damage in [None, Some("{"), Some("")] {
        let file = bench.dir().join("state.json");
        match damage {
            None => fs::remove_file(file).unwrap(),
            Some(text) => fs::write(file, text).unwrap(),
        }
        bench.start();
        assert_eq!(bench.pass().put_off_until, Some(bench.now().plus(MINUTE)));
    }
}

/// A clock that was years ahead and is set right delays by no more than a full burst, and a day for the daily cap.
#[test]
fn a_clock_that_is_set_back_by_years_delays_little() {
    for (spacing, burst, daily, least) in [(60, 1, 100, MINUTE), (60, 3, 100, 3 * MINUTE), (1, 1, 1, DAY)] {
        for restart in [false, true] {
            let mut bench = Bench::gauge();
            bench.limit(spacing, burst, daily);
            let ahead = bench.now().plus(10 * 365 * DAY);
            bench.set_clock(ahead.millis());
            for host in 0..burst.min(daily) {
                bench.move_to(&format!("203.0.113.{}", 100 + host));
                assert!(in_step(&bench.pass()));
            }
            bench.set_clock(BEGIN);
            bench.move_to("203.0.113.77");
            bench.pass();
            if restart {
                bench.start();
            }
            bench.pass_time(least);
            let report = bench.pass();
            assert!(in_step(&report), "{spacing} {burst} {daily} {restart}: {report:?}");
        }
    }
}

#[test]
fn a_clock_that_jumps_ahead_by_years_is_harmless() {
    let mut bench = Bench::gauge();
    bench.limit(60, 1, 1);
    bench.move_to("203.0.113.77");
    assert!(in_step(&bench.pass()));
    for (host, millis) in [(78, BEGIN + 40 * 365 * 86_400_000), (79, u64::MAX / 2), (80, u64::MAX - 1)] {
        bench.set_clock(millis);
        bench.move_to(&format!("203.0.113.{host}"));
        assert!(in_step(&bench.pass()), "{millis}");
    }
    bench.set_clock(0);
    bench.move_to("203.0.113.81");
    let report = bench.pass();
    assert!(report.put_off_until.is_some_and(|until| until <= Timestamp::from_millis(0).plus(DAY)), "{report:?}");
}
