use std::net::Ipv4Addr;

use hickory_proto::rr::rdata::{A, NS, SOA};
use proptest::prelude::*;
use ring::hmac;

use super::*;
use crate::dns::message::signer;
use crate::dns::tsig::{TsigAlgorithm, TsigKey};
use crate::name::DnsName;
use crate::secret::Secret;

const NOW: u64 = 1_790_000_000;
const SECRET: &[u8] = b"secret";

fn name(text: &str) -> Name {
    Name::from_ascii(text).unwrap()
}

fn zone() -> Name {
    name("heronmill.example.")
}

fn soa(serial: u32) -> Record {
    let data = SOA::new(name("ns1.heronmill.example."), name("hostmaster.heronmill.example."), serial, 1, 1, 1, 1);
    Record::from_rdata(zone(), 300, RData::SOA(data))
}

fn address(owner: &str) -> Record {
    Record::from_rdata(name(owner), 120, RData::A(A(Ipv4Addr::new(203, 0, 113, 9))))
}

fn message(records: &[Record]) -> Message {
    let mut message = Message::response(4711, OpCode::Query);
    records.iter().for_each(|record| _ = message.add_answer(record.clone()));
    message
}

fn taken(messages: &[Vec<Record>]) -> Result<bool, String> {
    let zone = zone();
    let mut transfer = Transfer::new(&zone, [name("gauge.heronmill.example.")].iter());
    let mut is_whole = false;
    for records in messages {
        is_whole = transfer.take(4711, &message(records))?;
    }
    Ok(is_whole)
}

/// RFC 5936, section 2.2: the first and the last record are the same SOA.
#[test]
fn a_zone_begins_and_ends_with_its_soa() {
    let gauge = || address("gauge.heronmill.example.");
    assert_eq!(taken(&[vec![soa(1), gauge(), soa(1)]]), Ok(true));
    assert_eq!(taken(&[vec![soa(1)], vec![gauge()], vec![soa(1)]]), Ok(true));
    assert_eq!(taken(&[vec![soa(1), gauge()]]), Ok(false));
    assert_eq!(taken(&[vec![soa(1)]]), Ok(false));
    for wrong in [
        &[vec![gauge(), soa(1)]][..],
        &[vec![soa(1), gauge(), soa(2)]],
        &[vec![soa(1), soa(1), gauge()]],
        &[vec![soa(1), soa(1)], vec![gauge()]],
        &[vec![]],
    ] {
        assert!(taken(wrong).is_err(), "{wrong:?}");
    }
}

#[test]
fn what_is_no_answer_is_not_taken() {
    let zone = zone();
    let whole = || message(&[soa(1), soa(1)]);
    let take = |id, message: &Message| Transfer::new(&zone, [].iter()).take(id, message);
    assert_eq!(take(4711, &whole()), Ok(true));
    assert!(take(4712, &whole()).is_err());
    let mut refused = whole();
    refused.metadata.response_code = Rcode::Refused;
    assert_eq!(take(4711, &refused), Err("REFUSED".to_owned()));
    let mut cut = whole();
    cut.metadata.truncation = true;
    assert!(take(4711, &cut).is_err());
}

/// RFC 1034, section 4.2.1, RFC 6672, section 2.2: what is nearest to the apex decides.
#[test]
fn what_stands_above_a_name_counts() {
    let zone = zone();
    let dname = |owner: &str, target: &[u8]| {
        let data = RData::Unknown {
            code: WireType::Unknown(DNAME),
            rdata: hickory_proto::rr::rdata::NULL::with(target.to_vec()),
        };
        Record::from_rdata(name(owner), 60, data)
    };
    let cut = Record::from_rdata(name("Sub.heronmill.example."), 60, RData::NS(NS(name("ns.tern.example."))));
    let asked = ["a.sub", "a.b.old", "old", "x.long", "twenty-letters-and-mo.long", "gauge", "nothing"]
        .map(|it| name(&format!("{it}.heronmill.example.")));
    let mut transfer = Transfer::new(&zone, asked.iter());
    let mut huge = Vec::new();
    (0..4).for_each(|_| {
        huge.push(60);
        huge.extend([b'x'; 60]);
    });
    huge.push(0);
    let zone_records = [
        soa(7),
        cut,
        address("a.sub.heronmill.example."),
        dname("old.heronmill.example.", b"\x04tern\x07example\x00"),
        dname("long.heronmill.example.", &huge),
        address("a.b.old.heronmill.example."),
        address("Gauge.HeronMill.example."),
        address("other.heronmill.example."),
        soa(7),
    ];
    assert_eq!((transfer.serial(), transfer.take(4711, &message(&zone_records))), (None, Ok(true)));
    assert_eq!(transfer.serial(), Some(7));
    let of = |label: &str| transfer.standing(&name(&format!("{label}.heronmill.example.")));
    assert_eq!(of("a.sub").obstacle, Some(Obstacle::Delegated("sub.heronmill.example".into())));
    assert!(of("a.sub").sets.is_empty());
    assert_eq!(of("a.b.old").obstacle, Some(Obstacle::Dname("old.heronmill.example".into())));
    assert_eq!(of("old"), Standing::default());
    // Also where what it leads to would be too long (RFC 6672, section 2.2).
    for below in ["x.long", "twenty-letters-and-mo.long"] {
        assert_eq!(of(below).obstacle, Some(Obstacle::Dname("long.heronmill.example".into())));
    }
    assert_eq!(of("gauge").sets[&RecordType::A].ttl, 120);
    assert_eq!(of("nothing"), Standing::default());
    assert!(!transfer.nodes.contains_key(&name("other.heronmill.example.")));
}

/// The signature over `unsigned` and `message`, digested here by hand as RFC 8945, sections 4.3.3 and 5.3.1, has it.
fn sign(prior: &[u8], unsigned: &[Vec<u8>], message: &[u8], time: u64, is_first: bool) -> (Vec<u8>, Vec<u8>) {
    const ALGORITHM: &[u8] = b"\x0bhmac-sha256\x00";
    const OWNER: &[u8] = b"\x09gauge-key\x00";
    let timers = [&time.to_be_bytes()[2..], &300u16.to_be_bytes()].concat();
    let mut digested = [&(prior.len() as u16).to_be_bytes()[..], prior].concat();
    unsigned.iter().for_each(|message| digested.extend(message));
    digested.extend(message);
    match is_first {
        true => digested.extend([OWNER, &[0, 255, 0, 0, 0, 0], ALGORITHM, &timers, &[0, 0, 0, 0]].concat()),
        false => digested.extend(&timers),
    }
    let mac = hmac::sign(&hmac::Key::new(hmac::HMAC_SHA256, SECRET), &digested).as_ref().to_vec();
    let rdata =
        [ALGORITHM, &timers, &(mac.len() as u16).to_be_bytes(), &mac, &4711u16.to_be_bytes(), &[0, 0, 0, 0]].concat();
    let mut signed = message.to_vec();
    signed[11] += 1;
    signed.extend([OWNER, &[0, 250, 0, 255, 0, 0, 0, 0], &(rdata.len() as u16).to_be_bytes(), &rdata].concat());
    (signed, mac)
}

fn chain() -> Chain {
    let key = TsigKey {
        name: DnsName::parse("gauge-key").unwrap(),
        algorithm: TsigAlgorithm::HmacSha256,
        secret: Secret::new(SECRET.to_vec()),
    };
    Chain::new(signer(&key).unwrap(), NOW, vec![7; 32])
}

/// Messages of which those marked are signed.
fn signed(marks: &[bool], time: impl Fn(usize) -> u64) -> Vec<Vec<u8>> {
    let (mut prior, mut unsigned, mut is_first) = (vec![7; 32], Vec::new(), true);
    let mut sent = Vec::new();
    for (nth, is_signed) in marks.iter().enumerate() {
        let raw = message(&[address(&format!("n{nth}.heronmill.example."))]).to_vec().unwrap();
        if *is_signed {
            let (raw, mac) = sign(&prior, &unsigned, &raw, time(nth), is_first);
            (prior, unsigned, is_first) = (mac, Vec::new(), false);
            sent.push(raw);
        } else {
            unsigned.push(raw.clone());
            sent.push(raw);
        }
    }
    sent
}

fn followed(messages: &[Vec<u8>]) -> Result<bool, &'static str> {
    let mut chain = chain();
    let mut last = Err("nothing came");
    for raw in messages {
        last = Ok(chain.follow(raw, &Message::from_vec(raw).unwrap())?);
    }
    last
}

#[test]
fn each_signature_covers_what_came_since_the_one_before() {
    let now = |_| NOW;
    assert_eq!(followed(&signed(&[true], now)), Ok(true));
    assert_eq!(followed(&signed(&[true, true, true], now)), Ok(true));
    assert_eq!(followed(&signed(&[true, false, false, true, false, true], now)), Ok(true));
    assert_eq!(followed(&signed(&[true, false], now)), Ok(false));
    assert!(followed(&signed(&[false, true], now)).is_err());
    // RFC 8945, section 5.3.1: 99 in between at most.
    let between = |count| [vec![true], vec![false; count], vec![true]].concat();
    assert_eq!(followed(&signed(&between(99), now)), Ok(true));
    assert!(followed(&signed(&between(100), now)).is_err());
}

#[test]
fn a_message_left_out_doubled_or_swapped_is_found_out() {
    let messages = signed(&[true, false, false, true, true], |_| NOW);
    for left_out in 0..4 {
        let mut messages = messages.clone();
        messages.remove(left_out);
        assert!(followed(&messages).is_err(), "without {left_out}");
    }
    for pair in 0..4 {
        let mut messages = messages.clone();
        messages.swap(pair, pair + 1);
        assert!(followed(&messages).is_err(), "{pair} swapped");
    }
    for doubled in 1..4 {
        let mut messages = messages.clone();
        messages.insert(doubled, messages[doubled].clone());
        assert!(followed(&messages).is_err(), "{doubled} twice");
    }
}

#[test]
fn signatures_of_another_time_are_not_believed() {
    assert!(followed(&signed(&[true, true], |nth| NOW + 300 * nth as u64)).is_ok());
    assert!(followed(&signed(&[true, true], |nth| NOW + 301 * nth as u64)).is_err());
    assert!(followed(&signed(&[true, true], |nth| NOW - nth as u64)).is_err());
    assert!(followed(&signed(&[true], |_| 1)).is_err());
}

proptest! {
    /// RFC 8945, section 4.3: all of every message is covered, but the ids and the frame of the TSIG records.
    #[test]
    fn a_changed_message_is_not_believed(which in 0usize..4, at in any::<prop::sample::Index>(), bit in 0u8..8) {
        let sound = signed(&[true, false, true, true], |_| NOW);
        let mut changed = sound.clone();
        let at = at.index(sound[which].len());
        changed[which][at] ^= 1 << bit;
        let mut chain = chain();
        let (mut messages, mut is_believed) = (Vec::new(), false);
        for raw in &changed {
            let Ok(message) = Message::from_vec(raw) else { return Ok(()) };
            let Ok(is_signed) = chain.follow(raw, &message) else { return Ok(()) };
            is_believed = is_signed;
            messages.push(message);
        }
        if !is_believed {
            return Ok(());
        }
        for (message, sound) in messages.iter_mut().zip(&sound) {
            let mut sound = Message::from_vec(sound).unwrap();
            sound.take_signature();
            message.take_signature();
            message.metadata.id = sound.metadata.id;
            prop_assert_eq!(&*message, &sound);
        }
    }
}
