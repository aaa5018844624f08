//! The answers over HTTP/1.1: who asks, as text or JSON, and whether a port of theirs is reachable.
//!
//! One request a connection. The asker's address is the connection's other end; nothing in the request can name
//! another one. What a request means is decided by pure functions; [`listen`] and what it starts touch the network.

use std::collections::HashMap;
use std::fmt::Write as _;
use std::io;
use std::net::IpAddr;
use std::sync::{Arc, Mutex, PoisonError};
use std::time::Duration;

use tokio::io::{AsyncReadExt, AsyncWriteExt};
use tokio::net::{TcpListener, TcpStream};
use tokio::sync::{Semaphore, watch};
use tokio::task::JoinSet;
use tokio::time::timeout;

use super::budget::Client;
use super::{Meter, Ordeal, Probing, probe};
use crate::address::special;

/// Connections served at once, a listener.
const CONNECTIONS: usize = 64;
/// Connections of one client at once.
const CONNECTIONS_EACH: usize = 8;
/// The longest request head that is read, in bytes.
const HEAD: usize = 8 * 1024;
/// The most header fields that are read.
const FIELDS: usize = 64;
/// The longest that a connection lives.
const LIFE: Duration = Duration::from_secs(10);
/// After a stop is asked for, connections may take this long to end.
const GRACE: Duration = Duration::from_secs(5);
/// How long, and how much, is still read after the answer: closing over unread bytes would reset the connection, and
/// the answer could be lost (RFC 9112, section 9.6).
const LINGER: (Duration, usize) = (Duration::from_secs(1), 64 * 1024);

/// What all connections share.
pub(super) struct Service {
    pub(super) requests: Meter,
    pub(super) probing: Option<Probing>,
    open: Mutex<HashMap<Client, usize>>,
}

impl Service {
    pub(super) fn new(requests: Meter, probing: Option<Probing>) -> Self {
        Self { requests, probing, open: Mutex::default() }
    }
}

/// A client's place among its open connections.
struct Place {
    service: Arc<Service>,
    client: Client,
}

impl Place {
    fn take(service: &Arc<Service>, client: Client) -> Option<Self> {
        let mut open = service.open.lock().unwrap_or_else(PoisonError::into_inner);
        let count = open.entry(client).or_default();
        if *count >= CONNECTIONS_EACH {
            return None;
        }
        *count += 1;
        Some(Self { service: Arc::clone(service), client })
    }
}

impl Drop for Place {
    fn drop(&mut self) {
        let mut open = self.service.open.lock().unwrap_or_else(PoisonError::into_inner);
        match open.get_mut(&self.client) {
            Some(count) if *count > 1 => *count -= 1,
            _ => drop(open.remove(&self.client)),
        }
    }
}

/// Serves `listener` until `stop` changes; then gives open connections a little time.
pub(super) async fn listen(listener: TcpListener, service: Arc<Service>, mut stop: watch::Receiver<bool>) {
    let slots = Arc::new(Semaphore::new(CONNECTIONS));
    let mut connections = JoinSet::new();
    let mut ordeal = Ordeal::new("cannot accept a connection");
    loop {
        let next = async {
            let slot = Arc::clone(&slots).acquire_owned().await;
            (slot, listener.accept().await)
        };
        let (slot, accepted) = tokio::select! {
            next = next => next,
            _ = stop.changed() => break,
        };
        match accepted {
            Ok((stream, from)) => {
                ordeal.over();
                let address = special::unmap(from.ip());
                // Whoever has that many open already is not worth an answer.
                let Some(place) = Place::take(&service, Client::of(address)) else { continue };
                let service = Arc::clone(&service);
                connections.spawn(async move {
                    // A client that goes away, or takes too long, concerns nobody else.
                    let _ = timeout(LIFE, converse(stream, address, &service)).await;
                    drop((slot, place));
                });
            }
            Err(error) => ordeal.again(&error).await,
        }
        while connections.try_join_next().is_some() {}
    }
    drop(listener);
    let all = async { while connections.join_next().await.is_some() {} };
    // What is still open after that is cut off.
    let _ = timeout(GRACE, all).await;
}

async fn converse(mut stream: TcpStream, asker: IpAddr, service: &Service) -> io::Result<()> {
    let head = read_head(&mut stream).await?;
    let (method, answer) = match &head {
        None => (Method::Get, Answer::refusal(431, format!("The request's head is longer than {HEAD} bytes."))),
        Some(head) => match Request::read(head) {
            Err(why) => (Method::Get, Answer::refusal(400, why)),
            Ok(request) => (request.method, service.answer(asker, &request).await),
        },
    };
    tracing::debug!("{asker} asked over HTTP and was answered with {}", answer.status);
    stream.write_all(&answer.bytes(method)).await?;
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

/// The request's head, or `None` when it is too long.
async fn read_head(stream: &mut TcpStream) -> io::Result<Option<Vec<u8>>> {
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

#[derive(Clone, Copy, Debug, PartialEq, Eq)]
enum Method {
    Get,
    Head,
    Other,
}

/// What is asked. Header fields say nothing here: neither `Host` nor any that claims another sender.
#[derive(Clone, Debug, PartialEq, Eq)]
struct Request {
    method: Method,
    path: String,
    query: Option<String>,
}

impl Request {
    /// Reads a head that ends with an empty line.
    fn read(head: &[u8]) -> Result<Self, String> {
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
        Ok(Self { method, path: path.to_owned(), query: query.map(str::to_owned) })
    }

    /// The port in a query that is exactly `port=N`.
    fn port(&self) -> Option<u16> {
        let digits = self.query.as_deref()?.strip_prefix("port=")?;
        // `parse` alone would take a sign.
        digits.bytes().all(|byte| byte.is_ascii_digit()).then(|| digits.parse().ok().filter(|port| *port > 0))?
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

impl Service {
    async fn answer(&self, asker: IpAddr, request: &Request) -> Answer {
        if let Err(wait) = self.requests.take(asker) {
            return Answer::too_many(wait);
        }
        let known = matches!(request.path.as_str(), "/" | "/json" | "/probe");
        match (request.method, request.path.as_str()) {
            (Method::Other, _) if known => Answer {
                field: Some("Allow: GET, HEAD".to_owned()),
                ..Answer::refusal(405, "Only GET and HEAD.".into())
            },
            (_, "/") => Answer::text(200, format!("{asker}\n")),
            (_, "/json") => Answer::json(&serde_json::json!({ "ip": asker })),
            (_, "/probe") => self.probe(asker, request).await,
            _ => Answer::refusal(404, "There is / for your address as text, and /json.".to_owned()),
        }
    }

    async fn probe(&self, asker: IpAddr, request: &Request) -> Answer {
        let Some(probing) = &self.probing else {
            return Answer::refusal(
                404,
                "This witness does not probe: it was started without --probe-back.".to_owned(),
            );
        };
        let Some(port) = request.port() else {
            let text = "Ask for /probe?port=N and nothing else, N from 1 to 65535; the address is always your own.";
            return Answer::refusal(400, text.to_owned());
        };
        if let Err(why) = special::check(asker, &probing.accept_special) {
            return Answer::refusal(403, format!("You come from {asker}, where nothing is probed: {why}."));
        }
        if let Err(wait) = probing.meter.take(asker) {
            return Answer::too_many(wait);
        }
        match probe::probe(asker, port, probe::LIMIT).await {
            Ok(state) => Answer::json(&serde_json::json!({ "ip": asker, "port": port, "state": state })),
            Err(error) => {
                probing.failed(&error);
                Answer::refusal(503, "This machine cannot probe at the moment.".to_owned())
            }
        }
    }
}

/// An answer before it is put into bytes.
#[derive(Clone, Debug, PartialEq, Eq)]
struct Answer {
    status: u16,
    kind: &'static str,
    field: Option<String>,
    body: String,
}

impl Answer {
    fn text(status: u16, body: String) -> Self {
        Self { status, kind: "text/plain; charset=utf-8", field: None, body }
    }

    fn refusal(status: u16, why: String) -> Self {
        Self::text(status, format!("{why}\n"))
    }

    fn json(value: &serde_json::Value) -> Self {
        Self { kind: "application/json", ..Self::text(200, format!("{value}\n")) }
    }

    /// RFC 6585, section 4; RFC 9110, section 10.2.3.
    fn too_many(wait: Duration) -> Self {
        let seconds = wait.as_secs() + u64::from(wait.subsec_nanos() > 0);
        let why = format!("Too many requests: come again in {seconds} s.");
        Self { field: Some(format!("Retry-After: {seconds}")), ..Self::refusal(429, why) }
    }

    fn bytes(&self, method: Method) -> Vec<u8> {
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
        if let Some(field) = &self.field {
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

#[cfg(any(test, fuzzing))]
pub(crate) mod hostile;
#[cfg(test)]
mod tests;
