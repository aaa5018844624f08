//! What is wrong with a home's connection, by the testimony of one round: the cases in which no DNS record can help, and
//! those in which a witness or the network misleads. Pure.
//!
//! A finding is said only where the evidence bears it: silence alone never proves a carrier NAT.

mod finding;
mod nat;

use std::collections::BTreeMap;
use std::fmt;
use std::net::{IpAddr, Ipv4Addr};

use serde::{Deserialize, Serialize};

use super::interface::{Bare, Excluded};
use super::router::Mute;
use super::{Silence, Testimony};
use crate::address::Family;
use crate::clock::{Step, Timestamp};
pub use finding::Finding;
use nat::Nat;

/// Rounds of an operator that are remembered.
pub const ROUNDS: u32 = 20;

/// Rounds of those in which it may say something else before that is told. A change of address catches an operator that
/// answers from a cache in one or two. Common practice, no source.
pub(crate) const DISSENT: u32 = 3;

/// Operators remembered; a configuration with more of them goes without their shares.
const REMEMBERED: usize = 256;

/// From where a witness sees the home.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "lowercase")]
pub enum Vantage {
    /// The world: an echo service, a STUN server.
    Outside,
    /// The home's router, which tells the address of its own outer side.
    Router,
    /// An interface of this machine.
    Interface,
}

impl fmt::Display for Vantage {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.write_str(match self {
            Self::Outside => "the outside",
            Self::Router => "the router",
            Self::Interface => "the interface",
        })
    }
}

/// What a witness told, as far as it matters here.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Utterance {
    /// An address that a home can have.
    Address(IpAddr),
    /// An address that a home cannot have, and that tells of a NAT perhaps.
    Inner(IpAddr),
    /// Expressly, that there is none.
    Empty,
    /// A web page.
    Page,
    /// Nothing of use.
    Nothing,
}

impl Utterance {
    /// What `said` amounts to. An unspecified address is a router's way to say that it has none (RFC 4291, section 2.5.2;
    /// of IPv4, common practice).
    pub fn of(said: &Result<IpAddr, Silence>) -> Self {
        let inner = match said {
            Ok(address) => return Self::Address(*address),
            Err(Silence::NotPublishable(why)) => why.address,
            Err(Silence::Interface(Bare::NoneLeft { excluded, .. })) => match excluded.as_slice() {
                [(address, Excluded::Special(_))] => *address,
                _ => return Self::Nothing,
            },
            Err(Silence::Router(Mute::NoAddress)) => return Self::Empty,
            Err(Silence::CaptivePortal) => return Self::Page,
            Err(_) => return Self::Nothing,
        };
        if inner.is_unspecified() { Self::Empty } else { Self::Inner(inner) }
    }
}

/// One witness's word in one round.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Word<'a> {
    /// From where it sees the home.
    pub(crate) vantage: Vantage,
    /// Who runs it.
    pub operator: &'a str,
    /// The family it was asked for.
    pub family: Family,
    /// What it told.
    pub told: Utterance,
    /// Whether anybody on the local network can have said it in its name.
    pub alone: bool,
}

impl<'a> Word<'a> {
    /// The word of `testimony`, given by a witness at `vantage`.
    pub fn of(vantage: Vantage, testimony: &'a Testimony) -> Self {
        let Testimony { operator, family, said, alone, .. } = testimony;
        Self { vantage, operator, family: *family, told: Utterance::of(said), alone: *alone }
    }
}

/// How often operators dissented lately, which is bounded and forgotten at a restart; and what was last seen to stand
/// between the home and the world, until it is seen to be gone: silence changes nothing.
#[derive(Clone, Debug, Default, PartialEq, Eq)]
pub struct History {
    tracks: BTreeMap<(Family, String), Track>,
    nats: BTreeMap<Family, Nat>,
}

/// The last rounds of one operator, the newest in the lowest bit.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
struct Track {
    dissent: u32,
    rounds: u32,
}

impl History {
    /// Forgets the operators for which `keep` does not hold: after a reload.
    pub fn retain(&mut self, keep: impl Fn(&str) -> bool) {
        self.tracks.retain(|(_, operator), _| keep(operator));
    }

    /// What was last seen to stand between the home and the world, to be kept.
    pub(crate) fn nats(&self) -> impl Iterator<Item = Finding> {
        self.nats.values().map(Nat::kept)
    }

    /// Goes on from such a finding. Others are ignored.
    pub fn recall(&mut self, finding: Finding) {
        if let Some(family) = Family::BOTH.into_iter().find(|family| finding.concerns(*family)) {
            self.nats.insert(family, Nat::recalled(finding));
        }
    }

    /// Takes in that the clock was set.
    pub fn shift(&mut self, step: &Step) {
        self.nats.values_mut().for_each(|nat| nat.shift(step));
    }

    fn note(&mut self, family: Family, operator: &str, dissents: bool) {
        let key = (family, operator.to_owned());
        if self.tracks.len() >= REMEMBERED && !self.tracks.contains_key(&key) {
            return;
        }
        let track = self.tracks.entry(key).or_default();
        track.dissent = (track.dissent << 1 | u32::from(dissents)) & ((1 << ROUNDS) - 1);
        track.rounds = (track.rounds + 1).min(ROUNDS);
    }
}

/// What one round shows, `history` being brought up to date; `wanted` are the families that records want.
///
/// What was seen `now` is told as it is; what is only remembered, with its time.
///
/// The outside agrees on what more than half of its operators asked in this round say.
pub fn diagnose(words: &[Word<'_>], wanted: &[Family], history: &mut History, now: Timestamp) -> Vec<Finding> {
    let mut findings = Vec::new();
    let outside = |family| agreed(&ballots(words, family));
    for family in Family::BOTH {
        let agreed = outside(family);
        let before = history.nats.remove(&family);
        let nat = match sight(words, family, agreed) {
            Sight::Clear => None,
            Sight::Barred { finding, alone } => Some(Nat::seen(before, finding, alone, agreed, now)),
            Sight::Dark => before.and_then(|before| before.unseen(agreed)),
        };
        findings.extend(nat.as_ref().map(Nat::told));
        history.nats.extend(nat.map(|nat| (family, nat)));
        if let Some(agreed) = agreed {
            for (operator, said) in ballots(words, family).into_iter().filter(|(_, said)| !said.is_empty()) {
                history.note(family, operator, said != [agreed]);
            }
        }
    }
    let heard = |family| words.iter().any(|word| word.family == family && matches!(word.told, Utterance::Address(_)));
    for family in wanted.iter().copied() {
        let asked = words.iter().any(|word| word.family == family);
        let other = if family == Family::Ipv4 { Family::Ipv6 } else { Family::Ipv4 };
        if asked && !heard(family) && outside(other).is_some() {
            findings.push(Finding::FamilyMissing { family });
        }
    }
    let mut operators: Vec<String> = Vec::new();
    for word in words.iter().filter(|word| word.told == Utterance::Page && outside(word.family).is_none()) {
        if !operators.iter().any(|operator| operator == word.operator) {
            operators.push(word.operator.to_owned());
        }
    }
    if !operators.is_empty() {
        findings.retain(|finding| !matches!(finding, Finding::FamilyMissing { .. }));
        findings.push(Finding::CaptivePortal { operators });
    }
    findings.extend(history.tracks.iter().filter_map(|((family, operator), track)| {
        let (dissent, rounds) = (track.dissent.count_ones(), track.rounds);
        (dissent >= DISSENT).then(|| Finding::Dissenter {
            operator: operator.clone(),
            family: *family,
            dissent,
            rounds,
        })
    }));
    findings
}

/// What the operators of the outside say, each its different addresses; nothing for a silent one.
fn ballots<'a>(words: &[Word<'a>], family: Family) -> BTreeMap<&'a str, Vec<IpAddr>> {
    let mut ballots: BTreeMap<&str, Vec<IpAddr>> = BTreeMap::new();
    for word in words.iter().filter(|word| word.vantage == Vantage::Outside && word.family == family) {
        let said = ballots.entry(word.operator).or_default();
        match word.told {
            Utterance::Address(address) if !said.contains(&address) => said.push(address),
            _ => {}
        }
    }
    ballots
}

fn agreed(ballots: &BTreeMap<&str, Vec<IpAddr>>) -> Option<IpAddr> {
    let votes = || ballots.values().filter_map(|said| if let [one] = said.as_slice() { Some(*one) } else { None });
    votes().find(|address| votes().filter(|vote| vote == address).count() > ballots.len() / 2)
}

/// The view from within.
enum Sight {
    /// Nothing stands between the home and the world, or nobody is asked from within.
    Clear,
    /// Something does.
    Barred {
        /// What.
        finding: Finding,
        /// Whether nobody says so but who can be spoken for by anybody on the local network.
        alone: bool,
    },
    /// This round cannot tell.
    Dark,
}

/// What the view from within says, against `outside`. At most one finding a family: the first that explains it.
fn sight(words: &[Word<'_>], family: Family, outside: Option<IpAddr>) -> Sight {
    let within = || words.iter().filter(|word| word.family == family && word.vantage != Vantage::Outside);
    // Where one who sees it from within has what the outside sees, the way is clear.
    let meets =
        |told| matches!(told, Utterance::Address(inside) if outside.is_some_and(|outside| is_same(inside, outside)));
    if within().next().is_none() || within().any(|word| meets(word.told)) {
        return Sight::Clear;
    }
    let sure: Vec<&Word<'_>> = within().filter(|word| !word.alone).collect();
    if let Some(finding) = barred(&sure, family, outside) {
        return Sight::Barred { finding, alone: false };
    }
    let all: Vec<&Word<'_>> = within().collect();
    barred(&all, family, outside).map_or(Sight::Dark, |finding| Sight::Barred { finding, alone: true })
}

/// What stands between the home and the world by the words of those `within`, of which none has what the outside sees.
fn barred(within: &[&Word<'_>], family: Family, outside: Option<IpAddr>) -> Option<Finding> {
    let within = || within.iter();
    let shared = within().find_map(|word| match (word.told, word.vantage) {
        (Utterance::Inner(IpAddr::V4(inside)), by) if is_carriers(inside) => {
            Some(Finding::CarrierNat { by, inside: Some(inside), outside })
        }
        (Utterance::Empty, by @ Vantage::Router) if family == Family::Ipv4 && outside.is_some() => {
            Some(Finding::CarrierNat { by, inside: None, outside })
        }
        _ => None,
    });
    // A private address of an interface is what every machine behind a router has.
    let double = || {
        within().find_map(|word| match (word.told, word.vantage) {
            (Utterance::Inner(IpAddr::V4(inside)), Vantage::Router) if inside.is_private() => {
                Some(Finding::DoubleNat { inside, outside })
            }
            _ => None,
        })
    };
    let elsewhere = || {
        let outside = outside?;
        within().find_map(|word| match word.told {
            Utterance::Address(inside) => Some(Finding::OtherEgress { family, by: word.vantage, inside, outside }),
            _ => None,
        })
    };
    shared.or_else(double).or_else(elsewhere)
}

/// What a carrier uses between it and its customers: 100.64.0.0/10 (RFC 6598, section 7), and 192.0.0.0/29 where IPv4 is
/// carried over IPv6 (RFC 7335, section 4).
pub fn is_carriers(address: Ipv4Addr) -> bool {
    let [a, b, c, d] = address.octets();
    (a == 100 && b & 0b1100_0000 == 64) || ([a, b, c] == [192, 0, 0] && d < 8)
}

/// Whether two addresses can be of one home. Of IPv6, a machine has several, and a router's two sides may lie in different
/// blocks of the provider: only the first 32 bits, the least that a provider is given (common practice of the registries),
/// tell providers apart.
fn is_same(inside: IpAddr, outside: IpAddr) -> bool {
    match (inside, outside) {
        (IpAddr::V6(inside), IpAddr::V6(outside)) => u128::from(inside) >> 96 == u128::from(outside) >> 96,
        _ => inside == outside,
    }
}

/// Whether `findings` say that an address of `family` that the outside sees is not the home's own: what
/// `carrier_nat = "hold"` waits for to pass.
///
/// A carrier NAT or a double NAT is of IPv4 alone: IPv6 has none, and is the way out. Behind a double NAT a forwarded port
/// may still work, but nothing here can know that: `carrier_nat = "publish"` says so. Another egress holds the family that
/// it was seen in: the record would lead to the far end of a VPN.
pub(crate) fn forbids_publishing(findings: &[Finding], family: Family) -> bool {
    findings.iter().any(|finding| finding.forbids(family))
}

#[cfg(test)]
mod tests;
