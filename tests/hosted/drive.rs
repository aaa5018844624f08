//! One run: a home with the real provider and real books, before the simulator, in a time of its own.
//!
//! The simulator and the program share a thread, and time stands still unless somebody who would wait moves it on: how fast
//! the machine is makes no difference.

use std::collections::BTreeMap;
use std::sync::mpsc;
use std::time::Duration;

use fastrand::Rng;
use tokio::time::Instant;

use crate::ONCE;
use crate::api::Api;
use crate::bench::{Bench, HELD, TIMEOUT, home};
use crate::forms::Forms;
use crate::habits::{Habits, Shape};
use crate::judge::{charged_wrongly, intents, untruths};
use crate::world::{Time, World};

/// So long on the clock of the machine nobody asks for anything: then it never will.
const PATIENCE: Duration = Duration::from_secs(60);
/// From the last fault until everything is in step and every intent has its outcome.
const IN_STEP_WITHIN: Duration = Duration::from_secs(15 * 60);

/// What a run came to.
#[derive(Debug, Default)]
pub(crate) struct Facts {
    pub(crate) requests: usize,
    pub(crate) faults: usize,
    pub(crate) kills: usize,
    pub(crate) intents: usize,
    pub(crate) endings: BTreeMap<String, usize>,
    /// From the last fault until all was in step, in milliseconds.
    pub(crate) took: u64,
    /// What was not as it must be.
    pub(crate) breaches: Vec<String>,
}

impl Bench {
    /// The time of faults.
    async fn live(&mut self, facts: &mut Facts) {
        let habits = self.api.world().habits.clone();
        let mut moves = 0;
        for _ in 0..self.rng.usize(5..14) {
            if self.rng.u8(0..5) < 2 {
                moves += 1;
                self.api.world().move_to(&home(moves));
                self.desired.iter_mut().for_each(|wanted| wanted.address = home(moves).parse().unwrap());
                self.wait = self.wait.filter(|(_, stays)| *stays);
                if let Some((until, _)) = self.wait {
                    self.api.pass(Duration::from_millis(until.saturating_sub(self.now()))).await;
                }
            } else {
                self.rest().await;
            }
            if self.rng.bool() {
                self.api.world().somebody_acts(false);
                if !habits.is_guarded() {
                    self.api.pass(Duration::from_millis(habits.lag)).await;
                }
            }
            if habits.kills && self.rng.u8(0..4) == 0 {
                let dies_in = self.rng.usize(1..8);
                self.api.world().dies_in = Some(dies_in);
            }
            if self.pass().await.is_none() {
                facts.kills += 1;
                self.start_anew();
            }
        }
    }

    /// From the last fault on.
    async fn calm(&mut self, facts: &mut Facts) {
        self.api.world().is_wild = false;
        let begun = self.now();
        let mut within = IN_STEP_WITHIN;
        // One record alone that was refused is tried again as seldom as all.
        if self.wait.is_some_and(|(_, stays)| stays) || self.api.world().needs_a_person {
            within += HELD;
        }
        // Who was asked to wait does, also when nothing is amiss any more.
        if let Some((until, true)) = self.wait {
            self.api.pass(Duration::from_millis(until.saturating_sub(self.now()))).await;
        }
        loop {
            let report = self.pass().await;
            facts.took = self.now() - begun;
            if self.is_in_step(report.as_ref()) {
                break;
            }
            if facts.took > u64::try_from(within.as_millis()).unwrap() {
                let amiss = self.api.world().amiss();
                facts.breaches.push(format!("late: not in step within {within:?}: {amiss:?}: {report:?}"));
                return;
            }
            self.rest().await;
        }
        let seen = |bench: &Self| {
            let writes = bench.api.world().asked.iter().filter(|asked| asked.request.is_write()).count();
            (writes, intents(&bench.log_dir()).1)
        };
        let before = seen(self);
        for _ in 0..3 {
            self.rest().await;
            let report = self.pass().await;
            if !self.is_in_step(report.as_ref()) {
                facts.breaches.push(format!("loud: in step no more: {report:?}"));
            }
        }
        if seen(self) != before {
            facts.breaches.push(format!("loud: not quiet in step: {before:?} → {:?} writes and lines", seen(self)));
        }
    }
}

/// How the API of this seed is.
pub(crate) fn habits(seed: u64) -> (Habits, Rng) {
    let mut rng = Rng::with_seed(seed);
    let shape = match rng.u8(0..20) {
        0..10 => Shape::Record,
        10..18 => Shape::RrSet,
        _ => Shape::Program,
    };
    let shape = Shape::asked_for().unwrap_or(shape);
    let mut habits = Habits::draw(&mut rng, shape, 60_000, 90);
    if ONCE.contains(&seed) {
        habits.forms = Forms::default();
    }
    (habits, rng)
}

pub(crate) fn run((habits, mut rng): (Habits, Rng)) -> Facts {
    let runtime = tokio::runtime::Builder::new_current_thread().enable_all().start_paused(true).build().unwrap();
    runtime.block_on(async {
        let world = World::new(habits, Time::Own(Instant::now()), rng.fork(), &home(0));
        let api = Api::start(world, TIMEOUT).await;
        // While this waits, nothing but the simulator moves the time on.
        let (over, wait) = mpsc::channel::<()>();
        let (stuck, is_stuck) = tokio::sync::oneshot::channel();
        let watched = api.clone();
        tokio::task::spawn_blocking(move || {
            let mut before = None;
            while wait.recv_timeout(PATIENCE) == Err(mpsc::RecvTimeoutError::Timeout) {
                let asked = Some(watched.world().asked.len());
                if before == asked {
                    let _ = stuck.send(());
                    return;
                }
                before = asked;
            }
        });
        let mut bench = Bench::new(api, rng);
        let mut facts = Facts::default();
        tokio::select! {
            Ok(()) = is_stuck => facts.breaches.push("stuck: it waits, and nobody answers".to_owned()),
            () = async {
                bench.live(&mut facts).await;
                bench.calm(&mut facts).await;
            } => {}
        }
        drop(over);
        let ((intents, _), charged) = (intents(&bench.log_dir()), bench.charged());
        let world = bench.api.world();
        facts.breaches.extend(world.breaches.iter().cloned());
        facts.breaches.extend(untruths(&world, &intents));
        // What was cut off stays charged: a start anew does not know whether it was sent.
        if facts.kills == 0 {
            facts.breaches.extend(charged_wrongly(&world, &intents, charged));
        }
        facts.requests = world.asked.len();
        facts.faults = world.asked.iter().filter(|asked| asked.fault.is_some()).count();
        facts.intents = intents.len();
        for intent in intents.values() {
            let result = intent.end.as_ref().map_or("open", |(_, result)| result);
            *facts.endings.entry(result.to_owned()).or_default() += 1;
        }
        if std::env::var_os("TESTS_TOLD").is_some() {
            crate::told::tell(&world, &intents);
        }
        facts
    })
}
