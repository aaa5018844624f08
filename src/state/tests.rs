use std::collections::BTreeSet;

use std::net::IpAddr;

use super::*;
use crate::address::Family;
use crate::audit::file::Log;
use crate::audit::propagation::{Awaited, Propagation};
use crate::audit::{Ending, Event, Word};
use crate::clock::{Step, Timestamp};
use crate::limits::{Ledger, RecordKey, record_key};
use crate::name::DnsName;
use crate::provider::{Change, Tally};
use crate::record::{RecordType, RrSet};
use crate::settings::{self, Via};

const LIMITS: Limits = Limits { spacing: std::time::Duration::from_secs(60), burst: 1, daily: 100 };

fn ip(host: u8) -> IpAddr {
    [203, 0, 113, host].into()
}

fn change(before: &[u8], after: &[u8]) -> Change {
    let set = |hosts: &[u8]| RrSet { ttl: 120, addresses: hosts.iter().map(|host| ip(*host)).collect::<BTreeSet<_>>() };
    Change {
        name: DnsName::parse("gauge.heronmill.example").unwrap(),
        rtype: RecordType::A,
        before: (!before.is_empty()).then(|| set(before)),
        after: set(after),
    }
}

fn gauge() -> RecordKey {
    record_key("home", &DnsName::parse("gauge.heronmill.example").unwrap(), RecordType::A)
}

fn moment() -> Timestamp {
    Timestamp::parse("2026-11-24T08:14:31Z").unwrap()
}

fn load(dir: &Path) -> State {
    super::load(dir, &LIMITS).unwrap()
}

/// A log in `dir` in which one change was intended and done, and another only intended.
fn log(dir: &Path) {
    let mut log = Log::open(
        dir,
        settings::Audit { max_bytes: 4096, keep: 3, unknown_after: std::time::Duration::from_secs(3600) },
    )
    .unwrap();
    let word = Word { address: ip(77), agreed: vec![], dissent: vec![], silent: vec![] };
    let intent = |changes| Event::Intent { provider: "home".into(), target: "ns1".into(), changes, word: vec![] };
    let mut append = |event| log.append(moment(), event).unwrap();
    append(Event::Settled { line: None, family: Family::Ipv4, from: None, to: ip(77), word });
    let first = append(intent(vec![change(&[9], &[77])]));
    append(Event::Outcome { intent: first, provider: "home".into(), result: Ending::Done, detail: String::new() });
    append(intent(vec![change(&[77], &[78])]));
}

#[test]
fn what_is_saved_is_loaded_and_an_unchanged_state_is_not_written() {
    let dir = tempfile::tempdir().unwrap();
    let mut state = load(dir.path());
    let mut store = Store::lock(dir.path()).unwrap().store(&state);
    store.save(&state).unwrap();
    assert!(!dir.path().join(FILE).exists(), "nothing to say, nothing written");
    state.settled.insert(Via::only(Family::Ipv4), ip(77));
    state.note_published("home", &[change(&[], &[77])]);
    store.save(&state).unwrap();
    assert_eq!(load(dir.path()), state);
    let written = fs::metadata(dir.path().join(FILE)).unwrap().modified().unwrap();
    store.save(&state).unwrap();
    assert_eq!(fs::metadata(dir.path().join(FILE)).unwrap().modified().unwrap(), written);
}

/// Root saves it too (`sudo fingerpost sync`), in a directory that belongs to the service.
#[test]
fn a_link_in_the_place_of_the_new_file_or_the_old_is_replaced() {
    let home = tempfile::tempdir().unwrap();
    let (dir, other) = (home.path().join("state"), home.path().join("shadow"));
    fs::create_dir(&dir).unwrap();
    fs::write(&other, "theirs").unwrap();
    let mut state = load(&dir);
    let mut store = Store::lock(&dir).unwrap().store(&state);
    for name in [".state.json.new", FILE] {
        std::os::unix::fs::symlink(&other, dir.join(name)).unwrap();
    }
    state.settled.insert(Via::only(Family::Ipv4), ip(77));
    store.save(&state).unwrap();
    assert_eq!(load(&dir), state);
    assert_eq!(fs::read(&other).unwrap(), b"theirs");
    assert!(fs::symlink_metadata(dir.join(FILE)).unwrap().is_file());
}

#[test]
fn two_processes_do_not_share_a_directory() {
    let dir = tempfile::tempdir().unwrap();
    let held = Store::lock(dir.path()).unwrap();
    let told = Store::lock(dir.path()).unwrap_err().to_string();
    assert!(told.starts_with(&format!("another fingerpost is at work on {}", dir.path().display())), "{told}");
    drop(held);
    Store::lock(dir.path()).unwrap();
    let left: Vec<_> = fs::read_dir(dir.path()).unwrap().map(|item| item.unwrap()).collect();
    let [lock] = left.as_slice() else { panic!("the lock leaves its file behind, and nothing else: {left:?}") };
    assert_eq!((lock.file_name().to_str(), lock.metadata().unwrap().mode() & 0o777), (Some(LOCK), 0o600));
}

#[test]
fn a_missing_directory_is_made() {
    let dir = tempfile::tempdir().unwrap();
    Store::lock(&dir.path().join("var/lib")).unwrap();
    assert!(dir.path().join("var/lib").is_dir());
}

#[test]
fn a_lost_or_unreadable_state_is_made_anew_from_the_audit_log() {
    let dir = tempfile::tempdir().unwrap();
    log(dir.path());
    for text in
        [None, Some(""), Some("{\"version\":\"1\""), Some("{\"version\":\"2\"}"), Some("\0\0\0"), Some("closed")]
    {
        if text == Some("closed") {
            // A file that was closed just before counts as much as the current one.
            fs::rename(dir.path().join("audit.jsonl"), dir.path().join("audit.000000000001.jsonl")).unwrap();
        }
        if let Some(text) = text {
            fs::write(dir.path().join(FILE), text).unwrap();
        }
        let mut state = load(dir.path());
        assert_eq!(state.settled, BTreeMap::from([(Via::only(Family::Ipv4), ip(77))]));
        assert_eq!(
            state.published,
            BTreeMap::from([(gauge(), BTreeSet::from([ip(77), ip(78)]))]),
            "what was intended without an outcome may stand there too"
        );
        assert_eq!(state.ledger.left_today(moment(), &LIMITS, "home"), 98, "every intent counts");
        let gated = state.ledger.gate(moment(), &LIMITS, "home", Tally::Each, vec![change(&[], &[1])]);
        assert_eq!(gated.put_off.len(), 1, "the limits hold all the same");
    }
}

#[test]
fn a_hold_outlives_the_state_whatever_is_configured_now_until_a_person_ends_it() {
    let dir = tempfile::tempdir().unwrap();
    let mut log = Log::open(
        dir.path(),
        settings::Audit { max_bytes: 4096, keep: 3, unknown_after: std::time::Duration::from_secs(3600) },
    )
    .unwrap();
    for provider in ["home", "away"] {
        log.append(moment(), Event::Hold { provider: provider.into(), why: "a wrong key".into() }).unwrap();
    }
    log.append(moment(), Event::Release { provider: "away".into(), why: "a manual sync".into() }).unwrap();
    let state = load(dir.path());
    assert_eq!(state.holds.keys().collect::<Vec<_>>(), ["home"]);
    let hold = &state.holds["home"];
    assert_eq!((hold.since, hold.why.as_str()), (moment(), "a wrong key"));
    assert!(hold.holds_for("what was configured then") && hold.holds_for("something else"));
    // One from the state file knows what it was for.
    let mut text = serde_json::to_value(&state).unwrap();
    text["holds"]["home"]["fingerprint"] = "then".into();
    fs::write(dir.path().join(FILE), text.to_string()).unwrap();
    let known = load(dir.path()).holds["home"].clone();
    assert!(known.holds_for("then") && !known.holds_for("now"));
}

#[test]
fn what_was_sent_may_stand_there_until_the_record_is_seen_in_step() {
    let mut state = State::default();
    state.note_published("home", &[change(&[], &[9])]);
    state.note_sent("home", &[change(&[9, 50], &[50, 77])]);
    state.note_sent("home", &[change(&[9, 50], &[50, 78])]);
    let published = |state: &State| state.published[&gauge()].clone();
    assert_eq!(published(&state), BTreeSet::from([ip(9), ip(77), ip(78)]));
    state.note_published("home", &[change(&[9, 50], &[50, 78])]);
    assert_eq!(published(&state), BTreeSet::from([ip(78)]));
}

#[test]
fn what_a_change_published_is_the_address_that_came() {
    let published = |before: &[u8], after: &[u8]| {
        let mut state = State::default();
        state.note_published("home", &[change(before, after)]);
        state.published.into_values().next()
    };
    assert_eq!(published(&[], &[77]), Some(BTreeSet::from([ip(77)])));
    assert_eq!(published(&[9, 50], &[50, 77]), Some(BTreeSet::from([ip(77)])));
    assert_eq!(published(&[9, 77], &[77]), None, "nothing came; what is in step is entered when it is seen");
}

#[test]
fn a_directory_that_cannot_be_written_is_named() {
    let dir = tempfile::tempdir().unwrap();
    let mut state = State::default();
    let mut store = Store::lock(dir.path()).unwrap().store(&state);
    fs::create_dir(dir.path().join(".state.json.new")).unwrap();
    state.settled.insert(Via::only(Family::Ipv4), ip(77));
    let told = crate::text::chain_of(&store.save(&state).unwrap_err());
    assert_eq!(
        told,
        format!(
            "cannot write {}; it must be writable for the user that runs fingerpost: Is a directory (os error 21)",
            dir.path().join(FILE).display()
        )
    );
    fs::remove_dir(dir.path().join(".state.json.new")).unwrap();
    store.save(&state).unwrap();
    assert_eq!(load(dir.path()), state, "the next attempt saves what the failed one did not");
}

#[test]
fn what_is_written_again_is_awaited_anew_and_survives_a_restart() {
    let dir = tempfile::tempdir().unwrap();
    let mut state = load(dir.path());
    let mut store = Store::lock(dir.path()).unwrap().store(&state);
    let mill = |change: Change| Change { name: DnsName::parse("mill.heronmill.example").unwrap(), ..change };
    let (first, other) = (change(&[9], &[77]), mill(change(&[9], &[77])));
    state.note_spreading("home", 3, &[&first, &other], moment());
    state.note_spreading("home", 5, &[&change(&[77], &[78])], moment());
    let waves = |state: &State| {
        let wave =
            |wave: &Propagation| (wave.intent, wave.records.iter().map(|one| one.name.to_string()).collect::<Vec<_>>());
        state.spreading.get("home").map(|waves| waves.iter().map(wave).collect::<Vec<_>>()).unwrap_or_default()
    };
    let names = |name: &str| vec![format!("{name}.heronmill.example")];
    assert_eq!(waves(&state), [(3, names("mill")), (5, names("gauge"))]);
    store.save(&state).unwrap();
    assert_eq!(load(dir.path()), state);
    state.note_spreading("home", 7, &[&mill(change(&[77], &[79]))], moment());
    assert_eq!(waves(&state), [(5, names("gauge")), (7, names("mill"))], "an empty wave is none");
    state.end_spreading("home", 5);
    state.end_spreading("home", 7);
    assert!(state.spreading.is_empty());
}

/// A state file of a version that knew no waves.
#[test]
fn a_state_without_waves_is_read() {
    let dir = tempfile::tempdir().unwrap();
    let text = r#"{"version":"1","settled":{},"published":{},"ledger":{"tat":{},"writes":{}},"holds":{}}"#;
    fs::write(dir.path().join(FILE), text).unwrap();
    assert_eq!(load(dir.path()), State::default());
}

#[test]
fn the_ttl_tells_only_where_it_alone_was_changed() {
    let ttl = |ttl, change: Change| Change { after: RrSet { ttl, ..change.after.clone() }, ..change };
    for (change, by_ttl) in [
        (ttl(60, change(&[9], &[77])), false),
        (ttl(60, change(&[], &[77])), false),
        (ttl(60, change(&[77], &[77])), true),
    ] {
        let awaited = Awaited::of(&change);
        assert!(awaited.by_ttl == by_ttl && awaited.is(Some(&change.after)) && !awaited.is(None));
        let slower = RrSet { ttl: 61, ..change.after.clone() };
        assert_eq!(awaited.is(Some(&slower)), !by_ttl);
    }
}

#[test]
fn when_the_clock_is_set_what_this_process_dated_moves_along_and_a_lost_state_is_made_anew_alike() {
    let [began, was] = [12_000, 192_000].map(Timestamp::from_millis);
    let (step, mine) = (Step { began, was, is: moment() }, Timestamp::from_millis(72_000));
    let moved = moment().minus(std::time::Duration::from_secs(120));
    let earlier = moment().minus(std::time::Duration::from_secs(86_400));
    for (time, after) in [(mine, moved), (earlier, earlier)] {
        let at = |time: Timestamp| {
            let mut state = State::default();
            state.holds.insert("home".to_owned(), Hold { since: time, why: "no".to_owned(), fingerprint: None });
            let after = change(&[1], &[2]).after;
            state.blocks.insert(gauge(), Block { tried: time, why: "no".to_owned(), before: None, after, wait_s: 60 });
            state.note_spreading("home", 7, &[&change(&[1], &[2])], time);
            state.ledger.charge(time, &LIMITS, "home", Tally::Each, &[change(&[1], &[2])]);
            state
        };
        let mut state = at(time);
        state.shift(&step, &LIMITS);
        assert_eq!(state, at(after));
    }
    // The same from the log.
    let dir = tempfile::tempdir().unwrap();
    let settings = settings::Audit { max_bytes: 4096, keep: 3, unknown_after: std::time::Duration::from_secs(3600) };
    let mut log = Log::open(dir.path(), settings).unwrap();
    let word = Word { address: ip(77), agreed: vec![], dissent: vec![], silent: vec![] };
    let (provider, target) = ("home".to_owned(), "ns1".to_owned());
    let intent = Event::Intent { provider, target, changes: vec![change(&[1], &[2])], word: vec![word] };
    let intent = log.append(mine, intent).unwrap();
    log.append(mine, Event::Hold { provider: "home".to_owned(), why: "no".to_owned() }).unwrap();
    log.append(step.is, Event::Clock(step)).unwrap();
    let state = load(dir.path());
    assert_eq!(state.holds["home"].since, moved);
    let mut ledger = Ledger::default();
    ledger.charge(moved, &LIMITS, "home", Tally::Each, &[change(&[1], &[2])]);
    assert_eq!(state.ledger, ledger);
    // An open intent is as old as it is: here, and at the next start.
    assert_eq!(log.open_intents()[&intent].time, moved);
    assert_eq!(Log::open(dir.path(), settings).unwrap().open_intents()[&intent].time, moved);
}

#[test]
fn records_are_kept_by_the_texts_they_have_always_had() {
    let dir = tempfile::tempdir().unwrap();
    let mut text = serde_json::to_value(State::default()).unwrap();
    text["published"] = serde_json::json!({
        "home gauge.heronmill.example A": ["203.0.113.77"],
        "home gauge.heronmill.example HTTPS": ["203.0.113.78"],
    });
    text["ledger"] = serde_json::json!({
        "tat": { "home gauge.heronmill.example A": 60_000, "home gauge.heronmill.example HTTPS": 60_000 },
        "writes": {
            "away": [[0, 1]],
            "heronmill.example at ns1.heronmill.example:53": [[0, 1, "gauge.heronmill.example A"]],
        },
    });
    fs::write(dir.path().join(FILE), text.to_string()).unwrap();
    let state = load(dir.path());
    assert_eq!((state.published.len(), &state.published[&gauge()]), (2, &BTreeSet::from([ip(77)])));
    assert_eq!(serde_json::to_value(&state).unwrap(), text);
}

/// Whoever wrote them: what this version does not know of is there again when a newer one runs.
#[test]
fn what_was_found_is_kept_by_the_texts_it_has_always_had() {
    let dir = tempfile::tempdir().unwrap();
    let texts = serde_json::json!({
        "findings": [[null, "carrier-nat"], [null, "dissenter tern-labs IPv4"], [null, "moat IPv4"], ["lte", "other-egress IPv6"]],
        "exposed": ["exposure: leaks, heronmill.example", "exposure: way in, gauge.heronmill.example", "exposure: moat, heronmill.example"],
        "refused": ["ranges: weir"],
    });
    let mut text = serde_json::to_value(State::default()).unwrap();
    text.as_object_mut().unwrap().extend(texts.as_object().unwrap().clone());
    fs::write(dir.path().join(FILE), text.to_string()).unwrap();
    let state = load(dir.path());
    let is_known = (state.findings.iter().map(|(_, about)| about.needs_history())).collect::<Vec<_>>();
    assert_eq!(is_known, [false, true, false, false]);
    assert_eq!(serde_json::to_value(&state).unwrap(), text);
    // The log tells the same.
    fs::remove_file(dir.path().join(FILE)).unwrap();
    let settings = settings::Audit { max_bytes: 4096, keep: 3, unknown_after: std::time::Duration::from_secs(3600) };
    let mut log = Log::open(dir.path(), settings).unwrap();
    let mut append = |event: serde_json::Value| log.append(moment(), serde_json::from_value(event).unwrap()).unwrap();
    for about in texts["exposed"].as_array().unwrap().iter().chain(texts["refused"].as_array().unwrap()) {
        append(serde_json::json!({"event": "found", "about": about, "text": "it is"}));
    }
    for found in texts["findings"].as_array().unwrap() {
        append(serde_json::json!({"event": "found", "line": found[0], "about": found[1], "text": "it is"}));
    }
    assert_eq!(load(dir.path()), state);
    for about in ["exposure: moat, heronmill.example", "moat IPv4", "ranges: weir"] {
        append(serde_json::json!({"event": "gone", "about": about}));
    }
    let left = load(dir.path());
    assert_eq!((left.findings.len(), left.exposed.len(), left.refused.len()), (3, 2, 0));
}
