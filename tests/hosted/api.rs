//! The simulator on loopback: HTTP/1.1 connections, and lines for a program, each answered by the world or not at all.

use std::io::Result;
use std::net::SocketAddr;
use std::sync::{Arc, Mutex, MutexGuard, PoisonError};
use std::time::Duration;

use serde_json::{Value, json};
use tokio::io::{AsyncBufReadExt as _, AsyncReadExt as _, AsyncWriteExt as _, BufReader};
use tokio::net::{TcpListener, TcpStream};

use crate::habits::{Answer, Shape};
use crate::routes::TOKEN;
use crate::world::{Given, Reply, Request, Time, World};

#[derive(Clone)]
pub(crate) struct Api {
    pub(crate) at: SocketAddr,
    world: Arc<Mutex<World>>,
    /// Longer than anybody waits for an answer.
    too_long: Duration,
}

impl Api {
    /// Answers from now on, as tasks of the present runtime.
    pub(crate) async fn start(world: World, timeout: Duration) -> Self {
        let listener = TcpListener::bind("127.0.0.1:0").await.unwrap();
        let too_long = timeout + timeout / 4;
        let api = Self { at: listener.local_addr().unwrap(), world: Arc::new(Mutex::new(world)), too_long };
        let this = api.clone();
        tokio::spawn(async move {
            while let Ok((stream, _)) = listener.accept().await {
                let this = this.clone();
                tokio::spawn(async move { drop(this.serve(stream).await) });
            }
        });
        api
    }

    pub(crate) fn world(&self) -> MutexGuard<'_, World> {
        self.world.lock().unwrap_or_else(PoisonError::into_inner)
    }

    /// Lets time go by.
    pub(crate) async fn pass(&self, span: Duration) {
        let time = self.world().time;
        match time {
            Time::Own(_) => tokio::time::advance(span).await,
            Time::Real => tokio::time::sleep(span).await,
        }
    }

    async fn serve(&self, mut stream: TcpStream) -> Result<()> {
        stream.set_nodelay(true)?;
        let is_for_program = self.world().habits.shape == Shape::Program;
        let (reader, mut out) = stream.split();
        let mut reader = BufReader::new(reader);
        let mut is_kept = false;
        loop {
            let request = if is_for_program { line(&mut reader).await? } else { request(&mut reader, is_kept).await? };
            let Some((request, is_known)) = request else { return Ok(()) };
            is_kept = true;
            let latency = self.world().rng.u64(1..25);
            self.pass(Duration::from_millis(latency)).await;
            let given = match is_known {
                true => self.world().receive(request),
                false => return Ok(()),
            };
            let answer = match given {
                Given::Answered(reply, answer) if is_for_program => program_answer(reply, answer),
                Given::Answered(reply, answer) => http_answer(&reply, answer),
                Given::Cut => return Ok(()),
                Given::Slow => {
                    self.pass(self.too_long).await;
                    // Whoever waited has to see that it was too long before it sees the end.
                    tokio::task::yield_now().await;
                    return Ok(());
                }
                Given::Never => return std::future::pending().await,
            };
            out.write_all(&answer).await?;
            if is_for_program {
                return Ok(());
            }
        }
    }
}

type Reader<'a> = BufReader<tokio::net::tcp::ReadHalf<'a>>;

/// The next request, and whether it has the token; `None` at the end.
async fn request(reader: &mut Reader<'_>, is_kept: bool) -> Result<Option<(Request, bool)>> {
    let mut head = String::new();
    if reader.read_line(&mut head).await? == 0 {
        return Ok(None);
    }
    let mut parts = head.split(' ').map(str::to_owned);
    let (method, target) = (parts.next().unwrap_or_default(), parts.next().unwrap_or_default());
    let (mut length, mut if_match, mut is_known) = (0, None, false);
    loop {
        let mut line = String::new();
        reader.read_line(&mut line).await?;
        let Some((name, value)) = line.trim_end().split_once(':') else { break };
        match name.to_ascii_lowercase().as_str() {
            "content-length" => length = value.trim().parse().unwrap(),
            "if-match" => if_match = Some(value.trim().to_owned()),
            "authorization" => is_known = value.trim() == format!("Bearer {TOKEN}"),
            _ => {}
        }
    }
    let mut body = vec![0; length];
    reader.read_exact(&mut body).await?;
    let body = String::from_utf8(body).unwrap();
    Ok(Some((Request { method, target, if_match, body, is_kept }, is_known)))
}

/// The request that a program was handed.
async fn line(reader: &mut Reader<'_>) -> Result<Option<(Request, bool)>> {
    let mut body = String::new();
    if reader.read_line(&mut body).await? == 0 {
        return Ok(None);
    }
    let asked: Value = serde_json::from_str(&body).unwrap();
    let method = if asked["action"] == "read" { "READ" } else { "WRITE" }.to_owned();
    Ok(Some((Request { method, target: String::new(), if_match: None, body, is_kept: false }, true)))
}

fn http_answer(reply: &Reply, answer: Answer) -> Vec<u8> {
    let mut head = format!("HTTP/1.1 {} X\r\n", reply.status);
    let mut body = reply.body.clone().into_bytes();
    if answer == Answer::Gzip {
        body = gzip(&body);
        head += "Content-Encoding: gzip\r\n";
    }
    for (name, value) in &reply.headers {
        head += &format!("{name}: {value}\r\n");
    }
    if reply.status != 204 {
        head += &format!("Content-Length: {}\r\n", body.len());
    }
    let mut whole = format!("{head}Content-Type: application/json\r\n\r\n").into_bytes();
    whole.extend(body);
    whole
}

/// What an honest program says of it.
fn program_answer(reply: Reply, answer: Answer) -> Vec<u8> {
    let fault = |kind: &str, retry_after: Option<u64>| {
        let mut fault = json!({ "kind": kind, "why": "the host says so" });
        if let Some(seconds) = retry_after {
            fault["retry_after"] = seconds.into();
        }
        json!({ "version": 1, "fault": fault }).to_string()
    };
    let said = match answer {
        Answer::Proper | Answer::Gzip | Answer::Junk => reply.body,
        Answer::Status(401, _) => fault("refused", None),
        // After a write it is read back all the same: the wait is what nobody else could tell.
        Answer::Status(429 | 503, wait @ Some(_)) => fault("passing", wait.map(|(seconds, _)| seconds)),
        _ => fault("in-doubt", None),
    };
    said.into_bytes()
}

/// In blocks that are not compressed (RFC 1951, section 3.2.4, in RFC 1952).
fn gzip(data: &[u8]) -> Vec<u8> {
    let mut out = vec![0x1f, 0x8b, 8, 0, 0, 0, 0, 0, 0, 255];
    let mut chunks = data.chunks(0xffff).peekable();
    while let Some(chunk) = chunks.next() {
        out.push(u8::from(chunks.peek().is_none()));
        let length = u16::try_from(chunk.len()).unwrap();
        out.extend(length.to_le_bytes());
        out.extend((!length).to_le_bytes());
        out.extend(chunk);
    }
    out.extend(crc32fast::hash(data).to_le_bytes());
    out.extend(u32::try_from(data.len()).unwrap().to_le_bytes());
    out
}
