//! What can be amiss with a home's connection: what each finding is about, what it holds back, and what is said of it. Pure.

use std::fmt;
use std::net::{IpAddr, Ipv4Addr};

use serde::{Deserialize, Serialize};

use super::{ROUNDS, Vantage};
use crate::about::Connection;
use crate::address::Family;
use crate::clock::{Step, Timestamp};

/// One thing that is amiss. Its text says what, and what to do.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, Deserialize)]
#[serde(tag = "finding", rename_all = "kebab-case")]
pub enum Finding {
    /// The access provider shares one public address among several homes (RFC 6598, section 1).
    CarrierNat {
        /// Who told it.
        by: Vantage,
        /// What the home's side of it has; `None` when the router says that it has no address.
        inside: Option<Ipv4Addr>,
        /// What the outside sees, when it agrees.
        outside: Option<IpAddr>,
    },
    /// The router stands behind another router: at home, or at the carrier's.
    DoubleNat {
        /// The router's outer address, which is private.
        inside: Ipv4Addr,
        /// What the outside sees, when it agrees.
        outside: Option<IpAddr>,
    },
    /// What this machine sends leaves elsewhere than at the home's router.
    OtherEgress {
        /// The family.
        family: Family,
        /// Who sees the home from within.
        by: Vantage,
        /// The home's address seen from within.
        inside: IpAddr,
        /// The address the outside agrees on.
        outside: IpAddr,
    },
    /// The router alone has said something else for [`ROUNDS`] rounds than the outside agreed on.
    RouterContradicts {
        /// The family.
        family: Family,
        /// What the router says; `None` when it says that it has no address.
        inside: Option<IpAddr>,
        /// The address the outside agrees on.
        outside: IpAddr,
        /// Whether a helper outside gets in at that address; `None` where none can tell.
        #[serde(default)]
        reached: Option<bool>,
    },
    /// What was seen to stand between the home and the world, while nobody within can tell whether it still does.
    Remembered {
        /// What was seen.
        what: Box<Finding>,
        /// When; `None` where that is not known.
        as_of: Option<Timestamp>,
    },
    /// What the router says by NAT-PMP alone: it is told, and nothing is held for it until somebody else says so too.
    Unseconded {
        /// What it says to stand between the home and the world.
        what: Box<Finding>,
    },
    /// Records want a family that no witness knows of.
    FamilyMissing {
        /// The family.
        family: Family,
    },
    /// Web pages instead of addresses, and nobody with an answer.
    CaptivePortal {
        /// The operators in whose place a page came.
        operators: Vec<String>,
    },
    /// An operator that again and again says something else than the others.
    Dissenter {
        /// The operator.
        operator: String,
        /// The family.
        family: Family,
        /// Rounds in which it did.
        dissent: u32,
        /// Rounds, of the last [`ROUNDS`], in which it answered and the others agreed.
        rounds: u32,
    },
}

impl Finding {
    /// What it is about, without what changes from round to round: two with the same key are the same finding.
    pub fn key(&self) -> Connection {
        match self {
            Self::CarrierNat { .. } => Connection::CarrierNat,
            Self::DoubleNat { .. } => Connection::DoubleNat,
            Self::OtherEgress { family, .. } => Connection::OtherEgress(*family),
            Self::RouterContradicts { family, .. } => Connection::RouterContradicts(*family),
            Self::Remembered { what, .. } | Self::Unseconded { what } => what.key(),
            Self::FamilyMissing { family } => Connection::FamilyMissing(*family),
            Self::CaptivePortal { .. } => Connection::CaptivePortal,
            Self::Dissenter { operator, family, .. } => {
                Connection::Dissenter { operator: operator.clone(), family: *family }
            }
        }
    }
}

impl Finding {
    /// The finding after the clock was set: its moments move along.
    #[must_use]
    pub fn moved(self, step: &Step) -> Self {
        match self {
            Self::Remembered { what, as_of } => Self::Remembered { what, as_of: as_of.map(|time| step.moved(time)) },
            other => other,
        }
    }

    /// Whether it is about what stands between the home and the world in `family`.
    pub(super) fn concerns(&self, family: Family) -> bool {
        match self {
            Self::Remembered { what, .. } | Self::Unseconded { what } => what.concerns(family),
            other => other.forbids(family),
        }
    }

    pub(super) fn forbids(&self, family: Family) -> bool {
        match self {
            Self::CarrierNat { .. } | Self::DoubleNat { .. } => family == Family::Ipv4,
            Self::OtherEgress { family: seen, .. } => *seen == family,
            Self::RouterContradicts { family: seen, reached, .. } => *seen == family && *reached != Some(true),
            Self::Remembered { what, .. } => what.forbids(family),
            Self::Unseconded { .. }
            | Self::FamilyMissing { .. }
            | Self::CaptivePortal { .. }
            | Self::Dissenter { .. } => false,
        }
    }

    /// The finding, where `reached` tells whether a helper outside gets in at the address that the outside agrees on. Only
    /// where a router contradicts does that decide anything, and where what it says needs a second word: that a helper does
    /// not get in is one.
    #[must_use]
    pub(crate) fn with_reach(self, reached: impl Fn(Family) -> Option<bool>) -> Self {
        match self {
            Self::RouterContradicts { family, inside, outside, .. } => {
                Self::RouterContradicts { family, inside, outside, reached: reached(family) }
            }
            Self::Remembered { what, as_of } => Self::Remembered { what: Box::new(what.with_reach(reached)), as_of },
            Self::Unseconded { what } => {
                let is_kept_out =
                    Family::BOTH.iter().any(|family| what.forbids(*family) && reached(*family) == Some(false));
                let what = what.with_reach(reached);
                if is_kept_out { what } else { Self::Unseconded { what: Box::new(what) } }
            }
            other => other,
        }
    }
}

/// One sentence, and the way out.
impl fmt::Display for Finding {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        let seen = |f: &mut fmt::Formatter<'_>, outside: &Option<IpAddr>| match outside {
            Some(outside) => write!(f, ", and the outside sees {outside}"),
            None => Ok(()),
        };
        match self {
            Self::CarrierNat { by, inside, outside } => {
                match inside {
                    Some(inside) => write!(f, "carrier NAT: {by} has {inside}, of the carrier's own network")?,
                    None => {
                        write!(f, "carrier NAT, or another router in front: {by} says that it has no public address")?;
                    }
                }
                seen(f, outside)?;
                f.write_str(
                    ": other homes share that address, and nothing sent to it arrives here; publish AAAA only, use a \
                     tunnel or a VPN, or ask the access provider for a public IPv4 address",
                )
            }
            Self::DoubleNat { inside, outside } => {
                write!(f, "double NAT, or carrier NAT: the router's outer address is {inside}, a private one")?;
                seen(f, outside)?;
                f.write_str(
                    "; make the box in front of the router a bridge or let it forward the port, and if there is none, \
                     ask the access provider for a public IPv4 address",
                )
            }
            Self::OtherEgress { family, by, inside, outside } => write!(
                f,
                "{family} leaves elsewhere: {by} has {inside}, and the outside sees {outside}, the end of a VPN or of a \
                 carrier NAT; let this machine's questions pass the VPN by, or ask the access provider"
            ),
            Self::RouterContradicts { family, inside, outside, reached } => {
                match inside {
                    Some(inside) => write!(f, "router contradicts: for {ROUNDS} rounds it has said {inside}")?,
                    None => write!(f, "router contradicts: for {ROUNDS} rounds it has said that it has no address")?,
                }
                write!(f, ", and the outside agrees on {outside}; ")?;
                match reached {
                    Some(true) => write!(f, "a helper gets in there, so {family} is published; look what the router's own page says"),
                    Some(false) => f.write_str(
                        "no helper gets in there: if another box stands in front of the router, make it a bridge or let \
                         it forward the port; if not, restart the router, or remove this witness",
                    ),
                    None => f.write_str(
                        "if another box stands in front of the router, make it a bridge or let it forward the port; name \
                         a helper in `exposure.helper`, which can tell whether anybody gets in, or remove this witness",
                    ),
                }
            }
            Self::Remembered { what, as_of: Some(as_of) } => write!(f, "as of {as_of}: {what}"),
            Self::Remembered { what, as_of: None } => write!(f, "as of an earlier run: {what}"),
            Self::Unseconded { what } => write!(
                f,
                "{what}. The router says so by NAT-PMP alone, which anybody on the local network can do in its name, and \
                 nothing is held back for it: turn on its UPnP, or name a helper in `exposure.helper`, for a second word"
            ),
            Self::FamilyMissing { family } => write!(
                f,
                "no witness answers over {family}, and records want it: this machine has no {family} to the world; \
                 mend that, or remove the type from the records"
            ),
            Self::CaptivePortal { operators } => write!(
                f,
                "web pages came instead of addresses (in place of {}): the network wants a log-in first; open a page \
                 in a browser, or correct the witness's url",
                operators.join(", ")
            ),
            Self::Dissenter { operator, family, dissent, rounds } => write!(
                f,
                "{operator} said another {family} address than the others in {dissent} of its last {rounds} rounds; if \
                 it goes on, replace this witness"
            ),
        }
    }
}
