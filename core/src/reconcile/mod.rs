//! What is wanted, what stands there, and the plan that leads from one to the other. Pure.
//!
//! A plan never names a record that the configuration does not name, and refuses what would break DNS.

use std::collections::BTreeSet;
use std::fmt;
use std::net::IpAddr;

use serde::Serialize;

use crate::address::{Family, prefix};
use crate::name::DnsName;
use crate::provider::{Change, Observed, Obstacle, Standing};
use crate::record::{RecordType, RrSet};
use crate::settings::{Record, Sharing};

/// One record as it shall be published now.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Desired {
    /// The owner name.
    pub name: DnsName,
    /// A or AAAA.
    pub rtype: RecordType,
    /// The address to publish.
    pub address: IpAddr,
    /// Time to live, in seconds.
    pub ttl: u32,
    /// Whose the RRset is.
    pub sharing: Sharing,
}

/// Those of a provider's `records` that can be published; `home` tells a record the home's address in a family. Host
/// parts are joined with the first `prefix_length` bits of its IPv6 address.
///
/// A record for which there is none is not among them: silence changes nothing.
pub fn desired(
    records: &[&Record],
    prefix_length: u8,
    mut home: impl FnMut(&Record, Family) -> Option<IpAddr>,
) -> Vec<Desired> {
    let mut wanted = Vec::new();
    for record in records {
        for &rtype in &record.types {
            let Some(settled) = home(record, rtype.family()) else { continue };
            let address = match (settled, record.host_part) {
                (IpAddr::V6(home), Some(host)) => IpAddr::V6(prefix::join(home, prefix_length, host)),
                (address, _) => address,
            };
            wanted.push(Desired {
                name: record.name.clone(),
                rtype,
                address,
                ttl: record.ttl,
                sharing: record.sharing,
            });
        }
    }
    wanted
}

/// What is to be done about one record.
#[derive(Clone, Debug, PartialEq, Eq)]
pub enum Step {
    /// It is in step.
    Leave,
    /// It is to be written.
    Write(Change, Verb),
    /// It cannot be written until a person acts.
    Refuse(Refusal),
}

/// What a write does, for people.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize)]
#[serde(rename_all = "kebab-case")]
pub enum Verb {
    /// There was no such RRset.
    Create,
    /// The RRset is ours and its addresses change.
    Replace,
    /// Our own member of a shared RRset changes.
    Swap,
    /// Our address joins a shared RRset.
    Join,
    /// Only the TTL changes.
    Retime,
}

/// Why a record is blocked.
#[derive(Clone, Debug, PartialEq, Eq, thiserror::Error)]
pub enum Refusal {
    /// A CNAME stands at the name.
    #[error("a CNAME to {target} stands here (RFC 1034, 3.6.2); remove it, or this record")]
    Cname {
        /// Where it points.
        target: String,
    },
    /// The name belongs to another zone.
    #[error(
        "the zone hands {at} over to other name servers (RFC 1034, 4.2.1); give this record a provider for that zone"
    )]
    Delegated {
        /// The zone cut.
        at: String,
    },
    /// Whatever is below that name is somewhere else.
    #[error("a DNAME at {at} redirects all names below it (RFC 6672, 2.4); remove it, or this record")]
    Dname {
        /// Where the DNAME stands.
        at: String,
    },
    /// What stands at the name is more than the provider can read.
    #[error("something stands here already, and {why}")]
    Unread {
        /// Why, and what to do: a clause.
        why: String,
    },
    /// The name is not in the provider's zone.
    #[error("it is not in the zone {zone} (RFC 2136, 3.4.1.3); give it a provider whose zone it is in")]
    OutsideZone {
        /// The provider's zone.
        zone: DnsName,
    },
}

/// One line of a plan.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Item {
    /// What is wanted.
    pub desired: Desired,
    /// The RRset that was read, if there is one.
    pub before: Option<RrSet>,
    /// What is to be done.
    pub step: Step,
}

/// Lays out what leads from `observed` to `desired`, in the order of `desired`.
///
/// `earlier` tells the addresses at a record that are or may be this home's; they are what `member` swaps.
pub fn plan<E: IntoIterator<Item = IpAddr>>(
    desired: &[Desired],
    observed: &Observed,
    zone: &DnsName,
    earlier: impl Fn(&Desired) -> E,
) -> Vec<Item> {
    let nothing = Standing::default();
    desired
        .iter()
        .map(|wanted| {
            let standing = observed.names.get(&wanted.name).unwrap_or(&nothing);
            let before = standing.sets.get(&wanted.rtype).cloned();
            let step = step(wanted, standing, before.as_ref(), zone, earlier(wanted));
            Item { desired: wanted.clone(), before, step }
        })
        .collect()
}

fn step(
    wanted: &Desired,
    standing: &Standing,
    before: Option<&RrSet>,
    zone: &DnsName,
    earlier: impl IntoIterator<Item = IpAddr>,
) -> Step {
    if !wanted.name.is_in(zone) {
        return Step::Refuse(Refusal::OutsideZone { zone: zone.clone() });
    }
    match &standing.obstacle {
        Some(Obstacle::Cname(target)) => return Step::Refuse(Refusal::Cname { target: target.clone() }),
        Some(Obstacle::Delegated(at)) => return Step::Refuse(Refusal::Delegated { at: at.clone() }),
        Some(Obstacle::Dname(at)) => return Step::Refuse(Refusal::Dname { at: at.clone() }),
        None => {}
    }
    if let Some(why) = standing.unread.get(&wanted.rtype) {
        return Step::Refuse(Refusal::Unread { why: why.clone() });
    }
    let after = match wanted.sharing {
        Sharing::Sole => RrSet { ttl: wanted.ttl, addresses: BTreeSet::from([wanted.address]) },
        Sharing::Member => joined(wanted, before, earlier),
    };
    let Some(before) = before else { return write(wanted, None, after, Verb::Create) };
    if *before == after {
        return Step::Leave;
    }
    let verb = match wanted.sharing {
        _ if before.addresses == after.addresses => Verb::Retime,
        Sharing::Sole => Verb::Replace,
        Sharing::Member if before.addresses.is_subset(&after.addresses) => Verb::Join,
        Sharing::Member => Verb::Swap,
    };
    write(wanted, Some(before), after, verb)
}

/// The shared RRset with our own earlier addresses taken out and the wanted one put in.
///
/// An RRset has one TTL (RFC 2181, section 5.2): as long as others are in it, theirs is kept.
fn joined(wanted: &Desired, before: Option<&RrSet>, earlier: impl IntoIterator<Item = IpAddr>) -> RrSet {
    let mut addresses = before.map(|set| set.addresses.clone()).unwrap_or_default();
    for earlier in earlier {
        addresses.remove(&earlier);
    }
    addresses.remove(&wanted.address);
    let ttl = match before {
        Some(set) if !addresses.is_empty() => set.ttl,
        _ => wanted.ttl,
    };
    addresses.insert(wanted.address);
    RrSet { ttl, addresses }
}

fn write(wanted: &Desired, before: Option<&RrSet>, after: RrSet, verb: Verb) -> Step {
    let change = Change { name: wanted.name.clone(), rtype: wanted.rtype, before: before.cloned(), after };
    Step::Write(change, verb)
}

/// For people, after "would": `replace`, `swap our member`.
impl fmt::Display for Verb {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.write_str(match self {
            Self::Create => "create",
            Self::Replace => "replace",
            Self::Swap => "swap our member",
            Self::Join => "join as a member",
            Self::Retime => "change the TTL",
        })
    }
}

#[cfg(test)]
mod tests;
