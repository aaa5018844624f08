//! What the tests have in common.

use std::ops::Range;

use proptest::string::{RegexGeneratorStrategy, string_regex};

/// The seeds of a test that plays runs by a seed: `short`, or as many as `TESTS_LONG=1` wants.
#[expect(clippy::disallowed_methods, reason = "the tests' own affair")]
pub(crate) fn seeds(short: u64, long: u64) -> Range<u64> {
    0..if std::env::var_os("TESTS_LONG").is_some_and(|is| is == "1") { long } else { short }
}

/// Texts like `pattern`, which is read once: a plain text as a strategy is read anew for every case.
pub(crate) fn like(pattern: &str) -> RegexGeneratorStrategy<String> {
    string_regex(pattern).unwrap()
}
