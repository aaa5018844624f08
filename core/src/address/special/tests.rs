#![expect(clippy::disallowed_types, reason = "a test asks Python")]

use super::{all, check, first_refused, lookup, never_from_outside, registry, unmap};
use crate::address::set::AddressSet;
use ipnet::IpNet;
use std::collections::{BTreeMap, BTreeSet};
use std::io::Write;
use std::net::{IpAddr, Ipv4Addr, Ipv6Addr};
use std::process::{Command, Stdio};

fn ip(text: &str) -> IpAddr {
    text.parse().unwrap()
}

fn net(text: &str) -> IpNet {
    text.parse().unwrap()
}

fn why(text: &str) -> String {
    check(ip(text), &[]).map_or_else(|why| why.to_string(), |()| "fine".into())
}

fn number(address: IpAddr) -> u128 {
    match address {
        IpAddr::V4(address) => u32::from(address).into(),
        IpAddr::V6(address) => address.into(),
    }
}

fn address(like: &IpNet, number: u128) -> Option<IpAddr> {
    match like {
        IpNet::V4(_) => u32::try_from(number).ok().map(|number| Ipv4Addr::from(number).into()),
        IpNet::V6(_) => Some(Ipv6Addr::from(number).into()),
    }
}

/// The first and the last address of `block`, and those just outside of it.
fn boundaries(block: &IpNet) -> Vec<IpAddr> {
    let (first, last) = (number(block.network()), number(block.broadcast()));
    [first.checked_sub(1), Some(first), Some(last), last.checked_add(1)]
        .into_iter()
        .filter_map(|number| address(block, number?))
        .collect()
}

/// Both registries by block and "globally reachable", from memory like the table under test, but typed apart from it.
const LISTING: &str = "\
0.0.0.0/8 no\n0.0.0.0/32 no\n10.0.0.0/8 no\n100.64.0.0/10 no\n127.0.0.0/8 no\n169.254.0.0/16 no\n172.16.0.0/12 no
192.0.0.0/24 no\n192.0.0.0/29 no\n192.0.0.8/32 no\n192.0.0.9/32 yes\n192.0.0.10/32 yes\n192.0.0.170/32 no
192.0.0.171/32 no\n192.0.2.0/24 no\n192.31.196.0/24 yes\n192.52.193.0/24 yes\n192.88.99.0/24 n/a\n192.88.99.2/32 no
192.168.0.0/16 no\n192.175.48.0/24 yes\n198.18.0.0/15 no\n198.51.100.0/24 no\n203.0.113.0/24 no\n240.0.0.0/4 no
255.255.255.255/32 no\n::1/128 no\n::/128 no\n::ffff:0:0/96 no\n64:ff9b::/96 yes\n64:ff9b:1::/48 no\n100::/64 no
100:0:0:1::/64 no\n2001::/23 no\n2001::/32 n/a\n2001:1::1/128 yes\n2001:1::2/128 yes\n2001:1::3/128 yes\n2001:2::/48 no
2001:3::/32 yes\n2001:4:112::/48 yes\n2001:10::/28 n/a\n2001:20::/28 yes\n2001:30::/28 yes\n2001:db8::/32 no\n2002::/16 n/a
2620:4f:8000::/48 yes\n3fff::/20 no\n5f00::/16 no\nfc00::/7 no\nfe80::/10 no";

#[test]
fn the_tables_hold_both_registries() {
    let listed: Vec<(IpNet, Option<bool>)> = LISTING
        .lines()
        .map(|line| {
            let (block, global) = line.split_once(' ').unwrap();
            (
                net(block),
                [("yes", Some(true)), ("no", Some(false)), ("n/a", None)]
                    .into_iter()
                    .find(|g| g.0 == global)
                    .unwrap()
                    .1,
            )
        })
        .collect();
    assert_eq!(all().map(|row| (row.block, row.global)).collect::<Vec<_>>(), listed);
    for row in all().chain(&registry::NOT_UNICAST) {
        assert_eq!(row.block, row.block.trunc(), "{} has host bits", row.block);
        assert!(row.rfc.starts_with("RFC ") && !row.name.is_empty(), "{row:?}");
        assert_eq!(row.is.is_empty(), row.because.is_empty(), "{row:?}");
    }
}

#[test]
fn no_boundary_of_a_special_block_is_published_and_its_neighbours_are() {
    // RFC 5771, RFC 4291 sections 2.4 and 2.7: what is global unicast besides the registries.
    let unicast = |address: &IpAddr| match address {
        IpAddr::V4(address) => !address.is_multicast(),
        IpAddr::V6(address) => address.segments()[0] >> 13 == 1,
    };
    let mut fine = 0;
    for block in all().chain(&registry::NOT_UNICAST).map(|row| row.block).chain([registry::HANDED_OUT]) {
        for address in boundaries(&block) {
            let special = all().any(|row| row.block.contains(&address));
            assert_eq!(check(address, &[]).is_ok(), !special && unicast(&address), "{address}");
            fine += usize::from(check(address, &[]).is_ok());
        }
    }
    assert!(fine > 40, "only {fine} boundary addresses were found publishable");
}

#[test]
fn homes_have_these_addresses() {
    for text in [
        "1.0.0.0",
        "9.255.255.255",
        "100.63.255.255",
        "100.128.0.0",
        "223.255.255.255",
        "2000::",
        "2001:200::1",
        "2620:4f:8001::",
        "2a00::1",
        "3ffe:ffff::",
        "3fff:1000::",
    ] {
        assert_eq!(why(text), "fine", "{text}");
    }
}

#[test]
fn every_refusal_says_why() {
    for (address, expected) in [
        ("0.1.2.3", "0.0.0.0/8 is set aside (\"This network\"), RFC 791, 3.2: no home is reached there"),
        ("0.0.0.0", "0.0.0.0/32 is the unspecified address, RFC 1122, 3.2.1.3: it names no host at all"),
        ("10.1.2.3", "10.0.0.0/8 is private, RFC 1918: the router's inside, where nothing from outside can reach you"),
        (
            "172.31.9.9",
            "172.16.0.0/12 is private, RFC 1918: the router's inside, where nothing from outside can reach you",
        ),
        (
            "192.168.1.7",
            "192.168.0.0/16 is private, RFC 1918: the router's inside, where nothing from outside can reach you",
        ),
        ("100.64.3.2", "100.64.0.0/10 is carrier NAT, RFC 6598: nothing from outside can reach you"),
        ("127.0.0.1", "127.0.0.0/8 is loopback, RFC 1122, 3.2.1.3: a machine speaking to itself"),
        (
            "169.254.7.7",
            "169.254.0.0/16 is link-local, RFC 3927: what an interface gives itself when no DHCP server answers; it ends at the first router",
        ),
        (
            "192.0.0.2",
            "192.0.0.0/29 is the inside of the provider's IPv4-over-IPv6 service, RFC 7335: nothing from outside can reach you",
        ),
        (
            "192.0.0.9",
            "192.0.0.9/32 is PCP anycast, RFC 7723: whoever is nearest answers there, and that is not your home",
        ),
        ("192.0.0.170", "192.0.0.170/32 is set aside (NAT64/DNS64 Discovery), RFC 8880: no home is reached there"),
        ("203.0.113.7", "203.0.113.0/24 is documentation, RFC 5737: an address for examples, and nobody's"),
        ("192.175.48.6", "192.175.48.0/24 is AS112, RFC 7534: name servers run by many share it, and no home does"),
        (
            "192.88.99.2",
            "192.88.99.2/32 is 6a44 relay anycast, RFC 6751: whoever is nearest answers there, and that is not your home",
        ),
        ("224.0.0.1", "224.0.0.0/4 is multicast, RFC 5771: it names a group, not a host"),
        ("239.255.255.255", "224.0.0.0/4 is multicast, RFC 5771: it names a group, not a host"),
        ("240.0.0.1", "240.0.0.0/4 is reserved, RFC 1112, 4: no host has an address there"),
        ("255.255.255.255", "255.255.255.255/32 is broadcast, RFC 919, 7: it names every host of a link, not one"),
        ("::1", "::1/128 is loopback, RFC 4291, 2.5.3: a machine speaking to itself"),
        (
            "fd00::1",
            "fc00::/7 is unique local, RFC 4193: the router's inside, where nothing from outside can reach you",
        ),
        ("fe80::1", "fe80::/10 is link-local, RFC 4291, 2.5.6: it ends at the first router"),
        ("ff02::1", "ff00::/8 is multicast, RFC 4291, 2.7: it names a group, not a host"),
        ("2001:db8::1", "2001:db8::/32 is documentation, RFC 3849: an address for examples, and nobody's"),
        (
            "::ffff:203.0.113.7",
            "::ffff:0.0.0.0/96 is IPv4-mapped, RFC 4291, 2.5.5.2: an IPv4 address written as IPv6, here 203.0.113.7",
        ),
        // RFC 6052, section 2.4 has this very pair.
        (
            "64:ff9b::192.0.2.33",
            "64:ff9b::/96 is NAT64, RFC 6052: an IPv4 address as the clients of a translator see it, here 192.0.2.33",
        ),
        (
            "64:ff9b:1::192.0.2.33",
            "64:ff9b:1::/48 is local NAT64, RFC 8215: an IPv4 address as the clients of a translator see it",
        ),
        (
            "2002:c000:221::1",
            "2002::/16 is 6to4, RFC 3056: a retired tunnel (RFC 7526) over an IPv4 address, here 192.0.2.33",
        ),
        // 192.0.2.45 inverted is 3fff:fdd2, as in the worked example in circulation for RFC 4380 (from memory).
        (
            "2001:0:4136:e378:8000:63bf:3fff:fdd2",
            "2001::/32 is Teredo, RFC 4380: a tunnel from behind an IPv4 NAT, here 192.0.2.45",
        ),
        ("2001:1::4", "2001::/23 is set aside (IETF Protocol Assignments), RFC 2928: no home is reached there"),
        (
            "fec0::1",
            "only 2000::/3 is handed out to hosts, RFC 4291, 2.4 and IANA's IPv6 address space: nothing can reach it",
        ),
        (
            "4000::",
            "only 2000::/3 is handed out to hosts, RFC 4291, 2.4 and IANA's IPv6 address space: nothing can reach it",
        ),
    ] {
        assert_eq!(why(address), expected, "{address}");
    }
}

#[test]
fn the_most_specific_row_counts() {
    let block = |text| lookup(ip(text)).map(|row| row.block);
    assert_eq!(block("192.0.0.9"), Some(net("192.0.0.9/32")));
    assert_eq!(block("192.0.0.7"), Some(net("192.0.0.0/29")));
    assert_eq!(block("192.0.0.12"), Some(net("192.0.0.0/24")));
    assert_eq!(block("2001:2::"), Some(net("2001:2::/48")));
    assert_eq!(block("100.128.0.0"), None);
    // Not in the registries, though no home can have it.
    assert_eq!(block("224.0.0.1"), None);
}

#[test]
fn accepted_ranges_are_taken_and_no_others() {
    let lab = [net("203.0.113.0/24"), net("2001:db8::/32")];
    for (text, taken) in [("203.0.113.7", true), ("2001:db8::7", true), ("198.51.100.7", false), ("10.0.0.1", false)] {
        assert_eq!(check(ip(text), &lab).is_ok(), taken, "{text}");
    }
}

#[test]
fn mapped_addresses_are_what_they_mean() {
    // RFC 4291, section 2.5.5.2; the deprecated compatible form of 2.5.5.1 is left alone.
    for (from, to) in [
        ("::ffff:203.0.113.7", "203.0.113.7"),
        ("::ffff:0.0.0.0", "0.0.0.0"),
        ("::203.0.113.7", "::203.0.113.7"),
        ("64:ff9b::203.0.113.7", "64:ff9b::203.0.113.7"),
        ("::1", "::1"),
        ("203.0.113.7", "203.0.113.7"),
    ] {
        assert_eq!(unmap(ip(from)), ip(to));
    }
}

/// Where CPython's `is_global` and the registries (N/A taken as no) differ: the block, whose most specific row here
/// decides for an address; the RFC behind the registry's word; and the block for want of which in its own tables CPython
/// says something else. A CPython that has that block must agree.
const DIFFERENCES: &[(&str, &str, &str)] = &[
    // Older CPython knows 192.0.0.0/29 alone, and none of the rows around it.
    ("192.0.0.0/24", "RFC 6890", "192.0.0.0/24"),
    ("192.0.0.8/32", "RFC 7600", "192.0.0.0/24"),
    // The deprecated 6to4 relay block is N/A, and the 6a44 address in it not global: CPython 3.13 has neither.
    ("192.88.99.0/24", "RFC 7526", "192.88.99.0/24"),
    ("192.88.99.2/32", "RFC 6751", "192.88.99.0/24"),
    // Older CPython lacks local NAT64 and 6to4, and takes all of 2001::/23 as private, its exceptions included.
    ("64:ff9b:1::/48", "RFC 8215", "64:ff9b:1::/48"),
    ("2002::/16", "RFC 3056", "2002::/16"),
    ("2001:1::1/128", "RFC 7723", "2001:1::1/128"),
    ("2001:1::2/128", "RFC 8155", "2001:1::2/128"),
    ("2001:3::/32", "RFC 7450", "2001:3::/32"),
    ("2001:4:112::/48", "RFC 7535", "2001:4:112::/48"),
    ("2001:20::/28", "RFC 7343", "2001:20::/28"),
    ("2001:30::/28", "RFC 9374", "2001:30::/28"),
    // Rows that are younger than CPython's tables.
    ("2001:1::3/128", "RFC 9665", "2001:1::3/128"),
    ("100:0:0:1::/64", "RFC 9780", "100:0:0:1::/64"),
    ("3fff::/20", "RFC 9637", "3fff::/20"),
    ("5f00::/16", "RFC 9602", "5f00::/16"),
];

/// Prints the blocks of CPython's own tables, an empty line, and for each address on its input and each boundary of
/// those blocks whether it is global.
const REFERENCE: &str = "\
import ipaddress as i, sys
nets = [n for c in (i.IPv4Address._constants, i.IPv6Address._constants)
        for n in c._private_networks + getattr(c, '_private_networks_exceptions', [])]
asked = {i.ip_address(line.strip()) for line in sys.stdin}
for n in nets:
    print(n)
    asked |= {n[0], n[-1]}
    if int(n[0]): asked.add(n[0] - 1)
    if int(n[-1]) < 2 ** n.max_prefixlen - 1: asked.add(n[-1] + 1)
print()
for a in asked: print(a, a.is_global)
";

#[test]
#[ignore = "needs python3: tests/all.sh runs it"]
fn the_registries_agree_with_cpython() {
    let asked: BTreeSet<IpAddr> = all().flat_map(|row| boundaries(&row.block)).collect();
    let mut python = Command::new("python3")
        .args(["-c", REFERENCE])
        .stdin(Stdio::piped())
        .stdout(Stdio::piped())
        .spawn()
        .expect("python3 cannot be run");
    let lines: String = asked.iter().map(|address| format!("{address}\n")).collect();
    // Dropping the pipe ends its input; nothing is printed before that.
    python.stdin.take().unwrap().write_all(lines.as_bytes()).unwrap();
    let output = python.wait_with_output().unwrap();
    assert!(output.status.success(), "python3 failed");
    let text = String::from_utf8(output.stdout).unwrap();
    let (known, answers) = text.split_once("\n\n").unwrap();
    let known: BTreeSet<IpNet> = known.lines().map(net).collect();
    let answers: BTreeMap<IpAddr, bool> =
        answers.lines().filter_map(|line| line.split_once(' ')).map(|(a, global)| (ip(a), global == "True")).collect();
    assert!(asked.iter().all(|address| answers.contains_key(address)), "python3 left addresses out");

    for (block, rfc, _) in DIFFERENCES {
        let row = all().find(|row| row.block == net(block));
        assert_eq!(row.map(|row| row.rfc.split(',').next().unwrap()), Some(*rfc), "{block}");
    }
    let mut wrong = Vec::new();
    for (address, theirs) in answers {
        let row = lookup(address);
        let ours = row.is_none_or(|row| row.global == Some(true));
        let listed = DIFFERENCES.iter().find(|(block, ..)| row.is_some_and(|row| row.block == net(block)));
        let expected = listed.is_some_and(|(_, _, lacks)| !known.contains(&net(lacks)));
        if (ours != theirs) != expected {
            wrong.push(format!("{address}: ours {ours}, CPython {theirs}, difference expected: {expected}"));
        }
    }
    assert!(wrong.is_empty(), "{}", wrong.join("\n"));
}

#[test]
fn of_a_set_the_first_address_that_is_refused_is_found() {
    let first = |text: &str, accept: &[IpNet]| {
        let set = text.split(' ').map(net).collect();
        first_refused(&set, accept).map(|refused| refused.address.to_string())
    };
    assert_eq!(first("192.0.2.0/24 1.0.0.0/8", &[]).as_deref(), Some("192.0.2.0"));
    assert_eq!(first("1.0.0.0/8 2600::/12", &[]), None);
    assert_eq!(first("192.0.2.0/24", &[net("192.0.2.0/25")]).as_deref(), Some("192.0.2.128"));
    assert_eq!(first("0.0.0.0/0", &[net("0.0.0.0/8")]).as_deref(), Some("10.0.0.0"));
    assert_eq!(first("::/0", &[]).as_deref(), Some("::"));
    assert_eq!(first("2000::/3", &[]).as_deref(), Some("2001::"));
}

#[test]
fn a_set_and_its_addresses_are_judged_alike() {
    for address in all().flat_map(|row| boundaries(&row.block)) {
        assert_eq!(first_refused(&AddressSet::from(address), &[]), check(address, &[]).err(), "{address}");
        // The registries' own word, and what they leave out: groups, and space that is not handed out.
        let unused = address.is_multicast() || (address.is_ipv6() && !net("2000::/3").contains(&address));
        let inside = lookup(address).map_or(unused, |row| row.global == Some(false) || unused);
        assert_eq!(never_from_outside(&[]).contains(address), inside, "{address}");
    }
    assert!(!never_from_outside(&[net("192.0.2.0/24")]).contains(ip("192.0.2.7")));
}
