//! A small authoritative DNS server for one zone, on a loopback port, that takes TSIG-signed updates.
//!
//! It serves the rehearsal and the tests: strict about RFC 2136 (true set equality in prerequisites, all or nothing)
//! and RFC 8945, and able to fail on demand. [`zone`](super::zone) holds the records and the rules; this file is
//! sockets and signatures.

use std::io;
use std::net::{Ipv4Addr, SocketAddr};
use std::sync::{Arc, Mutex, MutexGuard, PoisonError};
use std::time::{Duration, SystemTime};

use hickory_proto::op::{Message, MessageType, OpCode, ResponseCode as Rcode};
use hickory_proto::rr::rdata::TSIG;
use hickory_proto::rr::rdata::tsig::{TsigError, make_tsig_record};
use hickory_proto::rr::{Record, TSigResponseContext, TSigner};
use tokio::io::{AsyncReadExt, AsyncWriteExt};
use tokio::net::{TcpListener, TcpStream, UdpSocket};
use tokio::sync::{Semaphore, watch};
use tokio::task::{AbortHandle, JoinSet};
use tokio::time::timeout;

use super::zone::Zone;
use crate::clock::Timestamp;
use crate::dns::message::{signer, verifiable};
use crate::dns::tsig::TsigKey;
use crate::name::DnsName;
use crate::record::{RecordType, RrSet};

/// Connections served at once.
const CONNECTIONS: usize = 64;
/// How long a connection may be silent, and how long one answer may take to be written.
const IDLE: Duration = Duration::from_secs(10);
/// The most a UDP answer holds without EDNS (RFC 1035, section 4.2.1).
const UDP_ANSWER: usize = 512;

/// What has happened so far.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
pub struct Progress {
    /// Updates that came with a good signature.
    pub received: u64,
    /// Updates of these that were answered NOERROR, or would have been.
    pub applied: u64,
    /// The zone's serial (RFC 1982).
    pub serial: u32,
}

type Hook = Box<dyn FnOnce(&mut Zone) + Send>;

struct State {
    zone: Zone,
    progress: Progress,
    hold: u32,
    hook: Option<Hook>,
}

struct Shared {
    signer: TSigner,
    state: Mutex<State>,
    progress: watch::Sender<Progress>,
    out: watch::Sender<bool>,
}

/// A running server; it ends when this value is dropped.
pub struct Server {
    addr: SocketAddr,
    shared: Arc<Shared>,
    tasks: [AbortHandle; 2],
}

impl Server {
    /// Starts on a free port of 127.0.0.1, the same for UDP and TCP. A zone without an SOA is given one.
    ///
    /// Must be called inside a tokio runtime; the error is the socket's, or says what is wrong with name or key.
    pub async fn start(zone: DnsName, key: TsigKey, records: Vec<Record>) -> io::Result<Self> {
        let zone = Zone::new(&zone, records).map_err(io::Error::other)?;
        let signer = signer(&key).map_err(io::Error::other)?;
        let (tcp, udp) = bind().await?;
        let addr = tcp.local_addr()?;
        let progress = Progress { serial: zone.serial(), ..Progress::default() };
        let shared = Arc::new(Shared {
            signer,
            state: Mutex::new(State { zone, progress, hold: 0, hook: None }),
            progress: watch::Sender::new(progress),
            out: watch::Sender::new(false),
        });
        let tasks = [
            tokio::spawn(serve_tcp(tcp, Arc::clone(&shared))).abort_handle(),
            tokio::spawn(serve_udp(udp, Arc::clone(&shared))).abort_handle(),
        ];
        Ok(Self { addr, shared, tasks })
    }

    /// Where it listens, over UDP and TCP.
    pub fn addr(&self) -> SocketAddr {
        self.addr
    }

    /// The address RRset at `name`, as it stands now.
    pub fn addresses(&self, name: &DnsName, rtype: RecordType) -> Option<RrSet> {
        self.shared.state().zone.addresses(name, rtype)
    }

    /// The zone's serial.
    pub fn serial(&self) -> u32 {
        self.shared.state().zone.serial()
    }

    /// Changes the zone behind everybody's back, as a person with an editor would.
    pub fn edit(&self, change: impl FnOnce(&mut Zone)) {
        let mut state = self.shared.state();
        change(&mut state.zone);
        self.shared.publish(&mut state);
    }

    /// Runs `change` once, when the next update has come and before it is looked at: the race.
    pub fn before_next_update(&self, change: impl FnOnce(&mut Zone) + Send + 'static) {
        self.shared.state().hook = Some(Box::new(change));
    }

    /// Carries out the next `count` updates but withholds the answers and closes their connections.
    pub fn hold_replies(&self, count: u32) {
        self.shared.state().hold = count;
    }

    /// Closes every connection, new ones at once, and answers nothing, until [`Self::resume`].
    pub fn pause(&self) {
        self.shared.out.send_replace(true);
    }

    /// Serves again.
    pub fn resume(&self) {
        self.shared.out.send_replace(false);
    }

    /// What has happened so far, and a way to wait for more.
    pub fn progress(&self) -> watch::Receiver<Progress> {
        self.shared.progress.subscribe()
    }
}

impl Drop for Server {
    fn drop(&mut self) {
        self.tasks.iter().for_each(AbortHandle::abort);
        self.shared.out.send_replace(true);
    }
}

/// The UDP port of the same number may be taken: then another pair is tried.
async fn bind() -> io::Result<(TcpListener, UdpSocket)> {
    let mut tries = 0;
    loop {
        let tcp = TcpListener::bind((Ipv4Addr::LOCALHOST, 0)).await?;
        match UdpSocket::bind(tcp.local_addr()?).await {
            Ok(udp) => return Ok((tcp, udp)),
            Err(error) if error.kind() == io::ErrorKind::AddrInUse && tries < 20 => tries += 1,
            Err(error) => return Err(error),
        }
    }
}

async fn serve_tcp(listener: TcpListener, shared: Arc<Shared>) {
    let slots = Arc::new(Semaphore::new(CONNECTIONS));
    // Dropped with this task, and its connections with it.
    let mut connections = JoinSet::new();
    loop {
        let Ok(slot) = Arc::clone(&slots).acquire_owned().await else { return };
        match listener.accept().await {
            Ok((stream, _)) if !*shared.out.borrow() => {
                let shared = Arc::clone(&shared);
                connections.spawn(async move {
                    let mut out = shared.out.subscribe();
                    tokio::select! {
                        _ = out.wait_for(|out| *out) => {}
                        _ = converse(stream, &shared) => {}
                    }
                    drop(slot);
                });
            }
            Ok(_) => {}
            // Out of descriptors, perhaps: that passes.
            Err(_) => tokio::time::sleep(Duration::from_millis(100)).await,
        }
        while connections.try_join_next().is_some() {}
    }
}

async fn converse(mut stream: TcpStream, shared: &Shared) -> io::Result<()> {
    loop {
        let length = timeout(IDLE, stream.read_u16()).await??;
        let mut request = vec![0; usize::from(length)];
        timeout(IDLE, stream.read_exact(&mut request)).await??;
        let Some(answer) = shared.answer(&request) else { return Ok(()) };
        let length = u16::try_from(answer.len()).map_err(io::Error::other)?;
        timeout(IDLE, stream.write_all(&[&length.to_be_bytes(), answer.as_slice()].concat())).await??;
    }
}

async fn serve_udp(socket: UdpSocket, shared: Arc<Shared>) {
    let mut buffer = vec![0; usize::from(u16::MAX)];
    loop {
        let Ok((length, peer)) = socket.recv_from(&mut buffer).await else { continue };
        if *shared.out.borrow() {
            continue;
        }
        let Some(mut answer) = shared.answer(&buffer[..length]) else { continue };
        if answer.len() > UDP_ANSWER {
            // TC without records sends the client to TCP (RFC 2181, section 9); it is left unsigned.
            let Ok(message) = Message::from_vec(&answer) else { continue };
            let Ok(short) = message.truncate().to_vec() else { continue };
            answer = short;
        }
        // A client that went away is not our concern.
        let _ = socket.send_to(&answer, peer).await;
    }
}

/// What a request's signature is worth (RFC 8945, section 5.2).
enum Signature {
    /// There is none.
    Absent,
    /// It is good; the MAC goes into the answer's.
    Good(Vec<u8>),
    /// It is not, and the answer's TSIG record says why; signed over the request's MAC if there is one.
    Bad(TSIG, Option<Vec<u8>>),
}

impl Shared {
    fn state(&self) -> MutexGuard<'_, State> {
        self.state.lock().unwrap_or_else(PoisonError::into_inner)
    }

    fn publish(&self, state: &mut State) {
        state.progress.serial = state.zone.serial();
        self.progress.send_replace(state.progress);
    }

    /// The answer to one request; none when it deserves none, or is held back.
    fn answer(&self, raw: &[u8]) -> Option<Vec<u8>> {
        let id = raw.first_chunk().map(|id| u16::from_be_bytes(*id))?;
        let Ok(request) = Message::from_vec(raw) else {
            // Never an answer to an answer: that would be a loop.
            let asks = raw.len() >= 12 && raw[2] & 0x80 == 0;
            return asks.then(|| Message::error_msg(id, OpCode::Query, Rcode::FormErr).to_vec().ok())?;
        };
        if request.metadata.message_type != MessageType::Query {
            return None;
        }
        let now = Timestamp::from(SystemTime::now()).millis() / 1000;
        let mut answer = Message::response(id, request.metadata.op_code);
        answer.queries.clone_from(&request.queries);
        match self.check(raw, &request, now) {
            Signature::Bad(mut tsig, mac) => {
                answer.metadata.response_code = Rcode::NotAuth;
                if let Some(mac) = mac {
                    let covered = self.signer.encode_response_tbs(&mac, &answer.to_vec().ok()?, &tsig).ok()?;
                    tsig = tsig.set_mac(self.signer.sign(&covered).ok()?);
                }
                let name = request.signature()?.name.clone();
                answer.set_signature(Box::new(make_tsig_record(name, tsig)));
            }
            Signature::Absent => self.respond(&request, false, &mut answer)?,
            Signature::Good(mac) => {
                self.respond(&request, true, &mut answer)?;
                let context = TSigResponseContext::new(id, now, self.signer.clone(), mac, None);
                let tsig = context.sign(&answer.to_vec().ok()?).ok()?;
                answer.set_signature(tsig);
            }
        }
        answer.to_vec().ok()
    }

    /// Key, then MAC, then time (RFC 8945, section 5.2).
    fn check(&self, raw: &[u8], request: &Message, now: u64) -> Signature {
        let Some(record) = request.signature() else { return Signature::Absent };
        let sent = &record.data;
        let error = |time, error, other| {
            let id = request.metadata.id;
            TSIG::new(sent.algorithm.clone(), time, sent.fudge, Vec::new(), id, Some(error), other)
        };
        if record.name != *self.signer.signer_name() || sent.algorithm != *self.signer.algorithm() {
            return Signature::Bad(error(now, TsigError::BadKey, Vec::new()), None);
        }
        if !verifiable(request) || self.signer.verify_message_byte(raw, None, true).is_err() {
            return Signature::Bad(error(now, TsigError::BadSig, Vec::new()), None);
        }
        if sent.time.abs_diff(now) > u64::from(sent.fudge) {
            // The request's own time, and ours in the other-data (RFC 8945, section 5.2.3).
            let ours = now.to_be_bytes()[2..].to_vec();
            return Signature::Bad(error(sent.time, TsigError::BadTime, ours), Some(sent.mac.clone()));
        }
        Signature::Good(sent.mac.clone())
    }

    /// Fills in the answer to an authenticated or unsigned request; `None` when it is to be withheld.
    fn respond(&self, request: &Message, signed: bool, answer: &mut Message) -> Option<()> {
        let mut state = self.state();
        match request.metadata.op_code {
            OpCode::Query => state.zone.lookup(request, answer),
            OpCode::Update if !signed => answer.metadata.response_code = Rcode::Refused,
            OpCode::Update => {
                state.progress.received += 1;
                if let Some(hook) = state.hook.take() {
                    hook(&mut state.zone);
                }
                answer.metadata.response_code = match state.zone.update(request) {
                    Ok(()) => {
                        state.progress.applied += 1;
                        Rcode::NoError
                    }
                    Err(rcode) => rcode,
                };
                self.publish(&mut state);
                if state.hold > 0 {
                    state.hold -= 1;
                    return None;
                }
            }
            _ => answer.metadata.response_code = Rcode::NotImp,
        }
        Some(())
    }
}
