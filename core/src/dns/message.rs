//! Questions, and how any message is signed (RFC 8945). Pure: id and time are arguments.

use hickory_proto::ProtoError;
use hickory_proto::op::{Message, MessageType, OpCode, Query};
use hickory_proto::rr::rdata::tsig::TsigAlgorithm as WireAlgorithm;
use hickory_proto::rr::{Name, RecordType as WireType, TSigVerifier, TSigner};

use crate::clock::Timestamp;
use crate::dns::tsig::{TsigAlgorithm, TsigKey};
use crate::name::DnsName;
use crate::record::RecordType;

/// Seconds by which the clocks of both sides may differ (RFC 8945, section 10, recommends 300).
pub const FUDGE: u16 = 300;

/// The name as the wire has it. An error is not expected: a [`DnsName`] keeps the limits of RFC 1035.
pub fn wire_name(name: &DnsName) -> Result<Name, ProtoError> {
    // Bytes, not text: the text form refuses labels that a `DnsName` may hold.
    Name::from_labels(name.as_str().split('.').map(str::as_bytes))
}

/// The type as the wire has it.
pub fn wire_type(rtype: RecordType) -> WireType {
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
pub fn signer(key: &TsigKey) -> Result<TSigner, ProtoError> {
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
pub fn verifiable(message: &Message) -> bool {
    message.signature().is_some_and(|record| record.data.time >= u64::from(record.data.fudge))
}

/// A request on its way, with what is needed to judge its answer.
pub struct Sent {
    /// The id in the header, which TSIG does not cover.
    pub id: u16,
    /// The bytes, without the length prefix of TCP.
    pub wire: Vec<u8>,
    /// The question or the zone section.
    pub question: Option<Query>,
    /// Queries and updates are answered in kind.
    pub op_code: OpCode,
    /// The time it was signed with, in seconds since the Unix epoch.
    pub signed_at: u64,
    /// Absent when nothing was signed.
    pub verifier: Option<TSigVerifier>,
}

/// Gives `message` its id and its signature. Fails when it does not fit 65,535 bytes.
pub fn seal(mut message: Message, id: u16, signer: Option<&TSigner>, now: Timestamp) -> Result<Sent, ProtoError> {
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
pub fn query(name: Name, rtype: WireType) -> Message {
    let mut message = Message::new(0, MessageType::Query, OpCode::Query);
    message.add_query(Query::query(name, rtype));
    message
}
