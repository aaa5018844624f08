//! The program's own updater over one provider, with books in a directory of the test's own.

use std::cell::RefCell;
use std::rc::Rc;
use std::time::Duration;

use fingerpost::audit::Event;
use fingerpost::audit::chain::{Entry, Known};
use fingerpost::audit::file::read_all;
use fingerpost::clock;
use fingerpost::name::DnsName;
use fingerpost::provider::{Change, Provider, Tally};
use fingerpost::reconcile::Desired;
use fingerpost::record::RecordType;
use fingerpost::settings::{Audit, Limits, Sharing};
use fingerpost::update::{Bookkeeping, Books, Job, Report, bring_in_step};
use tempfile::TempDir;

pub(crate) const LIMITS: Limits = Limits { spacing: Duration::from_secs(60), burst: 3, daily: 100 };

pub(crate) struct Updater {
    dir: TempDir,
    pub(crate) books: RefCell<Books>,
}

impl Updater {
    pub(crate) fn new() -> Self {
        let dir = tempfile::tempdir().unwrap();
        let audit = Audit { max_bytes: 1 << 20, keep: 9, unknown_after: Duration::from_secs(3600) };
        let kept = Bookkeeping { dir: dir.path(), limits: &LIMITS, audit, tally: &|_| Tally::Each };
        let books = RefCell::new(Books::at(&kept).unwrap());
        Self { dir, books }
    }

    /// One pass of the provider of `zone`.
    pub(crate) async fn pass(&self, provider: &dyn Provider, zone: &DnsName, desired: &[Desired]) -> Report {
        let job = Job {
            name: "home",
            zone,
            fingerprint: "a configuration",
            provider,
            desired,
            words: &|| Some(Rc::default()),
            limits: &LIMITS,
            lease: None,
            confirms: false,
        };
        bring_in_step(&job, &self.books, &clock::system()).await
    }

    /// What was sent so far.
    pub(crate) fn sent(&self) -> Vec<Vec<Change>> {
        let changes = |entry: Entry| match entry.event {
            Known::Yes(Event::Intent { changes, .. }) => Some(changes),
            _ => None,
        };
        read_all(self.dir.path()).unwrap().into_iter().filter_map(changes).collect()
    }
}

/// The A record `name` at `address`, and at nothing else, with a TTL of two minutes.
pub(crate) fn wanted(name: DnsName, address: &str) -> Desired {
    Desired { name, rtype: RecordType::A, address: address.parse().unwrap(), ttl: 120, sharing: Sharing::Sole }
}
