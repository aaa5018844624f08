use std::net::IpAddr;

use proptest::prelude::*;

use super::*;
use crate::record::RrSet;

mod unsent;

const HOME: &str = "home";

fn limits(spacing: u64, burst: u32, daily: u32) -> Limits {
    Limits { spacing: Duration::from_secs(spacing), burst, daily }
}

fn at(seconds: u64) -> Timestamp {
    Timestamp::from_millis(1_700_000_000_000 + seconds * 1000)
}

fn change(label: &str) -> Change {
    Change {
        name: DnsName::parse(&format!("{label}.heronmill.example")).unwrap(),
        rtype: RecordType::A,
        before: None,
        after: RrSet { ttl: 120, addresses: [IpAddr::from([203, 0, 113, 77])].into() },
    }
}

/// Gates one write of `label`, and charges it if it may go; `Err` tells until when it has to wait, and why.
fn write(ledger: &mut Ledger, now: Timestamp, limits: &Limits, label: &str) -> Result<(), (Timestamp, Cause)> {
    let gated = ledger.gate(now, limits, HOME, Tally::Each, vec![change(label)]);
    ledger.charge(now, limits, HOME, Tally::Each, &gated.allowed);
    match gated.put_off.first() {
        Some((_, until, cause)) => Err((*until, *cause)),
        None => Ok(()),
    }
}

#[test]
fn a_burst_goes_through_and_then_one_write_a_spacing() {
    let (limits, mut ledger) = (limits(60, 3, 100), Ledger::default());
    for second in [0, 0, 0] {
        assert_eq!(write(&mut ledger, at(second), &limits, "gauge"), Ok(()));
    }
    assert_eq!(write(&mut ledger, at(0), &limits, "gauge"), Err((at(60), Cause::Spacing)));
    assert_eq!(write(&mut ledger, at(59), &limits, "gauge"), Err((at(60), Cause::Spacing)));
    assert_eq!(write(&mut ledger, at(60), &limits, "gauge"), Ok(()), "exactly at TAT - tau it conforms");
    assert_eq!(write(&mut ledger, at(60), &limits, "gauge"), Err((at(120), Cause::Spacing)));
    assert_eq!(write(&mut ledger, at(60), &limits, "mill"), Ok(()), "each record has a rate of its own");
    // Quiet for three spacings: the whole burst is back, and no more than that.
    for _ in 0..3 {
        assert_eq!(write(&mut ledger, at(10_000), &limits, "gauge"), Ok(()));
    }
    assert_eq!(write(&mut ledger, at(10_000), &limits, "gauge"), Err((at(10_060), Cause::Spacing)));
}

#[test]
fn a_burst_of_one_is_plain_spacing() {
    let (limits, mut ledger) = (limits(60, 1, 100), Ledger::default());
    assert_eq!(write(&mut ledger, at(0), &limits, "gauge"), Ok(()));
    assert_eq!(write(&mut ledger, at(1), &limits, "gauge"), Err((at(60), Cause::Spacing)));
}

#[test]
fn the_cap_counts_any_24_hours() {
    let (limits, mut ledger) = (limits(1, 1, 3), Ledger::default());
    let day = 24 * 60 * 60;
    for second in [0, 1000, 2000] {
        assert_eq!(ledger.left_today(at(second), &limits, HOME), 3 - (second / 1000) as u32);
        assert_eq!(write(&mut ledger, at(second), &limits, "gauge"), Ok(()));
    }
    assert_eq!(ledger.left_today(at(3000), &limits, HOME), 0);
    assert_eq!(write(&mut ledger, at(3000), &limits, "gauge"), Err((at(day), Cause::Daily)));
    assert_eq!(write(&mut ledger, at(day - 1), &limits, "mill"), Err((at(day), Cause::Daily)));
    assert_eq!(ledger.left_today(at(3000), &limits, "other"), 3, "each provider has a cap of its own");
    assert_eq!(write(&mut ledger, at(day), &limits, "gauge"), Ok(()));
    assert_eq!(write(&mut ledger, at(day + 1), &limits, "gauge"), Err((at(day + 1000), Cause::Daily)));
}

#[test]
fn of_many_changes_those_that_fit_go_and_the_rest_wait() {
    let (limits, mut ledger) = (limits(60, 1, 3), Ledger::default());
    assert_eq!(write(&mut ledger, at(0), &limits, "gauge"), Ok(()));
    let changes = ["gauge", "mill", "cam", "weir"].map(change).to_vec();
    let gated = ledger.gate(at(10), &limits, HOME, Tally::Each, changes);
    assert_eq!(gated.allowed, [change("mill"), change("cam")]);
    assert_eq!(
        gated.put_off,
        [(change("gauge"), at(60), Cause::Spacing), (change("weir"), at(24 * 60 * 60), Cause::Daily)]
    );
    ledger.charge(at(10), &limits, HOME, Tally::Each, &gated.allowed);
    assert_eq!(ledger.left_today(at(10), &limits, HOME), 0);
}

#[test]
fn gating_charges_nothing_and_an_empty_charge_leaves_the_books_as_they_are() {
    let (limits, mut ledger) = (limits(60, 1, 3), Ledger::default());
    let _ = ledger.gate(at(0), &limits, HOME, Tally::Each, vec![change("gauge")]);
    ledger.charge(at(0), &limits, HOME, Tally::Each, &[]);
    assert_eq!(ledger, Ledger::default());
}

#[test]
fn a_clock_set_back_delays_by_a_full_burst_at_most() {
    let (limits, mut ledger) = (limits(60, 3, 100), Ledger::default());
    for _ in 0..3 {
        assert_eq!(write(&mut ledger, at(1_000_000), &limits, "gauge"), Ok(()));
    }
    // The clock goes back by days: the TAT is held to now + 3 spacings, so that the wait is one spacing.
    assert_eq!(write(&mut ledger, at(0), &limits, "gauge"), Err((at(60), Cause::Spacing)));
    assert_eq!(ledger.left_today(at(0), &limits, HOME), 97, "the writes still count");
    assert_eq!(write(&mut ledger, at(59), &limits, "gauge"), Err((at(60), Cause::Spacing)), "the wait does not move");
    assert_eq!(write(&mut ledger, at(60), &limits, "gauge"), Ok(()));
}

#[test]
fn a_clock_set_back_does_not_lift_the_cap_nor_hold_it_for_ever() {
    let (limits, mut ledger) = (limits(1, 9, 2), Ledger::default());
    for _ in 0..2 {
        assert_eq!(write(&mut ledger, at(1_000_000), &limits, "gauge"), Ok(()));
    }
    let day = 24 * 60 * 60;
    assert_eq!(write(&mut ledger, at(0), &limits, "mill"), Err((at(day), Cause::Daily)));
    assert_eq!(
        write(&mut ledger, at(day - 1), &limits, "mill"),
        Err((at(day), Cause::Daily)),
        "the wait does not move"
    );
    assert_eq!(write(&mut ledger, at(day), &limits, "mill"), Ok(()));
}

#[test]
fn the_ledger_forgets_what_no_longer_matters() {
    let (limits, mut ledger) = (limits(60, 1, 100), Ledger::default());
    for label in ["gauge", "mill", "cam"] {
        assert_eq!(write(&mut ledger, at(0), &limits, label), Ok(()));
    }
    assert_eq!(write(&mut ledger, at(3 * 24 * 60 * 60), &limits, "weir"), Ok(()));
    let mut fresh = Ledger::default();
    assert_eq!(write(&mut fresh, at(3 * 24 * 60 * 60), &limits, "weir"), Ok(()));
    assert_eq!(ledger, fresh);
}

#[test]
fn the_ledger_survives_being_written_down() {
    let (limits, mut ledger) = (limits(60, 3, 100), Ledger::default());
    assert_eq!(write(&mut ledger, at(0), &limits, "gauge"), Ok(()));
    let text = serde_json::to_string(&ledger).unwrap();
    assert_eq!(serde_json::from_str::<Ledger>(&text).unwrap(), ledger);
    assert_eq!(
        text,
        format!(
            r#"{{"tat":{{"home gauge.heronmill.example A":{}}},"writes":{{"home":[[{},1,"gauge.heronmill.example A"]]}}}}"#,
            at(60).millis(),
            at(0).millis()
        )
    );
}

proptest! {
    /// ITU-T I.371, annex A, by its other form: the continuous-state leaky bucket, written down independently.
    #[test]
    fn the_rate_agrees_with_the_leaky_bucket(
        spacing in 1u64..50, burst in 1u32..6, waits in proptest::collection::vec(0u64..60, 1..60)
    ) {
        let (limits, mut ledger) = (limits(spacing, burst, u32::MAX), Ledger::default());
        let tolerance = spacing * u64::from(burst - 1);
        let (mut content, mut last, mut now) = (0u64, 0u64, 0u64);
        for wait in waits {
            now += wait;
            let drained = content.saturating_sub(now - last);
            let conforms = drained <= tolerance;
            if conforms {
                (content, last) = (drained + spacing, now);
            }
            prop_assert_eq!(write(&mut ledger, at(now), &limits, "gauge").is_ok(), conforms);
        }
    }

    /// In no window of 24 hours are there more writes than the cap, whatever the pace.
    #[test]
    fn the_cap_holds_in_every_window(
        daily in 1u32..5, waits in proptest::collection::vec(0u64..30_000, 1..60)
    ) {
        let (limits, mut ledger) = (limits(1, 9, daily), Ledger::default());
        let (mut now, mut written) = (0u64, Vec::new());
        for wait in waits {
            now += wait;
            if write(&mut ledger, at(now), &limits, "gauge").is_ok() {
                written.push(now);
            }
            let window = written.iter().filter(|at| now - **at < 24 * 60 * 60).count();
            prop_assert!(window <= daily as usize);
        }
    }

    /// What is put off goes through at the time that was told, and not a millisecond before.
    #[test]
    fn the_time_told_is_exact(
        spacing in 1u64..50, burst in 1u32..4, daily in 1u32..6, others in 0usize..4,
        waits in proptest::collection::vec(0u64..20, 1..40)
    ) {
        let labels = &["gauge", "mill", "cam", "weir"][..=others];
        let (limits, mut ledger) = (limits(spacing, burst, daily), settled(&[(HOME, labels)]));
        let mut now = 0;
        for (nth, wait) in waits.into_iter().enumerate() {
            now += wait;
            let _ = write(&mut ledger, at(now), &limits, labels[nth % labels.len()]);
            if let Err((until, _)) = write(&mut ledger, at(now), &limits, "gauge") {
                let mut gate = |now| ledger.gate(now, &limits, HOME, Tally::Each, vec![change("gauge")]);
                prop_assert!(until > at(now));
                prop_assert!(gate(until.minus(Duration::from_millis(1))).allowed.is_empty());
                // Past one limit, the other may still hold; it then names a later time.
                let then = gate(until);
                prop_assert!(then.put_off.iter().all(|(_, later, _)| *later > until));
            }
        }
    }
}

/// A thousand names that go in one message are one write to the other side, and a thousand where each is asked for.
#[test]
fn what_goes_together_counts_once() {
    let limits = limits(60, 1, 3);
    for (tally, allowed) in [(Tally::Together, 1000), (Tally::Each, 3)] {
        let mut ledger = Ledger::default();
        let changes: Vec<_> = (0..1000).map(|nth| change(&format!("n{nth}"))).collect();
        let gated = ledger.gate(at(0), &limits, HOME, tally, changes);
        assert_eq!(gated.allowed.len(), allowed);
        ledger.charge(at(0), &limits, HOME, tally, &gated.allowed);
        assert_eq!(ledger.left_today(at(0), &limits, HOME), 3 - [3, 1][usize::from(tally == Tally::Together)]);
    }
    let mut ledger = Ledger::default();
    for nth in 0..4 {
        let gated = ledger.gate(at(nth * 60), &limits, HOME, Tally::Together, vec![change("gauge"), change("mill")]);
        assert_eq!(gated.allowed.len(), if nth < 3 { 2 } else { 0 });
        ledger.charge(at(nth * 60), &limits, HOME, Tally::Together, &gated.allowed);
    }
}

/// Another name for the table is no new budget, and two tables that write to one place have one between them.
#[test]
fn the_cap_is_that_of_the_place() {
    let limits = limits(0, 1, 3);
    let mut ledger = Ledger::default();
    ledger.charge(at(0), &limits, "home", Tally::Each, &[change("gauge")]);
    let zone = DnsName::parse("heronmill.example").unwrap();
    let there = place("ns1.heronmill.example:53", &zone);
    let site = || Site { place: there.clone(), records: BTreeSet::new() };
    let of = |names: &[&str]| names.iter().map(|name| ((*name).to_owned(), site())).collect();
    // As an earlier version entered it.
    ledger.settle(of(&["home"]));
    assert_eq!(ledger.left_today(at(1), &limits, "home"), 2);
    ledger.charge(at(1), &limits, "home", Tally::Each, &[change("gauge")]);
    ledger.settle(of(&["mill", "weir"]));
    assert_eq!(ledger.left_today(at(2), &limits, "mill"), 1);
    ledger.charge(at(2), &limits, "mill", Tally::Each, &[change("gauge")]);
    assert_eq!(ledger.left_today(at(3), &limits, "weir"), 0);
}

const DAY_S: u64 = 24 * 60 * 60;

/// A ledger that knows of `tables`, each with its records, at one place.
fn settled(tables: &[(&str, &[&str])]) -> Ledger {
    let mut ledger = Ledger::default();
    let site = |labels: &[&str]| Site {
        place: place("ns1", &DnsName::parse("heronmill.example").unwrap()),
        records: labels.iter().map(|label| (change(label).name, RecordType::A)).collect(),
    };
    ledger.settle(tables.iter().map(|(table, labels)| ((*table).to_owned(), site(labels))).collect());
    ledger
}

#[test]
fn a_record_spends_its_share_and_what_is_shared_and_no_more() {
    let (limits, mut ledger) = (limits(0, 1, 11), settled(&[(HOME, &["gauge", "mill", "cam"])]));
    // Shares of 3 and 2 that are shared.
    for nth in 0..5 {
        assert_eq!(write(&mut ledger, at(nth), &limits, "gauge"), Ok(()));
    }
    assert_eq!(write(&mut ledger, at(5), &limits, "gauge"), Err((at(DAY_S), Cause::Daily)));
    for label in ["mill", "cam"] {
        for nth in 6..9 {
            assert_eq!(write(&mut ledger, at(nth), &limits, label), Ok(()));
        }
        assert_eq!(write(&mut ledger, at(9), &limits, label), Err((at(DAY_S), Cause::Daily)));
    }
    assert_eq!(ledger.left_today(at(9), &limits, HOME), 0);
    // Two tables for one place have their records counted together.
    let mut ledger = settled(&[(HOME, &["gauge"]), ("mill", &["mill", "cam"])]);
    for nth in 0..5 {
        assert_eq!(write(&mut ledger, at(nth), &limits, "gauge"), Ok(()));
    }
    assert!(write(&mut ledger, at(5), &limits, "gauge").is_err());
}

#[test]
fn with_more_records_than_writes_half_is_kept_for_those_that_have_not_written() {
    let (limits, mut ledger) = (limits(0, 1, 4), settled(&[(HOME, &["a", "b", "c", "d", "e"])]));
    for label in ["a", "a"] {
        assert_eq!(write(&mut ledger, at(0), &limits, label), Ok(()));
    }
    assert_eq!(write(&mut ledger, at(0), &limits, "a"), Err((at(DAY_S), Cause::Daily)));
    for label in ["b", "c"] {
        assert_eq!(write(&mut ledger, at(0), &limits, label), Ok(()));
    }
    assert_eq!(write(&mut ledger, at(0), &limits, "d"), Err((at(DAY_S), Cause::Daily)), "the cap holds all the same");
}

/// What an earlier version wrote down counts for the place, and for no record.
#[test]
fn a_ledger_of_an_earlier_version_is_read() {
    let text = format!(r#"{{"tat":{{}},"writes":{{"home":[[{},2]]}}}}"#, at(0).millis());
    let mut ledger: Ledger = serde_json::from_str(&text).unwrap();
    let limits = limits(0, 1, 4);
    assert_eq!(ledger.left_today(at(1), &limits, HOME), 2);
    for ok in [true, true, false] {
        assert_eq!(write(&mut ledger, at(1), &limits, "gauge").is_ok(), ok);
    }
}

proptest! {
    /// Whatever the others do, alone or together, a record that was in fewer writes than its share may write; and in no
    /// window of 24 hours are there more than the cap.
    #[test]
    fn a_record_under_its_share_is_never_put_off_for_another(
        together: bool, many in 1usize..6, spare in 0u32..12,
        steps in proptest::collection::vec((0u64..20_000, 1u8..32), 1..80)
    ) {
        const LABELS: [&str; 5] = ["a", "b", "c", "d", "e"];
        let labels = &LABELS[..many];
        let daily = u32::try_from(many).unwrap() + spare;
        let share = daily as usize / many;
        let tally = if together { Tally::Together } else { Tally::Each };
        let (limits, mut ledger) = (limits(0, 1, daily), settled(&[(HOME, labels)]));
        let (mut now, mut sent) = (0u64, Vec::<(u64, Vec<Change>)>::new());
        for (wait, which) in steps {
            now += wait;
            let recent = || sent.iter().filter(|(at, _)| now - at < DAY_S);
            for label in labels {
                let one = change(label);
                if recent().filter(|(_, unit)| unit.contains(&one)).count() < share {
                    let gated = ledger.gate(at(now), &limits, HOME, tally, vec![one]);
                    prop_assert!(gated.put_off.is_empty(), "{} at {}: {:?}", label, now, gated.put_off);
                }
            }
            let batch: Vec<Change> =
                labels.iter().enumerate().filter(|(nth, _)| which & (1 << nth) != 0).map(|(_, label)| change(label)).collect();
            let gated = ledger.gate(at(now), &limits, HOME, tally, batch);
            ledger.charge(at(now), &limits, HOME, tally, &gated.allowed);
            if together && !gated.allowed.is_empty() {
                sent.push((now, gated.allowed));
            } else {
                sent.extend(gated.allowed.into_iter().map(|one| (now, vec![one])));
            }
            let window = sent.iter().filter(|(at, _)| now - at < DAY_S).count();
            prop_assert!(window <= daily as usize, "{} of {}", window, daily);
            prop_assert_eq!(ledger.left_today(at(now), &limits, HOME) as usize, daily as usize - window);
        }
    }
}

/// As many records as writes a day: each has one, and nobody a second at the cost of another's first.
#[test]
fn where_there_are_as_many_records_as_writes_each_has_its_own() {
    let labels = ["gauge", "mill", "cam", "weir"];
    let (limits, mut ledger) = (limits(1, 1, 4), settled(&[(HOME, &labels)]));
    assert_eq!(write(&mut ledger, at(0), &limits, "gauge"), Ok(()));
    assert_eq!(write(&mut ledger, at(10), &limits, "gauge"), Err((at(24 * 60 * 60), Cause::Daily)));
    for label in ["mill", "cam", "weir"] {
        assert_eq!(write(&mut ledger, at(20), &limits, label), Ok(()));
    }
}

#[test]
fn what_is_written_at_once_is_paid_by_who_has_something_left() {
    let (limits, mut ledger) = (limits(1, 1, 4), settled(&[(HOME, &["gauge", "mill"])]));
    for second in [0, 10] {
        assert_eq!(write(&mut ledger, at(second), &limits, "gauge"), Ok(()));
    }
    let both = || vec![change("gauge"), change("mill")];
    assert_eq!(ledger.gate(at(20), &limits, HOME, Tally::Together, both()).allowed, both());
}

#[test]
fn when_the_clock_is_set_turns_and_writes_move_along() {
    let (limits, mut ledger) = (limits(60, 1, 9), Ledger::default());
    assert_eq!(write(&mut ledger, at(1_000), &limits, "gauge"), Ok(()));
    ledger.shift(&Step { began: at(0), was: at(1_010), is: at(501_010) }, &limits);
    assert_eq!(write(&mut ledger, at(501_011), &limits, "gauge"), Err((at(501_060), Cause::Spacing)));
    assert_eq!(ledger.left_today(at(501_011), &limits, HOME), 8);
    assert_eq!(ledger.left_today(at(501_000 + 24 * 60 * 60), &limits, HOME), 9);
}

/// One write that leaves the day makes no room where others have that room coming.
#[test]
fn who_has_used_its_share_waits_until_one_of_its_own_writes_leaves_the_day() {
    let (limits, mut ledger) = (limits(1, 1, 4), settled(&[(HOME, &["gauge", "mill"])]));
    for (second, label) in [(0, "mill"), (10, "mill"), (20, "gauge"), (30, "gauge")] {
        assert_eq!(write(&mut ledger, at(second), &limits, label), Ok(()));
    }
    assert_eq!(write(&mut ledger, at(40), &limits, "gauge"), Err((at(24 * 60 * 60 + 20), Cause::Daily)));
}
