//! `fingerpost echo`: opens or takes over the sockets, and answers until told to stop. Reads no configuration.

use std::net::{TcpListener, UdpSocket};

use listenfd::ListenFd;
use sd_notify::NotifyState;
use tokio::signal::unix::{SignalKind, signal};

use super::{CommandError, Exit, block_on};
use crate::cli;
use crate::daemon::Notifier;
use crate::echo::budget::Rates;
use crate::echo::{self, EchoError, KnockBack, Options, Sockets};

pub(super) fn run(arguments: &cli::Echo) -> Result<Exit, CommandError> {
    // Before there is a second thread: it takes variables out of the environment.
    let mut sockets = handed_over()?;
    open(&mut sockets, arguments)?;
    if sockets.http.is_empty() && sockets.stun.is_empty() {
        return Err(EchoError::NoSockets.into());
    }
    let options = Options {
        requests: Rates { each: arguments.requests_per_minute, all: arguments.all_requests_per_minute },
        knock_back: arguments.knock_back.then(|| KnockBack {
            knocks: Rates { each: arguments.knocks_per_minute, all: arguments.all_knocks_per_minute },
            accept_special: arguments.accept_special.clone(),
        }),
    };
    block_on(async {
        let listen = |kind| signal(kind).map_err(|error| CommandError::Io("listen for signals", error));
        let (mut term, mut int) = (listen(SignalKind::terminate())?, listen(SignalKind::interrupt())?);
        for (what, address) in addresses(&sockets) {
            tracing::info!("answers {what} at {address}");
        }
        if options.knock_back.is_some() {
            tracing::info!("knocks at a port of whoever asks for it");
        }
        let notifier = Notifier::ServiceManager;
        notifier.tell(&[NotifyState::Ready]);
        let stop = async {
            tokio::select! {
                _ = term.recv() => {}
                _ = int.recv() => {}
            }
            notifier.tell(&[NotifyState::Stopping]);
        };
        echo::serve(sockets, options, stop).await?;
        tracing::info!("told to stop: stopped");
        Ok(Exit::Done)
    })?
}

/// The sockets of a socket unit (sd_listen_fds(3)), told apart by their type.
fn handed_over() -> Result<Sockets, EchoError> {
    let mut given = ListenFd::from_env();
    let mut sockets = Sockets::default();
    for index in 0..given.len() {
        if let Ok(Some(listener)) = given.take_tcp_listener(index) {
            sockets.http.push(listener);
        } else {
            let socket = given.take_udp_socket(index);
            sockets.stun.extend(socket.map_err(|source| EchoError::HandedOver { index, source })?);
        }
    }
    Ok(sockets)
}

fn open(sockets: &mut Sockets, arguments: &cli::Echo) -> Result<(), EchoError> {
    for &address in &arguments.http {
        let bound = TcpListener::bind(address);
        sockets.http.push(bound.map_err(|source| EchoError::Bind { what: "HTTP", address, source })?);
    }
    for &address in &arguments.stun {
        let bound = UdpSocket::bind(address);
        sockets.stun.push(bound.map_err(|source| EchoError::Bind { what: "STUN", address, source })?);
    }
    Ok(())
}

/// Where questions come in; a port of 0 has become a real one.
fn addresses(sockets: &Sockets) -> Vec<(&'static str, std::net::SocketAddr)> {
    let http = sockets.http.iter().map(|socket| ("HTTP", socket.local_addr()));
    let stun = sockets.stun.iter().map(|socket| ("STUN", socket.local_addr()));
    http.chain(stun).filter_map(|(what, address)| Some((what, address.ok()?))).collect()
}
