//! The hosts of a lab as network namespaces, built after the plan, and what may happen to them.
//!
//! Built inside `init.sh` only: on the machine itself this would need root, and would leave things behind.

use std::fs::{self, File};
use std::io::Write as _;
use std::net::{IpAddr, Ipv4Addr, Ipv6Addr};
use std::os::fd::AsFd as _;
use std::process::{Child, Command, Stdio};
use std::sync::Mutex;
use std::thread;
use std::time::Instant;

use rustix::thread::{LinkNameSpaceType, move_into_link_name_space};

use crate::advertise::{self, Prefix};
use crate::living::until;
use crate::plan::{BEHIND_CARRIER, BEHIND_FRONT, Host, Line, SECOND_WAN, Shape, WAN, addresses, rules, wires};
use crate::scenario::INSIDE;

/// A network that is up. The end of the test ends it.
pub(crate) struct Lab {
    shape: Shape,
    given: Mutex<Given>,
}

/// What the access providers gave last.
struct Given {
    wan: Ipv4Addr,
    second_wan: Ipv4Addr,
    prefix: Option<Ipv6Addr>,
}

impl Lab {
    /// Builds the network. IPv6 comes with the first [`Lab::prefix`]; servers are in `parts`.
    pub(crate) fn up(shape: Shape) -> Self {
        assert!(std::env::var_os(INSIDE).is_some(), "a lab is built inside of `scenario` only");
        let begun = Instant::now();
        let lab = Self { shape, given: Mutex::new(Given { wan: WAN, second_wan: SECOND_WAN, prefix: None }) };
        let hosts = || Host::ALL.into_iter().filter(|host| host.is_in(shape));
        ip(hosts().fold(String::new(), |text, host| text + "netns add " + host.name() + "\n"));
        for host in hosts() {
            lab.within(host, || settings(host));
        }
        ip(wires(shape));
        for host in hosts() {
            lab.ip(host, &addresses(host, shape));
            let rules = rules(host);
            if !rules.is_empty() {
                lab.within(host, || feed("nft", &["-f", "-"], &rules));
            }
        }
        // Until then a bridge forwards nothing to a port, and a device drops what it is given.
        for host in hosts() {
            until("the wires", || links(host).iter().all(|link| link["operstate"] != "DOWN"));
        }
        println!("lab: {shape:?} up in {} ms", begun.elapsed().as_millis());
        lab
    }

    /// Runs `work` on a thread of its own within `host`: sockets it opens and processes it starts are that host's.
    #[track_caller]
    pub(crate) fn within<T: Send>(&self, host: Host, work: impl FnOnce() -> T + Send) -> T {
        let done = thread::scope(|scope| scope.spawn(|| enter(host, work)).join());
        done.unwrap_or_else(|panic| std::panic::resume_unwind(panic))
    }

    /// The same without waiting for it.
    pub(crate) fn thread_in<T: Send + 'static>(
        &self,
        host: Host,
        work: impl FnOnce() -> T + Send + 'static,
    ) -> thread::JoinHandle<T> {
        thread::spawn(move || enter(host, work))
    }

    /// Starts a program within `host`; its output goes where the test's goes.
    pub(crate) fn exec(&self, host: Host, words: &[&str]) -> Child {
        let start = || Command::new(words[0]).args(&words[1..]).stdin(Stdio::null()).spawn();
        self.within(host, start).unwrap_or_else(|error| panic!("{}: {error}", words[0]))
    }

    /// Carries out commands of `ip`, one a line, within `host`.
    pub(crate) fn ip(&self, host: Host, commands: &str) {
        feed("ip", &["-n", host.name(), "-batch", "-"], commands);
    }

    /// The address at which the outside sees the first line.
    pub(crate) fn wan(&self) -> Ipv4Addr {
        self.given.lock().unwrap().wan
    }

    /// The access provider gives the first line another address, in 203.0.113.0/24. Connections are lost.
    pub(crate) fn router_wan(&self, new: Ipv4Addr) {
        let old = std::mem::replace(&mut self.given.lock().unwrap().wan, new);
        self.readdress(Line::First, old, new);
    }

    /// The same for the second line.
    pub(crate) fn second_wan(&self, new: Ipv4Addr) {
        let old = std::mem::replace(&mut self.given.lock().unwrap().second_wan, new);
        self.readdress(Line::Second, old, new);
    }

    fn readdress(&self, line: Line, old: Ipv4Addr, new: Ipv4Addr) {
        // Adding comes first: without any address the default route would be gone as well.
        self.ip(self.provided(line), &format!("addr add {new}/24 dev wan\naddr del {old}/24 dev wan\n"));
    }

    /// The box in front of the router translates no more: the router has `new` of the access provider's as its own, as
    /// when a carrier gives a line a public address, or when a first router becomes a bridge. Only in shapes with a front.
    pub(crate) fn public(&self, new: Ipv4Addr) {
        let inner = if self.shape == Shape::CarrierNat { BEHIND_CARRIER } else { BEHIND_FRONT };
        self.given.lock().unwrap().wan = new;
        self.within(Host::Front, || {
            feed("nft", &["-f", "-"], "flush ruleset\n");
            // It answers on either side for what is on the other (RFC 1027).
            for device in ["lan", "wan"] {
                fs::write(format!("/proc/sys/net/ipv4/conf/{device}/proxy_arp"), "1").unwrap();
                fs::write(format!("/proc/sys/net/ipv4/neigh/{device}/proxy_delay"), "0").unwrap();
            }
        });
        self.ip(Host::Front, &format!("route add {new}/32 dev lan\n"));
        let to = "route replace default via 203.0.113.1\n";
        self.ip(Host::Router, &format!("addr add {new}/24 dev wan\naddr del {inner}/24 dev wan\n{to}"));
    }

    /// The line fails silently, beyond the router: packets are lost, and no device is down.
    pub(crate) fn cut(&self, line: Line) {
        self.ip(Host::Isp, &format!("link set {} nomaster\n", Self::end(line)));
    }

    /// It works again.
    pub(crate) fn mend(&self, line: Line) {
        self.ip(Host::Isp, &format!("link set {} master lines\n", Self::end(line)));
    }

    /// What has the address that the access provider gives.
    fn provided(&self, line: Line) -> Host {
        match line {
            Line::First if Host::Front.is_in(self.shape) => Host::Front,
            Line::First => Host::Router,
            Line::Second => Host::Second,
        }
    }

    /// The access provider's end of a line.
    fn end(line: Line) -> &'static str {
        match line {
            Line::First => "line1",
            Line::Second => "line2",
        }
    }

    /// The access provider delegates another /64, and the router advertises it; the one before it is deprecated, as
    /// RFC 9096 asks of a router, and leads nowhere any more.
    pub(crate) fn prefix(&self, new: Ipv6Addr) {
        let old = self.given.lock().unwrap().prefix.replace(new);
        let fronted = Host::Front.is_in(self.shape);
        let front = fronted.then_some((Host::Front, "2001:db8:2::2"));
        for (host, next) in [(Host::Isp, "2001:db8:1::2")].into_iter().chain(front) {
            let gone = old.map(|old| format!("route del {old}/64 via {next}\n")).unwrap_or_default();
            self.ip(host, &format!("{gone}route add {new}/64 via {next}\n"));
        }
        let gateway = Ipv6Addr::from(u128::from(new) | 1);
        self.ip(Host::Router, &format!("addr replace {gateway}/64 dev lan\n"));
        let mut prefixes = vec![Prefix { prefix: new, valid: 86_400, preferred: 14_400 }];
        prefixes.extend(old.map(|prefix| Prefix { prefix, valid: 7_200, preferred: 0 }));
        self.advertise(&prefixes);
    }

    /// The router advertises these prefixes, once.
    pub(crate) fn advertise(&self, prefixes: &[Prefix]) {
        self.within(Host::Router, || advertise::send("lan", prefixes)).unwrap();
    }

    /// Lets connections to this TCP port of the line through to the home, as a port forwarding does. All others are
    /// dropped without an answer.
    pub(crate) fn publish(&self, port: u16) {
        let rule = format!("add element inet nat published {{ {port} }}\n");
        self.within(Host::Router, || feed("nft", &["-f", "-"], &rule));
    }

    /// Lets connections to this TCP port of any IPv6 address of the home's network through.
    pub(crate) fn admit_ipv6(&self, port: u16) {
        let rule = format!("add rule inet filter forward meta nfproto ipv6 tcp dport {port} accept\n");
        self.within(Host::Router, || feed("nft", &["-f", "-"], &rule));
    }

    /// The addresses of `device` within `host` that can be used by now, each with its preferred lifetime in seconds. The
    /// kernel clears the mark "tentative" by a task of its own, also where it looks for no duplicates.
    pub(crate) fn addresses(&self, host: Host, device: &str) -> Vec<(IpAddr, u32)> {
        let all = links(host);
        let link = all.iter().find(|link| link["ifname"] == device).unwrap();
        let found = link["addr_info"].as_array().unwrap().iter().filter(|a| a["tentative"] != true);
        let seconds = |value: &serde_json::Value| u32::try_from(value.as_u64().unwrap()).unwrap();
        found.map(|a| (a["local"].as_str().unwrap().parse().unwrap(), seconds(&a["preferred_life_time"]))).collect()
    }
}

/// For a fresh thread, which stays there.
fn enter<T>(host: Host, work: impl FnOnce() -> T) -> T {
    let path = format!("/run/netns/{}", host.name());
    let file = File::open(&path).unwrap_or_else(|error| panic!("{path}: {error}; is it in this shape?"));
    move_into_link_name_space(file.as_fd(), Some(LinkNameSpaceType::Network)).unwrap();
    work()
}

/// The devices of `host` with their addresses, as `ip` knows them.
fn links(host: Host) -> Vec<serde_json::Value> {
    let output = Command::new("ip").args(["-n", host.name(), "-json", "addr"]).output().unwrap();
    assert!(output.status.success(), "{output:?}");
    serde_json::from_slice(&output.stdout).unwrap()
}

fn ip(commands: String) {
    feed("ip", &["-batch", "-"], &commands);
}

/// Runs a program on this input; panics unless it succeeds.
pub(crate) fn feed(program: &str, arguments: &[&str], input: &str) {
    let started = Command::new(program).args(arguments).stdin(Stdio::piped()).spawn();
    let mut child = started.unwrap_or_else(|error| panic!("this test needs {program}: {error}"));
    child.stdin.take().unwrap().write_all(input.as_bytes()).unwrap();
    assert!(child.wait().unwrap().success(), "{program} failed on:\n{input}");
}

/// What has to be set before the wires are there.
fn settings(host: Host) {
    let set = |name: &str, value: &str| {
        let path = format!("/proc/sys/net/{name}");
        fs::write(&path, value).unwrap_or_else(|error| panic!("{path}: {error}"));
    };
    for scope in ["all", "default"] {
        // An address is good at once: nobody else can have it.
        set(&format!("ipv6/conf/{scope}/accept_dad"), "0");
        set(&format!("ipv6/conf/{scope}/disable_ipv6"), "0");
        // Without it, removing the first address of a wire takes the others along.
        set(&format!("ipv4/conf/{scope}/promote_secondaries"), "1");
        // The machine's own settings are inherited.
        set(&format!("ipv4/conf/{scope}/rp_filter"), "0");
    }
    let forwards = matches!(host, Host::Router | Host::Front | Host::Second | Host::Isp | Host::Vpn);
    set("ipv4/ip_forward", if forwards { "1" } else { "0" });
    set("ipv6/conf/all/forwarding", if forwards { "1" } else { "0" });
}
