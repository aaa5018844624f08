//! Whether a TCP port of the asker is reachable from here: one connection attempt, and nothing sent on it.
//!
//! There is no way to name another address than the one that the question came from.

use std::io;
use std::net::{IpAddr, SocketAddr};
use std::time::Duration;

use rustix::io::Errno;
use tokio::net::TcpStream;
use tokio::time::timeout;

pub use fingerpost_core::echo::knock::Knock;

/// How long a connection attempt may take: a SYN and its first repetition (RFC 6298, section 2.1: after 1 s).
pub(crate) const LIMIT: Duration = Duration::from_secs(3);

/// Tries `port` of `address` for at most `limit`.
///
/// # Errors
/// What kept this machine from trying at all.
pub async fn knock(address: IpAddr, port: u16, limit: Duration) -> io::Result<Knock> {
    match timeout(limit, TcpStream::connect(SocketAddr::new(address, port))).await {
        Ok(Ok(_)) => Ok(Knock::Answered),
        Ok(Err(error)) => judge(error),
        Err(_) => Ok(Knock::NoAnswer),
    }
}

/// Linux makes these of ICMP: a port unreachable is a refusal, host and administrative ones are no way.
fn judge(error: io::Error) -> io::Result<Knock> {
    match error.kind() {
        io::ErrorKind::ConnectionRefused | io::ErrorKind::ConnectionReset => Ok(Knock::TurnedAway),
        // No network is not among them: the asker is on one that has just reached this machine, which now has no route.
        io::ErrorKind::HostUnreachable | io::ErrorKind::TimedOut => Ok(Knock::NoAnswer),
        // ICMPv6 "administratively prohibited"; EPERM, of the same kind, is this machine's own firewall.
        io::ErrorKind::PermissionDenied if error.raw_os_error() == Some(Errno::ACCESS.raw_os_error()) => {
            Ok(Knock::NoAnswer)
        }
        _ => Err(error),
    }
}

#[cfg(test)]
mod tests {
    use std::io::{Error, ErrorKind};
    use std::net::Ipv4Addr;

    use tokio::net::{TcpListener, TcpSocket, TcpStream};

    use super::{Duration, Knock, judge, knock};

    const HERE: std::net::IpAddr = std::net::IpAddr::V4(Ipv4Addr::LOCALHOST);
    const PATIENCE: Duration = Duration::from_secs(20);

    #[tokio::test]
    async fn an_answer_and_a_refusal_are_told_apart() {
        let listener = TcpListener::bind((HERE, 0)).await.unwrap();
        let port = listener.local_addr().unwrap().port();
        assert_eq!(knock(HERE, port, PATIENCE).await.unwrap(), Knock::Answered);
        // Nothing is sent: the connection ends at once.
        let (stream, _) = listener.accept().await.unwrap();
        stream.readable().await.unwrap();
        assert_eq!(stream.try_read(&mut [0; 8]).unwrap(), 0);
        drop(listener);
        assert_eq!(knock(HERE, port, PATIENCE).await.unwrap(), Knock::TurnedAway);
    }

    #[tokio::test]
    async fn no_answer_is_told_as_such() {
        // Linux drops SYNs for a listener whose queue is full, as a firewall does.
        let socket = TcpSocket::new_v4().unwrap();
        socket.bind((HERE, 0).into()).unwrap();
        let listener = socket.listen(0).unwrap();
        let at = listener.local_addr().unwrap();
        let mut waiting = Vec::new();
        for _ in 0..8 {
            waiting.push(tokio::spawn(TcpStream::connect(at)));
        }
        while !waiting.iter().any(tokio::task::JoinHandle::is_finished) {
            tokio::task::yield_now().await;
        }
        assert_eq!(knock(HERE, at.port(), Duration::from_millis(300)).await.unwrap(), Knock::NoAnswer);
    }

    #[test]
    fn what_icmp_makes_of_an_attempt() {
        // Linux: icmp(7) and ip(7) for the errors; the numbers are those of errno(3) on Linux.
        for (errno, knock) in [
            (111, Some(Knock::TurnedAway)), // ECONNREFUSED: RST, or port unreachable
            (113, Some(Knock::NoAnswer)),   // EHOSTUNREACH: host unreachable, administratively prohibited
            (110, Some(Knock::NoAnswer)),   // ETIMEDOUT
            (13, Some(Knock::NoAnswer)),    // EACCES: administratively prohibited, IPv6
            (1, None),                      // EPERM: this machine's own firewall
            (101, None),                    // ENETUNREACH: PrivateNetwork=yes
            (24, None),                     // EMFILE
            (99, None),                     // EADDRNOTAVAIL
            (97, None),                     // EAFNOSUPPORT: RestrictAddressFamilies= without AF_INET
        ] {
            assert_eq!(judge(Error::from_raw_os_error(errno)).ok(), knock, "{errno}");
        }
        assert_eq!(judge(Error::from(ErrorKind::Other)).ok(), None);
    }
}
