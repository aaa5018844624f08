use super::*;
use proptest::prelude::*;

const RETURN: Duration = Duration::from_secs(600);

fn at(seconds: u64) -> Duration {
    Duration::from_secs(seconds)
}

fn on(wall: u64) -> Timestamp {
    Timestamp::from_millis(1_700_000_000_000 + wall * 1000)
}

fn line(name: &str) -> Option<String> {
    Some(name.to_owned())
}

fn follower(label: &str, family: Family) -> Follower {
    let name = DnsName::parse(&format!("{label}.heronmill.example")).unwrap();
    Follower { provider: "home".to_owned(), name, family }
}

struct Home {
    failover: Failover,
    preferred: Vec<Option<String>>,
    kept: Kept,
}

impl Home {
    fn new() -> Self {
        let preferred = vec![line("fibre"), line("radio")];
        Self { failover: Failover::default(), preferred, kept: Kept::default() }
    }

    /// One round at `seconds`, in which those lines work; the line that the record follows then.
    fn round(&mut self, seconds: u64, fibre: bool, radio: bool) -> Option<String> {
        for (name, works) in [("fibre", fibre), ("radio", radio)] {
            let via = Via { line: line(name), family: Family::Ipv4 };
            self.failover.hear(&via, if works { Seen::Works } else { Seen::Missed }, 2, at(seconds));
        }
        self.failover.follow(&follower("gauge", Family::Ipv4), &self.preferred, at(seconds), RETURN).cloned().flatten()
    }
}

#[test]
fn the_preferred_line_is_followed_while_it_works() {
    let mut home = Home::new();
    assert_eq!(home.round(0, true, true), line("fibre"));
    assert_eq!(home.round(300, true, false), line("fibre"));
}

#[test]
fn one_missed_round_is_no_failure_and_two_are() {
    let mut home = Home::new();
    home.round(0, true, true);
    assert_eq!(home.round(300, false, true), line("fibre"));
    assert_eq!(home.round(310, false, true), line("radio"));
}

#[test]
fn a_record_returns_only_after_the_preferred_line_has_worked_for_a_while() {
    let mut home = Home::new();
    home.round(0, true, true);
    home.round(10, false, true);
    home.round(20, false, true);
    assert_eq!(home.round(30, true, true), line("radio"));
    assert_eq!(home.round(629, true, true), line("radio"));
    assert_eq!(home.round(630, true, true), line("fibre"));
}

#[test]
fn an_interruption_begins_the_wait_anew() {
    let mut home = Home::new();
    home.round(0, false, true);
    home.round(10, false, true);
    assert_eq!(home.round(20, true, true), line("radio"));
    home.round(300, false, true);
    home.round(310, false, true);
    home.round(320, true, true);
    assert_eq!(home.round(700, true, true), line("radio"));
    assert_eq!(home.round(920, true, true), line("fibre"));
}

#[test]
fn when_the_present_line_fails_the_wait_does_not_count() {
    let mut home = Home::new();
    home.round(0, false, true);
    home.round(10, false, true);
    home.round(20, true, true);
    home.round(30, true, false);
    assert_eq!(home.round(40, true, false), line("fibre"), "better an unsteady line than none");
}

#[test]
fn with_no_line_working_there_is_none_to_follow() {
    let mut home = Home::new();
    home.round(0, false, false);
    assert_eq!(home.round(10, false, false), None);
    assert_eq!(home.round(20, false, true), line("radio"));
}

#[test]
fn a_line_that_the_record_no_longer_names_is_left() {
    let mut home = Home::new();
    home.round(0, true, true);
    home.preferred = vec![line("radio")];
    assert_eq!(home.round(10, true, true), line("radio"));
}

#[test]
fn families_and_records_are_apart() {
    let mut home = Home::new();
    home.round(0, true, true);
    let preferred = home.preferred.clone();
    for line in &preferred {
        let via = Via { line: line.clone(), family: Family::Ipv6 };
        (0..2).for_each(|_| home.failover.hear(&via, Seen::Missed, 2, at(0)));
    }
    assert_eq!(home.failover.follow(&follower("gauge", Family::Ipv6), &preferred, at(0), RETURN), None);
    assert_eq!(home.failover.follow(&follower("mill", Family::Ipv4), &preferred, at(0), RETURN), Some(&line("fibre")));
}

#[test]
fn a_line_that_is_not_asked_about_in_a_family_is_not_waited_for() {
    let mut home = Home::new();
    home.round(0, true, true);
    home.failover.hear(&Via { line: line("radio"), family: Family::Ipv6 }, Seen::Works, 2, at(0));
    let preferred = home.preferred.clone();
    assert_eq!(home.failover.follow(&follower("gauge", Family::Ipv6), &preferred, at(0), RETURN), Some(&line("radio")));
}

#[test]
fn more_rounds_tell_more_only_of_a_named_line_that_has_not_missed_all_yet() {
    let mut home = Home::new();
    home.round(0, true, true);
    assert!(!home.failover.is_open());
    home.round(10, true, false);
    assert!(home.failover.is_open());
    home.round(20, true, false);
    assert!(!home.failover.is_open());
    home.failover.hear(&Via::only(Family::Ipv6), Seen::Missed, 2, at(30));
    assert!(!home.failover.is_open());
}

impl Home {
    /// One round of which each line shows something else.
    fn sees(&mut self, seconds: u64, fibre: Seen, radio: Seen) -> Option<String> {
        for (name, seen) in [("fibre", fibre), ("radio", radio)] {
            let via = Via { line: line(name), family: Family::Ipv4 };
            self.failover.hear(&via, seen, 2, at(seconds));
        }
        self.failover.follow(&follower("gauge", Family::Ipv4), &self.preferred, at(seconds), RETURN).cloned().flatten()
    }

    /// What is kept at `seconds`, when the clock on the wall shows `wall`.
    fn keep(&mut self, seconds: u64, wall: u64) -> Kept {
        self.kept = self.failover.kept(at(seconds), on(wall), &self.kept);
        self.kept.clone()
    }

    /// The next process, whose clock begins anew, `wall` seconds after this one by the clock on the wall, which shows
    /// 0 in it at 0.
    fn restart(&mut self, seconds: u64, wall: u64) {
        self.keep(seconds, seconds);
        self.failover = Failover::recall(&self.kept, on(wall));
    }
}

#[test]
fn after_a_restart_the_preferred_line_is_waited_for() {
    use Seen::{InSight, Missed, Works};
    let mut home = Home::new();
    home.round(1000, true, true);
    home.restart(1000, 1100);
    // A new address in sight, or one round missed, is no failure, and no lesser line is taken for it.
    assert_eq!(home.sees(0, InSight(1), Works), line("fibre"));
    assert_eq!(home.sees(10, Works, Works), line("fibre"));
    home.restart(10, 20);
    assert_eq!(home.sees(0, Missed, Works), line("fibre"));
    // Two processes with a round each have seen what one with two would.
    home.restart(0, 10);
    assert_eq!(home.sees(0, Missed, Works), line("radio"));
    // Also where nothing was kept.
    let mut home = Home::new();
    assert_eq!(home.sees(0, Missed, Works), line("fibre"));
    assert_eq!(home.sees(10, Missed, Works), line("radio"));
}

/// A home on the lesser line, 30 seconds after its preferred one has come back at 20.
fn away() -> Home {
    let mut home = Home::new();
    home.round(0, true, true);
    home.round(5, false, true);
    assert_eq!(home.round(10, false, true), line("radio"));
    assert_eq!(home.round(20, true, true), line("radio"));
    assert_eq!(home.round(50, true, true), line("radio"));
    home
}

#[test]
fn after_a_restart_on_the_lesser_line_the_return_is_waited_for() {
    let mut home = away();
    home.restart(50, 100);
    for seconds in [0, 519] {
        assert_eq!(home.round(seconds, true, true), line("radio"), "{seconds} s and 80 before");
    }
    assert_eq!(home.round(520, true, true), line("fibre"));
    // Who looks now and then sees it return too.
    let mut home = away();
    home.restart(50, 619);
    assert_eq!(home.round(0, true, true), line("radio"));
    home.restart(0, 2);
    assert_eq!(home.sees(0, Seen::Missed, Seen::Works), line("radio"), "not to one that the round did not show");
    assert_eq!(home.round(1, true, true), line("fibre"));
    // A line that was down is down until it works.
    home.round(700, false, true);
    home.round(710, false, true);
    home.restart(710, 711);
    assert_eq!(home.round(0, false, false), line("radio"));
    assert_eq!(home.round(10, false, false), None);
}

#[test]
fn a_clock_that_is_set_changes_no_wait_while_the_process_lives() {
    const YEAR: u64 = 365 * 86_400;
    // What is kept follows the clock, so the next process counts on from the same.
    for set in [2 * YEAR, 0] {
        let mut home = away();
        home.keep(50, YEAR);
        home.keep(50, set);
        home.failover = Failover::recall(&home.kept, on(set));
        assert_eq!(home.round(569, true, true), line("radio"));
        assert_eq!(home.round(570, true, true), line("fibre"));
    }
    // Set back between two processes, the wait begins anew.
    let mut home = away();
    home.keep(50, YEAR);
    home.failover = Failover::recall(&home.kept, on(0));
    assert_eq!(home.round(599, true, true), line("radio"));
    assert_eq!(home.round(600, true, true), line("fibre"));
}

#[test]
fn what_is_kept_changes_only_with_the_lines() {
    let mut home = Home::new();
    home.round(0, true, true);
    let kept = home.keep(0, 0);
    for minute in 1..600 {
        home.round(minute * 60, true, true);
        // A clock that runs a little fast, and is set right now and then.
        assert_eq!(home.keep(minute * 60, minute * 60 + minute % 50), kept);
    }
}

#[test]
fn addresses_that_come_in_sight_and_never_settle_are_no_line_that_works() {
    let mut home = Home::new();
    home.round(0, true, true);
    let mut seen = |seconds, won| home.sees(seconds, Seen::InSight(won), Seen::Works);
    assert_eq!([seen(10, 1), seen(20, 2), seen(30, 3)], [line("fibre"), line("fibre"), line("fibre")]);
    assert_eq!([seen(40, 1), seen(50, 1)], [line("fibre"), line("radio")]);
}

#[test]
fn what_is_not_configured_is_forgotten() {
    let mut home = Home::new();
    home.round(0, true, false);
    home.round(10, true, false);
    assert_eq!(home.keep(10, 10).down.len(), 1);
    home.failover.keep_only(|_| false, |key| *key != follower("gauge", Family::Ipv4));
    assert_eq!(home.keep(10, 10), Kept::default());
}

proptest! {
    /// The reference looks back over the whole history: a lesser line is taken only after the one before it has missed
    /// two rounds since it last worked, left only for one that has worked for `RETURN` since it was down, and restarts
    /// change nothing of that.
    #[test]
    fn no_lesser_line_before_the_preferred_one_has_failed_and_no_return_too_soon(
        history in prop::collection::vec((0..6_u8, 0..2_u8, prop::bool::weighted(0.2), 1..300_u64), 1..60),
    ) {
        let mut home = Home::new();
        let (mut missed, mut is_down, mut works) = (0, false, None);
        let (mut before, mut began, mut now) = (None, 0, 0);
        for (fibre, radio, restarts, later) in history {
            if restarts {
                home.kept = home.failover.kept(at(now - began), on(now), &home.kept);
                began = now + later / 2;
                home.failover = Failover::recall(&home.kept, on(began));
            }
            now += later;
            let fibre = match fibre {
                0 => Seen::Missed,
                1 => Seen::InSight(2),
                _ => Seen::Works,
            };
            let radio = [Seen::Works, Seen::Missed][usize::from(radio)];
            match fibre {
                Seen::Works => {
                    (missed, is_down) = (0, false);
                    works = works.or(Some(now));
                }
                Seen::InSight(_) => {}
                Seen::Missed => missed += 1,
            }
            if missed >= 2 {
                (is_down, works) = (true, None);
            }
            let follows = home.sees(now - began, fibre, radio);
            if follows == line("radio") && before != line("radio") {
                prop_assert!(is_down);
            }
            if follows == line("fibre") && before == line("radio") {
                let via = Via { line: line("radio"), family: Family::Ipv4 };
                let has_worked = works.is_some_and(|since| now - since >= RETURN.as_secs());
                prop_assert!(has_worked || home.failover.lines[&via].is_down);
            }
            if follows.is_some() {
                before = follows;
            }
        }
    }
}

#[test]
fn what_each_record_follows_is_kept_by_the_texts_it_has_always_had() {
    let gauge = |family| follower("gauge", family);
    let text = r#"{"follows":{"home gauge.heronmill.example IPv4":"radio","home gauge.heronmill.example IPv6":"fibre"},"down":[],"works":{},"missed":{}}"#;
    let kept: Kept = serde_json::from_str(text).unwrap();
    assert_eq!(kept.follows, [(gauge(Family::Ipv4), line("radio")), (gauge(Family::Ipv6), line("fibre"))].into());
    assert_eq!(serde_json::to_string(&kept).unwrap(), text);
    let strange = r#"{"follows":{"":null,"home":"radio","home gauge.heronmill.example IPv8":"fibre","home Gauge IPv4":null},"down":[]}"#;
    assert_eq!(serde_json::from_str::<Kept>(strange).unwrap(), Kept::default());
}

proptest! {
    #[test]
    fn who_follows_is_read_as_it_is_written(provider in "[a-z0-9-]{1,64}", label in "[a-z0-9_-]{1,63}", is_4: bool) {
        let family = if is_4 { Family::Ipv4 } else { Family::Ipv6 };
        let follower = Follower { provider, ..follower(&label, family) };
        prop_assert_eq!(Follower::by_text(&String::from(follower.clone())), Some(follower));
    }

    #[test]
    fn whatever_is_read_was_written_so(text in "[a-zA-Z. ]{0,20}\\PC{0,5}( IPv[46])?") {
        if let Some(follower) = Follower::by_text(&text) {
            prop_assert_eq!(String::from(follower), text);
        }
    }
}

/// Behind a carrier's NAT, perhaps, there is an address that nobody reaches: such a line does not work.
#[test]
fn an_address_that_may_not_be_published_is_none() {
    let [from, to] = [9, 77].map(|host| std::net::IpAddr::from([203, 0, 113, host]));
    let heard = [
        (Heard::Unchanged, Seen::Works),
        (Heard::Settled { from: Some(from), to }, Seen::Works),
        (Heard::InSight { address: to, won: 1, needed: 2 }, Seen::InSight(1)),
        (Heard::NoRuling, Seen::Missed),
    ];
    for (heard, seen) in heard {
        assert_eq!((Seen::of(&heard, true), Seen::of(&heard, false)), (seen, Seen::Missed), "{heard:?}");
    }
}

#[test]
fn the_misses_are_kept_of_lines_that_have_some_and_are_not_down() {
    let mut home = Home::new();
    let missed = |home: &Home| home.failover.kept(at(0), on(0), &Kept::default()).missed;
    home.round(0, true, true);
    assert_eq!(missed(&home), BTreeMap::new());
    home.round(10, false, true);
    assert_eq!(missed(&home), [(Via { line: line("fibre"), family: Family::Ipv4 }, 1)].into());
    home.round(20, false, true);
    assert_eq!(missed(&home), BTreeMap::new());
}
