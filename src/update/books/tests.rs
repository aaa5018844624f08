use std::collections::BTreeSet;
use std::fs;
use std::path::Path;

use super::*;
use crate::config::testing;
use crate::name::DnsName;
use crate::provider::Change;
use crate::record::{RecordType, RrSet};

const TEXT: &str = r#"
[provider.home]
kind = "rfc2136"
zone = "heronmill.example"
server = "127.0.0.1:53"
unsigned = true
[[record]]
name = "gauge.heronmill.example"
types = ["A"]
provider = "home"
"#;

fn config(dir: &Path) -> Config {
    testing::config(dir, TEXT)
}

fn now() -> Timestamp {
    Timestamp::parse("2026-11-24T08:14:31Z").unwrap()
}

/// Two RRsets in one message: for `rfc2136` that is one write.
fn changes(host: u8) -> Vec<Change> {
    let change = |label: &str| Change {
        name: DnsName::parse(&format!("{label}.heronmill.example")).unwrap(),
        rtype: RecordType::A,
        before: None,
        after: RrSet { ttl: 120, addresses: BTreeSet::from([[203, 0, 113, host].into()]) },
    };
    vec![change("gauge"), change("mill")]
}

/// As a pass does it.
fn announce(books: &mut Books, config: &Config, host: u8) -> Result<u64, BooksError> {
    let changes = changes(host);
    books.state.ledger.charge(now(), &config.limits, "home", Tally::Together, &changes);
    books.state.note_sent("home", &changes);
    let (provider, target) = ("home".to_owned(), "127.0.0.1:53".to_owned());
    books.announce(now(), Event::Intent { provider, target, changes, word: Vec::new() })
}

fn left(books: &mut Books, config: &Config) -> u32 {
    books.state.ledger.left_today(now(), &config.limits, "home")
}

#[test]
fn what_was_announced_and_not_saved_is_charged_at_the_next_start_and_only_once() {
    let dir = tempfile::tempdir().unwrap();
    let config = config(dir.path());
    let daily = config.limits.daily;
    let mut books = Books::open(&config).unwrap();
    books.state.refused_since.insert("home".to_owned(), now());
    books.save().unwrap();
    let file = || fs::read_to_string(dir.path().join(state::FILE)).unwrap();
    let before = file();
    let intent = announce(&mut books, &config, 77).unwrap();
    assert_eq!(file(), before, "the intent in the log is enough");
    drop(books);
    for starts in 1..4 {
        let mut books = Books::open(&config).unwrap();
        assert_eq!(left(&mut books, &config), daily - 1, "start {starts}");
        let key = fingerpost_core::limits::record_key("home", &changes(77)[0].name, RecordType::A);
        assert_eq!(books.state.published[&key], BTreeSet::from([[203, 0, 113, 77].into()]));
        assert_eq!(peek(&config).unwrap(), books.state, "whoever reads without the lock sees the same");
        if starts == 2 {
            books.save().unwrap();
        }
    }
    // It ends as it does, and the next one is another.
    let mut books = Books::open(&config).unwrap();
    let (provider, result, detail) = ("home".to_owned(), crate::audit::Ending::Done, String::new());
    books.log.append(now(), Event::Outcome { intent, provider, result, detail }).unwrap();
    announce(&mut books, &config, 78).unwrap();
    drop(books);
    let mut books = Books::open(&config).unwrap();
    assert_eq!(left(&mut books, &config), daily - 2);
}

/// The power goes between the entry that the clock was set and the saving that follows it.
#[test]
fn what_was_written_by_a_wrong_clock_counts_by_the_right_one_though_the_state_was_not_saved() {
    let dir = tempfile::tempdir().unwrap();
    let config = config(dir.path());
    let mut books = Books::open(&config).unwrap();
    books.state.refused_since.insert("home".to_owned(), now());
    books.save().unwrap();
    let [began, wrong, was] = [1_000, 60_000, 120_000].map(Timestamp::from_millis);
    let event = |changes| {
        let (provider, target) = ("home".to_owned(), "127.0.0.1:53".to_owned());
        Event::Intent { provider, target, changes, word: Vec::new() }
    };
    books.announce(wrong, event(changes(77))).unwrap();
    books.log.append(now(), Event::Clock(crate::clock::Step { began, was, is: now() })).unwrap();
    drop(books);
    let mut books = Books::open(&config).unwrap();
    assert_eq!(left(&mut books, &config), config.limits.daily - 1);
}

#[test]
fn who_could_not_save_the_state_announces_nothing_until_it_can() {
    let dir = tempfile::tempdir().unwrap();
    let config = config(dir.path());
    let mut books = Books::open(&config).unwrap();
    let file = dir.path().join(state::FILE);
    announce(&mut books, &config, 77).unwrap();
    // In the way of the renaming, and not of the probe.
    fs::create_dir(&file).unwrap();
    assert!(books.save().is_err());
    let told = announce(&mut books, &config, 78).unwrap_err();
    assert!(matches!(told, BooksError::State(_)), "{told}");
    assert_eq!(books.log.open_intents().len(), 1);
    fs::remove_dir(&file).unwrap();
    announce(&mut books, &config, 78).unwrap();
    assert_eq!(books.log.open_intents().len(), 2);
}
