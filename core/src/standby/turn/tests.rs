//! The table of what happens to one process, and a model of several against one server.

use super::*;

mod model;

const SECOND: Duration = Duration::from_secs(1);
const LEASE: Duration = Duration::from_secs(30);

fn me(number: u8) -> Me {
    Me { holder: format!("node{number}"), nonce: Nonce([number; 16]), lease: LEASE }
}

fn wall() -> Timestamp {
    Timestamp::from_millis(1_795_000_000_789)
}

fn theirs(count: u64) -> LeaseRecord {
    let since = Timestamp::parse("2026-11-24T08:14:31Z").unwrap();
    LeaseRecord { holder: "nas".to_owned(), nonce: Nonce([9; 16]), count, lease: LEASE, since }
}

/// The swap that `turn` wants at `now`.
#[track_caller]
fn swap(turn: &Turn, now: Duration) -> (Option<LeaseRecord>, LeaseRecord) {
    match turn.next(now, wall()) {
        Step::Swap { before, after: Some(after) } => (before, after),
        other => panic!("{other:?}"),
    }
}

/// One that has taken the lease with what it sent at `sent`.
fn holder(sent: Duration) -> Turn {
    let mut turn = Turn::new(me(1));
    turn.looked(sent, Ok(None));
    let (before, after) = swap(&turn, sent);
    assert_eq!((before, after.count, after.since.millis() % 1000), (None, 1, 0));
    turn.swapped(sent, sent + SECOND, Some(after), Swapped::Done);
    assert_eq!(turn.news(), [News::Taken { from: None }]);
    turn
}

#[test]
fn nothing_is_done_before_a_look() {
    let turn = Turn::new(me(1));
    assert_eq!(turn.next(Duration::ZERO, wall()), Step::Look);
    assert!(turn.held(Duration::ZERO).is_none());
}

#[test]
fn the_holder_renews_every_third_and_counts_from_what_it_sent() {
    let mut turn = holder(10 * SECOND);
    assert_eq!(turn.next(11 * SECOND, wall()), Step::Wait(Some(20 * SECOND)));
    let (before, after) = swap(&turn, 20 * SECOND);
    assert_eq!((before.unwrap().count, after.count), (1, 2));
    assert!(turn.held(40 * SECOND - SECOND / 10).is_some() && turn.held(40 * SECOND).is_none());
    turn.swapped(20 * SECOND, 23 * SECOND, Some(after), Swapped::Done);
    assert_eq!(turn.next(23 * SECOND, wall()), Step::Wait(Some(30 * SECOND)));
    assert_eq!(turn.held(50 * SECOND - SECOND / 10).map(|claim| claim.count), Some(2));
    assert!(turn.held(50 * SECOND).is_none());
    assert_eq!(turn.news(), []);
}

#[test]
fn who_stands_by_looks_every_third_and_takes_what_has_not_changed_for_a_whole_lease() {
    let mut turn = Turn::new(me(1));
    turn.looked(5 * SECOND, Ok(Some(theirs(7))));
    let since = theirs(7).since;
    assert_eq!(turn.news(), [News::StandingBy { holder: "nas".to_owned(), since }]);
    assert_eq!(turn.next(5 * SECOND, wall()), Step::Wait(Some(15 * SECOND)));
    assert_eq!(turn.next(15 * SECOND, wall()), Step::Look);
    // Renewed: the lease begins anew.
    turn.looked(15 * SECOND, Ok(Some(theirs(8))));
    for at in [25, 35] {
        assert_eq!(turn.next(at * SECOND, wall()), Step::Look);
        turn.looked(at * SECOND, Ok(Some(theirs(8))));
    }
    assert_eq!(turn.next(44 * SECOND, wall()), Step::Wait(Some(45 * SECOND)));
    let (before, after) = swap(&turn, 45 * SECOND);
    assert_eq!((before, turn.held(45 * SECOND)), (Some(theirs(8)), None));
    turn.swapped(45 * SECOND, 46 * SECOND, Some(after), Swapped::Done);
    assert_eq!(turn.news(), [News::Taken { from: Some("nas".to_owned()) }]);
    assert!(turn.held(74 * SECOND).is_some());
}

#[test]
fn the_lease_that_counts_is_the_one_in_the_claim() {
    let mut turn = Turn::new(me(1));
    turn.looked(Duration::ZERO, Ok(Some(LeaseRecord { lease: 300 * SECOND, ..theirs(7) })));
    assert_eq!(turn.next(99 * SECOND, wall()), Step::Wait(Some(100 * SECOND)));
    turn.looked(290 * SECOND, Ok(Some(LeaseRecord { lease: 300 * SECOND, ..theirs(7) })));
    assert_eq!(turn.next(299 * SECOND, wall()), Step::Wait(Some(300 * SECOND)));
    assert!(matches!(turn.next(300 * SECOND, wall()), Step::Swap { .. }));
}

#[test]
fn a_renewal_that_meets_something_else_is_followed_by_a_look_and_the_lease_may_be_lost() {
    let mut turn = holder(Duration::ZERO);
    let (_, after) = swap(&turn, 10 * SECOND);
    turn.swapped(10 * SECOND, 11 * SECOND, Some(after), Swapped::Conflict);
    assert!(turn.held(11 * SECOND).is_none(), "nothing is written meanwhile");
    assert_eq!(turn.next(11 * SECOND, wall()), Step::Look);
    turn.looked(12 * SECOND, Ok(Some(theirs(1))));
    let lost = News::Lost { to: Some("nas".to_owned()) };
    assert_eq!(turn.news(), [lost, News::StandingBy { holder: "nas".to_owned(), since: theirs(1).since }]);
    assert_eq!(turn.next(12 * SECOND, wall()), Step::Wait(Some(22 * SECOND)));
}

#[test]
fn a_lost_reply_is_cleared_up_by_a_look() {
    // It was made: the lease counts from when it was sent.
    let mut turn = holder(Duration::ZERO);
    let (before, after) = swap(&turn, 10 * SECOND);
    turn.swapped(10 * SECOND, 13 * SECOND, Some(after.clone()), Swapped::InDoubt);
    assert!(turn.held(13 * SECOND).is_none());
    assert_eq!(turn.next(13 * SECOND, wall()), Step::Look);
    turn.looked(14 * SECOND, Ok(Some(after.clone())));
    assert_eq!(turn.held(40 * SECOND - SECOND / 10), Some(&after));
    // It was not: what there was holds as long as it did.
    let mut turn = holder(Duration::ZERO);
    turn.swapped(10 * SECOND, 13 * SECOND, Some(after), Swapped::InDoubt);
    turn.looked(14 * SECOND, Ok(before.clone()));
    assert_eq!(turn.held(29 * SECOND), before.as_ref());
    let (again, newer) = swap(&turn, 14 * SECOND);
    assert_eq!((again, newer.count), (before, 3), "no count is used twice");
    assert_eq!(turn.news(), []);
}

#[test]
fn a_take_over_in_doubt_is_tried_again_with_another_claim() {
    let mut turn = Turn::new(me(1));
    turn.looked(Duration::ZERO, Ok(Some(theirs(7))));
    let (_, first) = swap(&turn, LEASE);
    turn.swapped(LEASE, LEASE + SECOND, Some(first.clone()), Swapped::InDoubt);
    assert_eq!(turn.next(LEASE + SECOND, wall()), Step::Wait(Some(LEASE + 6 * SECOND)));
    let (before, second) = swap(&turn, LEASE + 6 * SECOND);
    assert_eq!((before, second.count), (Some(theirs(7)), 2));
    turn.swapped(LEASE + 6 * SECOND, LEASE + 7 * SECOND, Some(second), Swapped::Conflict);
    turn.looked(LEASE + 8 * SECOND, Ok(Some(first.clone())));
    assert_eq!(turn.news().last(), Some(&News::Taken { from: Some("nas".to_owned()) }));
    assert_eq!(turn.held(2 * LEASE - SECOND / 10), Some(&first));
    assert_eq!(turn.next(LEASE + 8 * SECOND, wall()), Step::Wait(Some(LEASE + 10 * SECOND)));
}

#[test]
fn an_unreachable_server_is_tried_again_six_times_a_lease() {
    let mut turn = Turn::new(me(1));
    turn.failed(SECOND);
    assert_eq!(turn.next(2 * SECOND, wall()), Step::Wait(Some(6 * SECOND)));
    assert_eq!(turn.next(6 * SECOND, wall()), Step::Look);
    let mut turn = holder(Duration::ZERO);
    let (_, after) = swap(&turn, 10 * SECOND);
    turn.swapped(10 * SECOND, 10 * SECOND, Some(after), Swapped::Failed);
    turn.failed(10 * SECOND);
    assert_eq!(turn.next(10 * SECOND, wall()), Step::Wait(Some(15 * SECOND)));
    assert_eq!(swap(&turn, 15 * SECOND).1.count, 2);
    assert!(turn.held(29 * SECOND).is_some() && turn.held(30 * SECOND).is_none());
    turn.refused(15 * SECOND);
    assert_eq!(turn.next(16 * SECOND, wall()), Step::Wait(Some(45 * SECOND)), "a refusal hardly passes");
}

#[test]
fn a_claim_of_ours_from_before_is_renewed_before_it_counts() {
    let mut turn = Turn::new(me(1));
    let old = LeaseRecord { holder: "node1".to_owned(), nonce: Nonce([1; 16]), count: 40, ..theirs(0) };
    turn.looked(SECOND, Ok(Some(old.clone())));
    assert!(turn.held(SECOND).is_none());
    let (before, after) = swap(&turn, SECOND);
    assert_eq!((before, after.count, after.since), (Some(old.clone()), 41, old.since));
}

#[test]
fn what_is_no_lease_is_never_overwritten_and_looked_at_again() {
    let mut turn = holder(Duration::ZERO);
    turn.doubt();
    turn.looked(SECOND, Err(Unreadable::Foreign));
    assert_eq!(turn.news(), [News::Lost { to: None }]);
    for now in [1, 5, 10] {
        assert_eq!(turn.next(now * SECOND, wall()), Step::Wait(Some(11 * SECOND)));
    }
    assert_eq!(turn.next(1000 * SECOND, wall()), Step::Look);
    assert!(turn.foreign().is_some() && turn.held(SECOND).is_none());
    turn.looked(1000 * SECOND, Ok(None));
    assert_eq!(swap(&turn, 1000 * SECOND).0, None);
}

#[test]
fn whatever_hides_in_the_way_is_not_hammered() {
    let mut turn = Turn::new(me(1));
    let mut now = SECOND;
    for _ in 0..3 {
        turn.looked(now, Ok(None));
        let (_, after) = swap(&turn, now);
        turn.swapped(now, now, Some(after), Swapped::Conflict);
    }
    now += 5 * SECOND;
    assert_eq!(turn.next(SECOND, wall()), Step::Wait(Some(now)));
    assert_eq!(turn.next(now, wall()), Step::Look);
}

#[test]
fn who_rests_gives_back_once_and_takes_nothing() {
    let mut turn = holder(Duration::ZERO);
    assert!(turn.rest(true) && !turn.rest(true));
    assert!(turn.held(SECOND).is_none());
    let Step::Swap { before: Some(_), after: None } = turn.next(SECOND, wall()) else { panic!() };
    turn.swapped(SECOND, SECOND, None, Swapped::Done);
    assert_eq!(turn.news(), [News::Released]);
    assert_eq!(turn.next(1000 * SECOND, wall()), Step::Wait(None));
    assert!(turn.rest(false));
    assert_eq!(turn.next(1000 * SECOND, wall()), Step::Look);
    // Where giving back fails, it lapses.
    let mut turn = holder(Duration::ZERO);
    turn.rest(true);
    turn.swapped(SECOND, SECOND, None, Swapped::Failed);
    assert_eq!((turn.next(2 * SECOND, wall()), turn.news()), (Step::Wait(None), vec![]));
}

#[test]
fn after_the_clock_was_set_the_claim_says_the_right_time_since_its_next_renewal() {
    let mut turn = holder(10 * SECOND);
    let is = wall().plus(86_400 * SECOND);
    turn.shift(&clock::Step { began: wall(), was: wall().plus(9 * SECOND), is });
    let (before, after) = swap(&turn, 20 * SECOND);
    assert_eq!(before.map(|claim| claim.since), turn.held(20 * SECOND).map(|claim| claim.since));
    assert_eq!(is.since(after.since), 9 * SECOND + Duration::from_millis(789));
}

#[test]
fn what_others_ask_of_a_turn_is_as_it_stands() {
    let mut turn = Turn::new(me(1));
    assert!(!turn.has_news() && !turn.may_stand() && !turn.is_resting() && turn.theirs().is_none());
    turn.looked(SECOND, Ok(Some(theirs(7))));
    assert!(turn.has_news() && !turn.may_stand());
    assert_eq!(turn.theirs(), Some(&theirs(7)));
    turn.news();
    assert!(!turn.has_news());
    let mut turn = holder(Duration::ZERO);
    assert!(turn.may_stand() && turn.theirs().is_none());
    turn.doubt();
    assert_eq!((turn.held(SECOND), turn.next(SECOND, wall())), (None, Step::Look));
    assert!(turn.rest(true) && turn.is_resting());
    assert!(turn.rest(false) && !turn.is_resting());
    // Nothing was heard of the first swap: a claim may stand that nobody has seen.
    let mut turn = Turn::new(me(1));
    turn.looked(SECOND, Ok(None));
    let (_, after) = swap(&turn, SECOND);
    turn.swapped(SECOND, SECOND, Some(after), Swapped::InDoubt);
    assert!(turn.may_stand());
}

/// A server that answers looks and swallows swaps.
#[test]
fn one_lost_reply_is_followed_by_a_look_at_once_and_the_next_by_a_pause() {
    let mut turn = holder(Duration::ZERO);
    let lost = |turn: &mut Turn, at: Duration| {
        let (before, after) = swap(turn, at);
        turn.swapped(at, at, Some(after.clone()), Swapped::InDoubt);
        (before, after)
    };
    let (before, _) = lost(&mut turn, 10 * SECOND);
    assert_eq!(turn.next(10 * SECOND, wall()), Step::Look);
    turn.looked(10 * SECOND, Ok(before));
    let (_, after) = lost(&mut turn, 10 * SECOND);
    assert_eq!(turn.next(10 * SECOND, wall()), Step::Wait(Some(15 * SECOND)));
    // That one came through after all, and it begins anew.
    turn.looked(15 * SECOND, Ok(Some(after)));
    lost(&mut turn, 20 * SECOND);
    assert_eq!(turn.next(20 * SECOND, wall()), Step::Look);
}

#[test]
fn a_claim_from_before_the_start_keeps_its_time_when_the_clock_is_set() {
    let began = Timestamp::from_millis(1_795_000_000_000);
    for (before, moves) in [(SECOND, false), (86_400 * SECOND, false), (Duration::ZERO, true)] {
        let since = began.minus(before);
        let mut turn = Turn::new(me(1));
        let old = LeaseRecord { holder: "node1".to_owned(), nonce: Nonce([1; 16]), count: 40, lease: LEASE, since };
        turn.looked(SECOND, Ok(Some(old)));
        turn.shift(&clock::Step { began, was: began.plus(9 * SECOND), is: began.plus(900 * SECOND) });
        assert_eq!(swap(&turn, SECOND).1.since != since, moves, "{before:?}");
    }
}
