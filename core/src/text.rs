//! How errors, spans of time and beginnings of answers are put into words, the same for every room.
//!
//! Pure.

use std::error::Error;
use std::time::Duration;

use crate::shown;

/// How many characters an excerpt has at most.
const EXCERPT: usize = 60;

/// An error with everything beneath it, in one line, each thing once.
pub fn chain_of(error: &dyn Error) -> String {
    let mut text = error.to_string();
    let mut next = error.source();
    while let Some(source) = next {
        let more = source.to_string();
        if !text.contains(&more) {
            text.push_str(": ");
            text.push_str(&more);
        }
        next = source.source();
    }
    text
}

/// An error and all that are beneath it, the outermost first.
pub fn causes<'a>(error: &'a (dyn Error + 'static)) -> impl Iterator<Item = &'a (dyn Error + 'static)> {
    std::iter::successors(Some(error), |error| (*error).source())
}

/// The innermost cause, on one line and without the operating system's number for it.
pub fn root_cause(error: &(dyn Error + 'static)) -> String {
    let text = causes(error).last().map(ToString::to_string).unwrap_or_default();
    short_line(text.split(" (os error").next().unwrap_or_default())
}

/// `text` on one line of at most 120 characters.
pub fn short_line(text: &str) -> String {
    shown::one_line(text).chars().take(120).collect()
}

/// At most 60 characters of `body` that are safe to print on one line.
pub fn excerpt(body: &[u8]) -> String {
    let text = String::from_utf8_lossy(body.trim_ascii());
    if text.is_empty() {
        return "an empty answer".to_owned();
    }
    let mut shown = String::new();
    let mut length = 0;
    for c in text.chars() {
        let piece = if matches!(c, '"' | '\'' | '\\') { c.to_string() } else { c.escape_debug().collect::<String>() };
        length += piece.chars().count();
        if length > EXCERPT {
            // Makes room for the mark that something is missing.
            while shown.chars().count() >= EXCERPT {
                shown.pop();
            }
            shown.push('…');
            break;
        }
        shown.push_str(&piece);
    }
    shown
}

/// A span for people, in its largest unit: `12 s`, `5 min`, `3 h`, `26 days`.
pub fn span(span: Duration) -> String {
    match span.as_secs() {
        seconds @ 0..120 => format!("{seconds} s"),
        seconds @ 120..7200 => format!("{} min", seconds / 60),
        seconds @ 7200..172_800 => format!("{} h", seconds / 3600),
        seconds => format!("{} days", seconds / 86_400),
    }
}

/// A span for people: in seconds, and below one in milliseconds.
pub fn short_span(millis: u64) -> String {
    match millis {
        0..1000 => format!("{millis} ms"),
        1000..120_000 => format!("{} s", millis / 1000),
        _ => format!("{} min {} s", millis / 60_000, millis / 1000 % 60),
    }
}

#[cfg(test)]
mod tests {
    use super::{Duration, short_line, span};

    #[test]
    fn causes_are_shown_on_one_short_line() {
        assert_eq!(short_line("a\n\tb\x1b[1m  c "), "a b [1m c");
        assert_eq!(short_line(&"x".repeat(121)), "x".repeat(120));
    }

    #[test]
    fn spans_are_told_in_their_largest_unit() {
        for (seconds, told) in [
            (0, "0 s"),
            (119, "119 s"),
            (120, "2 min"),
            (7199, "119 min"),
            (7200, "2 h"),
            (172_799, "47 h"),
            (172_800, "2 days"),
        ] {
            assert_eq!(span(Duration::from_secs(seconds)), told);
        }
    }
}
