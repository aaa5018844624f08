//! Builds the messages of RFC 2136 and signs them after RFC 8945. Pure: id and time are arguments.

use std::collections::BTreeSet;
use std::net::IpAddr;

use hickory_proto::ProtoError;
use hickory_proto::op::update_message::UpdateMessage;
use hickory_proto::op::{Message, MessageType, OpCode, Query};
use hickory_proto::rr::rdata::tsig::TsigAlgorithm as WireAlgorithm;
use hickory_proto::rr::{DNSClass, Name, RData, Record, RecordType as WireType, TSigVerifier, TSigner};

use crate::clock::Timestamp;
use crate::config::{TsigAlgorithm, TsigKey};
use crate::name::DnsName;
use crate::provider::{Change, RecordType, RrSet};

/// Seconds by which the clocks of both sides may differ (RFC 8945, section 10, recommends 300).
const FUDGE: u16 = 300;

/// The name as the wire has it. An error is not expected: a [`DnsName`] keeps the limits of RFC 1035.
pub(crate) fn wire_name(name: &DnsName) -> Result<Name, ProtoError> {
    // Bytes, not text: the text form refuses labels that a `DnsName` may hold.
    Name::from_labels(name.as_str().split('.').map(str::as_bytes))
}

/// The type as the wire has it.
pub(crate) fn wire_type(rtype: RecordType) -> WireType {
    match rtype {
        RecordType::A => WireType::A,
        RecordType::Aaaa => WireType::AAAA,
    }
}

/// The algorithm's name (RFC 8945, section 6).
pub(crate) fn algorithm_name(algorithm: TsigAlgorithm) -> &'static str {
    match algorithm {
        TsigAlgorithm::HmacSha256 => "hmac-sha256",
        TsigAlgorithm::HmacSha384 => "hmac-sha384",
        TsigAlgorithm::HmacSha512 => "hmac-sha512",
    }
}

/// What signs with `key`.
pub(crate) fn signer(key: &TsigKey) -> Result<TSigner, ProtoError> {
    let algorithm = match key.algorithm {
        TsigAlgorithm::HmacSha256 => WireAlgorithm::HmacSha256,
        TsigAlgorithm::HmacSha384 => WireAlgorithm::HmacSha384,
        TsigAlgorithm::HmacSha512 => WireAlgorithm::HmacSha512,
    };
    TSigner::new(key.secret.expose().to_vec(), algorithm, wire_name(&key.name)?, FUDGE)
        .map_err(|error| ProtoError::from(error.to_string()))
}

/// Whether the library can verify this message: it subtracts the fudge from the time, and an overflow there
/// panics in debug builds. What it does before that is safe once the whole message has been parsed.
pub(crate) fn verifiable(message: &Message) -> bool {
    message.signature().is_some_and(|record| record.data.time >= u64::from(record.data.fudge))
}

/// A request on its way, with what is needed to judge its answer.
pub(super) struct Sent {
    /// The id in the header, which TSIG does not cover.
    pub(super) id: u16,
    /// The bytes, without the length prefix of TCP.
    pub(super) wire: Vec<u8>,
    /// The question or the zone section.
    pub(super) question: Option<Query>,
    /// Queries and updates are answered in kind.
    pub(super) op_code: OpCode,
    /// The time it was signed with, in seconds since the Unix epoch.
    pub(super) signed_at: u64,
    /// Absent when nothing was signed.
    pub(super) verifier: Option<TSigVerifier>,
}

/// Gives `message` its id and its signature. Fails when it does not fit 65,535 bytes.
pub(super) fn seal(
    mut message: Message,
    id: u16,
    signer: Option<&TSigner>,
    now: Timestamp,
) -> Result<Sent, ProtoError> {
    message.metadata.id = id;
    let signed_at = now.millis() / 1000;
    let verifier = match signer {
        Some(signer) => message.finalize(signer, signed_at)?,
        None => None,
    };
    let wire = message.to_vec()?;
    // The encoder leaves out what does not fit, the signature included, and only sets TC.
    if wire.get(2).is_none_or(|flags| flags & 0x02 != 0) {
        return Err(ProtoError::Message("the message does not fit 65,535 bytes"));
    }
    if signer.is_some() && verifier.is_none() {
        return Err(ProtoError::Message("the message was not signed"));
    }
    Ok(Sent {
        id,
        wire,
        question: message.queries.first().cloned(),
        op_code: message.metadata.op_code,
        signed_at,
        verifier,
    })
}

/// A question to an authoritative server: no recursion is asked for.
pub(super) fn query(name: Name, rtype: WireType) -> Message {
    let mut message = Message::new(0, MessageType::Query, OpCode::Query);
    message.add_query(Query::query(name, rtype));
    message
}

/// An UPDATE that changes nothing and only asks whether the RRset itself exists (RFC 2136, section 2.4.1):
/// a query cannot tell it from one synthesised by a wildcard (RFC 4592, section 3.3.1).
pub(super) fn exists(zone: Name, name: Name, rtype: WireType) -> Message {
    let mut message = empty_update(zone);
    message.add_pre_requisite(bare(name, rtype, DNSClass::ANY));
    message
}

/// One UPDATE for all of `changes`, each guarded by what was read (RFC 2136, sections 2.4 and 2.5).
pub(super) fn update(zone: Name, changes: &[Change]) -> Result<Message, ProtoError> {
    let mut message = empty_update(zone);
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

fn empty_update(zone: Name) -> Message {
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
