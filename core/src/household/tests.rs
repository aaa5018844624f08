//! Homes by a seed: lines whose addresses change and fail, operators of whom fewer than the quorum are late, silent or wrong,
//! restarts; and a judge that knows the true addresses.

use std::net::Ipv4Addr;
use std::path::PathBuf;

use super::*;
use crate::provider::Change;
use crate::record::{RecordType, RrSet};
use crate::settings;
use crate::settings::{CarrierNat, Extract, Quorum, Sharing, WitnessKind};
use crate::testing::seeds;
use crate::watch::{Silence, Testimony, vote};

const MINUTE: Duration = Duration::from_secs(60);
const SETTLE: u32 = 2;
const RETURN_AFTER: Duration = Duration::from_secs(30 * 60);

/// Heron Mill, with a witness of each operator over each line.
fn config(lines: &[Option<String>], operators: usize) -> Config {
    let name = |text: &str| DnsName::parse(text).unwrap();
    let witness = |line: &Option<String>, number: usize| Witness {
        name: format!("{}-{number}", line.as_deref().unwrap_or("only")),
        operator: format!("operator {number}"),
        line: line.clone(),
        families: vec![Family::Ipv4],
        kind: WitnessKind::Http { url: "https://echo.example/".parse().unwrap(), extract: Extract::Body },
    };
    let record = |label: &str| Record {
        name: name(&format!("{label}.heronmill.example")),
        types: vec![RecordType::A],
        lines: lines.to_vec(),
        provider: "home".to_owned(),
        ttl: 120,
        host_part: None,
        sharing: Sharing::Sole,
    };
    let provider = settings::Provider {
        zone: name("heronmill.example"),
        timeout: MINUTE,
        confirm: Confirm::Off,
        kind: settings::ProviderKind::Zonefile { file: PathBuf::from("zone"), reload: vec![] },
        fingerprint: "1".to_owned(),
    };
    Config {
        state_dir: PathBuf::from("state"),
        watch: settings::Watch {
            every: 5 * MINUTE,
            settle: SETTLE,
            settle_every: MINUTE,
            quorum: Quorum::Majority,
            timeout: MINUTE,
            carrier_nat: CarrierNat::Hold,
            push: false,
            return_after: RETURN_AFTER,
            accept_special: vec![],
            prefix_length: 64,
        },
        lines: vec![],
        witnesses: lines.iter().flat_map(|line| (0..operators).map(move |number| witness(line, number))).collect(),
        providers: [("home".to_owned(), provider)].into(),
        records: vec![record("gauge"), record("sluice")],
        limits: settings::Limits { spacing: MINUTE, burst: 1, daily: 100 },
        retry: settings::Retry { initial: MINUTE, max: MINUTE },
        audit: settings::Audit { max_bytes: 4096, keep: 3, unknown_after: MINUTE },
        standby: None,
        confirm: settings::Confirmation { every: MINUTE, deadline: MINUTE, resolver: None },
        edges: vec![],
        allowlist: None,
        exposure: settings::Exposure {
            every: MINUTE,
            resolvers: vec![],
            helper: None,
            router: None,
            open: vec![],
            services: vec![],
        },
        status: settings::StatusPage { listen: None, allow: vec![], hosts: vec![] },
        messages: vec![],
    }
}

fn via(line: &Option<String>) -> Via {
    Via { line: line.clone(), family: Family::Ipv4 }
}

/// One of the home's lines, as it truly is.
#[derive(Default)]
struct Line {
    address: Option<IpAddr>,
    before: Option<IpAddr>,
    /// Rounds in a row in which the same address was agreed on, and which.
    streak: (Option<IpAddr>, u32),
}

struct World {
    rng: fastrand::Rng,
    is_calm: bool,
    config: Config,
    names: Vec<Option<String>>,
    lines: BTreeMap<Option<String>, Line>,
    operators: usize,
    next: u32,
    state: State,
    household: Household,
    settled: BTreeMap<Via, IpAddr>,
    time: Duration,
}

impl World {
    fn new(seed: u64) -> Self {
        let mut rng = fastrand::Rng::with_seed(seed);
        let names: Vec<Option<String>> =
            if rng.bool() { vec![None] } else { ["fibre", "mobile"].map(|line| Some(line.to_owned())).into() };
        let operators = rng.usize(3..6);
        let state = State::default();
        let household = Household::new(&state, Timestamp::from_millis(0));
        let lines = names.iter().map(|name| (name.clone(), Line::default())).collect();
        Self {
            is_calm: false,
            config: config(&names, operators),
            names,
            lines,
            operators,
            next: 0,
            state,
            household,
            settled: BTreeMap::new(),
            time: Duration::ZERO,
            rng,
        }
    }

    fn by_chance(&mut self, one_in: u32) -> bool {
        !self.is_calm && self.rng.u32(0..one_in) == 0
    }

    fn moment(&self) -> Moment {
        Moment { time: Timestamp::from_millis(1_795_000_000_000).plus(self.time), steady: self.time }
    }

    /// No address comes twice.
    fn fresh(&mut self) -> IpAddr {
        self.next += 1;
        Ipv4Addr::from_bits(0x0808_0000 + self.next).into()
    }

    fn passes(&mut self) {
        for name in self.names.clone() {
            let (is_down, has_moved) = (self.by_chance(40), self.by_chance(30));
            let is_up = self.is_calm || self.rng.u32(0..4) == 0;
            let now = self.lines[&name].address;
            let next = match now {
                Some(_) if is_down => None,
                Some(_) if has_moved => Some(self.fresh()),
                None if is_up => Some(self.fresh()),
                as_it_was => as_it_was,
            };
            let line = self.lines.get_mut(&name).unwrap();
            if next != now {
                (line.before, line.address) = (now, next);
            }
        }
    }

    /// Fewer than must agree are not honest, and they agree on one lie.
    fn look(&mut self, name: &Option<String>) -> Look {
        let needed = vote::needed(self.operators, Quorum::Majority);
        let most = if self.is_calm { 0 } else { self.operators - needed };
        let wrong = self.rng.usize(0..=most);
        let silent = if self.is_calm { 0 } else { self.rng.usize(0..=self.operators) };
        let (lie, is_late) = (self.fresh(), self.rng.bool());
        let line = &self.lines[name];
        let mut order: Vec<usize> = (0..self.operators).collect();
        self.rng.shuffle(&mut order);
        let said = |number: usize| match line.address {
            _ if number < wrong => Ok(line.before.filter(|_| is_late).unwrap_or(lie)),
            Some(address) if number >= silent => Ok(address),
            Some(_) => Err(Silence::TimedOut(MINUTE)),
            None => Err(Silence::NoWay),
        };
        let testimony: Vec<Testimony> = order
            .iter()
            .enumerate()
            .map(|(place, number)| Testimony {
                witness: format!("{}-{number}", name.as_deref().unwrap_or("only")),
                operator: format!("operator {number}"),
                line: name.clone(),
                family: Family::Ipv4,
                said: said(place),
                alone: false,
                took: Duration::ZERO,
            })
            .collect();
        let operators: Vec<String> = (0..self.operators).map(|number| format!("operator {number}")).collect();
        let operators = operators.iter().map(String::as_str).collect();
        let ruling = vote::rule(&testimony, &operators, Quorum::Majority);
        Look { line: name.clone(), family: Family::Ipv4, ruling, testimony }
    }

    fn restart(&mut self) {
        self.household = Household::new(&self.state, self.moment().time);
        let (vias, moment) = (self.names.iter().map(via).collect(), self.moment());
        self.household.keep_only(&self.config, &vias, &mut self.state, moment);
    }

    /// One round, and what is wanted of the provider after it.
    fn round(&mut self) -> Vec<Desired> {
        self.time += 5 * MINUTE;
        self.passes();
        if self.by_chance(50) {
            self.restart();
        }
        let looks: Vec<Look> = self.names.clone().iter().map(|name| self.look(name)).collect();
        for look in &looks {
            let agreed = agreed(std::slice::from_ref(look)).get(&look.via()).copied();
            let line = self.lines.get_mut(&look.line).unwrap();
            assert!(agreed.is_none() || agreed == line.address, "so few wrong ones cannot win");
            line.streak = if agreed == line.streak.0 { (agreed, line.streak.1 + 1) } else { (agreed, 1) };
        }
        let moment = self.moment();
        let Round { heard, entries } = self.household.hear(&self.config, looks, SETTLE, moment);
        assert_eq!(heard.len(), self.names.len());
        for event in entries {
            match event {
                Event::Settled { line, family, from, to, word } => {
                    let via = Via { line, family };
                    assert_eq!(from, self.settled.get(&via).copied(), "each move is told once");
                    assert_eq!((Some(to), Some(word.address)), (self.lines[&via.line].address, Some(to)));
                    assert!(self.lines[&via.line].streak.1 >= SETTLE, "one round is not enough");
                    assert!(word.agreed.len() >= vote::needed(self.operators, Quorum::Majority));
                    self.settled.insert(via, to);
                }
                Event::Outage { since, .. } => assert!(since < moment.time),
                other => panic!("{other:?}"),
            }
        }
        self.household.keep_settled(&mut self.state);
        assert_eq!(self.state.settled, self.settled);
        for news in self.household.news(&self.config, &self.state) {
            let is_known = self.state.findings.contains(&news.key);
            assert_eq!(is_known, !news.begins, "{news:?}");
            if news.begins {
                self.state.findings.insert(news.key)
            } else {
                self.state.findings.remove(&news.key)
            };
        }
        assert_eq!(self.household.news(&self.config, &self.state), vec![], "what was told is no news");
        let records: Vec<&Record> = self.config.records.iter().collect();
        let desired = self.household.desired(&self.config, "home", &records, self.time);
        for wanted in &desired {
            let is_true = |line: &Line| line.address == Some(wanted.address);
            assert!(self.lines.values().any(is_true), "{} is no address of the home", wanted.address);
            assert!(self.settled.values().any(|settled| *settled == wanted.address));
        }
        self.household.keep_lines(&mut self.state, moment);
        self.household.keep_nats(&mut self.state);
        let quiet = [
            self.household.keep_settled(&mut self.state),
            self.household.keep_lines(&mut self.state, moment),
            self.household.keep_nats(&mut self.state),
        ];
        assert_eq!(quiet, [false; 3], "nothing new, nothing written");
        desired
    }
}

fn run(seed: u64) {
    let mut world = World::new(seed);
    let vias: BTreeSet<Via> = world.names.iter().map(via).collect();
    let moment = world.moment();
    world.household.keep_only(&world.config, &vias, &mut world.state, moment);
    for _ in 0..world.rng.usize(1..300) {
        world.round();
    }
    world.is_calm = true;
    // Within so many rounds of calm the preferred line has its records again.
    let patience = SETTLE + 1 + u32::try_from(RETURN_AFTER.as_secs() / (5 * MINUTE).as_secs()).unwrap();
    for _ in 0..patience {
        world.round();
    }
    let preferred = world.lines[&world.names[0]].address.unwrap();
    let desired = world.round();
    assert_eq!(desired.iter().map(|wanted| wanted.address).collect::<Vec<_>>(), [preferred; 2]);
    assert_eq!(world.household.outages(world.moment()).count(), 0);
    assert!(!world.household.is_line_open());
    // And after a restart at once.
    world.restart();
    assert_eq!(world.round(), desired);
}

#[test]
fn no_name_leads_to_an_address_that_was_not_ruled_on_and_calm_brings_all_home() {
    for seed in seeds(300, 1_000) {
        let run = std::panic::catch_unwind(|| run(seed));
        assert!(run.is_ok(), "seed {seed}");
    }
}

#[test]
fn a_write_without_an_end_is_read_where_that_can_be_and_entered_as_lost_where_it_cannot() {
    let config = config(&[None], 3);
    let intent = |provider: &str, name: &str| {
        let after = RrSet { ttl: 120, addresses: [[203, 0, 113, 77].into()].into() };
        let change = Change { name: DnsName::parse(name).unwrap(), rtype: RecordType::A, before: None, after };
        OpenIntent { time: Timestamp::default(), provider: provider.to_owned(), changes: vec![change] }
    };
    let lost = |intent, provider: &str, why: &str| {
        let detail = format!("{why}, so how it ended cannot be read");
        Leftover::Lost(Event::Outcome { intent, provider: provider.to_owned(), result: Ending::Overtaken, detail })
    };
    let open = BTreeMap::from([
        (3, intent("home", "gauge.heronmill.example")),
        (5, intent("home", "gauge.weir.example")),
        (7, intent("gone", "gauge.heronmill.example")),
    ]);
    assert_eq!(
        left(&config, &open),
        [
            Leftover::ToBeRead("home".to_owned()),
            lost(5, "home", "the provider now has another zone"),
            lost(7, "gone", "the provider is no longer configured"),
        ]
    );
}

#[test]
fn what_is_not_configured_any_more_is_forgotten() {
    let lines = ["fibre", "mobile"].map(|line| Some(line.to_owned()));
    let mut state = State::default();
    let address = |host: u8| IpAddr::from([203, 0, 113, host]);
    state.settled = [(via(&lines[0]), address(77)), (via(&lines[1]), address(78))].into();
    let later = Timestamp::from_millis(9_000_000_000_000);
    state.refused_since = [("home".to_owned(), later), ("gone".to_owned(), later)].into();
    let now = Moment { time: Timestamp::from_millis(1_795_000_000_000), steady: MINUTE };
    let mut household = Household::new(&state, now.time);
    let config = config(&lines[..1], 3);
    household.keep_only(&config, &[via(&lines[0])].into(), &mut state, now);
    assert_eq!(state.settled, [(via(&lines[0]), address(77))].into());
    assert_eq!(state.refused_since, [("home".to_owned(), now.time)].into(), "and no moment is to come");
    assert!(!household.keep_settled(&mut state));
}

/// Of a newer version, say, which was there before this one.
#[test]
fn what_another_version_found_is_gone_once() {
    let config = config(&[None], 3);
    let key = (None, Connection::from("moat IPv4".to_owned()));
    let mut state = State::default();
    state.findings.insert(key.clone());
    let household = Household::new(&state, Timestamp::default());
    let event = Event::Gone { line: None, about: About::Connection(key.1.clone()) };
    assert_eq!(household.news(&config, &state), [FindingNews { key: key.clone(), event, begins: false }]);
    state.findings.remove(&key);
    assert_eq!(household.news(&config, &state), []);
}
