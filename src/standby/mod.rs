//! Two daemons, one home: a lease in a TXT record decides which of them writes. One lease a provider.
//!
//! `lease_record` and `turn` are pure: what the record says, and what to do next. [`Lease`] carries that out through the
//! provider, and holds the lease's door: whoever writes goes through [`Lease::enter`], and takes the claim along as a
//! fence that the server itself checks. It is no part of any promise that clocks run alike or that processes run at all.

use std::collections::BTreeMap;
use std::sync::{Arc, Mutex, MutexGuard, PoisonError};
use std::time::Duration;

use ring::rand::{SecureRandom, SystemRandom};
use tokio::sync::Notify;
use tokio::time::{Instant, sleep_until, timeout};

use crate::clock::{Clock, Setting};
use crate::name::DnsName;
use crate::provider::lease_record::{LeaseRecord, Nonce};
use crate::provider::{Applied, Change, CompareAndSwap, Fault, FaultKind, Fence, Provider};
use crate::settings::Standby;
pub use fingerpost_core::standby::*;
use turn::{Me, Step, Swapped, Turn};

/// Steps for one write, and rounds for one giving back: a look, a swap, and both once more after a swap that met something.
const TRIES: usize = 4;
/// So long the giving back may take: what is not given back lapses.
const FAREWELL: Duration = Duration::from_secs(3);

/// The leases of all providers.
pub(crate) type Leases = BTreeMap<String, Arc<Lease>>;

/// The lease of one provider.
pub struct Lease {
    name: DnsName,
    provider: Arc<dyn Provider>,
    clock: Clock,
    setting: Mutex<Setting>,
    /// How long a claim holds.
    span: Duration,
    /// What the times of the turn count from.
    start: Instant,
    turn: Mutex<Turn>,
    /// Why the last look or swap failed, while nothing has succeeded since.
    fault: Mutex<Option<(FaultKind, String)>>,
    /// Since when this machine cannot make use of it.
    unable: Mutex<Unable>,
    /// One message at a time: a renewal on its way would make a write's fence stale.
    door: tokio::sync::Mutex<()>,
    /// The turn was changed from outside of [`Lease::keep`].
    changed: Notify,
}

impl Lease {
    /// The lease that `standby` has for `provider`, whose name is `name`; nothing is known of it yet.
    pub fn new(standby: &Standby, name: DnsName, provider: Arc<dyn Provider>, nonce: Nonce, clock: Clock) -> Self {
        let me = Me { holder: standby.holder.clone(), nonce, lease: standby.lease };
        Self {
            name,
            provider,
            setting: Mutex::new(clock.setting()),
            clock,
            span: standby.lease,
            start: Instant::now(),
            turn: Mutex::new(Turn::new(me)),
            fault: Mutex::new(None),
            unable: Mutex::default(),
            door: tokio::sync::Mutex::new(()),
            changed: Notify::new(),
        }
    }

    /// Whether it is the same one as `other`.
    pub(crate) fn is_where(&self, other: &Self) -> bool {
        self.name == other.name && self.provider.target() == other.provider.target()
    }

    /// Looks, takes and renews for as long as it is polled; `tell` is called when there is news, when writing has
    /// become possible, when what is held is to rest, and when a person has to act. It never ends by itself.
    pub async fn keep(&self, tell: impl Fn()) {
        let (mut held, mut amiss) = (false, None);
        loop {
            let wait = {
                let _alone = self.door.lock().await;
                self.step().await
            };
            let (now_held, now_amiss) = (self.held().is_some(), self.amiss());
            // Whoever keeps the books decides whether it is to rest.
            let to_rest = now_held && self.resting().is_some();
            if (now_held && !held) || self.turn().has_news() || now_amiss != amiss || to_rest {
                tell();
            }
            (held, amiss) = (now_held, now_amiss);
            match wait {
                Some(None) => self.changed.notified().await,
                Some(Some(until)) => {
                    tokio::select! {
                        () = sleep_until(self.start + until) => {}
                        () = self.changed.notified() => {}
                    }
                }
                None => {}
            }
        }
    }

    /// Lets a writer in that may write now, and nobody else until it leaves.
    pub async fn enter(&self) -> Result<Entered<'_>, NotHeld> {
        let alone = self.door.lock().await;
        for _ in 0..TRIES {
            if let Some(claim) = self.held() {
                let register = self.provider.compare_and_swap().ok_or_else(unable)?;
                return Ok(Entered { lease: self, register, text: claim.to_string(), _alone: alone });
            }
            if self.step().await.is_some() {
                break;
            }
        }
        Err(self.why_not())
    }

    /// Our claim, while it can be relied on.
    fn held(&self) -> Option<LeaseRecord> {
        self.turn().held(self.start.elapsed()).cloned()
    }

    /// Does what is to be done now; `Some` when that is to wait.
    async fn step(&self) -> Option<Option<Duration>> {
        if let Some(step) = self.clock.step(&mut self.setting.lock().unwrap_or_else(PoisonError::into_inner)) {
            self.turn().shift(&step);
        }
        let step = self.turn().next(self.start.elapsed(), self.clock.now());
        let Some(register) = self.provider.compare_and_swap() else { return Some(None) };
        match step {
            Step::Wait(until) => return Some(until),
            Step::Look => {
                let read = register.read_text(&self.name).await;
                let now = self.start.elapsed();
                match self.note(read) {
                    Some(texts) => self.turn().looked(now, LeaseRecord::read(&texts)),
                    None => self.came_to_nothing(now),
                }
            }
            Step::Swap { before, after } => {
                let sent = self.start.elapsed();
                let (old, new) = (before.map(|claim| claim.to_string()), after.as_ref().map(LeaseRecord::to_string));
                // Should this future be dropped on the way: nobody knows then.
                let mut dropped = Unheard { lease: self, sent, after: Some(after.clone()) };
                let swap = register.swap_text(&self.name, old.as_deref(), new.as_deref()).await;
                dropped.after = None;
                let (end, noted) = match swap {
                    Ok(()) => (Swapped::Done, Ok(())),
                    Err(fault) => match fault.kind {
                        // Somebody was quicker: nothing is wrong.
                        FaultKind::Conflict => (Swapped::Conflict, Ok(())),
                        FaultKind::InDoubt | FaultKind::Unproven => (Swapped::InDoubt, Err(fault)),
                        FaultKind::Passing { .. } | FaultKind::Refused => (Swapped::Failed, Err(fault)),
                    },
                };
                self.note(noted);
                let now = self.start.elapsed();
                self.turn().swapped(sent, now, after, end);
                if end == Swapped::Failed {
                    self.came_to_nothing(now);
                }
            }
        }
        None
    }

    /// What is refused is not asked for again as soon as what may pass.
    fn came_to_nothing(&self, now: Duration) {
        let refused = matches!(self.fault().as_ref(), Some((FaultKind::Refused, _)));
        let mut turn = self.turn();
        if refused { turn.refused(now) } else { turn.failed(now) }
    }

    /// Keeps what went wrong, or that nothing did.
    fn note<T>(&self, result: Result<T, Fault>) -> Option<T> {
        let mut fault = self.fault();
        match result {
            Ok(value) => {
                *fault = None;
                Some(value)
            }
            Err(error) => {
                *fault = Some((error.kind, error.to_string()));
                None
            }
        }
    }

    /// Why there is nothing to be written now.
    fn why_not(&self) -> NotHeld {
        let resting = self.resting();
        let turn = self.turn();
        let name = &self.name;
        if let Some(why) = resting.filter(|_| turn.is_resting()) {
            return NotHeld::Resting(format!("{why}; meanwhile the lease at {name} is left to another machine"));
        }
        if let Some(LeaseRecord { holder, since, .. }) = turn.theirs() {
            return NotHeld::StandingBy(format!("standing by: {holder} has had the lease at {name} since {since}"));
        }
        if let Some(why) = turn.foreign() {
            return NotHeld::Barred(format!(
                "the lease at {name} cannot be taken: {why}; remove what stands there, or set `standby.name` to \
                 another name"
            ));
        }
        match self.fault().as_ref() {
            Some((FaultKind::Refused, why)) => NotHeld::Refused(format!("the lease at {name}: {why}")),
            Some((FaultKind::Unproven, why)) => NotHeld::Unproven(format!("the lease at {name}: {why}")),
            Some((_, why)) => NotHeld::Passing(format!("the lease at {name}: {why}")),
            None => NotHeld::Passing(format!("whose the lease at {name} is, is not known yet")),
        }
    }

    /// Who has the lease now, asked without taking it; `None` when it can be ours.
    pub async fn peek(&self) -> Result<(), NotHeld> {
        let register = self.provider.compare_and_swap().ok_or_else(unable)?;
        let read = register.read_text(&self.name).await;
        let now = self.start.elapsed();
        if let Some(texts) = self.note(read) {
            let mut turn = self.turn();
            turn.looked(now, LeaseRecord::read(&texts));
            if turn.theirs().is_none() && turn.foreign().is_none() {
                return Ok(());
            }
        }
        Err(self.why_not())
    }

    /// To hold nothing, because what is held cannot be written to; or to take part again.
    /// True when that is a change.
    pub fn rest(&self, resting: bool) -> bool {
        let changes = self.turn().rest(resting);
        if changes {
            self.changed.notify_one();
        }
        changes
    }

    /// This machine cannot write now. After a whole lease of that the lease is to rest.
    pub fn cannot(&self, why: Inability) {
        lock(&self.unable).note(self.start.elapsed(), why);
    }

    /// This machine can write again, or nothing is known to the contrary.
    pub fn can(&self) {
        lock(&self.unable).clear();
    }

    /// Why this machine cannot write, as far as is known.
    pub(crate) fn unable(&self) -> Option<Inability> {
        lock(&self.unable).why().cloned()
    }

    /// Why the lease is to rest now: this machine could not write for as long as it holds.
    pub fn resting(&self) -> Option<Inability> {
        lock(&self.unable).rests(self.start.elapsed(), self.span).cloned()
    }

    /// Gives back what is held, if that can be done soon.
    pub async fn release(&self) {
        let work = async {
            let _alone = self.door.lock().await;
            // One look, one swap that meets a renewal of ours that was still on its way, and both again.
            for _ in 0..TRIES {
                self.turn().rest(true);
                while self.step().await.is_none() {}
                if !self.turn().may_stand() {
                    return;
                }
                // A swap whose end nobody knew: what stands is looked at, and given back if it is ours.
                self.turn().rest(false);
                self.step().await;
            }
        };
        if timeout(FAREWELL, work).await.is_err() {
            tracing::debug!("the lease at {} is not given back; it lapses", self.name);
        }
        self.turn().rest(true);
    }

    /// What is new since this was last asked.
    pub fn news(&self) -> Vec<News> {
        self.turn().news()
    }

    /// What keeps the lease from being ours or anybody's until a person acts, if anything does.
    pub fn amiss(&self) -> Option<NotHeld> {
        let may_be_ours = self.held().is_some();
        Some(self.why_not()).filter(|why| !may_be_ours && matches!(why, NotHeld::Barred(_) | NotHeld::Refused(_)))
    }

    fn fault(&self) -> MutexGuard<'_, Option<(FaultKind, String)>> {
        lock(&self.fault)
    }

    fn turn(&self) -> MutexGuard<'_, Turn> {
        lock(&self.turn)
    }
}

fn lock<T>(of: &Mutex<T>) -> MutexGuard<'_, T> {
    of.lock().unwrap_or_else(PoisonError::into_inner)
}

/// A swap on its way.
struct Unheard<'a> {
    lease: &'a Lease,
    sent: Duration,
    after: Option<Option<LeaseRecord>>,
}

impl Drop for Unheard<'_> {
    fn drop(&mut self) {
        if let Some(after) = self.after.take() {
            self.lease.turn().swapped(self.sent, self.lease.start.elapsed(), after, Swapped::InDoubt);
        }
    }
}

fn unable() -> NotHeld {
    // The configuration lets no such provider have a lease.
    NotHeld::Refused("this provider keeps no lease".to_owned())
}

/// Somebody who may write, behind the door.
pub struct Entered<'a> {
    lease: &'a Lease,
    register: &'a dyn CompareAndSwap,
    text: String,
    _alone: tokio::sync::MutexGuard<'a, ()>,
}

impl Entered<'_> {
    /// Writes `changes`, if the lease is still ours when the server comes to it.
    pub async fn apply(&self, changes: &[Change]) -> Result<Applied, Fault> {
        let fence = Fence { name: &self.lease.name, text: &self.text };
        let mut applied = self.register.apply_under(changes, fence).await;
        if let Err(fault) = &mut applied
            && fault.kind == FaultKind::Conflict
        {
            // The server does not say which of the two it is.
            fault.why += ", or the lease is not ours any more";
            self.lease.turn().doubt();
            self.lease.changed.notify_one();
        }
        applied
    }
}

/// One that no other process has.
pub(crate) fn fresh_nonce() -> Nonce {
    let mut nonce = [0; 16];
    if SystemRandom::new().fill(&mut nonce).is_err() {
        // Nobody gains by guessing it: it only has to be another one.
        fastrand::fill(&mut nonce);
    }
    Nonce(nonce)
}

#[cfg(test)]
mod tests;
