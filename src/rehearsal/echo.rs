//! The echo services of the rehearsal: small HTTP servers on loopback that tell what their behaviour says.

use std::io;
use std::net::{IpAddr, Ipv4Addr, SocketAddr};
use std::sync::{Arc, Mutex, PoisonError};
use std::time::Duration;

use tokio::io::{AsyncReadExt, AsyncWriteExt};
use tokio::net::{TcpListener, TcpStream};
use tokio::sync::{Semaphore, watch};
use tokio::task::{AbortHandle, JoinSet};
use tokio::time::timeout;

/// Connections served at once.
const CONNECTIONS: usize = 32;
/// The longest request head that is read.
const HEAD: usize = 8 * 1024;
/// The longest that a connection lives.
const LIFE: Duration = Duration::from_secs(10);

/// How an echo service answers.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Behaviour {
    /// With the home's address.
    Honest,
    /// With another address.
    Lies(IpAddr),
    /// Not at all, while the connection stays open.
    Hangs,
    /// With a web page, as the portal of a guest network does.
    Portal,
}

/// What the outside sees: the home's address, and how one service answers.
#[derive(Clone, Copy, Debug)]
struct View {
    home: IpAddr,
    behaviour: Behaviour,
}

/// A running echo service; it ends when this value is dropped.
pub struct Echo {
    addr: SocketAddr,
    view: Arc<Mutex<View>>,
    asked: watch::Receiver<u64>,
    task: AbortHandle,
}

impl Echo {
    /// Starts on a free port of 127.0.0.1, inside a tokio runtime.
    pub async fn start(home: IpAddr) -> io::Result<Self> {
        let listener = TcpListener::bind((Ipv4Addr::LOCALHOST, 0)).await?;
        let addr = listener.local_addr()?;
        let view = Arc::new(Mutex::new(View { home, behaviour: Behaviour::Honest }));
        let (count, asked) = watch::channel(0);
        let task = tokio::spawn(serve(listener, Arc::clone(&view), count)).abort_handle();
        Ok(Self { addr, view, asked, task })
    }

    /// Its URL.
    pub fn url(&self) -> String {
        format!("http://{}/", self.addr)
    }

    /// How many connections have come, and a way to wait for more.
    pub fn asked(&self) -> watch::Receiver<u64> {
        self.asked.clone()
    }

    /// From now on the home is at `home`.
    pub fn home_is_at(&self, home: IpAddr) {
        self.view.lock().unwrap_or_else(PoisonError::into_inner).home = home;
    }

    /// From now on it answers so.
    pub fn behaves(&self, behaviour: Behaviour) {
        self.view.lock().unwrap_or_else(PoisonError::into_inner).behaviour = behaviour;
    }
}

impl Drop for Echo {
    fn drop(&mut self) {
        self.task.abort();
    }
}

async fn serve(listener: TcpListener, view: Arc<Mutex<View>>, count: watch::Sender<u64>) {
    let slots = Arc::new(Semaphore::new(CONNECTIONS));
    let mut connections = JoinSet::new();
    loop {
        let Ok(slot) = Arc::clone(&slots).acquire_owned().await else { return };
        match listener.accept().await {
            Ok((stream, _)) => {
                count.send_modify(|count| *count += 1);
                let view = Arc::clone(&view);
                connections.spawn(async move {
                    // A client that goes away, or takes too long, concerns nobody else.
                    let _ = timeout(LIFE, answer(stream, view)).await;
                    drop(slot);
                });
            }
            Err(error) => {
                tracing::warn!("an echo service of the rehearsal cannot accept a connection: {error}");
                tokio::time::sleep(Duration::from_millis(100)).await;
            }
        }
        while connections.try_join_next().is_some() {}
    }
}

async fn answer(mut stream: TcpStream, view: Arc<Mutex<View>>) -> io::Result<()> {
    let mut head = Vec::new();
    let mut chunk = [0; 1024];
    while !head.windows(4).any(|end| end == b"\r\n\r\n") {
        let count = stream.read(&mut chunk).await?;
        if count == 0 || head.len() + count > HEAD {
            return Ok(());
        }
        head.extend_from_slice(chunk.get(..count).unwrap_or_default());
    }
    let seen = *view.lock().unwrap_or_else(PoisonError::into_inner);
    let (kind, body) = match seen.behaviour {
        Behaviour::Honest => ("text/plain", format!("{}\n", seen.home)),
        Behaviour::Lies(address) => ("text/plain", format!("{address}\n")),
        Behaviour::Portal => {
            ("text/html", "<!DOCTYPE html><title>Welcome, guest</title><p>Please log in.\n".to_owned())
        }
        Behaviour::Hangs => return std::future::pending().await,
    };
    let length = body.len();
    let answer = format!(
        "HTTP/1.1 200 OK\r\nContent-Type: {kind}\r\nContent-Length: {length}\r\nConnection: close\r\n\r\n{body}"
    );
    stream.write_all(answer.as_bytes()).await?;
    stream.shutdown().await
}
