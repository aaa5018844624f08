//! The program under test, and a client that is careful about where it comes from.

use std::io::{BufRead as _, BufReader, Read as _, Write as _};
use std::net::{IpAddr, SocketAddr, TcpStream};
use std::process::{Child, Command, Stdio};
use std::thread::JoinHandle;
use std::time::{Duration, Instant};

use rustix::process::{Pid, Signal, kill_process};

/// How long anything may take to come true.
const PATIENCE: Duration = Duration::from_secs(30);

/// `fingerpost echo` with these arguments.
pub(crate) fn command(arguments: &[&str]) -> Command {
    let mut command = Command::new(env!("CARGO_BIN_EXE_fingerpost"));
    command.arg("echo").args(arguments).stdin(Stdio::null());
    command
}

/// A running echo service; it ends with this value.
pub(crate) struct Echo {
    child: Child,
    log: Option<JoinHandle<String>>,
    pub(crate) http: Vec<SocketAddr>,
    pub(crate) stun: Vec<SocketAddr>,
}

impl Echo {
    pub(crate) fn start(arguments: &[&str]) -> Self {
        Self::start_with(arguments, &[])
    }

    /// Starts it and waits until it has told each address.
    pub(crate) fn start_with(arguments: &[&str], environment: &[(&str, &str)]) -> Self {
        let wanted = arguments.iter().filter(|argument| ["--http", "--stun"].contains(argument)).count();
        let mut command = command(arguments);
        command.envs(environment.iter().copied());
        Self::run(command, wanted)
    }

    /// Runs `command` and waits until it has told `wanted` addresses.
    pub(crate) fn run(mut command: Command, wanted: usize) -> Self {
        let mut child = command.stderr(Stdio::piped()).spawn().unwrap();
        let mut lines = BufReader::new(child.stderr.take().unwrap());
        let (mut text, mut http, mut stun) = (String::new(), Vec::new(), Vec::new());
        while http.len() + stun.len() < wanted {
            let mut line = String::new();
            assert_ne!(lines.read_line(&mut line).unwrap(), 0, "it ended:\n{text}");
            for (what, at) in [("answers HTTP at ", &mut http), ("answers STUN at ", &mut stun)] {
                at.extend(line.split_once(what).map(|(_, at)| at.trim().parse::<SocketAddr>().unwrap()));
            }
            text += &line;
        }
        let log = std::thread::spawn(move || {
            let _ = lines.read_to_string(&mut text);
            text
        });
        Self { child, log: Some(log), http, stun }
    }

    pub(crate) fn tell_to_stop(&self) {
        let pid = Pid::from_raw(self.child.id().try_into().unwrap()).unwrap();
        kill_process(pid, Signal::TERM).unwrap();
    }

    /// Stops it as a service manager does and returns its log.
    pub(crate) fn stop(mut self) -> String {
        self.tell_to_stop();
        assert!(self.child.wait().unwrap().success());
        self.log.take().unwrap().join().unwrap()
    }
}

impl Drop for Echo {
    fn drop(&mut self) {
        let _ = self.child.kill();
        let _ = self.child.wait();
    }
}

/// An answer, taken apart.
#[derive(Debug)]
pub(crate) struct Reply {
    pub(crate) status: u16,
    head: String,
    pub(crate) body: String,
}

impl Reply {
    /// The value of a header field.
    pub(crate) fn field(&self, name: &str) -> Option<&str> {
        let fields = self.head.lines().filter_map(|line| line.split_once(": "));
        fields.into_iter().find(|(field, _)| field.eq_ignore_ascii_case(name)).map(|(_, value)| value)
    }
}

/// A connection from the address `from` to `port` of the same family's loopback.
pub(crate) fn open(from: &str, port: u16) -> TcpStream {
    let from: IpAddr = from.parse().unwrap();
    let to = if from.is_ipv4() { IpAddr::from([127, 0, 0, 1]) } else { from };
    let stream = run(async {
        let socket = if from.is_ipv4() { tokio::net::TcpSocket::new_v4() } else { tokio::net::TcpSocket::new_v6() };
        let socket = socket.unwrap();
        socket.bind((from, 0).into()).unwrap();
        socket.connect((to, port).into()).await.unwrap().into_std().unwrap()
    });
    stream.set_nonblocking(false).unwrap();
    stream.set_read_timeout(Some(PATIENCE)).unwrap();
    stream
}

/// A GET of `target` with further header lines.
pub(crate) fn get(from: &str, port: u16, target: &str, fields: &str) -> Reply {
    let mut stream = open(from, port);
    write!(stream, "GET {target} HTTP/1.1\r\nHost: 198.51.100.9\r\n{fields}\r\n").unwrap();
    reply(stream)
}

/// What comes until the end.
pub(crate) fn reply(stream: TcpStream) -> Reply {
    try_reply(stream).unwrap()
}

/// The same, or nothing when the connection is closed without an answer.
pub(crate) fn try_reply(mut stream: TcpStream) -> Option<Reply> {
    let mut bytes = Vec::new();
    stream.read_to_end(&mut bytes).ok()?;
    let text = String::from_utf8(bytes).unwrap();
    let (head, body) = text.split_once("\r\n\r\n")?;
    let status = head.strip_prefix("HTTP/1.1 ").unwrap()[..3].parse().unwrap();
    Some(Reply { status, head: head.to_owned(), body: body.to_owned() })
}

/// Waits until `seen`; panics with `what` when that takes too long.
pub(crate) fn until(what: &str, mut seen: impl FnMut() -> bool) {
    let end = Instant::now() + PATIENCE;
    while !seen() {
        assert!(Instant::now() < end, "waited in vain for {what}");
        std::thread::sleep(Duration::from_millis(5));
    }
}

pub(crate) fn run<T>(work: impl Future<Output = T>) -> T {
    tokio::runtime::Builder::new_current_thread().enable_all().build().unwrap().block_on(work)
}
