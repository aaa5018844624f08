//! Being a witness for another household: telling whoever asks the address they come from, over HTTP and STUN; and,
//! where that is allowed, whether a TCP port of that address is reachable.
//!
//! Everything is bounded: connections, bytes, time, and by [`budget`] and `sieve`, which are pure, requests a minute. Sockets are
//! passed in open. Touches the network, and no file. Says nothing of its clients above debug.

mod http;
pub mod knock;
mod stun;

use std::future::Future;
use std::io;
use std::net::{self, IpAddr};
use std::sync::atomic::{AtomicBool, Ordering};
use std::sync::{Arc, Mutex, PoisonError};
use std::time::Duration;

use ipnet::IpNet;
use tokio::net::{TcpListener, UdpSocket};
use tokio::sync::watch;
use tokio::task::JoinSet;
use tokio::time::Instant;

#[cfg(any(test, fuzzing))]
pub(crate) use http::hostile;

use budget::{Budget, Client, Rates};
pub use fingerpost_core::echo::budget;
use fingerpost_core::echo::sieve;

/// Why an echo service cannot go on, or cannot begin.
#[derive(Debug, thiserror::Error)]
pub enum EchoError {
    /// Neither an address nor a socket.
    #[error("nothing to listen on: give --http ADDR:PORT or --stun ADDR:PORT, or start fingerpost-echo.socket")]
    NoSockets,
    /// An address cannot be listened on.
    #[error("cannot listen on {address} for {what}; give another address or port, or end what listens there")]
    Bind {
        /// `HTTP` or `STUN`.
        what: &'static str,
        /// The address.
        address: net::SocketAddr,
        /// The error beneath.
        #[source]
        source: io::Error,
    },
    /// A socket that the service manager handed over is of no use.
    #[error("socket {index} of the socket unit is of no use: it takes ListenStream=PORT and ListenDatagram=PORT")]
    HandedOver {
        /// Its place in the unit, from 0.
        index: usize,
        /// The error beneath.
        #[source]
        source: io::Error,
    },
    /// A socket cannot be made part of the loop.
    #[error("cannot use a socket that is open")]
    Socket(#[source] io::Error),
    /// A task is gone.
    #[error("a task that answers questions ended by itself; please report this")]
    Ended,
}

/// Open sockets: where questions come in.
#[derive(Debug, Default)]
pub struct Sockets {
    /// Listeners for HTTP.
    pub http: Vec<net::TcpListener>,
    /// Sockets for STUN.
    pub stun: Vec<net::UdpSocket>,
}

/// What is allowed.
#[derive(Clone, Debug)]
pub struct Options {
    /// Requests a minute; HTTP and STUN are counted apart, since the sender of a datagram can be forged: over STUN there is
    /// no limit for all together, which forged senders could use up, and over HTTP a share of each client's is its own.
    pub requests: Rates,
    /// Whether, and how often, a port of the asker is knocked at.
    pub knock_back: Option<KnockBack>,
}

/// How ports of askers are knocked at.
#[derive(Clone, Debug)]
pub struct KnockBack {
    /// Knocks a minute.
    pub knocks: Rates,
    /// Ranges whose addresses are knocked at although no home has them: labs.
    pub accept_special: Vec<IpNet>,
}

/// Answers until `stop` is done; then lets what is under way end.
///
/// # Errors
/// [`EchoError`] when a socket cannot be used, or a task ends unasked.
pub async fn serve(sockets: Sockets, options: Options, stop: impl Future<Output = ()>) -> Result<(), EchoError> {
    let begun = Instant::now();
    let meter = |rates| Meter { begun, budget: Mutex::new(Budget::new(rates)) };
    let knocking = options.knock_back.map(|back| Knocking {
        meter: meter(back.knocks),
        accept_special: back.accept_special,
        failed: AtomicBool::new(false),
    });
    let service = Arc::new(http::Service::new(http::Limit::new(begun, options.requests), knocking));
    let limit = Arc::new(stun::Limit::new(begun, options.requests.each));
    let (tell, told) = watch::channel(false);
    let mut tasks = JoinSet::new();
    for listener in sockets.http {
        listener.set_nonblocking(true).map_err(EchoError::Socket)?;
        let listener = TcpListener::from_std(listener).map_err(EchoError::Socket)?;
        crate::http_server::queue(&listener);
        tasks.spawn(http::listen(listener, Arc::clone(&service), told.clone()));
    }
    for socket in sockets.stun {
        socket.set_nonblocking(true).map_err(EchoError::Socket)?;
        let socket = UdpSocket::from_std(socket).map_err(EchoError::Socket)?;
        tasks.spawn(stun::listen(socket, Arc::clone(&limit), told.clone()));
    }
    tokio::select! {
        () = stop => {}
        _ = tasks.join_next() => return Err(EchoError::Ended),
    }
    // Each task holds a receiver.
    let _ = tell.send(true);
    while let Some(ended) = tasks.join_next().await {
        ended.map_err(|_| EchoError::Ended)?;
    }
    Ok(())
}

/// A budget and the clock it runs by.
struct Meter {
    begun: Instant,
    budget: Mutex<Budget>,
}

impl Meter {
    fn take(&self, asker: IpAddr) -> Result<(), Duration> {
        let mut budget = self.budget.lock().unwrap_or_else(PoisonError::into_inner);
        budget.take(self.begun.elapsed(), Client::of(asker))
    }
}

/// Knocking while it is allowed.
struct Knocking {
    meter: Meter,
    accept_special: Vec<IpNet>,
    failed: AtomicBool,
}

impl Knocking {
    /// The first failure of this machine is worth a word.
    fn failed(&self, error: &io::Error) {
        if !self.failed.swap(true, Ordering::Relaxed) {
            tracing::warn!(
                "cannot knock: {error}; a service needs PrivateNetwork=no and \
                 RestrictAddressFamilies=AF_INET AF_INET6 AF_UNIX for it"
            );
        }
    }
}
