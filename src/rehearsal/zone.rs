//! One zone's records, and the rules of RFC 2136, section 3, for changing them. Pure.

use std::collections::BTreeMap;
use std::net::IpAddr;

use hickory_proto::ProtoError;
use hickory_proto::op::{Message, ResponseCode as Rcode};
use hickory_proto::rr::rdata::SOA;
use hickory_proto::rr::{DNSClass, Name, RData, Record, RecordType as Type, SerialNumber};

use crate::dns::message::{wire_name, wire_type};
use crate::name::DnsName;
use crate::record::{RecordType, RrSet};

#[derive(Clone, Debug, PartialEq, Eq)]
struct Set {
    ttl: u32,
    data: Vec<RData>,
}

impl Set {
    /// Equality as of sets: the order of members means nothing.
    fn same(&self, other: &[RData]) -> bool {
        self.data.len() == other.len() && other.iter().all(|data| self.data.contains(data))
    }
}

/// The records of one zone.
#[derive(Clone, Debug)]
pub struct Zone {
    apex: Name,
    soa: SOA,
    sets: BTreeMap<(Name, Type), Set>,
}

impl Zone {
    pub(super) fn new(apex: &DnsName, records: Vec<Record>) -> Result<Self, ProtoError> {
        let apex = wire_name(apex)?;
        let soa = SOA::new(apex.prepend_label("ns1")?, apex.prepend_label("hostmaster")?, 1, 3600, 900, 604_800, 300);
        let mut zone = Self { apex, soa, sets: BTreeMap::new() };
        for record in records {
            match record.data {
                RData::SOA(soa) => zone.soa = soa,
                data => zone.add(record.name, record.ttl, data),
            }
        }
        Ok(zone)
    }

    pub(super) fn serial(&self) -> u32 {
        self.soa.serial
    }

    pub(super) fn addresses(&self, name: &DnsName, rtype: RecordType) -> Option<RrSet> {
        let set = self.sets.get(&(wire_name(name).ok()?, wire_type(rtype)))?;
        Some(RrSet { ttl: set.ttl, addresses: set.data.iter().filter_map(RData::ip_addr).collect() })
    }

    /// Puts `set` in the place of the address RRset at `name`, or removes that; a CNAME there goes.
    /// Raises the serial. Addresses of the other family are left out; a name of another zone changes nothing.
    pub fn set(&mut self, name: &DnsName, rtype: RecordType, set: Option<&RrSet>) {
        let Some(name) = wire_name(name).ok().filter(|name| self.apex.zone_of(name)) else { return };
        self.sets.remove(&(name.clone(), Type::CNAME));
        self.sets.remove(&(name.clone(), wire_type(rtype)));
        for address in set.iter().flat_map(|set| &set.addresses) {
            let data = match address {
                IpAddr::V4(v4) => RData::A((*v4).into()),
                IpAddr::V6(v6) => RData::AAAA((*v6).into()),
            };
            if data.record_type() == wire_type(rtype) {
                self.add(name.clone(), set.map_or(0, |set| set.ttl), data);
            }
        }
        self.raise();
    }

    /// Serial arithmetic skips 0 here, as servers commonly do.
    fn raise(&mut self) {
        self.soa.serial = self.soa.serial.wrapping_add(1).max(1);
    }

    fn exists(&self, name: &Name) -> bool {
        *name == self.apex || self.sets.keys().any(|(owner, _)| name.zone_of(owner))
    }

    fn in_use(&self, name: &Name) -> bool {
        *name == self.apex || self.sets.keys().any(|(owner, _)| owner == name)
    }

    fn holds(&self, name: &Name, rtype: Type) -> bool {
        (rtype == Type::SOA && *name == self.apex) || self.sets.contains_key(&(name.clone(), rtype))
    }

    /// Answers a query (RFC 1034, section 4.3.2); CNAMEs are not followed, wildcards are not expanded.
    pub(super) fn lookup(&self, request: &Message, answer: &mut Message) {
        let [question] = request.queries.as_slice() else {
            answer.metadata.response_code = Rcode::FormErr;
            return;
        };
        let (name, qtype) = (question.name().clone(), question.query_type());
        if !self.apex.zone_of(&name) || question.query_class() != DNSClass::IN {
            answer.metadata.response_code = Rcode::Refused;
            return;
        }
        let mut cut = name.clone();
        while cut != self.apex {
            if let Some(set) = self.sets.get(&(cut.clone(), Type::NS)) {
                let ns = set.data.iter().map(|data| Record::from_rdata(cut.clone(), set.ttl, data.clone()));
                answer.add_authorities(ns);
                return;
            }
            cut = cut.base_name();
        }
        answer.metadata.authoritative = true;
        for ((owner, rtype), set) in &self.sets {
            if *owner == name && (*rtype == qtype || matches!((*rtype, qtype), (Type::CNAME, _) | (_, Type::ANY))) {
                answer.add_answers(set.data.iter().map(|data| Record::from_rdata(name.clone(), set.ttl, data.clone())));
            }
        }
        let soa = Record::from_rdata(self.apex.clone(), self.soa.minimum, RData::SOA(self.soa.clone()));
        if name == self.apex && matches!(qtype, Type::SOA | Type::ANY) {
            answer.add_answer(soa);
        } else if answer.answers.is_empty() {
            if !self.exists(&name) {
                answer.metadata.response_code = Rcode::NXDomain;
            }
            answer.add_authority(soa);
        }
    }

    /// Carries out an update whose sender is known, all of it or nothing.
    pub(super) fn update(&mut self, request: &Message) -> Result<(), Rcode> {
        let [zone] = request.queries.as_slice() else { return Err(Rcode::FormErr) };
        if zone.query_type() != Type::SOA {
            return Err(Rcode::FormErr);
        }
        if *zone.name() != self.apex || zone.query_class() != DNSClass::IN {
            return Err(Rcode::NotAuth);
        }
        self.prerequisites(&request.answers)?;
        self.prescan(&request.authorities)?;
        let before = self.clone();
        for record in &request.authorities {
            match record.dns_class {
                DNSClass::IN => self.add(record.name.clone(), record.ttl, record.data.clone()),
                DNSClass::ANY => self.delete_sets(&record.name, record.record_type()),
                _ => self.delete_member(&record.name, &record.data),
            }
        }
        let same = |(key, set): (&(Name, Type), &Set)| {
            before.sets.get(key).is_some_and(|old| old.ttl == set.ttl && old.same(&set.data))
        };
        let unchanged = before.sets.len() == self.sets.len() && self.sets.iter().all(same);
        // An SOA in the update has its own serial.
        if !unchanged && self.soa.serial == before.soa.serial {
            self.raise();
        }
        Ok(())
    }

    /// RFC 2136, section 3.2.
    fn prerequisites(&self, records: &[Record]) -> Result<(), Rcode> {
        let mut wanted: BTreeMap<(Name, Type), Vec<RData>> = BTreeMap::new();
        for record in records {
            let (name, rtype) = (&record.name, record.record_type());
            if record.ttl != 0 {
                return Err(Rcode::FormErr);
            }
            if !self.apex.zone_of(name) {
                return Err(Rcode::NotZone);
            }
            let bare = matches!(record.data, RData::Update0(_));
            match (record.dns_class, rtype) {
                (DNSClass::ANY | DNSClass::NONE, _) if !bare => return Err(Rcode::FormErr),
                (DNSClass::ANY, Type::ANY) if !self.in_use(name) => return Err(Rcode::NXDomain),
                (DNSClass::NONE, Type::ANY) if self.in_use(name) => return Err(Rcode::YXDomain),
                (DNSClass::ANY | DNSClass::NONE, Type::ANY) => {}
                (DNSClass::ANY, _) if !self.holds(name, rtype) => return Err(Rcode::NXRRSet),
                (DNSClass::NONE, _) if self.holds(name, rtype) => return Err(Rcode::YXRRSet),
                (DNSClass::ANY | DNSClass::NONE, _) => {}
                (DNSClass::IN, _) if !bare => {
                    let members = wanted.entry((name.clone(), rtype)).or_default();
                    if !members.contains(&record.data) {
                        members.push(record.data.clone());
                    }
                }
                _ => return Err(Rcode::FormErr),
            }
        }
        let holds = |(key, members): (&(Name, Type), &Vec<RData>)| match self.sets.get(key) {
            Some(set) => set.same(members),
            None => *key == (self.apex.clone(), Type::SOA) && *members == [RData::SOA(self.soa.clone())],
        };
        if wanted.iter().all(holds) { Ok(()) } else { Err(Rcode::NXRRSet) }
    }

    /// RFC 2136, section 3.4.1: after this nothing can fail.
    fn prescan(&self, records: &[Record]) -> Result<(), Rcode> {
        for record in records {
            if !self.apex.zone_of(&record.name) {
                return Err(Rcode::NotZone);
            }
            let bare = matches!(record.data, RData::Update0(_));
            // Types 128 to 255 are for questions and transactions only (RFC 6895, section 3.1); 41 is OPT.
            let number = u16::from(record.record_type());
            let meta = (128..=255).contains(&number) || number == 41;
            let sound = match record.dns_class {
                DNSClass::IN => !meta && !bare,
                DNSClass::ANY => record.ttl == 0 && bare && (!meta || record.record_type() == Type::ANY),
                DNSClass::NONE => record.ttl == 0 && !meta && !bare,
                _ => false,
            };
            if !sound {
                return Err(Rcode::FormErr);
            }
        }
        Ok(())
    }

    /// RFC 2136, section 3.4.2.2: CNAME and other data shut each other out, silently.
    fn add(&mut self, name: Name, ttl: u32, data: RData) {
        let rtype = data.record_type();
        if let RData::SOA(soa) = data {
            if name == self.apex && SerialNumber::from(soa.serial) > SerialNumber::from(self.soa.serial) {
                self.soa = soa;
            }
            return;
        }
        let other = |(owner, there): &(Name, Type)| *owner == name && (*there == Type::CNAME) != (rtype == Type::CNAME);
        if self.sets.keys().any(other) || (rtype == Type::CNAME && name == self.apex) {
            return;
        }
        let set = self.sets.entry((name, rtype)).or_insert(Set { ttl, data: Vec::new() });
        // One TTL for all (RFC 2181, section 5.2): the newest.
        set.ttl = ttl;
        if rtype == Type::CNAME {
            set.data.clear();
        }
        if !set.data.contains(&data) {
            set.data.push(data);
        }
    }

    /// RFC 2136, section 3.4.2.3: the apex keeps its SOA and NS.
    fn delete_sets(&mut self, name: &Name, rtype: Type) {
        let apex = *name == self.apex;
        self.sets.retain(|(owner, there), _| {
            owner != name || (rtype != Type::ANY && *there != rtype) || (apex && *there == Type::NS)
        });
    }

    /// RFC 2136, section 3.4.2.4: the apex keeps its last NS.
    fn delete_member(&mut self, name: &Name, data: &RData) {
        let key = (name.clone(), data.record_type());
        let last_ns = |set: &Set| key == (self.apex.clone(), Type::NS) && set.data.len() == 1;
        let Some(set) = self.sets.get_mut(&key).filter(|set| !last_ns(set)) else { return };
        set.data.retain(|there| there != data);
        if set.data.is_empty() {
            self.sets.remove(&key);
        }
    }
}
