//! Questions over UDP, and over TCP where the answer did not fit (RFC 1035, section 4.2.1; RFC 7766, section 5).
//!
//! Each question has an id and a source port that nobody can guess, and only what comes from the server asked, with
//! that id and question, is taken for its answer (RFC 5452). All else is ignored until the time is up.

use std::collections::HashMap;
use std::io;
use std::net::{Ipv4Addr, Ipv6Addr, SocketAddr};
use std::time::Duration;

use hickory_proto::op::{Message, Query};
use ring::rand::SystemRandom;
use tokio::net::UdpSocket;
use tokio::sync::Semaphore;
use tokio::time::{Instant, timeout_at};

use super::answer::belongs;
use super::fresh_id;
use super::message::{Sent, seal};
use super::tcp::Link;
use crate::clock::Timestamp;

/// Sockets open at once: a system commonly allows a process 1,024 files.
const SOCKETS: usize = 64;
/// How often a question is sent before its time is up: a packet may be lost.
const TRIES: u32 = 2;
/// Questions on their way at once over one connection: few enough that neither side waits for the other to read.
const WINDOW: usize = 64;

/// Asks, without ever having too many sockets open.
pub(crate) struct Asker {
    random: SystemRandom,
    sockets: Semaphore,
}

impl Asker {
    pub(crate) fn new() -> Self {
        Self { random: SystemRandom::new(), sockets: Semaphore::new(SOCKETS) }
    }

    /// The answer of `server` to `question` within `patience`, over UDP, and over TCP when it was truncated.
    pub(crate) async fn ask(&self, server: SocketAddr, question: &Message, patience: Duration) -> io::Result<Message> {
        let answer = self.by_udp(server, question, patience).await?;
        if !answer.metadata.truncation {
            return Ok(answer);
        }
        let mut answers = self.by_tcp(server, std::slice::from_ref(question), patience).await?;
        answers.pop().ok_or_else(unanswered)
    }

    /// The answer over UDP as it comes, perhaps truncated.
    pub(crate) async fn by_udp(
        &self,
        server: SocketAddr,
        question: &Message,
        patience: Duration,
    ) -> io::Result<Message> {
        // Never closed.
        let _permit = self.sockets.acquire().await.map_err(io::Error::other)?;
        let sent = self.seal(question)?;
        let query = sent.question.as_ref().ok_or_else(unanswered)?;
        // The kernel draws a port at random (RFC 6056), and a connected socket hears nobody but the server.
        let any: SocketAddr =
            if server.is_ipv4() { (Ipv4Addr::UNSPECIFIED, 0).into() } else { (Ipv6Addr::UNSPECIFIED, 0).into() };
        let socket = UdpSocket::bind(any).await?;
        socket.connect(server).await?;
        let begun = Instant::now();
        for nth in 1..=TRIES {
            socket.send(&sent.wire).await?;
            match timeout_at(begun + patience * nth / TRIES, receive(&socket, sent.id, query)).await {
                Ok(answer) => return answer,
                Err(_) => continue,
            }
        }
        Err(unanswered())
    }

    /// The answers to `questions`, in the same order, over one TCP connection; `patience` is for each window of them.
    pub(crate) async fn by_tcp(
        &self,
        server: SocketAddr,
        questions: &[Message],
        patience: Duration,
    ) -> io::Result<Vec<Message>> {
        let _permit = self.sockets.acquire().await.map_err(io::Error::other)?;
        let mut link = Link::open(&server.to_string(), Instant::now() + patience).await?;
        let mut answers = Vec::with_capacity(questions.len());
        for window in questions.chunks(WINDOW) {
            let deadline = Instant::now() + patience;
            let answered = timeout_at(deadline, self.exchange(&mut link, window)).await.map_err(|_| unanswered())?;
            answers.extend(answered?);
        }
        Ok(answers)
    }

    async fn exchange(&self, link: &mut Link, window: &[Message]) -> io::Result<Vec<Message>> {
        let mut waiting: HashMap<u16, (usize, Query)> = HashMap::new();
        for (at, question) in window.iter().enumerate() {
            let sent = loop {
                let sent = self.seal(question)?;
                if !waiting.contains_key(&sent.id) {
                    break sent;
                }
            };
            link.send(&sent.wire).await?;
            waiting.insert(sent.id, (at, sent.question.ok_or_else(unanswered)?));
        }
        // A server may answer in any order (RFC 7766, section 6.2.1.1).
        let mut answers: Vec<Option<Message>> = vec![None; window.len()];
        while !waiting.is_empty() {
            let raw = link.receive().await?;
            let id = raw.first_chunk().map(|id| u16::from_be_bytes(*id));
            let answered = id.and_then(|id| {
                let (at, question) = waiting.remove(&id)?;
                Some((at, belongs(&raw, id, &question)?))
            });
            let Some((at, answer)) = answered else {
                return Err(io::Error::new(io::ErrorKind::InvalidData, "what came is not an answer to the question"));
            };
            answers[at] = Some(answer);
        }
        Ok(answers.into_iter().flatten().collect())
    }

    fn seal(&self, question: &Message) -> io::Result<Sent> {
        let id = fresh_id(&self.random).ok_or_else(|| io::Error::other("the system gives no random bytes"))?;
        // Unsigned, so the time does not matter.
        seal(question.clone(), id, None, Timestamp::default()).map_err(io::Error::other)
    }
}

async fn receive(socket: &UdpSocket, id: u16, question: &Query) -> io::Result<Message> {
    // Nobody is asked for more than 512 octets (RFC 1035, section 4.2.1); what is longer than this is not for us.
    let mut buffer = vec![0; 4096];
    loop {
        let length = socket.recv(&mut buffer).await?;
        if let Some(answer) = belongs(&buffer[..length], id, question) {
            return Ok(answer);
        }
    }
}

fn unanswered() -> io::Error {
    io::Error::new(io::ErrorKind::TimedOut, "no answer in time")
}
