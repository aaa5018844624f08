//! Builds the messages of RFC 2136. Pure.

use std::collections::BTreeSet;
use std::net::IpAddr;

use hickory_proto::ProtoError;
use hickory_proto::op::update_message::UpdateMessage;
use hickory_proto::op::{Message, MessageType, OpCode, Query};
use hickory_proto::rr::rdata::TXT;
use hickory_proto::rr::{DNSClass, Name, RData, Record, RecordType as WireType};

use crate::dns::message::{wire_name, wire_type};
use crate::name::DnsName;
use crate::provider::{Change, Fence, RecordType, RrSet};

/// An UPDATE that changes nothing and only asks whether the RRset itself exists (RFC 2136, section 2.4.1):
/// a query cannot tell it from one synthesised by a wildcard (RFC 4592, section 3.3.1).
pub(super) fn exists(zone: Name, name: Name, rtype: WireType) -> Message {
    let mut message = empty_update(zone);
    message.add_pre_requisite(bare(name, rtype, DNSClass::ANY));
    message
}

/// One UPDATE for all of `changes`, each guarded by what was read (RFC 2136, sections 2.4 and 2.5), and all by `fence`.
pub(super) fn update(zone: Name, changes: &[Change], fence: Option<Fence<'_>>) -> Result<Message, ProtoError> {
    let mut message = empty_update(zone);
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
        message.add_pre_requisite(bare(name.clone(), WireType::CNAME, DNSClass::NONE));
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

/// What `change` takes in an UPDATE at most, in bytes: its owner's name with the zone's written as a pointer (RFC 1035,
/// section 4.1.4), once for each record.
pub(super) fn size(zone: &DnsName, change: &Change) -> usize {
    /// Type, class, TTL and length (RFC 1035, section 3.2.1).
    const FRAME: usize = 10;
    let owner = change.name.as_str().len().saturating_sub(zone.as_str().len()) + 2;
    let data = if change.rtype == RecordType::A { 4 } else { 16 };
    let before = change.before.as_ref().map_or(0, |set| set.addresses.len());
    // No CNAME; what was there, or that nothing was; what goes, and what comes.
    let records = 1 + before.max(1) + before.max(1) + change.after.addresses.len();
    records * (owner + FRAME + data)
}

/// One UPDATE that swaps the TXT RRset at `name`: it is compared and written by the server in one step
/// (RFC 2136, sections 2.4.2, 2.4.3 and 3.4).
pub(super) fn swap(zone: Name, name: &Name, before: Option<&str>, after: Option<&str>, ttl: u32) -> Message {
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

pub(super) fn empty_update(zone: Name) -> Message {
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
