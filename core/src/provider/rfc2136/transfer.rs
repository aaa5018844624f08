//! What a zone transfer (RFC 5936) says of the names that were asked about, and whether it can be believed. Pure.
//!
//! Unlike a query, it shows what stands in the zone, and nothing that a wildcard makes (RFC 4592).

use std::collections::{BTreeMap, HashMap};

use hickory_proto::op::{Message, MessageType, OpCode, ResponseCode as Rcode};
use hickory_proto::rr::rdata::tsig::signed_bitmessage_to_buf;
use hickory_proto::rr::{DNSClass, Name, RData, Record, RecordType as WireType, TSigner};

use super::read::{DNAME, text};
use crate::dns::message::verifiable;
use crate::provider::listing::{self, ZoneRecord};
use crate::provider::{Obstacle, Standing};
use crate::record::{RecordType, RrSet};

/// Messages in a row that may go without a signature (RFC 8945, section 5.3.1).
const UNSIGNED: usize = 99;

/// The signatures over the messages of one transfer (RFC 8945, section 5.3.1): each covers the one before, and the
/// unsigned messages since.
pub struct Chain {
    signer: TSigner,
    /// When the request was signed, in seconds since the Unix epoch.
    signed_at: u64,
    mac: Vec<u8>,
    /// The time in the newest signature.
    time: u64,
    unsigned: Vec<u8>,
    count: usize,
    is_first: bool,
}

impl Chain {
    /// The chain that begins with the request's own MAC.
    pub fn new(signer: TSigner, signed_at: u64, mac: Vec<u8>) -> Self {
        Self { signer, signed_at, mac, time: 0, unsigned: Vec::new(), count: 0, is_first: true }
    }

    /// Goes on by `raw`, which was read as `message`. True when all messages up to here are the key's own word.
    pub fn follow(&mut self, raw: &[u8], message: &Message) -> Result<bool, &'static str> {
        let Some(signature) = message.signature() else {
            self.count += 1;
            if self.is_first || self.count > UNSIGNED {
                return Err("it is not signed");
            }
            self.unsigned.extend_from_slice(raw);
            return Ok(false);
        };
        let tsig = &signature.data;
        if tsig.error.is_some() || !verifiable(message) {
            return Err("its signature tells of an error");
        }
        let ours = signature.name == *self.signer.signer_name() && tsig.algorithm == *self.signer.algorithm();
        // One key, one length: a shortened MAC is none of ours.
        if !ours || tsig.mac.len() != self.mac.len() {
            return Err("it is signed by another key");
        }
        let (covered, _) = signed_bitmessage_to_buf(raw, None, self.is_first).map_err(|_| "it cannot be read")?;
        let digested = [&(self.mac.len() as u16).to_be_bytes()[..], &self.mac, &self.unsigned, &covered].concat();
        self.signer.verify(&digested, &tsig.mac).map_err(|_| "its signature does not hold")?;
        if tsig.time < self.time || tsig.time.abs_diff(self.signed_at) > u64::from(tsig.fudge) {
            return Err("it was signed at another time");
        }
        self.mac.clone_from(&tsig.mac);
        self.time = tsig.time;
        self.unsigned.clear();
        (self.count, self.is_first) = (0, false);
        Ok(true)
    }
}

/// What stands at one name of the zone.
#[derive(Debug, Default)]
struct Node {
    sets: BTreeMap<RecordType, RrSet>,
    cname: Option<String>,
    is_redirect: bool,
    is_cut: bool,
}

/// The records of a zone as they come in. What is neither at an asked name nor above one is forgotten at once.
pub struct Transfer<'a> {
    zone: &'a Name,
    nodes: HashMap<Name, Node>,
    soa: Option<Record>,
    is_whole: bool,
    /// All records, where they are wanted.
    kept: Option<Vec<ZoneRecord>>,
    /// The bytes of memory that they may still take.
    room: usize,
}

impl<'a> Transfer<'a> {
    /// Nothing has come yet; `asked` are names in the zone, or not, and then nothing stands there.
    pub fn new<'n>(zone: &'a Name, asked: impl Iterator<Item = &'n Name>) -> Self {
        let mut nodes = HashMap::new();
        for name in asked {
            let mut at = name.clone();
            while zone.zone_of(&at) && !nodes.contains_key(&at) {
                let above = at.base_name();
                nodes.insert(at, Node::default());
                at = above;
            }
        }
        Self { zone, nodes, soa: None, is_whole: false, kept: None, room: listing::ROOM }
    }

    /// Nothing has come yet of a transfer of `zone` that keeps every record.
    pub fn of_all(zone: &'a Name) -> Self {
        Self { kept: Some(Vec::new()), ..Self::new(zone, [].into_iter()) }
    }

    /// The zone.
    pub fn zone(&self) -> &'a Name {
        self.zone
    }

    /// The records, if they were kept.
    pub fn into_records(self) -> Vec<ZoneRecord> {
        self.kept.unwrap_or_default()
    }

    /// Keeps what is in the answer `raw`, where all records are wanted; the SOA, which comes twice, once.
    pub fn keep(&mut self, raw: &[u8]) -> Result<(), String> {
        let Some(kept) = &mut self.kept else { return Ok(()) };
        let records = listing::wire::answers(raw).ok_or("it cannot be read")?;
        let is_first = kept.is_empty();
        let again = |(at, record): &(usize, ZoneRecord)| record.rtype == "SOA" && !(is_first && *at == 0);
        for record in &records {
            self.room =
                self.room.checked_sub(record.weight()).ok_or("it has too many records to be looked through here")?;
        }
        kept.extend(records.into_iter().enumerate().filter(|one| !again(one)).map(|(_, record)| record));
        Ok(())
    }

    /// Takes the next message. True when it was the last: it ends with the SOA that the first began with
    /// (RFC 5936, section 2.2).
    pub fn take(&mut self, id: u16, message: &Message) -> Result<bool, String> {
        let header = &message.metadata;
        if header.id != id || header.message_type != MessageType::Response || header.op_code != OpCode::Query {
            return Err("what came is no answer to it".to_owned());
        }
        if header.response_code != Rcode::NoError {
            return Err(super::judge::code(header.response_code));
        }
        // AA is not asked for: Knot leaves it out (measured with 3.2), though RFC 5936, section 2.2.1, wants it.
        if header.truncation || message.answers.is_empty() {
            return Err("what came is no zone transfer (RFC 5936, 2.2)".to_owned());
        }
        for record in &message.answers {
            self.record(record)?;
        }
        Ok(self.is_whole)
    }

    fn record(&mut self, record: &Record) -> Result<(), String> {
        if self.is_whole {
            return Err("something follows the end of the zone".to_owned());
        }
        let is_soa = record.record_type() == WireType::SOA && record.name == *self.zone;
        match &self.soa {
            None if is_soa => self.soa = Some(record.clone()),
            None => return Err("it does not begin with the SOA (RFC 5936, 2.2)".to_owned()),
            Some(first) if is_soa && first.data == record.data => self.is_whole = true,
            Some(_) if is_soa => return Err("it ends with another SOA than it began with".to_owned()),
            Some(_) => self.note(record),
        }
        Ok(())
    }

    fn note(&mut self, record: &Record) {
        let Some(node) = self.nodes.get_mut(&record.name).filter(|_| record.dns_class == DNSClass::IN) else { return };
        let rtype = match &record.data {
            RData::A(_) => RecordType::A,
            RData::AAAA(_) => RecordType::Aaaa,
            RData::CNAME(target) => {
                node.cname = Some(target.0.to_lowercase().to_ascii());
                return;
            }
            RData::NS(_) => {
                node.is_cut = true;
                return;
            }
            RData::Unknown { code, .. } if u16::from(*code) == DNAME => {
                node.is_redirect = true;
                return;
            }
            _ => return,
        };
        let Some(address) = record.data.ip_addr() else { return };
        let set = node.sets.entry(rtype).or_insert(RrSet { ttl: record.ttl, addresses: [].into() });
        // As in an answer: the least of differing TTLs (RFC 2181, section 5.2).
        set.ttl = set.ttl.min(record.ttl);
        set.addresses.insert(address);
    }

    /// The zone's serial, once the zone is whole.
    pub fn serial(&self) -> Option<u32> {
        match &self.soa.as_ref().filter(|_| self.is_whole)?.data {
            RData::SOA(soa) => Some(soa.serial),
            _ => None,
        }
    }

    /// What stands at `name`, which was asked about: whatever is nearest to the apex decides.
    pub fn standing(&self, name: &Name) -> Standing {
        let depth = |at: &Name| at.iter().count();
        let mut path = Vec::new();
        let mut at = name.clone();
        while depth(&at) > depth(self.zone) {
            let above = at.base_name();
            path.push(at);
            at = above;
        }
        path.push(at);
        let obstacle = |obstacle| Standing { obstacle: Some(obstacle), ..Standing::default() };
        for at in path.iter().rev() {
            let Some(node) = self.nodes.get(at) else { continue };
            if node.is_cut && at != self.zone {
                return obstacle(Obstacle::Delegated(text(at)));
            }
            if node.is_redirect && at != name {
                return obstacle(Obstacle::Dname(text(at)));
            }
        }
        match self.nodes.get(name) {
            Some(node) => Standing {
                obstacle: node.cname.clone().map(Obstacle::Cname),
                sets: node.sets.clone(),
                ..Standing::default()
            },
            None => Standing::default(),
        }
    }
}

#[cfg(test)]
mod tests;
