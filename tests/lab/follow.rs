//! The program at home: it publishes the line's address, and follows it.

use fingerpost::record::{RecordType, RrSet};

use crate::common::set;
use crate::living::until;
use crate::net::Lab;
use crate::parts::configuration;
use crate::plan::{Host, PREFIX, Shape};
use crate::scenario::scenario;

const LINES: &str = "gauge 120 A 203.0.113.250\n";
const WATCH: &str = "every = \"1h\"\nsettle = 2\nsettle_every = \"100ms\"\ntimeout = \"2s\"";

#[test]
#[ignore = "needs namespaces, iproute2, nftables, nginx and named: tests/all.sh runs it"]
fn the_name_follows_the_line() {
    scenario(the_name_follows_the_line, || {
        let lab = Lab::up(Shape::Plain);
        let (named, _nginx) = (lab.named(LINES), lab.echoes());
        let gauge = || lab.rrset(&named, "gauge", RecordType::A);
        let at = |address: &str| Some(set(120, &[address]));
        let fingerpost = lab.fingerpost(Host::Home, &configuration(WATCH, &[("gauge", "types = [\"A\"]")]));

        let located = fingerpost.run(&["locate"]);
        let said = String::from_utf8_lossy(&located.stdout);
        assert!(located.status.success() && said.contains("203.0.113.9   agreed by 5 of 5 operators"), "{located:?}");
        let synced = fingerpost.run(&["sync"]);
        assert!(synced.status.success(), "{synced:?}");
        assert_eq!(gauge(), at("203.0.113.9"));

        let mut daemon = fingerpost.daemon();
        until("the daemon", || daemon.is_up());
        for new in ["203.0.113.77", "203.0.113.10", "203.0.113.200"] {
            lab.router_wan(new.parse().unwrap());
            daemon.look();
            until(new, || gauge() == at(new));
        }
        daemon.stop();
    });
}

#[test]
#[ignore = "needs namespaces, iproute2, nftables, nginx and named: tests/all.sh runs it"]
fn three_hosts_follow_the_prefix_in_one_update() {
    scenario(three_hosts_follow_the_prefix_in_one_update, || {
        let lab = Lab::up(Shape::Plain);
        let (named, _nginx) = (lab.named(""), lab.echoes());
        let hosts = [("gauge", "::10"), ("mill", "::20"), ("cam", "::1:30")];
        let records = hosts.map(|(label, part)| (label, format!("types = [\"AAAA\"]\nhost_part = \"{part}\"")));
        let records: Vec<_> = records.iter().map(|(label, rest)| (*label, rest.as_str())).collect();
        let fingerpost = lab.fingerpost(Host::Home, &configuration(WATCH, &records));
        let published = |prefix: &str| {
            hosts.iter().all(|(label, part)| {
                let address = format!("{prefix}{}", part.trim_start_matches(':'));
                lab.rrset(&named, label, RecordType::Aaaa)
                    == Some(RrSet { ttl: 120, addresses: [address.parse().unwrap()].into() })
            })
        };
        lab.prefix(PREFIX);
        until("an IPv6 address", || {
            lab.addresses(Host::Home, "eth0").iter().any(|(a, _)| a.to_string().ends_with("::77"))
        });
        let mut daemon = fingerpost.daemon();
        until("the first prefix", || daemon.is_up() && published("2001:db8:77::"));
        let serial = lab.within(Host::Outside, || named.serial(crate::common::ZONE));
        lab.prefix("2001:db8:abcd:12::".parse().unwrap());
        daemon.look();
        until("the second prefix", || published("2001:db8:abcd:12::"));
        // BIND raises the serial by one an update.
        assert_eq!(lab.within(Host::Outside, || named.serial(crate::common::ZONE)), serial + 1);
        daemon.stop();
    });
}
