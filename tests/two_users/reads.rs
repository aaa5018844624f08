//! What root reads in the service's directory: regular files, no link of the service's, and no more than was agreed on.

use std::fs::{self, File};
use std::os::unix::fs::{FileTypeExt as _, MetadataExt as _, PermissionsExt as _, chown, symlink};
use std::process::Stdio;
use std::thread;
use std::time::{Duration, Instant};

use rustix::process::{Pid, Signal, kill_process};

use crate::{Mill, PATIENCE, SERVICE, Said, User, ended, is_root};

const RENDER: &str = "[[allowlist.render]]\nform = \"lines\"\nfile = \"edge.txt\"\n";

/// What lies in wait in the place of `AT`, as the service's user puts it there.
const TRAPS: [(&str, &str); 4] = [
    ("a pipe", "rm -f AT; mkfifo AT"),
    ("a link", "ln -sf SHADOW AT"),
    ("a device behind a link", "ln -sf /dev/zero AT"),
    // 3 GB, of which nothing is on the disk.
    ("zeros without end", "rm -f AT; truncate -s 3G AT"),
];

fn trap(script: &str, at: &str, mill: &Mill) {
    let shadow = mill.path("shadow");
    fs::write(&shadow, "{\"root's own\": 1}\n").unwrap();
    fs::set_permissions(&shadow, fs::Permissions::from_mode(0o600)).unwrap();
    mill.shell(&script.replace("AT", at).replace("SHADOW", shadow.to_str().unwrap()));
}

fn quiet(what: &str, said: &Said) {
    assert!(!format!("{}{}", said.out, said.err).contains("root's own"), "{what}: {said:?}");
}

#[test]
#[ignore = "needs root: tests/all.sh runs it"]
fn nothing_that_lies_in_wait_is_waited_for_or_read() {
    if !is_root("reads::nothing_that_lies_in_wait_is_waited_for_or_read") {
        return;
    }
    let (verify, render): (&[&str], &[&str]) = (&["audit", "verify"], &["allowlist", "render"]);
    for (trap_is, script) in TRAPS {
        for (at, commands) in [
            ("state/state.json", &[verify][..]),
            ("state/audit.jsonl", &[verify, render]),
            ("state/audit.000000000001.jsonl", &[verify]),
            ("state/edges/weir/current.json", &[render, &["allowlist", "fetch"]]),
        ] {
            let mill = Mill::new(RENDER);
            trap(script, at, &mill);
            for arguments in commands {
                let what = format!("{trap_is} in the place of {at}: {arguments:?}");
                let said = mill.run(User::Root, arguments);
                assert_ne!(said.status, 0, "{what}: {said:?}");
                quiet(&what, &said);
                assert!(!mill.path("edge.txt").exists(), "{what}");
            }
        }
    }
}

/// A directory of the way is as good a place to lie in wait.
#[test]
#[ignore = "needs root: tests/all.sh runs it"]
fn no_directory_of_the_way_is_a_link_of_the_service() {
    if !is_root("reads::no_directory_of_the_way_is_a_link_of_the_service") {
        return;
    }
    for (at, script) in [
        ("edges", "mv state/edges out/; ln -s ../out/edges state/edges"),
        ("edges/weir", "mv state/edges/weir out/; ln -s ../../out/weir state/edges/weir"),
    ] {
        let mill = Mill::new(RENDER);
        mill.shell(script);
        let said = mill.run(User::Root, &["allowlist", "render"]);
        assert!(said.status != 0 && !mill.path("edge.txt").exists(), "{at}: {said:?}");
    }
}

/// What the configuration names may be a link of root's, and is nothing else than a file.
#[test]
#[ignore = "needs root: tests/all.sh runs it"]
fn what_the_configuration_names_is_read_as_carefully() {
    if !is_root("reads::what_the_configuration_names_is_read_as_carefully") {
        return;
    }
    let tables = "[[allowlist.render]]\nform = \"template\"\ntemplate = \"out/template\"\nfile = \"edge.txt\"\n\
                  [allowlist.firewall]\nkind = \"lines\"\nfile = \"out/listing\"\n";
    for (trap_is, script) in TRAPS {
        let mill = Mill::new(tables);
        trap(script, "out/template", &mill);
        trap(script, "out/listing", &mill);
        for arguments in [["allowlist", "render"], ["allowlist", "compare"]] {
            let what = format!("{trap_is}: {arguments:?}");
            let said = mill.run(User::Root, &arguments);
            assert!(said.status != 0 && !mill.path("edge.txt").exists(), "{what}: {said:?}");
            quiet(&what, &said);
        }
        fs::remove_file(mill.path("weir.txt")).unwrap();
        trap(script, "out/weir.txt", &mill);
        symlink("out/weir.txt", mill.path("weir.txt")).unwrap();
        let said = mill.run(User::Root, &["allowlist", "fetch"]);
        assert_ne!(said.status, 0, "{trap_is}: {said:?}");
        quiet(trap_is, &said);
        trap(script, "out/fingerpost.toml", &mill);
        let said = mill.run(User::Root, &["--config", "out/fingerpost.toml", "config", "check"]);
        assert_ne!(said.status, 0, "{trap_is}: {said:?}");
        quiet(trap_is, &said);
    }
    let mill = Mill::new(tables);
    fs::write(mill.path("real.txt"), "192.0.2.0/24\n").unwrap();
    for name in ["listing", "template"] {
        symlink("../real.txt", mill.path("out").join(name)).unwrap();
    }
    let said = mill.run(User::Root, &["allowlist", "compare"]);
    assert_eq!(said.status, 0, "{said:?}");
}

/// The daemon itself meets them while it runs, and still hears that it is to stop.
#[test]
#[ignore = "needs root: tests/all.sh runs it"]
fn the_daemon_waits_for_nothing_and_hears_that_it_is_to_stop() {
    if !is_root("reads::the_daemon_waits_for_nothing_and_hears_that_it_is_to_stop") {
        return;
    }
    for (at, script) in [
        ("state/edges/weir/current.json", "rm state/edges/weir/current.json; mkfifo state/edges/weir/current.json"),
        ("the source", "mkfifo out/source"),
        ("the file that is written", "mkfifo out/edge.txt"),
    ] {
        let mill = Mill::new("[[allowlist.render]]\nform = \"lines\"\nfile = \"out/edge.txt\"\n");
        let text = fs::read_to_string(mill.path("fingerpost.toml")).unwrap();
        if at == "the source" {
            fs::write(mill.path("fingerpost.toml"), text.replace("weir.txt", "out/source")).unwrap();
        }
        mill.shell(script);
        let mut command = mill.command(User::Service, &["daemon"]);
        command.env_remove("NOTIFY_SOCKET").env_remove("JOURNAL_STREAM");
        let log = mill.path("log");
        command.stderr(File::create(&log).unwrap()).stdout(Stdio::null());
        let mut daemon = command.spawn().unwrap();
        let told = || fs::read_to_string(&log).unwrap();
        let end = Instant::now() + PATIENCE;
        while !told().contains("named pipe") && Instant::now() < end {
            thread::sleep(Duration::from_millis(5));
        }
        // unix(7): its mode is what the umask leaves, and so there from the first moment.
        let sockets = fs::read_dir(mill.path("state")).unwrap().map(|one| one.unwrap().metadata().unwrap());
        let modes: Vec<u32> =
            sockets.filter(|meta| meta.file_type().is_socket()).map(|meta| meta.mode() & 0o777).collect();
        kill_process(Pid::from_child(&daemon), Signal::TERM).unwrap();
        let end = Instant::now() + PATIENCE;
        while daemon.try_wait().unwrap().is_none() && Instant::now() < end {
            thread::sleep(Duration::from_millis(5));
        }
        let status = daemon.try_wait().unwrap();
        daemon.kill().unwrap();
        daemon.wait().unwrap();
        assert!(status.is_some_and(|status| status.success()), "{at}: {status:?}: {}", told());
        assert!(told().contains("named pipe"), "{at}: {}", told());
        assert_eq!(modes, [0o660], "{at}");
    }
}

/// A daemon of root's would leave files there that the service cannot use.
#[test]
#[ignore = "needs root: tests/all.sh runs it"]
fn a_daemon_of_roots_keeps_no_directory_of_another_user() {
    if !is_root("reads::a_daemon_of_roots_keeps_no_directory_of_another_user") {
        return;
    }
    let mill = Mill::new("");
    let before: Vec<_> = fs::read_dir(mill.path("state")).unwrap().map(|one| one.unwrap().file_name()).collect();
    let said = mill.run(User::Root, &["daemon"]);
    assert_eq!(said.status, 77, "{said:?}");
    assert!(said.err.contains("state belongs to '#61184'") && said.err.contains("sudo -u '#61184'"), "{said:?}");
    let after: Vec<_> = fs::read_dir(mill.path("state")).unwrap().map(|one| one.unwrap().file_name()).collect();
    assert_eq!(before, after);
}

#[test]
#[ignore = "needs root: tests/all.sh runs it"]
fn nobody_else_can_hold_the_lock() {
    if !is_root("reads::nobody_else_can_hold_the_lock") {
        return;
    }
    let mill = Mill::new("");
    let lock = mill.path("state/lock");
    let meta = fs::metadata(&lock).unwrap();
    assert_eq!((meta.uid(), meta.mode() & 0o777), (SERVICE, 0o600));
    // A directory of before, into which everybody may look: told, and its lock is nobody else's all the same.
    fs::set_permissions(mill.path("state"), fs::Permissions::from_mode(0o755)).unwrap();
    let mut command = std::process::Command::new("flock");
    std::os::unix::process::CommandExt::uid(&mut command, SERVICE + 1);
    command.args(["-n", "state", "-c", "echo held; read end"]).current_dir(mill.path(""));
    let mut holder = command.stdin(Stdio::piped()).stdout(Stdio::piped()).spawn().unwrap();
    let mut held = String::new();
    std::io::BufRead::read_line(&mut std::io::BufReader::new(holder.stdout.as_mut().unwrap()), &mut held).unwrap();
    let said = mill.run(User::Service, &["allowlist", "fetch"]);
    drop(holder.stdin.take());
    holder.wait().unwrap();
    assert_eq!((held.as_str(), said.status), ("held\n", 0), "{said:?}");
    assert_eq!(said.err.matches("chmod 700 state").count(), 1, "{said:?}");
    // What is made is for its owner only.
    fs::remove_dir_all(mill.path("state")).unwrap();
    chown(mill.path(""), Some(SERVICE), Some(SERVICE)).unwrap();
    let said = ended(mill.command(User::Service, &["allowlist", "fetch"]).spawn().unwrap(), "fetch");
    assert_eq!((said.status, said.err.as_str()), (0, ""), "{said:?}");
    assert_eq!(fs::metadata(mill.path("state")).unwrap().mode() & 0o7777, 0o700);
}
