//! What a lab consists of, as values and text: hosts, wires, addresses, and NAT by nftables.
//!
//! ```text
//! home ──────┬─ router ─── [front] ─┐         ┌─ outside    198.51.100.0/26, 2001:db8:53::/64
//! neighbour ─┘                      ├── isp ──┼─ edge       198.51.100.64/28
//!    home ──── [second] ────────────┘         ├─ [vpn]      198.51.100.80/28
//!                                             └─ intruder   198.51.100.192/26
//!  192.168.77.0/24    203.0.113.0/24, 2001:db8:1::/64
//! [192.168.78.0/24]
//! ```
//!
//! In brackets: only in some shapes.

use std::fmt::Write as _;
use std::net::{Ipv4Addr, Ipv6Addr};

/// The home in the network of its first router.
pub(crate) const HOME: Ipv4Addr = Ipv4Addr::new(192, 168, 77, 10);
/// Its token, which `ip token` joins with whatever prefix the router advertises.
pub(crate) const HOME_TOKEN: &str = "::77";
/// The router, as the home sees it.
pub(crate) const GATEWAY: Ipv4Addr = Ipv4Addr::new(192, 168, 77, 1);
/// The home in the network of the second line's router, and that router, and the line's first address.
pub(crate) const SECOND_HOME: Ipv4Addr = Ipv4Addr::new(192, 168, 78, 10);
/// See [`SECOND_HOME`].
pub(crate) const SECOND_GATEWAY: Ipv4Addr = Ipv4Addr::new(192, 168, 78, 1);
/// See [`SECOND_HOME`].
pub(crate) const SECOND_WAN: Ipv4Addr = Ipv4Addr::new(203, 0, 113, 109);
/// The line's first address.
pub(crate) const WAN: Ipv4Addr = Ipv4Addr::new(203, 0, 113, 9);
/// What the router has as its WAN address behind a carrier's NAT (RFC 6598), and behind another router.
pub(crate) const BEHIND_CARRIER: Ipv4Addr = Ipv4Addr::new(100, 64, 0, 7);
/// See [`BEHIND_CARRIER`].
pub(crate) const BEHIND_FRONT: Ipv4Addr = Ipv4Addr::new(192, 168, 1, 2);
/// Where the VPN lets its users out.
pub(crate) const VPN_EXIT: Ipv4Addr = Ipv4Addr::new(198, 51, 100, 82);
/// A prefix to begin with.
pub(crate) const PREFIX: Ipv6Addr = Ipv6Addr::new(0x2001, 0xdb8, 0x77, 0, 0, 0, 0, 0);
/// The addresses of `outside` for echo services, and the same host parts under `2001:db8:53::`.
pub(crate) const ECHOES: [u8; 5] = [11, 12, 13, 14, 15];
/// Where DNS is served.
pub(crate) const DNS: Ipv4Addr = Ipv4Addr::new(198, 51, 100, 53);
/// The two addresses of the STUN server (RFC 5780 needs two).
pub(crate) const STUN: [Ipv4Addr; 2] = [Ipv4Addr::new(198, 51, 100, 3), Ipv4Addr::new(198, 51, 100, 4)];
/// The same over IPv6.
pub(crate) const STUN_IPV6: Ipv6Addr = outside_ipv6(3);

/// An IPv6 address of `outside`.
pub(crate) const fn outside_ipv6(host: u16) -> Ipv6Addr {
    Ipv6Addr::new(0x2001, 0xdb8, 0x53, 0, 0, 0, 0, host)
}

/// How the home is connected.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(crate) enum Shape {
    /// The router has the public address.
    Plain,
    /// The access provider shares one public address among many lines (RFC 6888).
    CarrierNat,
    /// The router stands behind another router of the same home.
    DoubleNat,
    /// As [`Shape::Plain`], and the home sends all IPv4 through a VPN by two routes for half the Internet each, which
    /// leaves the default route alone. A wire stands for the tunnel: the kernel of a test machine may know no tunnels.
    VpnEgress,
    /// As [`Shape::Plain`], and the home has a second router with a line of its own, IPv4 only, at `eth1`. What is bound
    /// to that device or to [`SECOND_HOME`] goes that way; all else prefers the first line.
    TwoLines,
}

/// A line of the home.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(crate) enum Line {
    First,
    /// Only in [`Shape::TwoLines`].
    Second,
}

/// A host of the lab.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(crate) enum Host {
    Home,
    /// Another machine in the home's network: whom nobody should believe.
    Neighbour,
    Router,
    /// The carrier's NAT, or the other router. Only in the shapes that have one.
    Front,
    /// The router of the second line.
    Second,
    Isp,
    Outside,
    Edge,
    Intruder,
    Vpn,
}

impl Host {
    pub(crate) const ALL: [Self; 10] = [
        Self::Home,
        Self::Neighbour,
        Self::Router,
        Self::Front,
        Self::Second,
        Self::Isp,
        Self::Outside,
        Self::Edge,
        Self::Intruder,
        Self::Vpn,
    ];

    pub(crate) fn name(self) -> &'static str {
        match self {
            Self::Home => "home",
            Self::Neighbour => "neighbour",
            Self::Router => "router",
            Self::Front => "front",
            Self::Second => "second",
            Self::Isp => "isp",
            Self::Outside => "outside",
            Self::Edge => "edge",
            Self::Intruder => "intruder",
            Self::Vpn => "vpn",
        }
    }

    pub(crate) fn is_in(self, shape: Shape) -> bool {
        match self {
            Self::Front => matches!(shape, Shape::CarrierNat | Shape::DoubleNat),
            Self::Vpn => shape == Shape::VpnEgress,
            Self::Second => shape == Shape::TwoLines,
            _ => true,
        }
    }
}

/// Every wire, each named at both ends by what it leads to. No two ends have the same index: where both ends of a wire
/// do, the kernel does not take it for one, and may tell that it is up a second late (`linkwatch_urgent_event`).
pub(crate) fn wires(shape: Shape) -> String {
    let mut ends = vec![
        ("home", "eth0", "router", "lan1"),
        ("neighbour", "eth0", "router", "lan2"),
        ("outside", "eth0", "isp", "outside"),
        ("edge", "eth0", "isp", "edge"),
        ("intruder", "eth0", "isp", "intruder"),
    ];
    if Host::Front.is_in(shape) {
        ends.extend([("router", "wan", "front", "lan"), ("front", "wan", "isp", "line1")]);
    } else {
        ends.push(("router", "wan", "isp", "line1"));
    }
    if Host::Vpn.is_in(shape) {
        ends.extend([("vpn", "eth0", "isp", "vpn"), ("home", "tun0", "vpn", "tun0")]);
    }
    if Host::Second.is_in(shape) {
        ends.extend([("home", "eth1", "second", "lan"), ("second", "wan", "isp", "line2")]);
    }
    ends.iter().zip((10..).step_by(2)).fold(String::new(), |mut text, ((a, name_a, b, name_b), index)| {
        let peer = format!("peer name {name_b} index {} netns {b}", index + 1);
        writeln!(text, "link add {name_a} index {index} netns {a} type veth {peer}").unwrap();
        text
    })
}

/// The commands that give a host its addresses and routes.
pub(crate) fn addresses(host: Host, shape: Shape) -> String {
    let mut text = String::from("link set lo up\n");
    let text = &mut text;
    let fronted = Host::Front.is_in(shape);
    match host {
        Host::Home => {
            device(text, "eth0", &[&format!("{HOME}/24")]);
            write!(text, "route add default via {GATEWAY}\ntoken set {HOME_TOKEN} dev eth0\n").unwrap();
            if shape == Shape::VpnEgress {
                device(text, "tun0", &["10.77.0.2/24"]);
                routes(text, &["0.0.0.0/1 via 10.77.0.1", "128.0.0.0/1 via 10.77.0.1"]);
            }
            if shape == Shape::TwoLines {
                device(text, "eth1", &[&format!("{SECOND_HOME}/24")]);
                let default = format!("default via {SECOND_GATEWAY} dev eth1");
                routes(text, &[&format!("{default} metric 100"), &format!("{default} table 2")]);
                writeln!(text, "rule add from {SECOND_HOME} table 2").unwrap();
            }
        }
        Host::Neighbour => {
            device(text, "eth0", &["192.168.77.20/24"]);
            routes(text, &[&format!("default via {GATEWAY}")]);
        }
        Host::Router => {
            bridge(text, "lan", &[&format!("{GATEWAY}/24")], &["lan1", "lan2"]);
            let (wan, wan6, gateway, gateway6) = match shape {
                Shape::CarrierNat => (BEHIND_CARRIER, "2001:db8:2::2", "100.64.0.1", "2001:db8:2::1"),
                Shape::DoubleNat => (BEHIND_FRONT, "2001:db8:2::2", "192.168.1.1", "2001:db8:2::1"),
                _ => (WAN, "2001:db8:1::2", "203.0.113.1", "2001:db8:1::1"),
            };
            device(text, "wan", &[&format!("{wan}/24"), &format!("{wan6}/64")]);
            routes(text, &[&format!("default via {gateway}"), &format!("default via {gateway6}")]);
        }
        Host::Front => {
            let lan = if shape == Shape::CarrierNat { "100.64.0.1/24" } else { "192.168.1.1/24" };
            device(text, "lan", &[lan, "2001:db8:2::1/64"]);
            device(text, "wan", &[&format!("{WAN}/24"), "2001:db8:1::2/64"]);
            routes(text, &["default via 203.0.113.1", "default via 2001:db8:1::1"]);
        }
        Host::Second => {
            device(text, "lan", &[&format!("{SECOND_GATEWAY}/24")]);
            device(text, "wan", &[&format!("{SECOND_WAN}/24")]);
            routes(text, &["default via 203.0.113.1"]);
        }
        Host::Isp => {
            let all = ["line1", "line2"];
            let lines = if shape == Shape::TwoLines { &all } else { &all[..1] };
            bridge(text, "lines", &["203.0.113.1/24", "2001:db8:1::1/64"], lines);
            device(text, "outside", &["198.51.100.62/26", "2001:db8:53::1/64"]);
            device(text, "edge", &["198.51.100.65/28"]);
            device(text, "intruder", &["198.51.100.193/26"]);
            if shape == Shape::VpnEgress {
                device(text, "vpn", &["198.51.100.81/28"]);
            }
            if fronted {
                routes(text, &["2001:db8:2::/64 via 2001:db8:1::2"]);
            }
        }
        Host::Outside => {
            let ipv4 = ECHOES.iter().map(|last| Ipv4Addr::new(198, 51, 100, *last)).chain(STUN).chain([DNS]);
            let ipv6 = ECHOES.iter().map(|last| outside_ipv6((*last).into())).chain([STUN_IPV6, outside_ipv6(53)]);
            let all: Vec<_> = ipv4.map(|a| format!("{a}/26")).chain(ipv6.map(|a| format!("{a}/64"))).collect();
            device(text, "eth0", &all.iter().map(String::as_str).collect::<Vec<_>>());
            routes(text, &["default via 198.51.100.62", "default via 2001:db8:53::1"]);
        }
        Host::Edge => {
            device(text, "eth0", &["198.51.100.66/28"]);
            routes(text, &["default via 198.51.100.65"]);
        }
        Host::Intruder => {
            device(text, "eth0", &["198.51.100.200/26"]);
            routes(text, &["default via 198.51.100.193"]);
        }
        Host::Vpn => {
            device(text, "eth0", &[&format!("{VPN_EXIT}/28")]);
            device(text, "tun0", &["10.77.0.1/24"]);
            routes(text, &["default via 198.51.100.81"]);
        }
    }
    std::mem::take(text)
}

fn device(text: &mut String, name: &str, addresses: &[&str]) {
    for address in addresses {
        writeln!(text, "addr add {address} dev {name}").unwrap();
    }
    writeln!(text, "link set {name} up").unwrap();
}

/// The bridge is up before its ports: the kernel may tell a second late that a bridge opened after them is up.
fn bridge(text: &mut String, name: &str, addresses: &[&str], ports: &[&str]) {
    // An address of its own, of those for documentation (RFC 9542): else it has a port's, and another when that leaves.
    writeln!(text, "link add {name} address 00:00:5e:00:53:01 type bridge mcast_snooping 0").unwrap();
    device(text, name, addresses);
    for port in ports {
        writeln!(text, "link set {port} master {name} up").unwrap();
    }
}

fn routes(text: &mut String, all: &[&str]) {
    for route in all {
        writeln!(text, "route add {route}").unwrap();
    }
}

/// The rules of nftables. Only the home's own routers filter: of the others no more is asked than to be a NAT.
pub(crate) fn rules(host: Host) -> String {
    let nat = |device: &str| {
        format!(
            "table inet nat {{\n chain postrouting {{ type nat hook postrouting priority srcnat;\n\
             meta nfproto ipv4 oifname \"{device}\" masquerade\n }}\n}}\n"
        )
    };
    let home = if host == Host::Second { SECOND_HOME } else { HOME };
    match host {
        // `fib daddr type local`: an address that the line has lost must not go on working through a neighbour's
        // table. The chains called miniupnpd are those it looks for.
        Host::Router | Host::Second => format!(
            r#"table inet nat {{
    set published {{ type inet_service; }}
    chain prerouting_miniupnpd {{ }}
    chain postrouting_miniupnpd {{ }}
    chain prerouting {{
        type nat hook prerouting priority dstnat;
        iifname "wan" fib daddr type local tcp dport @published dnat ip to {home}
        jump prerouting_miniupnpd
    }}
    chain postrouting {{
        type nat hook postrouting priority srcnat;
        jump postrouting_miniupnpd
        meta nfproto ipv4 oifname "wan" masquerade
    }}
}}
table inet filter {{
    chain miniupnpd {{ }}
    chain input {{
        type filter hook input priority filter; policy drop;
        iifname != "wan" accept
        ct state established,related accept
        meta l4proto {{ icmp, ipv6-icmp }} accept
        jump miniupnpd
    }}
    chain forward {{
        type filter hook forward priority filter; policy drop;
        ct state established,related accept
        iifname "lan" accept
        ct status dnat accept
        jump miniupnpd
    }}
}}
"#
        ),
        Host::Front => nat("wan"),
        Host::Vpn => nat("eth0"),
        _ => String::new(),
    }
}
