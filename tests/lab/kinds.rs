//! Each kind of witness alone, and all together: the right address is told, and published.

use std::net::{IpAddr, Ipv4Addr, Ipv6Addr};

use fingerpost::record::{RecordType, RrSet};
use serde_json::Value;

use crate::common::DnsServer;
use crate::living::until;
use crate::net::Lab;
use crate::parts::{Fingerpost, Part, configured, echo_witnesses, stun_witness, witness};
use crate::plan::{HOME_TOKEN, Host, STUN, STUN_IPV6, Shape};
use crate::scenario::scenario;

const WATCH: &str = "settle = 2\nsettle_every = \"100ms\"\ntimeout = \"5s\"";

/// `locate` tells `address` on the word of `operators` operators and of no other witness, and `sync` publishes it.
#[track_caller]
fn is_told(lab: &Lab, named: &DnsServer, fingerpost: &Fingerpost<'_>, address: IpAddr, operators: usize) {
    let (rtype, family) = if address.is_ipv4() { (RecordType::A, "ipv4") } else { (RecordType::Aaaa, "ipv6") };
    let located = fingerpost.run(&["locate", "--json"]);
    assert!(located.status.success(), "{located:?}");
    let told: Value = serde_json::from_slice(&located.stdout).unwrap();
    let look = told["looks"].as_array().unwrap().iter().find(|look| look["family"] == family).unwrap();
    for testimony in look["testimony"].as_array().unwrap() {
        assert_eq!(testimony["address"], address.to_string(), "{testimony}");
    }
    assert_eq!(look["ruling"]["agreed"].as_array().unwrap().len(), operators, "{look}");
    assert_eq!(told["findings"], serde_json::json!([]));
    let synced = fingerpost.run(&["sync"]);
    assert!(synced.status.success(), "{synced:?}");
    assert_eq!(lab.rrset(named, "gauge", rtype), Some(RrSet { ttl: 120, addresses: [address].into() }));
}

/// The line moves.
fn moved(lab: &Lab, last: u8) -> IpAddr {
    let new = Ipv4Addr::new(203, 0, 113, last);
    lab.router_wan(new);
    new.into()
}

/// The prefix changes; waits for the home's address in it.
fn renumbered(lab: &Lab, prefix: &str) -> IpAddr {
    let prefix: Ipv6Addr = prefix.parse().unwrap();
    let token: Ipv6Addr = HOME_TOKEN.parse().unwrap();
    let home = IpAddr::from(Ipv6Addr::from(u128::from(prefix) | u128::from(token)));
    lab.prefix(prefix);
    until("the home's address", || lab.addresses(Host::Home, "eth0").iter().any(|(a, _)| *a == home));
    home
}

/// The line moves, and the router knows.
fn moved_with(lab: &Lab, miniupnpd: &Part, last: u8) -> IpAddr {
    let new = Ipv4Addr::new(203, 0, 113, last);
    miniupnpd.paused(|| lab.router_wan(new));
    until("the router's new address", || lab.natpmp().is_some_and(|answer| answer[8..] == new.octets()));
    new.into()
}

#[test]
#[ignore = "needs namespaces, iproute2, nftables, nginx, named, coturn and miniupnpd: tests/all.sh runs it"]
fn each_kind_tells_the_ipv4_address() {
    scenario(each_kind_tells_the_ipv4_address, || {
        let lab = Lab::up(Shape::Plain);
        let (named, _nginx, _coturn) = (lab.named(""), lab.echoes(), lab.coturn());
        let miniupnpd = lab.miniupnpd();
        let records = [("gauge", "types = [\"A\"]")];
        let home = lab.fingerpost(Host::Home, "");
        let stun = || stun_witness("millrace", "ipv4", STUN[0].into());
        let router = || witness("router", "router", "");

        let alone = |witnesses: &str| home.configure(&configured(WATCH, witnesses, &records));
        alone(&echo_witnesses(1, "ipv4"));
        is_told(&lab, &named, &home, moved_with(&lab, &miniupnpd, 21), 1);
        alone(&stun());
        is_told(&lab, &named, &home, moved_with(&lab, &miniupnpd, 22), 1);
        alone(&router());
        is_told(&lab, &named, &home, moved_with(&lab, &miniupnpd, 23), 1);

        // The interface has the address only where the daemon is on the router itself.
        let here = witness("here", "interface", "interface = \"wan\"\nfamilies = [\"ipv4\"]");
        let on_the_router = lab.fingerpost(Host::Router, &configured(WATCH, &here, &records));
        is_told(&lab, &named, &on_the_router, moved_with(&lab, &miniupnpd, 24), 1);

        let all = echo_witnesses(3, "ipv4") + &stun() + &stun_witness("quayside", "ipv4", STUN[1].into()) + &router();
        alone(&all);
        is_told(&lab, &named, &home, moved_with(&lab, &miniupnpd, 25), 6);
        on_the_router.configure(&configured(WATCH, &(echo_witnesses(3, "ipv4") + &stun() + &here), &records));
        is_told(&lab, &named, &on_the_router, moved_with(&lab, &miniupnpd, 26), 5);

        // A router with NAT-PMP turned off is asked as an IGD.
        drop(miniupnpd);
        let new = moved(&lab, 27);
        let _miniupnpd = lab.miniupnpd_without_natpmp();
        alone(&router());
        until("an answer by IGD", || home.run(&["locate"]).status.success());
        assert_eq!(lab.natpmp(), None);
        is_told(&lab, &named, &home, new, 1);
        alone(&all);
        is_told(&lab, &named, &home, new, 6);
    });
}

#[test]
#[ignore = "needs namespaces, iproute2, nftables, nginx, named and coturn: tests/all.sh runs it"]
fn each_kind_tells_the_ipv6_address() {
    scenario(each_kind_tells_the_ipv6_address, || {
        let lab = Lab::up(Shape::Plain);
        let (named, _nginx, _coturn) = (lab.named(""), lab.echoes(), lab.coturn());
        let records = [("gauge", "types = [\"AAAA\"]")];
        let home = lab.fingerpost(Host::Home, "");
        let here = || witness("here", "interface", "interface = \"eth0\"");
        let stun = || stun_witness("millrace", "ipv6", STUN_IPV6.into());
        let alone = |witnesses: &str| home.configure(&configured(WATCH, witnesses, &records));
        alone(&echo_witnesses(1, "ipv6"));
        is_told(&lab, &named, &home, renumbered(&lab, "2001:db8:77:1::"), 1);
        alone(&stun());
        is_told(&lab, &named, &home, renumbered(&lab, "2001:db8:77:2::"), 1);
        // The addresses of the prefixes before are still there, and deprecated.
        alone(&here());
        is_told(&lab, &named, &home, renumbered(&lab, "2001:db8:77:3::"), 1);
        alone(&(echo_witnesses(3, "ipv6") + &stun() + &here()));
        is_told(&lab, &named, &home, renumbered(&lab, "2001:db8:77:4::"), 5);
    });
}

#[test]
#[ignore = "needs namespaces, iproute2, nftables, nginx, named, coturn and miniupnpd: tests/all.sh runs it"]
fn all_kinds_together_tell_both_families() {
    scenario(all_kinds_together_tell_both_families, || {
        let lab = Lab::up(Shape::Plain);
        let (named, _nginx, _coturn) = (lab.named(""), lab.echoes(), lab.coturn());
        let miniupnpd = lab.miniupnpd();
        let witnesses = [
            echo_witnesses(3, "ipv4"),
            echo_witnesses(3, "ipv6"),
            stun_witness("millrace", "ipv4", STUN[0].into()),
            stun_witness("millrace", "ipv6", STUN_IPV6.into()),
            witness("router", "router", ""),
            witness("here", "interface", "interface = \"eth0\""),
        ];
        let records = [("gauge", "types = [\"A\", \"AAAA\"]")];
        let home = lab.fingerpost(Host::Home, &configured(WATCH, &witnesses.concat(), &records));
        for (last, prefix) in [(77, "2001:db8:77::"), (78, "2001:db8:abcd:12::")] {
            let (new, address) = (moved_with(&lab, &miniupnpd, last), renumbered(&lab, prefix));
            is_told(&lab, &named, &home, new, 5);
            is_told(&lab, &named, &home, address, 5);
        }
    });
}
