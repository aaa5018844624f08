//! The RFC 2136 provider against four servers: BIND's named, Knot's knotd, PowerDNS, and the rehearsal's own.
//!
//! One table of cases runs against each, so the rehearsal's server is held to the behaviour of the others. What is not
//! this provider's alone is tested in `tests/battery`.

#![expect(clippy::unwrap_used, clippy::expect_used, clippy::panic, reason = "a test fails by panicking")]

#[path = "../common/mod.rs"]
mod common;
mod cuts;
mod hostile;
mod lease;
mod moment;
mod names;
mod own;
mod servers;
mod table;
mod transfer;

use std::future::Future;
use std::time::{Duration, SystemTime};

use common::knot::Knotd;
use common::named::Named;
use common::powerdns::PowerDns;
use common::*;
use fingerpost::clock::Timestamp;
use fingerpost::dns::tsig::{TsigAlgorithm, TsigKey};
use fingerpost::name::DnsName;
use fingerpost::provider::rfc2136::Rfc2136;
use fingerpost::provider::{Change, Fault, FaultKind, Observed, Provider};
use fingerpost::record::{RecordType, RrSet};
use fingerpost::rehearsal::dns::Server;
use hickory_proto::rr::rdata::{CNAME, NS};
use hickory_proto::rr::{Name, RData, Record};

const TIMEOUT: Duration = Duration::from_secs(10);

/// The zone that every case starts with; also what the rehearsal's server is given, line by line.
const LINES: &str = "gauge 120 A 203.0.113.9
mill 300 A 203.0.113.9
mill 300 A 198.51.100.99
mill 60 AAAA 2001:db8::9
cam 300 CNAME gauge
sub 300 NS ns.sub
ns.sub 300 A 198.51.100.53";

/// A server that holds [`LINES`].
enum Peer {
    Real(DnsServer),
    Own(Server),
}

impl Peer {
    fn address(&self) -> String {
        match self {
            Self::Real(server) => server.address(),
            Self::Own(server) => server.addr().to_string(),
        }
    }

    fn rrset(&self, name: &DnsName, rtype: RecordType) -> Option<RrSet> {
        match self {
            Self::Real(server) => server.rrset(name.as_str(), rtype),
            Self::Own(server) => server.addresses(name, rtype),
        }
    }

    fn serial(&self) -> u32 {
        match self {
            Self::Real(server) => server.serial(ZONE),
            Self::Own(server) => server.serial(),
        }
    }

    fn provider(&self) -> Rfc2136 {
        self.provider_by(gauge_key())
    }

    fn provider_by(&self, key: TsigKey) -> Rfc2136 {
        Rfc2136::new(dns(ZONE), self.address(), Some(key), TIMEOUT)
    }
}

fn real<S: Software>(lines: &str, grants: &[Grant]) -> DnsServer {
    DnsServer::start::<S>(&[KEY, NARROW], &[ZoneSetup { grants: grants.to_vec(), ..ZoneSetup::new(lines) }])
}

async fn own() -> Server {
    let name = |label: &str| Name::from_ascii(format!("{label}.{ZONE}.")).unwrap();
    let record = |line: &str| {
        let [owner, ttl, rtype, data] = line.split(' ').collect::<Vec<_>>()[..] else { panic!("{line}") };
        let data = match rtype {
            "CNAME" => RData::CNAME(CNAME(name(data))),
            "NS" => RData::NS(NS(name(data))),
            _ => RData::from(data.parse::<std::net::IpAddr>().unwrap()),
        };
        Record::from_rdata(name(owner), ttl.parse().unwrap(), data)
    };
    Server::start(dns(ZONE), gauge_key(), LINES.lines().map(record).collect()).await.unwrap()
}

/// May change the addresses of `gauge` only.
const NARROW: ServerKey = ServerKey { name: "narrow-key", algorithm: "hmac-sha512", secret: SECRET_BASE64 };
const GRANTS: [Grant; 2] =
    [Grant { key: "gauge-key", name: None }, Grant { key: "narrow-key", name: Some("gauge.heronmill.example") }];

fn narrow_key() -> TsigKey {
    client_key("narrow-key", TsigAlgorithm::HmacSha512, SECRET)
}

fn change(label: &str, rtype: RecordType, before: Option<RrSet>, after: RrSet) -> Change {
    Change { name: at(label), rtype, before, after }
}

async fn read(provider: &Rfc2136, labels: &[&str]) -> Result<Observed, Fault> {
    provider.read(&labels.iter().map(|label| at(label)).collect()).await
}

/// The fault, checked for its kind, that it names the server, and for the words it must hold.
#[track_caller]
fn faulty<T>(outcome: Result<T, Fault>, kind: FaultKind, words: &[&str]) -> Fault {
    let fault = outcome.err().expect("a fault");
    let text = fault.to_string();
    assert_eq!(fault.kind, kind, "{text}");
    assert!(fault.why.contains("127.0.0.1"), "names no server: {text}");
    for word in words {
        assert!(text.contains(word), "no {word:?} in: {text}");
    }
    assert!(!text.contains(std::str::from_utf8(SECRET).unwrap()) && !text.contains(SECRET_BASE64));
    fault
}

const PASSING: FaultKind = FaultKind::Passing { retry_after: None };

fn hour_ahead() -> Timestamp {
    Timestamp::from(SystemTime::now()).plus(Duration::from_secs(3600))
}

fn hour_behind() -> Timestamp {
    Timestamp::from(SystemTime::now()).minus(Duration::from_secs(3600))
}

/// Runs a case on a runtime of its own.
fn run_case<F: Future>(case: F) -> F::Output {
    tokio::runtime::Builder::new_current_thread().enable_all().build().unwrap().block_on(case)
}
