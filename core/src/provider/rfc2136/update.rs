//! Builds the messages of RFC 2136. Pure.

use std::collections::{BTreeSet, HashSet};
use std::net::IpAddr;

use hickory_proto::ProtoError;
use hickory_proto::op::update_message::UpdateMessage;
use hickory_proto::op::{Message, MessageType, OpCode, Query};
use hickory_proto::rr::rdata::TXT;
use hickory_proto::rr::{DNSClass, Name, RData, Record, RecordType as WireType};

use crate::dns::message::{wire_name, wire_type};
use crate::name::DnsName;
use crate::provider::{Change, Fence};
use crate::record::{RecordType, RrSet};

/// An UPDATE that changes nothing and only asks whether the RRset itself exists (RFC 2136, section 2.4.1):
/// a query cannot tell it from one synthesised by a wildcard (RFC 4592, section 3.3.1).
pub fn exists(zone: Name, name: Name, rtype: WireType) -> Message {
    let mut message = empty_update(zone);
    message.add_pre_requisite(bare(name, rtype, DNSClass::ANY));
    message
}

/// One UPDATE for all of `changes`, each guarded by what was read (RFC 2136, sections 2.4 and 2.5), and all by `fence`.
///
/// The server compares with the zone itself. So a cut stops the whole update, whoever serves what is below it, and
/// however that was read.
pub fn update(zone: Name, changes: &[Change], fence: Option<Fence<'_>>) -> Result<Message, ProtoError> {
    let mut message = empty_update(zone.clone());
    let mut uncut = HashSet::new();
    if let Some(Fence { name, text }) = fence {
        message.add_pre_requisite(txt(wire_name(name)?, 0, text, DNSClass::IN));
    }
    for change in changes {
        let name = wire_name(&change.name)?;
        let rtype = wire_type(change.rtype);
        if change.after.addresses.is_empty() {
            return Err(ProtoError::Message("an RRset has at least one member"));
        }
        // Without this a server ignores an address added beside a CNAME and says NOERROR (RFC 2136, section 3.4.2.2).
        if !uncut.contains(&name) {
            message.add_pre_requisite(bare(name.clone(), WireType::CNAME, DNSClass::NONE));
        }
        for at in below(&zone, &name) {
            if uncut.insert(at.clone()) {
                message.add_pre_requisite(bare(at, WireType::NS, DNSClass::NONE));
            }
        }
        match &change.before {
            None => message.add_pre_requisite(bare(name.clone(), rtype, DNSClass::NONE)),
            Some(before) => {
                for address in &before.addresses {
                    message.add_pre_requisite(record(&name, rtype, 0, *address, DNSClass::IN)?);
                }
            }
        }
        message.add_updates(steps(&name, rtype, change.before.as_ref(), &change.after)?);
    }
    Ok(message)
}

/// `name` and what is above it in `zone`, without the apex: where a cut would take the name out of the zone.
pub fn below(zone: &Name, name: &Name) -> impl Iterator<Item = Name> {
    let depth = |at: &Name| at.iter().count();
    let above = depth(name).saturating_sub(depth(zone));
    std::iter::successors(Some(name.clone()), |at| Some(at.base_name())).take(above)
}

/// The bytes that are left for changes in one message.
#[derive(Debug)]
pub struct Room<'a> {
    zone: &'a DnsName,
    whole: usize,
    left: usize,
    /// Names at which the message demands that there be no cut; once is enough.
    uncut: HashSet<&'a str>,
}

impl<'a> Room<'a> {
    /// Room for `whole` bytes of changes in `zone`.
    pub fn new(zone: &'a DnsName, whole: usize) -> Self {
        Self { zone, whole, left: whole, uncut: HashSet::new() }
    }

    /// Puts `change` in, and says whether it went into the same message as the one before, or into the next.
    pub fn take(&mut self, change: &'a Change) -> bool {
        let fits = self.left.checked_sub(self.size(change));
        if fits.is_none() {
            self.left = self.whole;
            self.uncut.clear();
        }
        self.left = self.left.saturating_sub(self.size(change));
        self.uncut.extend(self.ways_up(change));
        fits.is_some()
    }

    fn ways_up(&self, change: &'a Change) -> impl Iterator<Item = &'a str> + use<'a> {
        let zone = self.zone.as_str();
        let up = |at: &&'a str| at.split_once('.').map(|(_, above)| above);
        std::iter::successors(Some(change.name.as_str()), up).take_while(move |at| at.len() > zone.len())
    }

    /// What `change` takes at most, in bytes: its owner's name with the zone's written as a pointer (RFC 1035,
    /// section 4.1.4), once for each record.
    fn size(&self, change: &Change) -> usize {
        /// Type, class, TTL and length (RFC 1035, section 3.2.1).
        const FRAME: usize = 10;
        let bare = |name: &str| name.len().saturating_sub(self.zone.as_str().len()) + 2 + FRAME;
        let owner = bare(change.name.as_str());
        let data = if change.rtype == RecordType::A { 4 } else { 16 };
        let before = change.before.as_ref().map_or(0, |set| set.addresses.len());
        let uncut: usize = self.ways_up(change).filter(|at| !self.uncut.contains(at)).map(bare).sum();
        // No CNAME; what was there, or that nothing was; what goes, and what comes.
        let with_data = 2 * before.max(1) + change.after.addresses.len();
        owner + uncut + with_data * (owner + data)
    }
}

/// One UPDATE that swaps the TXT RRset at `name`: it is compared and written by the server in one step
/// (RFC 2136, sections 2.4.2, 2.4.3 and 3.4).
pub fn swap(zone: Name, name: &Name, before: Option<&str>, after: Option<&str>, ttl: u32) -> Message {
    let mut message = empty_update(zone);
    // As for addresses: beside a CNAME nothing is added, and NOERROR is said.
    message.add_pre_requisite(bare(name.clone(), WireType::CNAME, DNSClass::NONE));
    match before {
        None => message.add_pre_requisite(bare(name.clone(), WireType::TXT, DNSClass::NONE)),
        Some(text) => {
            message.add_pre_requisite(txt(name.clone(), 0, text, DNSClass::IN));
            message.add_update(txt(name.clone(), 0, text, DNSClass::NONE));
        }
    }
    if let Some(text) = after {
        message.add_update(txt(name.clone(), ttl, text, DNSClass::IN));
    }
    message
}

/// The update section of one change. Members are swapped one by one when the TTL stays, so that the others
/// are not touched; otherwise the RRset is replaced as a whole, for a TTL belongs to all of it (RFC 2181, section 5.2).
fn steps(name: &Name, rtype: WireType, before: Option<&RrSet>, after: &RrSet) -> Result<Vec<Record>, ProtoError> {
    let none = BTreeSet::new();
    let (mut records, kept) = match before {
        Some(before) if before.ttl == after.ttl => {
            let gone = before.addresses.difference(&after.addresses);
            let delete = gone.map(|address| record(name, rtype, 0, *address, DNSClass::NONE));
            (delete.collect::<Result<Vec<_>, _>>()?, &before.addresses)
        }
        Some(_) => (vec![bare(name.clone(), rtype, DNSClass::ANY)], &none),
        None => (Vec::new(), &none),
    };
    for address in after.addresses.difference(kept) {
        records.push(record(name, rtype, after.ttl, *address, DNSClass::IN)?);
    }
    Ok(records)
}

/// An UPDATE of `zone` that changes nothing yet (RFC 2136, section 2).
pub fn empty_update(zone: Name) -> Message {
    let mut message = Message::new(0, MessageType::Query, OpCode::Update);
    message.add_zone(Query::query(zone, WireType::SOA));
    message
}

/// A record with TTL 0 and without data, as prerequisites and deletions have it.
fn bare(name: Name, rtype: WireType, class: DNSClass) -> Record {
    let mut record = Record::update0(name, 0, rtype);
    record.dns_class = class;
    record
}

fn txt(name: Name, ttl: u32, text: &str, class: DNSClass) -> Record {
    let mut record = Record::from_rdata(name, ttl, RData::TXT(TXT::new(vec![text.to_owned()])));
    record.dns_class = class;
    record
}

fn record(name: &Name, rtype: WireType, ttl: u32, address: IpAddr, class: DNSClass) -> Result<Record, ProtoError> {
    let data = match address {
        IpAddr::V4(v4) => RData::A(v4.into()),
        IpAddr::V6(v6) => RData::AAAA(v6.into()),
    };
    if data.record_type() != rtype {
        return Err(ProtoError::Message("an address is of the other family than its RRset"));
    }
    let mut record = Record::from_rdata(name.clone(), ttl, data);
    record.dns_class = class;
    Ok(record)
}
