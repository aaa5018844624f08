//! PowerDNS, by its HTTP API.

use std::time::Duration;

use fingerpost::provider::rfc2136::Rfc2136;
use fingerpost::provider::{Change, Fault, FaultKind, Obstacle, Provider};
use fingerpost::record::RecordType::{A, Aaaa};

use crate::common::powerdns::{API_KEY, PowerDns};
use crate::common::*;
use crate::{PASSING, POWERDNS, TIMEOUT, change, changed, faulty, read, rest, run_case};

/// What other tests rely on: the peer serves DNS, and takes the updates that a key is granted and no others.
#[test]
#[ignore = "needs pdns_server: tests/all.sh runs it"]
fn the_peer_serves_and_takes_the_updates_that_a_key_is_granted() {
    const NARROW: ServerKey = ServerKey { name: "narrow-key", algorithm: "hmac-sha256", secret: SECRET_BASE64 };
    let grants =
        vec![Grant { key: KEY.name, name: None }, Grant { key: NARROW.name, name: Some("gauge.heronmill.example") }];
    let zone = ZoneSetup { grants, ..ZoneSetup::new("gauge 120 A 203.0.113.9") };
    let mut server = DnsServer::start::<PowerDns>(&[KEY, NARROW], std::slice::from_ref(&zone));
    let write = |server: &DnsServer, key: &str, label: &str, after: &str| -> Result<(), Fault> {
        let key = client_key(key, fingerpost::dns::tsig::TsigAlgorithm::HmacSha256, SECRET);
        let provider = Rfc2136::new(dns(ZONE), server.address(), Some(key), Duration::from_secs(10));
        let before = server.rrset(at(label).as_str(), A);
        let change = Change { name: at(label), rtype: A, before, after: set(120, &[after]) };
        run_case(provider.apply(&[change])).map(drop)
    };
    write(&server, KEY.name, "mill", "203.0.113.77").unwrap();
    write(&server, NARROW.name, "gauge", "203.0.113.77").unwrap();
    // The answer is NOERROR.
    write(&server, NARROW.name, "mill", "203.0.113.78").unwrap();
    assert_eq!(server.dig("mill.heronmill.example", "A"), ["120 203.0.113.77"]);
    server.reconfigure::<PowerDns>(&[KEY, NARROW], &[ZoneSetup::new("")]);
    write(&server, NARROW.name, "gauge", "203.0.113.78").unwrap_err();
    assert_eq!(server.dig("gauge.heronmill.example", "A"), ["120 203.0.113.77"]);
}
/// The description that comes with the program, against the server itself; what stands is asked for over DNS.
#[test]
#[ignore = "needs pdns_server: tests/all.sh runs it"]
fn the_http_api_is_read_and_written() {
    let lines = "gauge 120 A 203.0.113.9\nmill 300 A 203.0.113.9\nmill 300 A 198.51.100.99\nmill 60 AAAA 2001:db8::9
cam 300 CNAME gauge\nsub 300 NS ns.sub\nns.sub 300 A 198.51.100.53\n*.w 300 A 203.0.113.9\nwide 300 TXT \"as it was\"";
    let server = DnsServer::start::<PowerDns>(&[], &[ZoneSetup { grants: Vec::new(), ..ZoneSetup::new(lines) }]);
    let provider = rest(POWERDNS, &PowerDns::api(&server), API_KEY, TIMEOUT);
    let names = ["gauge", "mill", "cam", "sub", "x.sub", "*.w", "y.w", "nothing"].map(at);
    let seen = run_case(read(&provider, &names)).unwrap();
    assert_eq!(seen.serial, Some(server.serial(ZONE)));
    for label in ["gauge", "mill", "*.w", "nothing"] {
        for rtype in [A, Aaaa] {
            let stands = seen.names[&at(label)].sets.get(&rtype).cloned();
            assert_eq!(stands, server.rrset(at(label).as_str(), rtype), "{rtype} {label}");
        }
    }
    // A wildcard answers for other names, and stands only at its own (RFC 4592, section 2.1.1).
    assert_eq!(seen.names[&at("y.w")].sets.len(), 0);
    assert_eq!(seen.names[&at("cam")].obstacle, Some(Obstacle::Cname("gauge.heronmill.example.".into())));
    let cut = Some(Obstacle::Delegated("sub.heronmill.example".into()));
    assert_eq!((&seen.names[&at("sub")].obstacle, &seen.names[&at("x.sub")].obstacle), (&cut, &cut));

    let mill = set(300, &["203.0.113.9", "198.51.100.99"]);
    let changes = [
        change("new", Aaaa, None, set(77, &["2001:db8::1", "2001:db8::2"])),
        change("gauge", A, Some(set(120, &["203.0.113.9"])), set(120, &["203.0.113.77"])),
        change("mill", A, Some(mill), set(300, &["203.0.113.77", "198.51.100.99"])),
        change("*.w", A, Some(set(300, &["203.0.113.9"])), set(300, &["203.0.113.77"])),
        change("@", A, None, set(300, &["203.0.113.77"])),
    ];
    assert_eq!(
        run_case(provider.apply(&changes)).unwrap().detail,
        format!("1 request taken by {}", PowerDns::api(&server))
    );
    for change in &changes {
        assert_eq!(server.rrset(change.name.as_str(), change.rtype), Some(change.after.clone()), "{}", change.name);
    }
    assert_eq!(server.dig("wide.heronmill.example", "TXT"), ["300 \"as it was\""]);
    // One of two cannot be, here by a fault in the description: the server says which, and takes neither.
    let pair = |label| {
        let gauge = change("gauge", A, Some(set(120, &["203.0.113.77"])), set(120, &["203.0.113.78"]));
        [gauge, change(label, A, None, set(120, &["203.0.113.78"]))]
    };
    let faulted = changed(POWERDNS, "\"content\": \"{address}\"", "\"content\": \"{address}x\"");
    let outcome = run_case(rest(&faulted, &PowerDns::api(&server), API_KEY, TIMEOUT).apply(&pair("more")));
    faulty(outcome, FaultKind::Refused, &["422", "Record more.heronmill.example./A '203.0.113.78x'"]);
    faulty(run_case(provider.apply(&pair("x.sub"))), FaultKind::Conflict, &["A x.sub"]);
    assert_eq!(server.dig("gauge.heronmill.example", "A"), ["120 203.0.113.77"]);
    let stranger = rest(POWERDNS, &PowerDns::api(&server), "another-key", TIMEOUT);
    faulty(run_case(read(&stranger, &names)), FaultKind::Refused, &["401", "check the token"]);
}

/// Comments and disabled members are kept: they are looked for with SQL, behind the API's back.
#[test]
#[ignore = "needs pdns_server: tests/all.sh runs it"]
fn comments_and_disabled_members_are_kept() {
    let zone = ZoneSetup { grants: Vec::new(), ..ZoneSetup::new("gauge 120 A 203.0.113.9\ngauge 120 A 198.51.100.99") };
    let server = DnsServer::start::<PowerDns>(&[], &[zone]);
    PowerDns::sql(
        &server,
        "INSERT INTO comments (domain_id, name, type, modified_at, account, comment)
         SELECT id, 'gauge.heronmill.example', 'A', 1, 'keeper', 'ask first' FROM domains;
         UPDATE records SET disabled = 1 WHERE content = '198.51.100.99';",
    );
    let provider = rest(POWERDNS, &PowerDns::api(&server), API_KEY, TIMEOUT);
    let before = set(120, &["203.0.113.9"]);
    let seen = run_case(read(&provider, &[at("gauge")])).unwrap();
    assert_eq!(seen.names[&at("gauge")].sets[&A], before);
    run_case(provider.apply(&[change("gauge", A, Some(before), set(120, &["203.0.113.77"]))])).unwrap();
    assert_eq!(server.dig("gauge.heronmill.example", "A"), ["120 203.0.113.77"]);
    assert_eq!(PowerDns::sql(&server, "SELECT account, comment FROM comments;"), "keeper|ask first\n");
    let kept = PowerDns::sql(&server, "SELECT content FROM records WHERE disabled = 1;");
    assert_eq!(kept, "198.51.100.99\n");
}

/// The server is killed between two requests, or the record changed by another hand: told, and then in step again.
#[test]
#[ignore = "needs pdns_server: tests/all.sh runs it"]
fn outage_and_another_hand() {
    let zone = ZoneSetup::new("gauge 120 A 203.0.113.9");
    let mut server = DnsServer::start::<PowerDns>(&[KEY], &[zone]);
    let provider = rest(POWERDNS, &PowerDns::api(&server), API_KEY, TIMEOUT);
    let before = set(120, &["203.0.113.9"]);
    let hand = change("gauge", A, Some(before.clone()), set(60, &["198.51.100.7"]));
    let other = Rfc2136::new(dns(ZONE), server.address(), Some(gauge_key()), TIMEOUT);
    run_case(other.apply(&[hand])).unwrap();
    let ours = [change("gauge", A, Some(before), set(120, &["203.0.113.77"]))];
    faulty(run_case(provider.apply(&ours)), FaultKind::Conflict, &["A gauge"]);
    server.stop();
    faulty(run_case(provider.apply(&ours)), PASSING, &["cannot be reached"]);
    server.start_again();
    let ours = [change("gauge", A, Some(set(60, &["198.51.100.7"])), set(120, &["203.0.113.77"]))];
    run_case(async {
        while read(&provider, &[at("gauge")]).await.is_err() {
            tokio::time::sleep(Duration::from_millis(10)).await;
        }
        provider.apply(&ours).await.unwrap();
    });
    assert_eq!(server.dig("gauge.heronmill.example", "A"), ["120 203.0.113.77"]);
}

#[test]
#[ignore = "needs pdns_server: tests/all.sh runs it"]
fn a_thousand_names_go_in_two_requests() {
    let server = DnsServer::start::<PowerDns>(&[], &[ZoneSetup { grants: Vec::new(), ..ZoneSetup::new("") }]);
    let provider = rest(POWERDNS, &PowerDns::api(&server), API_KEY, Duration::from_secs(60));
    let changes: Vec<_> =
        (0..1000).map(|nth| change(&format!("n{nth}"), A, None, set(120, &["203.0.113.9"]))).collect();
    run_case(async {
        let detail = provider.apply(&changes).await.unwrap().detail;
        assert!(detail.starts_with("2 requests taken by"), "{detail}");
        let names: Vec<_> = changes.iter().map(|change| change.name.clone()).collect();
        let seen = read(&provider, &names).await.unwrap();
        assert!(seen.names.values().all(|standing| standing.sets[&A] == set(120, &["203.0.113.9"])));
    });
}
