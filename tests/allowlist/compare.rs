//! The comparison as a program: what is told, and the exit status.

use serde_json::{Value, json};

use crate::Mill;

const EDGE: &str = "[[edge]]\nname = \"weir\"\nsources = [{ file = \"weir.txt\" }]\n";

/// With the edge's ranges in force, and this `[allowlist.firewall]`.
fn mill(firewall: &str) -> Mill {
    let mill = Mill::new(&format!("{EDGE}[allowlist.firewall]\n{firewall}\n"));
    mill.write("weir.txt", "192.0.2.0/24\n2001:db8:e::/48\n");
    assert_eq!(mill.fetch(&[]).0, 0);
    mill
}

#[test]
fn lists_are_compared() {
    let mill = mill("kind = \"lines\"\nfile = \"firewall.txt\"");
    let ask = || {
        let said = mill.run(&["allowlist", "compare"]);
        (said.status, said.out)
    };
    for (text, status, out) in [
        ("192.0.2.0/25\n192.0.2.128/25\n2001:db8:e::/48\n", 0, "port 443  exactly those who should get in do\n"),
        (
            "192.0.2.0/25\n203.0.113.7\n2001:db8:e::/48\n198.51.100.0/24\n",
            1,
            "port 443  IPv4: 257 too many get in, 128 missing\n\
             \x20 surplus  257 IPv4 addresses in 2 ranges by listed\n           198.51.100.0/24\n           203.0.113.7/32\n\
             \x20 missing  128 IPv4 addresses in 1 range\n           192.0.2.128/25\n",
        ),
        (
            "# nobody\n",
            1,
            "port 443  IPv4: 0 too many get in, 256 missing; IPv6: 0 too many get in, about 10^24 missing\n\
             \x20 missing  256 IPv4 addresses in 1 range\n           192.0.2.0/24\n\
             \x20 missing  about 10^24 IPv6 addresses in 1 range\n           2001:db8:e::/48\n",
        ),
        (
            "192.0.2.0/24\n2001:db8:e::/48\n192.168.0.0/16\n",
            0,
            "port 443  exactly those who should get in do\n  not counted: 1 range that nobody outside has (65,536 IPv4)\n",
        ),
    ] {
        mill.write("firewall.txt", text);
        assert_eq!(ask(), (status, out.to_owned()), "{text}");
    }
    mill.write("firewall.txt", "<html>");
    let said = mill.run(&["allowlist", "compare"]);
    assert_eq!(said.status, 69);
    assert!(said.err.contains("firewall.txt: it is a page for a browser, not a list"), "{}", said.err);
}

#[test]
fn what_cannot_be_compared_says_what_to_do() {
    let mill = Mill::new("");
    assert_eq!(mill.run(&["allowlist", "compare"]).status, 78);
    mill.configure(EDGE);
    let said = mill.run(&["allowlist", "compare"]);
    assert_eq!(said.status, 69);
    assert_eq!(said.err, "fingerpost: no ranges of the edge weir are known yet; run `fingerpost allowlist fetch`\n");
    mill.write("weir.txt", "192.0.2.0/24\n");
    assert_eq!(mill.fetch(&[]).0, 0);
    let said = mill.run(&["allowlist", "compare"]);
    assert_eq!(said.status, 78);
    assert!(said.err.contains("no [allowlist.firewall] is configured"), "{}", said.err);
    for (command, want) in [
        ("\"/nowhere/nft\"", "`/nowhere/nft`: it cannot be run: No such file or directory"),
        ("\"sh\", \"-c\", \"echo not permitted >&2; exit 1\"", "it failed (exit status: 1): not permitted"),
        ("\"echo\", \"{}\"", "`echo {}`: it is no ruleset of nftables"),
        ("\"cat\", \"/dev/zero\"", "it is longer than 16777216 bytes"),
    ] {
        mill.configure(&format!("{EDGE}[allowlist.firewall]\nkind = \"nft\"\ncommand = [{command}]\n"));
        let said = mill.run(&["allowlist", "compare"]);
        assert_eq!(said.status, 69, "{}", said.err);
        assert!(said.err.contains(want), "{}", said.err);
    }
}

#[test]
fn an_export_is_compared() {
    let columns = "columns = { source = \"From\", port = \"Port\", action = \"Action\" }";
    let mill = mill(&format!("kind = \"csv\"\nfile = \"rules.csv\"\n{columns}"));
    mill.write(
        "rules.csv",
        "No;From;Port;Action\n1;192.0.2.0/24;443;allow\n2;2001:db8:e::/48;443;allow\n3;any;any;deny\n",
    );
    assert_eq!(mill.run(&["allowlist", "compare"]).status, 0);
    // Forgotten after a test.
    mill.write("rules.csv", "No;From;Port;Action\n1;0.0.0.0/0;443;allow\n2;2001:db8:e::/48;443;allow\n");
    let said = mill.run(&["--json", "allowlist", "compare"]);
    assert_eq!(said.status, 1);
    let document: Value = serde_json::from_str(&said.out).unwrap();
    let surplus = &document["ports"][0]["surplus"];
    assert_eq!((surplus.as_array().unwrap().len(), &surplus[0]["by"]), (1, &json!("row 2")));
    // 2^32 less the edge's 2^8, and what has the word "not globally reachable" in IANA's registry of special-purpose
    // addresses (0/8, 10/8, 127/8; 100.64/10; 172.16/12; 198.18/15; 169.254/16, 192.168/16; 192.0.0/24 but two;
    // 192.88.99.2), and 224/4 and 240/4. The laboratory's ranges are no exception here.
    let inside: u64 = 3 * (1 << 24) + (1 << 22) + (1 << 20) + (1 << 17) + 2 * (1 << 16) + 254 + 1 + 2 * (1 << 28);
    assert_eq!(surplus[0]["addresses"]["ipv4"], json!(((1_u64 << 32) - (1 << 8) - inside).to_string()));
    assert_eq!(document["ports"][0]["missing"], json!({ "ranges": [], "addresses": { "ipv4": "0", "ipv6": "0" } }));
    mill.write("rules.csv", "Von;Port;Action\n");
    let said = mill.run(&["allowlist", "compare"]);
    assert_eq!(said.status, 69);
    assert!(said.err.contains("it has no column \"From\", only \"Von\", \"Port\", \"Action\""), "{}", said.err);
}

#[test]
fn a_ruleset_is_compared_and_the_rule_named() {
    let mill = mill("kind = \"nft\"\nfile = \"ruleset.json\"");
    let rule = |handle: u32, statements: Value| json!({ "rule": { "family": "inet", "table": "filter", "chain": "input", "handle": handle, "expr": statements } });
    let saddr = |protocol: &str, right: Value| json!({ "match": { "op": "==", "left": { "payload": { "protocol": protocol, "field": "saddr" } }, "right": right } });
    let prefix = |address: &str, len: u8| json!({ "prefix": { "addr": address, "len": len } });
    let chain = json!({ "chain": { "family": "inet", "table": "filter", "name": "input", "type": "filter", "hook": "input", "prio": 0, "policy": "drop" } });
    let good = [
        rule(12, json!([saddr("ip", prefix("192.0.2.0", 24)), { "accept": null }])),
        rule(13, json!([saddr("ip6", prefix("2001:db8:e::", 48)), { "accept": null }])),
    ];
    let write = |rules: &[Value]| {
        let all: Vec<_> = [std::slice::from_ref(&chain), rules].concat();
        mill.write("ruleset.json", json!({ "nftables": all }).to_string());
        let said = mill.run(&["allowlist", "compare"]);
        (said.status, said.out)
    };
    assert_eq!(write(&good), (0, "port 443  exactly those who should get in do\n".into()));
    let (status, out) = write(&[
        rule(11, json!([saddr("ip", prefix("198.51.100.0", 24)), { "accept": null }])),
        good[0].clone(),
        good[1].clone(),
    ]);
    assert_eq!(status, 1);
    assert!(
        out.contains(
            "  surplus  256 IPv4 addresses in 1 range by inet filter input, handle 11: accept\n           198.51.100.0/24\n"
        ),
        "{out}"
    );
    let (status, out) =
        write(&[rule(11, json!([{ "xt": null }, { "accept": null }])), good[0].clone(), good[1].clone()]);
    assert_eq!(status, 69);
    assert!(
        out.starts_with("port 443  not all of it is understood, so whether it is right is unknown\n  unknown  "),
        "{out}"
    );
    assert!(out.contains(": inet filter input, handle 11, {\"xt\":null}\n"), "{out}");
}
