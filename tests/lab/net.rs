//! The hosts of a lab and the wires between them: network namespaces, veth pairs, and NAT by nftables.
//!
//! ```text
//!  home ──┐                                      ┌── outside   198.51.100.0/26   2001:db8:53::/64
//!         ├ router ──── [front] ──── isp ────────┼── edge      198.51.100.64/28
//!  neigh ─┘ 192.168.77.0/24     203.0.113.0/24   ├── vpn       198.51.100.80/28
//!           2001:db8:77::/64    2001:db8:1::/64  └── intruder  198.51.100.192/26
//! ```
//!
//! Built inside `init.sh` only: on the machine itself this would need root, and would leave things behind.

use std::fmt::Write as _;
use std::fs::{self, File};
use std::io::Write as _;
use std::net::{IpAddr, Ipv4Addr, Ipv6Addr};
use std::os::fd::AsFd as _;
use std::process::{Child, Command, Stdio};
use std::sync::Mutex;
use std::thread;
use std::time::{Duration, Instant};

use rustix::thread::{LinkNameSpaceType, move_into_link_name_space};

use crate::advertise::{self, Prefix};
use crate::scenario::INSIDE;

/// The host parts and addresses that do not move.
pub(crate) const HOME: Ipv4Addr = Ipv4Addr::new(192, 168, 77, 10);
/// Its token, which `ip token` joins with whatever prefix the router advertises.
pub(crate) const HOME_TOKEN: &str = "::77";
/// The router, as the home sees it.
pub(crate) const GATEWAY: Ipv4Addr = Ipv4Addr::new(192, 168, 77, 1);
/// The line's first address.
pub(crate) const WAN: Ipv4Addr = Ipv4Addr::new(203, 0, 113, 9);
/// What the router has as its WAN address behind a carrier's NAT (RFC 6598), and behind another router.
pub(crate) const BEHIND_CARRIER: Ipv4Addr = Ipv4Addr::new(100, 64, 0, 7);
/// See [`BEHIND_CARRIER`].
pub(crate) const BEHIND_FRONT: Ipv4Addr = Ipv4Addr::new(192, 168, 1, 2);
/// Where the VPN lets its users out.
pub(crate) const VPN_EXIT: Ipv4Addr = Ipv4Addr::new(198, 51, 100, 82);
/// The first prefix that [`Lab::prefix`] is expected to get.
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
    Isp,
    Outside,
    Edge,
    Intruder,
    Vpn,
}

impl Host {
    const ALL: [Self; 9] = [
        Self::Home,
        Self::Neighbour,
        Self::Router,
        Self::Front,
        Self::Isp,
        Self::Outside,
        Self::Edge,
        Self::Intruder,
        Self::Vpn,
    ];

    fn name(self) -> &'static str {
        match self {
            Self::Home => "home",
            Self::Neighbour => "neighbour",
            Self::Router => "router",
            Self::Front => "front",
            Self::Isp => "isp",
            Self::Outside => "outside",
            Self::Edge => "edge",
            Self::Intruder => "intruder",
            Self::Vpn => "vpn",
        }
    }

    fn is_in(self, shape: Shape) -> bool {
        match self {
            Self::Front => matches!(shape, Shape::CarrierNat | Shape::DoubleNat),
            Self::Vpn => shape == Shape::VpnEgress,
            _ => true,
        }
    }
}

/// A network that is up. The end of the test ends it.
pub(crate) struct Lab {
    shape: Shape,
    line: Mutex<Line>,
}

/// What the access provider gave last.
struct Line {
    wan: Ipv4Addr,
    prefix: Option<Ipv6Addr>,
}

impl Lab {
    /// Builds the network. IPv6 comes with the first [`Lab::prefix`]; servers are in `parts`.
    pub(crate) fn up(shape: Shape) -> Self {
        assert!(std::env::var_os(INSIDE).is_some(), "a lab is built inside of `scenario` only");
        let begun = Instant::now();
        let lab = Self { shape, line: Mutex::new(Line { wan: WAN, prefix: None }) };
        let hosts = || Host::ALL.into_iter().filter(|host| host.is_in(shape));
        ip(hosts().fold(String::new(), |text, host| text + "netns add " + host.name() + "\n"));
        for host in hosts() {
            lab.within(host, || settings(host));
        }
        ip(wires(shape));
        for host in hosts() {
            lab.ip(host, &addresses(host, shape));
            let rules = rules(host);
            if !rules.is_empty() {
                lab.within(host, || feed("nft", &["-f", "-"], &rules));
            }
        }
        // Until then a bridge forwards nothing to a port, and a device drops what it is given.
        for host in hosts() {
            until("the wires", || links(host).iter().all(|link| link["operstate"] != "DOWN"));
        }
        println!("lab: {shape:?} up in {} ms", begun.elapsed().as_millis());
        lab
    }

    /// Runs `work` on a thread of its own within `host`: sockets it opens and processes it starts are that host's.
    #[track_caller]
    pub(crate) fn within<T: Send>(&self, host: Host, work: impl FnOnce() -> T + Send) -> T {
        let done = thread::scope(|scope| scope.spawn(|| enter(host, work)).join());
        done.unwrap_or_else(|panic| std::panic::resume_unwind(panic))
    }

    /// The same without waiting for it.
    pub(crate) fn thread_in<T: Send + 'static>(
        &self,
        host: Host,
        work: impl FnOnce() -> T + Send + 'static,
    ) -> thread::JoinHandle<T> {
        thread::spawn(move || enter(host, work))
    }

    /// Starts a program within `host`; its output goes where the test's goes.
    pub(crate) fn exec(&self, host: Host, words: &[&str]) -> Child {
        let start = || Command::new(words[0]).args(&words[1..]).stdin(Stdio::null()).spawn();
        self.within(host, start).unwrap_or_else(|error| panic!("{}: {error}", words[0]))
    }

    /// Carries out commands of `ip`, one a line, within `host`.
    pub(crate) fn ip(&self, host: Host, commands: &str) {
        feed("ip", &["-n", host.name(), "-batch", "-"], commands);
    }

    /// The address at which the outside sees the home, unless it goes through a VPN.
    pub(crate) fn wan(&self) -> Ipv4Addr {
        self.line.lock().unwrap().wan
    }

    /// The access provider gives the line another address, in 203.0.113.0/24. Connections are lost.
    pub(crate) fn router_wan(&self, new: Ipv4Addr) {
        let old = std::mem::replace(&mut self.line.lock().unwrap().wan, new);
        let host = if Host::Front.is_in(self.shape) { Host::Front } else { Host::Router };
        // Adding comes first: without any address the default route would be gone as well.
        self.ip(host, &format!("addr add {new}/24 dev wan\naddr del {old}/24 dev wan\n"));
    }

    /// The access provider delegates another /64, and the router advertises it; the one before it is deprecated, as
    /// RFC 9096 asks of a router, and leads nowhere any more.
    pub(crate) fn prefix(&self, new: Ipv6Addr) {
        let old = self.line.lock().unwrap().prefix.replace(new);
        let mut upstream = match self.shape {
            Shape::CarrierNat | Shape::DoubleNat => vec![(Host::Isp, "2001:db8:1::2"), (Host::Front, "2001:db8:2::2")],
            Shape::Plain | Shape::VpnEgress => vec![(Host::Isp, "2001:db8:1::2")],
        };
        for (host, next) in upstream.drain(..) {
            let gone = old.map(|old| format!("route del {old}/64 via {next}\n")).unwrap_or_default();
            self.ip(host, &format!("{gone}route add {new}/64 via {next}\n"));
        }
        let gateway = Ipv6Addr::from(u128::from(new) | 1);
        self.ip(Host::Router, &format!("addr add {gateway}/64 dev lan nodad\n"));
        let mut prefixes = vec![Prefix { prefix: new, valid: 86_400, preferred: 14_400 }];
        prefixes.extend(old.map(|prefix| Prefix { prefix, valid: 7_200, preferred: 0 }));
        self.advertise(&prefixes);
    }

    /// The router advertises these prefixes, once.
    pub(crate) fn advertise(&self, prefixes: &[Prefix]) {
        self.within(Host::Router, || advertise::send("lan", prefixes)).unwrap();
    }

    /// Lets connections to this TCP port of the line through to the home, as a port forwarding does. All others are
    /// dropped without an answer.
    pub(crate) fn publish(&self, port: u16) {
        let rule = format!("add element inet nat published {{ {port} }}\n");
        self.within(Host::Router, || feed("nft", &["-f", "-"], &rule));
    }

    /// The addresses of `device` within `host`, each with its preferred lifetime in seconds.
    pub(crate) fn addresses(&self, host: Host, device: &str) -> Vec<(IpAddr, u32)> {
        let all = links(host);
        let link = all.iter().find(|link| link["ifname"] == device).unwrap();
        let found = link["addr_info"].as_array().unwrap().iter();
        let seconds = |value: &serde_json::Value| u32::try_from(value.as_u64().unwrap()).unwrap();
        found.map(|a| (a["local"].as_str().unwrap().parse().unwrap(), seconds(&a["preferred_life_time"]))).collect()
    }
}

/// Waits until `seen`; panics with `what` when that takes too long.
#[track_caller]
pub(crate) fn until(what: &str, mut seen: impl FnMut() -> bool) {
    let end = Instant::now() + Duration::from_secs(20);
    while !seen() {
        assert!(Instant::now() < end, "waited in vain for {what}");
        thread::sleep(Duration::from_millis(3));
    }
}

/// For a fresh thread, which stays there.
fn enter<T>(host: Host, work: impl FnOnce() -> T) -> T {
    let path = format!("/run/netns/{}", host.name());
    let file = File::open(&path).unwrap_or_else(|error| panic!("{path}: {error}; is it in this shape?"));
    move_into_link_name_space(file.as_fd(), Some(LinkNameSpaceType::Network)).unwrap();
    work()
}

/// The devices of `host` with their addresses, as `ip` knows them.
fn links(host: Host) -> Vec<serde_json::Value> {
    let output = Command::new("ip").args(["-n", host.name(), "-json", "addr"]).output().unwrap();
    assert!(output.status.success(), "{output:?}");
    serde_json::from_slice(&output.stdout).unwrap()
}

fn ip(commands: String) {
    feed("ip", &["-batch", "-"], &commands);
}

/// Runs a program on this input; panics unless it succeeds.
fn feed(program: &str, arguments: &[&str], input: &str) {
    let started = Command::new(program).args(arguments).stdin(Stdio::piped()).spawn();
    let mut child = started.unwrap_or_else(|error| panic!("this test needs {program}: {error}"));
    child.stdin.take().unwrap().write_all(input.as_bytes()).unwrap();
    assert!(child.wait().unwrap().success(), "{program} failed on:\n{input}");
}

/// What has to be set before the wires are there.
fn settings(host: Host) {
    let set = |name: &str, value: &str| {
        let path = format!("/proc/sys/net/{name}");
        fs::write(&path, value).unwrap_or_else(|error| panic!("{path}: {error}"));
    };
    for scope in ["all", "default"] {
        // An address is good at once: nobody else can have it.
        set(&format!("ipv6/conf/{scope}/accept_dad"), "0");
        set(&format!("ipv6/conf/{scope}/disable_ipv6"), "0");
        // Without it, removing the first address of a wire takes the others along.
        set(&format!("ipv4/conf/{scope}/promote_secondaries"), "1");
        // The machine's own settings are inherited.
        set(&format!("ipv4/conf/{scope}/rp_filter"), "0");
    }
    let routes = matches!(host, Host::Router | Host::Front | Host::Isp | Host::Vpn);
    set("ipv4/ip_forward", if routes { "1" } else { "0" });
    set("ipv6/conf/all/forwarding", if routes { "1" } else { "0" });
}

/// Every wire, each named at both ends by what it leads to. No two ends have the same index: where both ends of a wire
/// do, the kernel does not take it for one, and may tell that it is up a second late (`linkwatch_urgent_event`).
fn wires(shape: Shape) -> String {
    let mut ends = vec![
        ("home", "eth0", "router", "lan1"),
        ("neighbour", "eth0", "router", "lan2"),
        ("outside", "eth0", "isp", "outside"),
        ("edge", "eth0", "isp", "edge"),
        ("intruder", "eth0", "isp", "intruder"),
    ];
    if Host::Front.is_in(shape) {
        ends.extend([("router", "wan", "front", "lan"), ("front", "wan", "isp", "line")]);
    } else {
        ends.push(("router", "wan", "isp", "line"));
    }
    if Host::Vpn.is_in(shape) {
        ends.extend([("vpn", "eth0", "isp", "vpn"), ("home", "tun0", "vpn", "tun0")]);
    }
    ends.iter().zip((10..).step_by(2)).fold(String::new(), |mut text, ((a, name_a, b, name_b), index)| {
        let peer = format!("peer name {name_b} index {} netns {b}", index + 1);
        writeln!(text, "link add {name_a} index {index} netns {a} type veth {peer}").unwrap();
        text
    })
}

/// The commands that give a host its addresses and routes.
fn addresses(host: Host, shape: Shape) -> String {
    let mut text = String::from("link set lo up\n");
    let mut device = |name: &str, addresses: &[String]| {
        for address in addresses {
            writeln!(text, "addr add {address} dev {name}").unwrap();
        }
        writeln!(text, "link set {name} up").unwrap();
    };
    let one = |address: &str| vec![address.to_owned()];
    let fronted = Host::Front.is_in(shape);
    match host {
        Host::Home => {
            device("eth0", &[format!("{HOME}/24")]);
            if shape == Shape::VpnEgress {
                device("tun0", &one("10.77.0.2/24"));
                text += "route add 0.0.0.0/1 via 10.77.0.1\nroute add 128.0.0.0/1 via 10.77.0.1\n";
            }
            write!(text, "route add default via {GATEWAY}\ntoken set {HOME_TOKEN} dev eth0\n").unwrap();
        }
        Host::Neighbour => {
            device("eth0", &one("192.168.77.20/24"));
            writeln!(text, "route add default via {GATEWAY}").unwrap();
        }
        Host::Router => {
            text += "link add lan type bridge mcast_snooping 0\n\
                     link set lan1 master lan\nlink set lan2 master lan\nlink set lan1 up\nlink set lan2 up\n";
            let mut lan_and_wan = |wan: Ipv4Addr, wan6: &str| {
                for (name, addresses) in [
                    ("lan", vec![format!("{GATEWAY}/24")]),
                    ("wan", vec![format!("{wan}/24"), format!("{wan6}/64 nodad")]),
                ] {
                    for address in addresses {
                        writeln!(text, "addr add {address} dev {name}").unwrap();
                    }
                    writeln!(text, "link set {name} up").unwrap();
                }
            };
            let (wan, wan6, gateway, gateway6) = match shape {
                Shape::CarrierNat => (BEHIND_CARRIER, "2001:db8:2::2", "100.64.0.1", "2001:db8:2::1"),
                Shape::DoubleNat => (BEHIND_FRONT, "2001:db8:2::2", "192.168.1.1", "2001:db8:2::1"),
                Shape::Plain | Shape::VpnEgress => (WAN, "2001:db8:1::2", "203.0.113.1", "2001:db8:1::1"),
            };
            lan_and_wan(wan, wan6);
            write!(text, "route add default via {gateway}\nroute add default via {gateway6}\n").unwrap();
        }
        Host::Front => {
            let lan = if shape == Shape::CarrierNat { "100.64.0.1/24" } else { "192.168.1.1/24" };
            device("lan", &[lan.to_owned(), "2001:db8:2::1/64 nodad".to_owned()]);
            device("wan", &[format!("{WAN}/24"), "2001:db8:1::2/64 nodad".to_owned()]);
            text += "route add default via 203.0.113.1\nroute add default via 2001:db8:1::1\n";
        }
        Host::Isp => {
            device("line", &["203.0.113.1/24".to_owned(), "2001:db8:1::1/64 nodad".to_owned()]);
            device("outside", &["198.51.100.62/26".to_owned(), "2001:db8:53::1/64 nodad".to_owned()]);
            device("edge", &one("198.51.100.65/28"));
            device("intruder", &one("198.51.100.193/26"));
            if shape == Shape::VpnEgress {
                device("vpn", &one("198.51.100.81/28"));
            }
            if fronted {
                text += "route add 2001:db8:2::/64 via 2001:db8:1::2\n";
            }
        }
        Host::Outside => {
            let ipv4 = ECHOES.iter().map(|last| Ipv4Addr::new(198, 51, 100, *last)).chain(STUN).chain([DNS]);
            let ipv6 = ECHOES.iter().map(|last| outside_ipv6((*last).into())).chain([STUN_IPV6, outside_ipv6(53)]);
            let all: Vec<_> = ipv4.map(|a| format!("{a}/26")).chain(ipv6.map(|a| format!("{a}/64 nodad"))).collect();
            device("eth0", &all);
            text += "route add default via 198.51.100.62\nroute add default via 2001:db8:53::1\n";
        }
        Host::Edge => {
            device("eth0", &one("198.51.100.66/28"));
            text += "route add default via 198.51.100.65\n";
        }
        Host::Intruder => {
            device("eth0", &one("198.51.100.200/26"));
            text += "route add default via 198.51.100.193\n";
        }
        Host::Vpn => {
            device("eth0", &[format!("{VPN_EXIT}/28")]);
            device("tun0", &one("10.77.0.1/24"));
            text += "route add default via 198.51.100.81\n";
        }
    }
    text
}

/// The rules of nftables. Only the router, whom miniupnpd serves, filters with more than a NAT's own forgetfulness.
fn rules(host: Host) -> String {
    let nat = |device: &str| {
        format!(
            "table inet nat {{\n chain postrouting {{ type nat hook postrouting priority srcnat;\n\
             meta nfproto ipv4 oifname \"{device}\" masquerade\n }}\n}}\n"
        )
    };
    match host {
        // `fib daddr type local`: an address that the line has lost must not go on working through a neighbour's
        // table. The chains called miniupnpd are those it looks for.
        Host::Router => format!(
            r#"table inet nat {{
    set published {{ type inet_service; }}
    chain prerouting_miniupnpd {{ }}
    chain postrouting_miniupnpd {{ }}
    chain prerouting {{
        type nat hook prerouting priority dstnat;
        iifname "wan" fib daddr type local tcp dport @published dnat ip to {HOME}
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
