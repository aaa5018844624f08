//! Another client changes the RRset while an update is on its way: nothing of the other client's is lost.

use std::io::{Read, Write};
use std::net::{SocketAddr, TcpListener, TcpStream};
use std::sync::Arc;
use std::sync::atomic::{AtomicUsize, Ordering};

use fingerpost::record::{RecordType, RrSet};

use crate::common::{Grant, KEY, SECRET_BASE64, ZONE, ZoneSetup, python, run, set};
use crate::mill::{HOME, Mill};
use crate::trace::is_update;

/// A road to named on which every update has to wait for `meanwhile`, which is told how many came before it.
struct Road {
    at: SocketAddr,
    updates: Arc<AtomicUsize>,
}

impl Road {
    fn to(named: String, meanwhile: impl Fn(usize) + Send + 'static) -> Self {
        let listener = TcpListener::bind("127.0.0.1:0").unwrap();
        let updates = Arc::new(AtomicUsize::new(0));
        let road = Self { at: listener.local_addr().unwrap(), updates: updates.clone() };
        std::thread::spawn(move || {
            for client in listener.incoming() {
                let (mut client, mut server) = (client.unwrap(), TcpStream::connect(&named).unwrap());
                while let Some(message) = message(&mut client) {
                    if is_update(&message[2..]) {
                        meanwhile(updates.fetch_add(1, Ordering::Relaxed));
                    }
                    server.write_all(&message).unwrap();
                    let Some(answer) = self::message(&mut server) else { break };
                    client.write_all(&answer).unwrap();
                }
            }
        });
        road
    }
}

/// The next message with its length before it (RFC 1035, section 4.2.2).
fn message(from: &mut TcpStream) -> Option<Vec<u8>> {
    let mut length = [0; 2];
    from.read_exact(&mut length).ok()?;
    let mut message = vec![0; usize::from(u16::from_be_bytes(length)) + 2];
    message[..2].copy_from_slice(&length);
    from.read_exact(&mut message[2..]).ok()?;
    Some(message)
}

/// Lets dnspython send an update of which `line` fills `u`.
fn dnspython(named: &str, line: &str) {
    let (host, port) = named.split_once(':').unwrap();
    let program = format!(
        "import dns.query, dns.rcode, dns.tsig, dns.tsigkeyring, dns.update
keys = dns.tsigkeyring.from_text({{'{}': '{SECRET_BASE64}'}})
u = dns.update.UpdateMessage('{ZONE}', keyring=keys, keyalgorithm=dns.tsig.HMAC_SHA256)
{line}
print(dns.rcode.to_text(dns.query.tcp(u, '{host}', port={port}, timeout=5).rcode()))",
        KEY.name
    );
    assert_eq!(run(&python(), &["-c", &program], ""), "NOERROR\n");
}

/// A mill that shares the name `mill` with others, and the road that it takes to named.
fn mill_on_a_road(meanwhile: impl Fn(&str, usize) + Send + 'static) -> (Mill, Road) {
    let grants = vec![Grant { key: KEY.name, name: Some("mill.heronmill.example") }];
    let mill = Mill::with(&[KEY], &[ZoneSetup { grants, ..Mill::zone() }]);
    let named = mill.named.address();
    let road = Road::to(named.clone(), move |nth| meanwhile(&named, nth));
    mill.configure(&[
        (&mill.named.address(), &road.at.to_string()),
        ("gauge.heronmill", "mill.heronmill"),
        ("ttl = \"2m\"", "ttl = \"2m\"\nsharing = \"member\""),
    ]);
    (mill, road)
}

fn shared(mill: &Mill) -> Option<RrSet> {
    mill.named.rrset("mill.heronmill.example", RecordType::A)
}

#[test]
#[ignore = "needs named, nginx and python3 with dnspython: tests/all.sh runs it"]
fn what_another_client_adds_and_takes_away_meanwhile_is_kept() {
    let (mill, road) = mill_on_a_road(|named, nth| match nth {
        0 => dnspython(named, "u.add('mill', 300, 'A', '198.51.100.1')"),
        1 => dnspython(named, "u.delete('mill', 'A', '198.51.100.99')"),
        _ => {}
    });
    mill.run(&["sync"]).exits(0);
    assert_eq!(road.updates.load(Ordering::Relaxed), 3);
    assert_eq!(shared(&mill), Some(set(300, &["203.0.113.9", "198.51.100.1", HOME])));
    let events = ["settled", "intent", "outcome conflict", "intent", "outcome conflict", "intent", "outcome done"];
    assert_eq!(mill.events(), events);
    mill.run(&["audit", "verify"]).exits(0);
}

/// Against one who never rests, it gives way after three attempts; later, when there is rest, it is written.
#[test]
#[ignore = "needs named, nginx and python3 with dnspython: tests/all.sh runs it"]
fn three_attempts_and_no_more() {
    let (mill, road) = mill_on_a_road(|named, nth| {
        if nth < 3 {
            dnspython(named, &format!("u.add('mill', 300, 'A', '198.51.100.{}')", nth + 1));
        }
    });
    mill.run(&["sync"]).exits(75).says(&["is not as it was read from", ", 3 times; the next round tries again\n"]);
    assert_eq!(road.updates.load(Ordering::Relaxed), 3);
    let mut others = set(300, &["203.0.113.9", "198.51.100.99", "198.51.100.1", "198.51.100.2", "198.51.100.3"]);
    assert_eq!(shared(&mill), Some(others.clone()));
    mill.run(&["sync"]).exits(0);
    others.addresses.insert(HOME.parse().unwrap());
    assert_eq!(shared(&mill), Some(others));
}
