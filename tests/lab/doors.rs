//! Who can get in, the whole of it: an origin at home behind a router with nftables, an edge in front, an intruder.
//! What fingerpost says of the doors is held against connections that come about, or do not.

use std::fs;
use std::net::{IpAddr, Ipv4Addr, SocketAddr, TcpStream};
use std::path::Path;
use std::process::Output;
use std::time::Duration;

use fingerpost::record::RecordType;
use rcgen::{CertificateParams, KeyPair};

use crate::common::named::Named;
use crate::common::nginx::{Nginx, Service};
use crate::common::{DnsServer, KEY, ZoneSetup, run, set};
use crate::living::until;
use crate::net::Lab;
use crate::parts::{Fingerpost, configured, echo_witnesses};
use crate::plan::{DNS, ECHOES, GATEWAY, HOME, Host, PREFIX, Shape, WAN};
use crate::scenario::scenario_for;

const PORT: u16 = 443;
const NAME: &str = "gauge.heronmill.example";
const EDGE: Ipv4Addr = Ipv4Addr::new(198, 51, 100, 66);
const HOME_IPV6: &str = "2001:db8:77::77";
/// The ranges that the edge publishes: its own network, and one that holds nobody here.
const PUBLISHED: &str = "198.51.100.64/28\n2001:db8:e::/48\n";

/// The router of Heron Mill; the sets are filled by what fingerpost writes. It keeps the chains that miniupnpd looks for.
fn ruleset() -> String {
    format!(
        "flush ruleset\ntable inet nat {{\n chain prerouting_miniupnpd {{ }}\n chain postrouting_miniupnpd {{ }}\n\
         chain prerouting {{ type nat hook prerouting priority dstnat;\n\
         iifname \"wan\" fib daddr type local tcp dport {PORT} dnat ip to {HOME}\njump prerouting_miniupnpd\n}}\n\
         chain postrouting {{ type nat hook postrouting priority srcnat;\njump postrouting_miniupnpd\n\
         meta nfproto ipv4 oifname \"wan\" masquerade\n}}\n}}\n\
         table inet filter {{\n\
         set edge_ipv4 {{ type ipv4_addr; flags interval; }}\nset edge_ipv6 {{ type ipv6_addr; flags interval; }}\n\
         chain miniupnpd {{ }}\n\
         chain input {{ type filter hook input priority filter; policy drop;\niifname != \"wan\" accept\n\
         ct state established,related accept\nmeta l4proto {{ icmp, ipv6-icmp, udp }} accept\n}}\n\
         chain forward {{ type filter hook forward priority filter; policy drop;\nct state established,related accept\n\
         iifname \"lan\" accept\nip saddr @edge_ipv4 tcp dport {PORT} accept\nip6 saddr @edge_ipv6 tcp dport {PORT} accept\n\
         jump miniupnpd\n}}\n}}\n"
    )
}

/// A certificate of the household's own making, and its key, in one file.
fn certificate(dir: &Path) {
    let key = KeyPair::generate().unwrap();
    let certificate = CertificateParams::new(vec![NAME.to_owned()]).unwrap().self_signed(&key).unwrap();
    fs::write(dir.join("tls.pem"), certificate.pem() + &key.serialize_pem()).unwrap();
    fs::write(dir.join("ca.pem"), certificate.pem()).unwrap();
}

struct Mill<'l> {
    lab: &'l Lab,
    fingerpost: Fingerpost<'l>,
}

impl Mill<'_> {
    fn nft(&self, commands: &str) {
        self.lab.within(Host::Router, || run("nft", &["-f", "-"], commands));
    }

    fn publish(&self, ranges: &str) {
        fs::write(self.fingerpost.dir().join("ranges.txt"), ranges).unwrap();
    }

    fn say(&self, words: &[&str]) -> (Option<i32>, String) {
        let Output { status, stdout, stderr } = self.fingerpost.run(words);
        (status.code(), String::from_utf8(stdout).unwrap() + &String::from_utf8_lossy(&stderr))
    }

    /// Fetches and renders; both succeed.
    fn render(&self) {
        for words in [["allowlist", "fetch"], ["allowlist", "render"]] {
            let (status, said) = self.say(&words);
            assert_eq!(status, Some(0), "{words:?}: {said}");
        }
    }

    /// A visitor's request through the edge, which has to reach the origin for the answer.
    fn visits(&self) -> bool {
        self.lab.within(Host::Outside, || {
            let resolve = format!("{NAME}:{PORT}:{EDGE}");
            let ca = self.fingerpost.dir().join("ca.pem").display().to_string();
            let url = format!("https://{NAME}/");
            let mut curl = std::process::Command::new("curl");
            curl.args(["--silent", "--max-time", "5", "--noproxy", "*", "--cacert", &ca, "--resolve", &resolve, &url]);
            let answer = curl.output().expect("this test needs curl");
            answer.stdout == b"the river stands at 84 cm\n"
        })
    }

    /// Whether a connection past the edge comes about.
    fn gets_in(&self, host: Host, to: IpAddr) -> bool {
        let connect = || TcpStream::connect_timeout(&SocketAddr::from((to, PORT)), Duration::from_millis(300)).is_ok();
        self.lab.within(host, connect)
    }

    fn intrudes(&self) -> bool {
        self.gets_in(Host::Intruder, self.lab.wan().into())
    }

    fn row(&self, check: &str) -> (String, String) {
        let [row] = self.rows([check]);
        row
    }

    /// The grades of these checks, and what was seen, by one look.
    fn rows<const N: usize>(&self, checks: [&str; N]) -> [(String, String); N] {
        let (_, said) = self.say(&["exposure", "--json"]);
        let document: serde_json::Value = serde_json::from_str(&said).unwrap_or_else(|_| panic!("{said}"));
        let rows = document["findings"].as_array().unwrap();
        checks.map(|check| {
            let row = rows.iter().find(|row| row["check"] == check).unwrap_or_else(|| panic!("no {check} in {said}"));
            (row["grade"].as_str().unwrap().to_owned(), row["seen"].as_str().unwrap().to_owned())
        })
    }

    /// All is as it should be, by packets and by fingerpost's word.
    #[track_caller]
    fn is_good(&self, when: &str) {
        until("a visit through the edge", || self.visits());
        assert!(!self.intrudes(), "{when}");
        assert!(!self.gets_in(Host::Outside, HOME_IPV6.parse().unwrap()), "{when}");
        let (status, said) = self.say(&["allowlist", "compare"]);
        assert_eq!(status, Some(0), "{when}: {said}");
        assert!(said.contains("port 443  exactly those who should get in do\n"), "{when}: {said}");
    }

    /// It is amiss, and what is told has all of `words`.
    #[track_caller]
    fn is_amiss(&self, when: &str, words: &[&str]) -> String {
        let (status, said) = self.say(&["allowlist", "compare"]);
        assert_eq!(status, Some(1), "{when}: {said}");
        let (grade, seen) = self.row("allowlist");
        assert_eq!(grade, "amiss", "{when}: {seen}");
        for word in words {
            assert!(said.contains(word), "{when}: {word:?} is not in\n{said}");
        }
        said
    }
}

/// The number of the filter's rule in what was told; before it stands the one that translates.
fn handle(said: &str) -> &str {
    let rest = said.split("inet filter forward, handle ").nth(1).unwrap_or_else(|| panic!("no handle in\n{said}"));
    &rest[..rest.find(|c: char| !c.is_ascii_digit()).unwrap()]
}

fn configuration(dir: &Path, router: bool) -> String {
    let at = |name: &str| dir.join(name).display().to_string();
    let within = "\"nsenter\", \"--net=/run/netns/router\", \"nft\"";
    let router = if router { format!("router = \"{GATEWAY}\"\n") } else { String::new() };
    let watch = "settle = 2\nsettle_every = \"200ms\"\nevery = \"1s\"\ntimeout = \"2s\"";
    let text = configured(watch, &echo_witnesses(3, "ipv4"), &[("weir", "types = [\"A\"]")]);
    // The servers of the zone are asked for what the world sees.
    let text = text.replace("confirm = \"off\"", &format!("confirm = [\"{DNS}:53\"]"));
    format!(
        "{text}\n[[edge]]\nname = \"weir\"\nsources = [{{ file = \"ranges.txt\" }}]\nmay_lose = 100\nmay_gain = 10000\n\
         [[allowlist.render]]\nform = \"nft\"\nfile = \"edge.nft\"\ntable = \"inet filter\"\n\
         reload = [{within}, \"-f\", \"{}\"]\n\
         [allowlist.firewall]\nkind = \"nft\"\ncommand = [{within}, \"-j\", \"list\", \"ruleset\"]\n\
         service = \"behind\"\noutside = \"wan\"\ninside = \"lan\"\n\
         [exposure]\n{router}helper = \"http://198.51.100.{}:8080/\"\n\
         [[exposure.service]]\nname = \"{NAME}\"\nedge = \"weir\"\norigin = \"{HOME}:{PORT}\"\nca = \"ca.pem\"\n",
        at("edge.nft"),
        ECHOES[0]
    )
}

#[test]
#[ignore = "needs namespaces, iproute2, nftables, named, nginx, curl, coturn and miniupnpd: tests/all.sh runs it"]
fn the_edge_gets_in_and_nobody_else() {
    scenario_for(300, the_edge_gets_in_and_nobody_else, || {
        let (lab, lines) = (Lab::up(Shape::Plain), format!("gauge A {EDGE}"));
        let zone = ZoneSetup { extra: "allow-transfer { any; };", ..ZoneSetup::new(&lines) };
        let named = lab.within(Host::Outside, || {
            DnsServer::start_at::<Named>((DNS, 53).into(), &[KEY], std::slice::from_ref(&zone))
        });
        let (_echoes, _coturn) = (lab.echoes(), lab.coturn());
        let rates = ["--requests-per-minute", "600", "--knocks-per-minute", "600", "--all-knocks-per-minute", "600"];
        let _friend = lab.witness(&[&["--knock-back", "--accept-special", "203.0.113.0/24"][..], &rates].concat());
        lab.prefix(PREFIX);
        let home: IpAddr = HOME_IPV6.parse().unwrap();
        until("the home's address", || lab.addresses(Host::Home, "eth0").iter().any(|(a, _)| *a == home));

        let fingerpost = lab.fingerpost(Host::Home, "");
        let dir = fingerpost.dir().to_owned();
        certificate(&dir);
        fingerpost.configure(&configuration(&dir, false));
        let mill = Mill { lab: &lab, fingerpost };
        let pem = dir.join("tls.pem");
        let river = || Service::with("return 200 \"the river stands at 84 cm\\n\";");
        let origin = [HOME.into(), home].map(|at: IpAddr| river().at((at, PORT).into()).over_tls(&pem));
        let _origin = lab.within(Host::Home, || Nginx::start(&origin));
        // It finds the home by the name that fingerpost keeps, as an edge does.
        let proxy = format!(
            "resolver {DNS} valid=1s ipv6=off; set $origin weir.heronmill.example; proxy_connect_timeout 1s; \
             proxy_ssl_name {NAME}; proxy_ssl_server_name on; proxy_ssl_verify on; \
             proxy_ssl_trusted_certificate {}; proxy_pass https://$origin:{PORT};",
            dir.join("ca.pem").display()
        );
        let _edge =
            lab.within(Host::Edge, || Nginx::start(&[Service::with(&proxy).at((EDGE, PORT).into()).over_tls(&pem)]));
        mill.nft(&ruleset());
        mill.publish(PUBLISHED);
        let (status, said) = mill.say(&["sync"]);
        assert_eq!(status, Some(0), "{said}");
        assert_eq!(lab.rrset(&named, "weir", RecordType::A), Some(set(120, &[&WAN.to_string()])));

        // Nothing has been written yet: nobody gets in, and the edge is missing.
        assert!(!mill.visits() && !mill.intrudes());
        mill.render();
        mill.is_good("as it is rendered");
        for (grade, seen) in mill.rows(["masked", "families", "leaks", "certificate", "way-in", "closed", "allowlist"])
        {
            assert_eq!(grade, "good", "{seen}");
        }

        // A wide-open rule that somebody forgot, before the good ones: by its handle it is removed.
        mill.nft("insert rule inet filter forward tcp dport 443 accept comment \"only for a test\"\n");
        assert!(mill.intrudes());
        let said = mill.is_amiss("wide open", &["(\"only for a test\"): accept", "0 missing", "IPv6: "]);
        assert_eq!(mill.row("closed").0, "amiss");
        mill.nft(&format!("delete rule inet filter forward handle {}\n", handle(&said)));
        mill.is_good("the rule removed");

        // The edge gives a range up, and a stranger has it: the set is stale.
        mill.publish(&format!("{PUBLISHED}198.51.100.192/28\n"));
        mill.render();
        assert!(mill.intrudes());
        mill.publish(PUBLISHED);
        assert_eq!(mill.say(&["allowlist", "fetch"]).0, Some(0));
        mill.is_amiss("a stale range", &["16 too many get in, 0 missing", "198.51.100.192/28"]);
        mill.render();
        mill.is_good("rendered again");

        // A range is missing.
        mill.nft("delete element inet filter edge_ipv4 { 198.51.100.64/28 }\n");
        assert!(!mill.visits());
        mill.is_amiss(
            "a missing range",
            &[
                "0 too many get in, 16 missing",
                "198.51.100.64/28",
                "kept out by inet filter forward: its policy is drop",
            ],
        );
        mill.render();
        mill.is_good("the range is back");

        // The order is wrong: what drops comes before what accepts.
        mill.nft("insert rule inet filter forward iifname \"wan\" tcp dport 443 ip saddr 198.51.100.0/24 drop\n");
        assert!(!mill.visits());
        let said = mill
            .is_amiss("a wrong order", &["0 too many get in, 16 missing", "kept out by inet filter forward, handle "]);
        mill.nft(&format!("delete rule inet filter forward handle {}\n", handle(&said)));
        mill.is_good("the order is right");

        // A hole in IPv6.
        mill.nft("add rule inet filter forward meta nfproto ipv6 tcp dport 443 accept\n");
        assert!(mill.gets_in(Host::Outside, home) && !mill.intrudes());
        let said =
            mill.is_amiss("an IPv6 hole", &["IPv6: about 10^37 too many get in", "by inet filter forward, handle "]);
        mill.nft(&format!("delete rule inet filter forward handle {}\n", handle(&said)));
        mill.is_good("the hole is closed");

        // A program at home has the router open the port for everybody.
        let miniupnpd = lab.miniupnpd();
        mill.fingerpost.configure(&configuration(&dir, true));
        let (grade, seen) = mill.row("forwarding");
        assert_eq!((grade.as_str(), seen.as_str()), ("good", "no mapping leads to a service"));
        lab.map_by_natpmp(PORT, 3600);
        let (grade, seen) = mill.row("forwarding");
        assert_eq!(grade, "amiss", "{seen}");
        assert!(seen.starts_with("TCP port 443 (mapping ") && seen.ends_with(" for everybody"), "{seen}");
        assert!(seen.contains(&format!(" to {HOME}:{PORT}) is led to {NAME}")), "{seen}");
        // It lets everybody in by rules of its own, which the comparison finds too.
        assert!(mill.intrudes());
        mill.is_amiss("a mapping", &["too many get in", "miniupnpd"]);
        lab.map_by_natpmp(PORT, 0);
        assert_eq!(mill.row("forwarding").0, "good");
        mill.is_good("the mapping is gone");
        drop(miniupnpd);

        // The line moves: the name follows, and with it the edge; the doors stay as they are.
        mill.fingerpost.configure(&configuration(&dir, false));
        let mut daemon = mill.fingerpost.daemon();
        until("the daemon", || daemon.is_up());
        let new = Ipv4Addr::new(203, 0, 113, 177);
        lab.router_wan(new);
        until("the new address", || lab.rrset(&named, "weir", RecordType::A) == Some(set(120, &[&new.to_string()])));
        mill.is_good("after the move");
        for (grade, seen) in mill.rows(["masked", "leaks", "way-in", "closed", "allowlist"]) {
            assert_eq!(grade, "good", "{seen}");
        }

        // Who writes the line's address into a rule keeps everybody out with the next one, and is told so.
        let forward = |to: &str| {
            let rule = format!("iifname \"wan\" {to} tcp dport {PORT} dnat ip to {HOME}");
            mill.nft(&format!("flush chain inet nat prerouting\nadd rule inet nat prerouting {rule}\n"));
        };
        forward(&format!("ip daddr {new}"));
        mill.is_good("for today's address");
        let next = Ipv4Addr::new(203, 0, 113, 33);
        lab.router_wan(next);
        until("the next address", || lab.rrset(&named, "weir", RecordType::A) == Some(set(120, &[&next.to_string()])));
        // Until the edge has asked for the name again, the way by the old address goes on.
        until("nobody", || !mill.visits());
        mill.is_amiss("for yesterday's address", &["0 too many get in, 16 missing", "198.51.100.64/28"]);
        forward("fib daddr type local");
        mill.is_good("for any address of the line");
        daemon.stop();
    });
}
