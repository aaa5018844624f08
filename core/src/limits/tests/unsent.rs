//! What was charged and never sent is as if it had never been.

use super::*;

const LABELS: [&str; 5] = ["a", "b", "c", "d", "e"];

/// Those of the labels whose bit is set.
fn batch(which: u8) -> Vec<Change> {
    LABELS.iter().enumerate().filter(|(nth, _)| which & (1 << nth) != 0).map(|(_, label)| change(label)).collect()
}

#[test]
fn a_turn_and_a_write_come_back() {
    for (tally, spent) in [(Tally::Each, 2), (Tally::Together, 1)] {
        // A turn and nearly a day are used up: one write less, and the next waits.
        let (limits, mut ledger) = (limits(60, 1, spent), settled(&[(HOME, &["gauge", "mill"])]));
        let both = || vec![change("gauge"), change("mill")];
        let charge = ledger.charge(at(0), &limits, HOME, tally, &both());
        assert_eq!(ledger.left_today(at(1), &limits, HOME), 0);
        assert_eq!(ledger.gate(at(1), &limits, HOME, tally, both()).allowed, []);
        ledger.give_back(charge, &limits);
        assert_eq!(ledger.left_today(at(1), &limits, HOME), spent);
        assert_eq!(ledger.gate(at(1), &limits, HOME, tally, both()).allowed, both());
    }
}

/// Only what was charged: not an earlier write of the same record, nor what another table wrote to the place meanwhile.
#[test]
fn nothing_else_comes_back() {
    let limits = limits(60, 3, 9);
    let zone = DnsName::parse("heronmill.example").unwrap();
    let site = || Site { place: place("ns1.heronmill.example:53", &zone), records: BTreeSet::new() };
    let mut ledger = Ledger::default();
    ledger.settle(["home", "mill"].map(|name| (name.to_owned(), site())).into());
    for second in [0, 10] {
        ledger.charge(at(second), &limits, "home", Tally::Each, &[change("gauge")]);
    }
    let charge = ledger.charge(at(20), &limits, "home", Tally::Each, &[change("gauge")]);
    ledger.charge(at(21), &limits, "mill", Tally::Each, &[change("cam")]);
    assert_eq!(ledger.left_today(at(22), &limits, "home"), 5);
    ledger.give_back(charge, &limits);
    assert_eq!(ledger.left_today(at(22), &limits, "home"), 6);
    // Of three turns two are taken: the last is there, and the next comes back with its time.
    assert_eq!(write(&mut ledger, at(22), &limits, "gauge"), Ok(()));
    assert_eq!(write(&mut ledger, at(22), &limits, "gauge"), Err((at(60), Cause::Spacing)));
    let day = 24 * 60 * 60;
    let at_end = |second: u64| ledger.left_today(at(day + second), &limits, "home");
    // What left the day are the writes at 0 and 10, and not one at 20.
    assert_eq!([at_end(0), at_end(10), at_end(20), at_end(21), at_end(22)], [6, 7, 7, 8, 9]);
}

#[test]
fn a_charge_of_nothing_gives_nothing_back() {
    let (limits, mut ledger) = (limits(60, 1, 3), Ledger::default());
    ledger.charge(at(0), &limits, HOME, Tally::Each, &[change("gauge")]);
    let before = ledger.clone();
    let nothing = ledger.charge(at(1), &limits, HOME, Tally::Each, &[]);
    ledger.give_back(nothing, &limits);
    assert_eq!(ledger, before);
}

proptest! {
    /// Two ledgers with the same writes, one of which was charged others as well and given them back, let the same through at
    /// every time, and tell the same of the rest.
    #[test]
    fn given_back_is_as_if_it_had_never_been(
        together: bool, spacing in 0u64..50, burst in 1u32..4, daily in 1u32..9,
        steps in proptest::collection::vec((0u64..200, 1u8..32, any::<bool>()), 1..60), far in 0u64..100_000
    ) {
        let tally = if together { Tally::Together } else { Tally::Each };
        let (limits, mut plain) = (limits(spacing, burst, daily), settled(&[(HOME, &LABELS)]));
        let (mut other, mut now) = (plain.clone(), 0);
        for (wait, which, is_sent) in steps {
            now += wait;
            let gated = other.gate(at(now), &limits, HOME, tally, batch(which));
            prop_assert_eq!(&gated, &plain.gate(at(now), &limits, HOME, tally, batch(which)));
            let charge = other.charge(at(now), &limits, HOME, tally, &gated.allowed);
            if is_sent {
                plain.charge(at(now), &limits, HOME, tally, &gated.allowed);
            } else {
                other.give_back(charge, &limits);
            }
            for later in [now, now + spacing, now + far] {
                prop_assert_eq!(
                    other.clone().gate(at(later), &limits, HOME, tally, batch(31)),
                    plain.clone().gate(at(later), &limits, HOME, tally, batch(31))
                );
                prop_assert_eq!(
                    other.left_today(at(later), &limits, HOME), plain.left_today(at(later), &limits, HOME)
                );
            }
        }
    }
}
