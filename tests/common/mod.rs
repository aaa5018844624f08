//! What the integration tests share: real DNS servers as ordinary processes on loopback, and values of the scenario.
//!
//! A server needs no privilege and no fixed port, writes only in its own temporary directory, and ends with its value.
#![allow(dead_code, reason = "each test binary uses its own part of this")]
#![allow(clippy::unwrap_used, clippy::expect_used, clippy::panic, reason = "a test that cannot go on has failed")]

pub(crate) mod coturn;
pub(crate) mod knot;
pub(crate) mod loft_api;
pub(crate) mod many;
pub(crate) mod named;
pub(crate) mod nginx;
pub(crate) mod nsd;
pub(crate) mod powerdns;
pub(crate) mod record_api;
pub(crate) mod secondary;
pub(crate) mod yard_api;

use std::fs;
use std::net::{IpAddr, Ipv4Addr, SocketAddr, SocketAddrV4, TcpListener, UdpSocket};
use std::os::fd::OwnedFd;
use std::os::unix::process::CommandExt as _;
use std::path::Path;
use std::process::{Child, Command, Stdio};
use std::time::{Duration, Instant};

use fingerpost::dns::tsig::{TsigAlgorithm, TsigKey};
use fingerpost::name::DnsName;
use fingerpost::record::{RecordType, RrSet};
use fingerpost::secret::Secret;
use rustix::net::{AddressFamily, SocketType, bind, getsockname, socket};
use rustix::process::{Pid, Signal, kill_process, kill_process_group};
use tempfile::TempDir;

/// When a server that does not do its part has hung. Nothing that goes well waits for it.
const PATIENCE: Duration = Duration::from_secs(120);

/// The zone of the scenario.
pub(crate) const ZONE: &str = "heronmill.example";
/// The secret behind [`KEY`].
pub(crate) const SECRET: &[u8] = b"heron mill, gauge: 32 bytes long";
/// The same in base64, as servers' files have it.
pub(crate) const SECRET_BASE64: &str = "aGVyb24gbWlsbCwgZ2F1Z2U6IDMyIGJ5dGVzIGxvbmc=";

/// A key as a server is told it.
#[derive(Clone, Copy)]
pub(crate) struct ServerKey {
    pub(crate) name: &'static str,
    pub(crate) algorithm: &'static str,
    /// In base64.
    pub(crate) secret: &'static str,
}

/// The key that most tests sign with.
pub(crate) const KEY: ServerKey = ServerKey { name: "gauge-key", algorithm: "hmac-sha256", secret: SECRET_BASE64 };

/// What a key may change.
#[derive(Clone, Copy)]
pub(crate) struct Grant {
    pub(crate) key: &'static str,
    /// The one name whose A and AAAA it may change, or whose TXT, if it begins with an underscore; the A and AAAA of all
    /// below the zone's apex when absent.
    pub(crate) name: Option<&'static str>,
}

impl Grant {
    fn types(&self) -> &'static [&'static str] {
        if self.name.is_some_and(|name| name.starts_with('_')) { &["TXT"] } else { &["A", "AAAA"] }
    }
}

/// A zone as a server is told it.
#[derive(Clone)]
pub(crate) struct ZoneSetup {
    pub(crate) name: &'static str,
    /// Lines of the master file after SOA, NS and the address of `ns1`.
    pub(crate) lines: String,
    pub(crate) grants: Vec<Grant>,
    /// Further lines of the server's own configuration inside the zone.
    pub(crate) extra: &'static str,
}

impl ZoneSetup {
    /// The scenario's zone with these lines; [`KEY`] may change all A and AAAA.
    pub(crate) fn new(lines: &str) -> Self {
        Self { name: ZONE, lines: lines.to_owned(), grants: vec![Grant { key: KEY.name, name: None }], extra: "" }
    }

    /// The master file; the serial is 1.
    pub(crate) fn master_file(&self) -> String {
        format!(
            "$ORIGIN {}.\n$TTL 300\n@ SOA ns1 hostmaster 1 3600 900 604800 300\n@ NS ns1\nns1 A 127.0.0.1\n{}\n",
            self.name, self.lines
        )
    }
}

/// How to write a server's configuration and start it.
pub(crate) trait Software {
    const PROGRAM: &'static str;
    /// Whether it has child processes that must be ended with it: then all are in a process group of their own.
    const IS_MANY: bool = false;
    /// The whole configuration file. Master files are `NAME.zone` in `dir`.
    fn configuration(dir: &Path, at: SocketAddr, keys: &[ServerKey], zones: &[ZoneSetup]) -> String;
    /// Arguments that keep it in the foreground with the configuration at `file`.
    fn arguments(file: &Path) -> Vec<String>;
    /// Whether all but its DNS, which is asked, is ready too.
    fn is_ready(_at: SocketAddr) -> bool {
        true
    }
}

/// A running DNS server.
pub(crate) struct DnsServer {
    dir: TempDir,
    at: SocketAddr,
    child: Option<Child>,
    spawn: fn(&Path) -> Child,
    is_ready: fn(SocketAddr) -> bool,
    is_many: bool,
    zones: Vec<&'static str>,
}

impl DnsServer {
    /// Starts `S` with these keys and zones on a free port of loopback, and waits until it answers for each zone.
    pub(crate) fn start<S: Software>(keys: &[ServerKey], zones: &[ZoneSetup]) -> Self {
        let free = |_| Self::attempt::<S>((Ipv4Addr::LOCALHOST, free_port()).into(), keys, zones);
        (0..5).find_map(free).unwrap_or_else(|| panic!("{} did not start in five attempts", S::PROGRAM))
    }

    /// The same at an address that nobody else can take: in a network namespace.
    pub(crate) fn start_at<S: Software>(at: SocketAddr, keys: &[ServerKey], zones: &[ZoneSetup]) -> Self {
        Self::attempt::<S>(at, keys, zones).unwrap_or_else(|| panic!("{} did not start at {at}", S::PROGRAM))
    }

    fn attempt<S: Software>(at: SocketAddr, keys: &[ServerKey], zones: &[ZoneSetup]) -> Option<Self> {
        let dir = tempfile::tempdir().unwrap();
        for zone in zones {
            fs::write(dir.path().join(format!("{}.zone", zone.name)), zone.master_file()).unwrap();
        }
        fs::write(dir.path().join("conf"), S::configuration(dir.path(), at, keys, zones)).unwrap();
        let zones = zones.iter().map(|zone| zone.name).collect();
        let mut server =
            Self { dir, at, child: None, spawn: spawn::<S>, is_ready: S::is_ready, is_many: S::IS_MANY, zones };
        let started = server.try_start();
        if !started {
            eprintln!("{} ended:\n{}", S::PROGRAM, server.log());
        }
        started.then_some(server)
    }

    /// Starts a stopped server again, on the same port.
    pub(crate) fn start_again(&mut self) {
        assert!(self.try_start(), "the server did not start again:\n{}", self.log());
    }

    /// Ends it and waits for that; the port refuses connections then.
    pub(crate) fn stop(&mut self) {
        if self.child.is_some() {
            self.signal(Signal::KILL);
        }
        if let Some(mut child) = self.child.take() {
            child.wait().unwrap();
        }
    }

    /// Stops it from running, or lets it run on. What arrives meanwhile waits for it.
    pub(crate) fn pause(&self, paused: bool) {
        self.signal(if paused { Signal::STOP } else { Signal::CONT });
        // The signal is only on its way: a thread on another processor may still answer.
        let end = Instant::now() + PATIENCE;
        while paused && !is_stopped(self.pid()) {
            assert!(Instant::now() < end, "the server does not stop");
            std::thread::sleep(Duration::from_millis(1));
        }
    }

    /// What tells why it may not answer: its state (proc(5)), its sockets with their queues and drops, its last words.
    pub(crate) fn condition(&self) -> String {
        let pid = self.pid();
        let read = |path: &str| fs::read_to_string(path).unwrap_or_default();
        let port = format!(":{:04X} ", self.at.port());
        let sockets: Vec<String> = ["udp", "tcp"]
            .iter()
            .flat_map(|table| read(&format!("/proc/{pid}/net/{table}")).lines().map(str::to_owned).collect::<Vec<_>>())
            .filter(|line| line.contains(&port))
            .collect();
        let log = self.log();
        let last: Vec<&str> = log.lines().rev().take(40).collect();
        let stat = read(&format!("/proc/{pid}/stat"));
        format!("{stat}{}\n{}", sockets.join("\n"), last.into_iter().rev().collect::<Vec<_>>().join("\n"))
    }

    fn signal(&self, signal: Signal) {
        let pid = Pid::from_raw(self.pid().try_into().unwrap()).unwrap();
        let sent = if self.is_many { kill_process_group(pid, signal) } else { kill_process(pid, signal) };
        // A process that has ended by itself is a zombie until it is waited for, and takes signals still.
        sent.unwrap();
    }

    /// Starts it again on the same port with other keys and grants; the zones keep what is in them.
    pub(crate) fn reconfigure<S: Software>(&mut self, keys: &[ServerKey], zones: &[ZoneSetup]) {
        self.stop();
        fs::write(self.dir.path().join("conf"), S::configuration(self.dir.path(), self.at, keys, zones)).unwrap();
        self.start_again();
    }

    fn try_start(&mut self) -> bool {
        self.child = Some((self.spawn)(self.dir.path()));
        let end = Instant::now() + PATIENCE;
        loop {
            if self.child.as_mut().unwrap().try_wait().unwrap().is_some() {
                self.child = None;
                return false;
            }
            let serves = |zone: &&str| self.try_dig(zone, "SOA").is_ok_and(|records| !records.is_empty());
            if self.zones.iter().all(serves) && (self.is_ready)(self.at) {
                return true;
            }
            assert!(Instant::now() < end, "the server does not answer:\n{}", self.log());
            std::thread::sleep(Duration::from_millis(10));
        }
    }

    /// Address and port, over UDP and TCP.
    pub(crate) fn address(&self) -> String {
        self.at.to_string()
    }

    pub(crate) fn port(&self) -> u16 {
        self.at.port()
    }

    /// Its process id, while it runs.
    pub(crate) fn pid(&self) -> u32 {
        self.child.as_ref().unwrap().id()
    }

    /// The master file of `zone`.
    pub(crate) fn zone_file(&self, zone: &str) -> std::path::PathBuf {
        self.dir.path().join(format!("{zone}.zone"))
    }

    /// What it logged so far.
    pub(crate) fn log(&self) -> String {
        fs::read_to_string(self.log_file()).unwrap_or_default()
    }

    /// Where it logs.
    pub(crate) fn log_file(&self) -> std::path::PathBuf {
        self.dir.path().join("log")
    }

    /// The answer section that dig prints, one record a line, in `TTL DATA` form and sorted. A question that nobody answers
    /// is asked again.
    pub(crate) fn dig(&self, name: &str, rtype: &str) -> Vec<String> {
        let end = Instant::now() + PATIENCE;
        loop {
            match self.try_dig(name, rtype) {
                Ok(records) => return records,
                Err(why) => {
                    let condition = if self.child.is_some() { self.condition() } else { "it is stopped".to_owned() };
                    assert!(Instant::now() < end, "nobody answers for the {rtype} of {name}: {why}\n{condition}");
                    std::thread::sleep(Duration::from_millis(10));
                }
            }
        }
    }

    /// The same, asked once: what dig said where there was no answer.
    fn try_dig(&self, name: &str, rtype: &str) -> Result<Vec<String>, String> {
        let (server, port) = (format!("@{}", self.at.ip()), self.at.port().to_string());
        let arguments =
            ["+tcp", "+norec", "+noall", "+answer", "+comments", "+tries=1", "+time=10", &server, "-p", &port];
        let output = run("dig", &[&arguments[..], &["-q", name, rtype]].concat(), "");
        // Whatever it says, an answer has a header (RFC 1035, section 4.1.1).
        if !output.contains("->>HEADER<<-") {
            return Err(output);
        }
        let field = |line: &str| {
            let fields: Vec<_> = line.split_whitespace().collect();
            let owner = fields.first()?.trim_end_matches('.').eq_ignore_ascii_case(name.trim_end_matches('.'));
            (!line.starts_with(';') && owner && fields.get(3) == Some(&rtype))
                .then(|| format!("{} {}", fields[1], fields[4..].join(" ")))
        };
        let mut lines: Vec<_> = output.lines().filter_map(field).collect();
        lines.sort();
        Ok(lines)
    }

    /// The address RRset at `name` by dig.
    pub(crate) fn rrset(&self, name: &str, rtype: RecordType) -> Option<RrSet> {
        let lines = self.dig(name, &rtype.to_string());
        let parsed: Vec<(u32, IpAddr)> = lines
            .iter()
            .map(|line| {
                line.split_once(' ').map(|(ttl, address)| (ttl.parse().unwrap(), address.parse().unwrap())).unwrap()
            })
            .collect();
        let ttl = parsed.first()?.0;
        Some(RrSet { ttl, addresses: parsed.into_iter().map(|(_, address)| address).collect() })
    }

    /// The zone's serial by dig.
    pub(crate) fn serial(&self, zone: &str) -> u32 {
        self.dig(zone, "SOA")[0].split(' ').nth(3).unwrap().parse().unwrap()
    }
}

impl Drop for DnsServer {
    fn drop(&mut self) {
        self.stop();
    }
}

/// Whether all threads of a process, and those of its children, are stopped (proc(5): state T).
fn is_stopped(pid: u32) -> bool {
    let tasks: Vec<_> = fs::read_dir(format!("/proc/{pid}/task")).unwrap().map(|task| task.unwrap().path()).collect();
    let read = |task: &Path, name: &str| fs::read_to_string(task.join(name)).unwrap_or_default();
    tasks.iter().all(|task| {
        let children = read(task, "children");
        read(task, "stat").contains(") T ") && children.split(' ').flat_map(str::parse).all(is_stopped)
    })
}

fn spawn<S: Software>(dir: &Path) -> Child {
    let log = fs::File::create(dir.join("log")).unwrap();
    let mut command = Command::new(find(S::PROGRAM));
    if S::IS_MANY {
        command.process_group(0);
    }
    command
        .args(S::arguments(&dir.join("conf")))
        .current_dir(dir)
        .stdin(Stdio::null())
        .stdout(log.try_clone().unwrap())
        .stderr(log)
        .spawn()
        .unwrap_or_else(|error| panic!("this test needs {}: {error}", S::PROGRAM))
}

/// Daemons are often outside an ordinary user's PATH.
fn find(program: &str) -> String {
    let sbin = format!("/usr/sbin/{program}");
    if Path::new(&sbin).exists() { sbin } else { program.to_owned() }
}

/// Runs a program with `input` on its stdin and returns its stdout, whatever its status.
pub(crate) fn run(program: &str, arguments: &[&str], input: &str) -> String {
    use std::io::Write;
    let mut child = Command::new(program)
        .args(arguments)
        .stdin(Stdio::piped())
        .stdout(Stdio::piped())
        .stderr(Stdio::inherit())
        .spawn()
        .unwrap_or_else(|error| panic!("this test needs {program}: {error}"));
    // A program that ends before it has read all is judged by its output.
    let _ = child.stdin.take().unwrap().write_all(input.as_bytes());
    String::from_utf8(child.wait_with_output().unwrap().stdout).unwrap()
}

/// The Python that has dnspython, as `tests/all.sh` found it.
pub(crate) fn python() -> String {
    std::env::var("TESTS_PYTHON").unwrap_or_else(|_| "python3".to_owned())
}

/// A port of 127.0.0.1 that was free for TCP and UDP a moment ago.
pub(crate) fn free_port() -> u16 {
    loop {
        let tcp = TcpListener::bind("127.0.0.1:0").unwrap();
        let port = tcp.local_addr().unwrap().port();
        if UdpSocket::bind(("127.0.0.1", port)).is_ok() {
            return port;
        }
    }
}

/// A key on the program's side.
pub(crate) fn client_key(name: &str, algorithm: TsigAlgorithm, secret: &[u8]) -> TsigKey {
    TsigKey { name: dns(name), algorithm, secret: Secret::new(secret.to_vec()) }
}

/// [`KEY`] on the program's side.
pub(crate) fn gauge_key() -> TsigKey {
    client_key(KEY.name, TsigAlgorithm::HmacSha256, SECRET)
}

pub(crate) fn dns(name: &str) -> DnsName {
    DnsName::parse(name).unwrap()
}

/// A name in the scenario's zone.
pub(crate) fn at(label: &str) -> DnsName {
    dns(&format!("{label}.{ZONE}"))
}

pub(crate) fn set(ttl: u32, addresses: &[&str]) -> RrSet {
    RrSet { ttl, addresses: addresses.iter().map(|address| address.parse().unwrap()).collect() }
}

/// A port of 127.0.0.1 that refuses every TCP connection for as long as this value lives: it is taken, and nobody listens.
pub(crate) struct Refusing(OwnedFd);

impl Refusing {
    pub(crate) fn new() -> Self {
        let socket = socket(AddressFamily::INET, SocketType::STREAM, None).unwrap();
        bind(&socket, &SocketAddrV4::new(Ipv4Addr::LOCALHOST, 0)).unwrap();
        Self(socket)
    }

    pub(crate) fn addr(&self) -> SocketAddrV4 {
        getsockname(&self.0).unwrap().try_into().unwrap()
    }
}
