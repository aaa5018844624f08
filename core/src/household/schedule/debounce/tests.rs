use super::{AGAIN, BURST, Debounce, LATE, SPACING};
use proptest::prelude::*;
use std::time::Duration;

fn ms(ms: u64) -> Duration {
    Duration::from_millis(ms)
}

/// Plays pushes at the given times; a look begins as soon as it is due, and keeps the next from beginning for `takes`.
fn looks(pushes: &[Duration], takes: Duration) -> (Vec<Duration>, Debounce) {
    let (mut debounce, mut looks, mut free) = (Debounce::default(), Vec::new(), Duration::ZERO);
    let mut pushes = pushes.iter().peekable();
    loop {
        let due = debounce.due().map(|due| due.max(free));
        match (pushes.peek(), due) {
            (Some(push), due) if due.is_none_or(|due| **push <= due) => {
                debounce.push(**push);
                pushes.next();
            }
            (_, Some(due)) => {
                debounce.looked(due);
                looks.push(due);
                free = due + takes;
            }
            (_, None) => return (looks, debounce),
        }
    }
}

#[test]
fn pushes_become_looks() {
    for (title, pushes, takes, wanted) in [
        ("one: at once, and again", vec![1000], 0, vec![1000, 1500]),
        ("none", vec![], 0, vec![]),
        ("together: shared", vec![1000, 1000, 1000], 0, vec![1000, 1500]),
        ("a stale one, then the fresh one", vec![1000, 1020], 0, vec![1000, 1500]),
        ("short before the second look: a third", vec![1000, 1400], 0, vec![1000, 1500, 1900]),
        ("later: each its own", vec![1000, 9000], 0, vec![1000, 1500, 9000, 9500]),
        ("while a look is under way: another after it", vec![1000, 1290], 300, vec![1000, 1500, 1800]),
        ("a look that takes long is itself late enough", vec![1000], 800, vec![1000, 1800]),
    ] {
        let pushes: Vec<_> = pushes.into_iter().map(ms).collect();
        let wanted: Vec<_> = wanted.into_iter().map(ms).collect();
        assert_eq!(looks(&pushes, ms(takes)).0, wanted, "{title}");
    }
}

#[test]
fn a_timed_look_after_the_push_serves_as_one_and_takes_no_token() {
    let mut debounce = Debounce::default();
    debounce.push(ms(1000));
    debounce.looked(ms(1000));
    let full = debounce.full;
    debounce.looked(ms(1200));
    assert_eq!((debounce.due(), debounce.full), (Some(ms(1500)), full));
    debounce.push(ms(1300));
    debounce.looked(ms(1550));
    assert_eq!(debounce.due(), None);
    debounce.looked(ms(3000));
    assert_eq!(debounce.due(), None);
}

/// The bound of the bucket: a burst, and then one look in `SPACING` (ITU-T I.371, I.2: GCRA).
fn bound(span: Duration) -> usize {
    BURST as usize + 1 + (span.as_millis() / SPACING.as_millis()) as usize
}

#[test]
fn a_flood_of_ten_thousand_causes_few_looks() {
    for (span, most) in [(ms(0), 5), (ms(1000), 5), (ms(10_000), 10), (ms(60_000), 35)] {
        let pushes: Vec<_> = (0..10_000).map(|n| span * n / 10_000).collect();
        let (looks, debounce) = looks(&pushes, ms(0));
        assert!(looks.len() <= most, "{span:?}: {} looks", looks.len());
        assert!(most <= bound(span + AGAIN));
        assert_eq!(debounce.seen(), 10_000);
        assert!(debounce.ignored() >= 10_000 - most as u64, "{}", debounce.ignored());
        // And the last one is seen all the same.
        assert!(*looks.last().unwrap() >= pushes[9_999] + LATE);
    }
}

#[test]
fn after_a_flood_and_a_quiet_time_a_push_is_heard_at_once() {
    let mut pushes: Vec<_> = (0..1000).map(ms).collect();
    pushes.push(ms(60_000));
    assert_eq!(
        looks(&pushes, ms(0)).0.iter().rev().take(2).rev().copied().collect::<Vec<_>>(),
        [ms(60_000), ms(60_500)]
    );
}

fn pushes() -> impl Strategy<Value = Vec<Duration>> {
    prop::collection::vec(prop_oneof![6 => 0..40_u64, 2 => 0..700_u64, 1 => 0..8000_u64], 0..200).prop_map(|gaps| {
        let mut now = 0;
        gaps.into_iter()
            .map(|gap| {
                now += gap;
                ms(now)
            })
            .collect()
    })
}

proptest! {
    #[test]
    fn no_push_is_lost_and_no_bound_is_broken(pushes in pushes(), takes in 0..900_u64) {
        let (looks, debounce) = looks(&pushes, ms(takes));
        prop_assert!(looks.is_sorted());
        prop_assert_eq!(debounce.seen(), pushes.len() as u64);
        prop_assert!(debounce.ignored() <= debounce.seen());
        prop_assert!(pushes.is_empty() || debounce.ignored() < debounce.seen());
        for push in &pushes {
            // One that begins at or after it, and one that begins late enough to see what it announced.
            prop_assert!(looks.iter().any(|look| look >= push));
        }
        if let Some(last) = pushes.last() {
            prop_assert!(*looks.last().unwrap() >= *last + LATE);
            prop_assert!(looks[0] == pushes[0], "the first is heard at once");
        }
        for (at, from) in looks.iter().enumerate() {
            for (count, to) in looks.iter().skip(at).enumerate() {
                prop_assert!(count < bound(*to - *from) + 1, "{} looks from {:?} to {:?}", count + 1, from, to);
            }
        }
    }
}
