//! `fingerpost sync` before a program whose list shows late what it took: whoever calls it waits for the sight of it, and
//! nothing is sent twice.

use std::fs;
use std::os::unix::fs::PermissionsExt as _;
use std::process::{Command, Output};
use std::sync::mpsc;

use fingerpost::audit::chain::Known;
use fingerpost::audit::file::read_all;
use fingerpost::audit::{Ending, Event};
use fingerpost::rehearsal::echo::Echo;
use serde_json::Value;
use tempfile::TempDir;

const HOME: [u8; 4] = [203, 0, 113, 77];

/// A host that takes every write and keeps count of them, and shows the record once it was read so often after the first.
const HOST: &str = r#"#!/bin/sh
request=$(cat)
case $request in
*'"action":"read"'*)
    sets=
    if [ -e "$DIR/creates" ]; then
        echo look >>"$DIR/looks"
        [ "$(wc -l <"$DIR/looks")" -lt "$SHOWN_AT" ] || sets='"A":{"ttl":120,"addresses":["203.0.113.77"]}'
    fi
    echo '{"version":1,"names":{"gauge.heronmill.example":{"sets":{'"$sets"'}}}}' ;;
*)
    echo create >>"$DIR/creates"
    echo '{"version":1,"done":true,"detail":"201 Created"}' ;;
esac
"#;

struct Late {
    dir: TempDir,
    /// Ends the witness.
    _stop: mpsc::Sender<()>,
}

impl Late {
    /// What was written is to be seen at the look `shown_at` after it, and within `visible_within` as far as is known.
    fn new(shown_at: u32, visible_within: &str) -> Self {
        let dir = tempfile::tempdir().unwrap();
        let (url, stop) = witness();
        let program = dir.path().join("host");
        fs::write(&program, HOST).unwrap();
        fs::set_permissions(&program, fs::Permissions::from_mode(0o755)).unwrap();
        let text = format!(
            r#"state_dir = "state"
[watch]
settle = 1
accept_special = ["203.0.113.0/24"]
[provider.barn]
kind = "program"
zone = "heronmill.example"
command = ["{}"]
env = {{ DIR = "{}", SHOWN_AT = "{shown_at}" }}
visible_within = "{visible_within}"
confirm = "off"
[[witness]]
name = "north-1"
operator = "north-collective"
kind = "http"
url = "{url}"
families = ["ipv4"]
[[record]]
name = "gauge.heronmill.example"
types = ["A"]
provider = "barn"
ttl = "2m"
"#,
            program.display(),
            dir.path().display(),
        );
        fs::write(dir.path().join("fingerpost.toml"), text).unwrap();
        Self { dir, _stop: stop }
    }

    /// How `fingerpost sync` ended, with these arguments.
    fn sync(&self, arguments: &[&str]) -> Output {
        let mut command = Command::new("timeout");
        command.args(["120", env!("CARGO_BIN_EXE_fingerpost"), "sync"]).args(arguments).current_dir(self.dir.path());
        command.env_clear().envs(std::env::var_os("PATH").map(|path| ("PATH", path)));
        command.args(["--config", "fingerpost.toml"]).output().unwrap()
    }

    fn lines(&self, name: &str) -> usize {
        fs::read_to_string(self.dir.path().join(name)).unwrap_or_default().lines().count()
    }

    /// How the writes ended, by the log.
    fn endings(&self) -> Vec<Ending> {
        let of = |event| match event {
            Known::Yes(Event::Outcome { result, .. }) => Some(result),
            _ => None,
        };
        read_all(&self.dir.path().join("state")).unwrap().into_iter().filter_map(|entry| of(entry.event)).collect()
    }
}

/// An echo service of its own, and what ends it.
fn witness() -> (String, mpsc::Sender<()>) {
    let (tell, told) = mpsc::channel();
    let (stop, stopped) = tokio::sync::oneshot::channel::<()>();
    let (guard, ends) = mpsc::channel::<()>();
    std::thread::spawn(move || {
        let _ = ends.recv();
        let _ = stop.send(());
    });
    std::thread::spawn(move || {
        super::run(async {
            let echo = Echo::start(HOME.into()).await.unwrap();
            tell.send(echo.url()).unwrap();
            let _ = stopped.await;
        });
    });
    (told.recv().unwrap(), guard)
}

fn text(bytes: &[u8]) -> String {
    String::from_utf8(bytes.to_vec()).unwrap()
}

#[test]
fn sync_waits_until_what_it_wrote_is_to_be_seen() {
    let late = Late::new(3, "1m");
    let done = late.sync(&[]);
    assert_eq!(done.status.code(), Some(0), "{done:?}");
    assert!(text(&done.stdout).contains("created"), "{done:?}");
    assert_eq!((late.lines("creates"), late.lines("looks"), late.endings()), (1, 3, vec![Ending::Done]));
    // By the next one it stands there, and there is nothing to tell.
    let next = late.sync(&[]);
    assert_eq!((next.status.code(), text(&next.stdout).as_str()), (Some(0), ""), "{next:?}");
    assert_eq!(late.lines("creates"), 1);
}

#[test]
fn sync_tells_programs_alike_what_was_seen_late() {
    let late = Late::new(2, "1m");
    let done = late.sync(&["--json"]);
    assert_eq!(done.status.code(), Some(0), "{done:?}");
    let told: Value = serde_json::from_slice(&done.stdout).unwrap();
    assert_eq!(told["written"], true, "{told:#}");
    let record = &told["providers"][0]["records"][0];
    assert_eq!((&record["standing"]["state"], &record["verb"]), (&"in-step".into(), &"create".into()), "{told:#}");
    assert_eq!(record["after"]["addresses"][0], "203.0.113.77", "{told:#}");
    assert_eq!(late.lines("creates"), 1);
}

#[test]
fn sync_says_why_when_the_time_is_over_and_has_sent_it_once() {
    for arguments in [&[][..], &["--json"]] {
        let late = Late::new(1000, "2s");
        let done = late.sync(arguments);
        assert_eq!(done.status.code(), Some(75), "{done:?}");
        let said = text(&done.stdout);
        assert!(said.contains("what was sent did not show itself, and its time was over at "), "{said}");
        assert!(said.contains("the next round sends it again"), "{said}");
        assert_eq!((late.lines("creates"), late.endings()), (1, vec![Ending::Failed]));
        // Its read-back, the looks while the time ran, and one when it was over.
        assert!(late.lines("looks") >= 3, "{}", late.lines("looks"));
    }
}
