//! A host that shows late what it took, whose answers get lost, and that takes everything twice: what is sent is looked for
//! until its grace is over, and only then sent again.

use std::cell::RefCell;
use std::collections::{BTreeMap, BTreeSet, VecDeque};
use std::future::pending;
use std::rc::Rc;
use std::sync::Mutex;
use std::time::Duration;

use fingerpost::audit::chain::Known;
use fingerpost::audit::file::read_all;
use fingerpost::audit::{Ending, Event};
use fingerpost::clock::{Clock, Timestamp};
use fingerpost::limits::{Site, place};
use fingerpost::name::DnsName;
use fingerpost::provider::{Applied, Change, Fault, FaultKind, Grace, Observed, Pending, Provider, Standing, Tally};
use fingerpost::reconcile::Desired;
use fingerpost::record::{RecordType, RrSet};
use fingerpost::settings::Sharing;
use fingerpost::update::{Bookkeeping, Books, Job, RecordState, Report, Trouble, bring_in_step};
use tempfile::TempDir;
use tokio::time::{Instant, sleep, timeout};

use super::fake::{AUDIT, BEGIN, FREE, ZONE, in_step, name, set};

const SECOND: Duration = Duration::from_secs(1);
const GRACE: Duration = Duration::from_secs(120);

/// What becomes of one write.
enum Fate {
    Done,
    DoneBut(Fault),
    NotDone(Fault),
    /// It is done so much later.
    Late(Duration, Fault),
    DoneAndHangs,
    HangsBefore,
}

/// What it took, and when: nothing is compared, and everything is kept.
struct Host {
    lag: Mutex<Duration>,
    took: Mutex<Vec<(Instant, Change)>>,
    fates: Mutex<VecDeque<Fate>>,
    asked: Mutex<Vec<DnsName>>,
}

impl Provider for Host {
    fn read<'a>(&'a self, names: &'a BTreeSet<DnsName>) -> Pending<'a, Observed> {
        Box::pin(async move {
            let (lag, now) = (*self.lag.lock().unwrap(), Instant::now());
            let mut shown: BTreeMap<DnsName, Standing> =
                names.iter().map(|name| (name.clone(), Standing::default())).collect();
            let mut took = self.took.lock().unwrap();
            took.sort_by_key(|(at, _)| *at);
            for (_, change) in took.iter().filter(|(at, _)| *at + lag <= now) {
                if let Some(standing) = shown.get_mut(&change.name) {
                    standing.sets.insert(change.rtype, change.after.clone());
                }
            }
            Ok(Observed { names: shown, serial: None })
        })
    }

    fn apply<'a>(&'a self, changes: &'a [Change]) -> Pending<'a, Applied> {
        Box::pin(async move {
            self.asked.lock().unwrap().extend(changes.iter().map(|change| change.name.clone()));
            let take_after = |wait: Duration| {
                let at = Instant::now() + wait;
                self.took.lock().unwrap().extend(changes.iter().map(|change| (at, change.clone())));
            };
            let take = || take_after(Duration::ZERO);
            let fate = self.fates.lock().unwrap().pop_front().unwrap_or(Fate::Done);
            match fate {
                Fate::Done => {
                    take();
                    Ok(Applied { detail: "201 Created".to_owned() })
                }
                Fate::DoneBut(fault) => {
                    take();
                    Err(fault)
                }
                Fate::NotDone(fault) => Err(fault),
                Fate::Late(wait, fault) => {
                    take_after(wait);
                    Err(fault)
                }
                Fate::DoneAndHangs => {
                    take();
                    pending().await
                }
                Fate::HangsBefore => pending().await,
            }
        })
    }

    fn grace(&self) -> Grace {
        Grace::Visibility(GRACE)
    }

    fn tally(&self) -> Tally {
        Tally::Each
    }

    fn target(&self) -> String {
        "the host".to_owned()
    }

    fn means(&self, count: usize) -> String {
        format!("{count} to the host")
    }
}

struct Bench {
    dir: TempDir,
    host: Host,
    books: Option<RefCell<Books>>,
    desired: Vec<Desired>,
    /// The wall clock, when the steady one began.
    wall: u64,
    began: Instant,
}

impl Bench {
    fn new(labels: &[&str]) -> Self {
        let record = |label: &&str| Desired {
            name: name(label),
            rtype: RecordType::A,
            address: "203.0.113.77".parse().unwrap(),
            ttl: 120,
            sharing: Sharing::Sole,
        };
        let host =
            Host { lag: Mutex::default(), took: Mutex::default(), fates: Mutex::default(), asked: Mutex::default() };
        let desired = labels.iter().map(record).collect();
        let dir = tempfile::tempdir().unwrap();
        let mut bench = Self { dir, host, books: None, desired, wall: BEGIN, began: Instant::now() };
        bench.start();
        bench
    }

    fn start(&mut self) {
        self.books = None;
        let dir = self.dir.path();
        let tally = |_: &str| self.host.tally();
        let mut books = Books::at(&Bookkeeping { dir, limits: &FREE, audit: AUDIT, tally: &tally }).unwrap();
        let records = self.desired.iter().map(|wanted| (wanted.name.clone(), wanted.rtype)).collect();
        let site = Site { place: place("the host", &DnsName::parse(ZONE).unwrap()), records };
        books.state.ledger.settle([("home".to_owned(), site)].into());
        self.books = Some(RefCell::new(books));
    }

    fn lag(&self, lag: Duration) {
        *self.host.lag.lock().unwrap() = lag;
    }

    fn fate(&self, fates: impl IntoIterator<Item = Fate>) {
        self.host.fates.lock().unwrap().extend(fates);
    }

    fn move_to(&mut self, address: &str) {
        self.desired.iter_mut().for_each(|wanted| wanted.address = address.parse().unwrap());
    }

    async fn pass(&self) -> Report {
        let (wall, began) = (self.wall, self.began);
        let clock = Clock::telling(move || Timestamp::from_millis(wall).plus(began.elapsed()));
        let words = Rc::new(BTreeMap::new());
        let job = Job {
            name: "home",
            zone: &DnsName::parse(ZONE).unwrap(),
            fingerprint: "first",
            provider: &self.host,
            desired: &self.desired,
            words: &|| Some(Rc::clone(&words)),
            limits: &FREE,
            lease: None,
            confirms: false,
        };
        bring_in_step(&job, self.books.as_ref().unwrap(), &clock).await
    }

    /// As the daemon does: a pass, and others after growing waits while something is looked for. When all is in step, and at
    /// the latest after `most`.
    async fn passes(&self, most: Duration) -> Duration {
        let (begun, mut wait) = (Instant::now(), SECOND);
        loop {
            let report = self.pass().await;
            if in_step(&report) || begun.elapsed() >= most {
                return begun.elapsed();
            }
            let is_due = report.looked_for_until.is_some() || report.put_off_until.is_some();
            assert!(is_due || report.trouble.is_some(), "{report:?}");
            sleep(wait.min(60 * SECOND)).await;
            wait *= 2;
        }
    }

    fn took(&self) -> Vec<(String, Option<RrSet>, RrSet)> {
        let took = self.host.took.lock().unwrap();
        took.iter().map(|(_, one)| (one.name.to_string(), one.before.clone(), one.after.clone())).collect()
    }

    fn endings(&self) -> Vec<Ending> {
        let ending = |entry: fingerpost::audit::chain::Entry| match entry.event {
            Known::Yes(Event::Outcome { result, .. }) => Some(result),
            _ => None,
        };
        read_all(self.dir.path()).unwrap().into_iter().filter_map(ending).collect()
    }

    fn spent(&self) -> u32 {
        let now = Timestamp::from_millis(self.wall).plus(self.began.elapsed());
        FREE.daily - self.books.as_ref().unwrap().borrow().state.ledger.left_today(now, &FREE, "home")
    }
}

fn lost() -> Fault {
    Fault::new(FaultKind::InDoubt, "no answer came", "")
}

fn created(address: &str) -> (String, Option<RrSet>, RrSet) {
    (name("gauge").to_string(), None, set(120, &[address]))
}

fn busy(wait: u32) -> Fault {
    Fault::new(FaultKind::Passing { retry_after: Some(wait * SECOND) }, "503 Service Unavailable", "").after_sending()
}

/// What the host refuses, for reasons of the record; it may have done it all the same.
fn refused(why: &str) -> Fault {
    Fault::refused(why, "").after_sending().of_what_was_sent()
}

#[track_caller]
fn blocked(report: &Report, nth: usize) -> &str {
    match &report.records[nth].standing {
        RecordState::Blocked { why } => why,
        other => panic!("not blocked: {other:?}"),
    }
}

#[track_caller]
fn adrift(report: &Report, nth: usize) -> &str {
    match &report.records[nth].standing {
        RecordState::Adrift { why: Some(why) } => why,
        other => panic!("not adrift for a reason: {other:?}"),
    }
}

/// The answer lost, a success, and 202: whatever was said, the record is made once.
#[tokio::test(start_paused = true)]
async fn what_is_not_to_be_seen_yet_is_not_made_again() {
    for fate in [Fate::DoneBut(lost()), Fate::Done, Fate::DoneBut(busy(1))] {
        let bench = Bench::new(&["gauge"]);
        bench.lag(40 * SECOND);
        bench.fate([fate]);
        let report = bench.pass().await;
        assert!(adrift(&report, 0).contains("it is looked for until 2026-11-18T"), "{report:?}");
        assert_eq!(bench.endings(), []);
        let took = bench.passes(90 * SECOND).await;
        assert!((40 * SECOND..=64 * SECOND).contains(&took), "{took:?}");
        assert_eq!((bench.took(), bench.endings()), (vec![created("203.0.113.77")], vec![Ending::Done]));
        assert_eq!(bench.spent(), 1);
    }
}

#[tokio::test(start_paused = true)]
async fn what_never_arrived_is_sent_again_when_its_grace_is_over() {
    let bench = Bench::new(&["gauge"]);
    bench.fate([Fate::NotDone(lost())]);
    let took = bench.passes(10 * GRACE).await;
    assert!((GRACE..GRACE + 61 * SECOND).contains(&took), "{took:?}");
    assert_eq!(bench.endings(), [Ending::Failed, Ending::Done]);
    assert_eq!((bench.took().len(), bench.spent()), (1, 2));
}

/// The process ends in the middle; and the clock may be another one afterwards.
#[tokio::test(start_paused = true)]
async fn a_start_anew_goes_on_looking() {
    const YEAR: u64 = 365 * 86_400_000;
    for ends in [vec![Ending::Done], vec![Ending::Failed, Ending::Done]] {
        for set_back in [0, YEAR] {
            let mut bench = Bench::new(&["gauge"]);
            bench.lag(40 * SECOND);
            let is_done = ends.len() == 1;
            bench.fate([if is_done { Fate::DoneAndHangs } else { Fate::HangsBefore }]);
            assert!(timeout(10 * SECOND, bench.pass()).await.is_err());
            bench.wall -= set_back;
            bench.start();
            let report = bench.pass().await;
            assert!(report.looked_for_until.is_some() && bench.endings().is_empty(), "{report:?}");
            let took = bench.passes(10 * GRACE).await;
            let least = if is_done { 30 * SECOND } else { 110 * SECOND };
            // Two looks more where the limits take the clock in, and what is sent again has to show itself too.
            assert!((least..least + 150 * SECOND).contains(&took), "{took:?}");
            assert_eq!((bench.took().len(), bench.endings()), (1, ends.clone()), "{set_back}");
        }
    }
}

/// A clock that is set right after the start must not make a second record.
#[tokio::test(start_paused = true)]
async fn a_clock_that_jumps_ahead_does_not_end_a_grace() {
    let mut bench = Bench::new(&["gauge"]);
    bench.lag(40 * SECOND);
    bench.fate([Fate::DoneBut(lost())]);
    bench.pass().await;
    bench.wall += 365 * 86_400_000;
    bench.passes(90 * SECOND).await;
    assert_eq!((bench.took().len(), bench.endings()), (1, vec![Ending::Done]));
}

/// A wait that is asked for is kept, also when the write was done all the same, and nobody else is written before it is over.
#[tokio::test(start_paused = true)]
async fn a_wait_that_is_asked_for_is_kept_also_when_the_write_is_seen() {
    let bench = Bench::new(&["gauge", "mill"]);
    bench.fate([Fate::DoneBut(busy(90))]);
    let report = bench.pass().await;
    let wait = Some(90 * SECOND);
    assert!(matches!(report.trouble, Some(Trouble::Passing { retry_after, .. }) if retry_after == wait), "{report:?}");
    assert!(report.records[0].standing.is_published() && bench.took().len() == 1, "{report:?}");
    assert_eq!((bench.endings(), bench.spent()), (vec![Ending::Done], 1));
}

/// A wait that is asked for is kept, also when the write was done all the same.
#[tokio::test(start_paused = true)]
async fn a_wait_that_is_asked_for_is_kept() {
    let bench = Bench::new(&["gauge"]);
    bench.lag(40 * SECOND);
    bench.fate([Fate::DoneBut(busy(90))]);
    let report = bench.pass().await;
    let wait = Some(90 * SECOND);
    assert!(matches!(report.trouble, Some(Trouble::Passing { retry_after, .. }) if retry_after == wait), "{report:?}");
    sleep(90 * SECOND).await;
    assert!(in_step(&bench.pass().await));
    assert_eq!(bench.endings(), [Ending::Done]);
}

/// Whatever is said of it, what stands counts: 422 after the work was done, 409 of one that is there already.
#[tokio::test(start_paused = true)]
async fn a_refusal_is_read_back_before_anything_is_concluded() {
    for kind in [FaultKind::Refused, FaultKind::Conflict, FaultKind::Passing { retry_after: None }] {
        let bench = Bench::new(&["gauge"]);
        bench.fate([Fate::DoneBut(Fault::new(kind, "no", "").after_sending())]);
        assert!(in_step(&bench.pass().await));
        assert_eq!((bench.endings(), bench.took().len()), (vec![Ending::Done], 1));
        assert!(bench.books.as_ref().unwrap().borrow().state.holds.is_empty());
    }
    // It may be done, and not shown yet: the outcome stays open, and what was said is told at once.
    for is_done in [true, false] {
        let bench = Bench::new(&["gauge"]);
        bench.lag(40 * SECOND);
        let said = refused("422 ttl is too low");
        bench.fate([if is_done { Fate::DoneBut(said) } else { Fate::NotDone(said) }]);
        let report = bench.pass().await;
        assert!(report.trouble.is_none() && blocked(&report, 0).contains("422 ttl is too low"), "{report:?}");
        assert!(report.looked_for_until.is_some(), "{report:?}");
        assert_eq!(bench.endings(), []);
        sleep(GRACE).await;
        let report = bench.pass().await;
        assert_eq!(in_step(&report), is_done, "{report:?}");
        assert_eq!(bench.endings(), [if is_done { Ending::Done } else { Ending::Refused }]);
        assert!(bench.books.as_ref().unwrap().borrow().state.holds.is_empty());
        // Nobody is asked the same again before an hour is over.
        assert_eq!(bench.host.asked.lock().unwrap().len(), 1);
    }
}

/// 409 of a write that is done and not shown yet.
#[tokio::test(start_paused = true)]
async fn a_conflict_that_is_said_is_looked_into() {
    let bench = Bench::new(&["gauge", "mill"]);
    bench.lag(40 * SECOND);
    bench.fate([Fate::DoneBut(Fault::new(FaultKind::Conflict, "409 it is there already", "").after_sending())]);
    let report = bench.pass().await;
    assert!(report.trouble.is_none() && adrift(&report, 0).contains("409 it is there already"), "{report:?}");
    bench.passes(90 * SECOND).await;
    assert_eq!((bench.endings(), bench.took().len()), (vec![Ending::Done; 2], 2));
}

/// What takes the place of something is sent again when its answer is lost, and holds up nobody meanwhile.
#[tokio::test(start_paused = true)]
async fn doubt_about_one_holds_up_no_other() {
    let mut bench = Bench::new(&["gauge", "mill"]);
    assert!(in_step(&bench.pass().await));
    bench.move_to("203.0.113.78");
    bench.fate([Fate::NotDone(lost()), Fate::Done, Fate::NotDone(lost()), Fate::NotDone(lost())]);
    let report = bench.pass().await;
    assert!(report.trouble.is_none() && report.records[1].standing.is_published(), "{report:?}");
    assert!(adrift(&report, 0).contains("no answer came"), "{report:?}");
    let report = bench.pass().await;
    assert!(in_step(&report), "{report:?}");
}

#[tokio::test(start_paused = true)]
async fn another_address_is_not_made_beside_one_that_may_still_come() {
    let mut bench = Bench::new(&["gauge"]);
    bench.lag(40 * SECOND);
    bench.fate([Fate::DoneBut(lost())]);
    bench.pass().await;
    bench.move_to("203.0.113.78");
    assert!(!in_step(&bench.pass().await));
    assert_eq!(bench.took().len(), 1);
    bench.passes(10 * GRACE).await;
    let replaced = (name("gauge").to_string(), Some(set(120, &["203.0.113.77"])), set(120, &["203.0.113.78"]));
    assert_eq!(bench.took(), [created("203.0.113.77"), replaced.clone()]);
    // In the place of another it does no harm: that is sent at once, and again when its answer is lost.
    bench.move_to("203.0.113.79");
    bench.fate([Fate::NotDone(lost())]);
    bench.pass().await;
    assert_eq!(bench.took()[2..], [(replaced.0, Some(set(120, &["203.0.113.78"])), set(120, &["203.0.113.79"]))]);
    bench.passes(10 * GRACE).await;
    assert_eq!(bench.took().len(), 3);
}

/// A write without an answer that was sent again, and comes after all when the home has moved on: what it set is ours, and
/// gives way again, also where others have members and nothing else tells what is ours.
#[tokio::test(start_paused = true)]
async fn what_comes_late_among_others_is_known_as_ours() {
    let mut bench = Bench::new(&["mill"]);
    bench.desired[0].sharing = Sharing::Member;
    let neighbour = set(120, &["198.51.100.99"]);
    let stands = Change { name: name("mill"), rtype: RecordType::A, before: None, after: neighbour };
    bench.host.took.lock().unwrap().push((Instant::now(), stands));
    assert!(in_step(&bench.pass().await));
    sleep(GRACE).await;
    bench.move_to("203.0.113.78");
    bench.fate([Fate::Late(SECOND, lost())]);
    assert!(in_step(&bench.pass().await));
    bench.move_to("203.0.113.79");
    assert!(in_step(&bench.pass().await) && in_step(&bench.pass().await));
    sleep(5 * GRACE).await;
    bench.pass().await;
    let shown = bench.host.read(&[name("mill")].into()).await.unwrap().names.remove(&name("mill")).unwrap();
    assert_eq!(shown.sets[&RecordType::A], set(120, &["198.51.100.99", "203.0.113.79"]));
    // Once nothing can come any more, what somebody else has at that address is not ours.
    assert!(in_step(&bench.pass().await));
    sleep(2 * GRACE).await;
    assert!(in_step(&bench.pass().await));
    let state = &bench.books.as_ref().unwrap().borrow().state;
    assert_eq!(state.published.values().flatten().map(ToString::to_string).collect::<Vec<_>>(), ["203.0.113.79"]);
}

/// A list of several machines: one has it, the next has not.
#[tokio::test(start_paused = true)]
async fn what_was_seen_and_is_out_of_sight_is_not_made_again() {
    let bench = Bench::new(&["gauge"]);
    assert!(in_step(&bench.pass().await));
    sleep(10 * SECOND).await;
    bench.lag(60 * SECOND);
    let report = bench.pass().await;
    assert!(report.looked_for_until.is_some() && adrift(&report, 0).contains("took the change"), "{report:?}");
    bench.lag(Duration::ZERO);
    let report = bench.pass().await;
    assert!(in_step(&report) && report.looked_for_until.is_none(), "{report:?}");
    // Somebody took it out: later it is made again.
    bench.host.took.lock().unwrap().clear();
    let took = bench.passes(10 * GRACE).await;
    assert!((100 * SECOND..GRACE + 61 * SECOND).contains(&took), "{took:?}");
    assert_eq!(bench.took().len(), 1);
}

/// 429 at the second of three: the wait is kept, and what was not sent is neither charged nor put off.
#[tokio::test(start_paused = true)]
async fn what_was_not_sent_is_not_charged() {
    let bench = Bench::new(&["gauge", "mill", "cam"]);
    let slowly = Fault::new(FaultKind::Passing { retry_after: Some(90 * SECOND) }, "429 Too Many Requests", "");
    bench.fate([Fate::Done, Fate::NotDone(slowly)]);
    let report = bench.pass().await;
    assert!(matches!(report.trouble, Some(Trouble::Passing { retry_after: Some(wait), .. }) if wait == 90 * SECOND));
    assert!(report.records[0].standing.is_published() && adrift(&report, 1).contains("429"), "{report:?}");
    assert_eq!((bench.spent(), bench.endings()), (2, vec![Ending::Done, Ending::Failed]));
    assert_eq!(*bench.host.asked.lock().unwrap(), ["gauge", "mill"].map(name));
    assert!(in_step(&bench.pass().await));
    assert_eq!(bench.spent(), 4);
}

/// What cannot be seen of one keeps no other from its write.
#[tokio::test(start_paused = true)]
async fn the_others_are_written_meanwhile() {
    let bench = Bench::new(&["gauge", "mill", "cam"]);
    bench.fate([Fate::NotDone(lost())]);
    let report = bench.pass().await;
    assert!(report.trouble.is_none() && adrift(&report, 0).contains("no answer came"), "{report:?}");
    assert!(report.records[1..].iter().all(|record| record.standing.is_published()), "{report:?}");
}

/// A refusal of one is that one's own as long as another is taken, whichever comes first.
#[tokio::test(start_paused = true)]
async fn a_refusal_of_one_holds_up_no_other() {
    for nth in 0..3 {
        for said in [refused("422"), Fault::refused("403", "").of_what_was_sent()] {
            let word = said.why.clone();
            let bench = Bench::new(&["gauge", "mill", "cam"]);
            bench.fate(std::iter::repeat_with(|| Fate::Done).take(nth).chain([Fate::NotDone(said)]));
            let report = bench.pass().await;
            assert!(report.trouble.is_none() && blocked(&report, nth).contains(&word), "{report:?}");
            let others = report.records.iter().enumerate().filter(|(at, _)| *at != nth);
            assert!(others.map(|(_, record)| &record.standing).all(RecordState::is_published), "{report:?}");
            assert!(bench.books.as_ref().unwrap().borrow().state.holds.is_empty());
        }
    }
}

/// One that concerns them all begins a hold at once; one of each does when all have been asked, if it is sure that none was
/// taken.
#[tokio::test(start_paused = true)]
async fn a_refusal_of_all_is_a_hold() {
    let forbidden = || Fate::NotDone(Fault::refused("403 read only", "").of_what_was_sent());
    for (fates, asked) in [
        (vec![Fate::NotDone(Fault::refused("401 who are you?", ""))], 1),
        (vec![forbidden(), forbidden(), forbidden()], 3),
    ] {
        let bench = Bench::new(&["gauge", "mill", "cam"]);
        bench.fate(fates);
        let report = bench.pass().await;
        assert!(matches!(report.trouble, Some(Trouble::Refused { .. })), "{report:?}");
        assert_eq!(bench.host.asked.lock().unwrap().len(), asked);
        assert_eq!(bench.books.as_ref().unwrap().borrow().state.holds.len(), 1);
        assert_eq!(bench.endings(), vec![Ending::Refused; asked]);
    }
    // A token that is known no more, after a write that was taken.
    let bench = Bench::new(&["gauge", "mill", "cam"]);
    bench.fate([Fate::Done, Fate::NotDone(Fault::refused("401 who are you?", ""))]);
    let report = bench.pass().await;
    assert!(matches!(report.trouble, Some(Trouble::Refused { .. })), "{report:?}");
    assert!(report.records[0].standing.is_published(), "{report:?}");
    assert_eq!(bench.host.asked.lock().unwrap().len(), 2);
    let holds = |bench: &Bench| bench.books.as_ref().unwrap().borrow().state.holds.len();
    assert_eq!((holds(&bench), bench.endings()), (1, vec![Ending::Done, Ending::Refused]));
    assert!(in_step(&bench.pass().await), "it is known again");
    assert_eq!(holds(&bench), 0);
    let bench = Bench::new(&["gauge", "mill"]);
    bench.fate([Fate::NotDone(refused("422")), Fate::NotDone(refused("422"))]);
    let report = bench.pass().await;
    assert!(report.trouble.is_none() && blocked(&report, 0) == "422" && blocked(&report, 1) == "422", "{report:?}");
}

/// The host's own words of what it will not have, as long as it says so: nobody need guess at somebody else.
#[tokio::test(start_paused = true)]
async fn a_lasting_conflict_is_told_in_the_host_s_words() {
    let said = || Fate::NotDone(Fault::new(FaultKind::Conflict, "409 \"locked by billing\"", "").after_sending());
    for labels in [&["gauge"][..], &["gauge", "mill"]] {
        let mut bench = Bench::new(labels);
        assert!(in_step(&bench.pass().await));
        sleep(GRACE).await;
        bench.move_to("203.0.113.78");
        for _ in 0..2 {
            let others = labels[1..].iter().filter(|_| bench.took().len() == labels.len()).map(|_| Fate::Done);
            bench.fate([said()].into_iter().chain(others).chain([said(), said()]));
            let report = bench.pass().await;
            assert!(adrift(&report, 0).contains("locked by billing"), "{report:?}");
            assert!(!report.is_well() || report.has_written(), "{report:?}");
        }
        assert!(bench.host.fates.lock().unwrap().is_empty());
        assert!(in_step(&bench.pass().await));
    }
}

/// A hold ends by a write that is taken and seen, and not by a reading, or by a write of which nobody knows.
#[tokio::test(start_paused = true)]
async fn a_hold_ends_by_what_works() {
    let bench = Bench::new(&["gauge"]);
    let releases = || {
        let entries = read_all(bench.dir.path()).unwrap().into_iter();
        entries.filter(|entry| matches!(&entry.event, Known::Yes(Event::Release { .. }))).count()
    };
    let holds = || bench.books.as_ref().unwrap().borrow().state.holds.len();
    bench.fate([Fate::NotDone(Fault::refused("403 read only", "").of_what_was_sent()), Fate::NotDone(lost())]);
    assert!(matches!(bench.pass().await.trouble, Some(Trouble::Refused { .. })));
    sleep(3600 * SECOND).await;
    let report = bench.pass().await;
    assert!(adrift(&report, 0).contains("no answer came") && !report.is_well(), "{report:?}");
    assert_eq!((holds(), releases()), (1, 0));
    sleep(GRACE).await;
    assert!(in_step(&bench.pass().await));
    assert_eq!((holds(), releases()), (0, 1));
}
