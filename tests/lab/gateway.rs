//! What the router and a STUN server say of the line, in their own words.

use std::io::{Read as _, Write as _};
use std::net::{IpAddr, Ipv4Addr, Ipv6Addr, TcpStream, UdpSocket};
use std::sync::mpsc;
use std::time::Duration;

use crate::living::until;
use crate::net::Lab;
use crate::plan::{BEHIND_CARRIER, GATEWAY, HOME, Host, PREFIX, STUN, STUN_IPV6, Shape, WAN};
use crate::scenario::scenario;

const NEXT: Ipv4Addr = Ipv4Addr::new(203, 0, 113, 77);

/// XOR-MAPPED-ADDRESS of a Binding success response (RFC 8489, sections 5 and 14.2), for tests only: it trusts the form.
fn xor_mapped(answer: &[u8], transaction: [u8; 12]) -> IpAddr {
    assert_eq!(answer[..2], [0x01, 0x01]);
    assert_eq!(answer[8..20], transaction);
    let mut rest = &answer[20..];
    loop {
        let (kind, length) = ([rest[0], rest[1]], usize::from(u16::from_be_bytes([rest[2], rest[3]])));
        if kind == [0x00, 0x20] {
            let key = &answer[4..20];
            let plain: Vec<u8> = rest[8..4 + length].iter().zip(key).map(|(byte, key)| byte ^ key).collect();
            return match rest[5] {
                1 => IpAddr::from(<[u8; 4]>::try_from(plain).unwrap()),
                _ => IpAddr::from(<[u8; 16]>::try_from(plain).unwrap()),
            };
        }
        rest = &rest[4 + length.next_multiple_of(4)..];
    }
}

#[test]
#[ignore = "needs namespaces, iproute2, nftables and coturn: tests/all.sh runs it"]
fn coturn_answers_through_the_nat() {
    scenario(coturn_answers_through_the_nat, || {
        let lab = Lab::up(Shape::CarrierNat);
        let _coturn = lab.coturn();
        let asked = |server: IpAddr| xor_mapped(&lab.stun(Host::Home, server, [9; 12]).unwrap(), [9; 12]);
        assert_eq!(STUN.map(|server| asked(server.into())), [WAN, WAN]);
        lab.router_wan(NEXT);
        assert_eq!(asked(STUN[0].into()), NEXT);
        lab.prefix(PREFIX);
        let home: Ipv6Addr = "2001:db8:77::77".parse().unwrap();
        until("the home's address", || lab.addresses(Host::Home, "eth0").iter().any(|(a, _)| *a == home));
        assert_eq!(asked(STUN_IPV6.into()), home);
    });
}

/// RFC 6886, section 3.2: version 0, opcode 128, result code 0, four octets of time, the address.
fn external_address(answer: &[u8]) -> Option<Ipv4Addr> {
    let bytes: [u8; 12] = answer.try_into().unwrap();
    assert_eq!(bytes[..2], [0, 128]);
    (bytes[2..4] == [0, 0]).then(|| Ipv4Addr::new(bytes[8], bytes[9], bytes[10], bytes[11]))
}

fn http(lab: &Lab, port: u16, request: &str) -> String {
    lab.within(Host::Home, || {
        let mut stream = TcpStream::connect((GATEWAY, port)).unwrap();
        stream.set_read_timeout(Some(Duration::from_secs(5))).unwrap();
        stream.write_all(request.as_bytes()).unwrap();
        let mut answer = String::new();
        stream.read_to_string(&mut answer).unwrap();
        answer
    })
}

/// The text of the first element that is opened by `open`.
fn element(text: &str, open: &str) -> Option<String> {
    text.split_once(open)?.1.split_once('<').map(|(value, _)| value.to_owned())
}

/// GetExternalIPAddress by SSDP, device description and SOAP (UPnP Device Architecture 1.0; WANIPConnection:1, 2.4.18).
fn igd(lab: &Lab) -> Option<String> {
    let search = "M-SEARCH * HTTP/1.1\r\nHOST: 239.255.255.250:1900\r\nMAN: \"ssdp:discover\"\r\nMX: 1\r\n\
                  ST: urn:schemas-upnp-org:device:InternetGatewayDevice:1\r\n\r\n";
    let found = lab.within(Host::Home, || {
        let socket = UdpSocket::bind("0.0.0.0:0").unwrap();
        socket.set_read_timeout(Some(Duration::from_secs(3))).unwrap();
        socket.send_to(search.as_bytes(), "239.255.255.250:1900").unwrap();
        let mut answer = [0; 1500];
        let (length, from) = socket.recv_from(&mut answer).unwrap();
        assert_eq!(from.ip(), GATEWAY);
        String::from_utf8_lossy(&answer[..length]).into_owned()
    });
    let location = found.lines().find_map(|line| line.strip_prefix("LOCATION: ")).unwrap();
    let (at, path) = location.strip_prefix(&format!("http://{GATEWAY}:")).unwrap().split_once('/').unwrap();
    let port: u16 = at.parse().unwrap();
    let description = http(lab, port, &format!("GET /{path} HTTP/1.0\r\nHost: {GATEWAY}\r\n\r\n"));
    let (_, service) = description.split_once("service:WANIPConnection:").unwrap();
    let version = &service[..1];
    let control = element(service, "<controlURL>").unwrap();
    let kind = format!("urn:schemas-upnp-org:service:WANIPConnection:{version}");
    let body = format!(
        "<?xml version=\"1.0\"?><s:Envelope xmlns:s=\"http://schemas.xmlsoap.org/soap/envelope/\" \
         s:encodingStyle=\"http://schemas.xmlsoap.org/soap/encoding/\"><s:Body>\
         <u:GetExternalIPAddress xmlns:u=\"{kind}\"/></s:Body></s:Envelope>"
    );
    let answer = http(
        lab,
        port,
        &format!(
            "POST {control} HTTP/1.0\r\nHost: {GATEWAY}\r\nContent-Type: text/xml\r\nContent-Length: {}\r\n\
             SOAPAction: \"{kind}#GetExternalIPAddress\"\r\n\r\n{body}",
            body.len()
        ),
    );
    element(&answer, "<NewExternalIPAddress>")
}

#[test]
#[ignore = "needs namespaces, iproute2, nftables, coturn and miniupnpd: tests/all.sh runs it"]
fn miniupnpd_tells_the_lines_address() {
    scenario(miniupnpd_tells_the_lines_address, || {
        let lab = Lab::up(Shape::Plain);
        let _coturn = lab.coturn();
        let _miniupnpd = lab.miniupnpd();
        let natpmp = || lab.natpmp().and_then(|answer| external_address(&answer));
        assert_eq!(natpmp(), Some(WAN));
        assert_eq!(igd(&lab), Some(WAN.to_string()));
        lab.router_wan(NEXT);
        until("the new address by NAT-PMP", || natpmp() == Some(NEXT));
        assert_eq!(igd(&lab), Some(NEXT.to_string()));
    });
}

/// What a diagnosis has to go by: a router behind another NAT has no address to tell, or tells that of the other NAT.
#[test]
#[ignore = "needs namespaces, iproute2, nftables, coturn and miniupnpd: tests/all.sh runs it"]
fn miniupnpd_behind_a_carrier_nat() {
    scenario(miniupnpd_behind_a_carrier_nat, || {
        let lab = Lab::up(Shape::CarrierNat);
        let _coturn = lab.coturn();
        let miniupnpd = lab.miniupnpd_with("");
        // Result code 3, network failure (RFC 6886, section 3.5).
        assert_eq!(lab.natpmp().unwrap()[..4], [0, 128, 0, 3]);
        assert_eq!(igd(&lab).as_deref(), Some(""));
        drop(miniupnpd);
        let _miniupnpd = lab.miniupnpd();
        assert_eq!(external_address(&lab.natpmp().unwrap()), Some(WAN));
        assert_eq!(igd(&lab), Some(WAN.to_string()));
    });
}

/// RFC 6886, section 3.2.1: a change is announced to 224.0.0.1, port 5350.
#[test]
#[ignore = "needs namespaces, iproute2, nftables, coturn and miniupnpd: tests/all.sh runs it"]
fn a_change_is_announced_to_the_home() {
    scenario(a_change_is_announced_to_the_home, || {
        let lab = Lab::up(Shape::Plain);
        let _coturn = lab.coturn();
        let _miniupnpd = lab.miniupnpd();
        let (ready, is_ready) = mpsc::channel();
        let heard = lab.thread_in(Host::Home, move || {
            let socket = UdpSocket::bind("0.0.0.0:5350").unwrap();
            socket.join_multicast_v4(&Ipv4Addr::new(224, 0, 0, 1), &HOME).unwrap();
            socket.set_read_timeout(Some(Duration::from_secs(20))).unwrap();
            ready.send(()).unwrap();
            let mut bytes = [0; 100];
            // PCP's announcements (RFC 6887, section 14.1) come to the same port.
            loop {
                let (length, from) = socket.recv_from(&mut bytes).unwrap();
                assert_eq!(from.ip(), GATEWAY);
                if length == 12 && external_address(&bytes[..length]) == Some(NEXT) {
                    return;
                }
            }
        });
        is_ready.recv().unwrap();
        lab.router_wan(NEXT);
        heard.join().unwrap();
    });
}

/// A stand-in, for what miniupnpd never says.
#[test]
#[ignore = "needs namespaces, iproute2 and nftables: tests/all.sh runs it"]
fn a_router_that_tells_its_shared_address() {
    scenario(a_router_that_tells_its_shared_address, || {
        let lab = Lab::up(Shape::CarrierNat);
        lab.natpmp_says(BEHIND_CARRIER);
        assert_eq!(external_address(&lab.natpmp().unwrap()), Some(BEHIND_CARRIER));
    });
}
