#![expect(clippy::disallowed_types, clippy::disallowed_methods, reason = "a test asks date(1)")]

use std::io::Write;
use std::process::{Command, Stdio};

use crate::testing::like;
use proptest::prelude::*;

use super::*;

#[test]
fn known_moments_are_read_and_written() {
    // Seconds by GNU date(1): `date -u -d TEXT +%s`.
    let cases = [
        ("1970-01-01T00:00:00Z", 0),
        ("1972-02-29T12:00:00Z", 68_212_800),
        ("2000-02-29T23:59:59Z", 951_868_799),
        ("2000-03-01T00:00:00Z", 951_868_800),
        ("2026-11-24T08:14:31Z", 1_795_508_071),
        ("2038-01-19T03:14:07Z", 2_147_483_647),
        ("2038-01-19T03:14:08Z", 2_147_483_648),
        ("2100-02-28T23:59:59Z", 4_107_542_399),
        ("2100-03-01T00:00:00Z", 4_107_542_400),
        ("2106-02-07T06:28:16Z", 4_294_967_296),
        ("9999-12-31T23:59:59Z", 253_402_300_799),
    ];
    for (text, seconds) in cases {
        assert_eq!(Timestamp::parse(text), Some(Timestamp(seconds * 1000)), "{text}");
        assert_eq!(Timestamp(seconds * 1000).to_string(), text);
    }
    assert_eq!(Timestamp(2_147_483_648_042).to_millis_text(), "2038-01-19T03:14:08.042Z");
    // RFC 3339, section 5.8: the first example, and its leap second.
    assert_eq!(Timestamp::parse("1985-04-12T23:20:50.52Z"), Some(Timestamp(482_196_050_520)));
    assert_eq!(Timestamp::parse("1990-12-31T23:59:60Z"), Timestamp::parse("1990-12-31T23:59:59Z"));
    assert_eq!(Timestamp::parse("2026-11-24T08:14:31.1234567890123Z"), Some(Timestamp(1_795_508_071_123)));
    assert_eq!(Timestamp::parse("2026-11-24T08:14:31+00:00"), Some(Timestamp(1_795_508_071_000)));
    assert_eq!(Timestamp(u64::MAX).to_millis_text(), "9999-12-31T23:59:59.999Z");
}

#[test]
fn what_is_no_moment_is_not_read() {
    for text in [
        "",
        "2026-11-24",
        "2026-11-24T08:14:31",
        "2026-11-24 08:14:31Z",
        "2026-11-24T08:14:31+01:00",
        "2026-11-24T08:14:31.Z",
        "2026-11-24T08:14:31.5xZ",
        "2026-11-24T08:14:31ZZ",
        "2026-1-024T08:14:31Z",
        "+026-11-24T08:14:31Z",
        "2026-00-24T08:14:31Z",
        "2026-13-24T08:14:31Z",
        "2026-11-00T08:14:31Z",
        "2026-11-31T08:14:31Z",
        "2023-02-29T08:14:31Z",
        "2100-02-29T08:14:31Z",
        "1970-01-00T08:14:31Z",
        "2026-11-24T24:00:00Z",
        "2026-11-24T08:60:31Z",
        "2026-11-24T08:14:61Z",
        "1969-12-31T23:59:59Z",
        "2026-11-24T08:14:3\u{661}Z",
        "20\u{20ac}6-11-24T08:14:31Z",
    ] {
        assert_eq!(Timestamp::parse(text), None, "{text}");
    }
}

proptest! {
    /// To the end of the year 9999, and nothing but 64-bit numbers on the way.
    #[test]
    fn every_moment_comes_back(millis in 0u64..=253_402_300_799_999) {
        let time = Timestamp(millis);
        prop_assert_eq!(Timestamp::parse(&time.to_millis_text()), Some(time));
        prop_assert_eq!(Timestamp::parse(&time.to_string()), Some(Timestamp(millis / 1000 * 1000)));
    }

    #[test]
    fn no_text_is_too_odd(text in like("[0-9TZ:.+ \u{661}-]{0,30}")) {
        if let Some(time) = Timestamp::parse(&text) {
            prop_assert!(time.to_string().starts_with(&text[..17]), "{}", text);
        }
    }
}

/// The calendar of date(1), GNU coreutils: the first and the last day of every month from 1970 to 9999.
#[test]
fn the_calendar_is_that_of_date() {
    let starts: Vec<u64> = (1970..=9999).flat_map(|year| (1..=12).map(move |month| days(year, month, 1))).collect();
    let ends = starts.iter().skip(1).map(|start| start - 1);
    let moments: Vec<u64> = starts.iter().copied().chain(ends).map(|day| day * DAY + day * 7919 % DAY).collect();
    let asked: String = moments.iter().map(|seconds| format!("@{seconds}\n")).collect();
    let mut date = Command::new("date")
        .args(["-u", "-f", "-", "+%Y-%m-%dT%H:%M:%SZ"])
        .stdin(Stdio::piped())
        .stdout(Stdio::piped())
        .spawn()
        .unwrap();
    let mut stdin = date.stdin.take().unwrap();
    let writing = std::thread::spawn(move || stdin.write_all(asked.as_bytes()));
    let output = date.wait_with_output().unwrap();
    writing.join().unwrap().unwrap();
    assert!(output.status.success());
    let told = String::from_utf8(output.stdout).unwrap();
    let mut told = told.lines();
    for seconds in moments {
        let time = Timestamp(seconds * 1000);
        let text = told.next().unwrap();
        assert_eq!(time.to_string(), text, "{seconds}");
        assert_eq!(Timestamp::parse(text), Some(time));
    }
    assert_eq!(told.next(), None);
}

#[test]
fn a_clock_shows_a_step_of_the_wall_clock_once_it_follows_and_everybody_learns_of_it_once() {
    use std::sync::atomic::{AtomicU64, Ordering};
    let [wall, steady] = [12_000, 700_000].map(|begin| Arc::new(AtomicU64::new(begin)));
    let (told, gone) = (Arc::clone(&wall), Arc::clone(&steady));
    let clock = Clock::kept(
        move || Timestamp::from_millis(told.load(Ordering::Relaxed)),
        move || Duration::from_millis(gone.load(Ordering::Relaxed)),
    );
    let pass = |millis: u64| [&wall, &steady].map(|one| one.fetch_add(millis, Ordering::Relaxed));
    let now = || clock.now().millis();
    let (mut one, mut other) = (clock.setting(), clock.setting());
    pass(60_000);
    assert_eq!((now(), clock.step(&mut one)), (72_000, None));
    // A little is followed, and is no step.
    wall.fetch_add(10_000, Ordering::Relaxed);
    assert_eq!(now(), 72_000);
    clock.follow();
    assert_eq!((now(), clock.step(&mut one)), (82_000, None));
    // More is one, and not shown before it is followed: so no moment is taken by a clock of which nobody was told.
    wall.store(1_795_000_000_000, Ordering::Relaxed);
    pass(1_000);
    assert_eq!((now(), clock.step(&mut one)), (83_000, None));
    clock.follow();
    assert_eq!(now(), 1_795_000_001_000);
    let [began, was, is] = [22_000, 83_000, 1_795_000_001_000].map(Timestamp::from_millis);
    assert_eq!(clock.step(&mut one), Some(Step { began, was, is }));
    assert_eq!(clock.step(&mut one), None);
    // Whoever asks late is told of all steps at once.
    wall.fetch_sub(500_000, Ordering::Relaxed);
    clock.follow();
    assert_eq!(
        clock.step(&mut other),
        Some(Step { is: Timestamp::from_millis(1_794_999_501_000), ..Step { began, was, is } })
    );
}
