use super::*;
use crate::config::Way;
use crate::message::causes::NO_RULING;
use crate::status::model::{State, Stay};

/// Invented, as the page's tests have it; a blocked record and a check that is amiss are in it.
fn status() -> Status {
    serde_json::from_str(include_str!("../../../tests/status/status.json")).unwrap()
}

fn calm() -> Status {
    let mut status = status();
    status.records.retain(|record| record.state != State::Blocked);
    status.exposure.clear();
    status
}

fn message(events: &[Kind], quiet: Option<Quiet>) -> Message {
    let way = Way::Program { command: vec!["true".into()] };
    Message { name: "keeper".into(), events: events.iter().copied().collect(), quiet, timeout: FIRST, way }
}

fn desk(quiet: Option<Quiet>) -> Desk {
    Desk::new(&message(&Kind::ALL.map(|(_, kind)| kind), quiet), BTreeSet::new())
}

fn at(text: &str) -> Timestamp {
    Timestamp::parse(&format!("2026-11-25T{text}Z")).unwrap()
}

/// All that is sent at `now`, when everything gets through.
fn sent(desk: &mut Desk, now: Timestamp) -> Vec<String> {
    let mut sent = Vec::new();
    while let Next::Send(letter) = desk.next(now) {
        desk.ended(&letter, now, true);
        sent.push(letter.text);
    }
    sent
}

#[test]
fn a_cause_is_told_once_until_it_clears_and_then_that_it_is_over() {
    let (mut desk, noon) = (desk(None), at("12:00:00"));
    for round in 0..100 {
        desk.hear(&status(), noon.plus(Duration::from_secs(300) * round));
        let told = sent(&mut desk, noon.plus(Duration::from_secs(300) * round));
        assert_eq!(told.len(), if round == 0 { 2 } else { 0 }, "{round}: {told:?}");
    }
    // Whether a check that cannot be made has cleared is not known.
    let mut unknown = status();
    unknown.records.retain(|record| record.state != State::Blocked);
    unknown.exposure.iter_mut().for_each(|check| check.grade = "unknown".into());
    desk.hear(&unknown, noon);
    assert_eq!(sent(&mut desk, noon), ["over: cam.heronmill.example A"]);
    desk.hear(&calm(), noon);
    assert_eq!(sent(&mut desk, noon), ["over: gauge.heronmill.example allowlist"]);
    desk.hear(&calm(), noon);
    assert_eq!(sent(&mut desk, noon), Vec::<String>::new());
    desk.hear(&status(), noon);
    assert_eq!(sent(&mut desk, noon).len(), 2);
    // What was told in an earlier life is not told again.
    let mut again = Desk::new(&message(&[Kind::Blocked], None), desk.told().clone());
    again.hear(&status(), noon);
    assert_eq!(sent(&mut again, noon), Vec::<String>::new());
}

#[test]
fn quiet_hours_hold_back_what_still_counts_afterwards() {
    let quiet = Quiet { from: 22 * 60, until: 7 * 60 };
    for (time, lasts) in [
        ("21:59:59", None),
        ("22:00:00", Some(9 * 3600)),
        ("23:30:00", Some(7 * 3600 + 1800)),
        ("00:00:00", Some(7 * 3600)),
        ("06:59:59", Some(1)),
        ("07:00:00", None),
        ("12:00:00", None),
    ] {
        assert_eq!(quiet.lasts(at(time)), lasts.map(Duration::from_secs), "{time}");
    }
    let mut desk = desk(Some(quiet));
    desk.hear(&status(), at("23:00:00"));
    assert!(matches!(desk.next(at("23:00:00")), Next::Wait(_)));
    // One of the two clears in the night: nobody hears of it.
    let mut night = status();
    night.exposure.clear();
    desk.hear(&night, at("23:30:00"));
    let morning = at("07:00:00").plus(Duration::from_secs(86_400));
    let told = sent(&mut desk, morning);
    assert_eq!(told.len(), 1);
    assert!(told[0].starts_with("cam.heronmill.example A is blocked: "), "{told:?}");
}

#[test]
fn what_does_not_get_through_is_tried_again_ever_more_rarely() {
    let (mut desk, mut now) = (desk(None), at("12:00:00"));
    let mut waits = Vec::new();
    desk.hear(&status(), now);
    for _ in 0..9 {
        let Next::Send(letter) = desk.next(now) else { panic!("it is to be sent at {now}") };
        desk.ended(&letter, now, false);
        let begun = now;
        while let Next::Wait(wait) = desk.next(now) {
            now = now.plus(wait);
        }
        waits.push(now.since(begun).as_secs());
    }
    assert_eq!(waits, [30, 60, 120, 240, 480, 960, 1920, 3600, 3600]);
    assert_eq!(desk.told().len(), 0);
    // It gets through: the others follow at once.
    assert_eq!(sent(&mut desk, now).len(), 2);
    // After a day nobody wants to hear it any more; the next round tells it afresh, if it is still so.
    let mut other = self::desk(None);
    other.hear(&status(), now);
    assert!(matches!(other.next(now.plus(GIVEN_UP)), Next::Wait(_)));
}

#[test]
fn a_change_is_told_with_what_was_before() {
    let (mut desk, now) = (desk(None), at("12:00:00"));
    desk.hear(&calm(), now);
    assert_eq!(sent(&mut desk, now), Vec::<String>::new(), "what is there at the start is no change");
    let mut moved = calm();
    moved.records[0].at_provider = vec!["203.0.113.9".into()];
    desk.hear(&moved, now);
    desk.hear(&moved, now);
    assert_eq!(sent(&mut desk, now), ["gauge.heronmill.example A is 203.0.113.9 now, and was 203.0.113.77"]);
    // Only of what it shall tell.
    let mut other = Desk::new(&message(&[Kind::Hold], None), BTreeSet::new());
    other.hear(&calm(), now);
    other.hear(&moved, now);
    other.hear(&status(), now);
    assert_eq!(sent(&mut other, now), Vec::<String>::new());
}

#[test]
fn an_hour_without_a_ruling_is_told_and_not_a_minute() {
    let (mut desk, now) = (desk(None), at("12:00:00"));
    let mut status = calm();
    status.stays.push(Stay { line: None, family: "ipv4".into(), address: None, from: now, to: None });
    desk.hear(&status, now.plus(NO_RULING - Duration::from_secs(1)));
    assert_eq!(sent(&mut desk, now), Vec::<String>::new());
    desk.hear(&status, now.plus(NO_RULING));
    let told = sent(&mut desk, now.plus(NO_RULING));
    assert_eq!(told, ["no ruling for IPv4 since 2026-11-25 12:00 UTC: the names stay as they are"]);
    desk.hear(&calm(), now.plus(NO_RULING));
    assert_eq!(sent(&mut desk, now.plus(NO_RULING)), ["over: IPv4"]);
}

#[test]
fn it_stays_small() {
    let (mut desk, mut status) = (desk(None), status());
    let blocked = status.records.pop().unwrap();
    status.records =
        (0..10_000).map(|n| crate::status::model::Record { name: format!("n{n}"), ..blocked.clone() }).collect();
    desk.hear(&status, at("12:00:00"));
    assert_eq!(desk.waiting.len(), WAITING);
}
