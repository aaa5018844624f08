//! The serial of a zone: compared and raised as RFC 1982 says, in the style in which the file keeps it. Pure.

/// The years in which a serial is taken for a date (common practice).
const YEARS: std::ops::RangeInclusive<u32> = 1990..=2099;

/// Whether `a` comes after `b` (RFC 1982, section 3.2); of two that stand 2^31 apart neither does.
pub(crate) fn is_after(a: u32, b: u32) -> bool {
    (1..1 << 31).contains(&a.wrapping_sub(b))
}

/// The serial to follow `serial` on the day `today`, written as the number YYYYMMDD.
///
/// A serial that reads as a date and a counter, YYYYMMDDnn (RFC 1912, section 2.2), becomes the first of today, or
/// one more where that does not come after it. Any other becomes one more. Zero is stepped over, because some
/// servers take it for "no serial" (common practice).
pub fn next(serial: u32, today: u32) -> u32 {
    let one_more = serial.wrapping_add(1).max(1);
    match today.checked_mul(100) {
        Some(first) if is_date(serial / 100) && is_date(today) && is_after(first, one_more) => first,
        _ => one_more,
    }
}

/// Whether `number` reads YYYYMMDD, a day of the Gregorian calendar.
fn is_date(number: u32) -> bool {
    let (year, month, day) = (number / 10_000, number / 100 % 100, number % 100);
    let leap = year % 4 == 0 && (year % 100 != 0 || year % 400 == 0);
    let days = match month {
        1 | 3 | 5 | 7 | 8 | 10 | 12 => 31,
        4 | 6 | 9 | 11 => 30,
        2 if leap => 29,
        2 => 28,
        _ => 0,
    };
    YEARS.contains(&year) && (1..=days).contains(&day)
}

#[cfg(test)]
mod tests {
    use super::{is_after, next};
    use proptest::prelude::{any, proptest};

    #[test]
    fn comparing_follows_rfc_1982() {
        // RFC 1982, section 5.2, an 8-bit space; times 2^24 the order is the same in 32 bits.
        let greater =
            [(1, 0), (44, 0), (100, 0), (100, 44), (200, 100), (255, 200), (0, 255), (100, 255), (0, 200), (44, 200)];
        for (a, b) in greater {
            assert!(is_after(a << 24, b << 24) && !is_after(b << 24, a << 24), "{a} > {b}");
        }
        // RFC 1982, section 5.1, a 2-bit space, times 2^30: 1 > 0, 2 > 1, 3 > 2, 0 > 3; 0 and 2, 1 and 3 are not ordered.
        for a in 0..4_u32 {
            assert!(is_after((a << 30).wrapping_add(1 << 30), a << 30));
            assert!(!is_after((a << 30).wrapping_add(2 << 30), a << 30));
        }
        assert!(!is_after(7, 7));
    }

    #[test]
    fn the_style_is_kept() {
        // Common practice (RFC 1912, section 2.2 names the style); the days are the Gregorian calendar's.
        let today = 20261124;
        for (serial, want, why) in [
            (1, 2, "a counter"),
            (2026112003, 2026112400, "an earlier day"),
            (2026112400, 2026112401, "today"),
            (2026112498, 2026112499, "today"),
            (2026112499, 2026112500, "today is full"),
            (2026120100, 2026120101, "a later day: the clock is behind, or somebody was ahead"),
            (2026022900, 2026022901, "no such day: a counter"),
            (2024022900, 2026112400, "a leap day"),
            (2026130100, 2026130101, "no such month"),
            (2026110000, 2026110001, "no such day"),
            (1989112400, 1989112401, "too long ago for a date"),
            (2100010100, 2100010101, "too far off for a date"),
            (1795000000, 1795000001, "seconds since 1970"),
            (u32::MAX, 1, "round the end, over zero"),
            (u32::MAX - 1, u32::MAX, "not yet"),
            (0, 1, "from zero"),
        ] {
            assert_eq!(next(serial, today), want, "{serial}: {why}");
        }
        assert_eq!(next(2026112003, 19700101), 2026112004, "a clock that was never set");
    }

    proptest! {
        #[test]
        fn the_next_comes_after(serial in any::<u32>(), today in 19700101..21061231_u32) {
            let next = next(serial, today);
            assert!(is_after(next, serial) && next != 0);
        }
    }
}
