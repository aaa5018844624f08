//! The audit log as a person asks for it, by the program itself and without a configuration.

#![expect(clippy::unwrap_used, reason = "a test that cannot go on has failed")]

use std::fs;
use std::path::Path;
use std::process::{Command, Stdio};
use std::time::Duration;

use fingerpost::about::Ranges;
use fingerpost::audit::file::{CURRENT, Log};
use fingerpost::audit::{EVENTS, Ending, Event};
use fingerpost::clock::Timestamp;
use fingerpost::provider::Tally;
use fingerpost::settings::{Audit, Limits};
use fingerpost::update::{Bookkeeping, Books};

/// Exit status, standard output, standard error.
fn audit(dir: &Path, arguments: &[&str]) -> (Option<i32>, String, String) {
    let mut command = Command::new(env!("CARGO_BIN_EXE_fingerpost"));
    let done = command.arg("audit").args(arguments).arg("--state-dir").arg(dir).output().unwrap();
    let text = |bytes| String::from_utf8(bytes).unwrap();
    (done.status.code(), text(done.stdout), text(done.stderr))
}

fn log(dir: &Path) {
    let mut log =
        Log::open(dir, Audit { max_bytes: 1 << 20, keep: 9, unknown_after: std::time::Duration::from_secs(3600) })
            .unwrap();
    let provider = || "home".to_owned();
    for event in [
        Event::Hold { provider: provider(), why: "a wrong key".to_owned() },
        Event::Release { provider: provider(), why: "a manual sync".to_owned() },
        Event::Outcome { intent: 7, provider: provider(), result: Ending::Done, detail: String::new() },
    ] {
        log.append(Timestamp::parse("2026-11-24T08:14:31Z").unwrap(), event).unwrap();
    }
}

#[test]
fn a_chain_of_one_is_told_as_one() {
    let dir = tempfile::tempdir().unwrap();
    log(dir.path());
    let file = dir.path().join(CURRENT);
    let first = format!("{}\n", fs::read_to_string(&file).unwrap().lines().next().unwrap());
    fs::write(&file, first).unwrap();
    let told = (Some(0), "The chain holds: 1 entry in 1 file.\n".to_owned(), String::new());
    assert_eq!(audit(dir.path(), &["verify"]), told);
}

/// After a power cut the last line stays torn until the next is written, which in step may be weeks.
#[test]
fn what_can_be_read_is_shown_and_what_cannot_is_told() {
    let dir = tempfile::tempdir().unwrap();
    log(dir.path());
    let (status, whole, told) = audit(dir.path(), &["show"]);
    assert_eq!((status, whole.lines().count(), told.as_str()), (Some(0), 3, ""));
    let file = dir.path().join(CURRENT);
    fs::write(&file, fs::read_to_string(&file).unwrap() + "{\"seq\":4,").unwrap();
    let (status, shown, told) = audit(dir.path(), &["show"]);
    assert_eq!((status, shown), (Some(65), whole));
    assert_eq!(told, format!("fingerpost: {}: line 4: the line is torn: it has no end\n", file.display()));
    let (status, shown, _) = audit(dir.path(), &["show", "--json", "--event", "hold"]);
    let shown: serde_json::Value = serde_json::from_str(&shown).unwrap();
    assert_eq!((status, &shown[0]["why"], shown.as_array().unwrap().len()), (Some(65), &"a wrong key".into(), 1));
}

#[test]
fn an_event_that_there_is_not_is_a_slip_and_the_others_are_named() {
    let dir = tempfile::tempdir().unwrap();
    log(dir.path());
    for event in EVENTS {
        assert_eq!(audit(dir.path(), &["show", "--event", event]).0, Some(0), "{event}");
    }
    let (status, shown, told) = audit(dir.path(), &["show", "--event", "holt"]);
    assert_eq!((status, shown.as_str()), (Some(64), ""));
    assert!(EVENTS.iter().all(|event| told.contains(event)), "{told}");
}

/// The log for people may lead to a file on a full disk, or to a reader that is gone.
#[test]
fn a_warning_that_cannot_be_written_ends_nothing() {
    let dir = tempfile::tempdir().unwrap();
    fs::write(dir.path().join(CURRENT), "{\"seq\":1,").unwrap();
    let config = dir.path().join("fingerpost.toml");
    let witness =
        "[[witness]]\nname = \"north\"\noperator = \"north\"\nkind = \"http\"\nurl = \"http://127.0.0.1:1/\"\n";
    fs::write(&config, witness).unwrap();
    let preview = |stderr: Stdio| {
        let mut command = Command::new(env!("CARGO_BIN_EXE_fingerpost"));
        command.arg("preview").arg("--config").arg(&config).arg("--state-dir").arg(dir.path());
        command.stderr(stderr).output().unwrap()
    };
    let told = preview(Stdio::piped());
    assert!(String::from_utf8(told.stderr).unwrap().contains("is torn"));
    let full = fs::File::options().write(true).open("/dev/full").unwrap();
    let untold = preview(full.into());
    assert_eq!((untold.status.code(), untold.stdout), (told.status.code(), told.stdout));
}

/// Where the log of `dir` does not hold: as people are told, and as programs are.
#[track_caller]
fn unsound(dir: &Path, file: &Path, line: Option<u64>, why: &str) {
    let (status, shown, told) = audit(dir, &["verify"]);
    assert_eq!((status, shown.as_str()), (Some(65), ""));
    assert!(told.contains(&file.display().to_string()) && told.contains(why), "{told}");
    let (status, shown, again) = audit(dir, &["verify", "--json"]);
    assert_eq!((status, again), (Some(65), told));
    let shown: serde_json::Value = serde_json::from_str(&shown).unwrap();
    assert_eq!(
        (&shown["ok"], &shown["file"], &shown["line"]),
        (&false.into(), &file.display().to_string().into(), &line.into())
    );
    assert!(shown["why"].as_str().unwrap().contains(why), "{shown}");
}

/// What is no longer there leaves no trace in the chain itself: the state file has one.
#[test]
fn a_log_that_was_shortened_or_taken_away_does_not_hold() {
    let dir = tempfile::tempdir().unwrap();
    log(dir.path());
    let sound = || assert_eq!(audit(dir.path(), &["verify"]).0, Some(0));
    let limits = Limits { spacing: Duration::from_secs(60), burst: 1, daily: 100 };
    let audit_settings = Audit { max_bytes: 1 << 20, keep: 9, unknown_after: Duration::from_secs(3600) };
    let kept = Bookkeeping { dir: dir.path(), limits: &limits, audit: audit_settings, tally: &|_| Tally::Each };
    let mut books = Books::at(&kept).unwrap();
    books.state.refused.insert(Ranges { edge: "weir".to_owned() });
    books.save().unwrap();
    let kept = dir.path().join("state.json");
    let saved = fs::metadata(&kept).unwrap().modified().unwrap();
    let more = Event::Hold { provider: "home".to_owned(), why: "later".to_owned() };
    books.log.append(Timestamp::parse("2026-11-24T08:14:32Z").unwrap(), more).unwrap();
    books.save().unwrap();
    assert_eq!(fs::metadata(&kept).unwrap().modified().unwrap(), saved, "a longer log is no reason to write");
    drop(books);
    sound();
    let file = dir.path().join(CURRENT);
    let whole = fs::read_to_string(&file).unwrap();
    let first = |count: usize| whole.split_inclusive('\n').take(count).collect::<String>();
    fs::write(&file, first(3)).unwrap();
    sound();
    fs::write(&file, first(2)).unwrap();
    unsound(
        dir.path(),
        &file,
        None,
        "the log ends with entry 2, and the state file knows of entry 3: the end was cut off",
    );
    // A chain that holds in itself.
    let other = tempfile::tempdir().unwrap();
    {
        let mut log = Log::open(
            other.path(),
            Audit { max_bytes: 1 << 20, keep: 9, unknown_after: std::time::Duration::from_secs(3600) },
        )
        .unwrap();
        for why in ["1", "2", "3", "4"] {
            let event = Event::Hold { provider: "home".to_owned(), why: why.to_owned() };
            log.append(Timestamp::parse("2026-11-24T08:14:31Z").unwrap(), event).unwrap();
        }
    }
    fs::copy(other.path().join(CURRENT), &file).unwrap();
    unsound(dir.path(), &file, None, "entry 3 is not the one that the state file knows");
    fs::remove_file(&file).unwrap();
    unsound(dir.path(), &file, None, "there is no log");
    // A state of a version that did not keep where the log ended.
    let mut old: serde_json::Value = serde_json::from_str(&fs::read_to_string(&kept).unwrap()).unwrap();
    old.as_object_mut().unwrap().remove("log").unwrap();
    fs::write(&kept, old.to_string()).unwrap();
    unsound(dir.path(), &file, None, "there is no log");
    fs::write(&file, first(2).replace("wrong", "right")).unwrap();
    unsound(dir.path(), &file, Some(2), "prev is not the SHA-256 of the line before");
}

#[test]
fn a_state_directory_that_is_not_there_is_no_sound_log() {
    let dir = tempfile::tempdir().unwrap();
    unsound(&dir.path().join("none"), &dir.path().join("none"), None, "No such file or directory");
    let told = audit(&dir.path().join("none"), &["verify"]).2;
    assert!(told.contains("name the state directory, in which the log is, by --state-dir"), "{told}");
}

#[test]
fn where_no_log_is_or_can_be_read_that_is_said() {
    let dir = tempfile::tempdir().unwrap();
    for command in ["show", "verify"] {
        let (status, shown, _) = audit(dir.path(), &[command]);
        assert_eq!(
            (status, shown),
            (
                Some(0),
                format!(
                    "There is no audit log in {} yet; the daemon writes it, and `fingerpost sync`.\n",
                    dir.path().display()
                )
            )
        );
    }
    assert_eq!(audit(dir.path(), &["show", "--json"]).1.trim_end(), "[]");
    // A log that has nothing to draw is a log all the same.
    let other = tempfile::tempdir().unwrap();
    log(other.path());
    let drawn = audit(other.path(), &["show", "--plot"]);
    assert_eq!((drawn.0, drawn.1.as_str()), (Some(0), "The log that is kept tells of no settled address.\n"));
    // Nobody can read a directory as a file, root included.
    fs::create_dir(dir.path().join(CURRENT)).unwrap();
    let (status, _, told) = audit(dir.path(), &["show"]);
    assert_eq!(status, Some(65));
    let file = dir.path().join(CURRENT);
    let want = format!(
        "fingerpost: cannot read {}; name the state directory, in which the log is, by --state-dir",
        file.display()
    );
    assert!(told.starts_with(&want), "{told}");
}
