//! Whether a name that is meant to be behind the edge shows the edge, to everybody, in both families. Pure.

use std::collections::{BTreeMap, BTreeSet};
use std::net::IpAddr;

use super::home::{Home, Whose};
use super::{Check, Finding, Grade};
use crate::address::Family;
use crate::address::set::AddressSet;

/// What one resolver or server of the zone says of a name: its addresses of both families.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct NameAnswer {
    /// Who says so.
    pub source: String,
    /// The addresses, or why they cannot be told.
    pub addresses: Result<BTreeSet<IpAddr>, String>,
}

/// Whether `name` leads to `edge` only, by the word of at least `needed` of those asked.
pub fn masked(name: &str, edge: &AddressSet, home: &Home, told: &[NameAnswer], needed: usize) -> Finding {
    let finding = |grade, seen: String, todo: &str| Finding::new(Check::Masked, name, grade, seen, todo);
    let mut astray: BTreeMap<IpAddr, Vec<&str>> = BTreeMap::new();
    let mut shown = BTreeSet::new();
    let (mut answered, mut silent, mut empty) = (Vec::new(), Vec::new(), Vec::new());
    for NameAnswer { source, addresses } in told {
        match addresses {
            Ok(addresses) => {
                answered.push(source.as_str());
                if addresses.is_empty() {
                    empty.push(source.as_str());
                }
                for address in addresses {
                    shown.insert(*address);
                    if !edge.contains(*address) || home.whose(*address) == Some(Whose::Now) {
                        astray.entry(*address).or_default().push(source);
                    }
                }
            }
            Err(why) => silent.push(format!("{source}: {why}")),
        }
    }
    if !astray.is_empty() {
        let each = astray.iter().map(|(address, by)| {
            let what = match home.whose(*address) {
                Some(Whose::Now) => ", the home's own address".to_owned(),
                Some(Whose::Until(until)) => format!(", the home's address until {until}"),
                None => ", which is not in the edge's ranges".to_owned(),
            };
            format!("{} {} {address}{what}", by.join(", "), if by.len() == 1 { "tells" } else { "tell" })
        });
        let todo =
            "let the name lead to the edge only; if these are new addresses of the edge, bring its ranges up to date";
        return finding(Grade::Amiss, each.collect::<Vec<_>>().join("; "), todo);
    }
    if answered.len() < needed {
        let why = if silent.is_empty() { "nobody was asked".to_owned() } else { silent.join("; ") };
        return finding(Grade::Unknown, why, "see that these can be asked, or name others in `exposure.resolvers`");
    }
    if !empty.is_empty() {
        let seen = format!("{} {} no address", empty.join(", "), if empty.len() == 1 { "tells" } else { "tell" });
        return finding(Grade::Amiss, seen, "publish the name at the edge, or take it out of [[exposure.service]]");
    }
    let mut seen = format!("{} by {}", list(&shown), answered.join(", "));
    if !silent.is_empty() {
        seen.push_str(&format!("; {}", silent.join("; ")));
    }
    finding(Grade::Good, seen, "")
}

/// Whether one family of `name` goes around the edge while the other does not.
pub fn families(name: &str, edge: &AddressSet, told: &[NameAnswer]) -> Finding {
    let finding = |grade, seen: String, todo: &str| Finding::new(Check::Families, name, grade, seen, todo);
    let shown: BTreeSet<IpAddr> =
        told.iter().filter_map(|told| told.addresses.as_ref().ok()).flatten().copied().collect();
    let of = |family| shown.iter().copied().filter(move |address| Family::of(*address) == family);
    let around: Vec<Family> =
        Family::BOTH.into_iter().filter(|family| of(*family).any(|address| !edge.contains(address))).collect();
    let used: Vec<Family> = Family::BOTH.into_iter().filter(|family| of(*family).next().is_some()).collect();
    match (used.as_slice(), around.as_slice()) {
        ([], _) => finding(Grade::Unknown, "no address is known".into(), "see the check `masked`"),
        ([only], []) => finding(Grade::Good, format!("{only} only"), ""),
        (_, []) => finding(Grade::Good, "both lead to the edge".into(), ""),
        ([_, _], [family]) => {
            let other = if *family == Family::Ipv4 { Family::Ipv6 } else { Family::Ipv4 };
            let addresses: BTreeSet<IpAddr> = of(*family).filter(|address| !edge.contains(*address)).collect();
            let seen = format!("{family} goes around the edge, to {}, while {other} leads there", list(&addresses));
            let rtype = if *family == Family::Ipv4 { "A" } else { "AAAA" };
            let todo = format!("let the {rtype} of the name lead to the edge, or remove it");
            finding(Grade::Amiss, seen, &todo)
        }
        // What goes around in all families that there are is told by `masked`.
        _ => finding(Grade::Good, "they agree: see the check `masked`".into(), ""),
    }
}

fn list(addresses: &BTreeSet<IpAddr>) -> String {
    addresses.iter().map(ToString::to_string).collect::<Vec<_>>().join(", ")
}

#[cfg(test)]
mod tests;
