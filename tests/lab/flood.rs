//! Floods of what may push: the looks they cause stay rationed, and the daemon's share of a processor small.

use std::fs;
use std::io::Write as _;
use std::net::UdpSocket;
use std::ops::RangeInclusive;
use std::process::{Command, Stdio};
use std::time::{Duration, Instant};

use fingerpost::record::RecordType;

use crate::common::nginx::Nginx;
use crate::common::set;
use crate::living::{Daemon, until};
use crate::net::Lab;
use crate::parts::{configured, echo_witnesses, witness};
use crate::plan::{GATEWAY, Host, Shape, WAN};
use crate::scenario::{scenario, scenario_for};

/// So many announcements or events make a flood.
const FLOOD: usize = 10_000;

/// They come at once, or one by one over this time.
const SPREAD: Duration = Duration::from_secs(10);

/// What is printed and judged of each flood covers this much time at least: the looks it causes may come after it.
const WATCHED: Duration = Duration::from_secs(10);

/// More than a tenth of a core is too much.
const SHARE: f64 = 0.1;

/// By `household/schedule/debounce.rs`: looks that may come at once, and the seconds a look in the long run.
const BURST: usize = 4;
const SPACING: f64 = 2.0;

/// NAT-PMP's announcement of an address (RFC 6886, section 3.2.1), and PCP's (RFC 6887, sections 7.2 and 14.1).
fn announcements() -> [Vec<u8>; 2] {
    let natpmp = vec![0, 128, 0, 0, 0, 0, 0, 1, 203, 0, 113, 66];
    let pcp = [&[2, 0x80, 0, 0], &[0; 4][..], &[0, 0, 0, 1], &[0; 12]].concat();
    [natpmp, pcp]
}

/// Sends the announcements `numbers`, of both kinds in turn, to whoever listens on the home's network.
fn announce(socket: &UdpSocket, numbers: RangeInclusive<usize>) {
    let all = announcements();
    for number in numbers {
        // A full buffer is as good as a datagram lost on the way.
        let _ = socket.send_to(&all[number % 2], "224.0.0.1:5350");
    }
}

/// The processor time of all threads of `pid`: the first number of each is nanoseconds (kernel, sched-stats.rst).
fn cpu(pid: u32) -> Duration {
    let threads = fs::read_dir(format!("/proc/{pid}/task")).unwrap().map(|entry| entry.unwrap().path());
    let nanoseconds = |path: std::path::PathBuf| -> u64 {
        let text = fs::read_to_string(path.join("schedstat")).unwrap();
        text.split_whitespace().next().unwrap().parse().unwrap()
    };
    Duration::from_nanos(threads.map(nanoseconds).sum())
}

/// A daemon that is in step, has no reason of its own to look, and has all its looks in store.
struct Calm<'l> {
    lab: &'l Lab,
    daemon: Daemon,
    nginx: &'l Nginx,
}

impl Calm<'_> {
    /// The rounds up to now: everybody is asked because of a push.
    fn rounds(&self) -> usize {
        self.nginx.asked(0, 1).len()
    }

    /// Has `flood` send its share, 1 to [`FLOOD`], at once and then spread out; each time `looks` says how many looks may
    /// follow, given the seconds that passed.
    fn bears(
        &self,
        what: &str,
        looks: impl Fn(f64) -> RangeInclusive<usize>,
        mut flood: impl FnMut(RangeInclusive<usize>),
    ) {
        for (how, parts) in [("at once", 1), ("one by one", FLOOD)] {
            // For the ration to be whole again.
            std::thread::sleep(Duration::from_secs(8));
            let (rounds, spent, begun) = (self.rounds(), cpu(self.daemon.pid()), Instant::now());
            let mut sending = Duration::ZERO;
            for part in 0..parts {
                let each = FLOOD / parts;
                flood(part * each + 1..=(part + 1) * each);
                sending = begun.elapsed();
                if parts > 1 {
                    let due = SPREAD.mul_f64((part + 1) as f64 / parts as f64);
                    std::thread::sleep(due.saturating_sub(begun.elapsed()));
                }
            }
            std::thread::sleep(WATCHED.saturating_sub(begun.elapsed()));
            let (rounds, spent) = (self.rounds() - rounds, cpu(self.daemon.pid()) - spent);
            let elapsed = begun.elapsed().as_secs_f64();
            let share = spent.as_secs_f64() / elapsed;
            println!(
                "{FLOOD} {what} {how}, sent in {:.1} s: {rounds} rounds, {:.0} ms of CPU in {elapsed:.1} s, {:.1} % of a core",
                sending.as_secs_f64(),
                spent.as_secs_f64() * 1000.0,
                share * 100.0
            );
            let allowed = looks(elapsed);
            assert!(allowed.contains(&rounds), "{rounds} rounds, allowed {allowed:?}");
            assert!(share < SHARE, "{share} of a core");
        }
    }

    /// The same for lines of `ip` within the home.
    fn bears_news(&self, what: &str, line: impl Fn(usize) -> String) {
        let started = Command::new("ip").args(["-n", "home", "-batch", "-"]).stdin(Stdio::piped()).spawn();
        let mut ip = started.expect("this test needs ip (iproute2)");
        let mut lines = ip.stdin.take().unwrap();
        self.bears(what, rationed, |numbers| {
            let text: String = numbers.map(|number| line(number) + "\n").collect();
            lines.write_all(text.as_bytes()).unwrap();
        });
        drop(lines);
        assert!(ip.wait().unwrap().success());
    }
}

/// One look at least, and no more than the ration.
fn rationed(seconds: f64) -> RangeInclusive<usize> {
    1..=BURST + (seconds / SPACING) as usize + 1
}

/// Brings all up; `body` then has the daemon, and the socket from which the router answers.
fn calm(arguments: &[&str], body: impl FnOnce(&Calm<'_>, &UdpSocket)) {
    let lab = Lab::up(Shape::Plain);
    let (named, nginx) = (lab.named(""), lab.echoes());
    let (_, router) = lab.natpmp_says(WAN);
    let watch = "every = \"1h\"\nsettle = 2\nsettle_every = \"100ms\"\ntimeout = \"2s\"";
    let witnesses = echo_witnesses(3, "ipv4") + &witness("router", "router", "");
    let fingerpost = lab.fingerpost(Host::Home, &configured(watch, &witnesses, &[("gauge", "types = [\"A\"]")]));
    let daemon = fingerpost.daemon_with(arguments);
    let published = || lab.rrset(&named, "gauge", RecordType::A) == Some(set(120, &["203.0.113.9"]));
    until("the first address", || published() && daemon.log().contains(" written: "));
    let calm = Calm { lab: &lab, daemon, nginx: &nginx };
    body(&calm, &router);
    // It has not gone deaf, and the forged address was never believed.
    let rounds = calm.rounds();
    calm.daemon.look();
    until("a round", || calm.rounds() > rounds);
    assert!(published() && !calm.daemon.log().contains("203.0.113.66"), "{}", calm.daemon.log());
    calm.daemon.stop();
}

#[test]
#[ignore = "needs namespaces, iproute2, nftables, nginx and named: tests/all.sh runs it"]
fn forged_announcements_cost_little() {
    scenario_for(200, forged_announcements_cost_little, || {
        calm(&[], |calm, router| {
            calm.bears("announcements of the gateway", rationed, |numbers| announce(router, numbers));
            let neighbour = calm.lab.within(Host::Neighbour, || UdpSocket::bind("192.168.77.20:5351").unwrap());
            calm.bears("announcements of a neighbour", |_| 0..=0, |numbers| announce(&neighbour, numbers));
        });
    });
}

#[test]
#[ignore = "needs namespaces, iproute2, nftables, nginx and named: tests/all.sh runs it"]
fn news_of_the_kernel_cost_little() {
    scenario_for(200, news_of_the_kernel_cost_little, || {
        calm(&[], |calm, _| {
            calm.bears_news("changes of addresses", |number| {
                let verb = if number % 2 == 1 { "add" } else { "del" };
                format!("addr {verb} 192.168.79.1/32 dev eth0")
            });
            calm.bears_news("changes of default routes", |number| {
                let verb = if number % 2 == 1 { "add" } else { "del" };
                format!("route {verb} default via 192.168.77.20 metric 4000")
            });
        });
    });
}

/// Whom to listen to is found when the daemon starts, and again with each change of default routes.
#[test]
#[ignore = "needs namespaces, iproute2, nftables, nginx and named: tests/all.sh runs it"]
fn announcements_of_a_gateway_that_came_later_are_heard() {
    scenario(announcements_of_a_gateway_that_came_later_are_heard, || {
        calm(&["-v"], |calm, router| {
            let told = |what: &str| calm.daemon.log().matches(what).count();
            let is_heard = |socket: &UdpSocket| {
                let before = told("the router announced a change");
                announce(socket, 1..=1);
                until("the announcement", || told("the router announced a change") > before);
            };
            let route = |command: String| {
                let before = told("the IPv4 default route changed");
                calm.lab.ip(Host::Home, &command);
                until("the change of routes", || told("the IPv4 default route changed") > before);
            };
            is_heard(router);
            // Another machine becomes the gateway.
            let neighbour = calm.lab.within(Host::Neighbour, || UdpSocket::bind("192.168.77.20:5351").unwrap());
            route("route replace default via 192.168.77.20\n".to_owned());
            is_heard(&neighbour);
            // The home is without any for a while.
            route("route del default\n".to_owned());
            route(format!("route add default via {GATEWAY}\n"));
            is_heard(router);
        });
    });
}
