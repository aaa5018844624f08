//! What is read is of one moment, and a refusal proves nothing of what was passed on twice.

use std::io::{self, Read as _, Write as _};
use std::net::{TcpListener, TcpStream};
use std::sync::Arc;
use std::sync::atomic::{AtomicUsize, Ordering};

use fingerpost::provider::rfc2136::Rfc2136;
use fingerpost::provider::{FaultKind, Provider};
use fingerpost::record::RecordType::A;
use hickory_proto::op::{Message, OpCode};

use crate::common::named::Named;
use crate::common::*;
use crate::{GRANTS, LINES, TIMEOUT, change, faulty, real, run_case};

fn receive(mut stream: &TcpStream) -> io::Result<Vec<u8>> {
    let mut length = [0; 2];
    stream.read_exact(&mut length)?;
    let mut message = vec![0; usize::from(u16::from_be_bytes(length))];
    stream.read_exact(&mut message)?;
    Ok(message)
}

fn send(mut stream: &TcpStream, message: &[u8]) -> io::Result<()> {
    stream.write_all(&[&u16::try_from(message.len()).unwrap().to_be_bytes(), message].concat())
}

/// Somebody on the way to `server`, who does `meddle` with each message before it is passed on, and passes an update on twice
/// where `is_doubled`: the answer to the second is the answer.
fn between(server: String, is_doubled: bool, meddle: impl Fn(&Message) + Send + Sync + 'static) -> String {
    let listener = TcpListener::bind("127.0.0.1:0").unwrap();
    let (address, meddle) = (listener.local_addr().unwrap().to_string(), Arc::new(meddle));
    std::thread::spawn(move || {
        for client in listener.incoming().flatten() {
            let (server, meddle) = (TcpStream::connect(&server).unwrap(), Arc::clone(&meddle));
            std::thread::spawn(move || -> io::Result<()> {
                loop {
                    let question = receive(&client)?;
                    let parsed = Message::from_vec(&question).unwrap();
                    meddle(&parsed);
                    send(&server, &question)?;
                    let mut answer = receive(&server)?;
                    if is_doubled && parsed.metadata.op_code == OpCode::Update {
                        send(&server, &question)?;
                        answer = receive(&server)?;
                    }
                    send(&client, &answer)?;
                }
            });
        }
    });
    address
}

/// RFC 2136, section 3.6: a change of the zone changes its serial.
#[test]
#[ignore = "needs named, nsupdate: tests/all.sh runs it"]
fn what_is_read_stood_there_together() {
    // In the middle of this many readings both records are changed together; after the last of them all rests.
    for changes in [1, 3] {
        let server = real::<Named>(LINES, &GRANTS);
        let (port, count) = (server.port(), AtomicUsize::new(0));
        let proxy = between(server.address(), false, move |message| {
            let asked = &message.queries[0];
            let is_mill = asked.name().to_ascii() == format!("mill.{ZONE}.") && asked.query_type().to_string() == "A";
            if is_mill && count.fetch_add(1, Ordering::SeqCst) < changes {
                let address = format!("203.0.113.{}", 100 + count.load(Ordering::SeqCst));
                let change = |label: &str, ttl: u32| {
                    format!("update delete {label}.{ZONE} A\nupdate add {label}.{ZONE} {ttl} A {address}\n")
                };
                let text = format!(
                    "server 127.0.0.1 {port}\nzone {ZONE}\n{}{}send\n",
                    change("gauge", 120),
                    change("mill", 300)
                );
                run("nsupdate", &["-v", "-y", &format!("{}:{}:{}", KEY.algorithm, KEY.name, KEY.secret)], &text);
            }
        });
        let provider = Rfc2136::new(dns(ZONE), proxy, Some(gauge_key()), TIMEOUT);
        let seen = run_case(provider.read_together(&[at("gauge"), at("mill")].into())).unwrap();
        let address = format!("203.0.113.{}", 100 + changes);
        assert_eq!(seen.names[&at("gauge")].sets[&A], set(120, &[&address]));
        assert_eq!(seen.names[&at("mill")].sets[&A], set(300, &[&address]));
        assert_eq!(seen.serial, Some(server.serial(ZONE)));
    }
}

/// The answer to the second is signed for the first as well: they are the same.
#[test]
#[ignore = "needs named: tests/all.sh runs it"]
fn a_conflict_may_be_that_of_an_update_with_itself() {
    let server = real::<Named>(LINES, &GRANTS);
    let proxy = between(server.address(), true, |_| ());
    let provider = Rfc2136::new(dns(ZONE), proxy, Some(gauge_key()), TIMEOUT);
    let wanted = set(120, &["203.0.113.77"]);
    let changes = [change("gauge", A, Some(set(120, &["203.0.113.9"])), wanted.clone())];
    let fault = faulty(run_case(provider.apply(&changes)), FaultKind::Conflict, &["NXRRSET", "signed"]);
    assert!(fault.sent, "{fault:?}");
    assert_eq!(server.rrset("gauge.heronmill.example", A), Some(wanted));
}
