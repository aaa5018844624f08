//! The daemon looks at the lists after its rounds, and writes what has changed.

use std::fs::{self, File};
use std::process::{Child, Command, Stdio};
use std::time::{Duration, Instant};

use rustix::process::{Pid, Signal, kill_process};

use crate::Mill;

/// Ends with this value, however the test ends.
struct Running(Child);

impl Running {
    fn signal(&self, signal: Signal) {
        kill_process(Pid::from_child(&self.0), signal).unwrap();
    }
}

impl Drop for Running {
    fn drop(&mut self) {
        let _ = self.0.kill();
        let _ = self.0.wait();
    }
}

fn until(what: &str, mut seen: impl FnMut() -> bool) {
    let end = Instant::now() + Duration::from_secs(30);
    while !seen() {
        assert!(Instant::now() < end, "waited in vain for {what}");
        std::thread::sleep(Duration::from_millis(5));
    }
}

#[test]
fn the_daemon_keeps_the_files_as_the_lists_are() {
    let mill = Mill::new(
        "[[edge]]\nname = \"weir\"\nsources = [{ file = \"weir.txt\" }]\n\
         [[allowlist.render]]\nform = \"lines\"\nfile = \"edge.txt\"\nreload = [\"sh\", \"-c\", \"cat edge.txt > effect\"]\n",
    );
    mill.write("weir.txt", "192.0.2.0/24\n");
    let log = || mill.read("log");
    let has = |name: &str, text: &str| fs::read_to_string(mill.path(name)).is_ok_and(|there| there.contains(text));
    let mut command = Command::new(env!("CARGO_BIN_EXE_fingerpost"));
    command.args(["--config", "fingerpost.toml", "daemon"]).current_dir(mill.path("")).stdin(Stdio::null());
    command.env_remove("NOTIFY_SOCKET").env_remove("JOURNAL_STREAM");
    let mut daemon = Running(command.stderr(File::create(mill.path("log")).unwrap()).spawn().unwrap());
    until("the first ranges", || has("effect", "192.0.2.0/24\n"));
    until("a word of it", || has("log", "ranges of weir: version 1 is in force, 1 came and 0 went"));
    until("a word of the file", || has("log", "edge.txt: the ranges are written, and in effect"));

    // Half of it is gone: told once, and nothing changes. A reload has it look at once.
    mill.write("weir.txt", "192.0.2.0/25\n");
    for reloads in 1..=2 {
        daemon.signal(Signal::HUP);
        let warnings = || log().matches("50 percent of its IPv4 addresses are gone").count();
        until("the warning", || warnings() == reloads);
        assert!(log().contains("; what was in force stays so"), "{}", log());
        assert!(mill.read("edge.txt").ends_with("version 1.\n192.0.2.0/24\n"));
    }
    let refusals = |event| mill.run(&["audit", "show", "--event", event]).out;
    let found = refusals("found");
    assert!(
        found.contains("found: the ranges of weir are not taken: 50 percent of its IPv4 addresses are gone"),
        "{found}"
    );
    assert_eq!((found.lines().count(), refusals("gone").as_str()), (1, ""));

    // What the refusal says to do cannot be done beside the daemon: the way out is told.
    let said = mill.run(&["allowlist", "fetch", "--accept"]);
    assert_eq!((said.status, said.out.as_str()), (75, ""), "{}", said.err);
    let way =
        "another fingerpost is at work on state; stop it (`systemctl stop fingerpost`), run this again, and start it\n";
    assert!(said.err.ends_with(way), "{}", said.err);
    let said = mill.run(&["allowlist", "fetch"]);
    assert_eq!(said.status, 75);
    assert!(said.err.ends_with("; to have it look now, reload it (`systemctl reload fingerpost`)\n"), "{}", said.err);

    mill.write("weir.txt", "192.0.2.0/24\n198.51.100.0/25\n");
    daemon.signal(Signal::HUP);
    until("the next version", || has("effect", "version 2.\n192.0.2.0/24\n198.51.100.0/25\n"));
    daemon.signal(Signal::TERM);
    assert!(daemon.0.wait().unwrap().success(), "{}", log());
    assert_eq!(mill.run(&["audit", "show", "--event", "ranges"]).out.lines().count(), 2);
    assert_eq!(refusals("found"), found);
    assert!(refusals("gone").ends_with("gone: ranges: weir\n"), "{}", refusals("gone"));
    assert_eq!(mill.run(&["audit", "verify"]).status, 0);
}
