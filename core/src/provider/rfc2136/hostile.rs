//! What must hold of any answer to a signed and to an unsigned request.

use hickory_proto::rr::RecordType as WireType;

use super::judge::{Answer, Context, Task, Writing, judge};
use super::read;
use crate::clock::Timestamp;
use crate::dns::message::{query, seal, signer, wire_name};
use crate::dns::tsig::{TsigAlgorithm, TsigKey};
use crate::name::DnsName;
use crate::provider::FaultKind;
use crate::record::RecordType;
use crate::secret::Secret;

const NOW: u64 = 1_790_000_000;

/// An answer over DNS: as it is, and with a header that belongs to the request.
pub fn any_answer(raw: &[u8]) -> bool {
    let mut mended = raw.to_vec();
    if let Some(head) = mended.first_chunk_mut::<12>() {
        let code = head[3] & 0x0f;
        head[..4].copy_from_slice(&[0x12, 0x67, 0x84, code]);
        // Few records, so that they fit.
        for high in [4, 6, 8, 10] {
            head[high] = 0;
        }
    }
    answer(raw) | answer(&mended)
}

fn answer(raw: &[u8]) -> bool {
    let names = ["heronmill.example", "gauge.heronmill.example", "gauge-key"].map(DnsName::parse);
    let [Ok(zone), Ok(gauge), Ok(name)] = names else { return false };
    let key = TsigKey { name, algorithm: TsigAlgorithm::HmacSha256, secret: Secret::new(b"secret".to_vec()) };
    let (Ok(signer), Ok(apex), Ok(name)) = (signer(&key), wire_name(&zone), wire_name(&gauge)) else { return false };
    let sent = |signer| seal(query(name.clone(), WireType::A), 4711, signer, Timestamp::from_millis(NOW * 1000));
    let (Ok(signed), Ok(unsigned)) = (sent(Some(&signer)), sent(None)) else { return false };

    let judged = judge(raw, signed);
    assert!(!matches!(judged, Answer::Believed(_)), "nobody has the key");
    let context =
        Context { server: "ns1", zone: &zone, key: Some(&key), key_known: false, task: Task::Read, signed_at: NOW };
    match (Context { task: Task::Write(Writing::Changes(&[])), ..context }).accept(judged) {
        Ok(_) => unreachable!("an unsigned answer was accepted"),
        Err(fault) => assert!(fault.kind != FaultKind::Conflict),
    }

    let judged = judge(raw, unsigned);
    let believed = matches!(judged, Answer::Believed(_));
    if let Ok(message) = (Context { key: None, ..context }).accept(judged) {
        assert!(believed);
        let _ = read::serial(&apex, &message);
        let _ = read::cname(&name, &message);
        if let read::Enclosing::Cut(cut) = read::zone_of(&apex, &name, &message) {
            assert!(cut != apex && apex.zone_of(&cut) && cut.zone_of(&name));
        }
        if let Ok(finding) = read::standing(&apex, &name, &[(RecordType::A, message)]) {
            assert!(finding.standing.sets.iter().all(|(rtype, set)| {
                *rtype == RecordType::A && !set.addresses.is_empty() && set.addresses.iter().all(|it| it.is_ipv4())
            }));
        }
    }
    believed
}
