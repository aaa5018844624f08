use std::collections::BTreeSet;
use std::time::Duration;

use super::*;
use crate::about::About;
use crate::name::DnsName;
use crate::provider::Change;
use crate::record::{RecordType, RrSet};

const SETTINGS: settings::Audit = settings::Audit { max_bytes: 4096, keep: 3, unknown_after: DAY };

const DAY: Duration = Duration::from_secs(86_400);

fn moment() -> Timestamp {
    Timestamp::parse("2026-11-24T08:14:31Z").unwrap()
}

fn hold(why: &str) -> Event {
    Event::Hold { provider: "home".into(), why: why.into() }
}

fn intent() -> Event {
    intent_at("home")
}

fn intent_at(provider: &str) -> Event {
    let after = RrSet { ttl: 120, addresses: BTreeSet::from([[203, 0, 113, 77].into()]) };
    let name = DnsName::parse("gauge.heronmill.example").unwrap();
    let change = Change { name, rtype: RecordType::A, before: None, after };
    Event::Intent { provider: provider.into(), target: "ns1".into(), changes: vec![change], word: Vec::new() }
}

fn outcome(intent: u64) -> Event {
    Event::Outcome { intent, provider: "home".into(), result: Ending::Done, detail: String::new() }
}

fn open(dir: &Path) -> (Log, Vec<Entry>) {
    let mut entries = Vec::new();
    follow(dir, |entry| entries.push(entry)).unwrap();
    (Log::open(dir, SETTINGS).unwrap(), entries)
}

fn append(log: &mut Log, event: Event) -> u64 {
    log.append(moment(), event).unwrap()
}

fn names(dir: &Path) -> Vec<String> {
    let mut names: Vec<_> =
        fs::read_dir(dir).unwrap().map(|item| item.unwrap().file_name().into_string().unwrap()).collect();
    names.sort();
    names
}

#[test]
fn opening_writes_nothing_and_appending_goes_on_where_the_log_ended() {
    let dir = tempfile::tempdir().unwrap();
    let (mut log, entries) = open(dir.path());
    assert!(entries.is_empty() && names(dir.path()).is_empty());
    assert_eq!(append(&mut log, hold("one")), 1);
    assert_eq!(append(&mut log, hold("two")), 2);
    drop(log);
    let (mut log, entries) = open(dir.path());
    assert_eq!(entries.iter().map(|entry| entry.seq).collect::<Vec<_>>(), [1, 2]);
    assert_eq!(append(&mut log, hold("three")), 3);
    assert_eq!(read_all(dir.path()).unwrap().len(), 3);
}

#[test]
fn an_intent_is_open_until_it_has_its_outcome_also_over_a_restart() {
    let dir = tempfile::tempdir().unwrap();
    let (mut log, _) = open(dir.path());
    let first = append(&mut log, intent());
    let second = append(&mut log, intent());
    append(&mut log, outcome(first));
    for log in [log, open(dir.path()).0] {
        assert_eq!(log.open_intents().keys().copied().collect::<Vec<_>>(), [second]);
        assert_eq!(log.open_intents()[&second].provider, "home");
    }
}

#[test]
fn a_torn_last_line_is_set_aside_before_the_next_is_written() {
    for torn in [&b"{\"seq\":3,\"ti"[..], b"{\"seq\":3}\n", b"\0\0\0\0\0\0", b"\0\0\n\0"] {
        let dir = tempfile::tempdir().unwrap();
        let (mut log, _) = open(dir.path());
        append(&mut log, hold("one"));
        append(&mut log, hold("two"));
        drop(log);
        let path = dir.path().join(CURRENT);
        let mut bytes = fs::read(&path).unwrap();
        bytes.extend_from_slice(torn);
        fs::write(&path, &bytes).unwrap();

        let (mut log, entries) = open(dir.path());
        assert_eq!(entries.len(), 2);
        assert_eq!(fs::read(&path).unwrap(), bytes, "opening writes nothing");
        assert!(read_all(dir.path()).is_err(), "verifying tells of it");
        let mut count = 0;
        assert!(recall(dir.path(), |_| count += 1).unwrap().is_none() && count == 2, "it is no flaw");
        let spoilt = String::from_utf8_lossy(&bytes).replacen("one", "won", 1);
        fs::write(&path, &spoilt).unwrap();
        let (all, known) = (follow(dir.path(), |_| ()).unwrap(), recall(dir.path(), |_| ()).unwrap());
        assert!(known.is_some() && all.map(|flaw| flaw.to_string()) == known.map(|flaw| flaw.to_string()));
        fs::write(&path, &bytes).unwrap();

        assert_eq!(append(&mut log, hold("next")), 4, "entry 3 tells of what was set aside");
        assert_eq!(fs::read(dir.path().join("audit.torn-000000000003")).unwrap(), torn);
        let entries = read_all(dir.path()).unwrap();
        let Known::Yes(Event::SetAside { file, bytes, .. }) = &entries[2].event else { panic!("{:?}", entries[2]) };
        assert_eq!((file.as_str(), *bytes), ("audit.torn-000000000003", torn.len() as u64));
    }
}

#[test]
fn rotation_keeps_the_chain_and_as_many_files_as_it_is_told() {
    let dir = tempfile::tempdir().unwrap();
    let (mut log, _) = open(dir.path());
    let mut last = 0;
    while files(dir.path()).unwrap().len() < 4 || last < 150 {
        let seq = append(&mut log, intent());
        last = append(&mut log, outcome(seq));
        // A file holds one more pair at most after it has grown too large.
        assert!(fs::metadata(dir.path().join(CURRENT)).unwrap().len() < SETTINGS.max_bytes + 1024);
    }
    assert_eq!(files(dir.path()).unwrap().len(), 4, "three closed ones, and the current one");
    let entries = read_all(dir.path()).unwrap();
    assert!(entries[0].seq > 1, "the oldest went");
    assert_eq!(entries.last().unwrap().seq, last);
    let (mut log, _) = open(dir.path());
    assert_eq!(append(&mut log, hold("next")), last + 1);
    read_all(dir.path()).unwrap();
}

/// What is told without a write must not fill the disk either.
#[test]
fn whatever_is_entered_the_file_stays_bounded() {
    let dir = tempfile::tempdir().unwrap();
    let (mut log, _) = open(dir.path());
    for number in 0..1000 {
        let about = About::from(format!("leak {number}"));
        append(&mut log, Event::Found { line: None, about: about.clone(), text: "x".repeat(200) });
        append(&mut log, Event::Gone { line: None, about });
        assert!(fs::metadata(dir.path().join(CURRENT)).unwrap().len() < SETTINGS.max_bytes + 1024);
    }
    assert_eq!(files(dir.path()).unwrap().len(), 4);
    assert_eq!(read_all(dir.path()).unwrap().last().unwrap().seq, 2000);
}

/// One server is away for weeks, and another provider's records move on.
#[test]
fn an_intent_that_stays_open_is_found_behind_all_that_came_after_it() {
    let dir = tempfile::tempdir().unwrap();
    let (mut log, _) = open(dir.path());
    append(&mut log, hold("before"));
    let long = append(&mut log, intent());
    for _ in 0..1000 {
        let seq = append(&mut log, intent_at("away"));
        append(&mut log, outcome(seq));
        assert!(fs::metadata(dir.path().join(CURRENT)).unwrap().len() < SETTINGS.max_bytes + 1024);
    }
    let entries = read_all(dir.path()).unwrap();
    assert!(entries[0].seq <= long && entries.last().unwrap().seq == 2002, "nothing behind it went");
    drop(log);
    let (mut log, _) = open(dir.path());
    assert_eq!(log.open_intents().keys().copied().collect::<Vec<_>>(), [long]);
    append(&mut log, outcome(long));
    // Now they may go.
    for _ in 0..40 {
        append(&mut log, hold(&"x".repeat(200)));
    }
    assert_eq!(files(dir.path()).unwrap().len(), 4);
    assert!(open(dir.path()).0.open_intents().is_empty());
    read_all(dir.path()).unwrap();
}

/// What is behind an open intent stays for as long as it may be found out; then the log says that it will not be.
#[test]
fn an_intent_that_stays_open_for_too_long_is_closed_as_unknown_and_the_log_behind_it_goes() {
    let dir = tempfile::tempdir().unwrap();
    let (mut log, _) = open(dir.path());
    let old = append(&mut log, intent_at("home"));
    let fill = |log: &mut Log, now: Timestamp| {
        for _ in 0..200 {
            log.append(now, hold(&"x".repeat(100))).unwrap();
        }
    };
    fill(&mut log, moment().plus(DAY - Duration::from_secs(1)));
    assert!(log.open_intents().contains_key(&old) && closed_files(dir.path()).unwrap().len() > SETTINGS.keep);
    let young = log.append(moment().plus(DAY), intent_at("cellar")).unwrap();
    fill(&mut log, moment().plus(DAY));
    assert_eq!(log.open_intents().keys().copied().collect::<Vec<_>>(), [young]);
    let mut told = Vec::new();
    assert!(follow(dir.path(), |entry| told.push(entry)).unwrap().is_none(), "the chain holds");
    assert!(told[0].seq > old && told[0].seq <= young, "{}", told[0].seq);
    drop(log);
    let (mut log, entries) = open(dir.path());
    assert_eq!(log.open_intents().keys().copied().collect::<Vec<_>>(), [young]);
    let unknown = entries.iter().find_map(|entry| match &entry.event {
        Known::Yes(Event::Outcome { intent, provider, result: Ending::Unknown, detail }) => {
            Some((*intent, provider.clone(), detail.clone()))
        }
        _ => None,
    });
    let (intent, provider, detail) = unknown.unwrap();
    assert_eq!((intent, provider.as_str()), (old, "home"));
    assert!(detail.starts_with("for 1day nobody could find out how it ended"), "{detail}");
    // When nothing is in the way any more, as many files are kept as was told.
    append(&mut log, outcome(young));
    fill(&mut log, moment().plus(DAY));
    assert_eq!(closed_files(dir.path()).unwrap().len(), SETTINGS.keep);
}

/// A machine that loses its power every night.
#[test]
fn torn_ends_are_kept_as_many_as_files_and_the_log_names_those_that_go() {
    let dir = tempfile::tempdir().unwrap();
    append(&mut open(dir.path()).0, hold("one"));
    let mut made = Vec::new();
    for night in 0..7 {
        let mut file = fs::OpenOptions::new().append(true).open(dir.path().join(CURRENT)).unwrap();
        file.write_all(format!("{{\"seq\":{night}").as_bytes()).unwrap();
        drop(file);
        append(&mut open(dir.path()).0, hold("more"));
        made.push(torn_files(dir.path()).unwrap().pop().unwrap());
    }
    assert_eq!(torn_files(dir.path()).unwrap(), made[made.len() - SETTINGS.keep..]);
    let gone = |entry: &Entry| match &entry.event {
        Known::Yes(Event::SetAside { removed, .. }) => removed.clone(),
        _ => Vec::new(),
    };
    let gone: Vec<String> = read_all(dir.path()).unwrap().iter().flat_map(gone).collect();
    assert_eq!(gone, made[..made.len() - SETTINGS.keep]);
}

#[test]
fn a_file_whose_first_line_cannot_be_read_keeps_its_place() {
    let dir = tempfile::tempdir().unwrap();
    let (mut log, _) = open(dir.path());
    while files(dir.path()).unwrap().len() < 3 {
        // The first line of each file is spoilt while it is the current one.
        let path = dir.path().join(CURRENT);
        if let Ok(text) = fs::read_to_string(&path) {
            fs::write(&path, text.replacen('{', "[", usize::from(text.starts_with('{')))).unwrap();
        }
        let seq = append(&mut log, intent());
        append(&mut log, outcome(seq));
    }
    let names = names(dir.path());
    assert_eq!(names[0], "audit.000000000002.jsonl");
    assert!(names.iter().all(|name| name != "audit.000000000000.jsonl"), "{names:?}");
}

#[test]
fn a_crash_between_closing_a_file_and_beginning_the_next_loses_nothing() {
    let dir = tempfile::tempdir().unwrap();
    let (mut log, _) = open(dir.path());
    append(&mut log, hold("one"));
    drop(log);
    fs::rename(dir.path().join(CURRENT), dir.path().join("audit.000000000001.jsonl")).unwrap();
    let (mut log, _) = open(dir.path());
    assert_eq!(append(&mut log, hold("two")), 2);
    assert_eq!(read_all(dir.path()).unwrap().len(), 2);
}

#[test]
fn a_line_that_was_tampered_with_is_named_and_does_not_stop_the_log() {
    let dir = tempfile::tempdir().unwrap();
    let (mut log, _) = open(dir.path());
    for why in ["one", "two", "three"] {
        append(&mut log, hold(why));
    }
    let path = dir.path().join(CURRENT);
    let text = fs::read_to_string(&path).unwrap();
    for (tampered, line, what) in [
        (text.replace("two", "tow"), 3, "prev is not the SHA-256"),
        (text.replacen("{\"seq\":2", "[\"seq\":2", 1), 2, "this is no audit entry"),
    ] {
        fs::write(&path, tampered).unwrap();
        let (mut log, entries) = open(dir.path());
        assert_eq!(entries.last().unwrap().seq, 3);
        assert_eq!(append(&mut log, hold("four")), 4);
        let told = read_all(dir.path()).unwrap_err().to_string();
        assert!(told.starts_with(&format!("{}: line {line}: {what}", path.display())), "{told}");
    }
}

#[test]
fn what_cannot_be_written_leaves_the_log_as_it_was() {
    let dir = tempfile::tempdir().unwrap();
    let (mut log, _) = open(dir.path());
    append(&mut log, hold("one"));
    drop(log);
    let (mut log, _) = open(dir.path());
    // Nobody can open a directory for writing, root included.
    let (path, away) = (dir.path().join(CURRENT), dir.path().join("away"));
    fs::rename(&path, &away).unwrap();
    fs::create_dir(&path).unwrap();
    let told = crate::text::chain_of(&log.append(moment(), intent()).unwrap_err());
    assert_eq!(
        told,
        format!(
            "cannot read {}; until it can, nothing is sent to any provider; what stands there in the place of a file must be \
             moved away: it is a directory and not a regular file",
            path.display()
        )
    );
    assert!(log.open_intents().is_empty());
    fs::remove_dir(&path).unwrap();
    fs::rename(&away, &path).unwrap();
    assert_eq!(append(&mut log, hold("two")), 2);
    assert_eq!(read_all(dir.path()).unwrap().len(), 2);
}

/// The disk takes a line and cannot say that it is durable, and then does not let it be taken back either.
#[test]
fn a_line_that_was_not_acknowledged_is_not_part_of_the_chain() {
    let dir = tempfile::tempdir().unwrap();
    let (mut log, _) = open(dir.path());
    append(&mut log, hold("one"));
    let whole = fs::read(dir.path().join(CURRENT)).unwrap();
    let left = chain::line(2, moment(), &intent(), &chain::Link::to(&whole)).unwrap();
    fs::write(dir.path().join(CURRENT), [whole, left.into_bytes()].concat()).unwrap();
    assert_eq!(append(&mut log, hold("two")), 2);
    let entries = read_all(dir.path()).unwrap();
    assert_eq!(entries.last().unwrap().event, Known::Yes(hold("two")));
}

#[test]
fn a_log_that_was_taken_away_is_begun_anew_and_verifying_tells() {
    let dir = tempfile::tempdir().unwrap();
    let (mut log, _) = open(dir.path());
    append(&mut log, hold("one"));
    append(&mut log, hold("two"));
    fs::rename(dir.path().join(CURRENT), dir.path().join("away")).unwrap();
    assert_eq!(append(&mut log, hold("three")), 3);
    assert_eq!(read_all(dir.path()).unwrap()[0].event, Known::Yes(hold("three")));
    let text = fs::read_to_string(dir.path().join("away")).unwrap();
    fs::write(dir.path().join(CURRENT), text.lines().next().unwrap().to_owned() + "\n").unwrap();
    assert_eq!(append(&mut log, hold("four")), 4);
    let told = read_all(dir.path()).unwrap_err().to_string();
    assert!(told.contains("line 2: seq is 4, and 2 would follow"), "{told}");
}

/// Root writes to the log too (`sudo fingerpost sync`), in a directory that belongs to the service.
#[test]
fn a_link_in_the_state_directory_is_not_followed() {
    use std::os::unix::fs::symlink;
    let home = tempfile::tempdir().unwrap();
    let (dir, other) = (home.path().join("state"), home.path().join("shadow"));
    fs::create_dir(&dir).unwrap();
    fs::write(&other, "root:secret").unwrap();
    // One that is there at the start, and one that comes later: what it leads to is neither copied nor written to.
    symlink(&other, dir.join(CURRENT)).unwrap();
    let told = crate::text::chain_of(&Log::open(&dir, SETTINGS).unwrap_err());
    let want = format!("cannot read {}; until it can, nothing is sent", dir.join(CURRENT).display());
    assert!(told.starts_with(&want) && told.contains("a symbolic link stands there"), "{told}");
    fs::remove_file(dir.join(CURRENT)).unwrap();
    let (mut log, _) = open(&dir);
    symlink(&other, dir.join(CURRENT)).unwrap();
    let told = log.append(moment(), hold("one")).unwrap_err().to_string();
    assert!(told.contains("a symbolic link stands there"), "{told}");
    fs::remove_file(dir.join(CURRENT)).unwrap();
    append(&mut log, hold("one"));
    // Where a file is made anew, the link goes.
    fs::write(dir.join(CURRENT), fs::read_to_string(dir.join(CURRENT)).unwrap() + "{\"seq\"").unwrap();
    symlink(&other, dir.join("audit.torn-000000000002")).unwrap();
    let (mut log, _) = open(&dir);
    append(&mut log, hold("two"));
    assert_eq!(fs::read_to_string(dir.join("audit.torn-000000000002")).unwrap(), "{\"seq\"");
    assert_eq!(fs::read_to_string(&other).unwrap(), "root:secret");
}

#[test]
fn other_settings_count_from_the_next_line_on() {
    let dir = tempfile::tempdir().unwrap();
    let mut log = Log::open(dir.path(), settings::Audit { max_bytes: 1 << 30, ..SETTINGS }).unwrap();
    for _ in 0..40 {
        let seq = append(&mut log, intent());
        append(&mut log, outcome(seq));
    }
    assert_eq!(names(dir.path()), [CURRENT]);
    log.refit(SETTINGS);
    append(&mut log, intent());
    assert_eq!(names(dir.path()), ["audit.000000000001.jsonl", CURRENT]);
}

/// What happened is asked for after a power cut of all times.
#[test]
fn what_can_be_read_is_read_behind_what_cannot() {
    let dir = tempfile::tempdir().unwrap();
    let (mut log, _) = open(dir.path());
    for why in ["one", "two", "three"] {
        append(&mut log, hold(why));
    }
    let text = fs::read_to_string(dir.path().join(CURRENT)).unwrap();
    let meddled = text.replace("two", "tow");
    for (text, seqs, line) in [
        (format!("{text}{{\"seq\":4"), &[1, 2, 3][..], Some(4)),
        (meddled, &[1, 2, 3], Some(3)),
        (text.replacen("{\"seq\":2", "[\"seq\":2", 1), &[1, 3], Some(2)),
        (text, &[1, 2, 3], None),
    ] {
        fs::write(dir.path().join(CURRENT), text).unwrap();
        let mut found = Vec::new();
        let flaw = follow(dir.path(), |entry| found.push(entry.seq)).unwrap();
        let at = flaw.map(|flaw| match flaw {
            AuditError::Flawed { line, .. } => line,
            other => panic!("{other}"),
        });
        assert_eq!((found.as_slice(), at), (seqs, line));
    }
}

#[test]
fn files_of_others_are_not_the_logs() {
    let dir = tempfile::tempdir().unwrap();
    for other in
        ["audit.jsonl.bak", "audit.1.jsonl", "audit.00000000000x.jsonl", "state.json", "audit.torn-000000000001"]
    {
        fs::write(dir.path().join(other), "not ours\n").unwrap();
    }
    assert!(files(dir.path()).unwrap().is_empty());
    assert!(files(&dir.path().join("missing")).unwrap().is_empty());
}

/// Zeros without end cost no memory and no patience, and hide nothing that stood before them.
#[test]
fn a_line_without_an_end_is_not_read_to_its_end() {
    let dir = tempfile::tempdir().unwrap();
    let (mut log, _) = open(dir.path());
    append(&mut log, hold("one"));
    drop(log);
    let path = dir.path().join(CURRENT);
    let whole = fs::metadata(&path).unwrap().len();
    // 4 EiB, of which nothing is on the disk; some file systems hold less.
    let sparse = fs::OpenOptions::new().write(true).open(&path).unwrap();
    let length = [1 << 62, 1 << 43, 1 << 40].into_iter().find(|length| sparse.set_len(*length).is_ok()).unwrap();
    let told = follow(dir.path(), |_| ()).unwrap().unwrap().to_string();
    assert!(told.contains("line 2: this is no audit entry: it is longer than 16777216 bytes"), "{told}");
    let (mut log, entries) = open(dir.path());
    assert_eq!((entries.len(), fs::metadata(&path).unwrap().len()), (1, length));
    assert_eq!(append(&mut log, hold("two")), 3);
    let aside = fs::metadata(dir.path().join("audit.torn-000000000002")).unwrap().len();
    assert_eq!((aside, read_all(dir.path()).unwrap().len()), (LONGEST as u64, 3));
    assert!(fs::metadata(&path).unwrap().len() < 3 * whole + 1000);
}
