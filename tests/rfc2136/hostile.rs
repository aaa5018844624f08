//! Listeners that lie, stall, shuffle and hang up: nothing they say is believed, and nothing waits for ever.

use std::time::{Duration, Instant};

use fingerpost::provider::rfc2136::Rfc2136;
use fingerpost::provider::{FaultKind, Provider};
use fingerpost::record::RecordType::A;
use hickory_proto::op::{Message, MessageType, ResponseCode};
use hickory_proto::rr::rdata::SOA;
use hickory_proto::rr::{RData, Record, RecordType};
use tokio::io::{AsyncReadExt, AsyncWriteExt};
use tokio::net::{TcpListener, TcpStream};

use crate::common::*;
use crate::{PASSING, Peer, TIMEOUT, change, faulty, own, read, run_case};

async fn receive(stream: &mut TcpStream) -> Option<Vec<u8>> {
    let mut message = vec![0; usize::from(stream.read_u16().await.ok()?)];
    stream.read_exact(&mut message).await.ok()?;
    Some(message)
}

async fn send(stream: &mut TcpStream, message: &[u8]) {
    let framed = [&u16::try_from(message.len()).unwrap().to_be_bytes(), message].concat();
    // The other side may have had enough.
    let _ = stream.write_all(&framed).await;
}

/// A listener that answers each message with what `answer` makes of it; nothing when that is nothing.
async fn listener(answer: fn(&[u8]) -> Option<Vec<u8>>) -> String {
    let listener = TcpListener::bind("127.0.0.1:0").await.unwrap();
    let address = listener.local_addr().unwrap().to_string();
    tokio::spawn(async move {
        while let Ok((mut stream, _)) = listener.accept().await {
            tokio::spawn(async move {
                while let Some(message) = receive(&mut stream).await {
                    if let Some(answer) = answer(&message) {
                        send(&mut stream, &answer).await;
                    }
                }
            });
        }
    });
    address
}

type Answer = fn(&[u8]) -> Option<Vec<u8>>;

/// An answer without a signature: "done".
fn forged(request: &[u8], rcode: ResponseCode, keep_tsig: bool) -> Option<Vec<u8>> {
    let mut message = Message::from_vec(request).unwrap();
    message.metadata.message_type = MessageType::Response;
    message.metadata.authoritative = true;
    message.metadata.response_code = rcode;
    (message.answers, message.authorities) = (vec![], vec![]);
    if !keep_tsig {
        message.take_signature();
    }
    message.to_vec().ok()
}

#[test]
fn forgeries_and_junk_are_not_believed() {
    let cases: [(Answer, &str); 9] = [
        (|_| Some(b"HTTP/1.1 400 Bad Request\r\n\r\n".to_vec()), "not a DNS answer"),
        (|_| Some(vec![]), "not a DNS answer"),
        (|request| Some(request.to_vec()), "not a DNS answer"),
        (|request| Some(request[..request.len() - 1].to_vec()), "not a DNS answer"),
        (|request| forged(request, ResponseCode::NoError, false), "without the signature of the key gauge-key"),
        (|request| forged(request, ResponseCode::NXRRSet, false), "without the signature of the key gauge-key"),
        (|request| forged(request, ResponseCode::ServFail, false), "without the signature of the key gauge-key"),
        (|request| forged(request, ResponseCode::NoError, true), "not signed by the key gauge-key"),
        (
            |request| {
                let mut answer = forged(request, ResponseCode::NoError, false)?;
                answer[0] ^= 1;
                Some(answer)
            },
            "not a DNS answer",
        ),
    ];
    run_case(async {
        let changes = [change("gauge", A, None, set(120, &["203.0.113.77"]))];
        for (answer, words) in cases {
            let provider = Rfc2136::new(dns(ZONE), listener(answer).await, Some(gauge_key()), TIMEOUT);
            faulty(read(&provider, &["gauge"]).await, PASSING, &[words]);
            faulty(provider.apply(&changes).await, FaultKind::InDoubt, &[words]);
        }
    });
}

/// Anybody on the way can say so, before or after the server has written.
#[test]
fn unsigned_refusals_prove_nothing() {
    let cases: [(Answer, &str); 4] = [
        (|request| forged(request, ResponseCode::Refused, false), "REFUSED"),
        (|request| forged(request, ResponseCode::NotAuth, false), "NOTAUTH"),
        (|request| forged(request, ResponseCode::NotImp, false), "NOTIMP"),
        (|request| forged(request, ResponseCode::FormErr, false), "FORMERR"),
    ];
    run_case(async {
        for (answer, word) in cases {
            let provider = Rfc2136::new(dns(ZONE), listener(answer).await, Some(gauge_key()), TIMEOUT);
            let words = [word, "unsigned, so a hint only"];
            faulty(read(&provider, &["gauge"]).await, FaultKind::Unproven, &words);
            let changes = [change("gauge", A, None, set(120, &["203.0.113.77"]))];
            faulty(provider.apply(&changes).await, FaultKind::Unproven, &words);
        }
    });
}

#[test]
fn silence_is_bounded() {
    run_case(async {
        let wait = Duration::from_millis(200);
        let provider = Rfc2136::new(dns(ZONE), listener(|_| None).await, Some(gauge_key()), wait);
        let changes = [change("gauge", A, None, set(120, &["203.0.113.77"]))];
        let begun = Instant::now();
        faulty(read(&provider, &["gauge"]).await, PASSING, &["did not answer within 200ms"]);
        faulty(provider.apply(&changes).await, FaultKind::InDoubt, &["did not answer the update within 200ms"]);
        // Far beyond any scheduling delay; without the bound this would not end at all.
        assert!(begun.elapsed() < Duration::from_secs(60));
    });
}

/// A server's authority over the zone does not make it one for all that it says of it (RFC 1035, section 4.1.1).
#[test]
fn answers_without_authority_or_to_another_question_are_nothing() {
    fn partly(request: &[u8], spoil: fn(&mut Message)) -> Option<Vec<u8>> {
        let mut message = Message::from_vec(&forged(request, ResponseCode::NoError, false)?).ok()?;
        let question = message.queries[0].clone();
        if question.query_type() == RecordType::SOA && question.name().to_ascii() == format!("{ZONE}.") {
            let name = question.name().clone();
            let soa = SOA::new(name.clone(), name.clone(), 1, 1, 1, 1, 1);
            message.add_answer(Record::from_rdata(name, 1, RData::SOA(soa)));
        } else {
            spoil(&mut message);
        }
        message.to_vec().ok()
    }
    let cases: [(Answer, Option<(FaultKind, &str)>); 4] = [
        (|request| partly(request, |_| ()), None),
        (
            |request| partly(request, |message| message.metadata.authoritative = false),
            Some((FaultKind::Refused, "not as its authority")),
        ),
        (|request| partly(request, |message| message.metadata.truncation = true), Some((PASSING, "not a DNS answer"))),
        (
            |request| {
                partly(request, |message| {
                    message.queries[0].set_query_type(RecordType::TXT);
                })
            },
            Some((PASSING, "not a DNS answer")),
        ),
    ];
    run_case(async {
        for (answer, fault) in cases {
            let provider = Rfc2136::new(dns(ZONE), listener(answer).await, None, TIMEOUT);
            let outcome = read(&provider, &["gauge"]).await;
            match fault {
                Some((kind, words)) => drop(faulty(outcome, kind, &[words])),
                None => assert_eq!(outcome.unwrap().names[&at("gauge")], Default::default()),
            }
        }
    });
}

#[test]
fn an_unsigned_update_goes_to_this_machine() {
    run_case(async {
        let provider = Rfc2136::new(dns(ZONE), listener(|_| None).await, None, Duration::from_millis(200));
        let changes = [change("gauge", A, None, set(120, &["203.0.113.77"]))];
        faulty(provider.apply(&changes).await, FaultKind::InDoubt, &["did not answer"]);
        assert_eq!(provider.means(1), format!("1 change in 1 unsigned update to {}", provider.target()));
    });
}

#[test]
#[ignore = "needs an address beyond loopback: tests/all.sh runs it"]
fn an_unsigned_update_goes_nowhere_else() {
    run_case(async {
        // Sends nothing: a route is enough to learn this machine's address.
        let probe = std::net::UdpSocket::bind("0.0.0.0:0").unwrap();
        probe.connect("198.51.100.1:9").unwrap();
        let outside = TcpListener::bind((probe.local_addr().unwrap().ip(), 0)).await.unwrap();
        let address = outside.local_addr().unwrap();
        assert!(!address.ip().is_loopback());
        let provider = Rfc2136::new(dns(ZONE), address.to_string(), None, TIMEOUT);
        let changes = [change("gauge", A, None, set(120, &["203.0.113.77"]))];
        let fault = provider.apply(&changes).await.unwrap_err();
        assert_eq!(fault.kind, FaultKind::Refused, "{fault}");
        assert!(fault.to_string().contains("unsigned updates go to a loopback address only"), "{fault}");
        let (mut stream, _) = outside.accept().await.unwrap();
        assert_eq!(stream.read(&mut [0; 16]).await.unwrap(), 0, "something was sent");
    });
}

/// Between the provider and a real server: `per_connection` answers each, in reverse within what has come.
async fn shuffler(server: String, per_connection: usize) -> String {
    let listener = TcpListener::bind("127.0.0.1:0").await.unwrap();
    let address = listener.local_addr().unwrap().to_string();
    tokio::spawn(async move {
        while let Ok((mut client, _)) = listener.accept().await {
            let server = server.clone();
            tokio::spawn(async move {
                let mut behind = TcpStream::connect(server).await.unwrap();
                let mut answers = Vec::new();
                while answers.len() < per_connection {
                    // What a client has sent without waiting for an answer is there at once or not at all.
                    match tokio::time::timeout(Duration::from_millis(50), receive(&mut client)).await {
                        Ok(Some(question)) => {
                            send(&mut behind, &question).await;
                            answers.push(receive(&mut behind).await.unwrap());
                        }
                        _ => break,
                    }
                }
                for answer in answers.iter().rev() {
                    send(&mut client, answer).await;
                }
            });
        }
    });
    address
}

/// RFC 7766, section 7: a server may answer in any order; section 6.2.4: it may close at any time.
#[test]
fn answers_may_be_shuffled_and_connections_end() {
    run_case(async {
        let peer = Peer::Own(own().await);
        let labels: Vec<_> = (0..30).map(|nth| format!("n{nth}")).chain(["gauge".into(), "mill".into()]).collect();
        let labels: Vec<_> = labels.iter().map(String::as_str).collect();
        let straight = read(&peer.provider(), &labels).await.unwrap();
        for per_connection in [1000, 7] {
            let address = shuffler(peer.address(), per_connection).await;
            let provider = Rfc2136::new(dns(ZONE), address, Some(gauge_key()), Duration::from_secs(60));
            assert_eq!(read(&provider, &labels).await.unwrap(), straight, "{per_connection} a connection");
        }
        let address = shuffler(peer.address(), 0).await;
        let provider = Rfc2136::new(dns(ZONE), address, Some(gauge_key()), TIMEOUT);
        faulty(read(&provider, &labels).await, PASSING, &["closed the connection"]);
    });
}
