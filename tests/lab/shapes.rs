//! The network is what it is said to be.

use std::io::ErrorKind;
use std::net::{IpAddr, Ipv4Addr, TcpListener, TcpStream};
use std::time::Duration;

use crate::living::until;
use crate::net::Lab;
use crate::plan::{
    BEHIND_CARRIER, BEHIND_FRONT, HOME, Host, Line, PREFIX, SECOND_HOME, SECOND_WAN, Shape, VPN_EXIT, WAN, outside_ipv6,
};
use crate::scenario::scenario;

const NEXT: Ipv4Addr = Ipv4Addr::new(203, 0, 113, 77);
const ECHO: IpAddr = IpAddr::V4(Ipv4Addr::new(198, 51, 100, 12));

fn ipv4_addresses(lab: &Lab, host: Host, device: &str) -> Vec<IpAddr> {
    lab.addresses(host, device).into_iter().map(|(address, _)| address).filter(IpAddr::is_ipv4).collect()
}

/// The outside sees `before`, and `after` when the line has another address.
fn seen(shape: Shape, router: Ipv4Addr, before: Ipv4Addr, after: Ipv4Addr) {
    let lab = Lab::up(shape);
    let _nginx = lab.echoes();
    assert_eq!(ipv4_addresses(&lab, Host::Router, "wan"), [router]);
    assert_eq!(lab.seen_as(Host::Home, ECHO).unwrap(), before);
    assert_eq!(lab.seen_as(Host::Neighbour, ECHO).unwrap(), WAN);
    lab.router_wan(NEXT);
    assert_eq!(lab.seen_as(Host::Home, ECHO).unwrap(), after);
    assert_eq!(lab.seen_as(Host::Neighbour, ECHO).unwrap(), NEXT);
    // Others are seen as themselves.
    assert_eq!(lab.seen_as(Host::Edge, ECHO).unwrap(), Ipv4Addr::new(198, 51, 100, 66));
    assert_eq!(lab.seen_as(Host::Intruder, ECHO).unwrap(), Ipv4Addr::new(198, 51, 100, 200));
}

#[test]
#[ignore = "needs namespaces, iproute2, nftables and nginx: tests/all.sh runs it"]
fn a_plain_line() {
    scenario(a_plain_line, || seen(Shape::Plain, WAN, WAN, NEXT));
}

#[test]
#[ignore = "needs namespaces, iproute2, nftables and nginx: tests/all.sh runs it"]
fn a_carrier_nat() {
    scenario(a_carrier_nat, || seen(Shape::CarrierNat, BEHIND_CARRIER, WAN, NEXT));
}

#[test]
#[ignore = "needs namespaces, iproute2, nftables and nginx: tests/all.sh runs it"]
fn a_double_nat() {
    scenario(a_double_nat, || seen(Shape::DoubleNat, BEHIND_FRONT, WAN, NEXT));
}

#[test]
#[ignore = "needs namespaces, iproute2, nftables and nginx: tests/all.sh runs it"]
fn a_vpn_egress() {
    scenario(a_vpn_egress, || seen(Shape::VpnEgress, WAN, VPN_EXIT, VPN_EXIT));
}

/// How `host` fares when it connects to the line.
fn connect(lab: &Lab, host: Host, port: u16) -> Result<(), ErrorKind> {
    let at = (lab.wan(), port).into();
    lab.within(host, || TcpStream::connect_timeout(&at, Duration::from_millis(300))).map(drop).map_err(|e| e.kind())
}

#[test]
#[ignore = "needs namespaces, iproute2 and nftables: tests/all.sh runs it"]
fn a_published_port_is_open_refused_or_filtered() {
    scenario(a_published_port_is_open_refused_or_filtered, || {
        let lab = Lab::up(Shape::Plain);
        lab.publish(443);
        lab.publish(8443);
        let _service = lab.within(Host::Home, || TcpListener::bind((HOME, 443)).unwrap());
        for host in [Host::Edge, Host::Intruder, Host::Outside] {
            assert_eq!(connect(&lab, host, 443), Ok(()));
            assert_eq!(connect(&lab, host, 8443), Err(ErrorKind::ConnectionRefused));
            assert_eq!(connect(&lab, host, 80), Err(ErrorKind::TimedOut));
        }
        // The address that the line has lost leads nowhere, whatever the neighbour tables still say.
        lab.router_wan(NEXT);
        assert_eq!(connect(&lab, Host::Edge, 443), Ok(()));
        let old = (WAN, 443).into();
        let lost = lab.within(Host::Edge, || TcpStream::connect_timeout(&old, Duration::from_millis(300)));
        assert!(lost.is_err());
    });
}

/// RFC 4862, section 5.5.3, by the kernel of the home.
#[test]
#[ignore = "needs namespaces, iproute2, nftables and nginx: tests/all.sh runs it"]
fn ipv6_comes_by_advertisement_and_a_new_prefix_deprecates_the_old() {
    scenario(ipv6_comes_by_advertisement_and_a_new_prefix_deprecates_the_old, || {
        let lab = Lab::up(Shape::Plain);
        let _nginx = lab.echoes();
        let echo = outside_ipv6(13).into();
        assert!(lab.seen_as(Host::Home, echo).is_err());
        lab.prefix(PREFIX);
        let (first, second): (IpAddr, IpAddr) =
            ("2001:db8:77::77".parse().unwrap(), "2001:db8:abcd:12::77".parse().unwrap());
        let preferred = |address: IpAddr| {
            let all = lab.addresses(Host::Home, "eth0");
            all.into_iter().find(|(a, _)| *a == address).map(|(_, seconds)| seconds)
        };
        until("the first address", || preferred(first).is_some_and(|seconds| seconds > 14_000));
        assert_eq!(lab.seen_as(Host::Home, echo).unwrap(), first);

        lab.prefix("2001:db8:abcd:12::".parse().unwrap());
        until("the second address", || preferred(second).is_some_and(|seconds| seconds > 14_000));
        assert_eq!(preferred(first), Some(0));
        assert_eq!(lab.seen_as(Host::Home, echo).unwrap(), second);
    });
}

/// A failing line is noticed by asking only: no device goes down.
#[test]
#[ignore = "needs namespaces, iproute2, nftables and nginx: tests/all.sh runs it"]
fn two_lines() {
    scenario(two_lines, || {
        let lab = Lab::up(Shape::TwoLines);
        let _nginx = lab.echoes();
        let seen_from = |local: Ipv4Addr| lab.seen_from(Host::Home, local.into(), ECHO).ok();
        assert_eq!([HOME, SECOND_HOME].map(seen_from), [Some(WAN.into()), Some(SECOND_WAN.into())]);
        assert_eq!(lab.seen_as(Host::Home, ECHO).unwrap(), WAN);
        lab.second_wan(NEXT);
        assert_eq!([HOME, SECOND_HOME].map(seen_from), [Some(WAN.into()), Some(NEXT.into())]);
        lab.cut(Line::First);
        assert_eq!([HOME, SECOND_HOME].map(seen_from), [None, Some(NEXT.into())]);
        lab.mend(Line::First);
        lab.cut(Line::Second);
        assert_eq!([HOME, SECOND_HOME].map(seen_from), [Some(WAN.into()), None]);
    });
}
