//! Several providers at work on the same books at the same time.

use std::cell::RefCell;
use std::collections::{BTreeMap, BTreeSet};
use std::rc::Rc;

use fingerpost::audit::Event;
use fingerpost::audit::chain::Known;
use fingerpost::audit::file::read_all;
use fingerpost::clock::{Clock, Timestamp};
use fingerpost::name::DnsName;
use fingerpost::provider::{Applied, Change, Observed, Pending, Provider, Standing, Tally};
use fingerpost::reconcile::Desired;
use fingerpost::record::{RecordType, RrSet};
use fingerpost::settings::Sharing;
use fingerpost::state;
use fingerpost::update::{Bookkeeping, Books, Job, bring_in_step};
use futures_util::future::join_all;
use tokio::sync::{Barrier, Mutex};

use super::fake::{AUDIT, BEGIN, FREE, ZONE, block_on, in_step, name, set};

/// Takes every write, once all of its fellows have one in hand too.
struct Fellow<'a> {
    all: &'a Barrier,
    stands: Mutex<Option<RrSet>>,
}

impl Provider for Fellow<'_> {
    fn read<'a>(&'a self, names: &'a BTreeSet<DnsName>) -> Pending<'a, Observed> {
        Box::pin(async move {
            let sets: BTreeMap<_, _> =
                self.stands.lock().await.clone().map(|set| (RecordType::A, set)).into_iter().collect();
            let standing = Standing { sets, ..Standing::default() };
            Ok(Observed { names: names.iter().map(|name| (name.clone(), standing.clone())).collect(), serial: None })
        })
    }

    fn apply<'a>(&'a self, changes: &'a [Change]) -> Pending<'a, Applied> {
        Box::pin(async move {
            self.all.wait().await;
            *self.stands.lock().await = Some(changes[0].after.clone());
            Ok(Applied::default())
        })
    }

    fn target(&self) -> String {
        "a fellow".to_owned()
    }

    fn means(&self, count: usize) -> String {
        format!("{count} by a fellow")
    }
}

#[test]
fn a_write_of_one_does_not_keep_the_others_from_theirs() {
    const NAMES: [&str; 3] = ["home", "mill", "weir"];
    let dir = tempfile::tempdir().unwrap();
    let kept = Bookkeeping { dir: dir.path(), limits: &FREE, audit: AUDIT, tally: &|_| Tally::Each };
    let books = RefCell::new(Books::at(&kept).unwrap());
    let all = Barrier::new(NAMES.len());
    let fellows = NAMES.map(|_| Fellow { all: &all, stands: Mutex::new(None) });
    let (zone, words) = (DnsName::parse(ZONE).unwrap(), || Some(Rc::default()));
    let desired = [Desired {
        name: name("gauge"),
        rtype: RecordType::A,
        address: "203.0.113.77".parse().unwrap(),
        ttl: 120,
        sharing: Sharing::Sole,
    }];
    let job = |(name, provider): (&'static str, _)| {
        let (zone, words, desired) = (&zone, &words, &desired);
        Job { name, zone, fingerprint: "first", provider, desired, words, limits: &FREE, lease: None, confirms: false }
    };
    let jobs: Vec<Job<'_>> = NAMES.into_iter().zip(fellows.iter().map(|fellow| fellow as _)).map(job).collect();
    let clock = Clock::telling(|| Timestamp::from_millis(BEGIN));
    let reports = block_on(join_all(jobs.iter().map(|job| bring_in_step(job, &books, &clock))));
    assert!(reports.iter().all(in_step), "{reports:?}");
    // Every intent was durable before the first write went through, and each got the outcome of its own provider.
    let (mut intents, mut outcomes) = (BTreeMap::new(), BTreeMap::new());
    for entry in read_all(dir.path()).unwrap() {
        match entry.event {
            Known::Yes(Event::Intent { provider, .. }) if outcomes.is_empty() => {
                intents.insert(entry.seq, provider);
            }
            Known::Yes(Event::Outcome { intent, provider, .. }) => {
                outcomes.insert(intent, provider);
            }
            other => panic!("{other:?}"),
        }
    }
    assert_eq!((intents.len(), &intents), (NAMES.len(), &outcomes));
    assert!(books.borrow().log.open_intents().is_empty());
    let kept = state::load(dir.path(), &FREE).unwrap();
    assert_eq!(kept.published.len(), NAMES.len());
    assert_eq!(fellows[0].stands.try_lock().unwrap().clone(), Some(set(120, &["203.0.113.77"])));
}
