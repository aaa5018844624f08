//! STUN servers: one Binding transaction over UDP (RFC 8489), on a fresh socket, bounded in time.
//!
//! A fresh socket asks from a fresh port, which an attacker off the path would have to guess besides the 96 bits of
//! the transaction id.

pub use fingerpost_core::watch::stun::message;

use std::io;
use std::net::{IpAddr, SocketAddr};
use std::time::Duration;

use ring::rand::{SecureRandom, SystemRandom};
use tokio::net::{UdpSocket, lookup_host};
use tokio::time::{Instant, timeout, timeout_at};

use super::Silence;
use super::http::local_address;
use crate::address::Family;
use crate::settings::Bind;
use message::TransactionId;

// RFC 8489, section 6.2.1: the initial RTO, the number of requests, and the last wait in multiples of the RTO.
const RTO: Duration = Duration::from_millis(500);
const RC: u32 = 7;
const RM: u32 = 16;

/// When requests are sent, and at last when the transaction has failed, each since its start (RFC 8489, section 6.2.1).
fn schedule() -> impl Iterator<Item = Duration> {
    let sent = |count: u32| RTO * (2_u32.pow(count) - 1);
    (1..RC).map(sent).chain([sent(RC - 1) + RTO * RM])
}

/// Asks the STUN server at `server`, which is `host:port`, over `family`, going out as `bind` says, for at most `budget`. The address is as it
/// came: not judged yet.
///
/// # Errors
/// The [`Silence`] that says why there is none.
pub async fn ask(server: &str, family: Family, bind: Option<&Bind>, budget: Duration) -> Result<IpAddr, Silence> {
    timeout(budget, transact(server, family, bind)).await.unwrap_or(Err(Silence::TimedOut(budget)))
}

async fn transact(server: &str, family: Family, bind: Option<&Bind>) -> Result<IpAddr, Silence> {
    let mut addresses = lookup_host(server).await.map_err(|error| unreachable(&error))?;
    let server = addresses
        .find(|address| Family::of(address.ip()) == family)
        .ok_or_else(|| Silence::Unreachable(format!("its host has no {family} address")))?;
    let id = fresh_id()?;
    let local = local_address(family, bind).ok_or(Silence::NoWay)?;
    let socket = UdpSocket::bind(SocketAddr::new(local, 0)).await.map_err(|error| unreachable(&error))?;
    if let Some(Bind::Interface(interface)) = bind {
        socket.bind_device(Some(interface.as_bytes())).map_err(|error| unreachable(&error))?;
    }
    // From now on the kernel lets through what comes from there only, and reports ICMP errors, which end a transaction
    // (RFC 8489, section 6.2.1).
    socket.connect(server).await.map_err(|error| unreachable(&error))?;
    let (request, begun) = (message::request(&id), Instant::now());
    let mut whole = Duration::ZERO;
    for until in schedule() {
        socket.send(&request).await.map_err(|error| unreachable(&error))?;
        match timeout_at(begun + until, answer(&socket, &id)).await {
            Ok(answer) => return answer,
            Err(_) => whole = until,
        }
    }
    Err(Silence::TimedOut(whole))
}

/// The first datagram of this transaction decides. Nobody off the path can know its id, so one that does not hold is
/// the server's own, or of somebody on the path: more waiting would bring more of the same.
async fn answer(socket: &UdpSocket, id: &TransactionId) -> Result<IpAddr, Silence> {
    // One byte more than is read, so that what is longer shows.
    let mut buffer = [0; message::LONGEST + 1];
    loop {
        let count = socket.recv(&mut buffer).await.map_err(|error| unreachable(&error))?;
        let datagram = buffer.get(..count).unwrap_or_default();
        if message::is_of(datagram, id) {
            return message::address(datagram).map_err(|flaw| Silence::NotAnAddress(flaw.to_string()));
        }
        tracing::trace!("a datagram of {count} bytes is not of this STUN transaction: ignored");
    }
}

fn fresh_id() -> Result<TransactionId, Silence> {
    let mut id = TransactionId::default();
    let filled = SystemRandom::new().fill(&mut id);
    filled.map_err(|_| Silence::Unreachable("the system gives no random bytes".to_owned()))?;
    Ok(id)
}

/// The cause without the operating system's number for it.
fn unreachable(error: &io::Error) -> Silence {
    let text = error.to_string();
    Silence::Unreachable(text.split(" (os error").next().unwrap_or_default().to_owned())
}

#[cfg(test)]
mod tests;
