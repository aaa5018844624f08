//! PowerDNS, by its HTTP API.

use std::time::Duration;

use fingerpost::provider::rfc2136::Rfc2136;
use fingerpost::provider::{Change, Fault, Provider, RecordType};

use crate::common::powerdns::PowerDns;
use crate::common::*;
use crate::run_case;

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
        let key = client_key(key, fingerpost::config::TsigAlgorithm::HmacSha256, SECRET);
        let provider = Rfc2136::new(dns(ZONE), server.address(), Some(key), Duration::from_secs(10));
        let before = server.rrset(at(label).as_str(), RecordType::A);
        let change = Change { name: at(label), rtype: RecordType::A, before, after: set(120, &[after]) };
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
