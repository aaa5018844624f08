//! NAT-PMP (RFC 6886): the one question that changes nothing, opcode 0, "what is your external address?".
//!
//! The answer is read by the core; `ask` is the exchange over UDP.

use std::io;
use std::net::{Ipv4Addr, SocketAddrV4};
use std::time::Duration;

use tokio::time::{Instant, timeout_at};

use super::{Failure, Mute};
use crate::text::root_cause;
pub use fingerpost_core::watch::router::natpmp::*;

/// Version 0, opcode 0 (RFC 6886, section 3.2).
const QUESTION: [u8; 2] = [0, 0];

/// The wait before the first repetition; it doubles (RFC 6886, section 3.1).
const FIRST_WAIT: Duration = Duration::from_millis(250);

/// Asks `gateway` until it answers or `deadline` is there. Datagrams from any other address or port never arrive: the
/// socket is connected (RFC 6886, section 3.1: a client must check the source).
pub(super) async fn ask(
    gateway: SocketAddrV4,
    interface: Option<&str>,
    deadline: Instant,
) -> Result<Ipv4Addr, Failure> {
    let unavailable = |error: io::Error| {
        Failure::Unavailable(match error.kind() {
            io::ErrorKind::ConnectionRefused => "it is turned off".to_owned(),
            _ => root_cause(&error),
        })
    };
    let socket = super::socket_towards(gateway, interface).map_err(unavailable)?;
    let mut wait = FIRST_WAIT;
    let mut buffer = [0; 128];
    loop {
        socket.send(&QUESTION).await.map_err(unavailable)?;
        let until = deadline.min(Instant::now() + wait);
        while let Ok(received) = timeout_at(until, socket.recv(&mut buffer)).await {
            let length = received.map_err(unavailable)?;
            match buffer.get(..length).and_then(parse) {
                Some(PmpAnswer::Address(Ipv4Addr::UNSPECIFIED)) | Some(PmpAnswer::Refused(3)) => {
                    return Err(Failure::Spoken(Mute::NoAddress.into()));
                }
                Some(PmpAnswer::Address(address)) => return Ok(address),
                Some(PmpAnswer::Refused(code)) => return Err(Failure::Unavailable(refusal(code))),
                None => {}
            }
        }
        if until == deadline {
            return Err(Failure::Unavailable("no answer".to_owned()));
        }
        wait *= 2;
    }
}
