//! nginx as echo services: one process, any number of services, a port each.

use std::fmt::Write as _;
use std::fs;
use std::io::{Read, Write as _};
use std::net::{Ipv4Addr, Ipv6Addr, SocketAddr, TcpListener, TcpStream};
use std::path::{Path, PathBuf};
use std::process::{Child, Command, Stdio};
use std::time::{Duration, Instant};

use tempfile::TempDir;

/// How long nginx may take to be ready; it takes some tens of milliseconds.
const PATIENCE: Duration = Duration::from_secs(10);

/// One service to come.
pub(crate) struct Service {
    /// Port 0 is any that is free.
    at: SocketAddr,
    kind: Kind,
    tls: Option<PathBuf>,
}

enum Kind {
    Fixed(String),
    Directives(String),
}

impl Service {
    /// Answers with `text`, which [`Nginx::say`] changes.
    pub(crate) fn says(text: &str) -> Self {
        Self::new(Kind::Fixed(text.to_owned()))
    }

    /// Answers with the address of whoever asks.
    pub(crate) fn echo() -> Self {
        Self::with("return 200 \"$remote_addr\\n\";")
    }

    /// Answers by nginx's own directives for a location.
    pub(crate) fn with(directives: &str) -> Self {
        Self::new(Kind::Directives(directives.to_owned()))
    }

    fn new(kind: Kind) -> Self {
        Self { at: (Ipv4Addr::LOCALHOST, 0).into(), kind, tls: None }
    }

    /// The same on the IPv6 loopback.
    pub(crate) fn on_ipv6(self) -> Self {
        self.at((Ipv6Addr::LOCALHOST, 0).into())
    }

    /// The same at this address: in a network namespace, where nobody else can take it.
    pub(crate) fn at(self, at: SocketAddr) -> Self {
        Self { at, ..self }
    }

    /// The same over TLS, with certificate and key in one PEM file.
    pub(crate) fn over_tls(self, pem: &Path) -> Self {
        Self { tls: Some(pem.to_owned()), ..self }
    }
}

/// A running nginx; it ends with this value.
pub(crate) struct Nginx {
    child: Child,
    dir: TempDir,
    at: Vec<SocketAddr>,
    tls: Vec<bool>,
}

impl Nginx {
    /// Starts one process for all `services` and waits until each is served.
    ///
    /// Panics when nginx is missing or does not come up: then the test has failed.
    pub(crate) fn start(services: &[Service]) -> Self {
        // Between choosing a free port and nginx taking it, somebody else may have it: then another try.
        (0..5).find_map(|_| Self::attempt(services)).expect("nginx did not come up in five attempts")
    }

    fn attempt(services: &[Service]) -> Option<Self> {
        let dir = tempfile::tempdir().unwrap();
        let free: Vec<_> = services.iter().map(|service| TcpListener::bind(service.at).unwrap()).collect();
        let at: Vec<_> = free.iter().map(|listener| listener.local_addr().unwrap()).collect();
        drop(free);
        for (index, service) in services.iter().enumerate() {
            if let Kind::Fixed(text) = &service.kind {
                fs::write(dir.path().join(format!("answer-{index}")), text).unwrap();
            }
        }
        fs::write(dir.path().join("nginx.conf"), configuration(dir.path(), services, &at)).unwrap();
        let tls = services.iter().map(|service| service.tls.is_some()).collect();
        let mut nginx = Self { child: run(dir.path()), dir, at, tls };
        nginx.comes_up().then_some(nginx)
    }

    fn comes_up(&mut self) -> bool {
        let deadline = Instant::now() + PATIENCE;
        while !self.ready() {
            if self.child.try_wait().unwrap().is_some() {
                eprintln!("nginx ended: {}", self.log());
                return false;
            }
            assert!(Instant::now() < deadline, "nginx is not ready: {}", self.log());
            std::thread::sleep(Duration::from_millis(2));
        }
        true
    }

    /// Ends it and waits for that; its ports refuse connections then.
    pub(crate) fn stop(&mut self) {
        let _ = self.child.kill();
        let _ = self.child.wait();
    }

    /// Starts a stopped one again, on the same ports.
    pub(crate) fn start_again(&mut self) {
        // The killed process left its socket behind.
        let _ = fs::remove_file(self.dir.path().join("ready"));
        self.child = run(self.dir.path());
        assert!(self.comes_up(), "nginx did not start again: {}", self.log());
    }

    /// nginx listens on all ports or on none, and its readiness socket is no one else's.
    fn ready(&self) -> bool {
        let socket = std::os::unix::net::UnixStream::connect(self.dir.path().join("ready"));
        let mut answer = String::new();
        socket.is_ok_and(|mut socket| {
            socket.set_read_timeout(Some(PATIENCE)).unwrap();
            socket.write_all(b"GET / HTTP/1.0\r\n\r\n").is_ok() && socket.read_to_string(&mut answer).is_ok()
        }) && answer.ends_with("ready")
    }

    fn log(&self) -> String {
        fs::read_to_string(self.dir.path().join("error.log")).unwrap_or_default()
    }

    /// The URL of the service at `index`, in the order given to [`Nginx::start`].
    pub(crate) fn url(&self, index: usize) -> String {
        let scheme = if self.tls[index] { "https" } else { "http" };
        format!("{scheme}://{}/", self.at[index])
    }

    /// Makes the service at `index`, one made by [`Service::says`], answer `text` from now on.
    pub(crate) fn say(&self, index: usize, text: &str) {
        let (new, answer) = (self.dir.path().join("new"), self.dir.path().join(format!("answer-{index}")));
        assert!(answer.exists(), "service {index} has no fixed answer");
        fs::write(&new, text).unwrap();
        fs::rename(new, answer).unwrap();
    }

    /// The requests that the service at `index` has answered, such as `GET / HTTP/1.1`, once they are `count` or more.
    /// nginx logs a request after answering it, so the answer may be there first.
    pub(crate) fn asked(&self, index: usize, count: usize) -> Vec<String> {
        let at = format!("{}:{} ", self.at[index].ip(), self.at[index].port());
        let deadline = Instant::now() + PATIENCE;
        loop {
            let log = fs::read_to_string(self.dir.path().join("access.log")).unwrap_or_default();
            let asked: Vec<_> = log.lines().filter_map(|line| line.strip_prefix(&at)).map(str::to_owned).collect();
            if asked.len() >= count {
                return asked;
            }
            assert!(Instant::now() < deadline, "service {index} was asked {} times, not {count}", asked.len());
            std::thread::sleep(Duration::from_millis(2));
        }
    }
}

impl Drop for Nginx {
    fn drop(&mut self) {
        self.stop();
    }
}

/// A temporary directory is closed to others, and a worker started by root would be another user: so no worker.
/// `user root` is for a user namespace with no other user; elsewhere it changes nothing without a worker.
fn run(dir: &Path) -> Child {
    Command::new("nginx")
        .args(["-p".as_ref(), dir, "-e".as_ref(), &dir.join("error.log"), "-c".as_ref(), &dir.join("nginx.conf")])
        .stdin(Stdio::null())
        .stdout(Stdio::null())
        .stderr(Stdio::null())
        .spawn()
        .expect("nginx cannot be run; is it installed and in PATH?")
}

fn configuration(dir: &Path, services: &[Service], at: &[SocketAddr]) -> String {
    let dir = dir.display();
    let mut text = format!(
        "user root; daemon off; master_process off; pid {dir}/pid; error_log {dir}/error.log;\n\
         events {{ worker_connections 256; }}\n\
         http {{\nlog_format asked '$server_addr:$server_port $request'; access_log {dir}/access.log asked;\n\
         client_body_temp_path {dir}/t1; proxy_temp_path {dir}/t2; fastcgi_temp_path {dir}/t3;\n\
         uwsgi_temp_path {dir}/t4; scgi_temp_path {dir}/t5; default_type text/plain;\n\
         server {{ listen unix:{dir}/ready; access_log off; location / {{ return 200 ready; }} }}\n"
    );
    for (index, (service, at)) in services.iter().zip(at).enumerate() {
        let tls = service.tls.as_ref().map(|pem| {
            let pem = pem.display();
            (" ssl", format!("ssl_certificate {pem}; ssl_certificate_key {pem};"))
        });
        let (ssl, certificate) = tls.unwrap_or_default();
        let location = match &service.kind {
            Kind::Fixed(_) => format!("root {dir}; try_files /answer-{index} =500;"),
            Kind::Directives(directives) => directives.clone(),
        };
        writeln!(text, "server {{ listen {at}{ssl}; {certificate} location / {{ {location} }} }}").unwrap();
    }
    text + "}\n"
}

/// A service that is down: its port refuses connections and is nobody else's for as long as this lives.
pub(crate) struct Down(tokio::net::TcpSocket);

impl Down {
    /// Takes a port and does not listen on it.
    pub(crate) fn new() -> Self {
        let socket = tokio::net::TcpSocket::new_v4().unwrap();
        socket.bind(([127, 0, 0, 1], 0).into()).unwrap();
        let down = Self(socket);
        assert!(TcpStream::connect(down.0.local_addr().unwrap()).is_err(), "a port that is down took a connection");
        down
    }

    /// Its URL.
    pub(crate) fn url(&self) -> String {
        format!("http://{}/", self.0.local_addr().unwrap())
    }
}
