//! A lasting conflict of one name: the others are written in the same pass, and keep what they need of the limits.

use std::time::Duration;

use fingerpost::audit::Ending;
use fingerpost::provider::Tally;
use fingerpost::record::RecordType::A;
use fingerpost::settings::Sharing;
use fingerpost::update::{RecordState, Report};

use super::fake::*;

const MINUTE: Duration = Duration::from_secs(60);
const THREE: [(&str, Sharing); 3] = [("gauge", Sharing::Sole), ("mill", Sharing::Sole), ("cam", Sharing::Sole)];

fn three(tally: Tally) -> Bench {
    let mut bench = Bench::new();
    for label in ["gauge", "mill", "cam"] {
        bench.edit(label, 120, &["203.0.113.9"]);
    }
    bench.want(&THREE, "203.0.113.9");
    *bench.fake.tally.lock().unwrap() = tally;
    bench.settle();
    bench
}

/// All but gauge, the first, are in step at `address`.
#[track_caller]
fn others_in_step(bench: &Bench, report: &Report, address: &str) {
    for record in &report.records[1..] {
        assert_eq!(record.standing, RecordState::InStep, "{report:?}");
    }
    for label in ["mill", "cam"] {
        assert_eq!(bench.stands(label), Some(set(120, &[address])));
    }
}

fn sizes(bench: &Bench) -> Vec<usize> {
    bench.intents().iter().map(|(_, changes)| changes.len()).collect()
}

#[test]
fn a_lasting_conflict_of_one_name_holds_up_no_other() {
    for tally in [Tally::Each, Tally::Together] {
        let mut bench = three(tally);
        *bench.fake.contested.lock().unwrap() = Some(name("gauge"));
        bench.move_to("203.0.113.77");
        let report = bench.pass();
        assert!(report.trouble.is_none(), "{report:?}");
        others_in_step(&bench, &report, "203.0.113.77");
        assert!(adrift(&report).contains("gauge.heronmill.example is contested, 3 times"), "{}", adrift(&report));
        // Alone three times, and alone in the next round too, also after a restart.
        let alone = |bench: &Bench| {
            bench
                .intents()
                .iter()
                .filter(|(_, changes)| matches!(&changes[..], [one] if one.name == name("gauge")))
                .count()
        };
        assert_eq!(alone(&bench), 3, "{tally:?}: {:?}", sizes(&bench));
        let before = sizes(&bench).len();
        bench.start();
        bench.settle();
        bench.move_to("203.0.113.78");
        let report = bench.pass();
        others_in_step(&bench, &report, "203.0.113.78");
        let expected: &[usize] = if tally == Tally::Each { &[1; 5] } else { &[2, 1, 1, 1] };
        assert_eq!(sizes(&bench)[before..], *expected);
        // It is over: all go together again.
        *bench.fake.contested.lock().unwrap() = None;
        assert!(in_step(&bench.pass()));
        bench.move_to("203.0.113.79");
        assert!(in_step(&bench.pass()));
        assert_eq!(sizes(&bench).last(), Some(if tally == Tally::Each { &1 } else { &3 }));
    }
}

/// Where reading shows whom the conflict concerns, nobody else is sent in parts.
#[test]
fn what_somebody_else_changed_goes_alone_at_the_next_attempt() {
    let mut bench = three(Tally::Together);
    let edit = |address: &'static str| {
        Act::After(Box::new(move |zone| drop(zone.insert((name("gauge"), A), set(120, &[address])))))
    };
    bench.move_to("203.0.113.77");
    bench.script([edit("198.51.100.1"), Act::Honest, edit("198.51.100.2")]);
    assert!(in_step(&bench.pass()));
    assert_eq!(sizes(&bench), [3, 2, 1, 1]);
    assert_eq!(bench.endings(), [Ending::Conflict, Ending::Done, Ending::Conflict, Ending::Done]);
}

/// Once a minute for a day: the others may write as often as their share is.
#[test]
fn a_day_of_conflicts_leaves_the_others_their_writes() {
    for tally in [Tally::Each, Tally::Together] {
        let mut bench = three(tally);
        bench.limit(1, 4, 30);
        *bench.fake.contested.lock().unwrap() = Some(name("gauge"));
        bench.move_to("203.0.113.77");
        let report = bench.pass();
        others_in_step(&bench, &report, "203.0.113.77");
        for _ in 0..23 * 60 {
            bench.pass_time(MINUTE);
            bench.pass();
        }
        assert!(adrift(&bench.pass()).contains("limits.daily"));
        for nth in 0..3 {
            bench.pass_time(MINUTE);
            let address = format!("203.0.113.{}", 100 + nth);
            bench.move_to(&address);
            let report = bench.pass();
            others_in_step(&bench, &report, &address);
        }
    }
}
