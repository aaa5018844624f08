//! A file that another program is at work on, as the updater meets it.

use std::cell::RefCell;
use std::fs;
use std::rc::Rc;
use std::time::Duration;

use fingerpost::clock;
use fingerpost::provider::Tally;
use fingerpost::reconcile::Desired;
use fingerpost::record::RecordType;
use fingerpost::settings::{Audit, Limits, Sharing};
use fingerpost::update::{Bookkeeping, Books, Job, Trouble, bring_in_step};

use crate::generate::ZONE;
use crate::{LONG, MILL, mill, name, provider, run};

/// An editor that saves, a checkout at work: nobody has to act, and nothing is on hold.
#[test]
fn a_file_that_is_away_or_half_there_for_a_moment_holds_nothing_up() {
    let ((_directory, file), state) = (mill(), tempfile::tempdir().unwrap());
    let limits = Limits { spacing: Duration::from_secs(60), burst: 3, daily: 100 };
    let audit = Audit { max_bytes: 1 << 20, keep: 3, unknown_after: Duration::from_secs(3600) };
    let kept = Bookkeeping { dir: state.path(), limits: &limits, audit, tally: &|_| Tally::Together };
    let books = RefCell::new(Books::at(&kept).unwrap());
    let provider = provider(&file, &[], LONG);
    let gauge = Desired {
        name: name("gauge.heronmill.example"),
        rtype: RecordType::A,
        ttl: 300,
        sharing: Sharing::Sole,
        address: "203.0.113.77".parse().unwrap(),
    };
    let (zone, desired, words) = (name(ZONE), [gauge], Rc::default());
    let job = Job {
        name: "home",
        zone: &zone,
        fingerprint: "a configuration",
        provider: &provider,
        desired: &desired,
        words: &|| Some(Rc::clone(&words)),
        limits: &limits,
        lease: None,
        confirms: false,
    };
    let pass = || run(bring_in_step(&job, &books, &clock::system())).trouble;
    for half in [None, Some(""), Some("$TTL 5m\n@ SOA ns1 keeper 7 1h ("), Some("$TTL 5m\n@ SOA ns1 keeper 7 1h 10m")] {
        match half {
            None => fs::remove_file(&file).unwrap(),
            Some(text) => fs::write(&file, text).unwrap(),
        }
        let trouble = pass();
        assert!(matches!(&trouble, Some(Trouble::Passing { why, .. }) if why.contains("mill.zone")), "{trouble:?}");
        assert!(books.borrow().state.holds.is_empty());
    }
    fs::write(&file, MILL).unwrap();
    assert!(pass().is_none());
    assert!(fs::read_to_string(&file).unwrap().contains("203.0.113.77"));
}
