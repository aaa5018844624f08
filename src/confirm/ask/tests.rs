//! Against the server of the rehearsal, and against sockets that answer by hand.

use std::collections::BTreeSet;
use std::net::{IpAddr, Ipv4Addr};

use hickory_proto::op::MessageType;
use hickory_proto::rr::{RData, Record};
use tokio::net::UdpSocket;

use super::*;
use crate::dns::tsig::{TsigAlgorithm, TsigKey};
use crate::record::{RecordType, RrSet};
use crate::rehearsal::dns::Server as Dns;
use crate::secret::Secret;

fn zone() -> DnsName {
    DnsName::parse("heronmill.example").unwrap()
}

fn name(nth: usize) -> DnsName {
    DnsName::parse(&format!("n{nth}.heronmill.example")).unwrap()
}

fn set(addresses: impl IntoIterator<Item = IpAddr>) -> RrSet {
    RrSet { ttl: 120, addresses: addresses.into_iter().collect::<BTreeSet<_>>() }
}

fn v4(last: u8) -> IpAddr {
    Ipv4Addr::new(203, 0, 113, last).into()
}

fn awaited(nth: usize, set: &RrSet) -> Awaited {
    Awaited { name: name(nth), rtype: RecordType::A, set: set.clone(), by_ttl: false }
}

/// A server that has `count` names with this RRset.
async fn serving(count: usize, set: &RrSet) -> Dns {
    let key = TsigKey {
        name: DnsName::parse("gauge-key").unwrap(),
        algorithm: TsigAlgorithm::HmacSha256,
        secret: Secret::new(vec![7; 32]),
    };
    let dns = Dns::start(zone(), key, Vec::new()).await.unwrap();
    dns.edit(|zone| (0..count).for_each(|nth| zone.set(&name(nth), RecordType::A, Some(set))));
    dns
}

async fn ask(servers: Vec<Server>, records: Vec<Awaited>) -> Vec<Heard> {
    let question = Question { intent: 4, records: records.into(), serving: vec!["known".to_owned()] };
    let errand = Errand { provider: "home".to_owned(), servers: None, waves: vec![question] };
    all(&Arc::new(Asker::new()), &zone(), servers, &errand).await
}

fn at(name: &str, addresses: &[SocketAddr]) -> Server {
    Server { name: name.to_owned(), addresses: addresses.to_vec() }
}

#[tokio::test]
async fn every_name_counts_and_so_does_every_address() {
    let one = set([v4(77)]);
    let dns = serving(1000, &one).await;
    let records = || (0..1000).map(|nth| awaited(nth, &one)).collect::<Vec<_>>();
    let told = ask(vec![at("ns1", &[dns.addr()])], records()).await;
    assert_eq!((told[0].waves[&4], told[0].serial), (Ok(()), Some(dns.serial())));
    for other in [Some(set([v4(9)])), Some(set([v4(77), v4(9)])), None] {
        dns.edit(|zone| zone.set(&name(999), RecordType::A, other.as_ref()));
        let told = ask(vec![at("ns1", &[dns.addr()])], records()).await;
        assert_eq!(told[0].waves[&4], Err(Why::OldData));
    }
}

/// 100 addresses take more than the 512 octets of RFC 1035, section 4.2.1.
#[tokio::test]
async fn what_does_not_fit_a_datagram_is_asked_for_over_tcp() {
    let many = set((0..100).map(v4));
    let dns = serving(70, &many).await;
    let question = query(wire_name(&name(0)).unwrap(), WireType::A);
    let asker = Asker::new();
    let over_udp = asker.by_udp(dns.addr(), &question, PATIENCE).await.unwrap();
    assert!(over_udp.metadata.truncation && over_udp.answers.is_empty());
    assert_eq!(asker.ask(dns.addr(), &question, PATIENCE).await.unwrap().answers.len(), 100);
    let mut records: Vec<_> = (0..70).map(|nth| awaited(nth, &many)).collect();
    assert_eq!(ask(vec![at("ns1", &[dns.addr()])], records.clone()).await[0].waves[&4], Ok(()));
    records[69].set = set((0..99).map(v4));
    assert_eq!(ask(vec![at("ns1", &[dns.addr()])], records).await[0].waves[&4], Err(Why::OldData));
}

#[tokio::test]
async fn a_ttl_counts_where_nothing_else_tells() {
    let dns = serving(1, &set([v4(77)])).await;
    for (ttl, by_ttl, told) in [(60, false, Ok(())), (60, true, Err(Why::OldData)), (120, true, Ok(()))] {
        let record = Awaited { by_ttl, ..awaited(0, &RrSet { ttl, ..set([v4(77)]) }) };
        assert_eq!(ask(vec![at("ns1", &[dns.addr()])], vec![record]).await[0].waves[&4], told);
    }
}

#[tokio::test]
async fn an_address_that_does_not_answer_is_no_lag_while_another_does() {
    let one = set([v4(77)]);
    let dns = serving(1, &one).await;
    // Closed as soon as it is known: nothing listens there.
    let closed = UdpSocket::bind("127.0.0.1:0").await.unwrap().local_addr().unwrap();
    let nowhere: SocketAddr = "[2001:db8::53]:53".parse().unwrap();
    let told = ask(
        vec![at("ns1", &[nowhere, closed, dns.addr()]), at("ns2", &[closed]), at("ns3", &[]), at("known", &[closed])],
        vec![awaited(0, &one)],
    )
    .await;
    assert_eq!((told[0].waves[&4], told[0].server.addresses[0]), (Ok(()), dns.addr()));
    assert_eq!(told[0].server.addresses.len(), 3);
    assert_eq!((told[1].waves[&4], told[2].waves[&4]), (Err(Why::NoAnswer), Err(Why::NoAddress)));
    assert_eq!(told[3].waves.len(), 0, "it was known to serve it");
}

/// Answers every question as `respond` makes it, with junk before.
async fn by_hand(respond: impl Fn(&mut Message) + Send + 'static) -> SocketAddr {
    let socket = UdpSocket::bind("127.0.0.1:0").await.unwrap();
    let at = socket.local_addr().unwrap();
    tokio::spawn(async move {
        let mut buffer = vec![0; 512];
        while let Ok((length, peer)) = socket.recv_from(&mut buffer).await {
            let request = Message::from_vec(&buffer[..length]).unwrap();
            let id = request.metadata.id;
            let answer = |id| {
                let mut answer = Message::response(id, request.metadata.op_code);
                answer.metadata.authoritative = true;
                answer.queries.clone_from(&request.queries);
                answer
            };
            let mut other = answer(id);
            other.queries[0].set_name(Name::from_ascii("tern.example.").unwrap());
            let mut question = answer(id);
            question.metadata.message_type = MessageType::Query;
            let junk = [answer(id.wrapping_add(1)), other, question].map(|message| message.to_vec().unwrap());
            let mut good = answer(id);
            respond(&mut good);
            for datagram in junk.into_iter().chain([b"junk".to_vec(), good.to_vec().unwrap()]) {
                socket.send_to(&datagram, peer).await.unwrap();
            }
        }
    });
    at
}

fn with_address(answer: &mut Message) {
    let name = answer.queries[0].name().clone();
    answer.add_answer(Record::from_rdata(name, 120, RData::A(Ipv4Addr::new(203, 0, 113, 77).into())));
}

/// RFC 5452, section 9.1: id, question and direction must be those of the question.
#[tokio::test]
async fn junk_is_ignored_and_an_answer_needs_authority() {
    let one = set([v4(77)]);
    let good = by_hand(with_address).await;
    let cached = by_hand(|answer| {
        with_address(answer);
        answer.metadata.authoritative = false;
    });
    let code = |code| by_hand(move |answer| answer.metadata.response_code = code);
    let servers = vec![
        at("good", &[good]),
        at("cached", &[cached.await]),
        at("refuses", &[code(ResponseCode::Refused).await]),
        at("fails", &[code(ResponseCode::ServFail).await]),
        at("else", &[code(ResponseCode::NotImp).await]),
    ];
    let told: Vec<_> = ask(servers, vec![awaited(0, &one)]).await.iter().map(|heard| heard.waves[&4]).collect();
    let wanted = [Ok(()), Err(Why::NoAuthority), Err(Why::Refused), Err(Why::ServerFailure), Err(Why::Error)];
    assert_eq!(told, wanted);
}
