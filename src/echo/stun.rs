//! The answers over STUN: Binding on UDP (RFC 8489). What is said is decided by [`message::respond`].

use std::net::SocketAddr;
use std::sync::Arc;

use tokio::net::UdpSocket;
use tokio::sync::watch;

use super::Meter;
use crate::address::special;
use crate::serving::Ordeal;
use crate::watch::stun::message;

/// Serves `socket` until `stop` changes. Whoever is over a limit is not answered: STUN has no word for it, and the
/// sender may be forged.
pub(super) async fn listen(socket: UdpSocket, meter: Arc<Meter>, mut stop: watch::Receiver<bool>) {
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
                answer(&socket, &meter, buffer.get(..count).unwrap_or_default(), from).await;
            }
            Err(error) => ordeal.again(&error).await,
        }
    }
}

async fn answer(socket: &UdpSocket, meter: &Meter, datagram: &[u8], from: SocketAddr) {
    let asker = special::unmap(from.ip());
    let Some(answer) = message::respond(datagram, SocketAddr::new(asker, from.port())) else { return };
    if meter.take(asker).is_err() {
        tracing::debug!("{asker} asked over STUN too often and is not answered");
        return;
    }
    match socket.send_to(&answer, from).await {
        Ok(_) => tracing::debug!("{asker} asked over STUN and was answered"),
        Err(error) => tracing::debug!("{asker} asked over STUN and cannot be answered: {error}"),
    }
}
