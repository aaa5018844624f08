//! What only the real servers can show: permission, zones not served, wildcards, outages, a race.

use std::time::Duration;

use fingerpost::dns::tsig::TsigAlgorithm;
use fingerpost::provider::rfc2136::Rfc2136;
use fingerpost::provider::{FaultKind, Obstacle, Provider};
use fingerpost::record::RecordType::{A, Aaaa};
use fingerpost::record::RrSet;

use crate::common::knot::Knotd;
use crate::common::named::Named;
use crate::common::powerdns::PowerDns;
use crate::common::*;
use crate::{GRANTS, LINES, NARROW, PASSING, Peer, TIMEOUT};
use crate::{change, faulty, hour_ahead, hour_behind, narrow_key, read, real, run_case};

fn gauge() -> [fingerpost::provider::Change; 1] {
    [change("gauge", A, Some(set(120, &["203.0.113.9"])), set(120, &["203.0.113.77"]))]
}

fn mill() -> [fingerpost::provider::Change; 1] {
    let mill = set(300, &["203.0.113.9", "198.51.100.99"]);
    [change("mill", A, Some(mill), set(300, &["203.0.113.77", "198.51.100.99"]))]
}

/// A key may change what it was granted and nothing else, and is told so.
fn permission<S: Software>(unknown_without_grant: bool, kind: FaultKind, words: &[&str]) {
    let peer = Peer::Real(real::<S>(LINES, &GRANTS));
    let provider = peer.provider_by(narrow_key());
    run_case(async {
        read(&provider, &["mill"]).await.unwrap();
        let fault = faulty(provider.apply(&mill()).await, kind, words);
        assert!(fault.remedy.contains("let narrow-key change mill.heronmill.example A"), "{fault}");
        assert_eq!(peer.serial(), 1);
        provider.apply(&gauge()).await.unwrap();
    });
    // No grant at all.
    let closed = Peer::Real(real::<S>(LINES, &[]));
    run_case(async {
        let provider = closed.provider();
        match unknown_without_grant {
            // To Knot a key that no ACL of the zone names is unknown, for queries too.
            true => faulty(read(&provider, &["gauge"]).await, kind, &["`acl` of heronmill.example"]),
            false => {
                read(&provider, &["gauge"]).await.unwrap();
                faulty(provider.apply(&gauge()).await, FaultKind::Refused, &["gauge.heronmill.example A"])
            }
        };
    });
}

#[test]
#[ignore = "needs named: tests/all.sh runs it"]
fn bind_refuses_what_a_key_may_not() {
    permission::<Named>(
        false,
        FaultKind::Refused,
        &["does not let the key narrow-key change mill.heronmill.example A", "REFUSED, signed"],
    );
}

#[test]
#[ignore = "needs knotd: tests/all.sh runs it"]
fn knot_refuses_what_a_key_may_not() {
    permission::<Knotd>(
        true,
        FaultKind::Unproven,
        &["knows the key narrow-key but does not let it change mill.heronmill.example A", "BADKEY"],
    );
}

/// PowerDNS does not say what is wrong with a signature. Since it may be the clock, which is set right in time, a read
/// is tried again; of an update's refusal nothing is proven either.
///
/// | case | PowerDNS 4.7, as measured |
/// | --- | --- |
/// | unknown key, other algorithm, wrong secret, clock an hour off: query | NOTAUTH, no TSIG record |
/// | the same: update | REFUSED, no TSIG record |
/// | zone not served, or a name below the apex given as zone: query | REFUSED; the apex above; both signed |
/// | the same: update | NOTAUTH, signed |
/// | name outside the zone; stale prerequisite; CNAME prerequisite | NOTZONE; NXRRSET; YXRRSET; all signed |
/// | zone without TSIG-ALLOW-DNSUPDATE | NOERROR to any key it has, and to none: only ALLOW-DNSUPDATE-FROM protects it |
/// | change that the Lua update policy forbids | **NOERROR, signed, nothing changed**: only reading back tells |
/// | serial of the first update, SOA-EDIT-DNSUPDATE not set | today's date and 01 |
#[test]
#[ignore = "needs pdns_server: tests/all.sh runs it"]
fn powerdns_does_not_say_what_is_wrong_with_a_signature() {
    let peer = Peer::Real(real::<PowerDns>(LINES, &GRANTS));
    let by = |name, algorithm, secret: &[u8]| peer.provider_by(client_key(name, algorithm, secret));
    run_case(async {
        for provider in [
            by("other-key", TsigAlgorithm::HmacSha256, SECRET),
            by(KEY.name, TsigAlgorithm::HmacSha384, SECRET),
            by(KEY.name, TsigAlgorithm::HmacSha256, b"not the secret"),
            peer.provider().with_clock(hour_ahead),
            peer.provider().with_clock(hour_behind),
        ] {
            let fault = faulty(read(&provider, &["gauge"]).await, PASSING, &["answers for heronmill.example", "signs"]);
            assert!(fault.remedy.contains("clock") && fault.remedy.contains("the same secret"), "{fault}");
            faulty(provider.apply(&gauge()).await, FaultKind::Unproven, &["REFUSED, unsigned", "wrong clock"]);
        }
        assert_eq!(peer.serial(), 1);
        // What it does not serve it does not serve unsigned either.
        let elsewhere = Rfc2136::new(dns("tern.example"), peer.address(), Some(gauge_key()), TIMEOUT);
        faulty(read(&elsewhere, &[]).await, FaultKind::Refused, &["does not answer for tern.example"]);
        // NOERROR to what its policy forbids: reading back shows that it was not done.
        let narrow = peer.provider_by(client_key(NARROW.name, TsigAlgorithm::HmacSha512, SECRET));
        narrow.apply(&mill()).await.unwrap();
        assert_eq!(peer.serial(), 1);
        narrow.apply(&gauge()).await.unwrap();
        assert!(peer.serial() > 1);
    });
}

/// BIND refuses an address at what is no host name, whatever the key may.
#[test]
#[ignore = "needs named: tests/all.sh runs it"]
fn bind_refuses_addresses_of_what_is_no_host_name() {
    // This is its default for a primary.
    let zone = ZoneSetup { extra: "check-names fail;", ..ZoneSetup::new(LINES) };
    let server = DnsServer::start::<Named>(&[KEY], &[zone]);
    let provider = Rfc2136::new(dns(ZONE), server.address(), Some(gauge_key()), TIMEOUT);
    run_case(async {
        for label in ["_gauge", "x.-gauge", "gauge-.x"] {
            let outcome = provider.apply(&[change(label, A, None, set(120, &["203.0.113.77"]))]).await;
            let words = [&format!("besides, {label}.heronmill.example is no host name"), "`check-names ignore`"];
            faulty(outcome, FaultKind::Refused, &words.map(|word| word as &str));
        }
        for label in ["3-gauge", "*", "*.x-x"] {
            provider.apply(&[change(label, A, None, set(120, &["203.0.113.77"]))]).await.unwrap();
        }
    });
}

/// Other zones, and names below the apex given as zones, are refused before and at the write.
fn other_zones<S: Software>(kind: FaultKind) {
    let peer = Peer::Real(real::<S>(LINES, &GRANTS));
    let provider = |zone: &str| Rfc2136::new(dns(zone), peer.address(), Some(gauge_key()), TIMEOUT);
    run_case(async {
        for zone in ["tern.example", "gauge.heronmill.example", "sub.heronmill.example"] {
            let stray = [fingerpost::provider::Change { name: dns(&format!("a.{zone}")), ..gauge()[0].clone() }];
            let elsewhere = read(&provider(zone), &[]).await;
            faulty(elsewhere, if zone == "tern.example" { kind } else { FaultKind::Refused }, &[zone]);
            faulty(provider(zone).apply(&stray).await, kind, &[zone, "NOTAUTH", "`zone`"]);
        }
        let fault = faulty(read(&provider("gauge.heronmill.example"), &[]).await, FaultKind::Refused, &[]);
        assert_eq!(fault.remedy, "set `zone` to heronmill.example");
        assert_eq!(peer.serial(), 1);
    });
}

#[test]
#[ignore = "needs named: tests/all.sh runs it"]
fn bind_does_not_serve_other_zones() {
    other_zones::<Named>(FaultKind::Refused);
}

#[test]
#[ignore = "needs knotd: tests/all.sh runs it"]
fn knot_does_not_serve_other_zones() {
    other_zones::<Knotd>(FaultKind::Unproven);
}

/// RFC 4592: what a wildcard answers at a name does not stand there.
fn wildcards<S: Software>() {
    let lines =
        "* 120 A 203.0.113.9\n*.deep 60 CNAME gauge\nx.deep 60 CNAME gauge\n*.low 60 CNAME gauge\nold 60 DNAME low";
    let long = ["b"; 3].map(|label| label.repeat(63)).join(".");
    let peer = Peer::Real(real::<S>(&format!("{lines}\nfar 60 DNAME {long}"), &GRANTS));
    let provider = peer.provider();
    let wanted = set(120, &["203.0.113.77"]);
    run_case(async {
        // An address of the wildcard: seen as the name's own, a conflict, then seen for what it is.
        let seen = read(&provider, &["cam"]).await.unwrap().names[&at("cam")].clone();
        assert_eq!(seen.sets[&A], set(120, &["203.0.113.9"]));
        let replace = [change("cam", A, seen.sets.get(&A).cloned(), wanted.clone())];
        faulty(provider.apply(&replace).await, FaultKind::Conflict, &["NXRRSET"]);
        let serial = peer.serial();
        let seen = read(&provider, &["cam", "nothing.x"]).await.unwrap();
        assert_eq!(seen.names[&at("cam")].sets.get(&A), None);
        assert_eq!(peer.serial(), serial, "to look is not to write");
        provider.apply(&[change("cam", A, None, wanted.clone())]).await.unwrap();
        assert_eq!(peer.rrset(&at("cam"), A), Some(wanted.clone()));

        // A CNAME of the wildcard is no obstacle; one of the same target that stands there is, after a conflict.
        let seen = read(&provider, &["new.deep", "x.deep"]).await.unwrap();
        assert_eq!(seen.names[&at("new.deep")], Default::default());
        provider.apply(&[change("new.deep", A, None, wanted.clone())]).await.unwrap();
        let outcome = provider.apply(&[change("x.deep", A, None, wanted.clone())]).await;
        faulty(outcome, FaultKind::Conflict, &["YXRRSET"]);
        let seen = read(&provider, &["x.deep"]).await.unwrap();
        assert_eq!(seen.names[&at("x.deep")].obstacle, Some(Obstacle::Cname("gauge.heronmill.example.".into())));

        // Below a DNAME every name is another's (RFC 6672, section 2.4), and a conflict does not change that.
        let dname = Some(Obstacle::Dname("old.heronmill.example".into()));
        assert_eq!(read(&provider, &["a.old"]).await.unwrap().names[&at("a.old")].obstacle, dname);
        let stale = [change("a.old", A, Some(wanted.clone()), wanted.clone())];
        faulty(provider.apply(&stale).await, FaultKind::Conflict, &[]);
        assert_eq!(read(&provider, &["a.old"]).await.unwrap().names[&at("a.old")].obstacle, dname);

        // Nor does it where what it leads to is too long for a name (RFC 6672, section 2.2: YXDOMAIN).
        let far = format!("{}.far", "a".repeat(60));
        let seen = read(&provider, &[&far, "a.old"]).await.unwrap();
        assert_eq!(seen.names[&at(&far)].obstacle, Some(Obstacle::Dname("far.heronmill.example".into())));
        assert_eq!(seen.names[&at("a.old")].obstacle, dname);

        // The wildcard itself is a name like others.
        let star = [change("*", A, Some(set(120, &["203.0.113.9"])), wanted.clone())];
        provider.apply(&star).await.unwrap();
        assert_eq!(read(&provider, &["*"]).await.unwrap().names[&at("*")].sets[&A], wanted);
        let seen = read(&provider, &["*.deep"]).await.unwrap();
        assert_eq!(seen.names[&at("*.deep")].obstacle, Some(Obstacle::Cname("gauge.heronmill.example.".into())));
    });
}

#[test]
#[ignore = "needs named: tests/all.sh runs it"]
fn bind_tells_what_a_wildcard_made() {
    wildcards::<Named>();
}

#[test]
#[ignore = "needs knotd: tests/all.sh runs it"]
fn knot_tells_what_a_wildcard_made() {
    wildcards::<Knotd>();
}

fn outage<S: Software>() {
    let mut server = real::<S>(LINES, &GRANTS);
    let provider = Rfc2136::new(dns(ZONE), server.address(), Some(gauge_key()), TIMEOUT);
    run_case(provider.apply(&gauge())).unwrap();
    server.stop();
    let back = [change("gauge", A, Some(set(120, &["203.0.113.77"])), set(60, &["203.0.113.78"]))];
    run_case(async {
        faulty(read(&provider, &["gauge"]).await, PASSING, &["cannot be reached", "refused"]);
        faulty(provider.apply(&back).await, PASSING, &["cannot be reached", "refused"]);
    });
    server.start_again();
    run_case(provider.apply(&back)).unwrap();
    assert_eq!(server.rrset("gauge.heronmill.example", A), Some(back[0].after.clone()));
}

#[test]
#[ignore = "needs named: tests/all.sh runs it"]
fn bind_may_be_out() {
    outage::<Named>();
}

#[test]
#[ignore = "needs knotd: tests/all.sh runs it"]
fn knot_may_be_out() {
    outage::<Knotd>();
}

/// RFC 2136, section 2.4.2: a value-dependent prerequisite keeps what another client wrote since the read.
#[test]
#[ignore = "needs named, python3 with dnspython: tests/all.sh runs it"]
fn nothing_of_another_client_is_lost() {
    let peer = Peer::Real(real::<Named>(LINES, &GRANTS));
    let provider = peer.provider();
    let edited = set(300, &["203.0.113.9", "198.51.100.99", "198.51.100.1"]);
    run_case(async {
        let seen = read(&provider, &["mill"]).await.unwrap().names[&at("mill")].sets[&A].clone();
        dnspython(&peer, "u.add('mill', 300, 'A', '198.51.100.1')");
        let swap = |before: &RrSet| {
            let mut after = before.clone();
            after.addresses.remove(&"203.0.113.9".parse().unwrap());
            after.addresses.insert("203.0.113.77".parse().unwrap());
            [change("mill", A, Some(before.clone()), after)]
        };
        faulty(provider.apply(&swap(&seen)).await, FaultKind::Conflict, &["NXRRSET"]);
        assert_eq!(peer.rrset(&at("mill"), A), Some(edited.clone()));
        let seen = read(&provider, &["mill"]).await.unwrap().names[&at("mill")].sets[&A].clone();
        assert_eq!(seen, edited);
        provider.apply(&swap(&seen)).await.unwrap();
        let merged = set(300, &["203.0.113.77", "198.51.100.99", "198.51.100.1"]);
        assert_eq!(peer.rrset(&at("mill"), A), Some(merged));
    });
}

/// One update by dnspython, of which `script` fills `u`.
pub(crate) fn dnspython(peer: &Peer, script: &str) {
    let (host, port) = peer.address().rsplit_once(':').map(|(host, port)| (host.to_owned(), port.to_owned())).unwrap();
    let program = format!(
        "import dns.query, dns.tsig, dns.tsigkeyring, dns.update, dns.rcode
key = dns.tsigkeyring.from_text({{'{}': '{SECRET_BASE64}'}})
u = dns.update.UpdateMessage('{ZONE}', keyring=key, keyalgorithm=dns.tsig.HMAC_SHA256)
{script}
print(dns.rcode.to_text(dns.query.tcp(u, '{host}', port={port}, timeout=5).rcode()))",
        KEY.name
    );
    assert_eq!(run(&python(), &["-c", &program], "").trim(), "NOERROR");
}

/// Without a key nothing is signed and loopback servers only are written to, if they let this machine in.
#[test]
#[ignore = "needs named: tests/all.sh runs it"]
fn bind_on_loopback_may_be_updated_unsigned() {
    let zone = ZoneSetup { grants: vec![], extra: "allow-update { 127.0.0.1; };", ..ZoneSetup::new(LINES) };
    let open = DnsServer::start::<Named>(&[], &[zone]);
    let closed = real::<Named>(LINES, &GRANTS);
    run_case(async {
        let provider = |server: &DnsServer| Rfc2136::new(dns(ZONE), server.address(), None, Duration::from_secs(5));
        read(&provider(&open), &["gauge"]).await.unwrap();
        provider(&open).apply(&gauge()).await.unwrap();
        let outcome = provider(&closed).apply(&gauge()).await;
        faulty(outcome, FaultKind::Unproven, &["no unsigned update", "REFUSED, unsigned", "`key`"]);
        let aaaa = [change("gauge", Aaaa, None, set(120, &["2001:db8::77"]))];
        provider(&open).apply(&aaaa).await.unwrap();
    });
    assert_eq!(open.rrset("gauge.heronmill.example", Aaaa), Some(set(120, &["2001:db8::77"])));
}
