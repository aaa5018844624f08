//! What runs on the hosts: BIND, nginx, coturn, miniupnpd, and the program itself. Each ends with its value.

use std::fs::{self, File};
use std::io::{self, Read as _, Write as _};
use std::net::{IpAddr, Ipv4Addr, Ipv6Addr, SocketAddr, TcpStream, UdpSocket};
use std::os::unix::fs::OpenOptionsExt as _;
use std::os::unix::net::UnixDatagram;
use std::path::Path;
use std::process::{Child, Command, Output, Stdio};
use std::sync::{Arc, Mutex};
use std::thread;
use std::time::Duration;

use fingerpost::record::{RecordType, RrSet};
use rustix::process::{Pid, Signal, kill_process};
use tempfile::TempDir;
use tokio::io::{AsyncReadExt as _, AsyncWriteExt as _};
use tokio::net::TcpSocket;

use crate::common::named::Named;
use crate::common::nginx::{Nginx, Service};
use crate::common::{DnsServer, KEY, SECRET_BASE64, ZONE, ZoneSetup};
use crate::living::{Daemon, binary, until};
use crate::net::Lab;
use crate::plan::{DNS, ECHOES, GATEWAY, Host, STUN, STUN_IPV6, outside_ipv6};

/// How long one question may take before it is asked again.
const PATIENCE: Duration = Duration::from_millis(200);

impl Lab {
    /// BIND in `outside`, at [`DNS`], with the scenario's zone and these lines in it.
    pub(crate) fn named(&self, lines: &str) -> DnsServer {
        let at = (DNS, 53).into();
        self.within(Host::Outside, || DnsServer::start_at::<Named>(at, &[KEY], &[ZoneSetup::new(lines)]))
    }

    /// The RRset of `label` in the scenario's zone, by dig.
    pub(crate) fn rrset(&self, named: &DnsServer, label: &str, rtype: RecordType) -> Option<RrSet> {
        self.within(Host::Outside, || named.rrset(&format!("{label}.{ZONE}"), rtype))
    }

    /// nginx in `outside` as an echo service at each of [`ECHOES`], in this order, over both families.
    pub(crate) fn echoes(&self) -> Nginx {
        let ipv4 = ECHOES.map(|last| IpAddr::from([198, 51, 100, last]));
        let ipv6 = ECHOES.map(|last| IpAddr::from(outside_ipv6(last.into())));
        let services: Vec<_> = ipv4.into_iter().chain(ipv6).map(|ip| Service::echo().at((ip, 80).into())).collect();
        self.within(Host::Outside, || Nginx::start(&services))
    }

    /// What the echo service at `service` says to `host`.
    pub(crate) fn seen_as(&self, host: Host, service: IpAddr) -> io::Result<IpAddr> {
        self.seen_from(host, any(service), service)
    }

    /// The same for a connection from this address of the host.
    pub(crate) fn seen_from(&self, host: Host, local: IpAddr, service: IpAddr) -> io::Result<IpAddr> {
        let asking = async {
            let socket = if local.is_ipv4() { TcpSocket::new_v4()? } else { TcpSocket::new_v6()? };
            socket.bind((local, 0).into())?;
            let mut stream = socket.connect((service, 80).into()).await?;
            stream.write_all(b"GET / HTTP/1.0\r\n\r\n").await?;
            let mut answer = String::new();
            stream.read_to_string(&mut answer).await?;
            let body = answer.split("\r\n\r\n").nth(1).unwrap_or_default();
            body.trim().parse().map_err(|_| io::Error::other(answer))
        };
        self.within(host, || {
            let runtime = tokio::runtime::Builder::new_current_thread().enable_all().build()?;
            runtime.block_on(async { tokio::time::timeout(Duration::from_secs(1), asking).await })?
        })
    }

    /// coturn in `outside` as STUN server at [`STUN`] and [`STUN_IPV6`], port 3478.
    pub(crate) fn coturn(&self) -> Part {
        let dir = tempfile::tempdir().unwrap();
        let path = |name: &str| dir.path().join(name).display().to_string();
        let listeners = STUN.map(IpAddr::from).into_iter().chain([STUN_IPV6.into()]);
        let child = self.within(Host::Outside, || {
            Command::new("turnserver")
                .args(["-n", "--stun-only", "--no-auth", "--no-cli", "--no-tls", "--no-dtls", "-p", "3478"])
                .args(["--log-file", "stdout", "--pidfile", &path("pid"), "--db", &path("db")])
                .args(listeners.flat_map(|ip| ["-L".to_owned(), ip.to_string()]))
                .stdin(Stdio::null())
                .stdout(File::create(path("log")).unwrap())
                .stderr(File::create(path("errors")).unwrap())
                .spawn()
                .expect("this test needs turnserver (coturn)")
        });
        let mut part = Part { dir, child: Some(child), pid: None };
        until("coturn's answer", || {
            assert!(part.lives(), "coturn ended:\n{}", part.log());
            let asked = || ask((STUN[0], 3478).into(), &binding_request([7; 12]));
            self.within(Host::Outside, asked).is_some()
        });
        part
    }

    /// The program in `outside` as a witness for others, at port 8080 for HTTP and 3480 for STUN (coturn has 3478, and
    /// 3479 by RFC 5780), with these options
    /// besides. For STUN it names each address of [`STUN`] and [`STUN_IPV6`].
    pub(crate) fn witness(&self, options: &[&str]) -> Part {
        let dir = tempfile::tempdir().unwrap();
        let stun = STUN.map(|ip| format!("{ip}:3480")).into_iter().chain([format!("[{STUN_IPV6}]:3480")]);
        let child = self.within(Host::Outside, || {
            let mut command = Command::new(binary());
            command.args(["echo", "--http", "[::]:8080"]).args(stun.flat_map(|at| ["--stun".to_owned(), at]));
            command.args(options).stdin(Stdio::null()).stdout(Stdio::null());
            command.env_remove("NOTIFY_SOCKET").stderr(File::create(dir.path().join("log")).unwrap()).spawn().unwrap()
        });
        let mut part = Part { dir, child: Some(child), pid: None };
        until("the witness", || {
            assert!(part.lives(), "the witness ended:\n{}", part.log());
            part.log().matches(" answers ").count() == 4
        });
        part
    }

    /// The witness's answer, its head included, to a GET by `host` over the family of `service`.
    pub(crate) fn asked(&self, host: Host, service: IpAddr, target: &str, fields: &str) -> String {
        self.within(host, || {
            let mut stream = TcpStream::connect((service, 8080)).unwrap();
            stream.set_read_timeout(Some(Duration::from_secs(20))).unwrap();
            write!(stream, "GET {target} HTTP/1.1\r\nHost: echo\r\n{fields}\r\n").unwrap();
            let mut answer = String::new();
            stream.read_to_string(&mut answer).unwrap();
            answer
        })
    }

    /// miniupnpd on the router, answering the home's network by NAT-PMP, PCP and as UPnP IGD. It believes no
    /// documentation address of its own interface, so it learns its address from coturn, which must be up: behind a
    /// carrier's NAT or another router it reports what these have.
    pub(crate) fn miniupnpd(&self) -> Part {
        self.miniupnpd_with(&by_stun())
    }

    /// The same with these lines of its configuration instead of those about STUN.
    pub(crate) fn miniupnpd_with(&self, lines: &str) -> Part {
        let part = self.miniupnpd_unasked(&format!("enable_natpmp=yes\n{lines}"));
        until("miniupnpd's answer", || self.natpmp().is_some());
        part
    }

    /// The same as [`Lab::miniupnpd`], as UPnP IGD only. It may take a moment until it answers.
    pub(crate) fn miniupnpd_without_natpmp(&self) -> Part {
        self.miniupnpd_unasked(&format!("enable_natpmp=no\n{}", by_stun()))
    }

    fn miniupnpd_unasked(&self, lines: &str) -> Part {
        let dir = tempfile::tempdir().unwrap();
        let (conf, pid) = (dir.path().join("conf"), dir.path().join("pid"));
        let text = format!(
            "ext_ifname=wan\nlistening_ip=lan\nipv6_disable=yes\nenable_upnp=yes\nsecure_mode=yes\n\
             uuid=5b6f3c1e-0d1c-4c5e-9a54-6d1f77a90001\nupnp_table_name=filter\nupnp_nat_table_name=nat\n\
             allow 1024-65535 192.168.77.0/24 1024-65535\n{lines}"
        );
        fs::write(&conf, text).unwrap();
        // It puts itself into the background: its child's end is only the beginning.
        let begun = self.within(Host::Router, || {
            let mut command = Command::new("miniupnpd");
            command.arg("-f").arg(&conf).arg("-P").arg(&pid).stdin(Stdio::null());
            command.output().expect("this test needs miniupnpd")
        });
        assert!(begun.status.success(), "{begun:?}");
        until("miniupnpd's process id", || fs::read_to_string(&pid).is_ok_and(|text| text.ends_with('\n')));
        let pid = fs::read_to_string(pid).unwrap().trim().parse().unwrap();
        Part { dir, child: None, pid: Some(pid) }
    }

    /// Answers the home's question for the external address by NAT-PMP alone, as anybody on its network can, with what is in the value returned, at first `address`, until the scenario ends. Without an address
    /// there, it is silent. The same socket is handed back too.
    pub(crate) fn natpmp_says(&self, address: Ipv4Addr) -> (Arc<Mutex<Option<Ipv4Addr>>>, UdpSocket) {
        let socket = self.within(Host::Router, || UdpSocket::bind((GATEWAY, 5351)).unwrap());
        let same = socket.try_clone().unwrap();
        let says = Arc::new(Mutex::new(Some(address)));
        let told = Arc::clone(&says);
        thread::spawn(move || {
            let mut question = [0; 2];
            while let Ok((_, from)) = socket.recv_from(&mut question) {
                let address = *told.lock().unwrap();
                if let Some(address) = address.filter(|_| question == [0, 0]) {
                    let answer = [[0, 128, 0, 0], [0, 0, 0, 1], address.octets()].concat();
                    socket.send_to(&answer, from).unwrap();
                }
            }
        });
        (says, same)
    }

    /// The router's answer to the home's question for the external address by NAT-PMP (RFC 6886, section 3.2).
    pub(crate) fn natpmp(&self) -> Option<Vec<u8>> {
        self.within(Host::Home, || ask((GATEWAY, 5351).into(), &[0, 0]))
    }

    /// The answer of the STUN server at `server` to `host`.
    pub(crate) fn stun(&self, host: Host, server: IpAddr, transaction: [u8; 12]) -> Option<Vec<u8>> {
        self.within(host, || ask((server, 3478).into(), &binding_request(transaction)))
    }

    /// The home asks the router to forward the TCP port `port` of the line to the same port of its own, for so many seconds;
    /// 0 ends that (RFC 6886, sections 3.3 and 3.4).
    pub(crate) fn map_by_natpmp(&self, port: u16, seconds: u32) {
        self.within(Host::Home, || {
            let socket = UdpSocket::bind("0.0.0.0:0").unwrap();
            socket.connect((GATEWAY, 5351)).unwrap();
            socket.set_read_timeout(Some(Duration::from_secs(5))).unwrap();
            let outside = if seconds == 0 { 0 } else { port };
            let ports = [port.to_be_bytes(), outside.to_be_bytes()].concat();
            socket.send(&[&[0, 2, 0, 0][..], &ports, &seconds.to_be_bytes()].concat()).unwrap();
            let mut answer = [0; 16];
            assert_eq!((socket.recv(&mut answer).unwrap(), &answer[..4]), (16, &[0, 130, 0, 0][..]));
        });
    }

    /// The program on `host`, with this configuration; [`SECRET_BASE64`] is in the file `key` beside it.
    pub(crate) fn fingerpost(&self, host: Host, configuration: &str) -> Fingerpost<'_> {
        let dir = tempfile::tempdir().unwrap();
        let mut key = File::options().write(true).create_new(true).mode(0o600).open(dir.path().join("key")).unwrap();
        key.write_all(SECRET_BASE64.as_bytes()).unwrap();
        let fingerpost = Fingerpost { lab: self, host, dir };
        fingerpost.configure(configuration);
        fingerpost
    }
}

/// How miniupnpd learns its address.
fn by_stun() -> String {
    format!("ext_perform_stun=yes\next_stun_host={}\next_stun_port=3478\n", STUN[0])
}

/// The unspecified address of the same family.
fn any(address: IpAddr) -> IpAddr {
    if address.is_ipv4() { Ipv4Addr::UNSPECIFIED.into() } else { Ipv6Addr::UNSPECIFIED.into() }
}

/// One question over UDP; `None` when there is no answer in time.
fn ask(server: SocketAddr, question: &[u8]) -> Option<Vec<u8>> {
    let socket = UdpSocket::bind((any(server.ip()), 0)).unwrap();
    socket.set_read_timeout(Some(PATIENCE)).unwrap();
    socket.connect(server).ok()?;
    socket.send(question).ok()?;
    let mut answer = vec![0; 1500];
    let length = socket.recv(&mut answer).ok()?;
    answer.truncate(length);
    Some(answer)
}

/// A Binding request without attributes (RFC 8489, section 5).
fn binding_request(transaction: [u8; 12]) -> Vec<u8> {
    [&[0x00, 0x01, 0x00, 0x00, 0x21, 0x12, 0xa4, 0x42], &transaction[..]].concat()
}

/// A server without a type of its own.
pub(crate) struct Part {
    dir: TempDir,
    child: Option<Child>,
    pid: Option<i32>,
}

impl Part {
    /// What it logged.
    pub(crate) fn log(&self) -> String {
        let text = |name| fs::read_to_string(self.dir.path().join(name)).unwrap_or_default();
        text("log") + &text("errors")
    }

    /// Stops it from running while `work` is done. An address is added before the one in use is taken away, and
    /// miniupnpd that looks in between asks coturn from the one that goes, and then waits nine seconds in vain, mute. A
    /// router with a real address asks nobody.
    pub(crate) fn paused<T>(&self, work: impl FnOnce() -> T) -> T {
        let pid = self.pid.and_then(Pid::from_raw).unwrap();
        kill_process(pid, Signal::STOP).unwrap();
        let done = work();
        kill_process(pid, Signal::CONT).unwrap();
        done
    }

    /// Its process.
    pub(crate) fn pid(&self) -> u32 {
        self.child.as_ref().unwrap().id()
    }

    fn lives(&mut self) -> bool {
        self.child.as_mut().is_none_or(|child| child.try_wait().unwrap().is_none())
    }
}

impl Drop for Part {
    fn drop(&mut self) {
        if let Some(child) = &mut self.child {
            let _ = child.kill();
            let _ = child.wait();
        }
        if let Some(pid) = self.pid.and_then(Pid::from_raw) {
            let _ = kill_process(pid, Signal::KILL);
        }
    }
}

/// The program, its configuration and its state, on a host.
pub(crate) struct Fingerpost<'l> {
    lab: &'l Lab,
    host: Host,
    dir: TempDir,
}

impl Fingerpost<'_> {
    /// Writes another configuration.
    pub(crate) fn configure(&self, text: &str) {
        fs::write(self.dir().join("fingerpost.toml"), text).unwrap();
    }

    /// Where configuration, key and state are.
    pub(crate) fn dir(&self) -> &Path {
        self.dir.path()
    }

    /// Runs a command to its end.
    pub(crate) fn run(&self, arguments: &[&str]) -> Output {
        self.lab.within(self.host, || {
            let mut command = Command::new("timeout");
            command.arg("60").arg(binary()).args(arguments);
            command.args(["--config", "fingerpost.toml"]).current_dir(self.dir()).stdin(Stdio::null());
            command.env_clear().envs(std::env::var_os("PATH").map(|path| ("PATH", path)));
            command.output().unwrap()
        })
    }

    /// Starts the daemon.
    pub(crate) fn daemon(&self) -> Daemon {
        self.lab.within(self.host, || Daemon::start(self.dir()))
    }

    /// The same, with a service manager that listens.
    pub(crate) fn daemon_and_manager(&self) -> (Daemon, Manager) {
        let path = self.dir().join("notify");
        // That of a daemon before this one.
        let _ = fs::remove_file(&path);
        let socket = UnixDatagram::bind(&path).unwrap();
        socket.set_nonblocking(true).unwrap();
        let variables = [("NOTIFY_SOCKET", path.as_path())];
        let daemon = self.lab.within(self.host, || Daemon::start_with(self.dir(), &variables));
        (daemon, Manager { socket, status: String::new() })
    }

    /// The entries of the audit log with this event, oldest first, as the program shows them.
    pub(crate) fn audit(&self, event: &str) -> Vec<serde_json::Value> {
        let shown = self.run(&["audit", "show", "--event", event, "--json"]);
        assert!(shown.status.success(), "{shown:?}");
        let document: serde_json::Value = serde_json::from_slice(&shown.stdout).unwrap();
        document.as_array().unwrap().clone()
    }

    /// The same with these arguments as well.
    pub(crate) fn daemon_with(&self, arguments: &[&str]) -> Daemon {
        self.lab.within(self.host, || Daemon::start_as(self.dir(), &[], arguments))
    }
}

/// What a service manager hears (sd_notify(3)).
pub(crate) struct Manager {
    socket: UnixDatagram,
    status: String,
}

impl Manager {
    /// The newest status.
    pub(crate) fn status(&mut self) -> &str {
        let mut bytes = vec![0; 65536];
        while let Ok(length) = self.socket.recv(&mut bytes) {
            let text = String::from_utf8_lossy(&bytes[..length]);
            if let Some(status) = text.lines().find_map(|line| line.strip_prefix("STATUS=")) {
                self.status = status.to_owned();
            }
        }
        &self.status
    }
}

/// The operators of [`ECHOES`].
const OPERATORS: [&str; 5] = ["north-collective", "ferryman", "tern-labs", "millrace", "quayside"];

/// The first `count` of [`ECHOES`] as witnesses over `family`, an operator each.
pub(crate) fn echo_witnesses(count: usize, family: &str) -> String {
    let witness = |(operator, last): (&&str, u8)| {
        let host = match family {
            "ipv4" => Ipv4Addr::new(198, 51, 100, last).to_string(),
            _ => format!("[{}]", outside_ipv6(last.into())),
        };
        witness(operator, "http", &format!("url = \"http://{host}/\"\nfamilies = [\"{family}\"]"))
    };
    OPERATORS.iter().zip(ECHOES).take(count).map(witness).collect()
}

/// A server of [`Lab::coturn`] as a witness over `family`, run by `operator`.
pub(crate) fn stun_witness(operator: &str, family: &str, server: IpAddr) -> String {
    let server = SocketAddr::from((server, 3478));
    witness(operator, "stun", &format!("server = \"{server}\"\nfamilies = [\"{family}\"]"))
}

/// A witness of any kind. The one of each kind and operator is enough of a name, with the families.
pub(crate) fn witness(operator: &str, kind: &str, rest: &str) -> String {
    let family = ["ipv4", "ipv6"].into_iter().find(|family| rest.contains(family)).unwrap_or("any");
    format!(
        "[[witness]]\nname = \"{operator}-{kind}-{family}\"\noperator = \"{operator}\"\nkind = \"{kind}\"\n{rest}\n"
    )
}

/// A configuration with an echo service for each of [`ECHOES`], an operator each, and these records (labels of the
/// scenario's zone) at BIND.
pub(crate) fn configuration(watch: &str, records: &[(&str, &str)]) -> String {
    let mut witnesses = echo_witnesses(5, "ipv4");
    if records.iter().any(|(_, rest)| rest.contains("AAAA")) {
        witnesses += &echo_witnesses(5, "ipv6");
    }
    configured(watch, &witnesses, records)
}

/// A configuration with these witnesses and records.
pub(crate) fn configured(watch: &str, witnesses: &str, records: &[(&str, &str)]) -> String {
    let mut text = format!(
        r#"state_dir = "state"
[watch]
{watch}
accept_special = ["203.0.113.0/24", "198.51.100.0/24", "2001:db8::/32"]
[limits]
spacing = "1ms"
burst = 1000
daily = 100000
[provider.home]
kind = "rfc2136"
zone = "{ZONE}"
server = "{DNS}:53"
key = {{ name = "{}", algorithm = "{}", secret = {{ file = "key" }} }}
confirm = "off"
{witnesses}"#,
        KEY.name, KEY.algorithm
    );
    for (label, rest) in records {
        text += &format!("[[record]]\nname = \"{label}.{ZONE}\"\nprovider = \"home\"\nttl = \"2m\"\n{rest}\n");
    }
    text
}
