//! One run: the updater with the real provider and real books, before the simulator, in a time of its own.
//!
//! The simulator and the program share a thread, and time stands still unless somebody who would wait moves it on: how fast
//! the machine is makes no difference.

use std::cell::RefCell;
use std::collections::BTreeMap;
use std::fs;
use std::os::unix::fs::PermissionsExt as _;
use std::path::Path;
use std::rc::Rc;
use std::sync::mpsc;
use std::time::Duration;

use fastrand::Rng;
use fingerpost::address::Family;
use fingerpost::audit::Word;
use fingerpost::audit::file::Log;
use fingerpost::clock::{Clock, Timestamp};
use fingerpost::config::load::{Sources, load};
use fingerpost::name::DnsName;
use fingerpost::provider::Provider;
use fingerpost::provider::program::Program;
use fingerpost::provider::rest::Rest;
use fingerpost::reconcile::Desired;
use fingerpost::record::RecordType;
use fingerpost::settings::{Audit, Limits, ProviderKind, Sharing, Via};
use fingerpost::state::{State, Store};
use fingerpost::update::{Books, Job, RecordState, Report, Trouble, bring_in_step};
use tempfile::TempDir;
use tokio::time::Instant;

use crate::ZONE;
use crate::api::Api;
use crate::habits::{Habits, Shape};
use crate::judge::{intents, untruths};
use crate::routes::TOKEN;
use crate::world::{Time, WANTED, World, at};

/// How long one exchange may take.
const TIMEOUT: Duration = Duration::from_secs(10);
/// Between two rounds that nothing calls for.
const ROUND: Duration = Duration::from_secs(300);
/// Between two tries of a provider that is on hold.
const HELD: Duration = Duration::from_secs(3600);
/// So long on the clock of the machine nobody asks for anything: then it never will.
const PATIENCE: Duration = Duration::from_secs(60);
/// From the last fault until everything is in step and every intent has its outcome.
const IN_STEP_WITHIN: Duration = Duration::from_secs(15 * 60);

/// The program that passes on what it is handed, and passes back what it is told.
const ADAPTER: &str = "exec 3<>\"/dev/tcp/127.0.0.1/$0\"; cat >&3; cat <&3";

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

struct Bench {
    dir: TempDir,
    api: Api,
    provider: Box<dyn Provider>,
    books: Option<RefCell<Books>>,
    desired: Vec<Desired>,
    rng: Rng,
    /// Not before this, and whether that stays so whatever is new.
    wait: Option<(u64, bool)>,
    /// Passing faults in a row.
    faults: u32,
}

/// The home's address after so many moves: of the range for benchmarks (RFC 2544, appendix C.2.2).
pub(crate) fn home(moves: u16) -> String {
    let [high, low] = moves.to_be_bytes();
    format!("198.18.{high}.{low}")
}

/// The provider's table of a configuration, and what it needs beside it in `dir`.
pub(crate) fn table(dir: &Path, api: &Api) -> String {
    let habits = api.world().habits.clone();
    let (port, visible_within) = (api.at.port(), habits.visible_within);
    fs::write(dir.join("token"), TOKEN).unwrap();
    fs::set_permissions(dir.join("token"), fs::Permissions::from_mode(0o600)).unwrap();
    fs::write(dir.join("api.toml"), habits.description()).unwrap();
    let kind = match habits.shape {
        Shape::Program => format!(
            "kind = \"program\"\ncommand = [\"/bin/bash\", \"-c\", '{ADAPTER}', \"{port}\"]\n\
             visible_within = \"{visible_within}ms\"\n"
        ),
        _ => format!(
            "kind = \"rest\"\ndescription = \"api.toml\"\nvalues = {{ server = \"http://127.0.0.1:{port}\" }}\n\
             token = {{ file = \"token\" }}\n"
        ),
    };
    format!("[provider.home]\nzone = \"{ZONE}\"\n{kind}")
}

/// The provider as a configuration makes it.
fn provider(dir: &Path, api: &Api) -> Box<dyn Provider> {
    let table = table(dir, api);
    let text = format!(
        "state_dir = \"state\"\n[[witness]]\nname = \"w\"\noperator = \"w\"\nkind = \"http\"\n\
         url = \"https://echo.north.example/\"\n{table}"
    );
    let file = dir.join("fingerpost.toml");
    fs::write(&file, text).unwrap();
    let loaded = load(&Sources { file, ..Sources::default() });
    let mut config = loaded.unwrap_or_else(|error| panic!("{error}\n{table}")).config;
    let zone = DnsName::parse(ZONE).unwrap();
    match config.providers.remove("home").unwrap().kind {
        ProviderKind::Rest(api) => Box::new(Rest::new(zone, *api, TIMEOUT)),
        ProviderKind::Program { program, arguments, variables, secret, visible_within } => {
            let program = Program::new(zone, program, arguments, variables, secret, TIMEOUT);
            Box::new(program.visible_within(visible_within))
        }
        _ => panic!("another kind"),
    }
}

impl Bench {
    fn new(api: Api, rng: Rng) -> Self {
        let dir = tempfile::tempdir().unwrap();
        let provider = provider(dir.path(), &api);
        let wanted = |(label, member, ttl): &(&str, bool, u64)| Desired {
            name: DnsName::parse(&at(label)).unwrap(),
            rtype: RecordType::A,
            address: home(0).parse().unwrap(),
            ttl: u32::try_from(*ttl).unwrap(),
            sharing: if *member { Sharing::Member } else { Sharing::Sole },
        };
        let desired = WANTED.iter().map(wanted).collect();
        let mut bench = Self { dir, api, provider, books: None, desired, rng, wait: None, faults: 0 };
        bench.start();
        bench
    }

    fn now(&self) -> u64 {
        let time = self.api.world().time;
        time.now()
    }

    /// Opens the books as a start of the program does.
    fn start(&mut self) {
        self.books = None;
        self.wait = None;
        let limits = limits();
        let dir = self.dir.path().join("state");
        fs::create_dir_all(&dir).unwrap();
        let locked = Store::lock(&dir).unwrap();
        let unknown_after = Duration::from_secs(3600);
        let log = Log::open(&dir, Audit { max_bytes: 1 << 20, keep: 9, unknown_after }).unwrap();
        let state = State::load(&dir, &limits).unwrap();
        if !log.open_intents().is_empty() {
            self.provider.resume();
        }
        self.books = Some(RefCell::new(Books { store: locked.store(&state), state, log, afoot: Default::default() }));
    }

    /// One pass; `None` when the program dies in it.
    async fn pass(&mut self) -> Option<Report> {
        let address = self.desired[0].address;
        let word = Word { address, agreed: vec!["ferryman".to_owned()], dissent: Vec::new(), silent: Vec::new() };
        let words = Rc::new(BTreeMap::from([(Via::only(Family::Ipv4), word)]));
        let time = self.api.world().time;
        let clock = Clock::telling(move || Timestamp::from_millis(time.now()));
        let (zone, limits, died) = (DnsName::parse(ZONE).unwrap(), limits(), self.api.world().died.clone());
        let job = Job {
            name: "home",
            zone: &zone,
            fingerprint: "first",
            provider: &*self.provider,
            desired: &self.desired,
            words: &|| Some(Rc::clone(&words)),
            limits: &limits,
            lease: None,
            confirms: false,
        };
        let report = tokio::select! {
            biased;
            report = bring_in_step(&job, self.books.as_ref().unwrap(), &clock) => Some(report),
            () = died.notified() => None,
        };
        self.api.world().dies_in = None;
        self.pace(report.as_ref());
        report
    }

    /// When to try again, as the daemon does it.
    fn pace(&mut self, report: Option<&Report>) {
        let now = self.now();
        let Some(report) = report else { return };
        let after = |span: Duration| now + u64::try_from(span.as_millis()).unwrap();
        self.wait = match &report.trouble {
            Some(Trouble::Passing { retry_after, .. }) => {
                let wait = self.backoff().max(retry_after.unwrap_or_default());
                Some((after(wait), retry_after.is_some()))
            }
            Some(Trouble::Unproven { .. } | Trouble::NoBooks { .. }) => Some((after(self.backoff()), false)),
            Some(Trouble::Refused { why } | Trouble::Held { why, .. }) => {
                let mut world = self.api.world();
                if !world.needs_a_person {
                    world.breaches.push(format!("hold: on hold, though nobody is needed: {why}"));
                }
                Some((after(HELD), true))
            }
            Some(trouble) => panic!("{trouble:?}"),
            None => {
                self.faults = 0;
                report.put_off_until.map(|until| (until.millis().max(now + 1), false))
            }
        };
    }

    fn backoff(&mut self) -> Duration {
        self.faults += 1;
        let bound = Duration::from_secs(5) * 2_u32.pow(self.faults.min(5));
        bound.mul_f64(self.rng.f64())
    }

    /// Lets time go by until the next pass is due.
    async fn rest(&mut self) {
        let until = self.wait.map_or(u64::MAX, |(until, _)| until);
        let span =
            ROUND.mul_f64(0.9 + 0.2 * self.rng.f64()).min(Duration::from_millis(until.saturating_sub(self.now())));
        let asked = self.wait.filter(|(_, stays)| *stays).map(|(until, _)| until.saturating_sub(self.now()));
        self.api.pass(span.max(Duration::from_millis(asked.unwrap_or(1)))).await;
    }

    fn is_in_step(&self, report: Option<&Report>) -> bool {
        let Some(report) = report else { return false };
        let stands = report.records.iter().all(|record| record.standing == RecordState::InStep);
        let is_closed = self.books.as_ref().unwrap().borrow().log.open_intents().is_empty();
        let world = self.api.world();
        report.trouble.is_none() && stands && is_closed && world.amiss().is_none() && world.is_settled()
    }

    fn log_dir(&self) -> std::path::PathBuf {
        self.dir.path().join("state")
    }

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
                self.provider = provider(self.dir.path(), &self.api);
                self.start();
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

fn limits() -> Limits {
    Limits { spacing: Duration::from_millis(1), burst: 1000, daily: 100_000 }
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
    (Habits::draw(&mut rng, shape, 60_000, 90), rng)
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
        let (intents, _) = intents(&bench.log_dir());
        let world = bench.api.world();
        facts.breaches.extend(world.breaches.iter().cloned());
        facts.breaches.extend(untruths(&world, &intents));
        facts.requests = world.asked.len();
        facts.faults = world.asked.iter().filter(|asked| asked.fault.is_some()).count();
        facts.intents = intents.len();
        for intent in intents.values() {
            let result = intent.end.as_ref().map_or("open", |(_, result)| result);
            *facts.endings.entry(result.to_owned()).or_default() += 1;
        }
        if std::env::var_os("TESTS_TOLD").is_some() {
            tell(&world, &intents);
        }
        facts
    })
}

/// Everything that happened, for whoever looks for the cause.
fn tell(world: &World, intents: &BTreeMap<u64, crate::judge::Intent>) {
    let mut lines: Vec<(u64, String)> = Vec::new();
    for (no, asked) in world.asked.iter().enumerate() {
        let request = &asked.request;
        lines.push((
            asked.at,
            format!("#{no} {} {} {} {:?}", request.method, request.target, request.body, asked.fault),
        ));
    }
    for op in &world.store.ops {
        let parts: Vec<_> = op
            .parts
            .iter()
            .map(|(id, rec)| (id % 1000, rec.as_ref().map(|r| (&r.name, &r.rtype, &r.content, r.disabled))))
            .collect();
        lines.push((op.at, format!("  {:?} {parts:?}, listed after {:?}", op.by, op.lags())));
    }
    for (seq, intent) in intents {
        let what: Vec<_> = intent.changes.iter().map(|change| (&change.name, &change.comes, &change.goes)).collect();
        lines.push((intent.at, format!("intent {seq} {what:?}")));
        if let Some((at, result)) = &intent.end {
            lines.push((*at, format!("intent {seq} {result}")));
        }
    }
    lines.sort_by_key(|(at, _)| *at);
    println!("{:#?}", world.habits);
    for (at, line) in lines {
        println!("{:>9} {line}", at - lines_begin());
    }
}

fn lines_begin() -> u64 {
    1_795_000_000_000
}
