use hickory_proto::rr::Name;

use super::update::update;
use super::*;
use crate::provider::{FaultKind, Fence};
use crate::record::{RecordType, RrSet};

fn name(text: &str) -> Name {
    Name::from_ascii(text).unwrap()
}

#[test]
fn what_does_not_fit_one_message_is_split_without_loss() {
    let provider = Rfc2136::new(DnsName::parse("heronmill.example").unwrap(), "ns1:53".into(), None, Duration::ZERO);
    let zone = name("heronmill.example.");
    let label = |nth: usize| format!("{nth:0>60}.{0}.{0}.heronmill.example", "x".repeat(60));
    let set = |last| RrSet { ttl: 60, addresses: [std::net::IpAddr::from([203, 0, 113, last])].into() };
    let change = |nth| Change {
        name: DnsName::parse(&label(nth)).unwrap(),
        rtype: RecordType::A,
        before: Some(set(1)),
        after: set(2),
    };
    let changes: Vec<_> = (0..1000).map(change).collect();
    let batches = provider.batches(&zone, &changes, None, None).unwrap();
    assert_eq!(batches.concat(), changes);
    // Four records of some 200 bytes a change: about 80 changes a message, and only the last may be nearly empty.
    assert!(batches.len() < 20 && batches.iter().rev().skip(1).all(|batch| batch.len() > 50));
    // Under a lease each of them has the fence before all else.
    let lease = DnsName::parse("_fingerpost.heronmill.example").unwrap();
    let fence = Fence { name: &lease, text: "whose turn it is" };
    let fenced = provider.batches(&zone, &changes, Some(fence), None).unwrap();
    assert_eq!(fenced.concat(), changes);
    for batch in fenced {
        let message = update(zone.clone(), batch, Some(fence)).unwrap();
        let first = &message.answers[0];
        assert_eq!((first.name.to_ascii().as_str(), first.ttl), ("_fingerpost.heronmill.example.", 0));
        assert_eq!(first.data.to_string(), fence.text);
        assert_eq!(message.answers.iter().filter(|record| record.record_type() == WireType::TXT).count(), 1);
    }
    // One RRset that no message holds.
    let addresses = (0..=u16::MAX).map(|n| std::net::IpAddr::from([10, 0, (n >> 8) as u8, n as u8])).collect();
    let huge = [Change { after: RrSet { ttl: 60, addresses }, ..change(0) }];
    assert_eq!(provider.batches(&zone, &huge, None, None).unwrap_err().kind, FaultKind::Refused);
}

#[test]
fn people_are_told_where_and_how_much() {
    let key = || TsigKey {
        name: DnsName::parse("gauge-key").unwrap(),
        algorithm: crate::dns::tsig::TsigAlgorithm::HmacSha256,
        secret: crate::secret::Secret::new(vec![1]),
    };
    let zone = || DnsName::parse("heronmill.example").unwrap();
    let at = |server: &str| Rfc2136::new(zone(), server.into(), Some(key()), Duration::ZERO);
    assert_eq!(at("ns1.heronmill.example:53").means(2), "2 changes in 1 signed update to ns1.heronmill.example");
    assert_eq!(at("[2001:db8::1]:5353").means(1), "1 change in 1 signed update to [2001:db8::1]:5353");
    assert_eq!(at("ns1:53").means(1000), "1000 changes in as few signed updates as they fit to ns1");
    assert_eq!(at("ns1:53").target(), "ns1:53");
}
