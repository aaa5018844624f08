use super::*;
use crate::clock::Timestamp;
use crate::update::retry::tests::doubling;

const SECOND: Duration = Duration::from_secs(1);
const RETRY: settings::Retry = settings::Retry { initial: Duration::from_secs(5), max: Duration::from_secs(60) };
const NOW: Duration = Duration::from_secs(1000);

fn providers() -> Providers {
    Providers::new(doubling, RETRY)
}

fn report(trouble: Option<Trouble>, put_off_until: Option<Timestamp>) -> Report {
    Report {
        provider: "home".to_owned(),
        records: Vec::new(),
        means: None,
        trouble,
        put_off_until,
        looked_for_until: None,
    }
}

fn passing(retry_after: Option<Duration>) -> Report {
    report(Some(Trouble::Passing { why: "busy".to_owned(), retry_after }), None)
}

fn wall() -> Timestamp {
    Timestamp::from_millis(1_795_000_000_000)
}

fn worked(providers: &mut Providers, report: &Report) {
    providers.worked(report, Moment { time: wall(), steady: NOW }, 1.0);
}

/// The longest wait that is drawn for `report`.
fn waits(providers: &mut Providers, report: &Report) -> Duration {
    worked(providers, report);
    providers.due().unwrap() - NOW
}

impl Providers {
    /// Whether the one provider of these tests may be contacted.
    fn is_free(&self, now: Duration) -> bool {
        self.waiting(now).is_empty()
    }

    fn has_waited(&self, now: Duration) -> bool {
        self.have_waited(now).contains("home")
    }
}

#[test]
fn what_is_not_to_be_seen_is_looked_for_soon_then_seldom_and_once_more_at_the_end() {
    let mut providers = providers();
    let looking = |left: u32| Report { looked_for_until: Some(wall().plus(left * SECOND)), ..report(None, None) };
    for seconds in [1, 2, 4, 8, 16, 32, 60, 60] {
        assert_eq!(waits(&mut providers, &looking(600)), seconds * SECOND);
        assert!(!providers.has_waited(NOW) && providers.has_waited(NOW + seconds * SECOND));
    }
    assert_eq!(waits(&mut providers, &looking(7)), 7 * SECOND);
    // Seen: the next time begins anew.
    worked(&mut providers, &report(None, None));
    assert_eq!(providers.due(), None);
    assert_eq!(waits(&mut providers, &looking(600)), SECOND);
}

#[test]
fn passing_faults_are_waited_out_longer_and_longer_until_one_pass_succeeds() {
    let mut providers = providers();
    assert!(providers.is_free(NOW) && providers.due().is_none());
    for seconds in [5, 10, 20, 40, 60, 60] {
        assert_eq!(waits(&mut providers, &passing(None)), seconds * SECOND);
        assert_eq!(providers.waiting(NOW + seconds * SECOND - Duration::from_millis(1)), ["home".to_owned()].into());
        assert!(providers.is_free(NOW + seconds * SECOND));
    }
    worked(&mut providers, &report(None, None));
    assert!(providers.is_free(NOW) && providers.due().is_none());
    assert_eq!(waits(&mut providers, &passing(None)), 5 * SECOND);
}

#[test]
fn a_wait_that_was_asked_for_is_a_floor_that_no_news_breaks() {
    let mut providers = providers();
    assert_eq!(waits(&mut providers, &passing(Some(90 * SECOND))), 90 * SECOND);
    providers.stop_waiting();
    assert!(!providers.is_free(NOW + 89 * SECOND));
    assert!(providers.is_free(NOW + 90 * SECOND));
    // A short one does not shorten our own wait.
    assert_eq!(waits(&mut providers, &passing(Some(SECOND))), 10 * SECOND);
    // One that no clock could hold is heard as a day.
    for asked in [Duration::MAX, Duration::from_secs(u64::MAX), 86_401 * SECOND] {
        assert_eq!(waits(&mut providers, &passing(Some(asked))), 86_400 * SECOND);
    }
}

#[test]
fn news_ends_a_wait_of_our_own_and_its_growth() {
    let mut providers = providers();
    waits(&mut providers, &passing(None));
    waits(&mut providers, &passing(None));
    providers.stop_waiting();
    assert!(providers.is_free(NOW));
    assert_eq!(waits(&mut providers, &passing(None)), 5 * SECOND);
}

#[test]
fn books_that_fail_are_waited_for_and_a_hold_is_tried_once_an_hour() {
    let mut providers = providers();
    let why = || "why".to_owned();
    assert_eq!(waits(&mut providers, &report(Some(Trouble::NoBooks { why: why() }), None)), 5 * SECOND);
    for trouble in [Trouble::Refused { why: why() }, Trouble::Held { since: wall(), why: why() }] {
        assert_eq!(waits(&mut providers, &report(Some(trouble), None)), HELD);
        // A new address does not change what was refused.
        providers.stop_waiting();
        assert!(!providers.is_free(NOW + HELD - SECOND) && providers.is_free(NOW + HELD));
    }
}

#[test]
fn a_refusal_that_nothing_proves_is_asked_again_with_growing_waits_of_an_hour_at_most() {
    let day = settings::Retry { initial: 5 * SECOND, max: 86_400 * SECOND };
    let mut providers = Providers::new(doubling, day);
    let unproven = report(Some(Trouble::Unproven { why: "REFUSED, unsigned".to_owned() }), None);
    let seen: Vec<u64> = (0..12).map(|_| waits(&mut providers, &unproven).as_secs()).collect();
    assert_eq!(seen, [5, 10, 20, 40, 80, 160, 320, 640, 1280, 2560, 3600, 3600]);
    // A new address is reason enough to ask at once.
    providers.stop_waiting();
    assert!(providers.is_free(NOW));
}

#[test]
fn what_a_limit_puts_off_is_due_when_the_limit_lets_it_pass() {
    let mut providers = providers();
    assert_eq!(waits(&mut providers, &report(None, Some(wall().plus(7 * SECOND)))), 7 * SECOND);
    assert!(providers.is_free(NOW));
    // Already past by the clock: soon, but not in a loop without rest.
    assert_eq!(waits(&mut providers, &report(None, Some(wall().minus(SECOND)))), Duration::from_millis(1));
    // The later of both, when there is also a fault to wait out.
    let both = |until| Report { put_off_until: Some(until), ..passing(None) };
    assert_eq!(waits(&mut providers, &both(wall().plus(7 * SECOND))), 7 * SECOND);
    assert_eq!(waits(&mut providers, &both(wall().plus(7 * SECOND))), 10 * SECOND);
}

#[test]
fn a_wait_that_is_over_is_over_even_where_nothing_was_to_do() {
    let mut providers = providers();
    waits(&mut providers, &passing(None));
    providers.have_their_turn(NOW + 5 * SECOND - Duration::from_millis(1));
    assert_eq!(providers.due(), Some(NOW + 5 * SECOND));
    providers.have_their_turn(NOW + 5 * SECOND);
    assert_eq!(providers.due(), None);
    // The next fault still waits longer.
    assert_eq!(waits(&mut providers, &passing(None)), 10 * SECOND);
    worked(&mut providers, &report(None, Some(wall().plus(SECOND))));
    providers.have_their_turn(NOW + SECOND);
    assert_eq!(providers.due(), None);
}
