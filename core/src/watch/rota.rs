//! Who is asked in a round in which nothing is in doubt. Pure.
//!
//! What is near (the router, an interface) costs nobody anything and is asked in every round. Of the operators
//! outside only as many are asked as the quorum still needs, each in its turn, so that all are asked equally seldom.
//! Any doubt has everybody asked in the same round.

use std::collections::{BTreeMap, BTreeSet};
use std::net::IpAddr;

use super::{Testimony, Via};

/// Whose turn it is, for each line and family.
#[derive(Clone, Debug, Default, PartialEq, Eq)]
pub struct Rota(BTreeMap<Via, usize>);

impl Rota {
    /// The operators to ask in this round: all of `near`, and of `far` as many as bring `needed` together, but one at
    /// least: what is near cannot see whether the outside sees the same. The next round goes on behind them.
    pub fn turn<'a>(&mut self, via: &Via, near: &[&'a str], far: &[&'a str], needed: usize) -> BTreeSet<&'a str> {
        let mut asked: BTreeSet<&str> = near.iter().copied().collect();
        if far.is_empty() {
            return asked;
        }
        let count = needed.saturating_sub(asked.len()).clamp(1, far.len());
        let next = self.0.entry(via.clone()).or_default();
        // The list may have become shorter by a reload.
        *next %= far.len();
        asked.extend(far.iter().cycle().skip(*next).take(count));
        *next = (*next + count) % far.len();
        asked
    }
}

/// Whether `testimony`, of some of a family's operators, leaves room for doubt: silence, or another address than the
/// one that is settled.
pub(crate) fn leaves_doubt<'a>(testimony: impl IntoIterator<Item = &'a Testimony>, settled: IpAddr) -> bool {
    let mut testimony = testimony.into_iter().peekable();
    testimony.peek().is_none() || testimony.any(|one| one.said != Ok(settled))
}

#[cfg(test)]
mod tests {
    use std::time::Duration;

    use proptest::prelude::*;

    use super::*;
    use crate::address::Family;
    use crate::settings::Quorum;
    use crate::watch::settle::{Heard, Settling};
    use crate::watch::{Silence, vote};

    const FAR: [&str; 5] = ["north-collective", "ferryman", "tern-labs", "millrace", "quayside"];
    const V4: Via = Via { line: None, family: Family::Ipv4 };
    const V6: Via = Via { line: None, family: Family::Ipv6 };
    const HOME: IpAddr = IpAddr::V4(std::net::Ipv4Addr::new(203, 0, 113, 77));
    const MOVED: IpAddr = IpAddr::V4(std::net::Ipv4Addr::new(203, 0, 113, 9));

    fn says(operator: &str, said: Result<IpAddr, Silence>) -> Testimony {
        let (witness, operator) = (operator.to_owned(), operator.to_owned());
        Testimony { witness, operator, line: None, family: Family::Ipv4, said, alone: false, took: Duration::ZERO }
    }

    #[test]
    fn as_many_are_asked_as_the_quorum_needs_and_each_in_its_turn() {
        let mut rota = Rota::default();
        let mut turn = || rota.turn(&V4, &[], &FAR, 3).into_iter().collect::<Vec<_>>();
        assert_eq!(turn(), ["ferryman", "north-collective", "tern-labs"]);
        assert_eq!(turn(), ["millrace", "north-collective", "quayside"]);
        assert_eq!(turn(), ["ferryman", "millrace", "tern-labs"]);
    }

    #[test]
    fn the_near_are_asked_always_and_count() {
        let mut rota = Rota::default();
        let asked = rota.turn(&V4, &["router"], &FAR, 4);
        assert_eq!(asked.len(), 4);
        assert!(asked.contains("router"));
        // However many are near, somebody outside is asked too.
        assert_eq!(rota.turn(&V4, &["router", "interface"], &FAR, 2).len(), 3);
        assert_eq!(rota.turn(&V4, &["router"], &[], 1).len(), 1);
        assert_eq!(rota.turn(&V4, &[], &FAR, 9).len(), 5, "no more than there are");
    }

    #[test]
    fn each_family_has_turns_of_its_own_and_a_shorter_list_is_no_harm() {
        let mut rota = Rota::default();
        let first = rota.turn(&V4, &[], &FAR, 3);
        assert_eq!(rota.turn(&V6, &[], &FAR, 3), first);
        assert_eq!(rota.turn(&V4, &[], &FAR[..2], 1), BTreeSet::from(["ferryman"]));
    }

    #[test]
    fn anything_but_the_settled_address_is_doubt() {
        let agrees = says("ferryman", Ok(HOME));
        assert!(!leaves_doubt([&agrees], HOME));
        assert!(leaves_doubt(&[], HOME));
        assert!(leaves_doubt(&[agrees.clone(), says("quayside", Ok(MOVED))], HOME));
        assert!(leaves_doubt(&[agrees, says("quayside", Err(Silence::CaptivePortal))], HOME));
    }

    /// What happens to the outside during the day.
    #[derive(Clone, Copy, Debug)]
    enum Event {
        Change,
        Lie,
        Outage,
    }

    /// A round as the daemon does it, over a simulated outside; tells what was settled, and counts who was asked.
    fn round(
        rota: &mut Rota,
        settling: &mut Settling,
        asked: &mut BTreeMap<&str, usize>,
        answer: impl Fn(&str) -> Result<IpAddr, Silence>,
    ) -> (Heard, bool) {
        let mut ask = |operators: &BTreeSet<&'static str>| -> Vec<Testimony> {
            operators
                .iter()
                .map(|operator| {
                    *asked.entry(operator).or_default() += 1;
                    says(operator, answer(operator))
                })
                .collect()
        };
        let all: BTreeSet<&str> = FAR.into();
        let needed = vote::needed(FAR.len(), Quorum::Majority);
        let (testimony, doubt) = match settling.settled {
            Some(settled) if settling.candidate.is_none() => {
                let turn = rota.turn(&V4, &[], &FAR, needed);
                let mut testimony = ask(&turn);
                let doubt = leaves_doubt(&testimony, settled);
                if doubt {
                    testimony.extend(ask(&all.difference(&turn).copied().collect()));
                }
                (testimony, doubt)
            }
            _ => (ask(&all), true),
        };
        let ruling = vote::rule(&testimony, &all, Quorum::Majority);
        (settling.hear(&ruling.outcome, 2), doubt)
    }

    /// A day of 288 rounds, five operators, a majority of three: each is asked 288 · 3 / 5 times, within a tenth.
    #[test]
    fn over_a_quiet_day_each_operator_is_asked_equally_seldom() {
        let (mut rota, mut asked) = (Rota::default(), BTreeMap::new());
        let mut settling = Settling { settled: Some(HOME), candidate: None };
        for _ in 0..288 {
            assert_eq!(round(&mut rota, &mut settling, &mut asked, |_| Ok(HOME)), (Heard::Unchanged, false));
        }
        let ideal = 3.0 * 288.0 / 5.0;
        for (operator, count) in asked {
            let share = count as f64 / ideal;
            assert!((0.9..=1.1).contains(&share), "{operator} was asked {count} times, and {ideal} would be ideal");
        }
    }

    proptest! {
        /// Whatever happens at whatever round of the day is noticed in that round or the next.
        #[test]
        fn a_change_a_lie_and_an_outage_are_caught_at_once(
            at in 1usize..286, who in 0usize..5, kind in prop_oneof![Just(Event::Change), Just(Event::Lie), Just(Event::Outage)]
        ) {
            let (mut rota, mut asked) = (Rota::default(), BTreeMap::new());
            let mut settling = Settling { settled: Some(HOME), candidate: None };
            let mut caught = None;
            for number in 0..288 {
                let answer = |operator: &str| match kind {
                    _ if number < at => Ok(HOME),
                    Event::Change => Ok(MOVED),
                    Event::Lie if operator == FAR[who] => Ok(MOVED),
                    Event::Outage if operator == FAR[who] => Err(Silence::CaptivePortal),
                    Event::Lie | Event::Outage => Ok(HOME),
                };
                let (heard, doubt) = round(&mut rota, &mut settling, &mut asked, answer);
                prop_assert!(number >= at || (!doubt && heard == Heard::Unchanged));
                if doubt && caught.is_none() {
                    caught = Some(number);
                }
                if !matches!(kind, Event::Change) {
                    prop_assert_eq!(heard, Heard::Unchanged, "one of five changes nothing");
                }
            }
            prop_assert!(caught.is_some_and(|caught| caught <= at + 1), "caught in round {caught:?}, happened in {at}");
            if matches!(kind, Event::Change) {
                prop_assert_eq!(caught, Some(at));
                prop_assert_eq!(settling.settled, Some(MOVED));
            }
        }
    }
}
