//! What stands between a home and the world, from round to round. Pure.

use std::net::IpAddr;

use super::{Finding, ROUNDS, Vantage, is_same};
use crate::clock::{Step, Timestamp};

/// One finding about where the traffic of a family goes, since it was last seen.
#[derive(Clone, Debug, PartialEq, Eq)]
pub(super) struct Nat {
    /// Never one that is remembered.
    finding: Finding,
    /// When it was first and last seen; `None` where that was in an earlier process.
    first: Option<Timestamp>,
    last: Option<Timestamp>,
    /// Whether nobody within can tell now.
    is_dark: bool,
    /// Whether somebody has said so whom not everybody on the local network can speak for; from then on it is known.
    is_sure: bool,
    /// Rounds, up to [`ROUNDS`], in which the router said something else than the outside agreed on.
    against: u32,
}

impl Nat {
    /// Goes on from what was kept.
    pub(super) fn recalled(finding: Finding) -> Self {
        let (finding, last) = match finding {
            Finding::Remembered { what, as_of } => (*what, as_of),
            finding => (finding, None),
        };
        let (finding, is_sure) = match finding {
            Finding::Unseconded { what } => (*what, false),
            finding => (finding, true),
        };
        let against = if matches!(finding, Finding::RouterContradicts { .. }) { ROUNDS } else { 0 };
        Self { finding, first: last, last, is_dark: true, is_sure, against }
    }

    /// What is so after `before` when a round shows `finding`, said by NAT-PMP `alone` or not, and the outside agrees on
    /// `outside`.
    pub(super) fn seen(
        before: Option<Self>,
        finding: Finding,
        alone: bool,
        outside: Option<IpAddr>,
        now: Timestamp,
    ) -> Self {
        let is_sure = !alone || before.as_ref().is_some_and(|before| before.is_sure);
        let said = against(&finding);
        let mut rounds = before.as_ref().map_or(0, |before| before.against);
        let finding = match (said, outside) {
            (None, _) => {
                rounds = 0;
                finding
            }
            (Some(inside), Some(outside)) => {
                rounds = (rounds + 1).min(ROUNDS);
                let family = crate::address::Family::of(outside);
                let lasting = Finding::RouterContradicts { family, inside, outside, reached: None };
                if rounds == ROUNDS { lasting } else { finding }
            }
            // The outside is silent: neither a round against it, nor the end of them.
            (Some(_), None) => match before {
                Some(before) if rounds == ROUNDS => return Self { is_dark: true, is_sure, ..before },
                _ => finding,
            },
        };
        let first = before.filter(|before| before.finding == finding).and_then(|before| before.first).or(Some(now));
        Self { finding, first, last: Some(now), is_dark: false, is_sure, against: rounds }
    }

    /// What is so after a round in which nobody within can tell; `None` when `outside` shows that it is over.
    pub(super) fn unseen(self, outside: Option<IpAddr>) -> Option<Self> {
        let is_over = match (&self.finding, outside) {
            (Finding::OtherEgress { inside, .. }, Some(outside)) => is_same(*inside, outside),
            (Finding::RouterContradicts { inside: Some(inside), .. }, Some(outside)) => is_same(*inside, outside),
            _ => false,
        };
        (!is_over).then_some(Self { is_dark: true, ..self })
    }

    /// Takes in that the clock was set.
    pub(super) fn shift(&mut self, step: &Step) {
        self.first.iter_mut().chain(&mut self.last).for_each(|time| step.shift(time));
    }

    fn what(&self) -> Finding {
        let what = self.finding.clone();
        if self.is_sure { what } else { Finding::Unseconded { what: Box::new(what) } }
    }

    /// What to tell of it: with its time, unless it is so now.
    pub(super) fn told(&self) -> Finding {
        if self.is_dark { remembered(self.what(), self.last) } else { self.what() }
    }

    /// What to keep for the next process: changes only when what it says does, or when nobody can tell any more.
    pub(super) fn kept(&self) -> Finding {
        remembered(self.what(), if self.is_dark { self.last } else { self.first })
    }
}

fn remembered(finding: Finding, as_of: Option<Timestamp>) -> Finding {
    Finding::Remembered { what: Box::new(finding), as_of }
}

/// What the router alone says in `finding` against the outside. A carrier's own address says by itself why the outside sees
/// another, and is no contradiction.
fn against(finding: &Finding) -> Option<Option<IpAddr>> {
    match finding {
        Finding::DoubleNat { inside, .. } => Some(Some((*inside).into())),
        Finding::CarrierNat { by: Vantage::Router, inside: None, .. } => Some(None),
        Finding::OtherEgress { by: Vantage::Router, inside, .. } => Some(Some(*inside)),
        _ => None,
    }
}
