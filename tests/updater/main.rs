//! The updater with a scripted provider and real books: what is durable when, what follows from each answer,
//! and what a pass makes of one that was cut off at any point.

#![expect(clippy::unwrap_used, clippy::expect_used, clippy::panic, reason = "a test fails by panicking")]

mod conflict;
mod crash;
mod fake;
mod lag;
mod limits;
mod together;

use std::fs;

use fake::*;
use fingerpost::audit::chain::Known;
use fingerpost::audit::file::read_all;
use fingerpost::audit::{Ending, Event};
use fingerpost::provider::{Fault, FaultKind};
use fingerpost::record::RecordType::A;
use fingerpost::settings::Sharing;
use fingerpost::update::{RecordState, Trouble};

const DONE: Ending = Ending::Done;
const CONFLICT: Ending = Ending::Conflict;
const FAILED: Ending = Ending::Failed;

fn hand_edit(address: &'static str) -> Act {
    Act::After(Box::new(move |zone| {
        zone.insert((name("gauge"), A), set(120, &[address]));
    }))
}

/// The order itself is checked by the fake at every call of `apply`.
#[test]
fn a_change_is_announced_then_sent_then_read_back() {
    let mut bench = Bench::new();
    bench.pass();
    assert_eq!(bench.fake.calls(), ["read"]);
    bench.move_to("203.0.113.77");
    let report = bench.pass();
    assert!(in_step(&report), "{report:?}");
    assert_eq!(bench.fake.calls(), ["read", "apply", "read"]);
    assert_eq!(report.means.as_deref(), Some("2 by the fake"));
    assert_eq!(bench.stands("gauge"), Some(set(120, &["203.0.113.77"])));
    assert_eq!(bench.stands("mill"), Some(set(300, &["203.0.113.77", "198.51.100.99"])));
    let [(intent, _)] = bench.intents()[..] else { panic!("one intent") };
    assert_eq!(bench.outcomes(), [(intent, DONE, "the fake took it".to_owned())]);
    // On whose word, and where to.
    let entry = read_all(bench.dir()).unwrap().into_iter().find(|entry| entry.seq == intent).unwrap();
    let Known::Yes(Event::Intent { target, word, .. }) = entry.event else { panic!("no intent") };
    assert_eq!((target.as_str(), word[0].agreed.len(), word[0].dissent.len()), ("the fake", 2, 1));
}

#[test]
fn in_step_means_no_write_and_no_line() {
    let mut bench = Bench::new();
    assert!(in_step(&bench.pass()));
    let look = |bench: &Bench| {
        let mut files: Vec<_> = fs::read_dir(bench.dir()).unwrap().map(|item| item.unwrap().path()).collect();
        files.sort();
        files.into_iter().map(|file| (fs::metadata(&file).unwrap().modified().unwrap(), file)).collect::<Vec<_>>()
    };
    let before = look(&bench);
    for _ in 0..3 {
        assert!(in_step(&bench.pass()));
    }
    bench.start();
    assert!(in_step(&bench.pass()));
    assert_eq!(look(&bench), before);
    assert_eq!(bench.fake.calls(), ["read"; 5]);
}

#[test]
fn a_conflict_is_read_and_planned_anew() {
    let mut bench = Bench::gauge();
    bench.move_to("203.0.113.77");
    bench.script([hand_edit("198.51.100.1"), hand_edit("198.51.100.2")]);
    let report = bench.pass();
    assert!(in_step(&report));
    assert_eq!(bench.fake.calls(), ["read", "apply", "read", "apply", "read", "apply", "read"]);
    assert_eq!(bench.endings(), [CONFLICT, CONFLICT, DONE]);
    assert_eq!(report.records[0].before, Some(set(120, &["198.51.100.2"])));
    assert_eq!(bench.outcomes()[0].2, "gauge is not as it was read");
}

#[test]
fn after_three_conflicts_the_next_round_goes_on() {
    let mut bench = Bench::gauge();
    bench.move_to("203.0.113.77");
    bench.script(["198.51.100.1", "198.51.100.2", "198.51.100.3"].map(hand_edit));
    let report = bench.pass();
    assert!(passing(&report).contains("3 times"), "{report:?}");
    assert_eq!(adrift(&report), passing(&report));
    assert_eq!(bench.fake.calls(), ["read", "apply", "read", "apply", "read", "apply"]);
    assert_eq!(bench.endings(), [CONFLICT; 3]);
    assert!(in_step(&bench.pass()));
}

#[test]
fn doubt_that_reading_dispels_is_done() {
    let mut bench = Bench::gauge();
    bench.move_to("203.0.113.77");
    bench.script([Act::DoneBut(doubt())]);
    assert!(in_step(&bench.pass()));
    assert_eq!(bench.fake.calls(), ["read", "apply", "read"]);
    assert_eq!(bench.endings(), [DONE]);
    assert!(bench.outcomes()[0].2.contains("no answer came"), "{:?}", bench.outcomes());
}

#[test]
fn doubt_about_what_never_arrived_is_tried_again_at_once() {
    let mut bench = Bench::gauge();
    bench.move_to("203.0.113.77");
    bench.script([Act::Fault(doubt())]);
    assert!(in_step(&bench.pass()));
    assert_eq!(bench.fake.calls(), ["read", "apply", "read", "read", "apply", "read"]);
    assert_eq!(bench.endings(), [FAILED, DONE]);
}

#[test]
fn doubt_without_end_is_no_conflict() {
    let mut bench = Bench::gauge();
    bench.move_to("203.0.113.77");
    bench.script([Act::Fault(doubt()), Act::Fault(doubt()), Act::Fault(doubt())]);
    let report = bench.pass();
    assert!(passing(&report).contains("no answer came"), "{report:?}");
    assert_eq!(bench.endings(), [FAILED; 3]);
}

#[test]
fn doubt_that_cannot_be_read_stays_open_until_it_can() {
    let mut bench = Bench::gauge();
    bench.move_to("203.0.113.77");
    bench.script([Act::DoneBut(doubt())]);
    bench.script_reads([Act::Honest, Act::Fault(Fault::passing("gone", "wait"))]);
    let report = bench.pass();
    assert!(passing(&report).contains("no answer came"), "{report:?}");
    assert_eq!((bench.intents().len(), bench.outcomes().len()), (1, 0));
    assert!(in_step(&bench.pass()));
    assert_eq!(bench.endings(), [DONE]);
    assert_eq!(bench.fake.calls(), ["read", "apply", "read", "read"]);
}

#[test]
fn a_success_that_cannot_be_read_back_stays_open_until_it_can() {
    let mut bench = Bench::gauge();
    bench.move_to("203.0.113.77");
    bench.script_reads([Act::Honest, Act::Fault(Fault::passing("gone", "wait"))]);
    assert_eq!(passing(&bench.pass()), "gone; wait");
    assert!(bench.outcomes().is_empty());
    assert!(in_step(&bench.pass()));
    assert_eq!(bench.endings(), [DONE]);
}

#[test]
fn a_passing_fault_ends_the_pass_and_keeps_the_wait_asked_for() {
    let mut bench = Bench::gauge();
    bench.move_to("203.0.113.77");
    let wait = Some(std::time::Duration::from_secs(90));
    bench.script([Act::Fault(Fault::new(FaultKind::Passing { retry_after: wait }, "too busy", "wait"))]);
    let report = bench.pass();
    assert!(matches!(&report.trouble, Some(Trouble::Passing { retry_after, .. }) if *retry_after == wait));
    assert_eq!(adrift(&report), "too busy; wait");
    assert_eq!(bench.fake.calls(), ["read", "apply"]);
    assert_eq!(bench.outcomes()[0].1, FAILED);
    assert!(in_step(&bench.pass()));
}

/// Whatever else was said before it: a refusal that nothing proves, no answer at all, a wait that is shorter.
#[test]
fn a_wait_that_the_reading_back_is_asked_for_is_kept() {
    let busy = |seconds| {
        let wait = Some(std::time::Duration::from_secs(seconds));
        Fault::new(FaultKind::Passing { retry_after: wait }, "429", "")
    };
    for said in
        [Fault::unproven("302", ""), doubt(), busy(7).after_sending(), Fault::refused("422", "").after_sending()]
    {
        let mut bench = Bench::gauge();
        bench.move_to("203.0.113.77");
        let word = said.why.clone();
        bench.script([Act::Fault(said)]);
        bench.script_reads([Act::Honest, Act::Fault(busy(90))]);
        let report = bench.pass();
        let Some(Trouble::Passing { retry_after, why }) = &report.trouble else { panic!("{report:?}") };
        assert_eq!(*retry_after, Some(std::time::Duration::from_secs(90)), "{why}");
        assert!(why.contains(&word), "{why}");
    }
}

#[test]
fn what_cannot_be_read_is_not_written() {
    let mut bench = Bench::gauge();
    bench.move_to("203.0.113.77");
    bench.script_reads([Act::Fault(Fault::passing("gone", "wait"))]);
    assert_eq!(passing(&bench.pass()), "gone; wait");
    assert_eq!(bench.fake.calls(), ["read"]);
    assert!(bench.intents().is_empty());
}

#[test]
fn a_refusal_is_one_hold_however_often_it_is_tried_again_and_ends_when_the_provider_takes_the_write() {
    for refused_read in [false, true] {
        let mut bench = Bench::gauge();
        bench.move_to("203.0.113.77");
        let refusal = || Act::Fault(Fault::refused("the key is unknown", "make it known"));
        let now = bench.now();
        for nth in 0..4 {
            if refused_read {
                bench.script_reads([refusal()])
            } else {
                bench.script([refusal()])
            }
            let report = bench.pass();
            assert!(matches!(report.trouble, Some(Trouble::Refused { .. })), "{report:?}");
            assert!(!report.has_been_read());
            assert!(adrift(&report).contains("the key is unknown"));
            let state = bench.state_on_disk();
            assert_eq!(state.holds["home"].fingerprint.as_deref(), Some("first"));
            assert!(state.holds["home"].why.contains("the key is unknown; make it known"));
            // It began then, across restarts, and also where the file that it is kept in is lost.
            assert!(state.holds["home"].since == now || nth > 2, "{:?}", state.holds);
            let held = |entry: &fingerpost::audit::chain::Entry| matches!(entry.event, Known::Yes(Event::Hold { .. }));
            assert_eq!(read_all(bench.dir()).unwrap().iter().filter(|entry| held(entry)).count(), 1);
            bench.pass_time(std::time::Duration::from_secs(3600));
            let file = bench.dir().join("state.json");
            match nth {
                1 => fs::remove_file(file).unwrap(),
                2 => fs::write(file, "{").unwrap(),
                _ => {}
            }
            bench.start();
        }
        if !refused_read {
            assert_eq!(bench.endings(), [Ending::Refused; 4]);
        }
        // The limits that were made up from the log may be stricter.
        bench.pass_time(std::time::Duration::from_secs(86_400));
        assert!(in_step(&bench.pass()));
        assert!(bench.state_on_disk().holds.is_empty());
        let over = |entry: &fingerpost::audit::chain::Entry| matches!(entry.event, Known::Yes(Event::Release { .. }));
        assert_eq!(read_all(bench.dir()).unwrap().iter().filter(|entry| over(entry)).count(), 1);
    }
}

/// Somebody refuses without proof, whether or not the write arrived: what stands is read, and the log says that.
#[test]
fn the_outcome_after_an_unproven_refusal_is_what_stands() {
    let unproven = || Fault::unproven("REFUSED, unsigned", "see who answers");
    for (act, ending) in [(Act::Fault(unproven()), Ending::Failed), (Act::DoneBut(unproven()), Ending::Done)] {
        let mut bench = Bench::gauge();
        bench.move_to("203.0.113.77");
        bench.script([act]);
        let report = bench.pass();
        assert_eq!(bench.endings(), [ending]);
        assert!(bench.state_on_disk().holds.is_empty());
        if ending == Ending::Failed {
            assert!(matches!(report.trouble, Some(Trouble::Unproven { .. })), "{report:?}");
            assert!(in_step(&bench.pass()));
        } else {
            assert!(in_step(&report));
        }
    }
    // While nobody can be asked what stands, nothing is said of the end.
    let mut bench = Bench::gauge();
    bench.move_to("203.0.113.77");
    bench.script([Act::DoneBut(unproven())]);
    bench.script_reads([Act::Honest, Act::Fault(unproven())]);
    assert!(matches!(bench.pass().trouble, Some(Trouble::Unproven { .. })));
    assert!(bench.endings().is_empty());
    assert!(in_step(&bench.pass()));
    assert_eq!(bench.endings(), [Ending::Done]);
}

/// What an unsigned word blocks is due long before the next round, and is no more once nobody says so.
#[test]
fn a_name_blocked_by_an_unproven_refusal_is_tried_again_when_its_wait_ends() {
    use std::time::Duration;
    let unproven = || Act::Fault(Fault::unproven("REFUSED, unsigned", "see who answers"));
    let mut bench = Bench::new();
    bench.fake.permits.store(true, std::sync::atomic::Ordering::Relaxed);
    bench.move_to("203.0.113.77");
    // Both together, then the first of them alone.
    bench.script([unproven()]);
    for wait in [5, 10, 20].map(Duration::from_secs) {
        bench.script([unproven()]);
        let report = bench.pass();
        let until = bench.now().plus(wait);
        assert_eq!((report.trouble.is_none(), report.put_off_until), (true, Some(until)), "{report:?}");
        assert!(
            matches!(report.records[0].standing, RecordState::Blocked { .. })
                && report.records[1].standing.is_published()
        );
        bench.pass_time(wait - Duration::from_millis(1));
        assert_eq!(bench.pass().put_off_until, Some(until));
        bench.pass_time(Duration::from_millis(1));
    }
    let report = bench.pass();
    assert!(in_step(&report) && report.put_off_until.is_none(), "{report:?}");
}

#[test]
fn a_success_that_changed_nothing_is_found_out() {
    let mut bench = Bench::gauge();
    bench.move_to("203.0.113.77");
    bench.script([Act::Lies]);
    let report = bench.pass();
    assert!(report.trouble.is_none());
    assert!(adrift(&report).contains("something else stands there"), "{report:?}");
    assert_eq!(bench.endings(), [FAILED]);
    assert!(in_step(&bench.pass()));
}

#[test]
fn a_success_that_somebody_else_overwrote_is_found_out() {
    let mut bench = Bench::gauge();
    bench.move_to("203.0.113.77");
    bench.script_reads([Act::Honest, hand_edit("192.0.2.66")]);
    assert!(!in_step(&bench.pass()));
    assert_eq!(bench.endings(), [Ending::Overtaken]);
    assert!(in_step(&bench.pass()));
}

/// What a neighbour has entered at our address is the neighbour's: only what we wrote is ours to take out.
#[test]
fn a_member_takes_out_what_it_wrote_and_not_what_it_found() {
    let mut bench = Bench::found();
    assert!(in_step(&bench.pass()));
    bench.start();
    bench.move_to("203.0.113.77");
    assert!(in_step(&bench.pass()));
    assert_eq!(bench.stands("mill"), Some(set(300, &["203.0.113.9", "203.0.113.77", "198.51.100.99"])));
    bench.start();
    bench.move_to("203.0.113.78");
    assert!(in_step(&bench.pass()));
    assert_eq!(bench.stands("mill"), Some(set(300, &["203.0.113.9", "203.0.113.78", "198.51.100.99"])));
    // Where a neighbour's entry is reached again, only our own goes; and it is not ours when it is left behind.
    bench.move_to("203.0.113.9");
    assert!(in_step(&bench.pass()) && in_step(&bench.pass()));
    assert_eq!(bench.stands("mill"), Some(set(300, &["203.0.113.9", "198.51.100.99"])));
    bench.start();
    bench.move_to("203.0.113.79");
    assert!(in_step(&bench.pass()));
    assert_eq!(bench.stands("mill"), Some(set(300, &["203.0.113.9", "203.0.113.79", "198.51.100.99"])));
}

#[test]
fn a_member_alone_at_first_sight_is_ours() {
    let mut bench = Bench::found();
    bench.want(&[("gauge", Sharing::Member)], "203.0.113.9");
    assert!(in_step(&bench.pass()));
    bench.start();
    bench.want(&[("gauge", Sharing::Member)], "203.0.113.77");
    assert!(in_step(&bench.pass()));
    assert_eq!(bench.stands("gauge"), Some(set(120, &["203.0.113.77"])));
}

#[test]
fn a_member_that_never_was_in_step_takes_nobody_out() {
    let mut bench = Bench::found();
    bench.move_to("203.0.113.77");
    assert!(in_step(&bench.pass()));
    assert_eq!(bench.stands("mill"), Some(set(300, &["203.0.113.9", "203.0.113.77", "198.51.100.99"])));
}

#[test]
fn a_record_no_longer_configured_is_read_for_its_intent_and_never_written() {
    let mut bench = Bench::new();
    bench.pass();
    bench.move_to("203.0.113.77");
    bench.script([Act::HangsAfter]);
    bench.dies();
    bench.start();
    bench.want(&[("mill", Sharing::Member)], "203.0.113.78");
    assert!(in_step(&bench.pass()));
    assert_eq!(bench.stands("gauge"), Some(set(120, &["203.0.113.77"])));
    assert_eq!(bench.stands("mill"), Some(set(300, &["203.0.113.78", "198.51.100.99"])));
    assert_eq!(bench.endings(), [DONE, DONE]);
    assert!(bench.intents()[1].1.iter().all(|change| change.name == name("mill")));
}

#[test]
fn other_records_of_the_zone_are_left_alone() {
    let mut bench = Bench::new();
    let cam = ((name("cam"), A), set(300, &["203.0.113.9"]));
    let six = ((name("gauge"), fingerpost::record::RecordType::Aaaa), set(300, &["2001:db8::9"]));
    bench.fake.zone.lock().unwrap().extend([cam.clone(), six.clone()]);
    for address in ["203.0.113.9", "203.0.113.77", "203.0.113.78"] {
        bench.move_to(address);
        assert!(in_step(&bench.pass()));
    }
    let zone = bench.fake.zone.lock().unwrap();
    assert_eq!((&zone[&cam.0], &zone[&six.0], zone.len()), (&cam.1, &six.1, 4));
}

#[test]
fn without_books_nothing_is_sent() {
    // A directory where a file shall be: that stops root too.
    for obstacle in [".state.json.new", "audit.jsonl"] {
        let mut bench = Bench::gauge();
        bench.limit(3600, 1, 1);
        bench.move_to("203.0.113.77");
        fs::create_dir(bench.dir().join(obstacle)).unwrap();
        for _ in 0..3 {
            let report = bench.pass();
            let Some(Trouble::NoBooks { why }) = &report.trouble else { panic!("{obstacle}: {report:?}") };
            assert!(why.contains(if obstacle == "audit.jsonl" { obstacle } else { "state.json" }), "{why}");
            assert_eq!(adrift(&report), why);
            assert_eq!(bench.fake.calls(), ["read"]);
        }
        // What was not sent does not count against the limits.
        fs::remove_dir(bench.dir().join(obstacle)).unwrap();
        let report = bench.pass();
        assert!(in_step(&report), "{obstacle}: {report:?}");
        assert_eq!(bench.fake.calls(), ["read", "apply", "read"]);
        assert_eq!(bench.endings(), [DONE]);
    }
}

#[test]
fn state_that_cannot_be_saved_after_the_write_is_told_and_saved_later() {
    let mut bench = Bench::new();
    bench.pass();
    bench.move_to("203.0.113.77");
    let obstacle = bench.dir().join(".state.json.new");
    let there = obstacle.clone();
    bench.script([Act::After(Box::new(move |_| fs::create_dir(&there).unwrap()))]);
    let report = bench.pass();
    assert!(matches!(report.trouble, Some(Trouble::NoBooks { .. })), "{report:?}");
    assert!(report.records.iter().all(|record| record.standing == RecordState::InStep));
    fs::remove_dir(obstacle).unwrap();
    bench.fake.calls();
    assert!(in_step(&bench.pass()));
    assert_eq!(bench.fake.calls(), ["read"]);
    bench.start();
    bench.move_to("203.0.113.78");
    assert!(in_step(&bench.pass()));
    assert_eq!(bench.stands("mill"), Some(set(300, &["203.0.113.78", "198.51.100.99"])));
}

/// What is awaited: for each wave the names and what they shall have.
fn awaited(bench: &Bench) -> Vec<(u64, Vec<(String, fingerpost::record::RrSet)>)> {
    let state = bench.state_on_disk();
    let wave = |wave: &fingerpost::audit::propagation::Propagation| {
        (wave.intent, wave.records.iter().map(|one| (one.name.to_string(), one.set.clone())).collect())
    };
    state.spreading.get("home").map(|waves| waves.iter().map(wave).collect()).unwrap_or_default()
}

#[test]
fn what_was_written_is_awaited_as_it_stands_until_it_is_in_step_no_more() {
    let (gauge, mill) = (|| name("gauge").to_string(), || name("mill").to_string());
    let mut bench = Bench::new();
    bench.confirms = true;
    bench.pass();
    assert_eq!(awaited(&bench), [], "nothing was written");
    bench.move_to("203.0.113.77");
    bench.pass();
    let [(intent, _)] = bench.intents()[..] else { panic!("one intent") };
    let both = set(300, &["203.0.113.77", "198.51.100.99"]);
    assert_eq!(awaited(&bench), [(intent, vec![(gauge(), set(120, &["203.0.113.77"])), (mill(), both)])]);
    // Another member joins: what stands at the provider is what the servers shall come to serve.
    let more = set(300, &["203.0.113.77", "198.51.100.99", "198.51.100.100"]);
    bench.edit("mill", 300, &["203.0.113.77", "198.51.100.99", "198.51.100.100"]);
    bench.pass();
    assert_eq!(awaited(&bench), [(intent, vec![(gauge(), set(120, &["203.0.113.77"])), (mill(), more)])]);
    // A pass that wants nothing of a record, for want of an address, says nothing of it.
    let all = bench.desired.clone();
    bench.desired.retain(|wanted| wanted.name == name("gauge"));
    bench.pass();
    assert_eq!(awaited(&bench)[0].1.len(), 2);
    bench.desired = all;
    // Written again: awaited anew, by the new intent alone.
    bench.edit("gauge", 120, &["192.0.2.1"]);
    bench.pass();
    let second = bench.intents()[1].0;
    let waves = awaited(&bench);
    assert_eq!(
        waves.iter().map(|(intent, records)| (*intent, records.len())).collect::<Vec<_>>(),
        [(intent, 1), (second, 1)]
    );
    assert_eq!(waves[1].1, [(gauge(), set(120, &["203.0.113.77"]))]);
}
