//! A DNS server that takes dynamic updates (RFC 2136), signed by TSIG (RFC 8945).
//!
//! `update`, `judge`, `read` and `transfer` are pure; this file, `inquire`, `cuts`, `fetch` and `write` put questions, updates and
//! transfers on TCP connections.
//!
//! All changes go in one UPDATE message, which a server applies as a whole or not at all (RFC 2136, section 3.4).
//! Only what does not fit one message is split, and then each message stands for itself: when one fails after
//! another was taken, the fault is [`FaultKind::InDoubt`](super::FaultKind::InDoubt).

mod cuts;
mod fetch;
mod inquire;
mod register;
mod write;

pub use fingerpost_core::provider::rfc2136::*;

use std::collections::{BTreeSet, HashMap, VecDeque};
use std::sync::atomic::{AtomicBool, Ordering};
use std::sync::{Mutex, PoisonError};
use std::time::{Duration, SystemTime};

use hickory_proto::ProtoError;
use hickory_proto::op::Message;
use hickory_proto::rr::{RecordType as WireType, TSigner};
use ring::rand::SystemRandom;
use tokio::time::{Instant, timeout_at};

use self::fetch::MANY;
use self::judge::{Answer, Context, Task, Writing, judge};
use super::listing::ZoneRecord;
use super::{Applied, Change, CompareAndSwap, Fault, Grace, Observed, Pending, Provider, Tally};
use crate::clock::Timestamp;
use crate::dns::fresh_id;
use crate::dns::message::{FUDGE, Sent, query, seal, signer, wire_name};
use crate::dns::tcp::Link;
use crate::dns::tsig::TsigKey;
use crate::name::DnsName;

/// Questions on their way at once: few enough that neither side waits for the other to read.
const WINDOW: usize = 64;
/// Bytes for changes in one message: 65,535 less header, zone section, fence and signature.
const ROOM: usize = 64_000;
/// A signed message is taken as long as its time and the server's clock are no further apart than the fudge (RFC 8945,
/// section 5.2.3): where the server's clock is that far behind ours, for twice as long by ours.
const ARRIVAL: Duration = Duration::from_secs(2 * FUDGE as u64);
/// As many changes fit one message when their names are of common length.
const SURELY_ONE: usize = 400;

/// One zone at its primary server.
pub struct Rfc2136 {
    zone: DnsName,
    server: String,
    key: Option<TsigKey>,
    timeout: Duration,
    now: fn() -> Timestamp,
    random: SystemRandom,
    /// The server has signed an answer with our key, so it knows the key.
    key_known: AtomicBool,
    /// The last signed question was refused by an answer that is not signed and does not say why.
    signature_doubted: AtomicBool,
    /// Names in an update that met a conflict: the next read asks whether what it sees there really stands there,
    /// or is made by a wildcard.
    doubted: Mutex<BTreeSet<DnsName>>,
    /// A transfer of the zone was tried and cannot be had, and queries can.
    no_transfer: AtomicBool,
}

impl Rfc2136 {
    /// The zone `zone` at `server` (`host:port`), by `key`; `timeout` is for a whole read or write.
    ///
    /// Without a key, updates go to a loopback address only.
    pub fn new(zone: DnsName, server: String, key: Option<TsigKey>, timeout: Duration) -> Self {
        Self {
            zone,
            server,
            key,
            timeout,
            now: || Timestamp::from(SystemTime::now()),
            random: SystemRandom::new(),
            key_known: AtomicBool::new(false),
            signature_doubted: AtomicBool::new(false),
            doubted: Mutex::new(BTreeSet::new()),
            no_transfer: AtomicBool::new(false),
        }
    }

    /// Signs by the clock `now` from here on.
    pub fn with_clock(self, now: fn() -> Timestamp) -> Self {
        Self { now, ..self }
    }

    /// The server as people write it.
    fn label(&self) -> &str {
        self.server.strip_suffix(":53").unwrap_or(&self.server)
    }

    fn context<'a>(&'a self, task: Task<'a>, signed_at: u64) -> Context<'a> {
        Context {
            server: self.label(),
            zone: &self.zone,
            key: self.key.as_ref(),
            key_known: self.key_known.load(Ordering::Relaxed),
            task,
            signed_at,
        }
    }

    fn signer(&self) -> Result<Option<TSigner>, Fault> {
        self.key.as_ref().map(signer).transpose().map_err(unbuilt)
    }

    fn fresh_id(&self) -> Result<u16, Fault> {
        fresh_id(&self.random).ok_or_else(|| Fault::passing("the system gives no random bytes for a message id", ""))
    }

    async fn open(&self, deadline: Instant) -> Result<Link, Fault> {
        Link::open(&self.server, deadline).await.map_err(|error| {
            let server = self.label();
            Fault::passing(
                format!("{server} cannot be reached over TCP"),
                format!("see that {server} runs and can be reached from here"),
            )
            .caused_by(error)
        })
    }

    /// Judges an answer and takes note when it shows that the server knows our key.
    fn accept(&self, raw: &[u8], sent: Sent, task: Task<'_>) -> Result<Message, Fault> {
        let signed_at = sent.signed_at;
        let answer = judge(raw, sent);
        if self.key.is_some() && matches!(answer, Answer::Believed(_)) {
            self.key_known.store(true, Ordering::Relaxed);
        }
        self.signature_doubted.store(judge::may_mean_the_signature(&answer), Ordering::Relaxed);
        self.context(task, signed_at).accept(answer)
    }

    /// Puts all `questions` on one connection, the answers in the same order. A server may answer in any order,
    /// and may close the connection after some answers (RFC 7766, sections 6.2.1.1 and 6.2.4): the rest is asked again.
    /// Where they end with that for the zone's serial, it is asked when all before it are answered; and where they
    /// begin with it too, none of the others before that is.
    async fn ask(&self, questions: &[Message], deadline: Instant) -> Result<Vec<Message>, Fault> {
        let signer = self.signer()?;
        let mut answers: Vec<Option<Message>> = vec![None; questions.len()];
        let mut todo: VecDeque<usize> = (0..questions.len()).collect();
        while !todo.is_empty() {
            let mut link = self.open(deadline).await?;
            let before = todo.len();
            let Err(broken) = self.pass(&mut link, questions, signer.as_ref(), &mut todo, &mut answers).await? else {
                break;
            };
            if todo.len() == before {
                let server = self.label();
                return Err(Fault::passing(
                    format!("{server} closed the connection without an answer"),
                    format!("see the log of {server}"),
                )
                .caused_by(broken));
            }
        }
        Ok(answers.into_iter().flatten().collect())
    }

    /// One connection's part of [`Self::ask`]: what is still to do when it breaks stays in `todo`.
    async fn pass(
        &self,
        link: &mut Link,
        questions: &[Message],
        signer: Option<&TSigner>,
        todo: &mut VecDeque<usize>,
        answers: &mut [Option<Message>],
    ) -> Result<std::io::Result<()>, Fault> {
        let mut waiting: HashMap<u16, (usize, Sent)> = HashMap::new();
        let is_watched = questions.len() > 1 && questions.last().is_some_and(|last| self.asks_for_serial(last));
        let is_alone = |at: usize| is_watched && self.asks_for_serial(&questions[at]);
        let broken = loop {
            let mut failed = None;
            while waiting.len() < WINDOW && failed.is_none() {
                let has_to_wait = |at: usize| is_alone(at) || waiting.values().any(|(other, _)| is_alone(*other));
                let next = todo.front().filter(|at| waiting.is_empty() || !has_to_wait(**at)).copied();
                let Some(at) = next else { break };
                todo.pop_front();
                let id = loop {
                    let id = self.fresh_id()?;
                    if !waiting.contains_key(&id) {
                        break id;
                    }
                };
                let sent = seal(questions[at].clone(), id, signer, (self.now)()).map_err(unbuilt)?;
                failed = link.send(&sent.wire).await.err();
                waiting.insert(id, (at, sent));
            }
            if waiting.is_empty() {
                return Ok(Ok(()));
            }
            // What was answered before a failed send can still be read.
            match link.receive().await {
                Ok(raw) => {
                    let id = raw.first_chunk().map(|id| u16::from_be_bytes(*id));
                    let Some((at, sent)) = id.and_then(|id| waiting.remove(&id)) else {
                        return self.context(Task::Read, 0).accept(Answer::Junk).map(|_| Ok(()));
                    };
                    answers[at] = Some(self.accept(&raw, sent, Task::Read)?);
                }
                Err(error) => break failed.unwrap_or(error),
            }
        };
        todo.extend(waiting.into_values().map(|(at, _)| at));
        todo.make_contiguous().sort_unstable();
        Ok(Err(broken))
    }

    /// Why a read was refused: when the server answers the same question without a signature, by the signature.
    async fn refused(&self, fault: Fault, deadline: Instant) -> Fault {
        if !self.signature_doubted.swap(false, Ordering::Relaxed) {
            return fault;
        }
        let unsigned = async {
            let zone = wire_name(&self.zone).map_err(unbuilt)?;
            let sent =
                seal(query(zone.clone(), WireType::SOA), self.fresh_id()?, None, (self.now)()).map_err(unbuilt)?;
            let mut link = self.open(deadline).await?;
            let raw = match link.send(&sent.wire).await {
                Ok(()) => link.receive().await,
                Err(error) => Err(error),
            };
            let raw = raw.map_err(|error| self.late().caused_by(error))?;
            let context = Context { key: None, ..self.context(Task::Read, 0) };
            let answer = context.accept(judge(&raw, sent))?;
            read::serial(&zone, &answer).map_err(|unfit| unfit.fault(self.label(), &self.zone))
        };
        match timeout_at(deadline, unsigned).await {
            Ok(Ok(_)) => self.context(Task::Read, 0).signature_not_taken(),
            // It says no more without a signature.
            _ => fault,
        }
    }

    async fn look(&self, names: &BTreeSet<DnsName>, together: bool) -> Result<Observed, Fault> {
        let deadline = Instant::now() + self.timeout;
        match timeout_at(deadline, self.observe(names, together, deadline)).await {
            Ok(Ok(observed)) => Ok(observed),
            Ok(Err(fault)) => Err(self.refused(fault, deadline).await),
            Err(_) => Err(self.late()),
        }
    }

    /// Many names are read by a transfer of the zone, where that can be had, and few by a query each.
    async fn observe(&self, names: &BTreeSet<DnsName>, together: bool, deadline: Instant) -> Result<Observed, Fault> {
        if names.len() < MANY || self.no_transfer.load(Ordering::Relaxed) {
            return self.inquire(names, together, deadline).await;
        }
        let why = match self.transfer(names, deadline).await? {
            Ok(observed) => {
                self.key_known.store(self.key.is_some(), Ordering::Relaxed);
                // A transfer shows no wildcard's doing: nothing is left to doubt.
                self.doubted().retain(|name| !names.contains(name));
                return Ok(observed);
            }
            Err(why) => why,
        };
        // Where queries fail too, the transfer was not at fault, and is tried again.
        let observed = self.inquire(names, together, deadline).await?;
        self.no_transfer.store(true, Ordering::Relaxed);
        let (server, zone) = (self.label(), &self.zone);
        tracing::info!("{server} gives no transfer of {zone} ({why}); its names are asked for one by one");
        Ok(observed)
    }

    fn late(&self) -> Fault {
        let server = self.label();
        Fault::passing(
            format!("{server} did not answer within {:?}", self.timeout),
            format!("see that {server} runs and can be reached from here"),
        )
    }

    fn doubted(&self) -> std::sync::MutexGuard<'_, BTreeSet<DnsName>> {
        self.doubted.lock().unwrap_or_else(PoisonError::into_inner)
    }
}

impl Provider for Rfc2136 {
    fn read<'a>(&'a self, names: &'a BTreeSet<DnsName>) -> Pending<'a, Observed> {
        Box::pin(self.look(names, false))
    }

    fn read_together<'a>(&'a self, names: &'a BTreeSet<DnsName>) -> Pending<'a, Observed> {
        Box::pin(self.look(names, true))
    }

    fn apply<'a>(&'a self, changes: &'a [Change]) -> Pending<'a, Applied> {
        Box::pin(async move {
            if changes.is_empty() {
                return Ok(Applied::default());
            }
            self.write(changes, None, Instant::now() + self.timeout).await
        })
    }

    fn list(&self) -> Pending<'_, Vec<ZoneRecord>> {
        Box::pin(self.records(Instant::now() + self.timeout))
    }

    /// An UPDATE with nothing in it: what the server refuses then it refuses whatever the name (RFC 2136, section 3.3).
    fn permits(&self) -> Option<Pending<'_, ()>> {
        Some(Box::pin(async move {
            let deadline = Instant::now() + self.timeout;
            let (signer, zone) = (self.signer()?, wire_name(&self.zone).map_err(unbuilt)?);
            let mut link = self.open_to_write(deadline).await?;
            let sent = seal(update::empty_update(zone), self.fresh_id()?, signer.as_ref(), (self.now)());
            self.exchange(&mut link, sent.map_err(unbuilt)?, Writing::Changes(&[]), deadline).await
        }))
    }

    fn grace(&self) -> Grace {
        Grace::Arrival(ARRIVAL)
    }

    fn tally(&self) -> Tally {
        Tally::Together
    }

    fn compare_and_swap(&self) -> Option<&dyn CompareAndSwap> {
        Some(self)
    }

    fn target(&self) -> String {
        self.server.clone()
    }

    fn means(&self, count: usize) -> String {
        let plural = if count == 1 { "" } else { "s" };
        let how = if self.key.is_some() { "signed" } else { "unsigned" };
        let updates = match count {
            ..=SURELY_ONE => format!("1 {how} update"),
            _ => format!("as few {how} updates as they fit"),
        };
        format!("{count} change{plural} in {updates} to {}", self.label())
    }
}

fn unbuilt(error: ProtoError) -> Fault {
    Fault::refused("the DNS message cannot be built", "shorten the names, or report this").caused_by(error)
}

#[cfg(test)]
mod tests;
