//! Whether anybody gets in at the address that the outside sees, by the word of a helper. Pure.

use std::collections::BTreeMap;

use crate::address::Family;
use crate::exposure;
use crate::watch::look::Found;

/// What a helper said last, family by family; nothing where none could tell. Of one line: a helper is asked by the way
/// that all else of this machine goes.
#[derive(Clone, Debug, Default, PartialEq, Eq)]
pub(crate) struct Reach(BTreeMap<Family, bool>);

impl Reach {
    /// By the newest look at what the outside can see: one open port is a way in.
    pub(crate) fn of(found: &[exposure::Finding]) -> Self {
        let mut families = BTreeMap::new();
        for (family, open) in found.iter().flat_map(|finding| &finding.reach) {
            *families.entry(*family).or_default() |= *open;
        }
        Self(families)
    }

    /// The home has another address of `family`.
    pub(crate) fn forget(&mut self, family: Family) {
        self.0.remove(&family);
    }

    /// `found`, decided where this decides. With several lines nobody can say by which a helper came in.
    pub(crate) fn applied(&self, found: Found) -> Found {
        let Found { line, finding } = found;
        let finding = match line {
            None => finding.with_reach(|family| self.0.get(&family).copied()),
            Some(_) => finding,
        };
        Found { line, finding }
    }
}

#[cfg(test)]
mod tests {
    use super::{Family, Found, Reach};
    use crate::echo::knock::Knock;
    use crate::exposure::reach::{HelperReport, closed, open};
    use crate::watch::diagnose::{Finding, forbids_publishing};

    #[test]
    fn where_the_router_contradicts_a_helper_decides_what_is_held() {
        use Family::{Ipv4, Ipv6};
        let told = |each: Vec<(Family, Result<Knock, String>)>| HelperReport { each, left_out: String::new() };
        let looked = |each| vec![open("gauge.heronmill.example", 443, &told(each))];
        let unknown = || Err("no way".to_owned());
        let finding = || Finding::RouterContradicts {
            family: Ipv4,
            inside: "192.168.1.2".parse().ok(),
            outside: "203.0.113.77".parse().unwrap(),
            reached: None,
        };
        let double = || Finding::DoubleNat { inside: "192.168.1.2".parse().unwrap(), outside: None };
        let remembered = || Finding::Remembered { what: Box::new(finding()), as_of: None };
        let both = [looked(vec![(Ipv4, Ok(Knock::NoAnswer))]), looked(vec![(Ipv4, Ok(Knock::Answered))])].concat();
        for (title, found, line, finding, held) in [
            ("a way in", looked(vec![(Ipv4, Ok(Knock::Answered))]), None, finding(), false),
            ("the same, remembered", looked(vec![(Ipv4, Ok(Knock::Answered))]), None, remembered(), false),
            ("one of two services", both, None, finding(), false),
            ("none", looked(vec![(Ipv4, Ok(Knock::NoAnswer))]), None, finding(), true),
            ("refused", looked(vec![(Ipv4, Ok(Knock::TurnedAway))]), None, finding(), true),
            ("the other family", looked(vec![(Ipv6, Ok(Knock::Answered))]), None, finding(), true),
            ("no word", looked(vec![(Ipv4, unknown())]), None, finding(), true),
            ("no helper", vec![], None, finding(), true),
            ("several lines", looked(vec![(Ipv4, Ok(Knock::Answered))]), Some("fibre".to_owned()), finding(), true),
            ("another finding", looked(vec![(Ipv4, Ok(Knock::Answered))]), None, double(), true),
        ] {
            let applied = Reach::of(&found).applied(Found { line, finding });
            assert_eq!(forbids_publishing(&[applied.finding], Ipv4), held, "{title}");
        }
        let mut reach = Reach::of(&looked(vec![(Ipv4, Ok(Knock::Answered))]));
        reach.forget(Ipv4);
        assert_eq!(reach, Reach::default());
        // What shall be closed is, and says nothing of what could be open.
        let shut = closed("gauge.heronmill.example", 443, &told(vec![(Ipv4, Ok(Knock::NoAnswer))]));
        assert_eq!(Reach::of(&[shut]), Reach::default());
    }
}
