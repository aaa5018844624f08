//! The home of one run: the updater with the real provider and real books, and when it looks again, as the daemon has it.

use std::cell::RefCell;
use std::collections::BTreeMap;
use std::fs;
use std::os::unix::fs::PermissionsExt as _;
use std::path::Path;
use std::rc::Rc;
use std::time::Duration;

use fastrand::Rng;
use fingerpost::address::Family;
use fingerpost::audit::Word;
use fingerpost::clock::{Clock, Timestamp};
use fingerpost::config::load::{Sources, load};
use fingerpost::name::DnsName;
use fingerpost::provider::Provider;
use fingerpost::provider::program::Program;
use fingerpost::provider::rest::Rest;
use fingerpost::reconcile::Desired;
use fingerpost::record::RecordType;
use fingerpost::settings::{Audit, Limits, ProviderKind, Sharing, Via};
use fingerpost::update::{Bookkeeping, Books, Job, RecordState, Report, Trouble, bring_in_step};
use tempfile::TempDir;

use crate::ZONE;
use crate::api::Api;
use crate::habits::Shape;
use crate::routes::TOKEN;
use crate::world::{WANTED, at};

/// How long one exchange may take.
pub(crate) const TIMEOUT: Duration = Duration::from_secs(10);
/// Between two rounds that nothing calls for.
const ROUND: Duration = Duration::from_secs(300);
/// Between two tries of a provider that is on hold.
pub(crate) const HELD: Duration = Duration::from_secs(3600);

/// The program that passes on what it is handed, and passes back what it is told.
const ADAPTER: &str = "exec 3<>\"/dev/tcp/127.0.0.1/$0\"; cat >&3; cat <&3";

pub(crate) struct Bench {
    dir: TempDir,
    pub(crate) api: Api,
    provider: Box<dyn Provider>,
    books: Option<RefCell<Books>>,
    pub(crate) desired: Vec<Desired>,
    pub(crate) rng: Rng,
    /// Not before this, and whether that stays so whatever is new.
    pub(crate) wait: Option<(u64, bool)>,
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
    pub(crate) fn new(api: Api, rng: Rng) -> Self {
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

    pub(crate) fn now(&self) -> u64 {
        let time = self.api.world().time;
        time.now()
    }

    /// Starts the program again.
    pub(crate) fn start_anew(&mut self) {
        self.provider = provider(self.dir.path(), &self.api);
        self.start();
    }

    /// Opens the books as a start of the program does.
    fn start(&mut self) {
        self.books = None;
        self.wait = None;
        let limits = limits();
        let dir = self.dir.path().join("state");
        fs::create_dir_all(&dir).unwrap();
        let audit = Audit { max_bytes: 1 << 20, keep: 9, unknown_after: Duration::from_secs(3600) };
        let tally = |_: &str| self.provider.tally();
        let books = Books::at(&Bookkeeping { dir: &dir, limits: &limits, audit, tally: &tally }).unwrap();
        if !books.log.open_intents().is_empty() {
            self.provider.resume();
        }
        self.books = Some(RefCell::new(books));
    }

    /// One pass; `None` when the program dies in it.
    pub(crate) async fn pass(&mut self) -> Option<Report> {
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
    pub(crate) async fn rest(&mut self) {
        let until = self.wait.map_or(u64::MAX, |(until, _)| until);
        let span =
            ROUND.mul_f64(0.9 + 0.2 * self.rng.f64()).min(Duration::from_millis(until.saturating_sub(self.now())));
        let asked = self.wait.filter(|(_, stays)| *stays).map(|(until, _)| until.saturating_sub(self.now()));
        self.api.pass(span.max(Duration::from_millis(asked.unwrap_or(1)))).await;
    }

    pub(crate) fn is_in_step(&self, report: Option<&Report>) -> bool {
        let Some(report) = report else { return false };
        let stands = report.records.iter().all(|record| record.standing == RecordState::InStep);
        let is_closed = self.books.as_ref().unwrap().borrow().log.open_intents().is_empty();
        let world = self.api.world();
        report.trouble.is_none() && stands && is_closed && world.amiss().is_none() && world.is_settled()
    }

    /// As many writes of the last day were charged.
    pub(crate) fn charged(&self) -> usize {
        let (now, limits) = (Timestamp::from_millis(self.now()), limits());
        let books = self.books.as_ref().unwrap().borrow();
        (limits.daily - books.state.ledger.left_today(now, &limits, "home")) as usize
    }

    pub(crate) fn log_dir(&self) -> std::path::PathBuf {
        self.dir.path().join("state")
    }
}

fn limits() -> Limits {
    Limits { spacing: Duration::from_millis(1), burst: 1000, daily: 100_000 }
}
