use super::{Dissent, Outcome, Quorum, Ruling, Testimony, needed, rule};
use crate::address::Family;
use crate::watch::Silence;
use proptest::prelude::*;
use std::collections::BTreeSet;
use std::net::IpAddr;
use std::time::Duration;

const OPERATORS: [&str; 7] = ["ferryman", "millrace", "north-collective", "quayside", "tern-labs", "weir", "sluice"];
const RIGHT: IpAddr = IpAddr::V4(std::net::Ipv4Addr::new(203, 0, 113, 77));
const WRONG_A: IpAddr = IpAddr::V4(std::net::Ipv4Addr::new(203, 0, 113, 9));
const WRONG_B: IpAddr = IpAddr::V4(std::net::Ipv4Addr::new(198, 51, 100, 9));

fn says(operator: &str, said: Option<IpAddr>) -> Testimony {
    Testimony {
        witness: format!("a witness of {operator}"),
        operator: operator.into(),
        line: None,
        family: Family::Ipv4,
        said: said.ok_or(Silence::Status(500)),
        alone: false,
        took: Duration::ZERO,
    }
}

/// The ruling when the first operators say `said`, one witness each, and these are all that are configured.
fn ruling(said: &[Option<IpAddr>], quorum: Quorum) -> Ruling {
    let testimony: Vec<_> = OPERATORS.iter().zip(said).map(|(operator, said)| says(operator, *said)).collect();
    rule(&testimony, &OPERATORS[..said.len()].iter().copied().collect(), quorum)
}

fn outcome(said: &[Option<IpAddr>]) -> Outcome {
    ruling(said, Quorum::Majority).outcome
}

#[test]
fn a_majority_is_more_than_half_and_a_configured_number_only_raises_it() {
    for (operators, majority) in [(1, 1), (2, 2), (3, 2), (4, 3), (5, 3), (6, 4), (7, 4)] {
        assert_eq!(needed(operators, Quorum::Majority), majority);
        assert_eq!(needed(operators, Quorum::AtLeast(1)), majority);
        assert_eq!(needed(operators, Quorum::AtLeast(majority)), majority);
        assert_eq!(needed(operators, Quorum::AtLeast(majority + 1)), majority + 1);
    }
}

#[test]
fn a_minority_never_rules() {
    let one_of_three = outcome(&[Some(WRONG_A), None, None]);
    assert_eq!(one_of_three, Outcome::TooFew);
    assert_eq!(outcome(&[Some(WRONG_A), Some(WRONG_A), None, None, None]), Outcome::TooFew);
    assert_eq!(outcome(&[Some(WRONG_A), Some(WRONG_A), Some(RIGHT), Some(RIGHT), Some(RIGHT)]), Outcome::Agreed(RIGHT));
}

#[test]
fn a_tie_never_rules() {
    assert_eq!(outcome(&[Some(WRONG_A), Some(RIGHT)]), Outcome::Split);
    assert_eq!(outcome(&[Some(WRONG_A), Some(RIGHT), Some(WRONG_A), Some(RIGHT)]), Outcome::Split);
}

#[test]
fn half_is_too_few_and_more_than_half_is_enough() {
    assert_eq!(outcome(&[Some(RIGHT), Some(RIGHT), None, None]), Outcome::TooFew);
    assert_eq!(outcome(&[Some(RIGHT), Some(RIGHT), Some(RIGHT), None]), Outcome::Agreed(RIGHT));
}

#[test]
fn nobody_configured_is_nobody_asked() {
    let ruling = rule(&[says("weir", Some(RIGHT))], &BTreeSet::new(), Quorum::Majority);
    assert_eq!(ruling.outcome, Outcome::NoneAsked);
    assert_eq!((ruling.agreed.len(), ruling.dissent.len(), ruling.silent.len(), ruling.operators), (0, 0, 0, 0));
}

#[test]
fn one_operator_twice_has_one_vote() {
    let testimony =
        [says("weir", Some(WRONG_A)), says("weir", Some(WRONG_A)), says("sluice", Some(RIGHT)), says("ferryman", None)];
    let ruling = rule(&testimony, &BTreeSet::from(["weir", "sluice", "ferryman"]), Quorum::Majority);
    assert_eq!(ruling.outcome, Outcome::Split);
    assert_eq!(ruling.dissent[0], Dissent { operator: "weir".into(), said: vec![WRONG_A] });
}

#[test]
fn an_operator_that_contradicts_itself_has_no_vote() {
    let mut testimony = vec![says("weir", Some(RIGHT)), says("sluice", Some(RIGHT)), says("weir", Some(WRONG_A))];
    let operators = BTreeSet::from(["weir", "sluice", "ferryman"]);
    let spoiled = Dissent { operator: "weir".into(), said: vec![RIGHT, WRONG_A] };
    let ruling = rule(&testimony, &operators, Quorum::Majority);
    assert_eq!((ruling.outcome, &ruling.dissent[0]), (Outcome::Split, &spoiled));
    testimony.push(says("ferryman", Some(RIGHT)));
    let ruling = rule(&testimony, &operators, Quorum::Majority);
    assert_eq!((ruling.outcome, ruling.dissent), (Outcome::Agreed(RIGHT), vec![spoiled]));
    assert_eq!(ruling.agreed, ["sluice", "ferryman"]);
}

#[test]
fn a_silent_witness_does_not_spoil_its_operators_vote() {
    let testimony = [says("weir", None), says("weir", Some(RIGHT)), says("sluice", Some(RIGHT))];
    let ruling = rule(&testimony, &BTreeSet::from(["weir", "sluice"]), Quorum::Majority);
    assert_eq!((ruling.outcome, ruling.silent.len()), (Outcome::Agreed(RIGHT), 0));
}

#[test]
fn strangers_do_not_count() {
    let testimony = [says("stranger", Some(WRONG_A)), says("another", Some(WRONG_A)), says("weir", Some(RIGHT))];
    let ruling = rule(&testimony, &BTreeSet::from(["weir"]), Quorum::Majority);
    assert_eq!((ruling.outcome, ruling.dissent.len()), (Outcome::Agreed(RIGHT), 0));
}

#[test]
fn an_operator_that_was_not_asked_counts_against_the_quorum_and_is_not_called_silent() {
    let ruling = rule(&[says("weir", Some(RIGHT))], &BTreeSet::from(["weir", "sluice"]), Quorum::Majority);
    assert_eq!(ruling.outcome, Outcome::TooFew);
    assert_eq!((ruling.silent.len(), ruling.unasked), (0, vec!["sluice".to_owned()]));
}

#[test]
fn a_quorum_above_the_number_of_operators_is_never_reached() {
    assert_eq!(ruling(&[Some(RIGHT), Some(RIGHT)], Quorum::AtLeast(3)).outcome, Outcome::TooFew);
}

#[test]
fn a_ruling_reads_well() {
    let all = ruling(&[Some(RIGHT), Some(RIGHT), Some(WRONG_A), None, Some(RIGHT)], Quorum::Majority);
    assert_eq!(all.to_string(), "203.0.113.77   agreed by 3 of 5 operators: ferryman, millrace, tern-labs");
    assert_eq!(
        all.remarks(),
        ["north-collective says 203.0.113.9", "quayside has no answer: it answered with status 500"]
    );
    let one = ruling(&[Some(RIGHT)], Quorum::Majority);
    assert_eq!(one.to_string(), "203.0.113.77   agreed by 1 of 1 operator: ferryman");
    let few = ruling(&[Some(RIGHT), None, None], Quorum::Majority);
    assert_eq!(few.to_string(), "no ruling: 1 of 3 operators answered, and 2 must agree");
    let split = ruling(&[Some(RIGHT), Some(WRONG_A), None], Quorum::Majority);
    assert_eq!(split.to_string(), "no ruling: the operators disagree, and 2 of 3 must agree");
    assert_eq!(ruling(&[], Quorum::Majority).to_string(), "no ruling: no witness is configured for this family");

    let twice = [says("weir", Some(RIGHT)), says("weir", Some(WRONG_A)), says("sluice", None), says("sluice", None)];
    let spoiled = rule(&twice, &BTreeSet::from(["weir", "sluice"]), Quorum::Majority);
    assert_eq!(
        spoiled.remarks(),
        [
            "weir says 203.0.113.77 and 203.0.113.9: its witnesses differ, so it has no vote",
            "sluice has no answer: it answered with status 500"
        ]
    );
}

#[test]
fn a_ruling_is_plain_json() {
    let ruling = ruling(&[Some(RIGHT), Some(RIGHT), Some(WRONG_A), None], Quorum::AtLeast(2));
    let expected = serde_json::json!({
        "outcome": "split",
        "agreed": [],
        "dissent": [
            {"operator": "ferryman", "said": ["203.0.113.77"]},
            {"operator": "millrace", "said": ["203.0.113.77"]},
            {"operator": "north-collective", "said": ["203.0.113.9"]},
        ],
        "silent": [{"operator": "quayside", "why": "it answered with status 500"}],
        "unasked": [],
        "needed": 3,
        "operators": 4,
    });
    assert_eq!(serde_json::to_value(&ruling).unwrap(), expected);
    let json = serde_json::to_value(Outcome::Agreed(RIGHT)).unwrap();
    assert_eq!(json, serde_json::json!({"outcome": "agreed", "address": "203.0.113.77"}));
}

/// Every pattern of right, wrong A, wrong B and silent, for up to seven operators, under every quorum.
#[test]
fn no_pattern_of_up_to_seven_operators_rules_wrongly() {
    for operators in 0..=7_usize {
        let majority = (1..).find(|count| 2 * count > operators).unwrap();
        let quorums: Vec<_> = [(Quorum::Majority, majority)]
            .into_iter()
            .chain((1..=operators + 1).map(|number| (Quorum::AtLeast(number), number.max(majority))))
            .collect();
        for pattern in 0..4_usize.pow(operators as u32) {
            let said: Vec<_> = (0..operators)
                .map(|at| [Some(RIGHT), Some(WRONG_A), Some(WRONG_B), None][pattern >> (2 * at) & 3])
                .collect();
            let count = |address| said.iter().filter(|said| **said == address).count();
            let (right, a, b, silent) = (count(Some(RIGHT)), count(Some(WRONG_A)), count(Some(WRONG_B)), count(None));
            let most = right.max(a).max(b);
            let tie = [right, a, b].iter().filter(|count| **count == most).count() > 1;
            for &(quorum, quorum_is) in &quorums {
                let ruling = ruling(&said, quorum);
                let by = || format!("{quorum:?} over {said:?}");
                let wrong = matches!(ruling.outcome, Outcome::Agreed(address) if address != RIGHT);
                assert!(!(wrong && a + b < quorum_is), "liars below the quorum moved the name: {}", by());
                assert!(!(tie && matches!(ruling.outcome, Outcome::Agreed(_))), "a tie ruled: {}", by());
                let expected = match [(right, RIGHT), (a, WRONG_A), (b, WRONG_B)].iter().find(|c| c.0 >= quorum_is) {
                    _ if operators == 0 => Outcome::NoneAsked,
                    Some((_, address)) => Outcome::Agreed(*address),
                    None if operators - silent >= quorum_is => Outcome::Split,
                    None => Outcome::TooFew,
                };
                assert_eq!(ruling.outcome, expected, "{}", by());
                let agreed = if matches!(expected, Outcome::Agreed(_)) { most } else { 0 };
                let parts = (ruling.agreed.len(), ruling.dissent.len(), ruling.silent.len());
                assert_eq!(parts, (agreed, operators - silent - agreed, silent), "{}", by());
                assert_eq!((ruling.needed, ruling.operators), (quorum_is, operators), "{}", by());
            }
        }
    }
}

proptest! {
    /// The reference asks, for every address there is, how many operators say it with one voice.
    #[test]
    fn several_witnesses_an_operator_agree_with_a_count_by_hand(
        operators in 0..=7_usize,
        witnesses in prop::collection::vec((0..8_usize, prop::sample::select(vec![
            Some(RIGHT), Some(RIGHT), Some(WRONG_A), Some(WRONG_B), None,
        ])), 0..20),
        at_least in prop::option::of(1..9_usize),
    ) {
        let names = ["ferryman", "millrace", "north-collective", "quayside", "tern-labs", "weir", "sluice", "stranger"];
        let configured: BTreeSet<_> = names[..operators].iter().copied().collect();
        let testimony: Vec<_> = witnesses.iter().map(|(operator, said)| says(names[*operator], *said)).collect();
        let ruling = rule(&testimony, &configured, at_least.map_or(Quorum::Majority, Quorum::AtLeast));

        let voices = |operator: usize| witnesses.iter().filter(move |w| w.0 == operator).filter_map(|w| w.1);
        let votes = |address| {
            let one_voice = |o: &usize| voices(*o).count() > 0 && voices(*o).all(|said| said == address);
            (0..operators).filter(one_voice).count()
        };
        let enough = |count: usize| 2 * count > operators && at_least.is_none_or(|least| count >= least);
        let answered = (0..operators).filter(|o| voices(*o).count() > 0).count();
        let expected = match [RIGHT, WRONG_A, WRONG_B].into_iter().find(|address| enough(votes(*address))) {
            _ if operators == 0 => Outcome::NoneAsked,
            Some(address) => Outcome::Agreed(address),
            None if enough(answered) => Outcome::Split,
            None => Outcome::TooFew,
        };
        prop_assert_eq!(ruling.outcome, expected);
        let asked = (0..operators).filter(|o| witnesses.iter().any(|w| w.0 == *o)).count();
        prop_assert_eq!(ruling.silent.len(), asked - answered);
        prop_assert_eq!(ruling.unasked.len(), operators - asked);
        prop_assert_eq!(ruling.agreed.len() + ruling.dissent.len(), answered);
    }
}
