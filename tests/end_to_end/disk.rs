//! A disk that cannot be written: nothing is sent, it is said, and the daemon lives on.
//!
//! The state directory is a small file system of its own, in a mount namespace that every user may make.

use std::fs;
use std::path::PathBuf;

use crate::background::{Daemon, Manager};
use crate::common::set;
use crate::mill::{HOME, Mill, OLD, wait_until};

/// Words that run a program after `prepare`, a piece of shell in which `$1` is the state directory, and with
/// `afterwards` done at its end.
pub(crate) fn on_its_own_disk(mill: &Mill, prepare: &str, afterwards: &str) -> Vec<String> {
    fs::create_dir_all(mill.state_dir()).unwrap();
    let run = if afterwards.is_empty() {
        "shift; exec \"$@\"".to_owned()
    } else {
        format!("dir=$1; shift; \"$@\"; status=$?; {afterwards}; exit $status")
    };
    let script = format!("mount -t tmpfs -o size=64k none \"$1\" && {{ {prepare}; }} || exit 99\n{run}");
    let fixed = ["unshare", "-Urm", "sh", "-c", &script, "sh"].map(str::to_owned);
    fixed.into_iter().chain([mill.state_dir().display().to_string()]).collect()
}

/// Leaves `pages` of 4 KiB of the 64 KiB.
pub(crate) fn fill(pages: usize) -> String {
    format!("head -c {} /dev/zero > \"$1/fill\"", (16 - pages) * 4096)
}

fn words(owned: &[String]) -> Vec<&str> {
    crate::mill::words(owned)
}

#[test]
#[ignore = "needs named and nginx: tests/all.sh runs it"]
fn nothing_is_sent_while_the_state_directory_is_read_only() {
    let mill = Mill::new();
    let serial = mill.serial();
    let disk = on_its_own_disk(&mill, "mount -o remount,bind,ro \"$1\"", "");
    let dir = mill.state_dir().display().to_string();
    // Where not even the lock can be made, there is nothing to look for.
    let told = format!(
        "fingerpost: cannot lock {dir}; it must be writable for the user that runs fingerpost: Read-only file system (os error 30)\n"
    );
    let done = mill.run_by(&words(&disk), &["sync"]).exits(73);
    assert_eq!((done.stdout.as_str(), done.stderr.as_str()), ("", told.as_str()));
    // To look is not to write.
    mill.run_by(&words(&disk), &["preview"]).exits(0).says(&["would replace"]);
    assert_eq!((mill.serial(), mill.gauge()), (serial, Some(set(120, &[OLD]))));

    // Nor can a directory be made on such a disk.
    mill.configure(&[("/state\"", "/state/deeper\"")]);
    let done = mill.run_by(&words(&disk), &["sync"]).exits(73);
    let told = format!(
        "fingerpost: cannot create {dir}/deeper; it must be writable for the user that runs fingerpost: Read-only"
    );
    assert!(done.stderr.contains(&told), "{done:?}");
    assert_eq!(mill.serial(), serial);
}

/// However little room there is: an update is sent if, and only if, its intent stands in the audit log.
#[test]
#[ignore = "needs named and nginx: tests/all.sh runs it"]
fn nothing_is_sent_while_the_disk_is_full() {
    let mut ends = Vec::new();
    for pages in 0..6 {
        let mill = Mill::new();
        let serial = mill.serial();
        let keep = format!("cp \"$dir/audit.jsonl\" {} || true", mill.path("audit").display());
        let disk = on_its_own_disk(&mill, &fill(pages), &keep);
        let done = mill.run_by(&words(&disk), &["sync"]);
        let audit = fs::read_to_string(mill.path("audit")).unwrap_or_default();
        assert_eq!(mill.serial() > serial, audit.contains("\"event\":\"intent\""), "{pages}: {done:#?}\n{audit}");
        assert!(audit.is_empty() || audit.ends_with('\n'), "half a line is taken back: {audit}");
        if done.status == 73 {
            assert!(done.stdout.contains("No space left on device"), "{done:#?}");
        }
        ends.push((done.status, mill.gauge() == Some(set(120, &[HOME]))));
    }
    // From nothing at all to plenty.
    assert_eq!(ends[0], (73, false));
    assert_eq!(ends[5], (0, true));
    assert!(ends.iter().all(|(status, _)| matches!(status, 0 | 73)), "{ends:?}");
}

#[test]
#[ignore = "needs named and nginx: tests/all.sh runs it"]
fn the_daemon_lives_on_with_a_full_disk_and_recovers_when_there_is_room() {
    let mill = Mill::new();
    // One write is all there may be: an attempt that was not sent must not use it up.
    mill.configure(&[("spacing = \"1ms\"", "spacing = \"1h\"\nburst = 1")]);
    let (serial, path) = (mill.serial(), mill.path("notify"));
    let manager = Manager::listen(&path);
    let disk = on_its_own_disk(&mill, &fill(0), "");
    let daemon = Daemon::spawn(mill.command(&words(&disk), &["daemon"]).env("NOTIFY_SOCKET", &path));
    manager.hear_until("STATUS=0 of 1 records in step; IPv4 203.0.113.77; home: nothing is sent: cannot write ");
    let asked = mill.nginx.asked(0, 0).len();
    for more in 1..4 {
        daemon.look();
        mill.nginx.asked(0, asked + more);
    }
    daemon.says("No space left on device (os error 28); nothing is sent");
    assert_eq!((mill.serial(), mill.gauge()), (serial, Some(set(120, &[OLD]))));

    fs::remove_file(within(&daemon, &mill).join("fill")).unwrap();
    wait_until("the name", Some(set(120, &[HOME])), || mill.gauge());
    daemon.says("home: works again");
    wait_until("the books", true, || {
        fs::read_to_string(within(&daemon, &mill).join("audit.jsonl")).unwrap().contains("\"done\"")
    });
    let log = daemon.stop();
    assert_eq!(log.matches("; nothing is sent").count(), 1, "{log}");
    // Beside it, only that why the address settled could not be entered.
    assert_eq!(log.matches("No space left").count(), 2, "{log}");
    assert_eq!(mill.serial(), serial + 1);
}

/// The state directory as the daemon sees it.
pub(crate) fn within(daemon: &Daemon, mill: &Mill) -> PathBuf {
    PathBuf::from(format!("/proc/{}/root{}", daemon.pid(), mill.state_dir().display()))
}

/// The audit log alone cannot be written, say because it was made by another user: nothing is sent, and what was not
/// sent is not charged.
#[test]
#[ignore = "needs named and nginx: tests/all.sh runs it"]
fn what_was_not_sent_is_not_charged() {
    let mill = Mill::new();
    mill.configure(&[("spacing = \"1ms\"", "spacing = \"1h\"\nburst = 1")]);
    let serial = mill.serial();
    let read_only =
        "log=\"$1/audit.jsonl\"; touch \"$log\"; mount --bind \"$log\" \"$log\"; mount -o remount,bind,ro \"$log\"";
    let again = "\"$@\" && exit 98; umount \"$dir/audit.jsonl\"; \"$@\"; status=$?";
    let disk = on_its_own_disk(&mill, read_only, again);
    // Twice as it is, then once with the log writable again.
    let done = mill.run_by(&words(&disk), &["sync"]).exits(0);
    let told = format!(
        "home: cannot open {}/audit.jsonl; until it can, nothing is sent to any provider: ",
        mill.state_dir().display()
    );
    assert_eq!(done.stdout.matches(&told).count(), 2, "{done:#?}");
    assert!(done.stdout.ends_with("replaced, TTL 120 s\n"), "{done:#?}");
    assert_eq!((mill.serial(), mill.gauge()), (serial + 1, Some(set(120, &[HOME]))));
}
