//! The line moves, and moves again: how soon the name follows. The figures are printed, not judged: what is judged is
//! that it follows each time, and with how many questions.

use std::collections::BTreeMap;
use std::net::Ipv4Addr;
use std::time::{Duration, SystemTime};

use fingerpost::record::RecordType;

use crate::common::set;
use crate::living::until;
use crate::net::Lab;
use crate::parts::{configured, echo_witnesses, stun_witness, witness};
use crate::plan::{Host, STUN, Shape};
use crate::scenario::scenario_for;

/// Twenty moves with `TESTS_LONG=1`, else fewer.
fn moves() -> u8 {
    if std::env::var_os("TESTS_LONG").is_some_and(|long| long == "1") { 20 } else { 6 }
}

/// Between two moves: the looks that pushes cause are rationed, and no line moves every second.
const QUIET: Duration = Duration::from_secs(4);

/// Times by name, of each move.
#[derive(Default)]
struct Figures(BTreeMap<&'static str, Vec<f64>>);

impl Figures {
    fn add(&mut self, what: &'static str, from: SystemTime, to: SystemTime) {
        let ms = |time: SystemTime| time.duration_since(SystemTime::UNIX_EPOCH).unwrap().as_secs_f64() * 1000.0;
        self.0.entry(what).or_default().push(ms(to) - ms(from));
    }

    fn print(mut self, title: &str) {
        println!("{title}, ms{:>24}{:>9}{:>9}", "least", "median", "most");
        for (what, times) in &mut self.0 {
            times.sort_by(f64::total_cmp);
            let middle = (times[(times.len() - 1) / 2] + times[times.len() / 2]) / 2.0;
            println!("  {what:<30}{:>9.0}{middle:>9.0}{:>9.0}", times[0], times[times.len() - 1]);
        }
    }
}

/// When the first line of `log` that has all of `parts` was written.
fn when(log: &str, parts: &[&str]) -> Option<SystemTime> {
    let line = log.lines().find(|line| parts.iter().all(|part| line.contains(part)))?;
    humantime::parse_rfc3339(line.split_whitespace().next()?).ok()
}

/// Moves the line, and each time measures until BIND has the new address.
fn follow(title: &str, watch: &str, pushed: bool) {
    let lab = Lab::up(Shape::Plain);
    let (named, nginx, _coturn) = (lab.named(""), lab.echoes(), lab.coturn());
    let miniupnpd = lab.miniupnpd();
    let witnesses = echo_witnesses(3, "ipv4")
        + &stun_witness("millrace", "ipv4", STUN[0].into())
        + &witness("router", "router", "");
    let watch = format!("settle = 2\nsettle_every = \"500ms\"\ntimeout = \"2s\"\n{watch}");
    let fingerpost = lab.fingerpost(Host::Home, &configured(&watch, &witnesses, &[("gauge", "types = [\"A\"]")]));
    let has = |address: &str| lab.rrset(&named, "gauge", RecordType::A) == Some(set(120, &[address]));
    let mut daemon = fingerpost.daemon_with(&["-v"]);
    until("the first address", || daemon.is_up() && has("203.0.113.9") && daemon.log().contains(" written: "));

    let mut figures = Figures::default();
    let mut rounds = Vec::new();
    for last in 100..100 + moves() {
        std::thread::sleep(QUIET);
        let new = Ipv4Addr::new(203, 0, 113, last);
        let (said, asked) = (daemon.log().len(), nginx.asked(0, 1).len());
        let begun = SystemTime::now();
        miniupnpd.paused(|| lab.router_wan(new));
        until("the new address", || has(&new.to_string()));
        let seen = SystemTime::now();
        // It reads back what it wrote before it says so.
        until("the daemon's word", || daemon.log()[said..].contains(&format!("→ {new}")));
        let log = &daemon.log()[said..];
        let at = |parts: &[&str]| when(log, parts).unwrap_or_else(|| panic!("no line with {parts:?}:\n{log}"));
        let told = new.to_string();
        let sighted = at(&[&told, "is in sight, round 1 of 2"]);
        let settled = at(&["has moved from", &told]);
        let written = at(&[" written: ", &told]);
        if pushed {
            let noticed = at(&[" such news"]);
            figures.add("1 notice", begun, noticed);
            figures.add("2 vote", noticed, sighted);
        } else {
            figures.add("1 notice and vote", begun, sighted);
        }
        figures.add("3 settle", sighted, settled);
        figures.add("4 write and read back", settled, written);
        figures.add("5 move to BIND's answer", begun, seen);
        rounds.push(nginx.asked(0, 1).len() - asked);
    }
    figures.print(title);
    println!("  questions to one operator a move: {rounds:?}");
    if pushed {
        // Two rounds that settle; a look at an address that is about to go, and one more a while after, may be between.
        assert!(rounds.iter().all(|count| (2..=5).contains(count)), "{rounds:?}");
    }
    daemon.stop();
}

#[test]
#[ignore = "needs namespaces, iproute2, nftables, nginx, named, coturn and miniupnpd: tests/all.sh runs it"]
fn with_pushes_a_move_is_followed_at_once() {
    // Nothing but a push can be the reason to look.
    scenario_for(300, with_pushes_a_move_is_followed_at_once, || follow("with pushes", "every = \"1h\"", true));
}

#[test]
#[ignore = "needs namespaces, iproute2, nftables, nginx, named, coturn and miniupnpd: tests/all.sh runs it"]
fn without_pushes_a_move_is_followed_by_the_next_round() {
    let watch = "every = \"2s\"\npush = false";
    scenario_for(300, without_pushes_a_move_is_followed_by_the_next_round, || follow("without pushes", watch, false));
}
