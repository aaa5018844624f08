//! What the answers to a read say of a name. Pure.

use std::collections::HashMap;

use hickory_proto::op::Message;
use hickory_proto::rr::{Name, RData, Record, RecordType as WireType};

use crate::dns::answer;
use crate::name::DnsName;
use crate::provider::{Fault, Obstacle, Standing};
use crate::record::RecordType;

/// DNAME (RFC 6672, section 2.1), whose data the library does not read.
pub const DNAME: u16 = 39;

/// Why the answers of a server say nothing of the zone.
#[derive(Debug, PartialEq, Eq)]
pub enum Unfit {
    /// It is not an authority for what it answers (RFC 1035, section 4.1.1: AA).
    NotAuthority,
    /// The zone's name is not an apex; the name is the apex above it, if one was told.
    NotApex(Option<String>),
}

impl Unfit {
    /// What it means for people.
    pub fn fault(self, server: &str, zone: &DnsName) -> Fault {
        match self {
            Self::NotAuthority => Fault::refused(
                format!("{server} answers for {zone}, but not as its authority (no AA, RFC 1035, 4.1.1)"),
                format!("set `server` to the primary of {zone}"),
            ),
            Self::NotApex(Some(apex)) => Fault::refused(
                format!("{zone} is no zone of its own at {server}, but lies in {apex}"),
                format!("set `zone` to {apex}"),
            ),
            Self::NotApex(None) => {
                Fault::refused(format!("{server} has no SOA for {zone}"), "set `zone` to the apex of the zone")
            }
        }
    }
}

/// What stands at a name, and whether a query alone can tell.
#[derive(Debug, Default, PartialEq, Eq)]
pub struct Finding {
    /// What stands there.
    pub standing: Standing,
    /// The answers show in which zone the name is.
    pub zone_known: bool,
}

impl Finding {
    /// Takes in where the zone that holds the name begins, if not at the apex of ours.
    pub fn settle(&mut self, cut: Option<&Name>) {
        self.zone_known = true;
        if let Some(cut) = cut {
            self.block(cut);
        }
    }

    fn block(&mut self, cut: &Name) {
        self.standing.obstacle = Some(Obstacle::Delegated(text(cut)));
        self.standing.sets.clear();
    }
}

/// What the answer to the question for the SOA of a name says of the zone it is in.
#[derive(Clone, Debug, PartialEq, Eq)]
pub enum Enclosing {
    /// It is in ours.
    Ours,
    /// It is below a cut; this one, and perhaps others above it.
    Cut(Name),
    /// It is in the zone that the name above it is in: it has a CNAME, which no apex has (RFC 1034, section 3.6.2).
    AsAbove,
}

/// Reads the answer to the question for the SOA of `at`: the record itself when `at` is an apex, and else that of the
/// zone that lacks it (RFC 2308, section 3). A wildcard holds none.
pub fn zone_of(zone: &Name, at: &Name, answer: &Message) -> Enclosing {
    let records = || answer.answers.iter().chain(&answer.authorities);
    if let Some(record) = records().find(|record| is_cut(zone, at, record)) {
        return Enclosing::Cut(record.name.clone());
    }
    let is_ours = |record: &Record| record.record_type() == WireType::SOA && record.name == *zone;
    // After a CNAME the rest of the answer is about its target.
    let leads_away = answer.answers.iter().any(|record| record.record_type() == WireType::CNAME);
    if !leads_away && records().any(is_ours) { Enclosing::Ours } else { Enclosing::AsAbove }
}

/// The zone cut nearest to the apex at or above `name`, or else what is to be asked for next.
pub fn enclosing<'k>(zone: &Name, name: &Name, known: &'k HashMap<Name, Enclosing>) -> Result<Option<&'k Name>, Name> {
    let (mut at, mut cut) = (name.clone(), None);
    while at != *zone && zone.zone_of(&at) {
        match known.get(&at) {
            None => return Err(at),
            Some(Enclosing::Ours) => break,
            Some(Enclosing::Cut(lower)) => {
                cut = Some(lower);
                at = lower.base_name();
            }
            Some(Enclosing::AsAbove) => at = at.base_name(),
        }
    }
    Ok(cut)
}

/// The zone's serial, from the answer to the question for its SOA.
pub fn serial(zone: &Name, answer: &Message) -> Result<u32, Unfit> {
    if !answer.metadata.authoritative {
        return Err(Unfit::NotAuthority);
    }
    let above = || answer.authorities.iter().find(|record| record.record_type() == WireType::SOA);
    answer::serial(zone, answer).ok_or_else(|| Unfit::NotApex(above().map(|record| text(&record.name))))
}

/// What stands at `name`, from the answers to the questions for its addresses.
pub fn standing(zone: &Name, name: &Name, answers: &[(RecordType, Message)]) -> Result<Finding, Unfit> {
    let mut finding = Finding::default();
    for (rtype, answer) in answers {
        if let Some(cut) = cut(zone, name, answer) {
            finding.block(cut);
            // Deeper down, the cut of our own zone may be above it.
            finding.zone_known = cut.base_name() == *zone;
            return Ok(finding);
        }
        if !answer.metadata.authoritative {
            return Err(Unfit::NotAuthority);
        }
        if let Some(at) = dname(zone, name, answer) {
            finding.standing.obstacle = Some(Obstacle::Dname(text(at)));
        } else if let Some(target) = cname(name, answer) {
            finding.standing.obstacle = Some(Obstacle::Cname(target));
        } else {
            let says = |record: &Record| matches!(record.record_type(), WireType::NS | WireType::SOA);
            finding.zone_known |= answer.authorities.iter().any(|record| says(record) && record.name == *zone);
        }
        if let Some(set) = answer::addresses(name, *rtype, answer) {
            finding.standing.sets.insert(*rtype, set);
        }
    }
    Ok(finding)
}

/// The target of the CNAME at `name`, if the answer has one.
pub fn cname(name: &Name, answer: &Message) -> Option<String> {
    answer.answers.iter().find_map(|record| match &record.data {
        RData::CNAME(target) if record.name == *name => Some(target.0.to_lowercase().to_ascii()),
        _ => None,
    })
}

/// Where the DNAME stands that makes a CNAME of `name` (RFC 6672, section 3.1), if the answer has one.
fn dname<'a>(zone: &Name, name: &Name, answer: &'a Message) -> Option<&'a Name> {
    let redirects = |record: &&Record| {
        let at = &record.name;
        u16::from(record.record_type()) == DNAME && at != name && at.zone_of(name) && zone.zone_of(at)
    };
    answer.answers.iter().find(redirects).map(|record| &record.name)
}

/// The zone cut at or above `name`, if the answer shows one: a referral, or data of a zone below ours that
/// the same server happens to serve.
fn cut<'a>(zone: &Name, name: &Name, answer: &'a Message) -> Option<&'a Name> {
    answer.authorities.iter().find(|record| is_cut(zone, name, record)).map(|record| &record.name)
}

/// Whether `record` shows that a zone begins at or above `name`, below the apex of ours.
fn is_cut(zone: &Name, name: &Name, record: &Record) -> bool {
    matches!(record.record_type(), WireType::NS | WireType::SOA)
        && record.name != *zone
        && zone.zone_of(&record.name)
        && record.name.zone_of(name)
}

/// A name for people, without the final dot.
pub fn text(name: &Name) -> String {
    let text = name.to_lowercase().to_ascii();
    text.strip_suffix('.').map(str::to_owned).unwrap_or(text)
}

/// The wildcards that may answer for `name` in `zone`: one below each of its ancestors in the zone.
pub fn wildcards(zone: &Name, name: &Name) -> Vec<Name> {
    let mut found = Vec::new();
    let mut at = name.clone();
    while at != *zone && zone.zone_of(&at) {
        at = at.base_name();
        found.extend(at.prepend_label("*"));
    }
    // Asked for by its own name, a wildcard is a name like others (RFC 4592, section 2.1.1).
    found.retain(|wildcard| wildcard != name);
    found
}

#[cfg(test)]
mod tests {
    use super::*;

    fn name(text: &str) -> Name {
        Name::from_ascii(text).unwrap()
    }

    /// RFC 4592, section 3.3.1: a wildcard below any ancestor may be the one that answers.
    #[test]
    fn every_ancestor_in_the_zone_may_have_a_wildcard() {
        let zone = name("heronmill.example.");
        let of = |of: &str| wildcards(&zone, &name(of)).iter().map(Name::to_ascii).collect::<Vec<_>>();
        assert_eq!(of("a.b.heronmill.example."), ["*.b.heronmill.example.", "*.heronmill.example."]);
        assert_eq!(of("*.heronmill.example."), [""; 0]);
        assert_eq!(of("heronmill.example."), [""; 0]);
        assert_eq!(of("tern.example."), [""; 0]);
    }
}
