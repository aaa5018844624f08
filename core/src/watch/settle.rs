//! Settling: a new address is acted on only when it has won enough rounds in a row. Pure.

use std::net::IpAddr;

use serde::{Deserialize, Serialize};

use super::vote::Outcome;

/// What one family has settled on, and what may replace it.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq, Serialize, Deserialize)]
pub struct Settling {
    /// The address that is acted on.
    pub settled: Option<IpAddr>,
    /// Another address, and how many rounds in a row it has won up to now.
    pub candidate: Option<(IpAddr, u32)>,
}

/// What a round changed.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Heard {
    /// The settled address was agreed on again.
    Unchanged,
    /// Another address has won `won` of the `needed` rounds in a row.
    InSight {
        /// The address.
        address: IpAddr,
        /// Rounds it has won.
        won: u32,
        /// Rounds it must win.
        needed: u32,
    },
    /// Another address is settled from now on.
    Settled {
        /// The address settled before.
        from: Option<IpAddr>,
        /// The address settled now.
        to: IpAddr,
    },
    /// The operators did not agree: the settled address stays, and a candidate begins anew.
    NoRuling,
}

impl Settling {
    /// Takes in the outcome of one round; `rounds` in a row settle an address, and fewer than 1 mean 1.
    pub fn hear(&mut self, outcome: &Outcome, rounds: u32) -> Heard {
        let before = self.candidate.take();
        let &Outcome::Agreed(address) = outcome else { return Heard::NoRuling };
        if self.settled == Some(address) {
            return Heard::Unchanged;
        }
        let won = match before {
            Some((candidate, won)) if candidate == address => won.saturating_add(1),
            _ => 1,
        };
        if won >= rounds {
            return Heard::Settled { from: self.settled.replace(address), to: address };
        }
        self.candidate = Some((address, won));
        Heard::InSight { address, won, needed: rounds }
    }
}

#[cfg(test)]
mod tests {
    use super::{Heard, Outcome, Settling};
    use proptest::prelude::*;
    use std::net::IpAddr;

    fn address(last: u8) -> IpAddr {
        [203, 0, 113, last].into()
    }

    fn agreed(last: u8) -> Outcome {
        Outcome::Agreed(address(last))
    }

    #[test]
    fn an_address_settles_after_its_rounds_in_a_row() {
        let mut home = Settling::default();
        assert_eq!(home.hear(&agreed(9), 3), Heard::InSight { address: address(9), won: 1, needed: 3 });
        assert_eq!(home.hear(&agreed(9), 3), Heard::InSight { address: address(9), won: 2, needed: 3 });
        assert_eq!(home, Settling { settled: None, candidate: Some((address(9), 2)) });
        assert_eq!(home.hear(&agreed(9), 3), Heard::Settled { from: None, to: address(9) });
        assert_eq!(home, Settling { settled: Some(address(9)), candidate: None });
        assert_eq!(home.hear(&agreed(9), 3), Heard::Unchanged);
        home.hear(&agreed(77), 3);
        home.hear(&agreed(77), 3);
        assert_eq!(home.hear(&agreed(77), 3), Heard::Settled { from: Some(address(9)), to: address(77) });
    }

    #[test]
    fn one_round_settles_at_once_where_one_is_asked_for() {
        for rounds in [0, 1] {
            let mut home = Settling { settled: Some(address(9)), candidate: None };
            assert_eq!(home.hear(&agreed(77), rounds), Heard::Settled { from: Some(address(9)), to: address(77) });
        }
    }

    #[test]
    fn no_ruling_begins_the_count_anew_and_keeps_what_is_settled() {
        for outcome in [Outcome::Split, Outcome::TooFew, Outcome::NoneAsked] {
            let mut home = Settling { settled: Some(address(9)), candidate: Some((address(77), 1)) };
            assert_eq!(home.hear(&outcome, 2), Heard::NoRuling);
            assert_eq!(home, Settling { settled: Some(address(9)), candidate: None });
            assert_eq!(home.hear(&agreed(77), 2), Heard::InSight { address: address(77), won: 1, needed: 2 });
        }
    }

    #[test]
    fn another_winner_begins_at_one() {
        let mut home = Settling { settled: Some(address(9)), candidate: Some((address(77), 1)) };
        assert_eq!(home.hear(&agreed(78), 2), Heard::InSight { address: address(78), won: 1, needed: 2 });
    }

    #[test]
    fn the_settled_address_winning_again_clears_the_candidate() {
        let mut home = Settling { settled: Some(address(9)), candidate: Some((address(77), 1)) };
        assert_eq!(home.hear(&agreed(9), 2), Heard::Unchanged);
        assert_eq!(home.candidate, None);
    }

    proptest! {
        /// The reference looks back over the whole history instead of counting.
        #[test]
        fn what_is_settled_changes_only_after_enough_rounds_in_a_row(
            history in prop::collection::vec(prop_oneof![
                3 => (1..4_u8).prop_map(agreed),
                1 => prop::sample::select(vec![Outcome::Split, Outcome::TooFew, Outcome::NoneAsked]),
            ], 0..40),
            rounds in 1..5_u32,
        ) {
            let mut home = Settling::default();
            let mut expected: Option<IpAddr> = None;
            for (at, outcome) in history.iter().enumerate() {
                let heard = home.hear(outcome, rounds);
                let run = history[..=at].iter().rev().take_while(|earlier| *earlier == outcome).count();
                let from = expected;
                match outcome {
                    Outcome::Agreed(to) if expected != Some(*to) && run >= rounds as usize => {
                        expected = Some(*to);
                        prop_assert_eq!(heard, Heard::Settled { from, to: *to });
                    }
                    Outcome::Agreed(to) if expected != Some(*to) => {
                        prop_assert_eq!(heard, Heard::InSight { address: *to, won: run as u32, needed: rounds });
                    }
                    Outcome::Agreed(_) => prop_assert_eq!(heard, Heard::Unchanged),
                    _ => prop_assert_eq!(heard, Heard::NoRuling),
                }
                prop_assert_eq!(home.settled, expected);
            }
        }
    }
}
