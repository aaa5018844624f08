//! Whether a message is the answer to a question, and what it says. Pure.

use std::net::IpAddr;

use hickory_proto::op::{Message, MessageType, OpCode, Query};
use hickory_proto::rr::{DNSClass, Name, RData, Record};

use super::message::wire_type;
use crate::record::{RecordType, RrSet};

/// The message in `raw`, if it answers `question` as asked with `id` (RFC 5452, section 9.1).
pub fn belongs(raw: &[u8], id: u16, question: &Query) -> Option<Message> {
    let message = Message::from_vec(raw).ok()?;
    let head = &message.metadata;
    let ours = head.id == id && head.message_type == MessageType::Response && head.op_code == OpCode::Query;
    // The name in the question is compared without regard to case (RFC 4343, section 3).
    (ours && message.queries.as_slice() == std::slice::from_ref(question)).then_some(message)
}

/// The address RRset at `name` in the answer section.
pub fn addresses(name: &Name, rtype: RecordType, answer: &Message) -> Option<RrSet> {
    let ours = |record: &&Record| {
        record.name == *name && record.dns_class == DNSClass::IN && record.record_type() == wire_type(rtype)
    };
    let records: Vec<(u32, IpAddr)> =
        answer.answers.iter().filter(ours).filter_map(|record| Some((record.ttl, record.data.ip_addr()?))).collect();
    // Differing TTLs in one RRset are an error of the server; the least is what caches keep to (RFC 2181, section 5.2).
    let ttl = records.iter().map(|(ttl, _)| *ttl).min()?;
    Some(RrSet { ttl, addresses: records.into_iter().map(|(_, address)| address).collect() })
}

/// The serial of `zone`, from the answer to the question for its SOA.
pub fn serial(zone: &Name, answer: &Message) -> Option<u32> {
    answer.answers.iter().find_map(|record| match &record.data {
        RData::SOA(soa) if record.name == *zone => Some(soa.serial),
        _ => None,
    })
}
