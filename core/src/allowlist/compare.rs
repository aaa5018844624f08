//! Whom the firewall lets in against who should get in, address by address. Pure.

use std::fmt;

use ipnet::IpNet;
use serde::{Serialize, Serializer};

use super::firewall::LetIn;
use crate::address::Family;
use crate::address::set::AddressSet;

/// Ranges, told as the fewest prefixes.
#[derive(Clone, Debug, Default, PartialEq, Eq, Serialize)]
pub struct Ranges {
    /// The fewest prefixes.
    pub ranges: Vec<IpNet>,
    /// How many addresses they hold.
    pub addresses: Counts,
}

/// How many addresses of each family; in decimal, where it is told as JSON.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq, Serialize)]
pub struct Counts {
    /// Of IPv4.
    #[serde(serialize_with = "decimal")]
    pub ipv4: u128,
    /// Of IPv6.
    #[serde(serialize_with = "decimal")]
    pub ipv6: u128,
}

impl Counts {
    /// Of one family.
    pub fn of(self, family: Family) -> u128 {
        match family {
            Family::Ipv4 => self.ipv4,
            Family::Ipv6 => self.ipv6,
        }
    }
}

fn decimal<S: Serializer>(count: &u128, serializer: S) -> Result<S::Ok, S::Error> {
    serializer.collect_str(count)
}

impl From<&AddressSet> for Ranges {
    fn from(set: &AddressSet) -> Self {
        let count = |family| set.of(family).count();
        let addresses = Counts { ipv4: count(Family::Ipv4), ipv6: count(Family::Ipv6) };
        Self { ranges: set.prefixes().collect(), addresses }
    }
}

/// Who gets in and should not, or does not and should, by one cause.
#[derive(Clone, Debug, PartialEq, Eq, Serialize)]
pub struct Surplus {
    /// Who.
    #[serde(flatten)]
    pub who: Ranges,
    /// The cause.
    pub by: String,
}

/// Of whom it cannot be said whether they get in.
#[derive(Clone, Debug, PartialEq, Eq, Serialize)]
pub struct Unknown {
    /// Who.
    #[serde(flatten)]
    pub who: Ranges,
    /// What was not understood.
    pub by: String,
    /// Why not.
    pub why: String,
}

/// The outcome of a comparison.
#[derive(Clone, Debug, Default, PartialEq, Eq, Serialize)]
pub struct Comparison {
    /// Let in, and should not be.
    pub surplus: Vec<Surplus>,
    /// Should be let in, and are not.
    pub missing: Ranges,
    /// What keeps the missing out, as far as that is known.
    pub kept_out: Vec<Surplus>,
    /// Perhaps let in, perhaps not.
    pub unknown: Vec<Unknown>,
    /// Let in, and no concern: sources that nothing from outside has.
    pub not_counted: Ranges,
}

/// How many prefixes of one difference a line names.
const NAMED: usize = 3;

/// One line: the sum, then what makes it.
impl fmt::Display for Comparison {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.write_str(&self.sum())?;
        for Surplus { who, by } in &self.surplus {
            write!(f, "; too many: {who} by {by}")?;
        }
        if !self.missing.ranges.is_empty() {
            write!(f, "; missing: {}", self.missing)?;
        }
        for Surplus { who, by } in &self.kept_out {
            write!(f, "; {who} kept out by {by}")?;
        }
        for Unknown { who, by, why } in &self.unknown {
            write!(f, "; unknown: {who}: {by}, {why}")?;
        }
        Ok(())
    }
}

/// The first of them.
impl fmt::Display for Ranges {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        let named: Vec<String> = self.ranges.iter().take(NAMED).map(ToString::to_string).collect();
        f.write_str(&named.join(", "))?;
        match self.ranges.len().saturating_sub(NAMED) {
            0 => Ok(()),
            more => write!(f, " and {more} more"),
        }
    }
}

/// What a comparison comes to.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize)]
#[serde(rename_all = "kebab-case")]
pub enum Verdict {
    /// Exactly those who should get in do.
    Same,
    /// Surplus, or missing.
    Differs,
    /// Nothing is known to be wrong, and not all is known.
    Unknown,
}

impl Comparison {
    /// Compares who is let in with `wanted`. `inside` are sources that nothing from outside has.
    pub fn new(wanted: &AddressSet, let_in: &LetIn, inside: &AddressSet) -> Self {
        let nothing = AddressSet::default;
        let surely = let_in.ways.iter().fold(nothing(), |all, way| all.union(&way.set));
        let perhaps = let_in.doubts.iter().fold(nothing(), |all, doubt| all.union(&doubt.set));
        let mut surplus = Vec::new();
        for way in &let_in.ways {
            let more = way.set.difference(wanted).difference(inside);
            if !more.is_empty() {
                surplus.push(Surplus { who: Ranges::from(&more), by: way.by.clone() });
            }
        }
        let mut unknown = Vec::new();
        for doubt in &let_in.doubts {
            let open = doubt.set.difference(&surely).difference(inside);
            if !open.is_empty() {
                unknown.push(Unknown { who: Ranges::from(&open), by: doubt.by.clone(), why: doubt.why.clone() });
            }
        }
        let missing = wanted.difference(&surely).difference(&perhaps);
        let mut kept_out = Vec::new();
        for way in &let_in.stopped {
            let who = way.set.intersection(&missing);
            if !who.is_empty() {
                kept_out.push(Surplus { who: Ranges::from(&who), by: way.by.clone() });
            }
        }
        let not_counted = surely.difference(wanted).intersection(inside);
        Self { surplus, missing: Ranges::from(&missing), kept_out, unknown, not_counted: Ranges::from(&not_counted) }
    }

    /// What it comes to, in words: how many too many, how many missing.
    pub fn sum(&self) -> String {
        match self.verdict() {
            Verdict::Same => "exactly those who should get in do".to_owned(),
            Verdict::Unknown => "not all of it is understood, so whether it is right is unknown".to_owned(),
            Verdict::Differs => {
                let told = Family::BOTH.into_iter().filter_map(|family| {
                    let surplus = self.surplus.iter().map(|one| one.who.addresses.of(family));
                    let more = surplus.fold(0_u128, u128::saturating_add);
                    let less = self.missing.addresses.of(family);
                    (more > 0 || less > 0)
                        .then(|| format!("{family}: {} too many get in, {} missing", grouped(more), grouped(less)))
                });
                told.collect::<Vec<_>>().join("; ")
            }
        }
    }

    /// What it comes to.
    pub fn verdict(&self) -> Verdict {
        if !self.surplus.is_empty() || !self.missing.ranges.is_empty() {
            Verdict::Differs
        } else if !self.unknown.is_empty() {
            Verdict::Unknown
        } else {
            Verdict::Same
        }
    }
}

/// A count of addresses for people: exact as long as it can be read.
pub fn grouped(addresses: u128) -> String {
    let digits = addresses.to_string();
    if digits.len() > 12 {
        return format!("about 10^{}", digits.len() - 1);
    }
    let mut text = String::new();
    for (at, digit) in digits.chars().enumerate() {
        if at > 0 && (digits.len() - at).is_multiple_of(3) {
            text.push(',');
        }
        text.push(digit);
    }
    text
}

#[cfg(test)]
mod tests;
