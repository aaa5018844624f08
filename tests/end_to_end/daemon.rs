//! The daemon: it follows the home, minds its signals and the service manager, and comes up in any order.

use std::fs;
use std::time::SystemTime;

use fingerpost::clock::Timestamp;
use rustix::process::Signal;

use crate::background::{Daemon, Manager};
use crate::common::named::Named;
use crate::common::{Grant, KEY, ZoneSetup, set};
use crate::mill::{HOME, Mill, OLD, wait_until};

#[test]
#[ignore = "needs named and nginx: tests/all.sh runs it"]
fn it_follows_three_changes_and_ends_when_told() {
    let mill = Mill::new();
    let serial = mill.serial();
    let daemon = Daemon::start(&mill);
    wait_until("the name", Some(set(120, &[HOME])), || mill.gauge());
    for (from, to) in [(HOME, "203.0.113.78"), ("203.0.113.78", "203.0.113.79"), ("203.0.113.79", HOME)] {
        mill.home_is(to);
        daemon.look();
        wait_until("the name", Some(set(120, &[to])), || mill.gauge());
        daemon.says(&format!("IPv4: the home has moved from {from} to {to}: {to}   agreed by 3 of 5 operators"));
        daemon.says(&format!("gauge.heronmill.example A written: {from} → {to}"));
    }
    // One operator that changes sides is no majority: the name stays, whatever is asked how often.
    mill.nginx.say(0, "203.0.113.66\n");
    daemon.look();
    daemon.says("no ruling: the operators disagree, and 3 of 5 must agree; the names stay as they are");
    let log = daemon.stop();
    assert!(log.ends_with("told to stop: stopped\n"), "{log}");
    assert_eq!((mill.gauge(), mill.serial()), (Some(set(120, &[HOME])), serial + 4));
    let done = ["settled", "intent", "outcome done"];
    assert_eq!(mill.events(), done.repeat(4));
    let entries = format!("The chain holds: {} entries in 1 file.", mill.audit().len());
    mill.run(&["audit", "verify"]).exits(0).says(&[&entries]);
}

/// Settling: one round's word is not enough for the daemon.
#[test]
#[ignore = "needs named and nginx: tests/all.sh runs it"]
fn it_waits_until_an_address_has_won_its_rounds() {
    let mill = Mill::new();
    mill.configure(&[("settle_every = \"100ms\"", "settle_every = \"1h\"")]);
    let daemon = Daemon::start(&mill);
    daemon.says("IPv4: 203.0.113.77 is in sight, round 1 of 2");
    assert_eq!(mill.gauge(), Some(set(120, &[OLD])));
    daemon.look();
    wait_until("the name", Some(set(120, &[HOME])), || mill.gauge());
    daemon.stop();
}

/// Tells the program that its standard error is the journal, as the service manager does (systemd.exec(5)).
const BY_JOURNAL: [&str; 4] = ["sh", "-c", "export JOURNAL_STREAM=$(stat -L -c %d:%i /dev/stderr); exec \"$@\"", "sh"];

#[test]
#[ignore = "needs named and nginx: tests/all.sh runs it"]
fn its_log_suits_the_journal() {
    let mill = Mill::new();
    let daemon = Daemon::spawn(&mut mill.command(&BY_JOURNAL, &["daemon"]));
    daemon.says("written: 203.0.113.9 → 203.0.113.77");
    fs::write(mill.path("fingerpost.toml"), "state_dir = 1\nwatch = 2\n").unwrap();
    daemon.signal(Signal::HUP);
    daemon.says("the old one stays in force");
    let log = daemon.stop();
    // sd-daemon(3): 4 is a warning, 6 is information. The journal has the time itself.
    let year = &Timestamp::from(SystemTime::now()).to_string()[..5];
    for line in log.lines() {
        assert!(line.starts_with("<4>") || line.starts_with("<6>"), "{line}");
        assert!(!line.contains(year) && !line.contains('\x1b'), "{line}");
    }
    assert!(log.contains("<6>fingerpost ") && log.contains("<4>IPv4: tern-labs says 203.0.113.66"), "{log}");

    // What ends it is an error (3).
    let (status, log) = Daemon::spawn(&mut mill.command(&BY_JOURNAL, &["daemon"])).ends();
    assert_eq!(status, 78, "{log}");
    assert!(log.lines().count() > 1 && log.lines().all(|line| line.starts_with("<3>")), "{log}");

    // The variable is inherited by what a service starts, whose standard error may be something else.
    let (_, log) = Daemon::spawn(mill.command(&[], &["daemon"]).env("JOURNAL_STREAM", "8:12345")).ends();
    assert!(log.starts_with("fingerpost: "), "{log}");
}

#[test]
#[ignore = "needs named and nginx: tests/all.sh runs it"]
fn the_service_manager_is_kept_informed() {
    let mill = Mill::new();
    let path = mill.path("notify");
    let manager = Manager::listen(&path);
    let mut command = mill.command(&[], &["daemon"]);
    let daemon = Daemon::spawn(command.env("NOTIFY_SOCKET", &path).env("WATCHDOG_USEC", "200000"));
    manager.hear_until("READY=1");
    manager.hear_until("STATUS=1 of 1 records in step; IPv4 203.0.113.77");
    for _ in 0..3 {
        manager.hear_until("WATCHDOG=1");
    }
    daemon.signal(Signal::HUP);
    manager.hear_until("RELOADING=1");
    manager.hear_until("READY=1");
    daemon.says("configuration reloaded: 1 record by 5 witnesses, every 1h");

    fs::write(mill.path("fingerpost.toml"), "[watch]\nevrey = \"1h\"\n").unwrap();
    daemon.signal(Signal::HUP);
    manager.hear_until("RELOADING=1");
    let heard = manager.hear_until("STATUS=1 of 1 records in step; IPv4 203.0.113.77; the last reload was refused");
    assert!(heard.contains(&"READY=1".to_owned()), "{heard:?}");
    daemon.signal(Signal::TERM);
    let heard = manager.hear_until("STOPPING=1");
    assert!(!heard.contains(&"READY=1".to_owned()), "{heard:?}");
    assert_eq!(daemon.ends().0, 0);
}

#[test]
#[ignore = "needs named and nginx: tests/all.sh runs it"]
fn a_bad_reload_keeps_the_old_configuration_and_a_good_one_is_taken() {
    let mill = Mill::new();
    let daemon = Daemon::start(&mill);
    wait_until("the name", Some(set(120, &[HOME])), || mill.gauge());
    mill.configure(&[("every = \"1h\"", "evrey = \"1h\""), ("ttl = \"2m\"", "ttl = \"never\"")]);
    daemon.signal(Signal::HUP);
    daemon.says("the new configuration is not taken, the old one stays in force:\n");
    daemon.says("watch.evrey");
    daemon.says("every");
    daemon.says("record[0].ttl");
    mill.home_is("203.0.113.78");
    daemon.look();
    wait_until("the name", Some(set(120, &["203.0.113.78"])), || mill.gauge());

    mill.configure(&[("ttl = \"2m\"", "ttl = \"1m\"")]);
    daemon.signal(Signal::HUP);
    wait_until("the name", Some(set(60, &["203.0.113.78"])), || mill.gauge());

    // The state directory is locked: it cannot change under way.
    mill.configure(&[("/state\"", "/elsewhere\""), ("ttl = \"2m\"", "ttl = \"3m\"")]);
    daemon.signal(Signal::HUP);
    daemon.says("state_dir cannot change while running");
    daemon.stop();
    assert!(!mill.path("elsewhere").exists());
    assert_eq!(mill.gauge(), Some(set(60, &["203.0.113.78"])));
}

#[test]
#[ignore = "needs named and nginx: tests/all.sh runs it"]
fn one_state_directory_has_one_writer() {
    let mill = Mill::new();
    let daemon = Daemon::start(&mill);
    wait_until("the name", Some(set(120, &[HOME])), || mill.gauge());
    let told = format!("another fingerpost is at work on {}; to have the daemon look now", mill.state_dir().display());
    for command in ["daemon", "sync"] {
        let done = mill.run(&[command]).exits(75);
        assert!(done.stderr.contains(&told), "{done:?}");
    }
    // Those who only look are not kept out.
    mill.run(&["preview"]).exits(0);
    mill.run(&["audit", "verify"]).exits(0);
    drop(daemon);
    // A killed daemon leaves no lock behind.
    mill.run(&["sync"]).exits(0);
}

#[test]
#[ignore = "needs named and nginx: tests/all.sh runs it"]
fn it_starts_before_everything_else_and_recovers_by_itself() {
    let mut mill = Mill::new();
    mill.configure(&[("every = \"1h\"", "every = \"1s\"")]);
    mill.nginx.stop();
    mill.named.stop();
    let path = mill.path("notify");
    let manager = Manager::listen(&path);
    let daemon = Daemon::spawn(mill.command(&[], &["daemon"]).env("NOTIFY_SOCKET", &path));
    manager.hear_until("READY=1");
    daemon.says("IPv4: no ruling: 0 of 5 operators answered, and 3 must agree; the names stay as they are");
    mill.nginx.start_again();
    daemon.says("IPv4: the home is at 203.0.113.77");
    daemon.says("cannot be reached over TCP");
    mill.named.start_again();
    wait_until("the name", Some(set(120, &[HOME])), || mill.gauge());
    daemon.says("home: works again");
    let log = daemon.stop();
    // Waiting is quiet: what lasts is told once.
    assert_eq!(log.matches("no ruling: 0 of 5").count(), 1, "{log}");
    assert_eq!(log.matches("cannot be reached over TCP").count(), 1, "{log}");
}

/// The server may take a minute; the grace is 10 s, and the wait for the end here is in between.
#[test]
#[ignore = "needs named and nginx: tests/all.sh runs it"]
fn a_stop_does_not_wait_for_a_server_that_hangs() {
    let mill = Mill::new();
    let hung = std::net::TcpListener::bind("127.0.0.1:0").unwrap();
    let address = format!("{}\"\ntimeout = \"1m\"", hung.local_addr().unwrap());
    mill.configure(&[(&format!("{}\"", mill.named.address()), &address)]);
    let daemon = Daemon::start(&mill);
    let _link = hung.accept().unwrap();
    let log = daemon.stop();
    assert!(log.contains("told to stop: stopped") && !log.contains("a write was"), "{log}");
}

/// What a limit puts off is not lost, and of what was put off only the newest is written.
#[test]
#[ignore = "needs named and nginx: tests/all.sh runs it"]
fn what_was_put_off_is_written_later_the_newest_first() {
    let mill = Mill::new();
    mill.configure(&[("spacing = \"1ms\"", "spacing = \"4s\"\nburst = 1")]);
    let serial = mill.serial();
    let daemon = Daemon::start(&mill);
    wait_until("the name", Some(set(120, &[HOME])), || mill.gauge());
    for to in ["203.0.113.78", "203.0.113.79"] {
        mill.home_is(to);
        daemon.look();
        daemon.says(&format!(" to {to}: "));
    }
    daemon.says("gauge.heronmill.example A is adrift: put off until ");
    wait_until("the name", Some(set(120, &["203.0.113.79"])), || mill.gauge());
    daemon.stop();
    assert_eq!(mill.serial(), serial + 2);
}

/// What is blocked is told; what is not is written; and when the obstacle is gone the rest is written too.
#[test]
#[ignore = "needs named and nginx: tests/all.sh runs it"]
fn one_blocked_record_does_not_keep_the_others() {
    let mut mill = Mill::new();
    mill.configure(&[("[[record]]", &format!("{}[[record]]", Mill::record("cam", "2m")))]);
    let daemon = Daemon::start(&mill);
    wait_until("the name", Some(set(120, &[HOME])), || mill.gauge());
    daemon.says("cam.heronmill.example A is blocked: a CNAME to gauge.heronmill.example. stands here");
    // Its obstacle gone, it is written at the next round.
    let grants = ["cam.heronmill.example", crate::mill::GAUGE].map(|name| Grant { key: KEY.name, name: Some(name) });
    mill.named.stop();
    fs::write(mill.named.zone_file(crate::common::ZONE), ZoneSetup::new("gauge 120 A 203.0.113.77").master_file())
        .unwrap();
    let _ = fs::remove_file(mill.named.zone_file(crate::common::ZONE).with_extension("zone.jnl"));
    mill.named.reconfigure::<Named>(&[KEY], &[ZoneSetup { grants: grants.to_vec(), ..ZoneSetup::new("") }]);
    daemon.look();
    let cam = || mill.named.rrset("cam.heronmill.example", fingerpost::record::RecordType::A);
    wait_until("the other name", Some(set(120, &[HOME])), cam);
    daemon.stop();
}
