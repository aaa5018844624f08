//! From the primary to its secondaries: the daemon and `sync --wait` ask real servers until all serve what was written.

#![expect(clippy::unwrap_used, clippy::expect_used, clippy::panic, reason = "a test fails by panicking")]

#[path = "../common/mod.rs"]
mod common;
#[path = "../common/living.rs"]
mod living;

use std::net::{IpAddr, Ipv4Addr, SocketAddr};
use std::process::{Command, Output};
use std::time::Instant;

use common::secondary::primary_and;
use common::{DnsServer, ZONE, free_port};
use fingerpost::audit::Event;
use fingerpost::audit::chain::Known;
use fingerpost::audit::file::read_all;
use fingerpost::audit::propagation::Why;
use fingerpost::record::RecordType;
use fingerpost::state;
use living::{Living, binary, until};

const LIMITS: &str = "[limits]\nspacing = \"1ms\"\nburst = 1000\ndaily = 100000\n\
                      [confirm]\nevery = \"100ms\"\ndeadline = \"1m\"\n";

fn wan(host: u8) -> IpAddr {
    Ipv4Addr::new(203, 0, 113, host).into()
}

/// A primary, two secondaries, and a home before them whose configuration lists all three.
struct Mill {
    living: Living,
    secondaries: Vec<DnsServer>,
}

impl Mill {
    fn new(lines: &str) -> Self {
        let at = || SocketAddr::from((Ipv4Addr::LOCALHOST, free_port()));
        let (primary, secondaries) = primary_and(at(), &[at(), at()], lines);
        let living = Living::around(primary, wan(9));
        let mill = Self { living, secondaries };
        mill.configure(LIMITS);
        mill
    }

    fn configure(&self, limits: &str) {
        let listed: Vec<String> = self.servers().iter().map(|server| format!("{server:?}")).collect();
        self.living.configure_confirming(&format!("[{}]", listed.join(", ")), limits);
    }

    fn servers(&self) -> Vec<String> {
        [self.living.named.address()].into_iter().chain(self.secondaries.iter().map(DnsServer::address)).collect()
    }

    fn sync(&self, arguments: &[&str]) -> Output {
        Command::new(binary())
            .args(["--config", "fingerpost.toml", "sync"])
            .args(arguments)
            .current_dir(self.living.dir())
            .output()
            .unwrap()
    }

    /// What the log says of confirming.
    fn events(&self) -> Vec<Event> {
        let entries = read_all(&self.living.state_dir()).unwrap().into_iter();
        let of = |event| match event {
            Known::Yes(event @ (Event::Spread { .. } | Event::Unspread { .. })) => Some(event),
            _ => None,
        };
        entries.filter_map(|entry| of(entry.event)).collect()
    }

    fn waves(&self) -> usize {
        let limits = fingerpost::settings::Limits { spacing: std::time::Duration::ZERO, burst: 1, daily: 1 };
        state::load(&self.living.state_dir(), &limits).unwrap().spreading.values().map(Vec::len).sum()
    }
}

#[test]
#[ignore = "needs named: tests/all.sh runs it"]
fn a_secondary_that_is_away_is_named_until_it_is_back() {
    let mut mill = Mill::new("gauge 120 A 203.0.113.1");
    let mut daemon = mill.living.daemon();
    until("the first spread", || daemon.is_up() && mill.events().len() == 1);
    let Event::Spread { servers, records, .. } = &mill.events()[0] else { panic!("{:?}", mill.events()) };
    let mut told: Vec<_> = servers.iter().map(|one| one.server.clone()).collect();
    let mut all = mill.servers();
    told.sort();
    all.sort();
    assert_eq!((told, *records), (all, 2));
    assert!(servers.iter().all(|one| one.serial == Some(mill.living.named.serial(ZONE))));
    assert!(daemon.log().contains("home: 2 records served by all 3 servers, "), "{}", daemon.log());

    let away = mill.secondaries[1].address();
    mill.secondaries[1].stop();
    mill.living.move_to(wan(77));
    daemon.look();
    until("the write", || mill.living.rrset("gauge").is_some_and(|set| set.addresses.contains(&wan(77))));
    let begun = Instant::now();
    // Killed while it spreads, the daemon goes on with it at the next start.
    until("the wave", || mill.waves() == 1);
    daemon.kill();
    assert_eq!((mill.waves(), mill.events().len()), (1, 1));
    // `sync` finds nothing to write, asks nobody, and tells that it is not everywhere.
    let output = mill.sync(&[]);
    let said = String::from_utf8(output.stdout).unwrap();
    assert!(output.status.success() && said.contains("in step, spreading"), "{said}");
    assert!(said.contains("`fingerpost sync --wait` waits"), "{said}");

    let mut daemon = mill.living.daemon();
    until("the daemon", || daemon.is_up());
    let secondary = &mill.secondaries[0];
    until("the other secondary", || !secondary.dig(&format!("gauge.{ZONE}"), "A")[0].ends_with(".9"));
    assert_eq!(mill.events().len(), 1, "{away} is away");
    mill.secondaries[1].start_again();
    until("the second spread", || mill.events().len() == 2);
    let bound = u64::try_from(begun.elapsed().as_millis()).unwrap() + 1000;
    let Event::Spread { servers, took_ms, .. } = &mill.events()[1] else { panic!("{:?}", mill.events()) };
    let last = servers.last().unwrap();
    assert_eq!((servers.len(), &last.server, last.lag_ms), (3, &away, *took_ms));
    assert!(*took_ms <= bound && servers.iter().all(|one| one.lag_ms <= *took_ms), "{took_ms} {servers:?}");
    println!("spread: {servers:?}");
    until("the log", || daemon.log().contains(&format!("served by all 3 servers, {away} last, after ")));
    assert_eq!(mill.waves(), 0);
    daemon.stop();
}

#[test]
#[ignore = "needs named: tests/all.sh runs it"]
fn sync_waits_for_all_or_for_the_deadline() {
    let mut mill = Mill::new("gauge 120 A 203.0.113.1");
    let output = mill.sync(&["--wait"]);
    let said = String::from_utf8(output.stdout).unwrap();
    assert!(output.status.success() && said.contains("served by all 3 servers"), "{said}");
    let name = format!("gauge.{ZONE}");
    for server in [&mill.living.named, &mill.secondaries[0], &mill.secondaries[1]] {
        assert_eq!(server.dig(&name, "A"), ["120 203.0.113.9"], "by dig");
    }
    mill.secondaries[0].stop();
    mill.configure(&LIMITS.replace("\"1m\"", "\"5s\""));
    mill.living.move_to(wan(77));
    let output = mill.sync(&["--wait", "--json"]);
    assert_eq!(output.status.code(), Some(75));
    let waited = String::from_utf8(output.stderr).unwrap();
    let away = mill.secondaries[0].address();
    assert!(waited.lines().any(|line| line.contains("waiting: ") && line.contains(&away)), "{waited}");
    let told: serde_json::Value = serde_json::from_slice(&output.stdout).unwrap();
    let missing = &told["confirmed"][0]["end"]["overdue"];
    assert_eq!((&missing[0]["server"], missing.as_array().unwrap().len()), (&away.into(), 1));
    assert_eq!(told["providers"][0]["records"][0]["standing"]["state"], "in-step", "at the provider");
    let [_, Event::Unspread { missing, servers, .. }] = &mill.events()[..] else { panic!("{:?}", mill.events()) };
    assert_eq!((missing[0].why, servers.len()), (Why::NoAnswer, 2));
    assert_eq!(mill.waves(), 0);
    let shown = Command::new(binary())
        .args(["--config", "fingerpost.toml", "audit", "show", "--record", &name])
        .current_dir(mill.living.dir())
        .output()
        .unwrap();
    let shown = String::from_utf8(shown.stdout).unwrap();
    assert!(shown.contains("spread of ") && shown.contains("the deadline passed; 127.0.0.1:"), "{shown}");
}

/// 100 addresses, which is as many as BIND takes of one RRset (max-records-per-type), take more than a datagram without EDNS (RFC 1035, section 4.2.1: 512 octets).
#[test]
#[ignore = "needs named: tests/all.sh runs it"]
fn an_rrset_of_a_hundred_is_confirmed_over_tcp() {
    let many: String = (1..=99).map(|last| format!("mill 300 A 198.51.100.{last}\n")).collect();
    let mill = Mill::new(&many);
    let output = mill.sync(&["--wait"]);
    let said = String::from_utf8(output.stdout).unwrap();
    assert!(output.status.success() && said.contains("2 records served by all 3 servers"), "{said}");
    let set = mill.secondaries[1].rrset(&format!("mill.{ZONE}"), RecordType::A).unwrap();
    assert_eq!(set.addresses.len(), 100);
}

/// An authoritative server resolves nothing: who serves the zone cannot be found out.
#[test]
#[ignore = "needs named: tests/all.sh runs it"]
fn servers_that_cannot_be_found_are_told_of_once_and_the_record_is_in_step() {
    let mill = Mill::new("gauge 120 A 203.0.113.1");
    let limits = LIMITS.replace("\"1m\"", "\"1s\"");
    let resolver = mill.living.named.address();
    mill.living.configure_confirming("\"delegation\"", &format!("{limits}resolver = \"{resolver}\"\n"));
    let mut daemon = mill.living.daemon();
    for (count, host) in [(1, 9), (2, 77)] {
        mill.living.move_to(wan(host));
        until("the daemon", || daemon.is_up());
        daemon.look();
        until("the end", || mill.events().len() == count);
    }
    let Event::Unspread { missing, servers, why, .. } = &mill.events()[1] else { panic!("{:?}", mill.events()) };
    assert!(missing.is_empty() && servers.is_empty(), "{missing:?} {servers:?}");
    let what = "does not resolve SOA of example: Query Refused";
    assert!(why.contains(what), "{why}");
    let log = daemon.log();
    assert_eq!(log.matches("it cannot be confirmed that a change is live").count(), 1, "{log}");
    assert!(log.contains("list the zone's servers in `confirm` of the provider"), "{log}");
    daemon.stop();
    let output = mill.sync(&["--wait"]);
    assert!(output.status.success() && output.stdout.is_empty(), "in step is quiet: {output:?}");
    mill.living.move_to(wan(78));
    assert_eq!(mill.sync(&["--wait"]).status.code(), Some(75));
}
