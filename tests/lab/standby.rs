//! Two daemons for one home, on two machines, and what may happen to one of them: killed, asleep for longer than its
//! lease, cut off, told to stop. Somebody edits the record all the while, so that both always want to write.
//!
//! Their messages to the server take a little while on the way, and those that are on the way when something happens
//! arrive after the other has taken over: the last words of the dead.
//!
//! What is judged is the zone's own journal, as `named-journalprint` (BIND 9.18) shows it: every write of the record stands
//! in it after the claim of whoever wrote it, and before the next one's. How soon the other took over is printed, and
//! judged in the long form only: there it is the promise that is measured.

use std::io::{Read as _, Write as _};
use std::net::{Shutdown, TcpListener, TcpStream};
use std::process::Command;
use std::sync::Arc;
use std::sync::atomic::{AtomicBool, AtomicUsize, Ordering};
use std::thread;
use std::time::{Duration, Instant};

use fingerpost::dns::tsig::TsigAlgorithm;
use fingerpost::provider::rfc2136::Rfc2136;
use fingerpost::provider::{Change, CompareAndSwap, Provider};
use fingerpost::record::RecordType;
use rustix::process::Signal;

use crate::common::named::Named;
use crate::common::{
    DnsServer, Grant, KEY, SECRET, SECRET_BASE64, ServerKey, ZONE, ZoneSetup, at, client_key, dns, set,
};
use crate::living::{Daemon, PATIENCE, signal, until};
use crate::net::Lab;
use crate::parts::{Fingerpost, configured, echo_witnesses};
use crate::plan::{DNS, Host, Shape};
use crate::scenario::scenario_for;

const LEASE: Duration = Duration::from_secs(2);
const NAME: &str = "_fingerpost.heronmill.example";
const NAS: ServerKey = ServerKey { name: "nas-key", algorithm: "hmac-sha256", secret: SECRET_BASE64 };
const HAND: ServerKey = ServerKey { name: "hand-key", algorithm: "hmac-sha256", secret: SECRET_BASE64 };
const GRANTS: [Grant; 5] = [
    Grant { key: KEY.name, name: None },
    Grant { key: KEY.name, name: Some(NAME) },
    Grant { key: NAS.name, name: None },
    Grant { key: NAS.name, name: Some(NAME) },
    Grant { key: HAND.name, name: None },
];
/// The TTL by which a writer is told: each has its own in its configuration.
const TTLS: [(&str, u32); 2] = [("pi", 61), ("nas", 62)];

/// Runs of one test: a hundred in all four with `TESTS_LONG=1`.
fn runs() -> usize {
    if is_long() { 25 } else { 2 }
}

fn is_long() -> bool {
    std::env::var_os("TESTS_LONG").is_some_and(|long| long == "1")
}

/// What happens to the one that has the lease.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
enum Fate {
    /// SIGKILL, and a new process later.
    Killed,
    /// SIGSTOP, and SIGCONT after the other has taken over.
    Asleep,
    /// Its wire leads nowhere, until the other has taken over.
    CutOff,
    /// SIGTERM: it gives back.
    Stopped,
}

/// What is between a machine and the server: a port there, behind which messages are on the way for a while.
struct Way {
    port: u16,
    /// What is on the way stays there.
    holds: Arc<AtomicBool>,
    /// Writes of the record that were on the way when they were held, and have arrived since.
    late: Arc<AtomicUsize>,
}

impl Way {
    fn open(lab: &Lab, port: u16) -> Self {
        let listener = lab.within(Host::Outside, || TcpListener::bind((DNS, port)).unwrap());
        let (holds, late) = (Arc::default(), Arc::default());
        let way = Self { port, holds: Arc::clone(&holds), late: Arc::clone(&late) };
        drop(lab.thread_in(Host::Outside, move || {
            for client in listener.incoming().map_while(Result::ok) {
                let Ok(server) = TcpStream::connect((DNS, 53)) else { continue };
                let (mut back, mut forth) = (server.try_clone().unwrap(), client.try_clone().unwrap());
                thread::spawn(move || std::io::copy(&mut back, &mut forth));
                let (holds, late) = (Arc::clone(&holds), Arc::clone(&late));
                thread::spawn(move || carry(client, server, &holds, &late));
            }
        }));
        way
    }
}

/// One connection's messages to the server, also after the client is gone.
fn carry(mut client: TcpStream, mut server: TcpStream, holds: &AtomicBool, late: &AtomicUsize) {
    let mut bytes = vec![0; 65536];
    while let Ok(length @ 1..) = client.read(&mut bytes) {
        thread::sleep(Duration::from_millis(fastrand::u64(0..60)));
        let is_held = holds.load(Ordering::Relaxed);
        while holds.load(Ordering::Relaxed) {
            thread::sleep(Duration::from_millis(5));
        }
        // The operation code of an update is 5 (RFC 2136, section 1.3), behind the length of TCP and the id.
        let is_write = bytes[4] >> 3 & 0x0f == 5 && bytes[..length].windows(6).any(|label| label == b"\x05gauge");
        if is_held && is_write {
            late.fetch_add(1, Ordering::Relaxed);
        }
        if server.write_all(&bytes[..length]).is_err() {
            return;
        }
    }
    // Half of it: the answer may still be on its way.
    let _ = server.shutdown(Shutdown::Write);
}

struct Machine<'l> {
    name: &'static str,
    /// Its wire at the router.
    wire: &'static str,
    way: Way,
    fingerpost: Fingerpost<'l>,
    daemon: Option<Daemon>,
    asleep: bool,
}

impl Machine<'_> {
    fn ttl(&self) -> u32 {
        TTLS.iter().find(|(name, _)| *name == self.name).unwrap().1
    }

    fn start(&mut self) {
        let daemon = self.daemon.insert(self.fingerpost.daemon());
        // Before it listens to signals, SIGUSR1 would end it.
        until("the daemon", || daemon.is_up());
    }

    /// How often it has said that it stands by.
    fn stood_by(&self) -> usize {
        self.daemon.as_ref().map_or(0, |daemon| daemon.log().matches("this daemon stands by").count())
    }
}

struct Scene<'l> {
    lab: &'l Lab,
    named: DnsServer,
    hand: Rfc2136,
    machines: [Machine<'l>; 2],
    random: fastrand::Rng,
    edits: u32,
}

fn machine<'l>(lab: &'l Lab, name: &'static str, key: &str, host: Host, wire: &'static str) -> Machine<'l> {
    let watch = "every = \"1s\"\nsettle = 1\nsettle_every = \"100ms\"\ntimeout = \"500ms\"\npush = false\n";
    let ttl = TTLS.iter().find(|(known, _)| *known == name).unwrap().1;
    let way = Way::open(lab, if wire == "lan1" { 5301 } else { 5302 });
    let text = configured(watch, &echo_witnesses(3, "ipv4"), &[("gauge", "types = [\"A\"]")])
        .replace(KEY.name, key)
        .replace(&format!("{DNS}:53"), &format!("{DNS}:{}", way.port))
        .replace("ttl = \"2m\"", &format!("ttl = \"{ttl}s\""))
        .replace("kind = \"rfc2136\"", "kind = \"rfc2136\"\ntimeout = \"500ms\"")
        + &format!(
            "[retry]\ninitial = \"100ms\"\nmax = \"300ms\"\n\
             [standby]\nname = \"{NAME}\"\nlease = \"{}s\"\nholder = \"{name}\"\n",
            LEASE.as_secs()
        );
    Machine { name, wire, way, fingerpost: lab.fingerpost(host, &text), daemon: None, asleep: false }
}

impl<'l> Scene<'l> {
    fn new(lab: &'l Lab, seed: u64) -> Self {
        let zone = ZoneSetup {
            grants: GRANTS.to_vec(),
            // All of it is wanted in the end.
            extra: "max-journal-size unlimited;",
            ..ZoneSetup::new("gauge 60 A 203.0.113.200")
        };
        let start = || DnsServer::start_at::<Named>((DNS, 53).into(), &[KEY, NAS, HAND], &[zone]);
        let named = lab.within(Host::Outside, start);
        let key = client_key(HAND.name, TsigAlgorithm::HmacSha256, SECRET);
        let hand = Rfc2136::new(dns(ZONE), named.address(), Some(key), Duration::from_secs(5));
        let machines =
            [machine(lab, "pi", KEY.name, Host::Home, "lan1"), machine(lab, "nas", NAS.name, Host::Neighbour, "lan2")];
        Self { lab, named, hand, machines, random: fastrand::Rng::with_seed(seed), edits: 0 }
    }

    /// Asks the server, or edits at it, from beside it.
    fn by_hand<T: Send>(&self, work: impl Future<Output = T> + Send) -> T {
        let run = || tokio::runtime::Builder::new_current_thread().enable_all().build().unwrap().block_on(work);
        self.lab.within(Host::Outside, run)
    }

    /// Whom the zone names, by the place in [`Self::machines`].
    fn holder(&self) -> Option<usize> {
        let name = dns(NAME);
        let texts = self.by_hand(self.hand.read_text(&name)).unwrap();
        let text = String::from_utf8(texts.first()?.first()?.clone()).unwrap();
        self.machines.iter().position(|machine| text.contains(&format!(" holder={} ", machine.name)))
    }

    fn ttl(&self) -> Option<u32> {
        let names = [at("gauge")].into();
        let seen = self.by_hand(self.hand.read(&names)).unwrap();
        seen.names[&at("gauge")].sets.get(&RecordType::A).map(|set| set.ttl)
    }

    /// Always to the same: so what a late write finds may well be what it was meant to replace.
    fn edit(&mut self) {
        let names = [at("gauge")].into();
        let seen = self.by_hand(self.hand.read(&names)).unwrap();
        let before = seen.names[&at("gauge")].sets.get(&RecordType::A).cloned();
        let changes = [Change { name: at("gauge"), rtype: RecordType::A, before, after: set(60, &["203.0.113.200"]) }];
        // A daemon may be quicker.
        self.edits += u32::from(self.by_hand(self.hand.apply(&changes)).is_ok());
    }

    /// Somebody edits the record now and then, and each daemon is asked to look.
    fn stir(&mut self) {
        if self.random.u8(..) < 24 {
            self.edit();
        }
        for machine in self.machines.iter().filter(|machine| !machine.asleep) {
            if let Some(daemon) = machine.daemon.as_ref().filter(|_| self.random.u8(..) < 48) {
                daemon.look();
            }
        }
    }

    /// Goes on until `seen`, and tells how long that took.
    #[track_caller]
    fn until(&mut self, what: &str, mut seen: impl FnMut(&Self) -> bool) -> Duration {
        let begun = Instant::now();
        while !seen(self) {
            if begun.elapsed() > PATIENCE {
                let logs: String =
                    self.machines.iter().filter_map(|one| one.daemon.as_ref()).map(Daemon::log).collect();
                panic!("waited in vain for {what}:\n{logs}");
            }
            self.stir();
            thread::sleep(Duration::from_millis(4));
        }
        begun.elapsed()
    }

    /// Goes on for a while.
    fn pass(&mut self, time: Duration) {
        let end = Instant::now() + time;
        self.until("the time", |_| Instant::now() >= end);
    }

    /// One run: something happens to the holder, the other takes over, and what was there before stands by.
    fn run(&mut self, fate: Fate) -> (Duration, Duration) {
        self.until("a holder who writes", |scene| {
            scene.holder().is_some_and(|at| scene.ttl() == Some(scene.machines[at].ttl()))
        });
        let moment = LEASE.mul_f64(self.random.f64());
        self.pass(moment);
        let holder = self.holder().expect("a holder");
        let other = 1 - holder;
        let (wire, stood_by) = (self.machines[holder].wire, self.machines[holder].stood_by());
        self.machines[holder].way.holds.store(fate != Fate::Stopped, Ordering::Relaxed);
        match fate {
            Fate::Killed => self.machines[holder].daemon.take().unwrap().kill(),
            Fate::Stopped => self.machines[holder].daemon.take().unwrap().stop(),
            Fate::Asleep => {
                self.machines[holder].asleep = true;
                signal(self.machines[holder].daemon.as_ref().unwrap().pid(), Signal::STOP);
            }
            Fate::CutOff => self.lab.ip(Host::Router, &format!("link set {wire} nomaster\n")),
        }
        let ttl = self.machines[other].ttl();
        let taken = self.until("the other", |scene| scene.holder() == Some(other));
        let written = taken + self.until("the other's write", |scene| scene.ttl() == Some(ttl));
        let more = Duration::from_millis(self.random.u64(0..1500));
        self.pass(more);
        self.edit();
        self.machines[holder].way.holds.store(false, Ordering::Relaxed);
        let stood_by = match fate {
            Fate::Killed | Fate::Stopped => {
                self.machines[holder].start();
                0
            }
            Fate::Asleep => {
                signal(self.machines[holder].daemon.as_ref().unwrap().pid(), Signal::CONT);
                self.machines[holder].asleep = false;
                stood_by
            }
            Fate::CutOff => {
                self.lab.ip(Host::Router, &format!("link set {wire} master lan\n"));
                stood_by
            }
        };
        self.until("the former to stand by", |scene| scene.machines[holder].stood_by() > stood_by);
        (taken, written)
    }

    /// Both stop, and nothing is left of the lease.
    fn end(&mut self) {
        for machine in &mut self.machines {
            machine.daemon.take().unwrap().stop();
            assert!(machine.fingerpost.run(&["audit", "verify"]).status.success());
        }
        assert_eq!(self.holder(), None, "the last one gives back");
    }

    /// The order of all that was written, held against whom the zone named: how often each wrote, and how often the lease
    /// changed hands.
    fn judge(&self) -> ([usize; 2], usize) {
        let journal = self.named.zone_file(ZONE).with_extension("zone.jnl");
        let shown =
            Command::new("named-journalprint").arg(&journal).output().expect("this test needs named-journalprint");
        assert!(shown.status.success(), "{shown:?}");
        let text = String::from_utf8(shown.stdout).unwrap();
        let (mut holder, mut next): (Option<&str>, Option<&str>) = (None, None);
        let (mut writes, mut hands) = ([0; 2], 0);
        for line in text.lines() {
            let words: Vec<&str> = line.split_whitespace().collect();
            let [sign, owner, ttl, "IN", rtype, ..] = words[..] else { continue };
            match (sign, rtype) {
                // Each transaction begins with the old SOA.
                ("del", "SOA") => {
                    hands += usize::from(next.is_some() && next != holder);
                    holder = next;
                }
                // In a transaction, what goes comes before what is added.
                ("del", "TXT") if owner.starts_with(NAME) => next = None,
                ("add", "TXT") if owner.starts_with(NAME) => {
                    next = Some(if line.contains(" holder=pi ") { "pi" } else { "nas" });
                }
                ("add", "A") => {
                    if let Some(at) = TTLS.iter().position(|(_, known)| known.to_string() == ttl) {
                        assert_eq!(holder, Some(TTLS[at].0), "it wrote while the zone named another: {line}");
                        writes[at] += 1;
                    }
                }
                _ => {}
            }
        }
        (writes, hands)
    }

    /// Updates that came too late: the server refused them to one of the two while the zone named the other.
    fn late(&self) -> usize {
        let (mut holder, mut late) = ("", 0);
        for line in self.named.log().lines() {
            let of = |key: &str| line.contains(&format!("/key {key}:"));
            let by = if of(KEY.name) {
                "pi"
            } else if of(NAS.name) {
                "nas"
            } else {
                continue;
            };
            if line.contains(&format!("adding an RR at '{NAME}' TXT")) {
                holder = by;
            } else if line.contains("(NXRRSET)") && by != holder {
                late += 1;
            }
        }
        late
    }
}

fn play(seed: u64) {
    let lab = Lab::up(Shape::Plain);
    let _nginx = lab.echoes();
    let mut scene = Scene::new(&lab, seed);
    scene.machines.iter_mut().for_each(Machine::start);
    let mut figures: Vec<(Fate, Duration, Duration)> = Vec::new();
    for _ in 0..runs() {
        let fate = [Fate::Killed, Fate::Asleep, Fate::CutOff, Fate::Asleep, Fate::CutOff, Fate::Killed, Fate::Stopped];
        let fate = fate[scene.random.usize(..fate.len())];
        let (taken, written) = scene.run(fate);
        figures.push((fate, taken, written));
    }
    scene.end();
    let (writes, hands) = scene.judge();
    let late: usize = scene.machines.iter().map(|machine| machine.way.late.load(Ordering::Relaxed)).sum();
    assert!(writes.iter().all(|count| *count > 0) && hands >= figures.len(), "{writes:?}, {hands}");
    println!(
        "seed {seed}: {} runs, {} edits, writes {writes:?}, the lease changed hands {hands} times; of what was refused because it \
         came too late ({} updates) {late} were writes of the record",
        figures.len(),
        scene.edits,
        scene.late()
    );
    for fate in [Fate::Killed, Fate::Asleep, Fate::CutOff, Fate::Stopped] {
        let leases = |time: &Duration| time.as_secs_f64() / LEASE.as_secs_f64();
        let of_fate = || figures.iter().filter(|(of, ..)| *of == fate);
        let mut times: Vec<f64> = of_fate().map(|(_, taken, _)| leases(taken)).collect();
        let mut written: Vec<f64> = of_fate().map(|(_, _, written)| leases(written)).collect();
        if times.is_empty() {
            continue;
        }
        times.sort_by(f64::total_cmp);
        written.sort_by(f64::total_cmp);
        println!(
            "  {fate:?}: {} times, taken over after {:.2} leases in the median, {:.2} at most; written after {:.2} at most",
            times.len(),
            times[times.len() / 2],
            times[times.len() - 1],
            written[written.len() - 1]
        );
        if is_long() {
            assert!(times[times.len() - 1] <= 2.0, "seed {seed}: {fate:?}: {times:?}");
        }
    }
}

macro_rules! side_by_side {
    ($($name:ident: $seed:expr),*) => {
        $(
            #[test]
            #[ignore = "needs namespaces, iproute2, nftables, nginx, named and named-journalprint: tests/all.sh runs it"]
            fn $name() {
                scenario_for(580, $name, || play($seed));
            }
        )*
    };
}

side_by_side!(
    never_two_writers_and_the_other_takes_over_first: 1,
    never_two_writers_and_the_other_takes_over_second: 2,
    never_two_writers_and_the_other_takes_over_third: 3,
    never_two_writers_and_the_other_takes_over_fourth: 4
);
