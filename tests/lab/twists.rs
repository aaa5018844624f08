//! Rulesets that a reader takes for something else: each is loaded, and what its listing is read to mean is held against
//! connections.

use std::net::{IpAddr, TcpListener};
use std::thread;

use fingerpost::address::set::AddressSet;

use crate::allowed::{BOTH, DNAT, PORT, gets_in, read, ruleset, settle_in, sources};
use crate::net::{Lab, feed};
use crate::plan::{Host, Shape};
use crate::scenario::scenario;

/// Refused at once, where the kernel can do that.
const REFUSE: &str = "reject with tcp reset";

/// Another table with one more chain that filters.
fn filter(hook: &str, priority: i32, rules: &str) -> String {
    let chain = format!("type filter hook {hook} priority {priority}; policy accept;\n{rules}\n");
    ruleset(DNAT, BOTH) + &format!("table inet more {{\nchain c {{ {chain}}}\n}}\n")
}

/// The same for the packets of a device.
fn of_device(hook: &str, device: &str, rules: &str) -> String {
    let chain = format!("type filter hook {hook} device \"{device}\" priority 0; policy accept;\n{rules}\n");
    ruleset(DNAT, BOTH) + &format!("table netdev more {{\nchain c {{ {chain}}}\n}}\n")
}

/// Another table that translates the port to one that nobody is let in to.
fn translating(priority: &str) -> String {
    let rule = "tcp dport 443 dnat ip to 192.168.77.10:8443";
    let chain = format!("type nat hook prerouting priority {priority};\n{rule}\n");
    ruleset(DNAT, BOTH) + &format!("table ip more {{\nchain c {{ {chain}}}\n}}\n")
}

/// This among what is forwarded, before the edge's rules.
fn forward(rules: &str) -> String {
    ruleset(DNAT, &format!("{rules}\n{BOTH}"))
}

/// Loads `text`, reads it back, and compares. What is not clear is so to be: then either is right.
fn holds(lab: &Lab, what: &str, text: &str, is_clear: bool) {
    lab.within(Host::Router, || feed("nft", &["-f", "-"], text));
    let told = read(lab);
    let among = |sets: &[&AddressSet], source: IpAddr| sets.iter().any(|set| set.contains(source));
    let ways: Vec<_> = told.ways.iter().map(|way| &way.set).collect();
    let doubts: Vec<_> = told.doubts.iter().map(|doubt| &doubt.set).collect();
    thread::scope(|scope| {
        let asked =
            sources().into_iter().map(|(host, source)| (source, scope.spawn(move || gets_in(lab, host, source))));
        for (source, really) in asked.collect::<Vec<_>>() {
            let really = really.join().unwrap();
            let perhaps = among(&doubts, source);
            assert!(perhaps || among(&ways, source) == really, "{what}: {source} gets in: {really}\n{told:?}");
        }
    });
    assert_eq!(doubts.is_empty(), is_clear, "{what}: {:?}", told.doubts);
}

fn in_turn(rulesets: &[(&str, String, bool)]) {
    let lab = Lab::up(Shape::Plain);
    settle_in(&lab);
    let service = lab.within(Host::Home, || TcpListener::bind(("::", PORT)).unwrap());
    let also = lab.within(Host::Home, || TcpListener::bind(("::", 8443)).unwrap());
    for listener in [service, also] {
        // Who is never accepted fills the queue.
        thread::spawn(move || listener.incoming().for_each(drop));
    }
    for (what, text, is_clear) in rulesets {
        holds(&lab, what, text, *is_clear);
    }
}

#[test]
#[ignore = "needs namespaces, iproute2 and nftables: tests/all.sh runs it"]
fn what_runs_before_what() {
    scenario(what_runs_before_what, || {
        let new = format!("tcp dport 443 ct state != new {REFUSE}");
        let invalid = format!("tcp dport 443 ct state invalid {REFUSE}");
        let none = format!("tcp dport 443 ct mark 0 {REFUSE}\ntcp dport 443 ct direction original {REFUSE}");
        let one = format!("ip saddr 198.51.100.66 {REFUSE}");
        in_turn(&[
            ("no state before tracking", filter("prerouting", -300, &invalid), true),
            ("so it is not new", filter("prerouting", -201, &new), true),
            ("nor anything else", filter("prerouting", -300, &none), true),
            ("where tracking is", filter("prerouting", -200, &invalid), false),
            ("a state behind it", filter("prerouting", -199, &invalid), true),
            ("everything behind it", filter("prerouting", -199, &none), true),
            ("not tracked, so not translated", filter("prerouting", -300, "tcp dport 443 notrack"), true),
            ("at the outside's device", of_device("ingress", "wan", "ip saddr 198.51.100.66 drop"), false),
            ("at the inside's device", of_device("egress", "lan", "ip saddr 198.51.100.66 drop"), false),
            ("translated otherwise, of one priority", translating("dstnat"), false),
            ("translated otherwise before", translating("dstnat - 1"), true),
            ("translated otherwise behind", translating("dstnat + 1"), true),
            (
                "two chains of one table that translate",
                ruleset("tcp dport 443 dnat ip to 192.168.77.10:8443", BOTH).replace(
                    "chain input",
                    &format!("chain later {{ type nat hook prerouting priority dstnat;\n{DNAT}\n}}\nchain input"),
                ),
                true,
            ),
            ("a first opinion", filter("forward", -10, "accept"), true),
            ("a second opinion", filter("forward", 10, &one), true),
            ("on the way out", filter("postrouting", 0, "oifname \"lan\" ip saddr 198.51.100.70 drop"), true),
        ]);
    });
}

#[test]
#[ignore = "needs namespaces, iproute2 and nftables: tests/all.sh runs it"]
fn what_rules_mean() {
    scenario(what_rules_mean, || {
        let chains = "chain inner { ip saddr 198.51.100.66 return\ngoto last\n}\nchain last { ip saddr @edge4 accept\n}\n\
                      chain forward";
        let accept = |rule: &str| forward(&format!("{rule} accept"));
        in_turn(&[
            ("segments made smaller", forward("tcp flags syn tcp option maxseg size set rt mtu"), true),
            ("exactly two flags", accept("tcp flags == (syn | ack)"), true),
            ("a set of flags", accept("tcp flags { syn | ack, fin }"), true),
            ("any of two flags", accept("tcp flags syn,ack"), true),
            ("not exactly two flags", ruleset(DNAT, &format!("tcp flags != (syn | ack) {REFUSE}\naccept")), true),
            ("none of two states", forward(&format!("ct state ! established,related {REFUSE}")), true),
            ("exactly a status", accept("ct status == dnat"), false),
            ("not exactly a status", forward(&format!("ct status != dnat {REFUSE}")), false),
            ("a set of two states of a connection", accept("ct status { dnat, snat }"), false),
            ("one of two", accept("ct status dnat,snat"), true),
            ("pairs of interfaces", forward("iifname . oifname vmap { \"wan\" . \"lan\" : accept }"), true),
            ("interfaces by number", accept("iif \"wan\" oif \"lan\" ip saddr 198.51.100.192/28"), true),
            (
                "the first destination",
                accept("meta l4proto tcp ct original proto-dst 443 ct original ip daddr 203.0.113.9"),
                true,
            ),
            ("ports less one", accept("ip saddr 198.51.100.200 tcp dport != { 1-442, 444-65535 }"), true),
            (
                "words of the IPv4 header",
                accept("meta nfproto ipv4 @nh,128,32 0xc0a84d0a @nh,72,8 6 @th,16,16 443"),
                true,
            ),
            // The protocol of IPv4 is a part of an IPv6 source: 2001 has 0x01 there.
            ("words of the IPv4 header over IPv6", accept("@nh,72,8 1 @th,16,16 443"), true),
            ("the beginning of a source", accept("meta nfproto ipv4 @nh,96,16 0xc633"), true),
            ("the middle of a source", accept("@nh,120,8 200 tcp dport 443"), false),
            ("masks with holes", accept("ip saddr & 255.255.0.255 == 198.51.0.200"), false),
            (
                "into chains, and back",
                ruleset(DNAT, BOTH)
                    .replace("chain forward", chains)
                    .replace("ip saddr @edge4 tcp dport 443 accept", "jump inner\nip saddr 198.51.100.70 drop"),
                true,
            ),
            (
                "who comes is noted",
                ruleset(DNAT, &format!("update @seen {{ ip saddr }}\n{BOTH}"))
                    .replace("set edge6", "set seen { type ipv4_addr; flags dynamic,timeout; timeout 1m; }\nset edge6"),
                true,
            ),
            ("a map of destinations", ruleset("dnat ip to tcp dport map { 443 : 192.168.77.10 }", BOTH), true),
            ("one of which it is none", ruleset("dnat ip to tcp dport map { 8443 : 192.168.77.10 }", BOTH), true),
            (
                "a map of destinations and ports",
                ruleset("dnat ip to tcp dport map { 443 : 192.168.77.10 . 8443 }", &BOTH.replace("443", "8443")),
                true,
            ),
            (
                "a map of destinations by name",
                ruleset("dnat ip to ip saddr map @to", BOTH).replace(
                    "set edge6",
                    "map to { type ipv4_addr : ipv4_addr; elements = { 198.51.100.66 : 192.168.77.10 }\n}\nset edge6",
                ),
                true,
            ),
            (
                "a map of destinations, and a hole",
                ruleset("dnat ip to tcp dport map { 443 : 192.168.77.10 }", &format!("tcp dport 443 accept\n{BOTH}")),
                true,
            ),
        ]);
    });
}
