//! Judges answers: whether they can be believed (RFC 8945, section 5.3), and what a refusal means. Pure.

use std::cmp::Ordering;

use hickory_proto::op::{Message, MessageType, ResponseCode as Rcode};
use hickory_proto::rr::rdata::tsig::TsigError;

use crate::dns::message::{Sent, algorithm_name, verifiable};
use crate::dns::tsig::TsigKey;
use crate::name::DnsName;
use crate::provider::{Change, Fault, FaultKind};

/// How a key that was changed here comes into force: systemd copies credentials when it starts a service, and not later.
const RENEWED: &str =
    "a key that was changed here counts from a reload on, one that is a systemd credential from a restart";

/// What an answer is worth.
pub enum Answer {
    /// The key's own word; or we signed nothing and can expect nothing.
    Believed(Message),
    /// We signed, and this is not signed: its error is a hint, and its success is nothing.
    Claimed(Rcode, Option<TsigError>),
    /// It is signed, but not by our key and for our request.
    Forged,
    /// It is no answer to what was sent.
    Junk,
}

/// Judges the bytes that came for `sent`, in the order that is safe: parse, id, presence of a signature, signature.
pub fn judge(raw: &[u8], sent: Sent) -> Answer {
    let Ok(message) = Message::from_vec(raw) else { return Answer::Junk };
    let header = &message.metadata;
    if header.id != sent.id
        || header.message_type != MessageType::Response
        || header.op_code != sent.op_code
        || header.truncation
        || message.queries.first().is_some_and(|question| Some(question) != sent.question.as_ref())
    {
        return Answer::Junk;
    }
    let Some(mut verifier) = sent.verifier else { return Answer::Believed(message) };
    let Some(tsig) = message.signature().map(|record| &record.data) else {
        return Answer::Claimed(header.response_code, None);
    };
    if tsig.mac.is_empty() {
        // BADKEY and BADSIG cannot be signed (RFC 8945, section 5.2).
        return Answer::Claimed(header.response_code, tsig.error);
    }
    match verifiable(&message) && verifier.verify(raw).is_ok() {
        true => Answer::Believed(message),
        false => Answer::Forged,
    }
}

/// Whether a server may have answered so because it did not take the signature. PowerDNS says no more of a wrong key,
/// secret or clock than NOTAUTH to a query and REFUSED to an update, unsigned and without a TSIG error (measured with
/// 4.7), although RFC 8945, section 5.2, wants one.
pub fn may_mean_the_signature(answer: &Answer) -> bool {
    matches!(answer, Answer::Claimed(Rcode::NotAuth | Rcode::Refused, None))
}

/// What was asked for.
#[derive(Clone, Copy)]
pub enum Task<'a> {
    /// A query, or an update without a change in it: an error leaves nothing in doubt.
    Read,
    /// An update that changes something.
    Write(Writing<'a>),
}

/// What an update changes.
#[derive(Clone, Copy)]
pub enum Writing<'a> {
    /// These address records.
    Changes(&'a [Change]),
    /// The TXT record at this name.
    Text(&'a DnsName),
}

/// Who asked whom for what: all that an explanation needs.
#[derive(Clone, Copy)]
pub struct Context<'a> {
    /// The server, as people know it.
    pub server: &'a str,
    /// The zone.
    pub zone: &'a DnsName,
    /// The key that signed.
    pub key: Option<&'a TsigKey>,
    /// The server has signed an answer with this key before.
    pub key_known: bool,
    /// What was asked for.
    pub task: Task<'a>,
    /// When, in seconds since the Unix epoch, by our clock.
    pub signed_at: u64,
}

impl Context<'_> {
    /// The message of a believed answer without an error; for a read, NXDOMAIN is none (RFC 2308, section 2.1), nor is
    /// YXDOMAIN, which tells of a DNAME above the name (RFC 6672, section 2.2).
    pub fn accept(&self, answer: Answer) -> Result<Message, Fault> {
        let server = self.server;
        match answer {
            Answer::Junk => Err(self.doubt(
                format!("what {server} answered is not a DNS answer to what was asked"),
                "see whether a DNS server listens there, and speaks TCP",
            )),
            Answer::Forged => Err(self.doubt(
                format!("the answer of {server} is not signed by the key {} and cannot be believed", self.key_name()),
                "see who answers at that address",
            )),
            Answer::Claimed(rcode, error) => Err(self.hint(rcode, error)),
            Answer::Believed(message) => {
                let tsig = message.signature().map(|record| &record.data);
                if let Some(error) = tsig.and_then(|tsig| tsig.error) {
                    return Err(self.tsig_error(error, tsig.map_or(&[], |tsig| &tsig.other), "signed"));
                }
                match (message.metadata.response_code, self.task) {
                    (Rcode::NoError, _) | (Rcode::NXDomain | Rcode::YXDomain, Task::Read) => Ok(message),
                    (rcode, _) => Err(self.refusal(rcode)),
                }
            }
        }
    }

    /// Nothing can be concluded: a read is repeated, a write may have happened.
    pub fn doubt(&self, why: String, remedy: &str) -> Fault {
        match self.task {
            Task::Read => Fault::passing(why, remedy),
            Task::Write(_) => Fault::new(FaultKind::InDoubt, why, remedy),
        }
    }

    /// An unsigned answer to a signed request: what it says is told, and nothing is concluded from it. Anybody on the way
    /// could have said it, also after a write had been passed on.
    fn hint(&self, rcode: Rcode, error: Option<TsigError>) -> Fault {
        let fault = self.hinted(rcode, error);
        let kind = match (fault.kind, self.task) {
            (FaultKind::Refused, _) => FaultKind::Unproven,
            (_, Task::Write(_)) => FaultKind::InDoubt,
            (kind, Task::Read) => kind,
        };
        Fault { kind, ..fault }
    }

    /// What an unsigned answer would mean if it were true.
    fn hinted(&self, rcode: Rcode, error: Option<TsigError>) -> Fault {
        if let Some(error) = error {
            return self.tsig_error(error, &[], "unsigned, so a hint only");
        }
        let (server, zone, key) = (self.server, self.zone, self.key_name());
        let code = format!("{}, unsigned, so a hint only", code(rcode));
        match rcode {
            // Knot answers so (measured with 3.2).
            Rcode::NotAuth => self.not_served(&code),
            Rcode::Refused => Fault::refused(
                format!("{server} refuses to serve us ({code})"),
                format!(
                    "check that {server} is the primary of {zone} and lets this machine, with the key {key}, in; PowerDNS \
                     says no more either of a wrong key or a wrong clock, but its log does"
                ),
            ),
            Rcode::FormErr | Rcode::NotImp => Fault::refused(
                format!("{server} does not understand signed requests or dynamic updates ({code})"),
                format!("set `server` to a primary of {zone} that has RFC 2136 and RFC 8945"),
            ),
            _ => self.doubt(
                format!(
                    "{server} answered {} without the signature of the key {key}: that cannot be believed",
                    self::code(rcode)
                ),
                "see who answers at that address, and whether that server signs its answers (RFC 8945)",
            ),
        }
    }

    /// The TSIG errors of RFC 8945, section 5.2.
    fn tsig_error(&self, error: TsigError, other: &[u8], standing: &str) -> Fault {
        let (server, key) = (self.server, self.key_name());
        let algorithm = self.key.map_or("", |key| algorithm_name(key.algorithm));
        match (error, self.task) {
            // Knot says so of a key that no ACL of the zone lets do this (measured with 3.2).
            (TsigError::BadKey, Task::Write(_)) if self.key_known => Fault::refused(
                format!(
                    "{server} knows the key {key} but does not let it change {} (BADKEY, {standing})",
                    self.written()
                ),
                self.permission(),
            ),
            // To Knot a key that no ACL of the zone names is unknown, for queries too (measured with 3.2).
            (TsigError::BadKey, _) => Fault::refused(
                format!("{server} does not know the key {key} with {algorithm} (BADKEY, {standing})"),
                format!(
                    "give {server} that key (Knot also wants it in an `acl` of {}), or correct `key.name` and `key.algorithm` here; {RENEWED}",
                    self.zone
                ),
            ),
            (TsigError::BadSig, _) => Fault::refused(
                format!("the secret of the key {key} is not the one {server} has (BADSIG, {standing})"),
                format!("make `key.secret` here and the secret of {key} on {server} the same; {RENEWED}"),
            ),
            (TsigError::BadTime, _) => Fault::passing(
                format!("{} (BADTIME, {standing})", self.skew(other)),
                "set the clock that is wrong, for example by NTP (RFC 5905)",
            ),
            (TsigError::BadTrunc, _) => Fault::refused(
                format!("{server} does not take the length of our signature (BADTRUNC, {standing})"),
                format!("let {server} take full {algorithm} signatures"),
            ),
            (TsigError::Unknown(number), _) => self.doubt(
                format!("{server} answered with the TSIG error {number} ({standing})"),
                "see the log of that server",
            ),
        }
    }

    /// A signed question was refused by an unsigned word, and answered when it was not signed. Among the reasons is a
    /// wrong clock, which is set right in time: a home that has just got its power back must not be held for it.
    pub fn signature_not_taken(&self) -> Fault {
        let (server, key) = (self.server, self.key_name());
        let algorithm = self.key.map_or("", |key| algorithm_name(key.algorithm));
        Fault::passing(
            format!("{server} answers for {}, but not to what the key {key} signs, and does not say why", self.zone),
            format!(
                "see the log of {server}: either a clock is wrong (set it, for example by NTP), or {server} does not have \
                 the key {key} with {algorithm} and the same secret"
            ),
        )
    }

    /// How far the clocks are apart, by the server's time in the other-data (RFC 8945, section 5.2.3).
    fn skew(&self, other: &[u8]) -> String {
        let server = self.server;
        if other.len() != 6 {
            return format!("this clock and that of {server} are too far apart");
        }
        let theirs = other.iter().fold(0, |time, octet| time << 8 | u64::from(*octet));
        let seconds = self.signed_at.abs_diff(theirs);
        match self.signed_at.cmp(&theirs) {
            Ordering::Greater => format!("this clock is {seconds} s ahead of that of {server}"),
            Ordering::Less => format!("this clock is {seconds} s behind that of {server}"),
            Ordering::Equal => format!("{server} finds this clock wrong but names the same time"),
        }
    }

    /// A refusal that is signed, or of a server whose answers never are.
    fn refusal(&self, rcode: Rcode) -> Fault {
        let fault = self.refused(rcode);
        match fault.kind {
            FaultKind::Refused if self.key.is_none() => Fault { kind: FaultKind::Unproven, ..fault },
            _ => fault,
        }
    }

    /// A believed refusal (RFC 2136, section 3; as BIND 9.18 and Knot 3.2 use the codes).
    fn refused(&self, rcode: Rcode) -> Fault {
        let (server, zone) = (self.server, self.zone);
        let standing = format!("{}, {}", code(rcode), if self.key.is_some() { "signed" } else { "unsigned" });
        match (rcode, self.task) {
            (Rcode::NXRRSet | Rcode::YXRRSet | Rcode::NXDomain | Rcode::YXDomain, _) => Fault::new(
                FaultKind::Conflict,
                format!("{} is not as it was read from {server} ({standing})", self.written()),
                "",
            ),
            (Rcode::Refused, Task::Write(_)) if self.key.is_some() => Fault::refused(
                format!("{server} does not let the key {} change {} ({standing})", self.key_name(), self.written()),
                self.permission(),
            ),
            (Rcode::Refused, Task::Write(_)) => Fault::refused(
                format!("{server} takes no unsigned update of {zone} ({standing})"),
                "set `key`, or let that server take updates from its own machine",
            ),
            (Rcode::Refused, Task::Read) => Fault::refused(
                format!("{server} does not answer for {zone} ({standing})"),
                format!("check that {server} serves {zone} and lets this machine query it"),
            ),
            (Rcode::NotAuth, Task::Write(_)) if self.key.is_none() => Fault::refused(
                format!("{server} does not serve {zone}, or takes no unsigned update of it ({standing})"),
                "check `zone` and `server`, or set `key`",
            ),
            (Rcode::NotAuth, _) => self.not_served(&standing),
            (Rcode::NotZone, _) => Fault::refused(
                format!("{server} finds {} outside the zone {zone} ({standing})", self.written()),
                "correct the record's name, or its provider's `zone`",
            ),
            (Rcode::FormErr | Rcode::NotImp, _) => Fault::refused(
                format!("{server} does not do dynamic updates, or not as RFC 2136 has them ({standing})"),
                format!("set `server` to a primary of {zone} that does"),
            ),
            (Rcode::ServFail, _) => {
                Fault::passing(format!("{server} failed ({standing})"), "see the log of that server if it lasts")
            }
            _ => self.doubt(format!("{server} answered {standing}"), "see the log of that server"),
        }
    }

    fn not_served(&self, standing: &str) -> Fault {
        let (server, zone) = (self.server, self.zone);
        Fault::refused(
            format!("{server} is not the authority for the zone {zone} ({standing})"),
            format!(
                "set `zone` to the zone's apex and `server` to its primary: {server} does not serve {zone} as a zone"
            ),
        )
    }

    fn permission(&self) -> String {
        let mut remedy = format!(
            "let {} change {} on {}: in BIND a grant in the zone's `update-policy`, in Knot an `acl` of the zone with `action: update`",
            self.key_name(),
            self.written(),
            self.server
        );
        // Measured with 9.18: it refuses an address at any other name, whatever the key may.
        if let Task::Write(Writing::Changes(changes)) = self.task
            && let Some(odd) = changes.iter().find(|change| !is_host_name(&change.name))
        {
            remedy += &format!(
                "; besides, {} is no host name (RFC 1123, 2.1), which BIND takes only with `check-names ignore` in the zone",
                odd.name
            );
        }
        remedy
    }

    fn key_name(&self) -> &str {
        self.key.map_or("(none)", |key| key.name.as_str())
    }

    /// What was to be written, the first few by name.
    fn written(&self) -> String {
        let changes = match self.task {
            Task::Read => return self.zone.to_string(),
            Task::Write(Writing::Text(name)) => return format!("{name} TXT"),
            Task::Write(Writing::Changes(changes)) => changes,
        };
        let named: Vec<_> = changes.iter().take(3).map(|change| format!("{} {}", change.name, change.rtype)).collect();
        match changes.len().saturating_sub(named.len()) {
            0 => named.join(", "),
            more => format!("{} and {more} more", named.join(", ")),
        }
    }
}

/// RFC 1123, section 2.1, by way of RFC 952; a wildcard stands for such names.
fn is_host_name(name: &DnsName) -> bool {
    let name = name.as_str();
    let alphanumeric = |c: char| c.is_ascii_alphanumeric();
    name.strip_prefix("*.")
        .unwrap_or(name)
        .split('.')
        .all(|label| !label.contains('_') && label.starts_with(alphanumeric) && label.ends_with(alphanumeric))
}

/// The code by its name in the registry (RFC 6895, section 2.3), as servers log it.
pub fn code(rcode: Rcode) -> String {
    match rcode {
        Rcode::NoError => "NOERROR".to_owned(),
        Rcode::FormErr => "FORMERR".to_owned(),
        Rcode::ServFail => "SERVFAIL".to_owned(),
        Rcode::NXDomain => "NXDOMAIN".to_owned(),
        Rcode::NotImp => "NOTIMP".to_owned(),
        Rcode::Refused => "REFUSED".to_owned(),
        Rcode::YXDomain => "YXDOMAIN".to_owned(),
        Rcode::YXRRSet => "YXRRSET".to_owned(),
        Rcode::NXRRSet => "NXRRSET".to_owned(),
        Rcode::NotAuth => "NOTAUTH".to_owned(),
        Rcode::NotZone => "NOTZONE".to_owned(),
        other => format!("RCODE {}", u16::from(other)),
    }
}

#[cfg(test)]
mod tests {
    use hickory_proto::op::{Message, OpCode};
    use hickory_proto::rr::{Name, RData, Record, RecordType, TSigResponseContext, TSigner};
    use proptest::prelude::*;

    use super::{Answer, Context, Task, Writing, judge};
    use crate::clock::Timestamp;
    use crate::dns::message::{Sent, query, seal, signer};
    use crate::dns::tsig::{TsigAlgorithm, TsigKey};
    use crate::name::DnsName;
    use crate::provider::FaultKind;
    use crate::secret::Secret;

    const NOW: u64 = 1_790_000_000;

    fn key() -> TsigKey {
        let name = DnsName::parse("gauge-key").unwrap();
        TsigKey { name, algorithm: TsigAlgorithm::HmacSha256, secret: Secret::new(b"secret".to_vec()) }
    }

    fn sent() -> (Sent, TSigner) {
        let signer = signer(&key()).unwrap();
        let name = Name::from_ascii("gauge.heronmill.example.").unwrap();
        let now = Timestamp::from_millis(NOW * 1000);
        (seal(query(name, RecordType::A), 4711, Some(&signer), now).unwrap(), signer)
    }

    /// What a server that has the key answers at `time`.
    fn signed(sent: &Sent, signer: &TSigner, time: u64) -> Vec<u8> {
        let request = Message::from_vec(&sent.wire).unwrap();
        let mut answer = Message::response(4711, OpCode::Query);
        answer.metadata.authoritative = true;
        answer.queries.clone_from(&request.queries);
        let data = RData::from(std::net::Ipv4Addr::new(203, 0, 113, 9));
        answer.add_answer(Record::from_rdata(request.queries[0].name().clone(), 120, data));
        let mac = request.signature().unwrap().data.mac.clone();
        let context = TSigResponseContext::new(4711, time, signer.clone(), mac, None);
        let tsig = context.sign(&answer.to_vec().unwrap()).unwrap();
        answer.set_signature(tsig);
        answer.to_vec().unwrap()
    }

    #[test]
    fn a_signed_answer_is_believed_within_the_fudge_and_for_its_request_only() {
        let (request, signer) = sent();
        let answer = signed(&request, &signer, NOW + 299);
        assert!(matches!(judge(&answer, request), Answer::Believed(_)));
        let (request, signer) = sent();
        let late = signed(&request, &signer, NOW + 400);
        assert!(matches!(judge(&late, request), Answer::Forged));
        // The same question, asked a second later: the old answer's MAC covers the old request's.
        let (old, signer) = sent();
        let replayed = signed(&old, &signer, NOW);
        let name = Name::from_ascii("gauge.heronmill.example.").unwrap();
        let now = Timestamp::from_millis((NOW + 1) * 1000);
        let new = seal(query(name, RecordType::A), 4711, Some(&signer), now).unwrap();
        assert!(matches!(judge(&replayed, new), Answer::Forged));
    }

    #[test]
    fn a_time_before_the_fudge_is_survived() {
        let (request, signer) = sent();
        let answer = signed(&request, &signer, 1);
        assert!(matches!(judge(&answer, request), Answer::Forged));
    }

    proptest! {
        #![proptest_config(ProptestConfig::with_cases(2000))]

        #[test]
        fn junk_is_survived_and_never_believed(mut raw in proptest::collection::vec(any::<u8>(), 0..600), ours in any::<bool>()) {
            if ours && raw.len() > 12 {
                // Far enough into the header to reach the records.
                raw[..6].copy_from_slice(&[0x12, 0x67, 0x84, 0, 0, 0]);
                for high in [6, 8, 10] { raw[high] = 0; }
            }
            let (request, _) = sent();
            let answer = judge(&raw, request);
            prop_assert!(!matches!(answer, Answer::Believed(_)));
            let (zone, key) = (DnsName::parse("heronmill.example").unwrap(), key());
            let context = Context { server: "ns1", zone: &zone, key: Some(&key), key_known: false, task: Task::Write(Writing::Changes(&[])), signed_at: NOW };
            let fault = context.accept(answer).unwrap_err();
            prop_assert!(fault.kind != FaultKind::Conflict);
        }

        /// RFC 8945, section 4.3: the MAC covers all of the message but the id and the TSIG record's own frame.
        #[test]
        fn a_changed_answer_is_not_believed(bit in 0usize..8, at in any::<prop::sample::Index>()) {
            let (request, signer) = sent();
            let sound = signed(&request, &signer, NOW);
            let mut changed = sound.clone();
            let at = at.index(changed.len());
            changed[at] ^= 1 << bit;
            if let Answer::Believed(message) = judge(&changed, request) {
                let mut sound = Message::from_vec(&sound).unwrap();
                let mut message = message;
                sound.take_signature();
                message.take_signature();
                prop_assert_eq!(message, sound);
            }
        }
    }
}
