//! What must hold of each parser of strangers' words, whatever stands in them: a function a parser, which fails when it
//! does not hold. Fuzzing (`fuzz/`) calls them for minutes, the tests beneath for a moment. No part of the program.
//!
//! Each says whether anything was read at all, so that its seeds can be held to it. Where chance would hardly ever get
//! past a length or a checksum, the same octets are tried again with those put right.

use std::net::{IpAddr, Ipv4Addr, SocketAddr};

use url::Url;

use crate::address::{Family, special};
use crate::audit::chain;
use crate::provider::lease_record::{LeaseRecord, SPANS, is_holder};
use crate::settings::Extract;
use crate::watch::netlink::{self, Body};
use crate::watch::router::announce::{AnnouncementKind, is_announcement};
use crate::watch::router::gateway::{Dump, choose};
use crate::watch::router::igd::{ssdp, xml};
use crate::watch::router::{natpmp as nat_pmp, pcp as port_control};
use crate::watch::stun::message::{self, Flaw, LONGEST, TransactionId};
use crate::watch::{Silence, extract};

pub use crate::allowlist::hostile::{ranges, ruleset, table};
pub use crate::exposure::hostile::zone_text;
pub use crate::provider::rest::hostile::any_answer as api_answer;
pub use crate::provider::rfc2136::hostile::any_answer as dns_answer;
pub use crate::provider::zonefile::hostile::file as zone_file;

const GATEWAY: Ipv4Addr = Ipv4Addr::new(192, 168, 77, 1);

/// A STUN message, for the witness and for whoever answers as one.
pub fn stun(data: &[u8]) -> bool {
    // Request, success, error; then the transaction id, and attributes up to a FINGERPRINT that holds.
    let kind = [0x0001_u16, 0x0101, 0x0111][usize::from(data.first().copied().unwrap_or(0) % 3)];
    let rest = data.get(1..).unwrap_or_default();
    let (id, attributes) = rest.split_at(rest.len().min(12));
    let attributes = attributes.chunks_exact(4).take((LONGEST - 28) / 4).flatten().copied();
    let mut mended = [&kind.to_be_bytes()[..], &[0, 0, 0x21, 0x12, 0xa4, 0x42], id].concat();
    mended.resize(20, 0);
    mended.extend(attributes);
    let length = (mended.len() - 20 + 8) as u16;
    mended[2..4].copy_from_slice(&length.to_be_bytes());
    let crc = crc32fast::hash(&mended) ^ 0x5354_554e;
    mended.extend([&[0x80, 0x28, 0, 4], &crc.to_be_bytes()[..]].concat());
    binding(data) | binding(&mended)
}

fn binding(datagram: &[u8]) -> bool {
    let id: TransactionId = datagram.get(8..20).and_then(|id| id.try_into().ok()).unwrap_or_default();
    let told = message::address(datagram);
    assert!(told.is_err() || (message::is_of(datagram, &id) && datagram.len() <= LONGEST));
    for from in ["203.0.113.77:3478", "[2001:db8::77]:1"].iter().filter_map(|from| from.parse::<SocketAddr>().ok()) {
        let Some(answer) = message::respond(datagram, from) else { continue };
        assert!(message::is_of(&answer, &id));
        let tenths = if from.is_ipv4() { 18 } else { 22 };
        assert!(answer.len() * 10 <= datagram.len() * tenths, "{} for {}", answer.len(), datagram.len());
        match message::address(&answer) {
            Ok(address) => assert_eq!(address, from.ip()),
            Err(flaw) => assert_eq!(flaw, Flaw::Error(420)),
        }
        assert_eq!(message::respond(&answer, from), None, "two servers would answer one another for ever");
    }
    told.is_ok()
}

/// An answer, or an announcement, of NAT-PMP.
pub fn natpmp(datagram: &[u8]) -> bool {
    let answer = nat_pmp::parse(datagram);
    if let Some(nat_pmp::PmpAnswer::Address(address)) = answer {
        assert!(datagram.starts_with(&[0, 128, 0, 0]) && datagram.get(8..12) == Some(&address.octets()[..]));
    }
    assert!(heard(datagram) != Some(AnnouncementKind::NatPmp) || answer.is_some());
    answer.is_some()
}

/// An announcement of PCP.
pub fn pcp(datagram: &[u8]) -> bool {
    let announced = port_control::announced(datagram).is_some();
    if announced {
        assert!(matches!(datagram.len(), 24..=1100) && datagram.len().is_multiple_of(4));
        assert!(datagram.starts_with(&[2, 128]));
    }
    assert_eq!(heard(datagram) == Some(AnnouncementKind::Pcp), announced);
    announced
}

/// Whoever but the gateway sends it, it is no announcement.
fn heard(datagram: &[u8]) -> Option<AnnouncementKind> {
    let gateway = SocketAddr::from((GATEWAY, nat_pmp::PORT));
    for other in [SocketAddr::from((GATEWAY, 5350)), SocketAddr::from(([192, 168, 77, 2], nat_pmp::PORT))] {
        assert_eq!(is_announcement(datagram, other, gateway), None);
    }
    is_announcement(datagram, gateway, gateway)
}

/// An answer to a search by SSDP; also with `data` as its location.
pub fn ssdp(data: &[u8]) -> bool {
    let head = format!("HTTP/1.1 200 OK\r\nST: {}\r\nLOCATION: http://192.168.77.1", ssdp::TARGETS[0]);
    let found = [data.to_vec(), [head.as_bytes(), data, b"\r\n\r\n"].concat()].map(|datagram| {
        let found = ssdp::location(&datagram, GATEWAY);
        if let Some(url) = &found {
            assert!(ssdp::on_gateway(url, GATEWAY) && url.scheme() == "http" && url.host_str() == Some("192.168.77.1"));
        }
        found.is_some()
    });
    found.contains(&true)
}

/// A device description, or an answer over SOAP; also with `data` as the text that matters in it.
pub fn device_xml(data: &[u8]) -> bool {
    let Ok(at) = Url::parse("http://192.168.77.1:5000/desc/root.xml") else { return false };
    let kind = "urn:schemas-upnp-org:service:WANIPConnection:1";
    let service = format!("<root><service><serviceType>{kind}</serviceType><controlURL>");
    let description = [service.as_bytes(), data, b"</controlURL></service></root>"].concat();
    let told = "<Envelope><Body><GetExternalIPAddressResponse><NewExternalIPAddress>";
    let end = "</NewExternalIPAddress></GetExternalIPAddressResponse></Body></Envelope>";
    let answer = [told.as_bytes(), data, end.as_bytes()].concat();
    let short = |why: &String| assert!(why.chars().count() <= 120 && !why.contains(char::is_control), "{why:?}");
    let mut read = false;
    for text in [data, &description, &answer] {
        match xml::services(text, &at, GATEWAY) {
            Ok(services) => {
                assert!(services.len() <= 4);
                assert!(services.iter().all(|service| ssdp::on_gateway(&service.control, GATEWAY)));
                read |= !services.is_empty();
            }
            Err(why) => short(&why),
        }
        match xml::answer(text) {
            Ok(xml::SoapAnswer::Address(address)) => {
                assert!(!address.is_unspecified());
                read = true;
            }
            Ok(xml::SoapAnswer::NotAnAddress(told)) => assert!(!told.is_empty() && told.parse::<Ipv4Addr>().is_err()),
            Ok(xml::SoapAnswer::NoAddress | xml::SoapAnswer::Fault(_)) => {}
            Err(why) => short(&why),
        }
    }
    read
}

/// The body of an echo service's answer, as text and as JSON.
pub fn echo_body(body: &[u8]) -> bool {
    let pointers = ["/seen", "", "/your/addresses/0"].map(|pointer| Extract::Pointer(pointer.to_owned()));
    let mut read = false;
    for how in [Extract::Body].iter().chain(&pointers) {
        let told = extract::extract(how, None, body);
        match &told {
            Ok(address) => {
                let text = match how {
                    Extract::Body => std::str::from_utf8(body).ok().map(str::to_owned),
                    Extract::Pointer(pointer) => serde_json::from_slice::<serde_json::Value>(body)
                        .ok()
                        .and_then(|json| json.pointer(pointer)?.as_str().map(str::to_owned)),
                };
                assert_eq!(text.and_then(|text| text.trim_ascii().parse().ok()), Some(*address));
                assert_eq!(extract::extract(&Extract::Body, None, address.to_string().as_bytes()), Ok(*address));
                publishable(*address);
                read = true;
            }
            Err(Silence::NotAnAddress(shown)) => {
                assert!(shown.chars().count() <= 60 && !shown.contains(char::is_control), "{shown:?}");
            }
            Err(_) => {}
        }
        // What the answer calls itself changes what is said of it, and never the address.
        for declared in ["text/html; charset=utf-8", "text/plain", ";"] {
            assert_eq!(extract::extract(how, Some(declared), body).ok(), told.clone().ok());
        }
    }
    read
}

fn publishable(address: IpAddr) {
    for family in [Family::Ipv4, Family::Ipv6] {
        if let Ok(judged) = extract::judge(family, address, &[]) {
            assert_eq!(Family::of(judged), family);
            assert_eq!(special::check(judged, &[]), Ok(()));
            assert_eq!(extract::judge(family, judged, &[]), Ok(judged));
        }
    }
}

/// A datagram of netlink, for both of its readers; also with `data` as the attributes of an address and of a route.
pub fn netlink(data: &[u8]) -> bool {
    let family = data.first().map_or(2, |byte| if byte % 2 == 0 { 2 } else { 10 });
    let attributes = data.get(1..).unwrap_or_default();
    let message = |kind: u16, body: &[u8]| {
        let length = (16 + body.len() + attributes.len()) as u32;
        let mut whole = [&length.to_ne_bytes()[..], &kind.to_ne_bytes(), &[0; 10], body, attributes].concat();
        whole.resize(whole.len().next_multiple_of(4), 0);
        whole
    };
    let address = message(20, &[family, 0, 0, 0, 2, 0, 0, 0]);
    let route = message(24, &[family, 0, 0, 0, 254, 3, 0, 1, 0, 0, 0, 0]);
    datagram(data) | datagram(&[address, route].concat())
}

fn datagram(datagram: &[u8]) -> bool {
    let mut dump = Dump::default();
    let taken = dump.take(datagram);
    for interface in [None, Some(2)] {
        let chosen = choose(&dump.routes, interface);
        assert!(chosen.is_none_or(|chosen| dump.routes.contains(&chosen)));
    }
    let Ok(messages) = netlink::parse(datagram) else { return false };
    assert!(messages.len() <= datagram.len() / 16);
    // The two readers agree on how far a datagram goes and where a list ends.
    assert!(dump.routes.len() <= messages.len());
    let ended = |message: &netlink::Message| matches!(message.body, Body::Done | Body::Error(_));
    assert_eq!(dump.done, messages.iter().any(ended));
    let refused = |message: &netlink::Message| matches!(message.body, Body::Error(1.. | i32::MIN));
    assert_eq!(taken.is_err(), messages.iter().any(refused));
    !messages.is_empty()
}

/// A line of the audit log.
pub fn audit_line(data: &[u8]) -> bool {
    let mut read = false;
    for line in chain::lines(data) {
        let Ok(entry) = chain::read(line) else { continue };
        read = true;
        if let Ok((tail, again)) = chain::Tail::begin(line) {
            assert_eq!((tail.seq, &again), (entry.seq, &entry));
        }
        let chain::Known::Yes(event) = &entry.event else { continue };
        let Ok(written) = chain::line(entry.seq, entry.time, event, &chain::Link::origin()) else {
            unreachable!("an event that was read cannot be written")
        };
        assert_eq!(written.matches('\n').count(), 1);
        assert_eq!(chain::read(written.as_bytes()).map(|entry| (entry.seq, entry.event)), Ok((entry.seq, entry.event)));
    }
    read
}

/// The TXT record of a lease, of one character-string; also with `data` as the holder's name.
pub fn lease_claim(data: &[u8]) -> bool {
    let rest = "since=2026-11-24T08:14:31Z lease=300s nonce=000102030405060708090a0b0c0d0e0f count=17";
    let mended = [b"fingerpost-lease=1 holder=", data, b" ", rest.as_bytes()].concat();
    let mut read = false;
    for text in [data.to_vec(), mended] {
        let Ok(Some(claim)) = LeaseRecord::read(&[vec![text.clone()]]) else { continue };
        read = true;
        // The server compares octets: what is written in its place must be told apart from it by these.
        assert_eq!(claim.to_string().into_bytes(), text);
        assert!(text.len() <= 255 && text.iter().all(|octet| (b' '..=b'~').contains(octet)));
        assert!(SPANS.contains(&claim.lease) && is_holder(&claim.holder));
    }
    read
}

/// An entry of a router's list of port mappings.
pub fn port_mapping(data: &[u8]) -> bool {
    let Ok(entry) = xml::mapping(data) else { return false };
    if let xml::Entry::Mapping(mapping) = &entry {
        let let_in = crate::allowlist::firewall::mappings::let_in(std::slice::from_ref(mapping), mapping.port);
        assert!(let_in.ways.len() + let_in.doubts.len() <= 1);
        assert!(mapping.enabled && mapping.is_tcp || let_in == crate::allowlist::firewall::LetIn::default());
    }
    true
}
