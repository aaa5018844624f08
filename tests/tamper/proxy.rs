//! Somebody on the way between the daemon and the server, who reads every message and does with it what he was told.
//!
//! He has no key of the zone. What he has taken he may pass on later, when the daemon waits no more for its answer, and may
//! pass on twice.

use std::io::{self, Read as _, Write as _};
use std::net::{Shutdown, SocketAddr, TcpListener, TcpStream};
use std::sync::atomic::{AtomicUsize, Ordering};
use std::sync::{Arc, Mutex};
use std::time::Duration;

use fastrand::Rng;
use hickory_proto::op::Message;

/// The codes of a header (RFC 6895, section 2.3): all that were assigned, and one that is not.
pub(crate) const RCODES: [u8; 13] = [0, 1, 2, 3, 4, 5, 6, 7, 8, 9, 10, 11, 15];
/// BADSIG, BADKEY, BADTIME, BADTRUNC (RFC 8945, section 3), and one that is not assigned there.
pub(crate) const TSIG_ERRORS: [u16; 5] = [16, 17, 18, 22, 99];

/// Which messages.
#[derive(Clone, Copy, Debug, PartialEq)]
pub(crate) enum Whom {
    Reads,
    Updates,
    All,
}

/// How a forged answer looks as if it were signed.
#[derive(Clone, Copy, Debug)]
pub(crate) enum Seal {
    /// It does not.
    None,
    /// No MAC, and this error, as a server says it that cannot sign (RFC 8945, section 5.3.2).
    Error(u16),
    /// Soundly, by a key that nobody has; perhaps with an error.
    OtherKey(u16),
    /// By the name of the right key, with a MAC of the right length; perhaps with an error.
    Invalid(u16),
}

/// What is done to a message.
#[derive(Clone, Copy, Debug)]
pub(crate) enum Deed {
    Forge(u8, Seal),
    /// The connection ends in place of an answer.
    Cut,
    /// The server gets half of the request.
    CutRequest,
    /// The daemon gets a part of the answer.
    CutAnswer,
    /// One bit of the answer is another one.
    Flip,
    /// The answer to another message, as it was or with the id that is waited for.
    Replay {
        id: bool,
    },
    Garbage,
    WrongId,
    Truncated,
    /// The answer comes late, or after nobody waits any more.
    DelayAnswer(Duration),
    /// The server gets the request late, or after nobody waits any more.
    DelayRequest(Duration),
    /// The server gets the request twice, and what it says to the second is the answer.
    Twice,
    /// The server gets the request once more, that much later.
    Again(Duration),
}

#[derive(Clone, Copy, Debug)]
pub(crate) struct Tampering {
    pub(crate) whom: Whom,
    pub(crate) deed: Deed,
    /// Whether the server gets the message before.
    pub(crate) passed: bool,
    /// Of ten messages.
    pub(crate) often: u8,
}

impl Tampering {
    pub(crate) fn draw(rng: &mut Rng) -> Self {
        let error = |rng: &mut Rng| if rng.bool() { 0 } else { TSIG_ERRORS[rng.usize(..TSIG_ERRORS.len())] };
        let deed = match rng.u8(0..24) {
            0..10 => {
                let seal = match rng.u8(0..8) {
                    0..3 => Seal::None,
                    3..5 => Seal::Error(TSIG_ERRORS[rng.usize(..TSIG_ERRORS.len())]),
                    5 | 6 => Seal::Invalid(error(rng)),
                    _ => Seal::OtherKey(error(rng)),
                };
                // A TSIG error comes with NOTAUTH (RFC 8945, section 5.2), mostly.
                let rcode = match seal {
                    Seal::Error(_) if rng.u8(..4) > 0 => 9,
                    _ => RCODES[rng.usize(..RCODES.len())],
                };
                Deed::Forge(rcode, seal)
            }
            10 => Deed::Cut,
            11 => Deed::CutRequest,
            12 => Deed::CutAnswer,
            13 => Deed::Flip,
            14 | 15 => Deed::Replay { id: rng.bool() },
            16 => Deed::Garbage,
            17 => {
                if rng.bool() {
                    Deed::WrongId
                } else {
                    Deed::Truncated
                }
            }
            18 => Deed::Twice,
            late => {
                let wait = [10..150, 350..700, 700..3000][rng.usize(..3)].clone();
                let wait = Duration::from_millis(rng.u64(wait));
                match late {
                    19 => Deed::DelayAnswer(wait),
                    20 => Deed::Again(wait),
                    _ => Deed::DelayRequest(wait),
                }
            }
        };
        let whom = [Whom::Reads, Whom::Updates, Whom::Updates, Whom::All][rng.usize(..4)];
        Self { whom, deed, passed: rng.bool(), often: [10, 10, 5, 3][rng.usize(..4)] }
    }
}

struct Told {
    tampering: Option<Tampering>,
    hits: usize,
    /// Answers of earlier times: to reads, and to updates.
    old: [Vec<Vec<u8>>; 2],
    rng: Rng,
}

pub(crate) struct Proxy {
    address: SocketAddr,
    told: Arc<Mutex<Told>>,
    kept: Arc<AtomicUsize>,
}

/// A message that was taken and may still be passed on: one of those that are counted.
struct Kept(Arc<AtomicUsize>);

impl Kept {
    fn one_of(count: &Arc<AtomicUsize>) -> Self {
        count.fetch_add(1, Ordering::SeqCst);
        Self(Arc::clone(count))
    }
}

impl Drop for Kept {
    fn drop(&mut self) {
        self.0.fetch_sub(1, Ordering::SeqCst);
    }
}

impl Proxy {
    pub(crate) fn before(server: SocketAddr, seed: u64) -> Self {
        let listener = TcpListener::bind("127.0.0.1:0").unwrap();
        let address = listener.local_addr().unwrap();
        let told = Told { tampering: None, hits: 0, old: Default::default(), rng: Rng::with_seed(seed) };
        let told = Arc::new(Mutex::new(told));
        let kept = Arc::new(AtomicUsize::new(0));
        let (shared, counted) = (Arc::clone(&told), Arc::clone(&kept));
        std::thread::spawn(move || {
            for stream in listener.incoming().flatten() {
                let (told, kept) = (Arc::clone(&shared), Arc::clone(&counted));
                std::thread::spawn(move || {
                    // Whatever broke: both sides see that it did.
                    let _ = serve(&stream, server, &told, &kept);
                    let _ = stream.shutdown(Shutdown::Both);
                });
            }
        });
        Self { address, told, kept }
    }

    /// Whether the server has all that it will get of what was taken.
    pub(crate) fn has_passed_all_on(&self) -> bool {
        self.kept.load(Ordering::SeqCst) == 0
    }

    pub(crate) fn address(&self) -> SocketAddr {
        self.address
    }

    pub(crate) fn begin(&self, tampering: Tampering) {
        let mut told = self.told.lock().unwrap();
        (told.tampering, told.hits) = (Some(tampering), 0);
    }

    pub(crate) fn hits(&self) -> usize {
        self.told.lock().unwrap().hits
    }

    pub(crate) fn end(&self) -> usize {
        let mut told = self.told.lock().unwrap();
        told.tampering = None;
        told.hits
    }
}

fn receive(mut stream: &TcpStream) -> io::Result<Vec<u8>> {
    let mut length = [0; 2];
    stream.read_exact(&mut length)?;
    let mut message = vec![0; usize::from(u16::from_be_bytes(length))];
    stream.read_exact(&mut message)?;
    Ok(message)
}

fn framed(message: &[u8]) -> Vec<u8> {
    [&u16::try_from(message.len()).unwrap().to_be_bytes(), message].concat()
}

fn ask(mut upstream: &TcpStream, request: &[u8]) -> io::Result<Vec<u8>> {
    upstream.write_all(&framed(request))?;
    receive(upstream)
}

fn serve(mut client: &TcpStream, server: SocketAddr, told: &Mutex<Told>, kept: &Arc<AtomicUsize>) -> io::Result<()> {
    let mut upstream = TcpStream::connect(server)?;
    loop {
        let request = receive(client)?;
        let message = Kept::one_of(kept);
        let is_update = request.get(2).is_some_and(|flags| flags >> 3 & 15 == 5);
        let (tampering, mut rng) = {
            let mut told = told.lock().unwrap();
            let mut rng = told.rng.fork();
            let tampering = told.tampering.filter(|tampering| {
                let concerned = match tampering.whom {
                    Whom::All => true,
                    whom => (whom == Whom::Updates) == is_update,
                };
                concerned && rng.u8(0..10) < tampering.often
            });
            told.hits += usize::from(tampering.is_some());
            (tampering, rng)
        };
        if let Some(Deed::DelayRequest(wait)) = tampering.map(|tampering| tampering.deed) {
            std::thread::sleep(wait);
        }
        let mut answer = None;
        let goes_on = !matches!(tampering, Some(Tampering { passed: false, deed, .. })
            if matches!(deed, Deed::Forge(..) | Deed::Cut | Deed::Replay { .. } | Deed::Garbage));
        if goes_on {
            if matches!(tampering, Some(Tampering { deed: Deed::CutRequest, .. })) {
                let whole = framed(&request);
                upstream.write_all(&whole[..rng.usize(..whole.len())])?;
                return Ok(());
            }
            answer = Some(ask(&upstream, &request)?);
        }
        match tampering.map(|tampering| tampering.deed) {
            Some(Deed::Twice) => answer = Some(ask(&upstream, &request)?),
            Some(Deed::Again(wait)) => {
                let request = request.clone();
                std::thread::spawn(move || {
                    std::thread::sleep(wait);
                    let _ = TcpStream::connect(server).and_then(|upstream| ask(&upstream, &request));
                    drop(message);
                });
            }
            _ => drop(message),
        }
        if let Some(answer) = &answer {
            let old = &mut told.lock().unwrap().old[usize::from(is_update)];
            if old.len() == 64 {
                old.remove(rng.usize(..64));
            }
            old.push(answer.clone());
        }
        let answer = answer.unwrap_or_default();
        let sent = match tampering.map(|tampering| tampering.deed) {
            None | Some(Deed::DelayRequest(_) | Deed::Twice | Deed::Again(_)) => answer,
            Some(Deed::DelayAnswer(wait)) => {
                std::thread::sleep(wait);
                answer
            }
            Some(Deed::Cut | Deed::CutRequest) => return Ok(()),
            Some(Deed::CutAnswer) => {
                let whole = framed(&answer);
                client.write_all(&whole[..rng.usize(..whole.len())])?;
                return Ok(());
            }
            Some(Deed::Flip) => {
                let (mut answer, at) = (answer.clone(), rng.usize(..answer.len()));
                answer[at] ^= 1 << rng.u8(..8);
                answer
            }
            Some(Deed::WrongId) => {
                let mut answer = answer;
                answer[rng.usize(..2)] ^= 1 << rng.u8(..8);
                answer
            }
            Some(Deed::Truncated) => {
                let mut answer = answer;
                answer[2] |= 2;
                answer
            }
            Some(Deed::Garbage) => (0..rng.usize(..300)).map(|_| rng.u8(..)).collect(),
            Some(Deed::Replay { id }) => {
                let told = told.lock().unwrap();
                // Not the answer that belongs to it.
                let old = &told.old[usize::from(is_update)];
                let old = &old[..old.len().saturating_sub(1)];
                let Some(mut answer) = rng.choice(old).cloned() else { return Ok(()) };
                if id {
                    answer[..2].copy_from_slice(&request[..2]);
                }
                answer
            }
            Some(Deed::Forge(rcode, seal)) => forge(&request, rcode, seal, &mut rng),
        };
        client.write_all(&framed(&sent))?;
    }
}

/// The header and question of `request` as its answer's, with this code, and a TSIG record (RFC 8945, section 4.2) or none.
fn forge(request: &[u8], rcode: u8, seal: Seal, rng: &mut Rng) -> Vec<u8> {
    let parsed = Message::from_vec(request).unwrap();
    // The daemon asks without a signature too, to see whether that makes a difference.
    let tsig = parsed.signature().map(|record| record.data.clone());
    let mut question = 12;
    while request[question] != 0 {
        question += 1 + usize::from(request[question]);
    }
    let mut answer = request[..question + 5].to_vec();
    answer[2] |= 0x84;
    answer[3] = rcode;
    answer[4..12].copy_from_slice(&[0, 1, 0, 0, 0, 0, 0, 0]);
    let wire = |name: &str| -> Vec<u8> {
        let label = |label: &str| [&[u8::try_from(label.len()).unwrap()], label.as_bytes()].concat();
        name.split('.').flat_map(label).chain([0]).collect()
    };
    let (tsig, key, error) = match (tsig, seal) {
        (None, _) | (_, Seal::None) => return answer,
        (Some(tsig), Seal::Error(error) | Seal::Invalid(error)) => (tsig, "gauge-key", error),
        (Some(tsig), Seal::OtherKey(error)) => (tsig, "other-key", error),
    };
    let (key, algorithm) = (wire(key), wire("hmac-sha256"));
    let time = [&tsig.time.to_be_bytes()[2..], &300u16.to_be_bytes()].concat();
    let tail = [&error.to_be_bytes()[..], &[0, 0]].concat();
    let mac: Vec<u8> = match seal {
        Seal::None | Seal::Error(_) => Vec::new(),
        Seal::Invalid(_) => (0..32).map(|_| rng.u8(..)).collect(),
        Seal::OtherKey(_) => {
            // RFC 8945, section 4.3.
            let other = ring::hmac::Key::new(ring::hmac::HMAC_SHA256, b"a secret of somebody else's");
            let digested =
                [&framed(&tsig.mac)[..], &answer, &key, &[0, 255, 0, 0, 0, 0], &algorithm, &time, &tail].concat();
            ring::hmac::sign(&other, &digested).as_ref().to_vec()
        }
    };
    let data = [&algorithm[..], &time, &framed(&mac), &request[..2], &tail].concat();
    answer.extend([&key[..], &[0, 250, 0, 255, 0, 0, 0, 0], &framed(&data)].concat());
    answer[11] = 1;
    answer
}
