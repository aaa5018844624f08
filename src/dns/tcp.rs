//! DNS over TCP (RFC 7766): each message goes with its length before it (RFC 1035, section 4.2.2).

use std::io;

use tokio::io::{AsyncReadExt, AsyncWriteExt};
use tokio::net::{TcpStream, lookup_host};
use tokio::time::{Instant, timeout};

/// An open connection. A message is at most 65,535 bytes, which the length field sees to.
pub(crate) struct Link(TcpStream);

impl Link {
    /// Connects to the addresses of `server` (`host:port`) in turn, giving each a fair part of the time left.
    ///
    /// The error is the last address's.
    pub(crate) async fn open(server: &str, deadline: Instant) -> io::Result<Self> {
        let addresses: Vec<_> = match timeout(left(deadline), lookup_host(server)).await {
            Ok(found) => found?.collect(),
            Err(_) => return Err(timed_out("its name was not resolved in time")),
        };
        let mut last = io::Error::new(io::ErrorKind::NotFound, "its name has no address");
        for (at, address) in addresses.iter().enumerate() {
            let share = left(deadline) / u32::try_from(addresses.len() - at).unwrap_or(u32::MAX);
            match timeout(share, TcpStream::connect(address)).await {
                Ok(Ok(stream)) => {
                    stream.set_nodelay(true)?;
                    return Ok(Self(stream));
                }
                Ok(Err(error)) => last = error,
                Err(_) => last = timed_out("no connection in time"),
            }
        }
        Err(last)
    }

    /// Whether the other end is this very machine.
    pub(crate) fn is_loopback(&self) -> bool {
        self.0.peer_addr().is_ok_and(|peer| peer.ip().to_canonical().is_loopback())
    }

    /// Sends one message.
    pub(crate) async fn send(&mut self, message: &[u8]) -> io::Result<()> {
        let length = u16::try_from(message.len())
            .map_err(|_| io::Error::new(io::ErrorKind::InvalidInput, "a DNS message has at most 65,535 bytes"))?;
        self.0.write_all(&[&length.to_be_bytes(), message].concat()).await
    }

    /// Receives one message.
    pub(crate) async fn receive(&mut self) -> io::Result<Vec<u8>> {
        let length = self.0.read_u16().await?;
        let mut message = vec![0; usize::from(length)];
        self.0.read_exact(&mut message).await?;
        Ok(message)
    }
}

fn left(deadline: Instant) -> std::time::Duration {
    deadline.saturating_duration_since(Instant::now())
}

fn timed_out(why: &'static str) -> io::Error {
    io::Error::new(io::ErrorKind::TimedOut, why)
}
