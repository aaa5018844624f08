//! A thousand names of one zone move from one address to another, at a real BIND.
//!
//! What the guarded write and the whole move cost, as ratios to a bare, unguarded batch by dnspython in the same run:
//! `cargo bench --bench move [REPETITIONS]`. Needs named and a Python with dnspython (`TESTS_PYTHON`).

#![expect(clippy::unwrap_used, clippy::panic, reason = "a measurement that cannot go on has failed")]

#[path = "../tests/common/mod.rs"]
mod common;

use std::cell::RefCell;
use std::collections::{BTreeMap, BTreeSet};
use std::fmt::Write as _;
use std::io::{BufRead, BufReader, Write};
use std::net::{IpAddr, Ipv4Addr};
use std::process::{Child, ChildStdin, ChildStdout, Command, Stdio};
use std::rc::Rc;
use std::time::{Duration, Instant, SystemTime};

use common::named::Named;
use common::*;
use fingerpost::clock::{Clock, Timestamp};
use fingerpost::name::DnsName;
use fingerpost::provider::rfc2136::Rfc2136;
use fingerpost::provider::{Change, Observed, Provider, Tally};
use fingerpost::reconcile::Desired;
use fingerpost::record::{RecordType, RrSet};
use fingerpost::settings::{Audit, Limits, Sharing};
use fingerpost::update::{Bookkeeping, Books, Job, RecordState, bring_in_step};

const NAMES: usize = 1000;
const TTL: u32 = 120;
const FREE: Limits = Limits { spacing: Duration::from_millis(1), burst: 1000, daily: 1_000_000 };

/// dnspython in a process of its own, warm and connected; it times itself from building the message to the answer.
struct Script {
    child: Child,
    to: ChildStdin,
    from: BufReader<ChildStdout>,
}

impl Script {
    fn start(server: &DnsServer) -> Self {
        let program = format!(
            "import sys, socket, time
import dns.query, dns.tsig, dns.tsigkeyring, dns.update, dns.rcode
key = dns.tsigkeyring.from_text({{'{name}': '{SECRET_BASE64}'}})
sock = socket.create_connection(('127.0.0.1', {port}))
sock.setsockopt(socket.IPPROTO_TCP, socket.TCP_NODELAY, 1)
names = ['n%d' % n for n in range({NAMES})]
def move(names, address):
    u = dns.update.Update('{ZONE}', keyring=key, keyalgorithm=dns.tsig.HMAC_SHA256)
    for name in names:
        u.replace(name, {TTL}, 'A', address)
    answer = dns.query.tcp(u, '127.0.0.1', port={port}, timeout=60, sock=sock)
    assert answer.rcode() == dns.rcode.NOERROR, answer
for line in sys.stdin:
    how, address = line.split()
    begun = time.perf_counter()
    if how == 'batch':
        move(names, address)
    else:
        for name in names:
            move([name], address)
    print((time.perf_counter() - begun) * 1000, flush=True)
",
            name = KEY.name,
            port = server.port(),
        );
        let mut child = Command::new(python())
            .args(["-c", &program])
            .stdin(Stdio::piped())
            .stdout(Stdio::piped())
            .spawn()
            .unwrap_or_else(|error| panic!("this needs {}: {error}", python()));
        let (to, from) = (child.stdin.take().unwrap(), BufReader::new(child.stdout.take().unwrap()));
        Self { child, to, from }
    }

    /// Milliseconds.
    fn moves(&mut self, how: &str, address: IpAddr) -> f64 {
        writeln!(self.to, "{how} {address}").unwrap();
        let mut line = String::new();
        self.from.read_line(&mut line).unwrap();
        line.trim().parse().unwrap_or_else(|_| panic!("dnspython failed"))
    }
}

impl Drop for Script {
    fn drop(&mut self) {
        let _ = self.child.kill();
        let _ = self.child.wait();
    }
}

/// Our side: the provider, and a state directory on disk.
struct Ours {
    provider: Rfc2136,
    zone: DnsName,
    names: Vec<DnsName>,
    books: RefCell<Books>,
    _dir: tempfile::TempDir,
}

impl Ours {
    fn new(server: &DnsServer) -> Self {
        let dir = tempfile::tempdir().unwrap();
        let audit = Audit { max_bytes: 1 << 30, keep: 9, unknown_after: Duration::from_secs(3600) };
        let kept = Bookkeeping { dir: dir.path(), limits: &FREE, audit, tally: &|_| Tally::Together };
        let books = Books::at(&kept).unwrap();
        Self {
            provider: Rfc2136::new(dns(ZONE), server.address(), Some(gauge_key()), Duration::from_secs(60)),
            zone: dns(ZONE),
            names: (0..NAMES).map(|nth| at(&format!("n{nth}"))).collect(),
            books: RefCell::new(books),
            _dir: dir,
        }
    }

    fn changes(&self, from: IpAddr, to: IpAddr) -> Vec<Change> {
        let set = |address| RrSet { ttl: TTL, addresses: BTreeSet::from([address]) };
        let change = |name: &DnsName| Change {
            name: name.clone(),
            rtype: RecordType::A,
            before: Some(set(from)),
            after: set(to),
        };
        self.names.iter().map(change).collect()
    }

    async fn read(&self) -> (f64, Observed) {
        let names = self.names.iter().cloned().collect();
        let begun = Instant::now();
        let observed = self.provider.read(&names).await.unwrap();
        (millis(begun), observed)
    }

    async fn write(&self, from: IpAddr, to: IpAddr) -> f64 {
        let changes = self.changes(from, to);
        let begun = Instant::now();
        self.provider.apply(&changes).await.unwrap();
        millis(begun)
    }

    async fn whole(&self, to: IpAddr) -> f64 {
        let clock = Clock::telling(|| Timestamp::from(SystemTime::now()));
        let begun = Instant::now();
        let desired: Vec<_> = self
            .names
            .iter()
            .map(|name| Desired {
                name: name.clone(),
                rtype: RecordType::A,
                address: to,
                ttl: TTL,
                sharing: Sharing::Sole,
            })
            .collect();
        let job = Job {
            name: "home",
            zone: &self.zone,
            fingerprint: "bench",
            provider: &self.provider,
            desired: &desired,
            words: &|| Some(Rc::default()),
            limits: &FREE,
            lease: None,
            confirms: false,
        };
        let report = bring_in_step(&job, &self.books, &clock).await;
        let taken = millis(begun);
        let written = report.records.iter().filter(|it| it.after.is_some() && it.standing == RecordState::InStep);
        assert_eq!(written.count(), NAMES, "{:?}", report.trouble);
        taken
    }
}

fn millis(begun: Instant) -> f64 {
    begun.elapsed().as_secs_f64() * 1000.0
}

fn median(mut values: Vec<f64>) -> f64 {
    values.sort_by(f64::total_cmp);
    values[values.len() / 2]
}

fn main() {
    let repetitions = std::env::args().skip(1).find_map(|argument| argument.parse().ok()).unwrap_or(9usize);
    let mut last = 0;
    let mut next = move || {
        last = last % 250 + 1;
        IpAddr::V4(Ipv4Addr::new(203, 0, 113, last))
    };
    let mut stands = next();
    let mut lines = String::new();
    (0..NAMES).for_each(|nth| writeln!(lines, "n{nth} {TTL} A {stands}").unwrap());
    let server = DnsServer::start::<Named>(&[KEY], &[ZoneSetup::new(&lines)]);
    let (mut script, ours) = (Script::start(&server), Ours::new(&server));
    let runtime = tokio::runtime::Builder::new_current_thread().enable_all().build().unwrap();
    let mut taken: BTreeMap<&str, Vec<f64>> = BTreeMap::new();
    for repetition in 0..=repetitions {
        let mut enter = |what, ms| {
            // The first is for warming up.
            if repetition > 0 {
                taken.entry(what).or_default().push(ms);
            }
        };
        for what in ["batch", "write", "whole", "single", "read"] {
            let to = next();
            enter(
                what,
                match what {
                    "write" => runtime.block_on(ours.write(stands, to)),
                    "whole" => runtime.block_on(ours.whole(to)),
                    "read" => {
                        let (ms, observed) = runtime.block_on(ours.read());
                        assert_eq!(observed.names.len(), NAMES);
                        enter("read", ms);
                        continue;
                    }
                    how => script.moves(how, to),
                },
            );
            stands = to;
        }
    }
    let took = |what: &str| median(taken[what].clone());
    println!("{NAMES} names of one zone move, medians of {repetitions}:");
    let line = |what: &str, key: &str, target: &str| {
        println!("  {what:<48} {:8.1} ms  {:5.2} of (a)  {target}", took(key), took(key) / took("batch"));
    };
    line("(a) one unguarded batch by dnspython", "batch", "");
    line("(b) the guarded write alone", "write", "at most 0.60");
    line("(c) the whole move", "whole", "at most 1.50");
    line("(d) one message a name by dnspython", "single", "");
    line("    a read of all of them", "read", "");
    println!("  (d) / (c): {:.1}, at least 8", took("single") / took("whole"));
}
