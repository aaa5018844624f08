//! When a lease is left to the other machine: whoever cannot write gives its turn to the one that may be able to.

use crate::standby::Inability;
use crate::update::{Report, Trouble};

/// What a lease is to know of this machine.
#[derive(Clone, Debug, PartialEq, Eq)]
pub enum Ability {
    /// Nothing new.
    Nothing,
    /// It can write.
    Can,
    /// It cannot, and why.
    Cannot(Inability),
    /// Whether it can shows when the books are kept once more.
    Probe,
}

/// What a round has shown of one lease: whether its provider `has_something` to publish. `unable` is what is known of it,
/// and `is_resting` whether it is left to the other machine because of that.
pub fn after_round(has_something: bool, unable: Option<&Inability>, is_resting: bool) -> Ability {
    match unable {
        _ if !has_something => Ability::Cannot(Inability::NoRuling),
        None => Ability::Nothing,
        Some(Inability::NoRuling) => Ability::Probe,
        Some(Inability::Books(_)) if is_resting => Ability::Probe,
        // While it does not rest, whatever is written shows it.
        Some(Inability::Books(_)) => Ability::Nothing,
    }
}

/// What a pass over the lease's provider has shown of it.
pub fn after_pass(report: &Report, is_resting: bool) -> Ability {
    match &report.trouble {
        Some(Trouble::NoBooks { why }) if !is_resting => Ability::Cannot(Inability::Books(why.clone())),
        None => Ability::Can,
        Some(_) => Ability::Nothing,
    }
}

/// Whether the lease is to rest: while a hold keeps everybody here from writing, or `unable` has lasted too long.
pub fn is_to_rest(is_held: bool, unable: Option<&Inability>) -> bool {
    is_held || unable.is_some()
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn what_cannot_be_written_is_known_to_the_lease_until_it_can() {
        let books = Inability::Books("no space".to_owned());
        for (has_something, unable, is_resting, word) in [
            (true, None, false, Ability::Nothing),
            (false, None, false, Ability::Cannot(Inability::NoRuling)),
            (false, Some(&books), true, Ability::Cannot(Inability::NoRuling)),
            (true, Some(&Inability::NoRuling), false, Ability::Probe),
            (true, Some(&Inability::NoRuling), true, Ability::Probe),
            (true, Some(&books), false, Ability::Nothing),
            (true, Some(&books), true, Ability::Probe),
        ] {
            assert_eq!(after_round(has_something, unable, is_resting), word, "{has_something} {unable:?} {is_resting}");
        }
    }

    #[test]
    fn what_a_pass_shows_of_the_books_is_known_to_the_lease() {
        let after = |trouble: Option<Trouble>, is_resting| {
            let (provider, records) = ("home".to_owned(), Vec::new());
            let report =
                Report { provider, records, means: None, trouble, put_off_until: None, looked_for_until: None };
            after_pass(&report, is_resting)
        };
        let no_books = || Some(Trouble::NoBooks { why: "no space".to_owned() });
        assert_eq!(after(no_books(), false), Ability::Cannot(Inability::Books("no space".to_owned())));
        assert_eq!(after(no_books(), true), Ability::Nothing, "what it rests for is known");
        assert_eq!(after(None, false), Ability::Can);
        assert_eq!(after(Some(Trouble::Refused { why: String::new() }), false), Ability::Nothing);
    }
}
