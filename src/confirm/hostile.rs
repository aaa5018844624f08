//! What must hold of any answer of a resolver, a parent or a zone's server.

use hickory_proto::op::{Message, Query};
use hickory_proto::rr::{Name, RecordType as WireType};

use super::ask;
use super::delegation::{ADDRESSES, addresses, delegation, enclosing, nameservers};
use crate::dns::answer;
use crate::dns::message::wire_name;
use crate::name::DnsName;
use crate::record::RecordType;
use crate::settings::SERVERS;

/// An answer over UDP: as it is, and with a header that belongs to the question.
pub fn any_answer(raw: &[u8]) -> bool {
    let mut mended = raw.to_vec();
    if let Some(head) = mended.first_chunk_mut::<12>() {
        // An answer to a query with this id, with the flags and the code that it has.
        head[0] = 0x12;
        head[1] = 0x67;
        head[2] = 0x80 | (head[2] & 0x07);
        // Few records, so that they fit.
        for high in [4, 6, 8, 10] {
            head[high] = 0;
        }
    }
    read(raw) | read(&mended)
}

fn read(raw: &[u8]) -> bool {
    let names = ["gauge.heronmill.example", "heronmill.example", "example"].map(DnsName::parse);
    let [Ok(gauge), Ok(zone), Ok(parent)] = names.map(|name| name.map(|name| wire_name(&name))) else { return false };
    let (Ok(gauge), Ok(zone), Ok(parent)) = (gauge, zone, parent) else { return false };
    let asked = Query::query(gauge.clone(), WireType::A);
    let Some(message) = answer::belongs(raw, 0x1267, &asked) else { return false };
    assert!(message.metadata.id == 0x1267 && message.queries == [asked]);
    holds(&message, &gauge, &zone, &parent);
    true
}

fn holds(message: &Message, gauge: &Name, zone: &Name, parent: &Name) {
    if let Some(set) = answer::addresses(gauge, RecordType::A, message) {
        assert!(!set.addresses.is_empty() && set.addresses.iter().all(|address| address.is_ipv4()));
    }
    assert!(ask::authority(message).is_err() || message.metadata.authoritative);
    let _ = answer::serial(zone, message);
    assert!(enclosing(gauge, message).is_none_or(|apex| apex.zone_of(gauge)));
    assert!(nameservers(zone, message).len() <= SERVERS && addresses(message).count() <= ADDRESSES);
    if let Ok(servers) = delegation(zone, parent, message) {
        assert!(!servers.is_empty() && servers.len() <= SERVERS);
        for (name, glue) in &servers {
            assert!(glue.len() <= ADDRESSES && (glue.is_empty() || parent.zone_of(name)));
        }
    }
}
