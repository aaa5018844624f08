//! The zone file provider on real files: what it keeps, what it refuses, and what other readers of master files see.
#![expect(clippy::unwrap_used, clippy::panic, reason = "a test ends at the first surprise")]

mod attributes;
mod forms;
mod generate;
mod half;
mod one;
#[path = "../common/updater.rs"]
mod updater;

use std::collections::{BTreeMap, BTreeSet};
use std::fs;
use std::os::unix::fs::{MetadataExt, PermissionsExt, chown, symlink};
use std::os::unix::process::CommandExt;
use std::path::{Path, PathBuf};
use std::process::Command;
use std::time::Duration;

use fingerpost::name::DnsName;
use fingerpost::provider::zonefile::ZoneFile;
use fingerpost::provider::{Applied, Change, Fault, FaultKind, Provider};
use fingerpost::record::{RecordType, RrSet};
use generate::{File, NAMES, Narrow, Wants, ZONE};
use proptest::prelude::*;
use proptest::strategy::ValueTree;
use proptest::test_runner::TestRunner;

const MILL: &str = "$TTL 5m\n@ SOA ns1 keeper 7 1h 10m 4w 5m\ngauge A 192.0.2.1\n";
const LONG: Duration = Duration::from_secs(20);

fn name(text: &str) -> DnsName {
    DnsName::parse(text).unwrap()
}

fn run<T>(future: impl Future<Output = T>) -> T {
    tokio::runtime::Builder::new_current_thread().enable_all().build().unwrap().block_on(future)
}

fn provider(file: &Path, reload: &[&str], timeout: Duration) -> ZoneFile {
    ZoneFile::new(name(ZONE), file.to_owned(), reload.iter().map(ToString::to_string).collect(), timeout)
}

/// A directory with `mill.zone` in it.
fn mill() -> (tempfile::TempDir, PathBuf) {
    let directory = tempfile::tempdir().unwrap();
    let file = directory.path().join("mill.zone");
    fs::write(&file, MILL).unwrap();
    (directory, file)
}

/// Reads, and applies `wants` to what was read.
async fn publish(provider: &ZoneFile, wants: &Wants) -> Result<Applied, Fault> {
    let names = wants.keys().map(|(name, _)| name.clone()).collect();
    let observed = provider.read(&names).await?;
    let change = |((name, rtype), after): (&(DnsName, RecordType), &RrSet)| Change {
        name: name.clone(),
        rtype: *rtype,
        before: observed.names.get(name).and_then(|standing| standing.sets.get(rtype)).cloned(),
        after: after.clone(),
    };
    provider.apply(&wants.iter().map(change).collect::<Vec<_>>()).await
}

fn gauge(address: &str) -> Wants {
    let set = RrSet { ttl: 300, addresses: BTreeSet::from([address.parse().unwrap()]) };
    BTreeMap::from([((name("gauge.heronmill.example"), RecordType::A), set)])
}

/// The change of gauge from what `MILL` has.
fn planned() -> [Change; 1] {
    let set = |address| gauge(address).into_values().next();
    [Change {
        name: name("gauge.heronmill.example"),
        rtype: RecordType::A,
        before: set("192.0.2.1"),
        after: set("203.0.113.77").unwrap(),
    }]
}

fn edited() -> String {
    MILL.replace(" 7 ", " 8 ").replace("192.0.2.1", "203.0.113.77")
}

/// Whether nothing but `mill.zone` is in `directory`: no temporary file is left behind.
fn is_tidy(directory: &Path) -> bool {
    fs::read_dir(directory).unwrap().all(|entry| entry.unwrap().file_name() == "mill.zone")
}

#[test]
fn a_change_is_written_and_told() {
    let (directory, file) = mill();
    let provider = provider(&file, &[], LONG);
    assert_eq!(provider.target(), file.display().to_string());
    assert_eq!(provider.means(1), format!("1 change in the file {}", file.display()));
    assert_eq!(provider.means(2), format!("2 changes in the file {}", file.display()));
    assert_eq!(run(publish(&provider, &gauge("203.0.113.77"))).unwrap().detail, "serial 8");
    assert_eq!(fs::read_to_string(&file).unwrap(), edited());
    assert!(is_tidy(directory.path()));
}

#[test]
fn in_step_means_untouched() {
    let (_directory, file) = mill();
    let before = fs::metadata(&file).unwrap();
    run(publish(&provider(&file, &[], LONG), &gauge("192.0.2.1"))).unwrap();
    let after = fs::metadata(&file).unwrap();
    assert_eq!((before.ino(), before.mtime_nsec()), (after.ino(), after.mtime_nsec()));
}

#[test]
fn the_mode_is_kept_and_a_link_leads_to_the_file_still() {
    let (directory, file) = mill();
    fs::set_permissions(&file, fs::Permissions::from_mode(0o4642)).unwrap();
    fs::create_dir(directory.path().join("links")).unwrap();
    let link = directory.path().join("links/link.zone");
    symlink("../mill.zone", &link).unwrap();
    run(publish(&provider(&link, &[], LONG), &gauge("203.0.113.77"))).unwrap();
    assert!(link.is_symlink() && !file.is_symlink());
    assert_eq!(fs::read_to_string(&file).unwrap(), edited());
    assert_eq!(fs::metadata(&file).unwrap().mode() & 0o7777, 0o4642);
}

#[test]
#[ignore = "needs root: tests/all.sh runs it"]
fn the_owner_is_kept() {
    let (_directory, file) = mill();
    chown(&file, Some(65_534), Some(12)).unwrap();
    fs::set_permissions(&file, fs::Permissions::from_mode(0o640)).unwrap();
    run(publish(&provider(&file, &[], LONG), &gauge("203.0.113.77"))).unwrap();
    let meta = fs::metadata(&file).unwrap();
    assert_eq!((meta.uid(), meta.gid(), meta.mode() & 0o7777), (65_534, 12, 0o640));
}

#[test]
fn a_hand_edit_since_the_reading_is_a_conflict() {
    let (_directory, file) = mill();
    let by_hand = MILL.replace("192.0.2.1", "192.0.2.9");
    fs::write(&file, &by_hand).unwrap();
    let fault = run(provider(&file, &[], LONG).apply(&planned())).unwrap_err();
    assert_eq!(fault.kind, FaultKind::Conflict, "{fault}");
    assert_eq!(fs::read_to_string(&file).unwrap(), by_hand);
}

#[test]
fn a_locked_file_is_left_for_later() {
    let (_directory, file) = mill();
    let held = fs::File::open(&file).unwrap();
    held.lock().unwrap();
    let provider = provider(&file, &[], LONG);
    let fault = run(provider.apply(&planned())).unwrap_err();
    assert!(matches!(fault.kind, FaultKind::Passing { .. }), "{fault}");
    assert_eq!(fs::read_to_string(&file).unwrap(), MILL);
    drop(held);
    run(provider.apply(&planned())).unwrap();
}

#[test]
fn what_is_not_there_or_not_a_file_or_no_zone_is_put_off_and_then_it_goes_on() {
    let (directory, file) = mill();
    for (path, want) in
        [(directory.path().join("none.zone"), "correct `file`"), (directory.path().to_owned(), "is not a file")]
    {
        let fault = run(provider(&path, &[], LONG).read(&BTreeSet::new())).unwrap_err();
        assert!(matches!(fault.kind, FaultKind::Passing { .. }), "{fault}");
        assert!(fault.to_string().contains(want) && fault.to_string().contains(&path.display().to_string()), "{fault}");
    }
    fs::write(&file, "gauge A (").unwrap();
    let fault = run(provider(&file, &[], LONG).read(&BTreeSet::new())).unwrap_err();
    assert!(matches!(fault.kind, FaultKind::Passing { .. }), "{fault}");
    assert!(fault.why.starts_with(&format!("{}, line 1: a parenthesis", file.display())), "{fault}");
}

/// Runs the test of this name once more, from a copy in `directory`, as another user, who is told these paths.
fn by_another_user(directory: &Path, test: &str, told: &[(&str, &Path)]) {
    let copy = directory.join("test");
    // Not by this process: what another test starts meanwhile would have it open for writing, and it could not run.
    let exe = std::env::current_exe().unwrap();
    assert!(Command::new("cp").arg(exe).arg(&copy).status().unwrap().success());
    fs::set_permissions(directory, fs::Permissions::from_mode(0o755)).unwrap();
    let output = Command::new(&copy)
        .args(["--include-ignored", "--exact", test])
        .env("TMPDIR", "/tmp")
        .envs(told.iter().copied())
        .uid(65_534)
        .gid(65_534)
        .output()
        .unwrap();
    let said = String::from_utf8_lossy(&output.stdout);
    assert!(output.status.success() && said.contains("1 passed"), "{said}");
}

/// Root may write anywhere, so as root the test runs itself once more, from a copy, as another user.
#[test]
fn a_directory_that_cannot_be_written_is_refused() {
    let (directory, file) = mill();
    let open = |mode| fs::set_permissions(directory.path(), fs::Permissions::from_mode(mode)).unwrap();
    if fs::metadata(&file).unwrap().uid() == 0 {
        by_another_user(directory.path(), "a_directory_that_cannot_be_written_is_refused", &[]);
        return;
    }
    open(0o555);
    let fault = run(provider(&file, &[], LONG).apply(&planned())).unwrap_err();
    open(0o755);
    assert_eq!(fault.kind, FaultKind::Refused);
    assert!(fault.remedy.contains(&format!("write in {}", directory.path().display())), "{fault}");
    fs::set_permissions(&file, fs::Permissions::from_mode(0o000)).unwrap();
    let fault = run(provider(&file, &[], LONG).read(&BTreeSet::new())).unwrap_err();
    assert!(matches!(fault.kind, FaultKind::Passing { .. }), "{fault}");
    assert!(fault.remedy.contains("read it"), "{fault}");
}

#[test]
fn a_reload_that_fails_is_owed() {
    let (directory, file) = mill();
    let (done, out) = (directory.path().join("done"), directory.path().join("ready"));
    let script = format!(
        "test -e {ready} || {{ echo the server is away >&2; exit 3; }}; echo once >> {done}",
        ready = out.display(),
        done = done.display()
    );
    let provider = provider(&file, &["sh", "-c", &script], LONG);
    let names = BTreeSet::from([name("gauge.heronmill.example")]);
    run(async {
        provider.read(&names).await.unwrap();
        let fault = publish(&provider, &gauge("203.0.113.77")).await.unwrap_err();
        assert_eq!(fault.kind, FaultKind::InDoubt);
        assert!(
            fault.to_string().contains("serial 8") && fault.to_string().contains("exit status: 3): the server is away"),
            "{fault}"
        );
        assert_eq!(fs::read_to_string(&file).unwrap(), edited());
        let fault = provider.read(&names).await.unwrap_err();
        assert!(matches!(fault.kind, FaultKind::Passing { .. }), "{fault}");
        fs::write(&out, "").unwrap();
        provider.read(&names).await.unwrap();
        provider.read(&names).await.unwrap();
        assert_eq!(fs::read_to_string(&done).unwrap(), "once\n", "paid once");
        provider.resume();
        provider.read(&names).await.unwrap();
        assert_eq!(fs::read_to_string(&done).unwrap(), "once\nonce\n", "owed by an earlier process");
    });
}

#[test]
fn a_write_that_is_refused_owes_no_reload() {
    let (directory, file) = mill();
    fs::write(&file, MILL.replace("192.0.2.1", "192.0.2.9")).unwrap();
    let done = directory.path().join("done");
    let provider = provider(&file, &["touch", &done.display().to_string()], LONG);
    run(async {
        provider.apply(&planned()).await.unwrap_err();
        provider.read(&BTreeSet::new()).await.unwrap();
    });
    assert!(!done.exists());
}

#[test]
fn a_reload_is_bounded_in_time_and_words() {
    let (_directory, file) = mill();
    let provider_of = |reload: &[&str], timeout| {
        let provider = provider(&file, reload, timeout);
        provider.resume();
        run(provider.read(&BTreeSet::new())).map_err(|fault| fault.to_string())
    };
    let late = provider_of(&["sleep", "1000"], Duration::from_millis(50)).unwrap_err();
    assert!(late.contains("sleep did not end within 50ms"), "{late}");
    let absent = provider_of(&["/nonexistent/reload"], LONG).unwrap_err();
    assert!(absent.contains("/nonexistent/reload cannot be run: No such file"), "{absent}");
    // More than a pipe holds, so that a command nobody listens to would never end.
    let wordy = provider_of(&["sh", "-c", "head -c 1000000 /dev/zero | tr '\\0' w >&2; exit 1"], LONG).unwrap_err();
    assert_eq!(wordy.matches("www").count(), 512 / 3, "{wordy}");
    let daemon = provider_of(&["sh", "-c", "sleep 30 & echo $! >&2; exit 1"], LONG).unwrap_err();
    let left: i32 = daemon
        .split(": ")
        .last()
        .and_then(|pid| pid.split(';').next()?.parse().ok())
        .unwrap_or_else(|| panic!("{daemon}"));
    assert!(Command::new("kill").arg(left.to_string()).status().unwrap().success(), "it was not waited for");
    // PATH and HOME only (a secret may be in the rest): sh itself adds PWD, and some shells SHLVL and _.
    let script = "env | cut -d= -f1 | grep -vxE 'PATH|HOME|PWD|OLDPWD|SHLVL|_' >&2; test $? = 1";
    provider_of(&["sh", "-c", script], LONG).unwrap();
}

#[test]
fn a_reload_cut_short_is_owed() {
    let (directory, file) = mill();
    let done = directory.path().join("done");
    let script = format!("echo $$ > {0}.new; mv {0}.new {0}; exec sleep 1000", done.display());
    let provider = provider(&file, &["sh", "-c", &script], LONG);
    run(async {
        let (changes, names) = (planned(), BTreeSet::new());
        let mut write = provider.apply(&changes);
        let started = || async {
            while !done.exists() {
                tokio::time::sleep(Duration::from_millis(2)).await;
            }
        };
        tokio::select! {
            _ = &mut write => panic!("the command sleeps"),
            () = started() => {}
        }
        drop(write);
        let stat = format!("/proc/{}/stat", fs::read_to_string(&done).unwrap().trim());
        let ends = tokio::time::timeout(LONG, async {
            while fs::read_to_string(&stat).is_ok_and(|stat| !stat.contains(") Z ")) {
                tokio::time::sleep(Duration::from_millis(2)).await;
            }
        });
        ends.await.unwrap();
        fs::remove_file(&done).unwrap();
        let mut read = provider.read(&names);
        tokio::select! {
            _ = &mut read => panic!("the command sleeps"),
            () = started() => {}
        }
    });
}

/// Writes `file`, makes it so, holds all other bytes against the original, and returns the new text; `wants` is left with what
/// was not so before. `None` where it was refused, which is right only without a default TTL.
fn play(directory: &Path, id: usize, file: &File, wants: &mut Wants) -> Option<String> {
    let path = directory.join(format!("{id}.zone"));
    fs::write(&path, file.text()).unwrap();
    let provider = provider(&path, &[], LONG);
    let names: BTreeSet<_> = NAMES.iter().map(|text| name(text)).collect();
    run(async {
        let before = provider.read(&names).await.unwrap();
        if let Err(fault) = publish(&provider, wants).await {
            assert!(!file.has_default && fault.to_string().contains("states no TTL"), "{fault}\n{}", file.text());
            assert_eq!(fs::read_to_string(&path).unwrap(), file.text());
            return None;
        }
        let text = fs::read_to_string(&path).unwrap();
        let after = provider.read(&names).await.unwrap();
        wants.retain(|(name, rtype), set| before.names[name].sets.get(rtype) != Some(set));
        let mut want = before.clone();
        for ((name, rtype), set) in &*wants {
            want.names.get_mut(name).unwrap().sets.insert(*rtype, set.clone());
        }
        assert_eq!(after.names, want.names, "{text}");
        if before.names == want.names {
            assert_eq!(text, file.text());
        } else {
            assert_ne!(after.serial, before.serial);
            file.keeps_all_else(&text, wants);
        }
        Some(text)
    })
}

proptest! {
    #![proptest_config(ProptestConfig { failure_persistence: None, ..ProptestConfig::default() })]
    #[test]
    fn all_else_stays_byte_for_byte(file in generate::file(Narrow::default()), mut wants in generate::wants()) {
        let directory = tempfile::tempdir().unwrap();
        play(directory.path(), 0, &file, &mut wants);
    }
}

/// Files before and after their edits, in `DIRECTORY/before` and `DIRECTORY/after`, and what was wanted of each.
fn many(directory: &Path, narrow: Narrow) -> BTreeMap<String, Wants> {
    let mut runner = TestRunner::deterministic();
    let mut made = BTreeMap::new();
    for side in ["before", "after"] {
        fs::create_dir(directory.join(side)).unwrap();
    }
    let is_long = std::env::var_os("TESTS_LONG").is_some_and(|long| long == "1");
    let count = if is_long { 4000 } else { 400 };
    for id in 0..count {
        let file = generate::file(narrow).new_tree(&mut runner).unwrap().current();
        let mut wants = generate::wants().new_tree(&mut runner).unwrap().current();
        if play(&directory.join("after"), id, &file, &mut wants).is_some() {
            fs::write(directory.join(format!("before/{id}.zone")), file.text()).unwrap();
            made.insert(format!("{id}.zone"), wants);
        }
    }
    assert!(made.len() >= count * if narrow.default { 4 } else { 2 } / 4, "{} of {count} were edited", made.len());
    made
}

/// A record as another reader of master files has it: owner with the final dot, TTL, type, data.
type Seen = (String, u32, String, String);

/// Holds what another reader sees after an edit against what it saw before, and against what was wanted.
fn agrees(file: &str, wants: &Wants, before: &[Seen], after: &[Seen]) {
    let key = |seen: &Seen| {
        let rtype = match seen.2.as_str() {
            "A" => RecordType::A,
            "AAAA" => RecordType::Aaaa,
            _ => return None,
        };
        Some((name(&seen.0), rtype)).filter(|key| wants.contains_key(key))
    };
    let others = |seen: &[Seen]| -> Vec<Seen> {
        let mut others: Vec<_> = seen.iter().filter(|seen| key(seen).is_none()).cloned().collect();
        for soa in others.iter_mut().filter(|seen| seen.2 == "SOA") {
            soa.3 = soa.3.split(' ').enumerate().filter(|(at, _)| *at != 2).map(|(_, word)| word).collect();
        }
        // RFC 4343, section 3: the case of a name is no part of its meaning.
        others.iter_mut().for_each(|seen| seen.0.make_ascii_lowercase());
        others.sort();
        others
    };
    assert_eq!(others(before), others(after), "{file}");
    let mut sets: Wants = BTreeMap::new();
    for seen in after {
        let Some(key) = key(seen) else { continue };
        let set = sets.entry(key).or_insert_with(|| RrSet { ttl: seen.1, addresses: BTreeSet::new() });
        assert_eq!(set.ttl, seen.1, "{file}");
        set.addresses.insert(seen.3.parse().unwrap());
    }
    assert_eq!(&sets, wants, "{file}");
}

#[test]
#[ignore = "needs python3 with dnspython: tests/all.sh runs it"]
fn dnspython_reads_the_edited_files_alike() {
    let directory = tempfile::tempdir().unwrap();
    // With a default TTL only: without one dnspython takes the SOA minimum where RFC 1035, 5.1 has the last stated TTL.
    // And plain, since dnspython 2.3 is as narrow as that. BIND, below, is given all there is.
    let made = many(directory.path(), Narrow { default: true, plain: true });
    let script = "
import json, os, sys, dns.zone, dns.rdatatype
seen = {}
for side in ('before', 'after'):
    seen[side] = {}
    for file in os.listdir(os.path.join(sys.argv[1], side)):
        text = open(os.path.join(sys.argv[1], side, file), encoding='utf-8').read()
        zone = dns.zone.from_text(text, origin='heronmill.example.', relativize=False)
        seen[side][file] = [(str(name), ttl, dns.rdatatype.to_text(data.rdtype), data.to_text())
                            for name, ttl, data in zone.iterate_rdatas()]
print(json.dumps(seen))
";
    let output = Command::new(std::env::var("TESTS_PYTHON").unwrap_or_else(|_| "python3".to_owned()))
        .args(["-c", script])
        .arg(directory.path())
        .output()
        .unwrap();
    assert!(output.status.success(), "python3 with dnspython is needed: {}", String::from_utf8_lossy(&output.stderr));
    let seen: BTreeMap<String, BTreeMap<String, Vec<Seen>>> = serde_json::from_slice(&output.stdout).unwrap();
    for (file, wants) in &made {
        agrees(file, wants, &seen["before"][file], &seen["after"][file]);
    }
}

#[test]
#[ignore = "needs named-compilezone: tests/all.sh runs it"]
fn bind_loads_the_edited_files_alike() {
    let load = |path: PathBuf| -> Vec<Seen> {
        let output =
            Command::new("named-compilezone").args(["-i", "none", "-o", "-", ZONE]).arg(&path).output().unwrap();
        let said = String::from_utf8_lossy(&output.stderr);
        assert!(output.status.success(), "{}: {said}", fs::read_to_string(&path).unwrap());
        let text = String::from_utf8(output.stdout).unwrap();
        let record = |line: &str| {
            let words: Vec<_> = line.split_whitespace().collect();
            (words[0].to_owned(), words[1].parse().unwrap(), words[3].to_owned(), words[4..].join(" "))
        };
        text.lines().map(record).collect()
    };
    for default in [true, false] {
        let directory = tempfile::tempdir().unwrap();
        for (file, wants) in &many(directory.path(), Narrow { default, plain: false }) {
            let side = |side: &str| load(directory.path().join(side).join(file));
            agrees(file, wants, &side("before"), &side("after"));
        }
    }
}
