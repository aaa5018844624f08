//! The rehearsal's server, seen by clients that are not ours, and its faults on demand.

use std::time::Duration;

use fingerpost::provider::{FaultKind, Provider};
use fingerpost::record::RecordType::A;
use fingerpost::record::RrSet;
use tokio::time::timeout;

use crate::common::*;
use crate::servers::dnspython;
use crate::{PASSING, Peer, change, faulty, own, read, run_case};

/// Runs the server on a thread of its own while `client` talks to it by other programs.
fn with_server(client: impl FnOnce(&Peer)) {
    let runtime = tokio::runtime::Builder::new_current_thread().enable_all().build().unwrap();
    let peer = Peer::Own(runtime.block_on(own()));
    let (stop, stopped) = tokio::sync::oneshot::channel::<()>();
    std::thread::scope(|scope| {
        // Dropped at the end of this closure, a failed check included.
        let _stop = stop;
        scope.spawn(|| runtime.block_on(stopped));
        client(&peer);
    });
}

#[test]
#[ignore = "needs python3 with dnspython: tests/all.sh runs it"]
fn dnspython_is_served() {
    with_server(|peer| {
        dnspython(
            peer,
            "u.present('gauge', 'A', '203.0.113.9'); u.present('mill', 'A'); u.present('mill')
u.absent('new'); u.absent('gauge', 'AAAA'); u.replace('gauge', 60, 'A', '203.0.113.5'); u.delete('mill')",
        );
        assert_eq!(peer.rrset(&at("gauge"), A), Some(set(60, &["203.0.113.5"])));
        assert_eq!(peer.rrset(&at("mill"), A), None);
        assert_eq!(peer.serial(), 2);
    });
}

/// Every code of RFC 2136, section 3, and RFC 8945, section 5.2, as dnspython reads it from each server.
///
/// named is asked the same questions: the two must agree on every line.
#[test]
#[ignore = "needs named, python3 with dnspython: tests/all.sh runs it"]
fn our_server_answers_as_bind_does() {
    const SCRIPT: &str = r#"
import dns.query, dns.message, dns.tsig, dns.tsigkeyring, dns.update, dns.rcode, sys, time, dns.rdatatype, dns.rdataclass
port, secret = int(sys.argv[1]), sys.argv[2]
def fresh(zone='heronmill.example', name='gauge-key', secret=secret):
    ring = dns.tsigkeyring.from_text({name: secret})
    return dns.update.UpdateMessage(zone, keyring=ring, keyalgorithm=dns.tsig.HMAC_SHA256)
def ask(label, u, ask=dns.query.tcp):
    try: r = ask(u, '127.0.0.1', port=port, timeout=5); print(label, dns.rcode.to_text(r.rcode()), r.had_tsig)
    except dns.exception.DNSException as e: print(label, type(e).__name__)
def case(label, fill, **how):
    u = fresh(**how); fill(u); ask(label, u)
case('in use', lambda u: u.present('gauge'))
case('not in use', lambda u: u.present('nothing'))
case('unused', lambda u: u.absent('nothing'))
case('used', lambda u: u.absent('gauge'))
case('rrset', lambda u: u.present('gauge', 'A'))
case('no rrset', lambda u: u.present('gauge', 'AAAA'))
case('absent', lambda u: u.absent('gauge', 'AAAA'))
case('present', lambda u: u.absent('gauge', 'A'))
case('value', lambda u: u.present('mill', 'A', '203.0.113.9', '198.51.100.99'))
case('order', lambda u: u.present('mill', 'A', '198.51.100.99', '203.0.113.9'))
case('subset', lambda u: u.present('mill', 'A', '203.0.113.9'))
case('superset', lambda u: u.present('gauge', 'A', '203.0.113.9', '203.0.113.8'))
case('outside', lambda u: u.present('gauge.tern.example.', 'A'))
case('add outside', lambda u: u.add('gauge.tern.example.', 60, 'A', '203.0.113.1'))
case('beside cname', lambda u: u.add('cam', 60, 'A', '203.0.113.1'))
case('other zone', lambda u: None, zone='tern.example')
case('below', lambda u: None, zone='gauge.heronmill.example')
case('key', lambda u: None, name='no-key')
case('secret', lambda u: None, secret='bm90IHRoaXM=')
case('same', lambda u: u.replace('gauge', 120, 'A', '203.0.113.9'))
case('twice', lambda u: (u.delete('gauge', 'A', '203.0.113.9'), u.add('gauge', 90, 'A', '203.0.113.9')))
ask('udp', fresh(), dns.query.udp)
u = dns.update.UpdateMessage('heronmill.example'); u.add('gauge', 60, 'A', '203.0.113.66'); ask('unsigned', u)
for label, name, kind in [('soa', 'heronmill.example', 'SOA'), ('nodata', 'gauge.heronmill.example', 'TXT'),
    ('nxdomain', 'no.heronmill.example', 'A'), ('cname', 'cam.heronmill.example', 'A'), ('stray', 'x.tern.example', 'A'),
    ('cut', 'x.sub.heronmill.example', 'A'), ('ent', 'heronmill.example', 'TXT')]:
    for by in (dns.query.tcp, dns.query.udp):
        q = dns.message.make_query(name, kind, flags=0)
        q.use_tsig(dns.tsigkeyring.from_text({'gauge-key': secret}), algorithm=dns.tsig.HMAC_SHA256)
        r = by(q, '127.0.0.1', port=port, timeout=5)
        print(label, dns.rcode.to_text(r.rcode()), bool(r.flags & dns.flags.AA), r.had_tsig,
            [(str(s.name), s.ttl, dns.rdatatype.to_text(s.rdtype)) for s in r.answer if str(s.name).startswith(name.split('.')[0])],
            [(str(s.name), dns.rdatatype.to_text(s.rdtype)) for s in r.authority if not r.answer])
real_time = time.time
time.time = lambda: real_time() - 3600
case('late', lambda u: None)
time.time = lambda: real_time() + 3600
case('early', lambda u: None)
"#;
    let ask = |peer: &Peer| {
        let port = peer.address().rsplit_once(':').unwrap().1.to_owned();
        let said = run(&python(), &["-c", SCRIPT, &port, SECRET_BASE64], "");
        assert!(said.contains("early"), "the script did not end: {said}");
        (said, peer.rrset(&at("gauge"), A), peer.rrset(&at("cam"), A), peer.serial())
    };
    let bind = ask(&Peer::Real(crate::real::<named::Named>(crate::LINES, &crate::GRANTS)));
    with_server(|own| {
        let own = ask(own);
        for (own, bind) in own.0.lines().zip(bind.0.lines()) {
            assert_eq!(own, bind);
        }
        assert_eq!(own, bind);
    });
}

#[test]
#[ignore = "needs nsupdate: tests/all.sh runs it"]
fn nsupdate_is_served() {
    with_server(|peer| {
        let port = peer.address().rsplit_once(':').unwrap().1.to_owned();
        let script = format!(
            "server 127.0.0.1 {port}\nzone {ZONE}\nkey hmac-sha256:{} {SECRET_BASE64}\n\
             prereq yxrrset gauge.{ZONE} A 203.0.113.9\nprereq nxrrset gauge.{ZONE} CNAME\n\
             update delete gauge.{ZONE} A\nupdate add gauge.{ZONE} 77 A 203.0.113.5\nsend\nanswer\n",
            KEY.name
        );
        let said = run("nsupdate", &["-v"], &script);
        assert!(said.contains("status: NOERROR"), "{said}");
        assert_eq!(peer.rrset(&at("gauge"), A), Some(set(77, &["203.0.113.5"])));
    });
}

#[test]
fn the_race_is_met_with_a_conflict() {
    run_case(async {
        let server = own().await;
        let edited = set(120, &["203.0.113.50"]);
        server.before_next_update({
            let edited = edited.clone();
            move |zone| zone.set(&at("gauge"), A, Some(&edited))
        });
        let peer = Peer::Own(server);
        let change = [change("gauge", A, Some(set(120, &["203.0.113.9"])), set(120, &["203.0.113.77"]))];
        faulty(peer.provider().apply(&change).await, FaultKind::Conflict, &["NXRRSET"]);
        assert_eq!(peer.rrset(&at("gauge"), A), Some(edited));
    });
}

#[test]
fn a_withheld_answer_leaves_the_write_in_doubt() {
    run_case(async {
        let server = own().await;
        let mut progress = server.progress();
        server.hold_replies(1);
        let peer = Peer::Own(server);
        let provider = peer.provider();
        let first = set(120, &["203.0.113.77"]);
        let write = |before: &RrSet, after: &RrSet| [change("gauge", A, Some(before.clone()), after.clone())];
        let lost = write(&set(120, &["203.0.113.9"]), &first);
        faulty(provider.apply(&lost).await, FaultKind::InDoubt, &["did not answer the update"]);
        timeout(Duration::from_secs(10), progress.wait_for(|p| p.applied == 1 && p.serial == 2))
            .await
            .unwrap()
            .unwrap();
        assert_eq!(peer.rrset(&at("gauge"), A), Some(first.clone()));
        // Sent again as it was, it meets its own work.
        faulty(provider.apply(&lost).await, FaultKind::Conflict, &["NXRRSET"]);
        provider.apply(&write(&first, &set(120, &["203.0.113.78"]))).await.unwrap();
        assert_eq!((progress.borrow().received, progress.borrow().applied), (3, 2));
    });
}

#[test]
fn an_outage_passes() {
    run_case(async {
        let server = own().await;
        server.pause();
        let peer = Peer::Own(server);
        let provider = peer.provider();
        faulty(read(&provider, &["gauge"]).await, PASSING, &["closed the connection"]);
        let Peer::Own(server) = &peer else { unreachable!() };
        server.resume();
        server.edit(|zone| zone.set(&at("gauge"), A, None));
        assert!(read(&provider, &["gauge"]).await.unwrap().names[&at("gauge")].sets.is_empty());
        assert_eq!(server.serial(), 2);
        let address = peer.address();
        drop(peer);
        // Its tasks end at their next turn.
        for _ in 0..100 {
            if tokio::net::TcpStream::connect(&address).await.is_err() {
                return;
            }
            tokio::task::yield_now().await;
        }
        panic!("it still listens");
    });
}

/// More than one message holds: each stands for itself, and a failure after a success is not hidden.
#[test]
fn a_split_update_that_fails_half_way_is_in_doubt() {
    run_case(async {
        let peer = Peer::Own(own().await);
        let provider = peer.provider();
        let labels: Vec<_> = (0..900).map(|nth| format!("n{nth}")).collect();
        let create = |labels: &[String]| -> Vec<_> {
            labels.iter().map(|label| change(label, A, None, set(120, &["203.0.113.9"]))).collect()
        };
        provider.apply(&create(&labels[800..])).await.unwrap();
        let fault = faulty(provider.apply(&create(&labels)).await, FaultKind::InDoubt, &["2 of 3 updates were taken"]);
        assert!(fault.why.contains("YXRRSET"), "{fault}");
        assert_eq!((peer.serial(), peer.rrset(&at("n0"), A).is_some()), (4, true));
    });
}

/// In step is quiet: only the first read after a conflict looks twice.
#[test]
fn one_read_settles_a_doubt() {
    run_case(async {
        let server = own().await;
        let progress = server.progress();
        let peer = Peer::Own(server);
        let provider = peer.provider();
        faulty(
            provider.apply(&[change("gauge", A, None, set(120, &["203.0.113.77"]))]).await,
            FaultKind::Conflict,
            &["YXRRSET"],
        );
        let mut received = vec![];
        for labels in [["mill"], ["gauge"], ["gauge"]] {
            read(&provider, &labels).await.unwrap();
            received.push(progress.borrow().received);
        }
        assert_eq!(received, [1, 2, 2]);
    });
}
