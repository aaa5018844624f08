//! Two hundred zones whose servers say nothing, each a server of its own, and one that is well, kept by the real program.

#![expect(clippy::unwrap_used, clippy::expect_used, clippy::panic, reason = "a test fails by panicking")]

mod common;
#[path = "common/living.rs"]
mod living;

use std::fmt::Write as _;
use std::net::{IpAddr, Ipv4Addr, TcpListener};

use fingerpost::audit::chain::Known;
use fingerpost::audit::file::read_all;
use fingerpost::audit::{Ending, Event};
use fingerpost::clock::Timestamp;
use living::{Living, until};

const DEAD: u8 = 200;

fn wan(host: u8) -> IpAddr {
    Ipv4Addr::new(203, 0, 113, host).into()
}

/// Each takes connections and says nothing; and a zone at each, before `home` by name.
fn dead() -> (Vec<TcpListener>, String) {
    let servers: Vec<_> =
        (0..DEAD).map(|nth| TcpListener::bind((Ipv4Addr::new(127, 1, nth, 53), 0)).unwrap()).collect();
    let mut text = String::from("[limits]\nspacing = \"1ms\"\nburst = 1000\ndaily = 100000\n");
    for (nth, server) in servers.iter().enumerate() {
        let server = server.local_addr().unwrap();
        write!(
            text,
            "[provider.dead{nth}]\nkind = \"rfc2136\"\nzone = \"dead{nth}.example\"\nserver = \"{server}\"\ntimeout = \"1m\"\n\
             key = {{ name = \"gauge-key\", algorithm = \"hmac-sha256\", secret = {{ file = \"key\" }} }}\nconfirm = \"off\"\n\
             [[record]]\nname = \"n.dead{nth}.example\"\ntypes = [\"A\"]\nprovider = \"dead{nth}\"\nttl = \"2m\"\n"
        )
        .unwrap();
    }
    (servers, text)
}

/// When the home settled at `home`, and when its name was found there.
fn followed(living: &Living, home: IpAddr) -> Option<(Timestamp, Timestamp)> {
    let (mut settled, mut intents, mut found) = (None, Vec::new(), None);
    for entry in read_all(&living.state_dir()).ok()? {
        match entry.event {
            Known::Yes(Event::Settled { to, .. }) if to == home => settled = Some(entry.time),
            Known::Yes(Event::Intent { changes, .. })
                if changes.iter().any(|one| one.after.addresses.contains(&home)) =>
            {
                intents.push(entry.seq);
            }
            Known::Yes(Event::Outcome { intent, result: Ending::Done, .. }) if intents.contains(&intent) => {
                found = Some(entry.time);
            }
            _ => {}
        }
    }
    Some((settled?, found?))
}

#[test]
#[ignore = "needs named: tests/all.sh runs it"]
fn the_healthy_zone_follows_before_one_of_two_hundred_silent_ones_has_come_to_its_end() {
    let living = Living::new("gauge 120 A 203.0.113.1\nmill 300 A 203.0.113.1", wan(9));
    let (_servers, text) = dead();
    living.configure(&text);
    let daemon = living.daemon();
    for host in [9, 77, 78] {
        living.move_to(wan(host));
        until("the healthy zone to follow", || followed(&living, wan(host)).is_some());
        let log = daemon.log();
        assert!(!log.contains("dead"), "a silent one came first:\n{log}");
        let gauge = living.rrset("gauge").unwrap();
        assert_eq!(gauge.addresses, [wan(host)].into());
        let (settled, found) = followed(&living, wan(host)).unwrap();
        println!("{} silent, one healthy: it follows within {:?} of settling", DEAD, found.since(settled));
    }
    daemon.stop();
}
