//! Listens, on the control socket and where `[status]` says, and answers from the daemon's newest snapshot.
//!
//! Everything is bounded: connections, those of one client, the time and the bytes of a request. A client that is slow, or
//! not allowed, keeps neither the daemon nor others waiting. Touches the sockets, and the files of Unix sockets.

use std::fs;
use std::io;
use std::net::{IpAddr, Ipv4Addr};
use std::os::fd::AsFd;
use std::os::unix::fs::FileTypeExt;
use std::path::Path;
use std::sync::Arc;
use std::time::Duration;

use rustix::fs::Mode;
use rustix::process::umask;
use tokio::io::{AsyncRead, AsyncWrite, AsyncWriteExt};
use tokio::net::{TcpListener, UnixListener};
use tokio::sync::watch;
use tokio::task::JoinSet;
use tokio::time::{Instant, timeout};

use super::request::{Door, What, answer, careful, peer_of};
use super::{build, words};
use crate::http_server::admission::Rules;
use crate::http_server::{
    Admitted, Gate, HEAD, Method, Ordeal, Pace, Request, Response, curtly, finish, kindly, queue, read_head,
};
use crate::settings::Listen;
use crate::status::Snapshot;

/// Connections served at once, a listener. A household is one network. Each range of `allow` has places of its own.
const CONNECTIONS: Rules = Rules { all: 128, kept: 16, each: 16, network: 64, site: 96 };
/// Of those, how many may wait for news.
const FOLLOWERS: Rules = Rules { all: 32, kept: 8, each: 8, network: 16, site: 16 };
/// On a Unix socket nobody can be told from another.
const UNIX: Rules = Rules { all: 64, kept: 0, each: 64, network: 64, site: 64 };
const UNIX_FOLLOWERS: Rules = Rules { all: 32, kept: 0, each: 32, network: 32, site: 32 };
/// Where everybody on a Unix socket comes from.
const HERE: IpAddr = IpAddr::V4(Ipv4Addr::LOCALHOST);
/// The longest that a request and its answer take.
const LIFE: Duration = Duration::from_secs(10);
/// The longest that somebody is told what is new; who goes on wanting to know then asks again.
pub const FOLLOWED: Duration = Duration::from_secs(3600);
/// Whoever waits for news hears something after so long, or is found to be gone.
const PULSE: Duration = Duration::from_secs(15);
/// What cannot be listened on is tried again after so long.
const AGAIN: Duration = Duration::from_secs(30);

/// Serves at every one of `doors` for as long as it is polled. Ends only when a task does, which none should.
///
/// Who waits for news is told them for `followed`, which is [`FOLLOWED`] but in tests, and up to the next news then.
pub async fn serve(doors: Vec<Door>, snapshot: watch::Receiver<Snapshot>, followed: Duration) {
    let mut tasks = JoinSet::new();
    for door in doors {
        tasks.spawn(keep(door, snapshot.clone(), followed));
    }
    if tasks.is_empty() {
        std::future::pending::<()>().await;
    }
    tasks.join_next().await;
}

enum Listening {
    Tcp(TcpListener),
    Unix(UnixListener),
}

/// Listens at one door, as soon as that can be done.
async fn keep(door: Door, snapshot: watch::Receiver<Snapshot>, followed: Duration) {
    let mut told = false;
    let listening = loop {
        match open(&door.listen).await {
            Ok(listening) => break listening,
            Err(error) => {
                if !told {
                    tracing::warn!("cannot listen on {}: {error}; goes on trying", door.listen);
                }
                told = true;
                tokio::time::sleep(AGAIN).await;
            }
        }
    };
    if let Listening::Tcp(listener) = &listening
        && let Ok(at) = listener.local_addr()
    {
        tracing::info!("the status page is at http://{at}/");
    } else if told {
        tracing::info!("listening on {}", door.listen);
    }
    let (gate, followers) = match &listening {
        Listening::Tcp(_) => (Gate::new(CONNECTIONS, &door.allow), Gate::new(FOLLOWERS, &door.allow)),
        Listening::Unix(_) => (Gate::new(UNIX, &[]), Gate::new(UNIX_FOLLOWERS, &[])),
    };
    let (door, mut connections) = (Arc::new(door), JoinSet::new());
    let (mut ordeal, mut pace) = (Ordeal::new("cannot accept a connection"), Pace::new());
    loop {
        let shared = (Arc::clone(&door), Arc::clone(&followers), snapshot.clone());
        let accepted = match &listening {
            Listening::Tcp(listener) => listener.accept().await.map(|(stream, from)| {
                let peer = peer_of(&from);
                curtly(&stream);
                // Who is not allowed learns nothing.
                if door.admits(peer) {
                    gate.serve(&mut connections, peer, async move |admitted| {
                        let _ = converse(stream, (peer, admitted), shared, followed).await;
                    });
                }
            }),
            Listening::Unix(listener) => listener.accept().await.map(|(stream, _)| {
                gate.serve(&mut connections, HERE, async move |admitted| {
                    let _ = converse(stream, (HERE, admitted), shared, followed).await;
                });
            }),
        };
        match accepted {
            Ok(()) => ordeal.over(),
            Err(error) => ordeal.again(&error).await,
        }
        while connections.try_join_next().is_some() {}
        pace.another().await;
    }
}

async fn open(listen: &Listen) -> io::Result<Listening> {
    match listen {
        Listen::Tcp(at) => TcpListener::bind(at).await.inspect(|listener| queue(listener)).map(Listening::Tcp),
        Listen::Unix(path) => {
            clear(path)?;
            // Whoever may open the directory may ask; that is the daemon's own, or one made for this. The mode is there from
            // the first moment, and is not given to whatever has the name a moment later. What another thread makes
            // meanwhile can at most be for fewer.
            let before = umask(Mode::from_raw_mode(0o117));
            let listener = UnixListener::bind(path);
            umask(before);
            listener.map(Listening::Unix)
        }
    }
}

/// A socket that an earlier process left behind is in the way; anything else is not ours to remove.
fn clear(path: &Path) -> io::Result<()> {
    match fs::symlink_metadata(path) {
        Ok(there) if there.file_type().is_socket() => fs::remove_file(path),
        Ok(_) => Err(io::Error::other("something else than a socket stands there")),
        Err(error) if error.kind() == io::ErrorKind::NotFound => Ok(()),
        Err(error) => Err(error),
    }
}

type Shared = (Arc<Door>, Arc<Gate>, watch::Receiver<Snapshot>);

async fn converse(
    mut stream: impl AsyncRead + AsyncWrite + AsFd + Unpin,
    (from, admitted): (IpAddr, Admitted),
    shared: Shared,
    followed: Duration,
) -> io::Result<()> {
    let (door, followers, mut snapshot) = shared;
    let work = async {
        let head = read_head(&mut stream).await?;
        admitted.asked();
        kindly(&stream);
        let (method, told) = match &head {
            None => {
                (Method::Get, Err(Response::refusal(431, format!("The request's head is longer than {HEAD} bytes."))))
            }
            Some(head) => match Request::read(head) {
                Err(why) => (Method::Get, Err(Response::refusal(400, why))),
                Ok(request) => (request.method, wanted(&door, &request)),
            },
        };
        let answered = match told {
            Ok(What::Events) => match followers.enter(from) {
                Some(place) if method == Method::Get => {
                    // Who waits for news has its request told: nobody takes its place.
                    place.asked();
                    stream.write_all(&follow_head()).await?;
                    return Ok(Some(place));
                }
                _ => Response::refusal(503, "Too many wait for news already.".to_owned()),
            },
            Ok(what) => answer(what, || build::status(&snapshot.borrow_and_update())),
            Err(refused) => refused,
        };
        admitted.told();
        stream.write_all(&answered.bytes(method)).await?;
        admitted.answered();
        finish(&mut stream).await?;
        Ok::<_, io::Error>(None)
    };
    let follower = timeout(LIFE, work).await.map_err(|_| io::ErrorKind::TimedOut)??;
    if follower.is_some() {
        tell(&mut stream, &mut snapshot, followed).await?;
    }
    Ok(())
}

fn wanted(door: &Door, request: &Request) -> Result<What, Response> {
    if let Some(refused) = door.refuses(request) {
        return Err(refused);
    }
    let known = "There is / for people, /status.json, /events, /metrics, /healthz and /readyz.";
    What::at(&request.path).ok_or_else(|| Response::refusal(404, known.to_owned()))
}

/// The head of an event stream (HTML Standard, section 9.2, "Server-sent events").
fn follow_head() -> Vec<u8> {
    let mut text = "HTTP/1.1 200 OK\r\nContent-Type: text/event-stream\r\nCache-Control: no-store\r\n".to_owned();
    for field in careful() {
        text.push_str(&field);
        text.push_str("\r\n");
    }
    text.push_str("Connection: close\r\n\r\n");
    text.into_bytes()
}

/// Tells when something is new: the first thing at once, and what is no news only as a pulse.
async fn tell(
    stream: &mut (impl AsyncWrite + Unpin),
    snapshot: &mut watch::Receiver<Snapshot>,
    followed: Duration,
) -> io::Result<()> {
    let begun = Instant::now();
    let mut before = String::new();
    loop {
        let news = words::news(&build::status(&snapshot.borrow_and_update()));
        if news != before {
            let event = format!("data: {}\n\n", news.replace(['\r', '\n'], " "));
            timeout(LIFE, stream.write_all(event.as_bytes())).await.map_err(|_| io::ErrorKind::TimedOut)??;
            before = news;
        }
        loop {
            match timeout(PULSE, snapshot.changed()).await {
                Ok(Ok(())) => break,
                // The daemon ends.
                Ok(Err(_)) => return Ok(()),
                Err(_) => timeout(LIFE, stream.write_all(b":\n\n")).await.map_err(|_| io::ErrorKind::TimedOut)??,
            }
        }
        if begun.elapsed() >= followed {
            return Ok(());
        }
    }
}
