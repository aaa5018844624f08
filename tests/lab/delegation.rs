//! Who serves the zone is found from the zone above, as resolvers find it: with a root, a resolver, and a delegation.

use std::fs;
use std::net::{Ipv4Addr, SocketAddr};
use std::path::Path;

use fingerpost::record::RecordType;
use serde_json::Value;

use crate::common::named::Named;
use crate::common::secondary::primary_and;
use crate::common::{DnsServer, ServerKey, Software, ZoneSetup, set};
use crate::living::until;
use crate::net::Lab;
use crate::parts::configuration;
use crate::plan::{DNS, Host, Shape};
use crate::scenario::scenario;

/// The servers of the root, `example` and `test`; the zone's secondary; and the resolver.
const ABOVE: Ipv4Addr = Ipv4Addr::new(198, 51, 100, 11);
const SECONDARY: Ipv4Addr = Ipv4Addr::new(198, 51, 100, 13);
const RESOLVER: Ipv4Addr = Ipv4Addr::new(198, 51, 100, 14);

/// BIND for the zones above. The address of `ns2.ferry.test` is no glue of `example`, and the IPv6 one of `ns1` leads
/// nowhere.
struct Above;

impl Software for Above {
    const PROGRAM: &'static str = "named";

    fn configuration(dir: &Path, at: SocketAddr, keys: &[ServerKey], _: &[ZoneSetup]) -> String {
        let soa = "$TTL 300\n@ SOA ns.above.test. hostmaster.above.test. 1 3600 900 604800 300\n@ NS ns.above.test.\n";
        let zones = [
            ("root", ".", format!("example. NS ns.above.test.\ntest. NS ns.above.test.\nns.above.test. A {ABOVE}\n")),
            (
                "example",
                "example",
                format!(
                    "heronmill NS ns1.heronmill\nheronmill NS ns2.ferry.test.\n\
                     ns1.heronmill A {DNS}\nns1.heronmill AAAA 2001:db8:53::99\n"
                ),
            ),
            ("test", "test", format!("ns.above A {ABOVE}\nns2.ferry A {SECONDARY}\n")),
        ];
        let mut text = Named::configuration(dir, at, keys, &[]);
        for (file, zone, lines) in zones {
            fs::write(dir.join(file), format!("{soa}{lines}")).unwrap();
            text += &format!("zone \"{zone}\" {{ type primary; file \"{}/{file}\"; }};\n", dir.display());
        }
        text
    }

    fn arguments(file: &Path) -> Vec<String> {
        Named::arguments(file)
    }
}

/// BIND as a resolver that knows this root.
struct Resolver;

impl Software for Resolver {
    const PROGRAM: &'static str = "named";

    fn configuration(dir: &Path, at: SocketAddr, _: &[ServerKey], _: &[ZoneSetup]) -> String {
        let (hints, ip, dir) = (dir.join("hints"), at.ip(), dir.display());
        fs::write(&hints, format!(". 3600 NS ns.above.test.\nns.above.test. 3600 A {ABOVE}\n")).unwrap();
        format!(
            "options {{ directory \"{dir}\"; pid-file none; lock-file none; session-keyfile none;
              listen-on port {} {{ {ip}; }}; listen-on-v6 {{ none; }}; query-source address {ip};
              recursion yes; allow-query {{ any; }}; allow-recursion {{ any; }}; dnssec-validation no; }};
            controls {{ }};
            zone \".\" {{ type hint; file \"{}\"; }};\n",
            at.port(),
            hints.display()
        )
    }

    fn arguments(file: &Path) -> Vec<String> {
        Named::arguments(file)
    }
}

fn servers(event: &Value) -> Vec<(String, u64)> {
    let one = |one: &Value| (one["server"].as_str().unwrap().to_owned(), one["serial"].as_u64().unwrap());
    let mut all: Vec<_> = event["servers"].as_array().unwrap().iter().map(one).collect();
    all.sort();
    all
}

#[test]
#[ignore = "needs namespaces, iproute2, nftables, nginx and named: tests/all.sh runs it"]
fn the_servers_are_those_to_which_the_zone_above_delegates() {
    scenario(the_servers_are_those_to_which_the_zone_above_delegates, || {
        let lab = Lab::up(Shape::Plain);
        let _nginx = lab.echoes();
        let place = |ip: Ipv4Addr| SocketAddr::from((ip, 53));
        let (named, mut secondaries, _others) = lab.within(Host::Outside, || {
            let (named, secondaries) = primary_and(place(DNS), &[place(SECONDARY)], "");
            let above = DnsServer::start_at::<Above>(place(ABOVE), &[], &[]);
            let resolver = DnsServer::start_at::<Resolver>(place(RESOLVER), &[], &[]);
            (named, secondaries, [above, resolver])
        });
        let watch = "every = \"1h\"\nsettle = 1\nsettle_every = \"100ms\"\ntimeout = \"2s\"";
        let text = configuration(watch, &[("gauge", "types = [\"A\"]")]);
        let text = text.replace("confirm = \"off\"", "confirm = \"delegation\"");
        let text = format!("{text}\n[confirm]\nevery = \"200ms\"\nresolver = \"{RESOLVER}:53\"\n");
        let fingerpost = lab.fingerpost(Host::Home, &text);
        let mut daemon = fingerpost.daemon();
        until("the first spread", || daemon.is_up() && fingerpost.audit("spread").len() == 1);
        let both = |serial| vec![("ns1.heronmill.example".to_owned(), serial), ("ns2.ferry.test".to_owned(), serial)];
        assert_eq!(servers(&fingerpost.audit("spread")[0]), both(2));

        // The line moves while a secondary is away.
        lab.within(Host::Outside, || secondaries[0].stop());
        lab.router_wan(Ipv4Addr::new(203, 0, 113, 77));
        daemon.look();
        until("the write", || lab.rrset(&named, "gauge", RecordType::A) == Some(set(120, &["203.0.113.77"])));
        assert_eq!(fingerpost.audit("spread").len(), 1);
        lab.within(Host::Outside, || secondaries[0].start_again());
        until("the second spread", || fingerpost.audit("spread").len() == 2);
        let event = &fingerpost.audit("spread")[1];
        assert_eq!(servers(event), both(3));
        println!("spread: {event}");
        until("the log", || daemon.log().contains("served by all 2 servers, ns2.ferry.test last, after "));
        daemon.stop();
    });
}
