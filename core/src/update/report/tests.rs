use std::net::IpAddr;

use super::*;

const SECOND: Duration = Duration::from_secs(1);

fn now() -> Timestamp {
    Timestamp::from_millis(1_795_000_000_000)
}

fn set() -> RrSet {
    RrSet { ttl: 120, addresses: [IpAddr::from([203, 0, 113, 77])].into() }
}

fn record(label: &str, standing: RecordState, after: Option<RrSet>, is_looked_for: bool) -> RecordReport {
    RecordReport {
        name: DnsName::parse(&format!("{label}.heronmill.example")).unwrap(),
        rtype: RecordType::A,
        address: [203, 0, 113, 77].into(),
        before: None,
        verb: after.as_ref().map(|_| Verb::Create),
        after,
        standing,
        is_looked_for,
    }
}

fn report(records: Vec<RecordReport>, looked_for_until: Option<Timestamp>) -> Report {
    let provider = "home".to_owned();
    Report { provider, records, means: None, trouble: None, put_off_until: None, looked_for_until }
}

fn adrift(why: &str) -> RecordState {
    RecordState::Adrift { why: Some(why.to_owned()) }
}

const NOT_SENT: RecordState = RecordState::Adrift { why: None };

#[test]
fn the_next_look_is_when_it_is_time_and_the_last_one_when_time_is_over() {
    let looking = report(Vec::new(), Some(now().plus(7 * SECOND)));
    assert_eq!(looking.next_look(now(), 4 * SECOND), Some(4 * SECOND));
    assert_eq!(looking.next_look(now(), 8 * SECOND), Some(7 * SECOND));
    // The clocks may differ by a little: soon, but with a rest.
    assert_eq!(looking.next_look(now().plus(7 * SECOND), SECOND), Some(Duration::from_millis(1)));
    assert_eq!(report(Vec::new(), None).next_look(now(), SECOND), None);
    let why = || "why".to_owned();
    let troubled = |trouble| Report { trouble: Some(trouble), ..looking.clone() };
    let passing = troubled(Trouble::Passing { why: why(), retry_after: None });
    assert_eq!(passing.next_look(now(), SECOND), Some(SECOND));
    for trouble in [Trouble::Refused { why: why() }, Trouble::NoBooks { why: why() }] {
        assert_eq!(troubled(trouble).next_look(now(), SECOND), None);
    }
}

#[test]
fn what_was_written_is_told_when_it_is_seen_late() {
    let first = report(vec![record("gauge", adrift("not shown yet"), Some(set()), true)], Some(now().plus(SECOND)));
    assert!(!first.has_written());
    let told = first.seen_by(report(vec![record("gauge", RecordState::InStep, None, false)], None));
    assert!(told.has_written() && told.records[0].verb == Some(Verb::Create));
}

#[test]
fn a_look_that_sends_nothing_leaves_each_record_the_reason_it_had() {
    let until = now().plus(SECOND);
    let put_off = adrift("put off until noon by limits.spacing");
    let blocked = RecordState::Blocked { why: "a CNAME stands there".to_owned() };
    let first = vec![
        record("gauge", adrift("not shown yet"), Some(set()), true),
        record("weir", put_off.clone(), Some(set()), false),
        record("mill", blocked.clone(), None, false),
        record("barn", RecordState::InStep, None, false),
        record("cam", RecordState::InStep, None, false),
    ];
    let planned = ["gauge", "weir", "mill", "barn"].map(|label| record(label, NOT_SENT, Some(set()), false));
    let look = planned.into_iter().chain([record("cam", RecordState::InStep, None, false)]).collect();
    let told = report(first, Some(until)).seen_by(report(look, None));
    let standing: Vec<_> = told.records.iter().map(|record| record.standing.clone()).collect();
    let over =
        format!("what was sent did not show itself, and its time was over at {until}; the next round sends it again");
    let changed = adrift("something else stands there by now; the next round looks again");
    assert_eq!(standing, [adrift(&over), put_off, blocked, changed, RecordState::InStep]);
    // Nothing was planned for good in a look.
    assert!(!told.has_written() && told.records[3].after.is_none());
}
