use super::*;
use crate::about::{Check, Connection};
use crate::address::Family;
use crate::exposure::Grade;
use crate::message::alerts::NO_RULING;
use crate::name::DnsName;
use crate::settings::{Via, Way};
use crate::status::model::{State, Stay};

/// Invented, as the page's tests have it; a blocked record and a check that is amiss are in it.
fn status() -> Status {
    serde_json::from_str(include_str!("../../../../tests/status/status.json")).unwrap()
}

fn calm() -> Status {
    let mut status = status();
    status.records.retain(|record| record.state != State::Blocked);
    status.exposure.clear();
    status
}

fn calm_addresses() -> std::collections::BTreeMap<RecordId, Vec<String>> {
    crate::message::alerts::published(&calm())
}

fn message(events: &[Occasion], quiet: Option<Quiet>) -> Message {
    let way = Way::Program { command: vec!["true".into()] };
    Message { name: "keeper".into(), events: events.iter().copied().collect(), quiet, timeout: FIRST, way }
}

fn record(text: &str) -> RecordId {
    RecordId::by_text(text).unwrap()
}

fn desk(quiet: Option<Quiet>) -> Outbox {
    Outbox::new(&message(&Occasion::ALL.map(|(_, kind)| kind), quiet), Past::default())
}

fn at(text: &str) -> Timestamp {
    Timestamp::parse(&format!("2026-11-25T{text}Z")).unwrap()
}

/// As it is known right after a start: nothing has been looked at.
fn young() -> Status {
    let mut status = status();
    for record in &mut status.records {
        record.state = State::Adrift;
        record.at_provider.clear();
    }
    status.exposure.clear();
    status.homes.iter_mut().for_each(|home| home.last_ruling = None);
    status.edges.iter_mut().for_each(|edge| edge.last_fetch = None);
    (status.rounds, status.exposed) = (1, None);
    status
}

/// All that is sent at `now`, when everything gets through.
fn sent(desk: &mut Outbox, now: Timestamp) -> Vec<String> {
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
    unknown.exposure.iter_mut().for_each(|check| check.grade = Grade::Unknown);
    desk.hear(&unknown, noon);
    assert_eq!(sent(&mut desk, noon), ["over: cam.heronmill.example A"]);
    desk.hear(&calm(), noon);
    assert_eq!(sent(&mut desk, noon), ["over: gauge.heronmill.example allowlist"]);
    desk.hear(&calm(), noon);
    assert_eq!(sent(&mut desk, noon), Vec::<String>::new());
    desk.hear(&status(), noon);
    assert_eq!(sent(&mut desk, noon).len(), 2);
    // What was told in an earlier life is not told again.
    let mut again = Outbox::new(&message(&[Occasion::Blocked], None), desk.past().clone());
    again.hear(&status(), noon);
    assert_eq!(sent(&mut again, noon), Vec::<String>::new());
}

#[test]
fn what_is_not_known_yet_is_not_over() {
    let now = at("12:00:00");
    let text = |text: &str| text.to_owned();
    let told = [
        Cause::Blocked { record: record("cam.heronmill.example A") },
        Cause::NoRuling { via: Via::only(Family::Ipv4) },
        Cause::Connection { line: Some(text("lte")), finding: text("dissenter tern-labs IPv4").into() },
        Cause::Exposure { about: text("gauge.heronmill.example"), check: Check::Allowlist },
        Cause::Ranges { edge: text("weir") },
        Cause::Hold { provider: text("home") },
    ];
    let published = [(record("gauge.heronmill.example A"), vec!["203.0.113.9".to_owned()])];
    let past = Past { causes: told.clone().into(), published: published.into() };
    let mut desk = Outbox::new(&message(&Occasion::ALL.map(|(_, kind)| kind), None), past.clone());
    desk.hear(&young(), now);
    // Holds survive a start.
    assert_eq!(sent(&mut desk, now), ["over: home"]);
    assert_eq!(desk.past().published, past.published);
    // An address that changed meanwhile is told, and what is over now is known.
    let mut known = calm();
    known.edges.iter_mut().for_each(|edge| edge.last_fetch = Some(now));
    known.homes.iter_mut().for_each(|home| home.last_ruling = Some(now));
    (known.rounds, known.exposed) = (u64::from(crate::watch::diagnose::ROUNDS), Some(now));
    desk.hear(&known, now);
    let over = told[..5].iter().map(|cause| format!("over: {}", cause.about()));
    let change = "gauge.heronmill.example A is 203.0.113.77 now, and was 203.0.113.9".to_owned();
    assert_eq!(sent(&mut desk, now), over.chain([change]).collect::<Vec<_>>());
    assert_eq!(desk.past().causes.len(), 0);
}

/// Before anybody has looked from outside: that says nothing of the line and the ranges.
#[test]
fn what_is_over_does_not_wait_for_another_look() {
    let now = at("12:00:00");
    let told =
        [Cause::Connection { line: None, finding: Connection::CarrierNat }, Cause::Ranges { edge: "weir".to_owned() }];
    let past = Past { causes: told.into(), published: calm_addresses() };
    let mut desk = Outbox::new(&message(&Occasion::ALL.map(|(_, kind)| kind), None), past);
    let mut status = calm();
    status.exposed = None;
    status.edges.iter_mut().for_each(|edge| (edge.last_fetch, edge.trouble) = (Some(now), None));
    status.findings.clear();
    desk.hear(&status, now);
    assert_eq!(sent(&mut desk, now), ["over: carrier-nat", "over: ranges weir"]);
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
    assert_eq!(desk.past().causes.len(), 0);
    // It gets through: the others follow at once.
    assert_eq!(sent(&mut desk, now).len(), 2);
    // One that nobody takes holds up no other.
    let mut choosy = self::desk(None);
    choosy.hear(&status(), now);
    let Next::Send(bad) = choosy.next(now) else { panic!("{choosy:?}") };
    choosy.ended(&bad, now, false);
    assert_eq!(choosy.next(now), Next::Wait(FIRST));
    assert!(matches!(choosy.next(now.plus(FIRST)), Next::Send(good) if good != bad));
    // A clock that is set back by days makes the wait no longer than it may be.
    let earlier = at("12:00:00");
    let mut late = self::desk(None);
    late.hear(&status(), earlier);
    let Next::Send(letter) = late.next(earlier.plus(GIVEN_UP / 2)) else { panic!("{late:?}") };
    late.ended(&letter, earlier.plus(GIVEN_UP / 2), false);
    assert_eq!(late.next(earlier), Next::Wait(LONG));
    assert!(matches!(late.next(earlier.plus(LAST)), Next::Send(_)));
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
    // Neither a restart nor what could not be sent before it loses one.
    let mut home = moved.clone();
    home.records[0].at_provider = vec!["203.0.113.77".into()];
    desk.hear(&home, now);
    let mut again = Outbox::new(&message(&[Occasion::Changed], None), desk.past().clone());
    again.hear(&home, now);
    assert_eq!(sent(&mut again, now), ["gauge.heronmill.example A is 203.0.113.77 now, and was 203.0.113.9"]);
    // Back before anybody was told: nothing has changed.
    desk.hear(&moved, now);
    assert_eq!(sent(&mut desk, now), Vec::<String>::new());
    // What is no longer configured is forgotten, and what cannot be seen is not.
    assert_eq!(desk.past().published.len(), calm().records.len());
    moved.records[0].state = State::Adrift;
    moved.records.truncate(1);
    desk.hear(&moved, now);
    assert_eq!(desk.past().published.keys().collect::<Vec<_>>(), [&record("gauge.heronmill.example A")]);
    // Only of what it shall tell.
    let mut other = Outbox::new(&message(&[Occasion::Hold], None), Past::default());
    other.hear(&calm(), now);
    other.hear(&moved, now);
    other.hear(&status(), now);
    assert_eq!(sent(&mut other, now), Vec::<String>::new());
}

#[test]
fn an_hour_without_a_ruling_is_told_and_not_a_minute() {
    let (mut desk, now) = (desk(None), at("12:00:00"));
    let mut status = calm();
    status.stays.push(Stay { line: None, family: Family::Ipv4, address: None, from: now, to: None });
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
    let name = |n| DnsName::parse(&format!("n{n}.heronmill.example")).unwrap();
    let one = |n: u32| crate::status::model::Record { name: name(n), ..blocked.clone() };
    status.records = (0..10_000).map(one).collect();
    desk.hear(&status, at("12:00:00"));
    assert_eq!(desk.waiting.len(), WAITING);
}

/// Not at once: a log-in portal is somebody on the way for a minute, and says so too.
#[test]
fn a_refusal_that_nothing_proves_is_told_after_a_day() {
    let (mut desk, mut status, since) = (desk(None), calm(), at("00:00:00"));
    status.providers[0].refused_since = Some(since);
    status.providers[0].trouble = Some("ns1.heronmill.example refuses to serve us".into());
    let day = Duration::from_secs(86_400);
    for (after, count) in [(Duration::ZERO, 0), (day - Duration::from_millis(1), 0), (day, 1), (2 * day, 0)] {
        desk.hear(&status, since.plus(after));
        let told = sent(&mut desk, since.plus(after));
        assert_eq!(told.len(), count, "{after:?}: {told:?}");
        assert!(told.iter().all(|text| text.contains("refuses to serve us")), "{told:?}");
    }
    status.providers[0].refused_since = None;
    desk.hear(&status, since.plus(3 * day));
    assert_eq!(sent(&mut desk, since.plus(3 * day)).len(), 1, "that it is over");
}

#[test]
fn what_waits_when_the_clock_is_set_waits_no_longer_and_has_its_right_time() {
    let (mut desk, noon) = (desk(None), at("12:00:00"));
    let began = Timestamp::from_millis(12_000);
    desk.hear(&status(), began);
    let Next::Send(letter) = desk.next(began) else { panic!("nothing to send") };
    desk.ended(&letter, began, false);
    assert_eq!(desk.next(began), Next::Wait(FIRST));
    desk.shift(&Step { began, was: began.plus(FIRST / 2), is: noon });
    assert_eq!(desk.next(noon), Next::Wait(FIRST / 2));
    let Next::Send(letter) = desk.next(noon.plus(FIRST / 2)) else { panic!("nothing to send") };
    assert_eq!(letter.time, noon.minus(FIRST / 2));
}
