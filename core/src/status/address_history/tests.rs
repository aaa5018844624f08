use super::*;
use crate::address::Family;

const DAY: Duration = Duration::from_secs(86_400);

fn day(day: u32) -> Timestamp {
    Timestamp::parse("2026-01-01T00:00:00Z").unwrap().plus(DAY * day)
}

fn settled(at: u32, last: u8) -> Move {
    Move { time: day(at), via: Via::only(Family::Ipv4), what: What::Settled([203, 0, 113, last].into()) }
}

#[test]
fn stays_follow_one_another_and_gaps_stand_beside_them() {
    let gap = Move { time: day(70), via: Via::only(Family::Ipv4), what: What::NoRuling(day(69)) };
    let other = Move { via: Via { line: Some("radio".into()), family: Family::Ipv4 }, ..settled(50, 200) };
    let moves = [settled(0, 9), settled(5, 10), settled(60, 41), gap, other, settled(95, 77)];
    let told: Vec<_> = stays(&moves, day(100), 90 * DAY)
        .into_iter()
        .map(|stay| (stay.line, stay.address, stay.from, stay.to))
        .collect();
    let at = |last: u8| Some(format!("203.0.113.{last}"));
    assert_eq!(
        told,
        [
            // What ended before the span is not told, what reaches into it begins with it.
            (None, at(10), day(10), Some(day(60))),
            (None, at(41), day(60), Some(day(95))),
            (None, None, day(69), Some(day(70))),
            (None, at(77), day(95), None),
            (Some("radio".to_owned()), at(200), day(50), None),
        ]
    );
    assert_eq!(stays(&[], day(100), 90 * DAY), []);
}
