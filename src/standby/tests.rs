//! Leases of several processes at one server, in paused time: no clock of a machine is asked.

use std::collections::BTreeSet;

use tokio::task::JoinHandle;

use super::*;
use crate::clock::Timestamp;
use crate::provider::{Observed, Pending, Texts};
use crate::record::{RecordType, RrSet};

const LEASE: Duration = Duration::from_secs(30);
const SECOND: Duration = Duration::from_secs(1);

/// What a server that swaps has to say: compares and writes in one step.
#[derive(Default)]
struct Server {
    text: Option<String>,
    /// Somebody else's record.
    foreign: Option<Vec<u8>>,
    looks: usize,
    swaps: usize,
    written: Vec<String>,
    refuses: bool,
    /// No swap arrives, and none is answered.
    deaf: bool,
    /// Replies that are lost, after the work is done.
    lose: usize,
    /// The next swap is a long time on the way: it arrives after the next look.
    dawdles: bool,
    on_the_way: Option<(Option<String>, Option<String>)>,
}

/// One process's way to it.
#[derive(Clone, Default)]
struct Line(Arc<Mutex<Server>>);

impl Line {
    fn at(&self) -> MutexGuard<'_, Server> {
        self.0.lock().unwrap()
    }

    fn swapped(&self, before: Option<&str>, after: Option<&str>) -> Result<(), Fault> {
        let mut server = self.at();
        server.swaps += 1;
        if server.refuses {
            return Err(Fault::refused("the server does not let the key change it", "let it"));
        }
        if server.deaf {
            return Err(Fault::new(FaultKind::InDoubt, "no answer", ""));
        }
        if server.text.as_deref() != before || server.foreign.is_some() {
            return Err(Fault::new(FaultKind::Conflict, "the lease is not as it was read", ""));
        }
        server.text = after.map(str::to_owned);
        if server.lose > 0 {
            server.lose -= 1;
            return Err(Fault::new(FaultKind::InDoubt, "no answer", ""));
        }
        Ok(())
    }
}

impl Provider for Line {
    fn read<'a>(&'a self, _: &'a BTreeSet<DnsName>) -> Pending<'a, Observed> {
        Box::pin(async { Ok(Observed::default()) })
    }

    fn apply<'a>(&'a self, _: &'a [Change]) -> Pending<'a, Applied> {
        Box::pin(async { panic!("a write without a fence") })
    }

    fn compare_and_swap(&self) -> Option<&dyn CompareAndSwap> {
        Some(self)
    }

    fn target(&self) -> String {
        "ns1.heronmill.example:53".to_owned()
    }

    fn means(&self, count: usize) -> String {
        format!("{count} changes")
    }
}

impl CompareAndSwap for Line {
    fn read_text<'a>(&'a self, _: &'a DnsName) -> Pending<'a, Texts> {
        let mut server = self.at();
        server.looks += 1;
        let text = server.foreign.clone().or_else(|| server.text.clone().map(String::into_bytes));
        if let Some((before, after)) = server.on_the_way.take()
            && before == server.text
        {
            server.text = after;
        }
        Box::pin(async { Ok(text.map(|text| vec![text]).into_iter().collect()) })
    }

    fn swap_text<'a>(&'a self, _: &'a DnsName, before: Option<&'a str>, after: Option<&'a str>) -> Pending<'a, ()> {
        Box::pin(async move {
            if std::mem::take(&mut self.at().dawdles) {
                self.at().on_the_way = Some((before.map(str::to_owned), after.map(str::to_owned)));
                std::future::pending::<()>().await;
            }
            self.swapped(before, after)
        })
    }

    fn apply_under<'a>(&'a self, changes: &'a [Change], fence: Fence<'a>) -> Pending<'a, Applied> {
        Box::pin(async move {
            let mut server = self.at();
            if server.text.as_deref() != Some(fence.text) {
                return Err(Fault::new(FaultKind::Conflict, "something is not as it was read", ""));
            }
            server.written.extend(changes.iter().map(|change| change.after.ttl.to_string()));
            Ok(Applied::default())
        })
    }
}

fn lease(line: &Line, number: u8) -> Arc<Lease> {
    let standby = Standby { names: BTreeMap::new(), lease: LEASE, holder: format!("node{number}") };
    let name = DnsName::parse("_fingerpost.heronmill.example").unwrap();
    let clock = Clock::telling(|| Timestamp::from_millis(1_795_000_000_123));
    Arc::new(Lease::new(&standby, name, Arc::new(line.clone()), Nonce([number; 16]), clock))
}

/// A process that keeps its lease until this is aborted.
fn live(lease: &Arc<Lease>) -> JoinHandle<()> {
    let lease = Arc::clone(lease);
    tokio::spawn(async move { lease.keep(|| {}).await })
}

fn write(ttl: u32) -> Vec<Change> {
    let addresses = ["203.0.113.9".parse().unwrap()].into();
    let name = DnsName::parse("gauge.heronmill.example").unwrap();
    vec![Change { name, rtype: RecordType::A, before: None, after: RrSet { ttl, addresses } }]
}

async fn until(seen: impl Fn() -> bool) -> Duration {
    let start = Instant::now();
    while !seen() {
        assert!(start.elapsed() < 10 * LEASE, "waited in vain");
        tokio::time::sleep(Duration::from_millis(100)).await;
    }
    start.elapsed()
}

/// The paused clock of tokio goes on by itself when everybody waits.
fn run(test: impl Future<Output = ()>) {
    tokio::runtime::Builder::new_current_thread().enable_time().start_paused(true).build().unwrap().block_on(test);
}

#[test]
fn one_of_two_holds_it_and_the_other_takes_over_within_two_leases_of_its_death() {
    run(async {
        for lives in [1, 7, 10, 13, 29, 30, 31, 100] {
            let line = Line::default();
            let (first, second) = (lease(&line, 1), lease(&line, 2));
            let one = live(&first);
            until(|| first.held().is_some()).await;
            let two = live(&second);
            tokio::time::sleep(lives * SECOND).await;
            assert!(first.held().is_some() && second.held().is_none());
            assert!(
                matches!(second.enter().await, Err(NotHeld::StandingBy(why)) if why.contains("node1 has had the lease"))
            );
            one.abort();
            let took = until(|| second.held().is_some()).await;
            assert!(took > 2 * LEASE / 3 && took <= 2 * LEASE, "{lives} s, then {took:?}");
            assert_eq!(second.news().last(), Some(&News::Taken { from: Some("node1".to_owned()) }));
            two.abort();
        }
    });
}

/// A connection that is cut as soon as it is made: each attempt ends at once.
#[test]
fn doubt_without_end_is_no_reason_to_hurry() {
    run(async {
        let line = Line::default();
        for was_held in [false, true] {
            let one = lease(&line, 1);
            let alive = live(&one);
            if was_held {
                until(|| one.held().is_some()).await;
            }
            let asked = || {
                let server = line.at();
                server.looks + server.swaps
            };
            line.at().deaf = true;
            let before = asked();
            tokio::time::sleep(60 * SECOND).await;
            let asked = asked() - before;
            // A look and a swap every sixth of the lease.
            assert!((8..30).contains(&asked), "{was_held}: {asked}");
            line.at().deaf = false;
            assert!(until(|| one.held().is_some()).await <= LEASE / 6 + SECOND);
            alive.abort();
            *line.at() = Server::default();
        }
    });
}

#[test]
fn in_step_there_is_one_renewal_and_one_look_every_third() {
    run(async {
        let line = Line::default();
        let (first, second) = (lease(&line, 1), lease(&line, 2));
        let one = live(&first);
        until(|| first.held().is_some()).await;
        let two = live(&second);
        until(|| line.at().looks > 1).await;
        let count = || {
            let server = line.at();
            (server.looks, server.swaps)
        };
        let before = count();
        tokio::time::sleep(100 * LEASE).await;
        let after = count();
        let (looks, swaps) = (after.0 - before.0, after.1 - before.1);
        assert!((298..=301).contains(&swaps) && (298..=301).contains(&looks), "{swaps} renewals, {looks} looks");
        assert_eq!(first.news().len() + second.news().len(), 2, "taken, and standing by");
        one.abort();
        two.abort();
    });
}

/// Somebody is stopped between deciding to write and writing, for longer than the lease.
#[test]
fn whoever_slept_through_its_lease_writes_nothing() {
    run(async {
        let line = Line::default();
        let (first, second) = (lease(&line, 1), lease(&line, 2));
        let entered = first.enter().await.ok().unwrap();
        let two = live(&second);
        until(|| second.held().is_some()).await;
        second.enter().await.ok().unwrap().apply(&write(62)).await.unwrap();
        let fault = entered.apply(&write(61)).await.unwrap_err();
        assert_eq!(fault.kind, FaultKind::Conflict);
        assert!(fault.why.contains("or the lease is not ours any more"), "{fault}");
        drop(entered);
        assert!(matches!(first.enter().await, Err(NotHeld::StandingBy(why)) if why.contains("node2")));
        let news = first.news();
        assert!(news.contains(&News::Lost { to: Some("node2".to_owned()) }), "{news:?}");
        assert_eq!(line.at().written, ["62"]);
        two.abort();
    });
}

#[test]
fn a_record_that_was_changed_is_not_taken_for_a_lost_lease() {
    run(async {
        let line = Line::default();
        let first = lease(&line, 1);
        drop(first.enter().await.ok().unwrap());
        // As the provider says when a record is not as it was read: the fence was not at fault.
        first.turn().doubt();
        assert!(first.held().is_none());
        let entered = first.enter().await.ok().unwrap();
        entered.apply(&write(61)).await.unwrap();
        assert_eq!(first.news(), [News::Taken { from: None }]);
    });
}

#[test]
fn what_is_given_back_is_taken_at_the_next_look() {
    run(async {
        let line = Line::default();
        let (first, second) = (lease(&line, 1), lease(&line, 2));
        let one = live(&first);
        until(|| first.held().is_some()).await;
        let two = live(&second);
        tokio::time::sleep(LEASE).await;
        one.abort();
        first.release().await;
        assert_eq!(line.at().text, None);
        assert_eq!(first.news().last(), Some(&News::Released));
        let took = until(|| second.held().is_some()).await;
        assert!(took <= LEASE / 3 + SECOND, "{took:?}");
        two.abort();
    });
}

#[test]
fn a_lost_reply_loses_neither_the_lease_nor_the_giving_back() {
    run(async {
        let line = Line::default();
        let first = lease(&line, 1);
        line.at().lose = 1;
        drop(first.enter().await.ok().unwrap());
        assert_eq!(first.news(), [News::Taken { from: None }]);
        line.at().lose = 1;
        let one = live(&first);
        tokio::time::sleep(LEASE).await;
        assert!(first.held().is_some());
        one.abort();
        line.at().lose = 1;
        first.release().await;
        assert_eq!(line.at().text, None);
    });
}

/// The process is told to stop while a renewal is on its way, and that arrives just after it was looked for in vain.
#[test]
fn a_renewal_on_its_way_does_not_outlast_the_giving_back() {
    run(async {
        let line = Line::default();
        let first = lease(&line, 1);
        let one = live(&first);
        until(|| first.held().is_some()).await;
        line.at().dawdles = true;
        until(|| line.at().on_the_way.is_some()).await;
        one.abort();
        let _ = one.await;
        first.release().await;
        assert_eq!(line.at().text, None);
        assert_eq!(first.news().last(), Some(&News::Released));
    });
}

#[test]
fn somebody_elses_record_is_left_alone_until_it_is_gone() {
    run(async {
        let line = Line::default();
        line.at().foreign = Some(b"v=spf1 -all".to_vec());
        let first = lease(&line, 1);
        let Err(NotHeld::Barred(why)) = first.enter().await else { panic!() };
        assert!(why.contains("is not a lease; remove what stands there"), "{why}");
        assert!(matches!(first.amiss(), Some(NotHeld::Barred(_))));
        let one = live(&first);
        tokio::time::sleep(10 * LEASE).await;
        assert_eq!(line.at().swaps, 0);
        line.at().foreign = None;
        let took = until(|| first.held().is_some()).await;
        assert!(took <= LEASE / 3 + SECOND && first.amiss().is_none());
        one.abort();
    });
}

#[test]
fn a_refusal_is_told_and_asked_about_once_a_lease() {
    run(async {
        let line = Line::default();
        line.at().refuses = true;
        let first = lease(&line, 1);
        assert!(matches!(first.enter().await, Err(NotHeld::Refused(why)) if why.contains("does not let the key")));
        assert!(matches!(first.amiss(), Some(NotHeld::Refused(_))));
        let one = live(&first);
        tokio::time::sleep(10 * LEASE).await;
        assert!((9..=12).contains(&line.at().swaps), "{}", line.at().swaps);
        first.rest(true);
        let swaps = line.at().swaps;
        tokio::time::sleep(10 * LEASE).await;
        assert_eq!(line.at().swaps, swaps, "on hold, nothing is asked");
        one.abort();
    });
}

#[test]
fn a_glimpse_takes_nothing() {
    run(async {
        let line = Line::default();
        assert_eq!(lease(&line, 1).peek().await, Ok(()));
        assert_eq!(line.at().text, None);
        drop(lease(&line, 2).enter().await.ok().unwrap());
        let text = line.at().text.clone();
        assert!(matches!(lease(&line, 1).peek().await, Err(NotHeld::StandingBy(why)) if why.contains("node2")));
        assert_eq!(line.at().text, text);
    });
}
