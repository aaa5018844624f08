//! The answers over HTTP/1.1: who asks, as text or JSON, and whether a port of theirs is reachable.
//!
//! One request a connection. The asker's address is the connection's other end; nothing in the request can name
//! another one. What a request means is decided by pure functions; [`listen`] and what it starts touch the network.

use std::hash::RandomState;
use std::io;
use std::net::IpAddr;
use std::sync::{Arc, Mutex, PoisonError};
use std::time::Duration;

use tokio::io::AsyncWriteExt;
use tokio::net::{TcpListener, TcpStream};
use tokio::sync::watch;
use tokio::task::JoinSet;
use tokio::time::{Instant, timeout};

use super::budget::{Client, Rates};
use super::sieve::Fair;
use super::{Knocking, knock};
use crate::address::{Family, special};
use crate::http_server::admission::Rules;
use crate::http_server::{
    Admitted, Gate, HEAD, Method, Ordeal, Pace, Request, Response, curtly, finish, kindly, read_head,
};

/// Connections served at once. Those that have not sent their request take little memory, and the more there are, the longer
/// has a client that means it before a flood takes its place.
const CONNECTIONS: Rules = Rules { all: 512, kept: 16, each: 8, network: 32, site: 64 };
/// The longest that a connection lives.
const LIFE: Duration = Duration::from_secs(10);
/// After a stop is asked for, connections may take this long to end.
const GRACE: Duration = Duration::from_secs(5);
/// What all connections share.
/// How often may be asked.
pub(super) struct Limit {
    begun: Instant,
    fair: Mutex<Fair<RandomState>>,
}

impl Limit {
    /// So many times a minute, counted from `begun`.
    pub(super) fn new(begun: Instant, rates: Rates) -> Self {
        Self { begun, fair: Mutex::new(Fair::new(rates, RandomState::new())) }
    }

    fn take(&self, asker: IpAddr) -> Result<(), Duration> {
        let mut fair = self.fair.lock().unwrap_or_else(PoisonError::into_inner);
        fair.take(self.begun.elapsed(), Client::of(asker))
    }
}

pub(super) struct Service {
    requests: Limit,
    pub(super) knocking: Option<Knocking>,
    gate: Arc<Gate>,
}

impl Service {
    pub(super) fn new(requests: Limit, knocking: Option<Knocking>) -> Self {
        Self { requests, knocking, gate: Gate::new(CONNECTIONS, &[]) }
    }
}

/// Serves `listener` until `stop` changes; then gives open connections a little time.
pub(super) async fn listen(listener: TcpListener, service: Arc<Service>, mut stop: watch::Receiver<bool>) {
    let mut connections = JoinSet::new();
    let (mut ordeal, mut pace) = (Ordeal::new("cannot accept a connection"), Pace::new());
    loop {
        let accepted = tokio::select! {
            accepted = listener.accept() => accepted,
            _ = stop.changed() => break,
        };
        match accepted {
            Ok((stream, from)) => {
                ordeal.over();
                curtly(&stream);
                let address = special::unmap(from.ip());
                let shared = Arc::clone(&service);
                service.gate.serve(&mut connections, address, async move |admitted| {
                    // A client that goes away, or takes too long, concerns nobody else.
                    let _ = timeout(LIFE, converse(stream, address, &admitted, &shared)).await;
                });
            }
            Err(error) => ordeal.again(&error).await,
        }
        while connections.try_join_next().is_some() {}
        pace.another().await;
    }
    drop(listener);
    let all = async { while connections.join_next().await.is_some() {} };
    // What is still open after that is cut off.
    let _ = timeout(GRACE, all).await;
}

async fn converse(mut stream: TcpStream, asker: IpAddr, admitted: &Admitted, service: &Service) -> io::Result<()> {
    let head = read_head(&mut stream).await?;
    admitted.asked();
    kindly(&stream);
    let (method, answer) = match &head {
        None => (Method::Get, Response::refusal(431, format!("The request's head is longer than {HEAD} bytes."))),
        Some(head) => match Request::read(head) {
            Err(why) => (Method::Get, Response::refusal(400, why)),
            Ok(request) => (request.method, service.answer(asker, &request).await),
        },
    };
    tracing::debug!("{asker} asked over HTTP and was answered with {}", answer.status);
    admitted.told();
    stream.write_all(&answer.bytes(method)).await?;
    admitted.answered();
    finish(&mut stream).await
}

impl Service {
    async fn answer(&self, asker: IpAddr, request: &Request) -> Response {
        if let Err(wait) = self.requests.take(asker) {
            return too_many(wait);
        }
        let known = matches!(request.path.as_str(), "/" | "/seen" | "/knock");
        match (request.method, request.path.as_str()) {
            (Method::Other, _) if known => Response {
                fields: vec!["Allow: GET, HEAD".to_owned()],
                ..Response::refusal(405, "Only GET and HEAD.".into())
            },
            (_, "/") => Response::text(200, format!("{asker}\n")),
            (_, "/seen") => Response::json(&serde_json::json!({ "seen": asker, "family": Family::of(asker) })),
            (_, "/knock") => self.knock(asker, request).await,
            _ => Response::refusal(404, "There is / for your address as text, and /seen for an object.".to_owned()),
        }
    }

    async fn knock(&self, asker: IpAddr, request: &Request) -> Response {
        let Some(knocking) = &self.knocking else {
            return Response::refusal(
                404,
                "This witness does not knock: it was started without --knock-back.".to_owned(),
            );
        };
        let Some(port) = port_of(request) else {
            let text = "Ask for /knock?port=N and nothing else, N from 1 to 65535; the address is always your own.";
            return Response::refusal(400, text.to_owned());
        };
        if let Err(why) = special::check(asker, &knocking.accept_special) {
            return Response::refusal(403, format!("You come from {asker}, where nothing is knocked at: {why}."));
        }
        if let Err(wait) = knocking.meter.take(asker) {
            return too_many(wait);
        }
        match knock::knock(asker, port, knock::LIMIT).await {
            Ok(knock) => Response::json(&serde_json::json!({ "seen": asker, "port": port, "knock": knock })),
            Err(error) => {
                knocking.failed(&error);
                Response::refusal(503, "This machine cannot knock at the moment.".to_owned())
            }
        }
    }
}

/// RFC 6585, section 4; RFC 9110, section 10.2.3.
fn too_many(wait: Duration) -> Response {
    let seconds = wait.as_secs() + u64::from(wait.subsec_nanos() > 0);
    let why = format!("Too many requests: come again in {seconds} s.");
    Response { fields: vec![format!("Retry-After: {seconds}")], ..Response::refusal(429, why) }
}

/// The port in a query that is exactly `port=N`.
fn port_of(request: &Request) -> Option<u16> {
    let digits = request.query.as_deref()?.strip_prefix("port=")?;
    // `parse` alone would take a sign.
    digits.bytes().all(|byte| byte.is_ascii_digit()).then(|| digits.parse().ok().filter(|port| *port > 0))?
}

#[cfg(any(test, fuzzing))]
pub(crate) mod hostile;
#[cfg(test)]
mod tests;
