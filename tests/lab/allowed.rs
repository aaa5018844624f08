//! Whom a real firewall lets in, seen with packets, is whom its listing is read to let in.

use std::collections::BTreeSet;
use std::net::{IpAddr, SocketAddr, TcpListener};
use std::time::Duration;

use fingerpost::address::Family;
use fingerpost::allowlist::firewall::nft::{Question, Ruleset};
use fingerpost::allowlist::firewall::{LetIn, mappings};
use fingerpost::settings::Place;
use fingerpost::watch::router::Router;
use tokio::net::TcpSocket;

use crate::common::run;
use crate::living::until;
use crate::net::Lab;
use crate::plan::{GATEWAY, HOME, Host, PREFIX, Shape, WAN, outside_ipv6};
use crate::scenario::scenario;

pub(crate) const PORT: u16 = 443;
const HOME_IPV6: &str = "2001:db8:77::77";

/// Sources from which packets are sent: of the edge, of the intruder, and of the outside over IPv6.
pub(crate) fn sources() -> Vec<(Host, IpAddr)> {
    let edge = [66, 67, 70].map(|host| (Host::Edge, IpAddr::from([198, 51, 100, host])));
    let intruder = [200, 201].map(|host| (Host::Intruder, IpAddr::from([198, 51, 100, host])));
    let outside = [11, 12].map(|host| (Host::Outside, IpAddr::from(outside_ipv6(host))));
    [&edge[..], &intruder, &outside].concat()
}

/// Whether a connection from `source` comes about.
pub(crate) fn gets_in(lab: &Lab, host: Host, source: IpAddr) -> bool {
    let to: SocketAddr = match source {
        IpAddr::V4(_) => (WAN, PORT).into(),
        IpAddr::V6(_) => (HOME_IPV6.parse::<IpAddr>().unwrap(), PORT).into(),
    };
    lab.within(host, || {
        let runtime = tokio::runtime::Builder::new_current_thread().enable_all().build().unwrap();
        runtime.block_on(async {
            let socket = if to.is_ipv4() { TcpSocket::new_v4() } else { TcpSocket::new_v6() }.unwrap();
            socket.bind((source, 0).into()).unwrap();
            // Who is dropped hears nothing.
            matches!(tokio::time::timeout(Duration::from_millis(500), socket.connect(to)).await, Ok(Ok(_)))
        })
    })
}

/// The router's ruleset as nft prints it, read.
pub(crate) fn read(lab: &Lab) -> LetIn {
    let text = lab.within(Host::Router, || run("nft", &["-j", "list", "ruleset"], ""));
    let ruleset = Ruleset::parse(text.as_bytes()).unwrap();
    let mut all = LetIn::default();
    for (family, destination) in [(Family::Ipv4, IpAddr::from(WAN)), (Family::Ipv6, HOME_IPV6.parse().unwrap())] {
        let (outside, inside) = (Some("wan"), Some("lan"));
        let destination = Some(destination);
        all.join(ruleset.let_in(&Question {
            family,
            port: PORT,
            destination,
            service: Place::Behind,
            outside,
            inside,
        }));
    }
    all
}

pub(crate) const DNAT: &str = "iifname \"wan\" fib daddr type local tcp dport 443 dnat ip to 192.168.77.10";
pub(crate) const BOTH: &str = "ip saddr @edge4 tcp dport 443 accept\nip6 saddr @edge6 tcp dport 443 accept";

/// A router of Heron Mill. Who is kept out is told so at once.
pub(crate) fn ruleset(prerouting: &str, forward: &str) -> String {
    format!(
        "flush ruleset\ntable inet mill {{\n\
         set edge4 {{ type ipv4_addr; flags interval; elements = {{ 198.51.100.64/29 }}\n}}\n\
         set edge6 {{ type ipv6_addr; flags interval; elements = {{ 2001:db8:53::b }}\n}}\n\
         chain prerouting {{ type nat hook prerouting priority dstnat;\n{prerouting}\n}}\n\
         chain input {{ type filter hook input priority 0; policy accept;\n}}\n\
         chain forward {{ type filter hook forward priority 0; policy drop;\nct state established,related accept\n\
         iifname \"lan\" accept\nicmpv6 type {{ nd-neighbor-solicit, nd-neighbor-advert }} accept\n{forward}\nmeta l4proto tcp reject with tcp reset\n}}\n\
         chain postrouting {{ type nat hook postrouting priority srcnat;\nmeta nfproto ipv4 oifname \"wan\" masquerade\n}}\n}}\n"
    )
}

/// The home over IPv6 too, and the addresses of [`sources`].
pub(crate) fn settle_in(lab: &Lab) {
    lab.prefix(PREFIX);
    let home: IpAddr = HOME_IPV6.parse().unwrap();
    until("the home's address", || lab.addresses(Host::Home, "eth0").iter().any(|(a, _)| *a == home));
    lab.ip(Host::Edge, "addr add 198.51.100.67/28 dev eth0\naddr add 198.51.100.70/28 dev eth0\n");
    lab.ip(Host::Intruder, "addr add 198.51.100.201/26 dev eth0\n");
}

#[test]
#[ignore = "needs namespaces, iproute2 and nftables: tests/all.sh runs it"]
fn a_listing_is_read_as_the_kernel_acts() {
    scenario(a_listing_is_read_as_the_kernel_acts, || {
        let lab = Lab::up(Shape::Plain);
        settle_in(&lab);
        let _service = lab.within(Host::Home, || TcpListener::bind(("::", PORT)).unwrap());
        let _also = lab.within(Host::Home, || TcpListener::bind(("::", 8443)).unwrap());
        let edge = BTreeSet::from([66, 67, 70].map(|host| IpAddr::from([198, 51, 100, host])));
        let v6 = IpAddr::from(outside_ipv6(11));
        let right: BTreeSet<IpAddr> = edge.iter().copied().chain([v6]).collect();
        for (what, prerouting, forward, expected) in [
            ("right", DNAT.to_owned(), BOTH.to_owned(), Some(right.clone())),
            ("a wide-open rule before", DNAT.to_owned(), format!("tcp dport 443 accept\n{BOTH}"), None),
            ("the same behind", DNAT.to_owned(), format!("{BOTH}\ntcp dport 443 accept"), None),
            ("a stale range", DNAT.to_owned(), format!("ip saddr 198.51.100.200 accept\n{BOTH}"), None),
            ("a missing range", DNAT.to_owned(), BOTH.replace("@edge4", "198.51.100.66"), None),
            ("a wrong order", DNAT.to_owned(), format!("ip saddr 198.51.100.64/28 drop\n{BOTH}"), Some(BTreeSet::from([v6]))),
            ("an IPv6 hole", DNAT.to_owned(), BOTH.replace("ip6 saddr @edge6 ", "meta nfproto ipv6 "), None),
            ("no family at all", DNAT.to_owned(), "ct status dnat accept".to_owned(), None),
            ("restricted where it is translated", DNAT.replace("tcp dport", "ip saddr @edge4 tcp dport"), "ct status dnat accept".to_owned(), Some(edge.clone())),
            ("translated for everybody before", format!("tcp dport 443 dnat ip to 192.168.77.10\n{DNAT}"), "ct status dnat accept".to_owned(), None),
            ("another port inside", DNAT.replace(".10", ".10:8443"), "tcp dport 8443 accept".to_owned(), None),
            ("the port from outside is not the one inside", DNAT.replace(".10", ".10:8443"), "tcp dport 443 accept".to_owned(), None),
            ("an address that the line has not", DNAT.replace("fib daddr type local", "ip daddr 203.0.113.200"), "ct status dnat accept".to_owned(), Some(BTreeSet::new())),
            ("all but some", DNAT.to_owned(), "ip saddr != @edge4 drop\nip6 saddr != @edge6 drop\naccept".to_owned(), Some(right.clone())),
            ("a jump and back", DNAT.to_owned(), "ip saddr 198.51.100.66 tcp dport vmap { 443 : accept, 80 : drop }\nmeta l4proto tcp ip6 daddr & ::ffff:ffff:ffff:ffff == ::77 accept".to_owned(), None),
            ("nothing translated", String::new(), "accept".to_owned(), None),
        ] {
            let text = ruleset(&prerouting, &forward);
            lab.within(Host::Router, || run("nft", &["-f", "-"], &text));
            let let_in = read(&lab);
            assert_eq!(let_in.doubts, [], "{what}");
            let told = |source: IpAddr| let_in.ways.iter().any(|way| way.set.contains(source));
            let mut got = BTreeSet::new();
            for (host, source) in sources() {
                let really = gets_in(&lab, host, source);
                assert_eq!(told(source), really, "{what}: {source} of {host:?}\n{let_in:?}");
                if really {
                    got.insert(source);
                }
            }
            if let Some(expected) = expected {
                assert_eq!(got, expected, "{what}");
            }
        }
    });
}

#[test]
#[ignore = "needs namespaces, iproute2, nftables, coturn and miniupnpd: tests/all.sh runs it"]
fn a_port_mapping_is_told_and_open_to_all() {
    scenario(a_port_mapping_is_told_and_open_to_all, || {
        let lab = Lab::up(Shape::Plain);
        let _coturn = lab.coturn();
        let _miniupnpd = lab.miniupnpd();
        let _service = lab.within(Host::Home, || TcpListener::bind((HOME, PORT)).unwrap());
        let told = || {
            lab.within(Host::Home, || {
                let runtime = tokio::runtime::Builder::new_current_thread().enable_all().build().unwrap();
                let router = Router::new(Some(GATEWAY), None);
                runtime.block_on(router.mappings(Duration::from_secs(20))).unwrap()
            })
        };
        let intruder = (Host::Intruder, IpAddr::from([198, 51, 100, 200]));
        assert_eq!(told(), []);
        assert!(!gets_in(&lab, intruder.0, intruder.1));
        lab.map_by_natpmp(PORT, 3600);
        let let_in = mappings::let_in(&told(), PORT);
        assert!(gets_in(&lab, intruder.0, intruder.1));
        let [way] = &let_in.ways[..] else { panic!("{let_in:?}") };
        assert_eq!((way.set.count(), let_in.doubts.len()), (1 << 32, 0));
        assert!(way.by.ends_with(&format!(" to {}:{PORT}", HOME)), "{}", way.by);
    });
}
