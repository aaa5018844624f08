//! The access provider delegates another prefix: whatever has a part of its own in it follows, in one update, as soon as
//! the kernel tells of the new address.

use std::net::{IpAddr, Ipv6Addr};
use std::time::SystemTime;

use fingerpost::record::{RecordType, RrSet};

use crate::common::ZONE;
use crate::living::until;
use crate::net::Lab;
use crate::parts::{configured, echo_witnesses, witness};
use crate::plan::{Host, Shape};
use crate::scenario::scenario;

/// Only a push can be the reason for a look after the first rounds.
const WATCH: &str = "every = \"1h\"\nsettle = 2\nsettle_every = \"500ms\"\ntimeout = \"2s\"";

/// A record's label, what stands in its table, and the last 72 bits of its address.
type Member = (&'static str, &'static str, u128);

/// Moves the home through `prefixes`, of which `length` bits are delegated; every one of `members` follows in one update.
fn follow(watch: &str, witnesses: &str, members: &[Member], length: u32, prefixes: &[&str]) {
    let lab = Lab::up(Shape::Plain);
    let (named, _nginx) = (lab.named(""), lab.echoes());
    let tables: Vec<_> =
        members.iter().map(|(label, part, _)| (*label, format!("types = [\"AAAA\"]\n{part}"))).collect();
    let records: Vec<_> = tables.iter().map(|(label, table)| (*label, table.as_str())).collect();
    let fingerpost = lab.fingerpost(Host::Home, &configured(watch, witnesses, &records));
    let published = |prefix: &str| {
        let delegated = u128::from(prefix.parse::<Ipv6Addr>().unwrap()) & !(u128::MAX >> length);
        members.iter().all(|(label, _, part)| {
            let address = IpAddr::from(Ipv6Addr::from(delegated | part));
            lab.rrset(&named, label, RecordType::Aaaa) == Some(RrSet { ttl: 120, addresses: [address].into() })
        })
    };
    let serial = || lab.within(Host::Outside, || named.serial(ZONE));
    lab.prefix(prefixes[0].parse().unwrap());
    until("an IPv6 address", || lab.addresses(Host::Home, "eth0").iter().any(|(a, _)| a.to_string().ends_with("::77")));
    let mut daemon = fingerpost.daemon();
    until("the first prefix", || daemon.is_up() && published(prefixes[0]));
    let first = serial();
    for (prefix, earlier) in prefixes[1..].iter().zip(1..) {
        let begun = SystemTime::now();
        lab.prefix(prefix.parse().unwrap());
        until("the next prefix", || published(prefix));
        println!("{prefix} published {} ms after its advertisement", begun.elapsed().unwrap().as_millis());
        // BIND raises the serial by one an update.
        assert_eq!(serial(), first + earlier, "{}", named.log());
    }
    daemon.stop();
}

const PREFIXES: [&str; 4] = ["2001:db8:77::", "2001:db8:abcd:12::", "2001:db8:88:f00::", "2001:db8:77::"];

#[test]
#[ignore = "needs namespaces, iproute2, nftables, nginx and named: tests/all.sh runs it"]
fn three_host_parts_follow_at_once() {
    // The modified EUI-64 of 00:00:5e:00:53:10: ff:fe in its middle, and the universal bit inverted (RFC 4291, appendix A).
    let members: [Member; 3] = [
        ("gauge", "host_part = \"::10\"", 0x10),
        ("mill", "host_part = \"::1:30\"", 0x1_0030),
        ("cam", "host_part = { mac = \"00:00:5e:00:53:10\" }", 0x0200_5eff_fe00_5310),
    ];
    scenario(three_host_parts_follow_at_once, || {
        let witnesses = echo_witnesses(3, "ipv6") + &witness("here", "interface", "interface = \"eth0\"");
        follow(WATCH, &witnesses, &members, 64, &PREFIXES);
    });
}

#[test]
#[ignore = "needs namespaces, iproute2, nftables, nginx and named: tests/all.sh runs it"]
fn host_parts_in_other_subnets_follow() {
    let members: [Member; 3] = [
        ("gauge", "host_part = \"::10\"", 0x10),
        ("mill", "host_part = \"0:0:0:2::10\"", 0x2_0000_0000_0000_0010),
        ("cam", "host_part = \"0:0:0:ff:1::30\"", 0xff_0001_0000_0000_0030),
    ];
    scenario(host_parts_in_other_subnets_follow, || {
        // The home is in the subnet 12 of what is delegated.
        let prefixes = ["2001:db8:77:1112::", "2001:db8:77:2212::", "2001:db8:abcd:3312::"];
        follow(&format!("{WATCH}\nprefix_length = 56"), &echo_witnesses(3, "ipv6"), &members, 56, &prefixes);
    });
}

/// The interface alone, and no host part: the home's own address follows.
#[test]
#[ignore = "needs namespaces, iproute2, nftables, nginx and named: tests/all.sh runs it"]
fn the_interfaces_address_follows_at_once() {
    scenario(the_interfaces_address_follows_at_once, || {
        let witnesses = witness("here", "interface", "interface = \"eth0\"");
        follow(WATCH, &witnesses, &[("gauge", "", 0x77)], 64, &PREFIXES);
    });
}
