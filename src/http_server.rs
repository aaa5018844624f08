//! What every small HTTP/1.1 server of this program has in common: one request a connection, everything bounded.
//!
//! Reading a request, making the bytes of an answer, and [`admission`] are pure; [`read_head`] and [`finish`] use a stream
//! that is open.

pub(crate) use fingerpost_core::http_server::admission;

use std::collections::HashMap;
use std::fmt::Write as _;
use std::io;
use std::net::IpAddr;
use std::os::fd::AsFd;
use std::sync::{Arc, Mutex, MutexGuard, PoisonError};
use std::time::Duration;

use ipnet::IpNet;
use rustix::net::listen;
use rustix::net::sockopt::set_socket_linger;

use tokio::io::{AsyncRead, AsyncReadExt, AsyncWrite, AsyncWriteExt};
use tokio::task::{AbortHandle, JoinSet};
use tokio::time::timeout;

use admission::{Entry, Rules, Table, Ticket};

/// The longest request head that is read, in bytes.
pub(crate) const HEAD: usize = 8 * 1024;
/// The most header fields that are read.
const FIELDS: usize = 64;
/// How long, and how much, is still read after the answer: closing over unread bytes would reset the connection, and
/// the answer could be lost (RFC 9112, section 9.6).
const LINGER: (Duration, usize) = (Duration::from_secs(1), 64 * 1024);

/// Connections that wait to be accepted: a burst is no reason to turn anybody away. The kernel has a limit of its own
/// (net.core.somaxconn, 4096 since Linux 5.4).
const QUEUE: i32 = 4096;

/// So many are accepted before those who are in have their turn: fewer than may be in, or a newcomer could be dropped before
/// anybody has looked whether it has asked.
const AT_ONCE: u32 = 16;

/// The wait after a socket fails to give what has come, so that a lasting fault does not keep the machine busy.
const WAIT: Duration = Duration::from_millis(100);

/// Lets connections in by the rules of [`admission`], and ends those that have to go.
pub(crate) struct Gate(Mutex<Inside>);

struct Inside {
    table: Table,
    tasks: HashMap<Ticket, AbortHandle>,
}

/// A connection that was let in, for as long as this lives.
pub(crate) struct Admitted {
    gate: Arc<Gate>,
    ticket: Ticket,
}

impl Gate {
    /// Nobody is in. Each of `ranges` has places of its own, as this machine has.
    pub(crate) fn new(rules: Rules, ranges: &[IpNet]) -> Arc<Self> {
        Arc::new(Self(Mutex::new(Inside { table: Table::new(rules, ranges), tasks: HashMap::new() })))
    }

    /// Lets a connection from `from` in, if there is a place or one can be made.
    pub(crate) fn enter(self: &Arc<Self>, from: IpAddr) -> Option<Admitted> {
        let mut inside = self.inside();
        let Entry::In(ticket, dropped) = inside.table.enter(from) else { return None };
        let ended: Vec<_> = dropped.iter().filter_map(|ticket| inside.tasks.remove(ticket)).collect();
        drop(inside);
        ended.iter().for_each(AbortHandle::abort);
        Some(Admitted { gate: Arc::clone(self), ticket })
    }

    /// Lets a connection in as [`Self::enter`] does, and has it served among `connections` by what `talk` makes of it.
    /// Whoever has no place is not worth an answer.
    pub(crate) fn serve<F>(
        self: &Arc<Self>,
        connections: &mut JoinSet<()>,
        from: IpAddr,
        talk: impl FnOnce(Admitted) -> F,
    ) where
        F: Future<Output = ()> + Send + 'static,
    {
        let Some(admitted) = self.enter(from) else { return };
        let ticket = admitted.ticket;
        let task = connections.spawn(talk(admitted));
        let mut inside = self.inside();
        // It may be over already.
        if inside.table.has(ticket) {
            inside.tasks.insert(ticket, task);
        }
    }

    fn inside(&self) -> MutexGuard<'_, Inside> {
        self.0.lock().unwrap_or_else(PoisonError::into_inner)
    }
}

impl Admitted {
    /// Its request has come: while the answer is made it is not dropped.
    pub(crate) fn asked(&self) {
        self.gate.inside().table.asked(self.ticket);
    }

    /// Its answer is made, and on the way: whoever does not take it may have to go for another.
    pub(crate) fn told(&self) {
        self.gate.inside().table.told(self.ticket);
    }

    /// It has its answer.
    pub(crate) fn answered(&self) {
        self.gate.inside().table.answered(self.ticket);
    }
}

impl Drop for Admitted {
    fn drop(&mut self) {
        let mut inside = self.gate.inside();
        inside.table.left(self.ticket);
        inside.tasks.remove(&self.ticket);
    }
}

/// Lets as many wait at a socket that listens already.
pub(crate) fn queue(listener: impl AsFd) {
    let _ = listen(listener, QUEUE);
}

/// Gives way to those who are in, each [`AT_ONCE`] newcomers.
pub(crate) struct Pace(u32);

impl Pace {
    pub(crate) fn new() -> Self {
        Self(0)
    }

    pub(crate) async fn another(&mut self) {
        self.0 = (self.0 + 1) % AT_ONCE;
        if self.0 == 0 {
            tokio::task::yield_now().await;
        }
    }
}

/// Whoever has not asked is reset when it is dropped: else the kernel would keep what is left of each for a minute
/// (socket(7); tcp(7), tcp_fin_timeout), as much for a flood as the service may have altogether.
pub(crate) fn curtly(stream: impl AsFd) {
    let _ = set_socket_linger(stream, Some(Duration::ZERO));
}

/// Whoever has asked gets its whole answer.
pub(crate) fn kindly(stream: impl AsFd) {
    let _ = set_socket_linger(stream, None);
}

/// The request's head, or `None` when it is too long.
pub(crate) async fn read_head(stream: &mut (impl AsyncRead + Unpin)) -> io::Result<Option<Vec<u8>>> {
    let mut head = Vec::new();
    let mut chunk = [0; 1024];
    loop {
        let count = stream.read(&mut chunk).await?;
        if count == 0 {
            return Err(io::ErrorKind::UnexpectedEof.into());
        }
        let searched = head.len().saturating_sub(3);
        head.extend_from_slice(chunk.get(..count).unwrap_or_default());
        let end = head.get(searched..).unwrap_or_default().windows(4).position(|end| end == b"\r\n\r\n");
        match end.map(|at| searched + at + 4) {
            Some(end) if end <= HEAD => {
                head.truncate(end);
                return Ok(Some(head));
            }
            None if head.len() < HEAD => {}
            _ => return Ok(None),
        }
    }
}

/// Ends a connection after the answer.
pub(crate) async fn finish(stream: &mut (impl AsyncRead + AsyncWrite + Unpin)) -> io::Result<()> {
    stream.shutdown().await?;
    let (span, mut left) = LINGER;
    let rest = async {
        let mut chunk = [0; 1024];
        while left > 0 {
            match stream.read(&mut chunk).await {
                Ok(count) if count > 0 => left = left.saturating_sub(count),
                _ => break,
            }
        }
    };
    let _ = timeout(span, rest).await;
    Ok(())
}

#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(crate) enum Method {
    Get,
    Head,
    Other,
}

/// What is asked. No header field that claims another sender counts for anything.
#[derive(Clone, Debug, PartialEq, Eq)]
pub(crate) struct Request {
    pub(crate) method: Method,
    pub(crate) path: String,
    pub(crate) query: Option<String>,
    /// Whom the asker means to ask (RFC 9110, section 7.2).
    pub(crate) host: Option<String>,
    /// The page that makes a browser ask (RFC 6454, section 7).
    pub(crate) origin: Option<String>,
}

impl Request {
    /// Reads a head that ends with an empty line.
    pub(crate) fn read(head: &[u8]) -> Result<Self, String> {
        let mut fields = [httparse::EMPTY_HEADER; FIELDS];
        let mut request = httparse::Request::new(&mut fields);
        match request.parse(head) {
            Ok(httparse::Status::Complete(_)) => {}
            Ok(httparse::Status::Partial) => return Err("This is not a whole HTTP request.".to_owned()),
            Err(error) => return Err(format!("This is not an HTTP request: {error}.")),
        }
        let hosts = request.headers.iter().filter(|field| field.name.eq_ignore_ascii_case("host")).count();
        // RFC 9112, section 3.2.
        if hosts > 1 || (hosts == 0 && request.version == Some(1)) {
            return Err("HTTP/1.1 needs one Host field (RFC 9112, 3.2).".to_owned());
        }
        let method = match request.method {
            Some("GET") => Method::Get,
            Some("HEAD") => Method::Head,
            _ => Method::Other,
        };
        let target = request.path.unwrap_or_default();
        let target = origin_form(target);
        let (path, query) = target.split_once('?').map_or((target, None), |(path, query)| (path, Some(query)));
        let field = |name: &str| {
            let field = request.headers.iter().find(|field| field.name.eq_ignore_ascii_case(name))?;
            Some(String::from_utf8_lossy(field.value).trim().to_owned())
        };
        let (host, origin) = (field("host"), field("origin"));
        Ok(Self { method, path: path.to_owned(), query: query.map(str::to_owned), host, origin })
    }
}

/// Path and query of a request target: a server has to take the absolute form too (RFC 9112, section 3.2.2).
fn origin_form(target: &str) -> &str {
    match target.split_once("://") {
        Some((scheme, rest)) if !scheme.contains(['/', '?']) => {
            rest.find(['/', '?']).and_then(|at| rest.get(at..)).unwrap_or("/")
        }
        _ => target,
    }
}

/// An answer before it is put into bytes.
#[derive(Clone, Debug, PartialEq, Eq)]
pub(crate) struct Response {
    pub(crate) status: u16,
    pub(crate) kind: &'static str,
    /// More header fields, each `Name: value`.
    pub(crate) fields: Vec<String>,
    pub(crate) body: String,
}

impl Response {
    pub(crate) fn text(status: u16, body: String) -> Self {
        Self { status, kind: "text/plain; charset=utf-8", fields: Vec::new(), body }
    }

    pub(crate) fn refusal(status: u16, why: String) -> Self {
        Self::text(status, format!("{why}\n"))
    }

    pub(crate) fn json(value: &serde_json::Value) -> Self {
        Self { kind: "application/json", ..Self::text(200, format!("{value}\n")) }
    }

    pub(crate) fn bytes(&self, method: Method) -> Vec<u8> {
        // RFC 9110, section 15; the phrase may be anything (RFC 9112, section 4).
        let phrase = match self.status {
            200 => "OK",
            400 => "Bad Request",
            403 => "Forbidden",
            404 => "Not Found",
            405 => "Method Not Allowed",
            429 => "Too Many Requests",
            431 => "Request Header Fields Too Large",
            _ => "Service Unavailable",
        };
        let mut text = format!("HTTP/1.1 {} {phrase}\r\nContent-Type: {}\r\n", self.status, self.kind);
        let _ = write!(text, "Content-Length: {}\r\nCache-Control: no-store\r\nConnection: close\r\n", self.body.len());
        for field in &self.fields {
            let _ = write!(text, "{field}\r\n");
        }
        text.push_str("\r\n");
        // RFC 9110, section 9.3.2.
        if method != Method::Head {
            text.push_str(&self.body);
        }
        text.into_bytes()
    }
}

/// A fault that lasts: told when it begins and when it is over.
pub(crate) struct Ordeal {
    what: &'static str,
    lasting: bool,
}

impl Ordeal {
    pub(crate) fn new(what: &'static str) -> Self {
        Self { what, lasting: false }
    }

    pub(crate) async fn again(&mut self, error: &io::Error) {
        if !self.lasting {
            tracing::warn!("{}: {error}; goes on trying", self.what);
        }
        self.lasting = true;
        tokio::time::sleep(WAIT).await;
    }

    pub(crate) fn over(&mut self) {
        if self.lasting {
            tracing::info!("over: {}", self.what);
        }
        self.lasting = false;
    }
}
