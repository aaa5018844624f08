//! The cases in which no record can help: each named, and nothing published.

use std::net::Ipv4Addr;

use fingerpost::provider::RecordType;

use crate::common::{ZONE, set};
use crate::living::until;
use crate::net::Lab;
use crate::parts::{Fingerpost, configuration};
use crate::plan::{BEHIND_CARRIER, BEHIND_FRONT, Host, Shape, VPN_EXIT, WAN};
use crate::scenario::scenario;

const OLD: &str = "203.0.113.250";
const LINES: &str = "gauge 120 A 203.0.113.250\n";
const WATCH: &str = "every = \"1h\"\nsettle = 1\nsettle_every = \"100ms\"\ntimeout = \"2s\"\n";
const ROUTER: &str = "[[witness]]\nname = \"router\"\nkind = \"router\"\n";

fn config(more: &str) -> String {
    configuration(&format!("{WATCH}{more}"), &[("gauge", "types = [\"A\"]")]) + ROUTER
}

fn told(fingerpost: &Fingerpost<'_>, arguments: &[&str]) -> (Option<i32>, String) {
    let output = fingerpost.run(arguments);
    (output.status.code(), String::from_utf8(output.stdout).unwrap())
}

/// A lab of `shape` whose router says that it has `router`, and whose outside sees `outside`: `name` is the case.
fn is_named_and_held(shape: Shape, router: Ipv4Addr, outside: Ipv4Addr, name: &str) {
    let lab = Lab::up(shape);
    let (named, _nginx) = (lab.named(LINES), lab.echoes());
    lab.natpmp_says(router);
    let gauge = || lab.rrset(&named, "gauge", RecordType::A);
    let serial = || lab.within(Host::Outside, || named.serial(ZONE));
    let before = serial();
    let fingerpost = lab.fingerpost(Host::Home, &config(""));

    let (_, said) = told(&fingerpost, &["locate"]);
    assert!(said.contains(name) && said.contains(&outside.to_string()), "{said}");
    for command in ["preview", "sync"] {
        let (status, said) = told(&fingerpost, &[command]);
        assert_eq!(status, Some(77), "{command}: {said}");
        assert!(said.contains(name), "{command}: {said}");
    }
    let mut daemon = fingerpost.daemon();
    until("the daemon", || daemon.is_up() && daemon.log().contains(name));
    daemon.look();
    let (_, log) = told(&fingerpost, &["audit", "show", "--event", "found"]);
    assert!(log.contains(name), "{log}");
    assert_eq!((gauge(), serial()), (Some(set(120, &[OLD])), before), "nothing was published");
    assert_eq!(daemon.log().matches(name).count(), 1, "{}", daemon.log());
    daemon.stop();

    fingerpost.configure(&config("carrier_nat = \"publish\"\n"));
    let (status, said) = told(&fingerpost, &["sync"]);
    assert_eq!(status, Some(0), "{said}");
    assert_eq!(gauge(), Some(set(120, &[&outside.to_string()])), "who insists is obeyed");
}

#[test]
#[ignore = "needs namespaces, iproute2, nftables, nginx and named: tests/all.sh runs it"]
fn a_carrier_nat_is_named_and_held() {
    scenario(a_carrier_nat_is_named_and_held, || {
        is_named_and_held(Shape::CarrierNat, BEHIND_CARRIER, WAN, "carrier NAT: the router has 100.64.0.7");
    });
}

#[test]
#[ignore = "needs namespaces, iproute2, nftables, nginx and named: tests/all.sh runs it"]
fn a_double_nat_is_named_and_held() {
    scenario(a_double_nat_is_named_and_held, || {
        is_named_and_held(Shape::DoubleNat, BEHIND_FRONT, WAN, "the router's outer address is 192.168.1.2");
    });
}

#[test]
#[ignore = "needs namespaces, iproute2, nftables, nginx and named: tests/all.sh runs it"]
fn a_vpn_is_named_and_held() {
    scenario(a_vpn_is_named_and_held, || {
        is_named_and_held(Shape::VpnEgress, WAN, VPN_EXIT, "IPv4 leaves elsewhere: the router has 203.0.113.9");
    });
}
