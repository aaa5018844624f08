//! The answers over STUN: Binding on UDP (RFC 8489). What is said is decided by [`message::respond`].

use std::hash::RandomState;
use std::net::{IpAddr, SocketAddr};
use std::sync::{Arc, Mutex, PoisonError};

use tokio::net::UdpSocket;
use tokio::sync::watch;
use tokio::time::Instant;

use super::budget::Client;
use super::sieve::Sieve;
use crate::address::special;
use crate::http_server::Ordeal;
use crate::watch::stun::message;

/// Datagrams that are answered before others of this thread have their turn.
const AT_ONCE: usize = 64;

/// How often each is answered.
pub(super) struct Limit {
    begun: Instant,
    sieve: Mutex<Sieve<RandomState>>,
}

impl Limit {
    /// So many times a minute, counted from `begun`.
    pub(super) fn new(begun: Instant, each: u32) -> Self {
        Self { begun, sieve: Mutex::new(Sieve::new(each, RandomState::new())) }
    }

    fn take(&self, asker: IpAddr) -> bool {
        let mut sieve = self.sieve.lock().unwrap_or_else(PoisonError::into_inner);
        sieve.take(self.begun.elapsed(), Client::of(asker)).is_ok()
    }
}

/// Serves `socket` until `stop` changes. Whoever is over a limit is not answered: STUN has no word for it, and the
/// sender may be forged.
pub(super) async fn listen(socket: UdpSocket, limit: Arc<Limit>, mut stop: watch::Receiver<bool>) {
    let mut ordeal = Ordeal::new("cannot receive STUN requests");
    // One byte more than is read, so that what is longer shows.
    let mut buffer = [0; message::LONGEST + 1];
    loop {
        let received = tokio::select! {
            received = socket.recv_from(&mut buffer) => received,
            _ = stop.changed() => return,
        };
        match received {
            Ok((count, from)) => {
                ordeal.over();
                answer(&socket, &limit, buffer.get(..count).unwrap_or_default(), from);
                // What else has come is answered without going around the loop.
                for _ in 1..AT_ONCE {
                    let Ok((count, from)) = socket.try_recv_from(&mut buffer) else { break };
                    answer(&socket, &limit, buffer.get(..count).unwrap_or_default(), from);
                }
                tokio::task::yield_now().await;
            }
            Err(error) => ordeal.again(&error).await,
        }
    }
}

/// An answer for which the queue has no room is not sent: waiting for it would keep the others waiting.
fn answer(socket: &UdpSocket, limit: &Limit, datagram: &[u8], from: SocketAddr) {
    let asker = special::unmap(from.ip());
    let Some(answer) = message::respond(datagram, SocketAddr::new(asker, from.port())) else { return };
    if !limit.take(asker) {
        tracing::debug!("{asker} asked over STUN too often and is not answered");
        return;
    }
    match socket.try_send_to(&answer, from) {
        Ok(_) => tracing::debug!("{asker} asked over STUN and was answered"),
        Err(error) => tracing::debug!("{asker} asked over STUN and cannot be answered: {error}"),
    }
}
