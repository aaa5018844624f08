//! A pass that is cut off, at every point where it waits: what the next start makes of it.

use std::fs;

use fingerpost::audit::file::read_all;
use fingerpost::audit::{Ending, Event};
use fingerpost::record::RecordType::A;

use super::fake::*;

/// Where a pass waits.
#[derive(Clone, Copy, Debug, PartialEq)]
enum Point {
    Read,
    BeforeApply,
    AfterApply,
    ReadBack,
}

const POINTS: [Point; 4] = [Point::Read, Point::BeforeApply, Point::AfterApply, Point::ReadBack];

impl Point {
    fn arrange(self, bench: &mut Bench) {
        match self {
            Self::Read => bench.script_reads([Act::HangsBefore]),
            Self::BeforeApply => bench.script([Act::HangsBefore]),
            Self::AfterApply => bench.script([Act::HangsAfter]),
            Self::ReadBack => bench.script_reads([Act::Honest, Act::HangsBefore]),
        }
    }
}

fn every_intent_has_its_outcome(bench: &Bench) -> bool {
    let ended: Vec<u64> = bench.outcomes().iter().map(|(intent, ..)| *intent).collect();
    bench.intents().iter().map(|(seq, _)| *seq).eq(ended)
}

#[test]
fn the_next_start_finds_out_how_it_ended() {
    for (point, ending) in [
        (Point::Read, None),
        (Point::BeforeApply, Some(Ending::Failed)),
        (Point::AfterApply, Some(Ending::Done)),
        (Point::ReadBack, Some(Ending::Done)),
    ] {
        let mut bench = Bench::new();
        bench.pass();
        bench.move_to("203.0.113.77");
        point.arrange(&mut bench);
        bench.dies();
        assert_eq!(bench.intents().len(), usize::from(ending.is_some()), "{point:?}");
        assert!(bench.outcomes().is_empty());
        bench.start();
        assert!(in_step(&bench.pass()), "{point:?}");
        let found = bench.outcomes().first().cloned();
        if let Some(ending) = ending {
            let detail = "found by reading, after the write was cut short";
            assert_eq!(found.map(|(_, ending, detail)| (ending, detail)), Some((ending, detail.to_owned())));
        }
        assert_eq!(bench.intents().len(), if ending == Some(Ending::Failed) { 2 } else { 1 });
        assert!(every_intent_has_its_outcome(&bench));
    }
}

#[test]
fn what_somebody_else_wrote_meanwhile_is_told_apart() {
    let mut bench = Bench::gauge();
    bench.move_to("203.0.113.77");
    bench.script([Act::HangsAfter]);
    bench.dies();
    bench.edit("gauge", 120, &["192.0.2.66"]);
    bench.start();
    assert!(in_step(&bench.pass()));
    assert_eq!(bench.endings(), [Ending::Overtaken, Ending::Done]);
}

/// Cut off at one point after another, with the home moving or not and a neighbour moving in or not in between:
/// in the end both names are right, nobody else's member is lost, and none of ours is left behind.
#[test]
fn whatever_is_cut_off_where_the_names_end_right() {
    const MOVED: [&str; 3] = ["203.0.113.70", "203.0.113.71", "203.0.113.72"];
    for plan in 0..POINTS.len().pow(2) * 16 {
        let points = [POINTS[plan % 4], POINTS[plan / 4 % 4]];
        let (moves, edits) = (plan >> 4 & 3, plan >> 6 & 3);
        let mut bench = Bench::new();
        bench.pass();
        bench.move_to(MOVED[0]);
        let (mut home, mut others) = (MOVED[0], vec!["198.51.100.99"]);
        for (at, point) in points.into_iter().enumerate() {
            point.arrange(&mut bench);
            // It need not come to that point: what was cut off before may be done already.
            if bench.try_pass().is_some() {
                bench.fake.reads.lock().unwrap().clear();
                bench.fake.applies.lock().unwrap().clear();
            }
            bench.books = None;
            if edits >> at & 1 == 1 {
                let neighbour = ["198.51.100.100", "198.51.100.101"][at];
                others.push(neighbour);
                bench
                    .fake
                    .zone
                    .lock()
                    .unwrap()
                    .get_mut(&(name("mill"), A))
                    .unwrap()
                    .addresses
                    .insert(neighbour.parse().unwrap());
            }
            if moves >> at & 1 == 1 {
                home = MOVED[at + 1];
                bench.move_to(home);
            }
            bench.start();
        }
        assert!(in_step(&bench.pass()), "{points:?} {moves} {edits}");
        assert_eq!(bench.stands("gauge"), Some(set(120, &[home])), "{points:?} {moves} {edits}");
        others.push(home);
        assert_eq!(bench.stands("mill"), Some(set(300, &others)), "{points:?} {moves} {edits}");
        assert!(every_intent_has_its_outcome(&bench), "{points:?} {moves} {edits}");
    }
}

/// A server may take up an update long after its sender has died, and after the next start has read the zone.
#[test]
fn an_update_that_arrives_late_leaves_no_address_behind() {
    let mut bench = Bench::new();
    bench.pass();
    bench.move_to("203.0.113.77");
    bench.script([Act::HangsBefore]);
    bench.dies();
    bench.start();
    bench.move_to("203.0.113.78");
    bench.script([Act::After(Box::new(|zone| {
        zone.insert((name("mill"), A), set(300, &["203.0.113.77", "198.51.100.99"]));
    }))]);
    assert!(in_step(&bench.pass()));
    assert_eq!(bench.stands("mill"), Some(set(300, &["203.0.113.78", "198.51.100.99"])));
    // What had changed goes alone.
    assert_eq!(bench.endings(), [Ending::Failed, Ending::Conflict, Ending::Done, Ending::Done]);
}

/// An address is ours as long as it may stand, and not a moment longer: a neighbour may be given it next.
#[test]
fn once_in_step_an_earlier_address_is_no_longer_ours() {
    let mut bench = Bench::new();
    for address in ["203.0.113.9", "203.0.113.77", "203.0.113.78"] {
        bench.move_to(address);
        assert!(in_step(&bench.pass()));
    }
    let theirs = set(300, &["203.0.113.77", "203.0.113.78", "198.51.100.99"]);
    bench.fake.zone.lock().unwrap().insert((name("mill"), A), theirs);
    bench.move_to("203.0.113.79");
    assert!(in_step(&bench.pass()));
    assert_eq!(bench.stands("mill"), Some(set(300, &["203.0.113.77", "203.0.113.79", "198.51.100.99"])));
}

/// The power may go between closing one file of the log and writing the first line of the next, or within that line.
#[test]
fn a_log_that_was_just_rotated_goes_on_unbroken() {
    for rest in [None, Some(""), Some("{\"seq\":9,\"ti")] {
        let mut bench = Bench::gauge();
        bench.move_to("203.0.113.77");
        assert!(in_step(&bench.pass()));
        bench.books = None;
        let current = bench.dir().join("audit.jsonl");
        fs::rename(&current, bench.dir().join("audit.000000000001.jsonl")).unwrap();
        if let Some(rest) = rest {
            fs::write(&current, rest).unwrap();
        }
        bench.start();
        bench.move_to("203.0.113.78");
        assert!(in_step(&bench.pass()), "{rest:?}");
        let entries = read_all(bench.dir()).unwrap();
        let torn = usize::from(rest.is_some_and(|rest| !rest.is_empty()));
        assert_eq!(entries.last().map(|entry| entry.seq), Some(4 + torn as u64));
    }
}

#[test]
fn a_torn_line_is_set_aside_and_the_chain_goes_on() {
    let mut bench = Bench::gauge();
    bench.move_to("203.0.113.77");
    bench.pass();
    bench.books = None;
    let file = bench.dir().join("audit.jsonl");
    let whole = fs::read(&file).unwrap();
    let last = whole[..whole.len() - 1].iter().rposition(|byte| *byte == b'\n').unwrap() + 1;
    for end in last + 1..whole.len() {
        fs::write(&file, &whole[..end]).unwrap();
        bench.start();
        bench.move_to(if end % 2 == 0 { "203.0.113.78" } else { "203.0.113.79" });
        assert!(in_step(&bench.pass()));
        // The line was the outcome of the first intent: it is found out again.
        let entries = read_all(bench.dir()).unwrap();
        let aside = entries.iter().find_map(|entry| match &entry.event {
            fingerpost::audit::chain::Known::Yes(Event::SetAside { file, .. }) => Some(file.clone()),
            _ => None,
        });
        assert_eq!(fs::read(bench.dir().join(aside.unwrap())).unwrap(), &whole[last..end]);
        assert!(every_intent_has_its_outcome(&bench));
        bench.books = None;
        fs::write(&file, &whole).unwrap();
    }
}
