//! What stands in a master file: at the names asked about, and its serial. Pure.

use std::collections::{BTreeMap, BTreeSet};
use std::net::IpAddr;

use super::lex::{Problem, absolute};
use super::scan::{Master, Record};
use crate::name::DnsName;
use crate::provider::{Observed, Obstacle, Standing};
use crate::record::{RecordType, RrSet};

/// What stands at `names` in the zone `zone`.
pub fn observe(master: &Master<'_>, zone: &DnsName, names: &BTreeSet<DnsName>) -> Result<Observed, Problem> {
    let (_, serial) = soa(master, zone)?;
    let mut standings: BTreeMap<&str, Standing> =
        names.iter().map(|name| (name.as_str(), Standing::default())).collect();
    let mut cuts = BTreeSet::new();
    let mut redirects = BTreeSet::new();
    for record in &master.records {
        match record.rtype.as_str() {
            "NS" if record.owner != zone.as_str() => {
                cuts.insert(record.owner.as_str());
            }
            "DNAME" => {
                redirects.insert(record.owner.as_str());
            }
            _ => {}
        }
        let Some(standing) = standings.get_mut(record.owner.as_str()) else { continue };
        if record.rtype == "CNAME" {
            let data = master.data(record, 1)?;
            let target = absolute(data.first().copied().unwrap_or_default(), &record.origin)
                .map_err(|what| Problem::syntax(record.line, what))?;
            standing.obstacle = Some(Obstacle::Cname(format!("{target}.")));
        }
        if let Some(rtype) = address_type(record) {
            let address = address(master, record)?;
            let set =
                standing.sets.entry(rtype).or_insert_with(|| RrSet { ttl: record.ttl, addresses: BTreeSet::new() });
            set.addresses.insert(address);
            // The TTLs of one RRset must not differ; where they do, a resolver takes the lowest (RFC 2181, section 5.2).
            set.ttl = set.ttl.min(record.ttl);
        }
    }
    for (name, standing) in &mut standings {
        let mut above: Vec<&str> = at_and_above(name).filter(|above| is_in(above, zone.as_str())).collect();
        // What counts is what is nearest to the apex.
        above.reverse();
        let obstacle = above.iter().find_map(|above| match *above {
            cut if cuts.contains(cut) => Some(Obstacle::Delegated(cut.to_owned())),
            // Beside it data may stand (RFC 6672, section 2.4).
            redirect if redirect != *name && redirects.contains(redirect) => Some(Obstacle::Dname(redirect.to_owned())),
            _ => None,
        });
        standing.obstacle = obstacle.or(standing.obstacle.take());
    }
    let names = names.iter().map(|name| (name.clone(), standings.remove(name.as_str()).unwrap_or_default())).collect();
    Ok(Observed { names, serial: Some(serial) })
}

/// The zone's SOA record and its serial. A file that cannot be edited rightly as a whole is refused here.
pub fn soa<'m>(master: &'m Master<'_>, zone: &DnsName) -> Result<(&'m Record, u32), Problem> {
    if let Some(record) = master.records.iter().find(|record| matches!(record.rtype.as_str(), "RRSIG" | "ZONEMD")) {
        let what = format!("the file is signed ({} here), and an edit would break that (RFC 4035, 2.2)", record.rtype);
        return Err(Problem::at(record.line, what, "name the unsigned file, and sign it in the reload command"));
    }
    let mut found = master.records.iter().filter(|record| record.rtype == "SOA");
    let Some(soa) = found.next() else {
        let remedy = format!("name the whole master file of {zone}");
        return Err(Problem::whole("there is no SOA record, so no serial can be raised", remedy));
    };
    if soa.owner != zone.as_str() {
        let what = format!("the SOA record here is that of {}, not of {zone}", soa.owner);
        return Err(Problem::at(
            soa.line,
            what,
            "name the master file of the provider's zone, or the zone of this file",
        ));
    }
    if let Some(second) = found.next() {
        return Err(Problem::at(second.line, "a second SOA record stands here (RFC 1035, 5.2)", "remove one"));
    }
    let data = master.data(soa, 7)?;
    let serial = data.get(2).filter(|word| word.iter().all(u8::is_ascii_digit));
    let serial = serial.and_then(|word| std::str::from_utf8(word).ok()?.parse().ok());
    match serial {
        Some(serial) => Ok((soa, serial)),
        None => Err(Problem::syntax(soa.line, "the serial of the SOA record is not a number below 2^32")),
    }
}

/// The type of `record`, where it is one this program publishes.
pub(crate) fn address_type(record: &Record) -> Option<RecordType> {
    match record.rtype.as_str() {
        "A" => Some(RecordType::A),
        "AAAA" => Some(RecordType::Aaaa),
        _ => None,
    }
}

/// The address in an A or AAAA record.
pub fn address(master: &Master<'_>, record: &Record) -> Result<IpAddr, Problem> {
    let data = master.data(record, 1)?;
    let text = data.first().and_then(|word| std::str::from_utf8(word).ok()).unwrap_or_default();
    let address = match address_type(record) {
        Some(RecordType::A) => text.parse().ok().map(IpAddr::V4),
        Some(RecordType::Aaaa) => text.parse().ok().map(IpAddr::V6),
        None => None,
    };
    address.ok_or_else(|| Problem::syntax(record.line, format!("{text:?} is not an address for {}", record.rtype)))
}

/// `name` and every name above it, the root left out.
fn at_and_above(name: &str) -> impl Iterator<Item = &str> {
    std::iter::successors(Some(name), |name| name.split_once('.').map(|(_, above)| above))
}

fn is_in(name: &str, zone: &str) -> bool {
    name.strip_suffix(zone).is_some_and(|left| left.is_empty() || left.ends_with('.'))
}
