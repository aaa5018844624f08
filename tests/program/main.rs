//! The program provider with real programs: what they are handed, what is taken from them, and how they are ended.

#![expect(clippy::unwrap_used, clippy::panic, reason = "a test fails by panicking")]

mod late;
mod schema;
mod unsent;
#[path = "../common/updater.rs"]
mod updater;

use std::collections::{BTreeMap, BTreeSet};
use std::fs;
use std::io::Read as _;
use std::os::unix::fs::{OpenOptionsExt as _, PermissionsExt as _};
use std::path::{Path, PathBuf};
use std::time::Duration;

use fingerpost::name::DnsName;
use fingerpost::provider::program::Program;
use fingerpost::provider::{Change, Fault, FaultKind, Provider};
use fingerpost::record::{RecordType, RrSet};
use fingerpost::secret::Secret;
use tempfile::TempDir;

const LONG: Duration = Duration::from_secs(20);
const PASSING: FaultKind = FaultKind::Passing { retry_after: None };
const SECRET: &str = "the \"mill\" token";

fn dns(text: &str) -> DnsName {
    DnsName::parse(text).unwrap()
}

fn run<T>(future: impl Future<Output = T>) -> T {
    tokio::runtime::Builder::new_current_thread().enable_all().build().unwrap().block_on(future)
}

fn names() -> BTreeSet<DnsName> {
    BTreeSet::from([dns("gauge.heronmill.example")])
}

fn changes() -> [Change; 1] {
    let set = |address: &str| RrSet { ttl: 120, addresses: BTreeSet::from([address.parse().unwrap()]) };
    let (before, after) = (Some(set("203.0.113.9")), set("203.0.113.77"));
    [Change { name: dns("gauge.heronmill.example"), rtype: RecordType::A, before, after }]
}

/// What a program answers when all is well.
const READ: &str = r#"{"version":1,"names":{"gauge.heronmill.example":{"sets":{}}}}"#;
const DONE: &str = r#"{"version":1,"done":true}"#;

/// A provider by `sh -c SCRIPT`, in which `$DIR` is a directory of its own.
struct Mill {
    directory: TempDir,
}

impl Mill {
    fn new() -> Self {
        Self { directory: tempfile::tempdir().unwrap() }
    }

    fn path(&self, name: &str) -> PathBuf {
        self.directory.path().join(name)
    }

    fn text(&self, name: &str) -> String {
        fs::read_to_string(self.path(name)).unwrap_or_default()
    }

    fn provider(&self, script: &str, timeout: Duration) -> Program {
        let variables = BTreeMap::from([("DIR".into(), self.directory.path().display().to_string())]);
        let arguments = vec!["-c".into(), script.into()];
        let secret = Some(Secret::new(SECRET.into()));
        Program::new(dns("heronmill.example"), "/bin/sh".into(), arguments, variables, secret, timeout)
    }

    /// The faults of a read and a write by `script`.
    fn faults(&self, script: &str, timeout: Duration) -> [Fault; 2] {
        let provider = self.provider(script, timeout);
        let faults =
            run(async { [provider.read(&names()).await.unwrap_err(), provider.apply(&changes()).await.unwrap_err()] });
        for fault in &faults {
            let text = fault.to_string();
            assert!(text.contains("/bin/sh") && !text.contains("token"), "{text}");
        }
        faults
    }
}

/// Both faults of a run that cannot be understood: nothing was read, and who knows what was written.
#[track_caller]
fn unknown([read, write]: [Fault; 2], words: &str) {
    assert_eq!((read.kind, write.kind), (PASSING, FaultKind::InDoubt), "{read}\n{write}");
    assert!(read.why.contains(words) && write.why.contains(words), "no {words:?} in: {read}\n{write}");
}

#[test]
fn it_is_handed_the_request_and_nothing_else() {
    let mill = Mill::new();
    // What a secret would be found in by others: POSIX shows the command line (ps), Linux the environment (proc(5)).
    let script = format!(
        "cat > $DIR/request; env > $DIR/env; tr '\\0' ' ' < /proc/$$/cmdline > $DIR/args; pwd > $DIR/pwd; echo '{READ}'"
    );
    let provider = mill.provider(&script, LONG);
    let seen = run(provider.read(&names())).unwrap();
    assert_eq!(seen.names.keys().collect::<Vec<_>>(), names().iter().collect::<Vec<_>>());
    let request: serde_json::Value = serde_json::from_str(&mill.text("request")).unwrap();
    assert_eq!((&request["action"], &request["secret"]), (&"read".into(), &SECRET.into()));
    assert_eq!(mill.text("request").lines().count(), 1);
    assert_eq!(mill.text("pwd"), "/\n");
    // sh itself adds PWD, and some shells SHLVL, OLDPWD and _.
    let env = mill.text("env");
    let variables =
        env.lines().filter(|line| !["PWD=", "OLDPWD=", "SHLVL=", "_="].iter().any(|own| line.starts_with(own)));
    let variables: BTreeMap<_, _> = variables.map(|line| line.split_once('=').unwrap()).collect();
    assert_eq!(variables.keys().copied().collect::<Vec<_>>(), ["DIR", "LANG", "PATH"], "{env}");
    assert_eq!((variables["LANG"], variables["PATH"]), ("C", std::env::var("PATH").unwrap().as_str()));
    assert!(mill.text("args").starts_with("/bin/sh -c cat"), "{}", mill.text("args"));
    for open in ["env", "args"] {
        assert!(!mill.text(open).contains("token"), "{open}");
    }
}

#[test]
fn a_variable_of_the_owner_s_comes_before_ours() {
    let mill = Mill::new();
    let variables = [("DIR", mill.directory.path().to_str().unwrap()), ("PATH", "/usr/bin:/bin"), ("LANG", "de")];
    let variables = variables.map(|(name, value)| (name.to_owned(), value.to_owned())).into();
    let script = format!("echo $LANG $PATH > $DIR/seen; echo '{READ}'");
    let zone = dns("heronmill.example");
    let provider = Program::new(zone, "/bin/sh".into(), vec!["-c".into(), script], variables, None, LONG);
    run(provider.read(&names())).unwrap();
    assert_eq!(mill.text("seen"), "de /usr/bin:/bin\n");
}

#[test]
fn words_of_the_command_are_not_a_shell_s() {
    let zone = dns("heronmill.example");
    let arguments = vec!["%s".into(), "$HOME `id` *; \"".into()];
    let provider = Program::new(zone, "/usr/bin/printf".into(), arguments, BTreeMap::new(), None, LONG);
    let fault = run(provider.read(&names())).unwrap_err();
    assert!(fault.why.contains("cannot be used"), "{fault}");
    // Told with what stood there: the first byte is no JSON.
    assert!(fault.why.contains("line 1 column 1"), "{fault}");
}

#[test]
fn a_write_is_done_when_it_says_so() {
    let mill = Mill::new();
    let answer = r#"{"version":1,"done":true,"detail":"serial\n 8, by the \"mill\" token"}"#;
    // The detail goes into the audit log: on one line, and without the secret.
    let script = format!("cat > $DIR/request; cat <<'EOF'\n{}\nEOF", answer.replace("\n ", "\\n "));
    let applied = run(mill.provider(&script, LONG).apply(&changes())).unwrap();
    assert_eq!(applied.detail, "serial 8, by (secret)");
    let request: serde_json::Value = serde_json::from_str(&mill.text("request")).unwrap();
    assert_eq!(request["changes"], serde_json::to_value(changes()).unwrap());
    // Nothing to change: it is not run at all.
    fs::remove_file(mill.path("request")).unwrap();
    run(mill.provider(&script, LONG).apply(&[])).unwrap();
    assert!(!mill.path("request").exists());
}

#[test]
fn a_request_that_is_not_read_is_no_fault() {
    let mill = Mill::new();
    let many: BTreeSet<_> = (0..4000).map(|nth| dns(&format!("n{nth}.heronmill.example"))).collect();
    let fault = run(mill.provider(&format!("exec 0<&-; echo '{READ}'"), LONG).read(&many)).unwrap_err();
    assert!(fault.why.contains("no entry for n0.heronmill.example"), "{fault}");
    run(mill.provider(&format!("exec 0<&-; echo '{DONE}'"), LONG).apply(&changes())).unwrap();
}

#[test]
fn what_cannot_be_understood_is_told() {
    let mill = Mill::new();
    unknown(mill.faults("cat > /dev/null", LONG), "answered nothing");
    unknown(mill.faults("echo hello", LONG), "cannot be used: expected value at line 1 column 1");
    unknown(mill.faults(&format!("echo '{DONE}'; echo '{READ}'"), LONG), "trailing characters");
    // Whatever it answered before it failed.
    let failing = format!("cat > /dev/null; echo '{DONE}'; echo one >&2; echo the host is closed >&2; exit 3");
    unknown(mill.faults(&failing, LONG), "failed (exit status: 3): one the host is closed");
    unknown(mill.faults("kill -9 $$", LONG), "failed (signal: 9 (SIGKILL))");
    // A program that shows what it was told, as `set -x` does.
    unknown(mill.faults("cat >&2; exit 1", LONG), "\"secret\":\"(secret)\"");
    unknown(mill.faults("echo 'the \"mill\" token' >&2; exit 1", LONG), ": (secret)");
    unknown(
        mill.faults(r#"cat > /dev/null; printf '%s' '"the \"mill\" token"'"#, LONG),
        "cannot be used: invalid type: string \"(secret)\"",
    );
}

#[test]
fn words_and_answers_are_bounded() {
    let mill = Mill::new();
    let [read, _] =
        mill.faults("cat > /dev/null; head -c 1000000 /dev/zero | tr '\\0' w >&2; echo ' last' >&2; exit 1", LONG);
    assert!(read.why.contains("www last") && read.why.len() < 700, "{}", read.why.len());
    // Endless, and the time limit is far.
    unknown(mill.faults("cat > /dev/null; exec yes", LONG * 100), "answered more than 1049600 bytes");
    let detail = r#"printf '{"version":1,"done":true,"detail":"'; head -c 100000 /dev/zero | tr '\0' w; echo '"}'"#;
    let applied = run(mill.provider(detail, LONG).apply(&changes())).unwrap();
    assert_eq!(applied.detail.chars().count(), 500);
}

/// An answer of ten thousand names is more than a mebibyte, and as it should be.
#[test]
fn room_for_an_answer_grows_with_the_names() {
    let mill = Mill::new();
    let many: BTreeSet<_> = (0..10_000).map(|nth| dns(&format!("n{nth}.heronmill.example"))).collect();
    let entry = |name| {
        format!(
            r#""{name}":{{"sets":{{"AAAA":{{"ttl":120,"addresses":["2001:db8::1","2001:db8::2","2001:db8::3"]}}}}}}"#
        )
    };
    let entries: Vec<_> = many.iter().map(entry).collect();
    let answer = format!(r#"{{"version":1,"names":{{{}}}}}"#, entries.join(","));
    assert!(answer.len() > 1 << 20);
    fs::write(mill.path("answer"), answer).unwrap();
    let seen = run(mill.provider("cat > /dev/null; cat $DIR/answer", LONG).read(&many)).unwrap();
    assert_eq!(seen.names.len(), 10_000);
}

/// Whether the process whose number stands in `file` runs still; one that ended and was not waited for does not.
fn runs(file: &Path) -> bool {
    let number = fs::read_to_string(file).unwrap();
    fs::read_to_string(format!("/proc/{}/stat", number.trim())).is_ok_and(|stat| !stat.contains(") Z "))
}

async fn until(what: &str, mut seen: impl FnMut() -> bool) {
    let waiting = async {
        while !seen() {
            tokio::time::sleep(Duration::from_millis(2)).await;
        }
    };
    tokio::time::timeout(LONG, waiting).await.unwrap_or_else(|_| panic!("waited in vain for {what}"));
}

/// Starts a child, writes both numbers down, and goes on for ever.
const FOR_EVER: &str =
    "sleep 1000 & echo $! > $DIR/child; echo $$ > $DIR/self; echo waiting for the host >&2; mv $DIR/self $DIR/up; wait";

#[test]
fn a_late_program_is_ended_with_all_that_it_started() {
    let mill = Mill::new();
    // The shell is up before the time is out, or the numbers are not there: then the test would fail and not pass.
    let faults = mill.faults(FOR_EVER, Duration::from_secs(2));
    unknown(faults, "/bin/sh did not end within 2s, and was ended: waiting for the host");
    run(until("the end of the child", || !runs(&mill.path("child")) && !runs(&mill.path("up"))));
}

#[test]
fn a_run_that_is_given_up_is_ended_too() {
    let mill = Mill::new();
    let provider = mill.provider(FOR_EVER, LONG * 100);
    run(async {
        let changes = changes();
        let mut write = provider.apply(&changes);
        tokio::select! {
            _ = &mut write => panic!("the program waits for ever"),
            () = until("the program", || mill.path("up").exists()) => {}
        }
        assert!(runs(&mill.path("child")));
        drop(write);
        until("the end of both", || !runs(&mill.path("child")) && !runs(&mill.path("up"))).await;
    });
}

/// In a session of its own with an environment of its own; its parent ends at once; and one that is never the same for long.
const AWAY: &str = "exec 9>$DIR/held; \
    setsid sh -c 'echo session >&9; exec sleep 90' & \
    (setsid env -i sh -c 'trap \"\" HUP TERM; echo orphan >&9; sleep 90 & wait' &); \
    printf 'sleep 0.01; setsid sh %s & exit' $DIR/hop > $DIR/hop; (sh $DIR/hop &); \
    echo up >&9; cat > /dev/null; wait; sleep 90";

/// A pipe of which the programs hold the other end: what comes out of it, and whether any of them is left.
struct Held(fs::File);

impl Held {
    fn new(mill: &Mill) -> Self {
        let mode = rustix::fs::Mode::RUSR | rustix::fs::Mode::WUSR;
        rustix::fs::mknodat(rustix::fs::CWD, mill.path("held"), rustix::fs::FileType::Fifo, mode, 0).unwrap();
        let nonblock = rustix::fs::OFlags::NONBLOCK.bits().try_into().unwrap();
        Self(fs::OpenOptions::new().read(true).custom_flags(nonblock).open(mill.path("held")).unwrap())
    }

    /// Adds what was written to `said`; fifo(7): the end is read when nobody has it open to write.
    fn is_left(&mut self, said: &mut String) -> bool {
        let mut buffer = [0; 256];
        loop {
            match self.0.read(&mut buffer) {
                Ok(0) => return false,
                Ok(count) => said.push_str(std::str::from_utf8(&buffer[..count]).unwrap()),
                Err(error) => {
                    assert_eq!(error.kind(), std::io::ErrorKind::WouldBlock);
                    return true;
                }
            }
        }
    }
}

#[test]
fn whoever_took_a_session_of_its_own_is_ended_too() {
    let mill = Mill::new();
    let (mut held, mut said) = (Held::new(&mill), String::new());
    let fault = run(mill.provider(AWAY, Duration::from_secs(2)).read(&names())).unwrap_err();
    assert!(fault.why.contains("did not end within 2s"), "{fault}");
    run(until("the end of all", || !held.is_left(&mut said)));
    for one in ["session\n", "orphan\n", "up\n"] {
        assert!(said.contains(one), "{said}");
    }
}

#[test]
fn a_run_that_is_given_up_ends_those_too() {
    let mill = Mill::new();
    let (mut held, mut said) = (Held::new(&mill), String::new());
    let (provider, names) = (mill.provider(AWAY, LONG * 100), names());
    run(async {
        let mut read = provider.read(&names);
        tokio::select! {
            _ = &mut read => panic!("the program waits for ever"),
            () = until("all of them", || {
                held.is_left(&mut said);
                ["session", "orphan", "up"].iter().all(|one| said.contains(one))
            }) => {}
        }
        drop(read);
        until("the end of all", || !held.is_left(&mut said)).await;
    });
}

/// What another program has started at the same time, or one before has left behind, is none of its own.
#[test]
fn nobody_elses_children_are_ended() {
    let leave =
        |mill: &Mill| format!("cat > /dev/null; (setsid sleep 1000 & echo $! > {}/child)", mill.path("").display());
    let (mill, other, before) = (Mill::new(), Mill::new(), Mill::new());
    run(before.provider(&format!("{}; echo '{DONE}'", leave(&before)), LONG).apply(&changes())).unwrap();
    let beside = other.provider(&format!("{}; sleep 3; echo '{READ}'", leave(&other)), LONG);
    let names = names();
    run(async {
        let late = mill.provider(AWAY, Duration::from_secs(1));
        let (mut held, mut said) = (Held::new(&mill), String::new());
        let (late, fine) = tokio::join!(late.read(&names), beside.read(&names));
        assert!(late.unwrap_err().why.contains("did not end"));
        assert!(fine.is_ok(), "{fine:?}");
        until("the end of all", || !held.is_left(&mut said)).await;
    });
    for mill in [&other, &before] {
        assert!(runs(&mill.path("child")));
        let child = mill.text("child");
        assert!(std::process::Command::new("kill").arg(child.trim()).status().unwrap().success());
    }
}

/// What it leaves behind on purpose is not waited for, and not ended.
#[test]
fn what_a_program_leaves_behind_goes_on() {
    let mill = Mill::new();
    let script = format!("cat > /dev/null; sleep 1000 & echo $! > $DIR/child; echo '{DONE}'");
    run(mill.provider(&script, LONG).apply(&changes())).unwrap();
    assert!(runs(&mill.path("child")));
    let child = mill.text("child");
    assert!(std::process::Command::new("kill").arg(child.trim()).status().unwrap().success());
}

#[test]
fn a_program_that_cannot_be_run_is_refused() {
    let mill = Mill::new();
    let file = |name: &str, text: &str, mode| {
        fs::write(mill.path(name), text).unwrap();
        fs::set_permissions(mill.path(name), fs::Permissions::from_mode(mode)).unwrap();
        mill.path(name).display().to_string()
    };
    let cases = [
        (mill.path("none").display().to_string(), "correct `command`"),
        (file("no-interpreter", "#!/nonexistent/sh\n", 0o755), "what its first line names"),
        (file("not-executable", "#!/bin/sh\n", 0o644), "execute it"),
        (file("no-program", "echo\n", 0o755), "#!/bin/sh"),
        (mill.directory.path().display().to_string(), "execute it"),
        (format!("{}/below", file("a-file", "", 0o755)), "execute it"),
    ];
    for (program, remedy) in cases {
        let provider = Program::new(dns("heronmill.example"), program.clone(), vec![], BTreeMap::new(), None, LONG);
        run(async {
            for fault in [provider.read(&names()).await.unwrap_err(), provider.apply(&changes()).await.unwrap_err()] {
                assert_eq!(fault.kind, FaultKind::Refused, "{fault}");
                assert!(fault.why == format!("{program} cannot be run") && fault.remedy.contains(remedy), "{fault}");
            }
        });
    }
}

#[test]
fn its_own_faults_are_passed_on() {
    let mill = Mill::new();
    let fault = |kind: &str, more: &str| {
        let answer =
            format!(r#"{{"version":1,"fault":{{"kind":"{kind}","why":"closed\tat night","remedy":"wait"{more}}}}}"#);
        mill.faults(&format!("cat > /dev/null; cat <<'EOF'\n{answer}\nEOF"), LONG)
    };
    let wait = FaultKind::Passing { retry_after: Some(Duration::from_secs(90)) };
    for (kind, more, on_read, on_write) in [
        ("passing", "", PASSING, PASSING),
        ("passing", r#","retry_after":90"#, wait, wait),
        ("refused", "", FaultKind::Refused, FaultKind::Refused),
        // A read leaves nothing in doubt and meets no conflict: it is tried again.
        ("conflict", "", PASSING, FaultKind::Conflict),
        ("in-doubt", "", PASSING, FaultKind::InDoubt),
    ] {
        let [read, write] = fault(kind, more);
        assert_eq!((read.kind, write.kind), (on_read, on_write), "{kind}");
        assert_eq!((read.why.as_str(), read.remedy.as_str()), ("/bin/sh: closed at night", "wait"));
    }
    let [read, _] = fault("passing", r#","retry_after":"soon""#);
    assert!(read.why.contains("invalid type"), "{read}");
}

/// POSIX.1-2017, XCU sh: -n reads commands and executes none.
#[test]
fn the_example_is_a_shell_script() {
    let example = concat!(env!("CARGO_MANIFEST_DIR"), "/config/providers/program-example.sh");
    assert!(std::process::Command::new("/bin/sh").args(["-n", example]).status().unwrap().success());
    assert_ne!(fs::metadata(example).unwrap().permissions().mode() & 0o111, 0, "it cannot be executed");
}

#[test]
fn people_are_told_where_and_how_much() {
    let provider = Mill::new().provider("", LONG);
    assert_eq!(provider.target(), "/bin/sh");
    assert_eq!(provider.means(1), "1 change by the program /bin/sh");
    assert_eq!(provider.means(2), "2 changes by the program /bin/sh");
    assert!(!format!("{provider:?}").contains("token"));
}
