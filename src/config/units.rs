//! Units of time, as they are written in the configuration and shown to people. Pure.

use std::ops::RangeInclusive;
use std::time::Duration;

/// Why a text or a number is not what a key needs: a clause that follows the value, and the way out.
#[derive(Clone, Debug, PartialEq, Eq)]
pub(super) struct Wrong {
    /// Follows the value: "is not a duration".
    pub(super) what: String,
    /// What to do; may be empty.
    pub(super) remedy: String,
}

impl Wrong {
    pub(super) fn new(what: impl Into<String>, remedy: impl Into<String>) -> Self {
        Self { what: what.into(), remedy: remedy.into() }
    }
}

/// How to write a duration.
pub(super) const DURATION: &str = "write a number and a unit, such as \"90s\", \"5m\" or \"1h\"";

/// Reads a duration within `bounds`: numbers with units, such as `90s`, `5m`, `1h 30m` or `500ms`.
pub(super) fn duration(text: &str, bounds: &RangeInclusive<Duration>) -> Result<Duration, Wrong> {
    if text.trim().parse::<f64>().is_ok() {
        return Err(Wrong::new("has no unit", DURATION));
    }
    let span = humantime::parse_duration(text).map_err(|_| Wrong::new("is not a duration", DURATION))?;
    if span < *bounds.start() {
        Err(Wrong::new("is too short", format!("the least is {}", show(*bounds.start()))))
    } else if span > *bounds.end() {
        Err(Wrong::new("is too long", format!("the most is {}", show(*bounds.end()))))
    } else {
        Ok(span)
    }
}

/// Shows a duration so that it can be read in again: `5m`, `1h30m`, `500ms`.
pub fn show(span: Duration) -> String {
    humantime::format_duration(span).to_string().replace(' ', "")
}

#[cfg(test)]
mod tests {
    use super::*;
    use proptest::prelude::*;

    const ANY: RangeInclusive<Duration> = Duration::ZERO..=Duration::MAX;

    #[test]
    fn durations_are_numbers_with_units() {
        for (text, millis) in [
            ("90s", 90_000),
            ("5m", 300_000),
            ("1h", 3_600_000),
            ("500ms", 500),
            ("1h 30m", 5_400_000),
            ("1h30m", 5_400_000),
            ("0s", 0),
        ] {
            assert_eq!(duration(text, &ANY), Ok(Duration::from_millis(millis)), "{text}");
        }
        for text in ["", " ", "m", "5x", "5 m s", "-5m", "five minutes", "5m;", "1e3s", "99999999999999999999h"] {
            assert_eq!(duration(text, &ANY).unwrap_err().what, "is not a duration", "{text}");
        }
        for text in ["5", "0", " 300 ", "-1", "2.5", "1e3"] {
            assert_eq!(duration(text, &ANY).unwrap_err().what, "has no unit", "{text}");
        }
    }

    #[test]
    fn bounds_are_inclusive() {
        let bounds = Duration::from_secs(1)..=Duration::from_secs(60);
        assert!(duration("1s", &bounds).is_ok());
        assert!(duration("1m", &bounds).is_ok());
        assert_eq!(duration("999ms", &bounds), Err(Wrong::new("is too short", "the least is 1s")));
        assert_eq!(duration("61s", &bounds), Err(Wrong::new("is too long", "the most is 1m")));
    }

    #[test]
    fn shown_as_written() {
        for text in ["90s", "5m", "1h", "500ms", "1h30m"] {
            let span = duration(text, &ANY).unwrap();
            assert_eq!(show(span), if text == "90s" { "1m30s" } else { text });
        }
    }

    proptest! {
        #[test]
        fn what_is_shown_reads_the_same(millis in 1u64..=366 * 86_400_000) {
            let span = Duration::from_millis(millis);
            prop_assert_eq!(duration(&show(span), &ANY), Ok(span));
        }

        #[test]
        fn no_text_panics(text in ".*") {
            let _ = duration(&text, &ANY);
        }
    }
}
