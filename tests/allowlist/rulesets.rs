//! Whom a ruleset lets in, for rulesets that the real `nft` has taken and printed: what each expression means, and how
//! it is printed. That the kernel agrees is seen with packets, in the lab.

use std::io::Write as _;
use std::process::{Command, Stdio};

use fingerpost::address::Family;
use fingerpost::address::set::AddressSet;
use fingerpost::allowlist::firewall::LetIn;
use fingerpost::allowlist::firewall::nft::{Question, Ruleset};
use fingerpost::settings::Place;
use ipnet::IpNet;

/// Loads `text` into the nftables of a fresh network namespace, and gives what `nft -j list ruleset` prints.
fn listed(text: &str) -> Vec<u8> {
    let unshare: &[_] = if rustix::process::geteuid().is_root() { &["-n"] } else { &["-Urn"] };
    let path = format!("{}:/usr/sbin:/sbin", std::env::var("PATH").unwrap_or_default());
    let script = "nft -f - && nft -j list ruleset";
    let mut child = Command::new("unshare")
        .args(unshare)
        .args(["sh", "-c", script])
        .env("PATH", path)
        .stdin(Stdio::piped())
        .stdout(Stdio::piped())
        .spawn()
        .expect("this test needs unshare");
    child.stdin.take().unwrap().write_all(text.as_bytes()).unwrap();
    let output = child.wait_with_output().unwrap();
    assert!(output.status.success(), "nft does not take:\n{text}");
    output.stdout
}

fn shown(set: &AddressSet) -> String {
    set.prefixes().map(|net| net.to_string()).collect::<Vec<_>>().join(" ")
}

/// Each way in and each doubt on a line.
fn told(let_in: &LetIn) -> String {
    let ways = let_in.ways.iter().map(|way| format!("{} by {}", shown(&way.set), way.by));
    let doubts = let_in.doubts.iter().map(|doubt| format!("{} ? {}: {}", shown(&doubt.set), doubt.by, doubt.why));
    let mut lines: Vec<String> = ways.chain(doubts).collect();
    lines.sort();
    lines.join("\n")
}

fn question(family: Family, service: Place) -> Question<'static> {
    Question { family, port: 443, destination: None, service, outside: Some("wan"), inside: Some("lan") }
}

fn ask(text: &str, question: &Question<'_>) -> LetIn {
    Ruleset::parse(&listed(text)).unwrap().let_in(question)
}

/// The sources let in over IPv4 by an input chain with policy drop and these rules.
fn input(rules: &str) -> LetIn {
    let text = format!(
        "table inet t {{\nset edge {{ type ipv4_addr; flags interval; elements = {{ 192.0.2.0/25, 192.0.2.128-192.0.2.191 }}\n}}\n\
         set one {{ type ipv4_addr; timeout 1h; elements = {{ 192.0.2.9 timeout 30m comment \"a friend\" }}\n}}\n\
         set pairs {{ type ipv4_addr . inet_service; flags interval; elements = {{ 192.0.2.0/26 . 443, 192.0.2.64/26 . 80 }}\n}}\n\
         set none {{ type ipv4_addr;\n}}\n\
         map ports {{ type inet_service : verdict; elements = {{ 443 : jump service, 22 : drop }}\n}}\n\
         chain service {{ ip saddr @edge accept\nreturn\n}}\n\
         chain ways {{ ip saddr 192.0.2.0/26 return\nip saddr 192.0.2.0/25 accept\n}}\n\
         chain input {{ type filter hook input priority 0; policy drop;\n{rules}\n}}\n}}\n"
    );
    ask(&text, &question(Family::Ipv4, Place::Here))
}

const EVERYBODY: &str = "0.0.0.0/0";
const NOBODY: &str = "";

#[test]
#[ignore = "needs nft and unshare: tests/all.sh runs it"]
fn what_an_expression_means_for_a_first_packet() {
    for (rules, want) in [
        ("", NOBODY),
        ("accept", EVERYBODY),
        ("tcp dport 443 accept", EVERYBODY),
        ("tcp dport 80 accept", NOBODY),
        ("tcp dport != 443 accept", NOBODY),
        ("tcp dport { 80, 440-450 } accept", EVERYBODY),
        ("tcp dport > 443 accept", NOBODY),
        ("tcp dport >= 443 accept", EVERYBODY),
        ("udp dport 443 accept", NOBODY),
        ("udp dport != 443 accept", NOBODY),
        ("th dport 443 accept", EVERYBODY),
        ("@nh,72,8 6 @th,16,16 443 accept", EVERYBODY),
        ("@nh,72,8 17 accept", NOBODY),
        ("@th,16,16 != 443 accept", NOBODY),
        ("@nh,96,24 0xc00002 accept", "192.0.2.0/24"),
        ("ip saddr 192.0.0.0/8 @nh,104,8 0 @nh,112,16 512 accept", "192.0.2.0/32"),
        ("ip saddr 192.0.2.0/24 accept", "192.0.2.0/24"),
        ("ip saddr 192.0.2.9 accept", "192.0.2.9/32"),
        ("ip saddr 192.0.2.0-192.0.2.4 accept", "192.0.2.0/30 192.0.2.4/32"),
        ("ip saddr { 192.0.2.0/26, 192.0.2.64/26 } accept", "192.0.2.0/25"),
        ("ip saddr @edge tcp dport 443 accept", "192.0.2.0/25 192.0.2.128/26"),
        ("ip saddr @one accept", "192.0.2.9/32"),
        ("ip saddr @none accept", NOBODY),
        ("ip saddr . tcp dport @pairs accept", "192.0.2.0/26"),
        ("ip6 saddr 2001:db8::/32 accept", NOBODY),
        ("ip6 saddr != 2001:db8::/32 accept", NOBODY),
        ("ip saddr != 192.0.2.0/24 drop\naccept", "192.0.2.0/24"),
        ("ip saddr != @edge drop\ntcp dport 443 accept", "192.0.2.0/25 192.0.2.128/26"),
        ("ip saddr != @none accept", EVERYBODY),
        ("ip saddr 192.0.2.0/24 jump ways\nip saddr 192.0.2.32/27 accept", "192.0.2.32/27 192.0.2.64/26"),
        ("ip saddr 192.0.2.0/24 goto ways\naccept", "0.0.0.0/1 128.0.0.0/2"),
        ("tcp dport vmap @ports", "192.0.2.0/25 192.0.2.128/26"),
        (
            "ip saddr vmap { 192.0.2.0/25 : accept, 192.0.2.128/25 : drop }\nip saddr 192.0.2.0/24 accept",
            "192.0.2.0/25",
        ),
        ("ct state established,related accept", NOBODY),
        ("ct state new accept", EVERYBODY),
        ("ct state { new, established } accept", EVERYBODY),
        ("ct state vmap { established : accept, invalid : drop }", NOBODY),
        ("ct state vmap { new : accept }", EVERYBODY),
        ("ct state invalid drop\nct direction original accept", EVERYBODY),
        ("ct status dnat accept", NOBODY),
        ("iifname \"wan\" accept", EVERYBODY),
        ("iifname != \"wan\" accept", NOBODY),
        ("iifname { \"lo\", \"w*\" } accept", EVERYBODY),
        ("iifname \"lan\" ip saddr 192.0.2.0/24 accept", NOBODY),
        ("iif lo accept", NOBODY),
        ("oifname \"lan\" accept", NOBODY),
        ("meta l4proto { icmp, tcp } accept", EVERYBODY),
        ("meta l4proto udp accept", NOBODY),
        ("ip protocol tcp accept", EVERYBODY),
        ("icmp type echo-request accept", NOBODY),
        ("meta nfproto ipv6 accept", NOBODY),
        ("meta protocol ip accept", EVERYBODY),
        ("meta pkttype { broadcast, multicast } accept", NOBODY),
        ("fib daddr type local accept", EVERYBODY),
        ("fib saddr . iif oif missing drop\naccept", EVERYBODY),
        ("fib saddr type local drop\naccept", EVERYBODY),
        ("tcp flags & (fin | syn | rst | ack) != syn ct state new drop\naccept", EVERYBODY),
        ("tcp flags syn / fin,syn,rst,ack accept", EVERYBODY),
        ("tcp flags & (fin | syn) == (fin | syn) drop\naccept", EVERYBODY),
        ("ip frag-off & 0x1fff != 0 drop\naccept", EVERYBODY),
        ("limit rate 10/minute accept", EVERYBODY),
        ("limit rate over 10/second drop\nip saddr 192.0.2.0/24 accept", "192.0.2.0/24"),
        ("ct count over 10 drop\naccept", EVERYBODY),
        ("counter log prefix \"in: \" ip saddr 192.0.2.0/24 counter accept", "192.0.2.0/24"),
        ("meta mark 0x10 accept", NOBODY),
        ("meta mark set 0x10\nip saddr 192.0.2.0/24 accept", "192.0.2.0/24"),
        ("ip saddr 192.0.2.0/25 continue\nip saddr 192.0.2.0/24 accept", "192.0.2.0/24"),
        ("tcp dport 443 reject with tcp reset\naccept", NOBODY),
    ] {
        let let_in = input(rules);
        assert_eq!(let_in.doubts, [], "{rules}");
        // The second half of the space that `goto` leaves is no round number of prefixes.
        let sum = let_in.ways.iter().fold(AddressSet::default(), |sum, way| sum.union(&way.set));
        let want: AddressSet = match rules.contains("goto ways") {
            true => {
                let all = AddressSet::from_iter([EVERYBODY.parse::<IpNet>().unwrap()]);
                let sent = AddressSet::from_iter(["192.0.2.0/24".parse::<IpNet>().unwrap()]);
                all.difference(&sent).union(&AddressSet::from_iter(["192.0.2.64/26".parse::<IpNet>().unwrap()]))
            }
            false => want.split_whitespace().map(|net| net.parse::<IpNet>().unwrap()).collect(),
        };
        assert_eq!(shown(&sum), shown(&want), "{rules}");
    }
}

/// Each is told with the rule, and the addresses it concerns.
#[test]
#[ignore = "needs nft and unshare: tests/all.sh runs it"]
fn what_is_not_understood_is_unknown_where_it_matters() {
    for (rules, want) in [
        ("tcp sport 443 accept", vec![EVERYBODY]),
        ("ip saddr 192.0.2.0/24 tcp sport 443 accept", vec!["192.0.2.0/24"]),
        ("meta hour \"08:00\"-\"18:00\" accept", vec![EVERYBODY]),
        ("ip saddr 192.0.2.0/24 accept\nip dscp 8 accept", vec!["0.0.0.0/1 and the rest"]),
        ("ip daddr 203.0.113.9 ip saddr 192.0.2.0/24 accept", vec!["192.0.2.0/24"]),
        ("meta mark set 0x10\nip saddr 192.0.2.0/24 meta mark 0x10 accept", vec!["192.0.2.0/24"]),
        ("ip saddr & 0.0.0.255 == 0.0.0.7 accept", vec![EVERYBODY]),
        ("ip saddr 192.0.2.0/24 tcp sport vmap { 80 : accept }", vec!["192.0.2.0/24"]),
        ("limit rate 10/minute drop\nip saddr 192.0.2.0/24 accept", vec!["192.0.2.0/24"]),
        // It does not matter: the packets in question fare alike either way, or are not concerned.
        ("tcp sport 443 drop", vec![]),
        ("udp dport 53 meta hour \"08:00\"-\"18:00\" accept", vec![]),
        ("tcp sport 443 counter\nip saddr 192.0.2.0/24 accept", vec![]),
        ("ip saddr 198.51.100.0/24 tcp sport 443 drop\nip saddr 192.0.2.0/24 accept", vec![]),
    ] {
        let let_in = input(rules);
        let doubted: Vec<String> = let_in.doubts.iter().map(|doubt| shown(&doubt.set)).collect();
        if want.first().is_some_and(|want| want.ends_with("the rest")) {
            assert!(doubted.len() == 1 && !let_in.doubts[0].set.contains("192.0.2.9".parse().unwrap()), "{rules}");
            assert_eq!(shown(&let_in.ways[0].set), "192.0.2.0/24", "{rules}");
        } else {
            assert_eq!(doubted, want, "{rules}\n{}", told(&let_in));
        }
        assert!(let_in.doubts.iter().all(|doubt| doubt.by.starts_with("inet t input, handle ")), "{}", told(&let_in));
    }
    // A drop that is not understood leaves what comes after it in doubt, and no more.
    let let_in = input("ip saddr 192.0.2.0/25 tcp sport 1-1023 drop\nip saddr 192.0.2.0/24 accept");
    let lines: Vec<String> =
        told(&let_in).lines().map(|line| line.split(", handle").next().unwrap().to_owned()).collect();
    assert_eq!(lines, ["192.0.2.0/25 ? inet t input", "192.0.2.128/25 by inet t input"]);
}

/// A router of Heron Mill: an address of its own, the service behind it.
fn router(prerouting: &str, forward: &str) -> LetIn {
    let text = format!(
        "table inet t {{\nset edge {{ type ipv4_addr; flags interval; elements = {{ 192.0.2.0/24 }}\n}}\n\
         chain prerouting {{ type nat hook prerouting priority dstnat;\n{prerouting}\n}}\n\
         chain input {{ type filter hook input priority 0; policy accept;\n}}\n\
         chain forward {{ type filter hook forward priority 0; policy drop;\n{forward}\n}}\n\
         chain postrouting {{ type nat hook postrouting priority srcnat;\noifname \"wan\" masquerade\n}}\n}}\n"
    );
    let question = question(Family::Ipv4, Place::Behind);
    ask(&text, &Question { destination: Some([203, 0, 113, 9].into()), ..question })
}

#[test]
#[ignore = "needs nft and unshare: tests/all.sh runs it"]
fn who_comes_through_a_router() {
    let dnat = "iifname \"wan\" tcp dport 443 dnat ip to 192.168.77.10";
    for (prerouting, forward, want) in [
        (dnat, "ct status dnat accept", "0.0.0.0/0"),
        (dnat, "", ""),
        (dnat, "ct status dnat ip saddr @edge accept", "192.0.2.0/24"),
        (
            dnat,
            "iifname \"wan\" oifname \"lan\" ip daddr 192.168.77.10 tcp dport 443 ip saddr @edge accept",
            "192.0.2.0/24",
        ),
        (dnat, "ip daddr 192.168.77.11 accept", ""),
        (dnat, "oifname \"dmz\" accept", ""),
        ("ip saddr @edge tcp dport 443 dnat ip to 192.168.77.10:8443", "ct status dnat accept", "192.0.2.0/24"),
        ("ip saddr @edge tcp dport 443 dnat ip to 192.168.77.10:8443", "tcp dport 443 accept", ""),
        ("ip saddr @edge tcp dport 443 dnat ip to 192.168.77.10:8443", "tcp dport 8443 accept", "192.0.2.0/24"),
        (
            "ip saddr @edge tcp dport 443 dnat ip to 192.168.77.10:8443",
            "ct original proto-dst 443 accept",
            "192.0.2.0/24",
        ),
        // An address that the line has lost.
        ("ip daddr 203.0.113.8 tcp dport 443 dnat ip to 192.168.77.10", "ct status dnat accept", ""),
        ("ip daddr 203.0.113.9 tcp dport 443 dnat ip to 192.168.77.10", "ct status dnat accept", "0.0.0.0/0"),
        ("fib daddr type local tcp dport 443 dnat ip to 192.168.77.10", "ct status dnat accept", "0.0.0.0/0"),
        // The router itself answers: that is not the service.
        ("", "accept", ""),
        ("tcp dport 443 redirect to :8443", "", "0.0.0.0/0"),
    ] {
        // Matching on a port of the conntrack needs the protocol said first.
        let forward = forward.replace("ct original", "meta l4proto tcp ct original");
        let let_in = router(prerouting, &forward);
        assert_eq!(let_in.doubts, [], "{prerouting} / {forward}");
        let sum = let_in.ways.iter().fold(AddressSet::default(), |sum, way| sum.union(&way.set));
        assert_eq!(shown(&sum), want, "{prerouting} / {forward}");
    }
    let let_in = router("tcp dport 443 dnat ip to ip saddr map { 192.0.2.1 : 192.168.77.10 }", "ct status dnat accept");
    assert_eq!((shown(&let_in.ways[0].set).as_str(), let_in.doubts.len()), ("192.0.2.1/32", 0), "{}", told(&let_in));
    // One of several.
    let let_in = router("tcp dport 443 dnat ip to 192.168.77.10-192.168.77.11", "ct status dnat accept");
    assert!(let_in.ways.is_empty() && let_in.doubts.len() == 1, "{}", told(&let_in));
}

#[test]
#[ignore = "needs nft and unshare: tests/all.sh runs it"]
fn what_lets_in_is_named_by_its_handle() {
    let let_in = router(
        "tcp dport 443 dnat ip to 192.168.77.10 comment \"test, remove me\"\nip saddr @edge tcp dport 443 dnat ip to 192.168.77.10",
        "ct status dnat accept",
    );
    let [way] = &let_in.ways[..] else { panic!("{}", told(&let_in)) };
    let (first, then) = way.by.split_once(", then ").unwrap();
    assert!(
        first.starts_with("inet t prerouting, handle ") && first.ends_with(" (\"test, remove me\"): dnat"),
        "{first}"
    );
    assert!(then.starts_with("inet t forward, handle ") && then.ends_with(": accept"), "{then}");
    let open = ask(
        "table ip t {\nchain input { type filter hook input priority 0;\n}\n}\n",
        &question(Family::Ipv4, Place::Here),
    );
    assert_eq!(told(&open), "0.0.0.0/0 by ip t input: its policy is accept");
    let bare = ask("table ip t {\n}\n", &question(Family::Ipv4, Place::Here));
    assert_eq!(told(&bare), "0.0.0.0/0 by no chain at the hook input");
}

#[test]
#[ignore = "needs nft and unshare: tests/all.sh runs it"]
fn every_chain_at_a_hook_has_its_say() {
    let table = |name: &str, rest: &str| format!("table {name} {{\n{rest}\n}}\n");
    let input = |priority: i32, policy: &str, rules: &str| {
        format!("chain input {{ type filter hook input priority {priority}; policy {policy};\n{rules}\n}}")
    };
    let open = table("inet a", &input(0, "accept", ""));
    for (more, v4, v6) in [
        (String::new(), "0.0.0.0/0", "::/0"),
        // An accept is not the last word, a drop is.
        (table("inet b", &input(-10, "accept", "ip saddr 192.0.2.0/24 accept")), "0.0.0.0/0", "::/0"),
        (table("inet b", &input(10, "drop", "ip saddr 192.0.2.0/24 accept")), "192.0.2.0/24", ""),
        (table("ip b", &input(10, "drop", "")), "", "::/0"),
        (table("ip6 b", &input(10, "drop", "ip6 saddr 2001:db8::/32 accept")), "0.0.0.0/0", "2001:db8::/32"),
        (
            table(
                "ip b",
                "chain raw { type filter hook prerouting priority raw; policy accept;\nip saddr != 192.0.2.0/24 drop\n}",
            ),
            "192.0.2.0/24",
            "::/0",
        ),
        (table("ip b", "chain out { type filter hook output priority 0; policy drop;\n}"), "0.0.0.0/0", "::/0"),
        (table("arp b", "chain input { type filter hook input priority 0; policy drop;\n}"), "0.0.0.0/0", "::/0"),
    ] {
        let text = format!("{open}{more}");
        for (family, want) in [(Family::Ipv4, v4), (Family::Ipv6, v6)] {
            let let_in = ask(&text, &question(family, Place::Here));
            let sum = let_in.ways.iter().fold(AddressSet::default(), |sum, way| sum.union(&way.set));
            assert_eq!((shown(&sum).as_str(), let_in.doubts.len()), (want, 0), "{more} {family}");
        }
    }
    // It may sleep, or be at another device, or filter in a bridge: this version of nft does not tell, or we do not know.
    for more in [
        "table ip b {\nflags dormant;\nchain input { type filter hook input priority 10; policy drop;\n}\n}\n",
        "table netdev b {\nchain in { type filter hook ingress device \"lo\" priority 0; policy drop;\n}\n}\n",
        "table bridge b {\nchain in { type filter hook forward priority 0; policy drop;\n}\n}\n",
    ] {
        let let_in = ask(&format!("{open}{more}"), &question(Family::Ipv4, Place::Here));
        let surely: Vec<String> = let_in.ways.iter().map(|way| shown(&way.set)).collect();
        let perhaps: Vec<String> = let_in.doubts.iter().map(|doubt| shown(&doubt.set)).collect();
        // A version that tells settles it one way or the other.
        let settled = !more.contains("bridge") && surely == ["0.0.0.0/0"];
        assert!(settled || (surely.is_empty() && perhaps == ["0.0.0.0/0"]), "{more}\n{}", told(&let_in));
    }
}

#[test]
#[ignore = "needs nft and unshare: tests/all.sh runs it"]
fn ipv6_goes_to_the_host_itself() {
    let forward = |rules: &str| {
        format!(
            "table inet t {{\nchain forward {{ type filter hook forward priority 0; policy drop;\n{rules}\n}}\n}}\n"
        )
    };
    let question = question(Family::Ipv6, Place::Behind);
    let host = Question { destination: Some("2001:db8:77::77".parse().unwrap()), ..question.clone() };
    for (rules, question, want) in [
        ("ip6 saddr 2001:db8:e::/48 tcp dport 443 accept", &question, "2001:db8:e::/48"),
        ("tcp dport 443 accept", &question, "::/0"),
        ("ip saddr 192.0.2.0/24 accept", &question, ""),
        ("ip6 daddr 2001:db8:77::77 accept", &host, "::/0"),
        ("ip6 daddr 2001:db8:77::78 accept", &host, ""),
        ("ip6 daddr & ::ffff:ffff:ffff:ffff == ::77 tcp dport 443 accept", &host, "::/0"),
        ("ip6 daddr & ::ffff:ffff:ffff:ffff == ::78 tcp dport 443 accept", &host, ""),
        ("ip6 nexthdr tcp accept", &host, "::/0"),
        ("fib daddr type local accept", &host, ""),
    ] {
        let let_in = ask(&forward(rules), question);
        let sum = let_in.ways.iter().fold(AddressSet::default(), |sum, way| sum.union(&way.set));
        assert_eq!((shown(&sum).as_str(), let_in.doubts.len()), (want, 0), "{rules}");
    }
    // A translation to an IPv4 address does not concern it.
    let translated = "chain p { type nat hook prerouting priority dstnat;\ntcp dport 443 dnat ip to 192.168.77.10\n}\n";
    let text = forward("ct status dnat accept").replace("table inet t {\n", &format!("table inet t {{\n{translated}"));
    assert_eq!(told(&ask(&text, &host)), "");
    let unclear = ask(&forward("ip6 daddr 2001:db8:77::77 accept"), &question);
    assert_eq!((unclear.ways.len(), unclear.doubts.len()), (0, 1));
}
