//! What resolvers and a zone's parent say of where the zone is served. Pure.

use std::collections::{BTreeMap, BTreeSet};
use std::net::IpAddr;

use hickory_proto::op::{Message, ResponseCode};
use hickory_proto::rr::{Name, RData, Record};

use crate::settings::SERVERS;

/// Addresses of one server at most.
pub const ADDRESSES: usize = 6;

/// The servers of a zone, with the addresses that came along.
pub type Servers = BTreeMap<Name, BTreeSet<IpAddr>>;

/// Why an answer of the parent names no servers.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Undelegated {
    /// The parent has authority and knows no such zone.
    NoSuchZone,
    /// What answered is no authority, or answers of something else.
    NoAnswer,
}

/// The apex of the zone that holds `name`, from a resolver's answer to the question for its SOA: in the answer, or
/// beside the word that there is none (RFC 2308, section 3).
pub fn enclosing(name: &Name, answer: &Message) -> Option<Name> {
    let apex = |records: &[Record]| {
        let soa = |record: &&Record| matches!(record.data, RData::SOA(_)) && record.name.zone_of(name);
        records.iter().find(soa).map(|record| record.name.clone())
    };
    apex(&answer.answers).or_else(|| apex(&answer.authorities))
}

/// The servers that a resolver names for `zone`.
pub fn nameservers(zone: &Name, answer: &Message) -> Vec<Name> {
    targets(zone, &answer.answers).collect::<BTreeSet<_>>().into_iter().take(SERVERS).collect()
}

/// The servers of `zone` by the answer of a server of `parent`, the zone above it: those of the referral (RFC 1034,
/// section 4.3.2), or of the zone itself where the same server has both.
pub fn delegation(zone: &Name, parent: &Name, answer: &Message) -> Result<Servers, Undelegated> {
    let head = &answer.metadata;
    if !matches!(head.response_code, ResponseCode::NoError | ResponseCode::NXDomain) {
        return Err(Undelegated::NoAnswer);
    }
    let answered: BTreeSet<Name> = if head.authoritative {
        targets(zone, &answer.answers).collect()
    } else if answer.answers.is_empty() {
        targets(zone, &answer.authorities).collect()
    } else {
        // Out of a cache: whoever said so may have been asked long ago.
        return Err(Undelegated::NoAnswer);
    };
    if answered.is_empty() {
        return Err(if head.authoritative { Undelegated::NoSuchZone } else { Undelegated::NoAnswer });
    }
    let mut servers: Servers = answered.into_iter().take(SERVERS).map(|name| (name, BTreeSet::new())).collect();
    for record in &answer.additionals {
        // An address that the parent has no say in is for others to tell (RFC 5452, section 6).
        if let (Some(known), Some(address)) = (servers.get_mut(&record.name), record.data.ip_addr())
            && parent.zone_of(&record.name)
            && known.len() < ADDRESSES
        {
            known.insert(address);
        }
    }
    Ok(servers)
}

fn targets<'a>(zone: &'a Name, records: &'a [Record]) -> impl Iterator<Item = Name> + 'a {
    records.iter().filter_map(move |record| match &record.data {
        RData::NS(target) if record.name == *zone => Some(target.0.to_lowercase()),
        _ => None,
    })
}

/// The addresses of `name` in a resolver's answer, also behind a CNAME: resolvers follow it, so do we.
pub fn addresses(answer: &Message) -> impl Iterator<Item = IpAddr> + '_ {
    answer.answers.iter().filter_map(|record| record.data.ip_addr()).take(ADDRESSES)
}

/// The name as people write it.
pub fn text(name: &Name) -> String {
    let text = name.to_lowercase().to_ascii();
    text.strip_suffix('.').filter(|text| !text.is_empty()).map_or(text.clone(), str::to_owned)
}

/// The resolvers of resolv.conf(5), three at most; without any it is this machine.
pub fn resolvers(text: &str) -> Vec<IpAddr> {
    let address = |line: &str| {
        let mut words = line.split_whitespace();
        (words.next() == Some("nameserver")).then(|| words.next()?.parse().ok())?
    };
    let found: Vec<IpAddr> = text.lines().filter_map(address).take(3).collect();
    if found.is_empty() { vec![IpAddr::from([127, 0, 0, 1])] } else { found }
}

#[cfg(test)]
mod tests;
