//! The memory of the daemon: nobody but root sees it, no core file has it, and it holds no more copies of a secret than
//! somebody needs.

use std::cell::Cell;
use std::fs::{self, File};
use std::os::unix::fs::FileExt as _;
use std::os::unix::process::{CommandExt as _, ExitStatusExt as _};
use std::process::{Command, Stdio};

use rustix::process::{Pid, Signal, kill_process};

use crate::living::until;
use crate::mill::{Daemon, Mill, SECRETS, Turn, goes_well};
use crate::service::{SERVICE, is_root};

/// How many copies of each secret are needed: the configuration in force has one and whoever uses it another, each twice where
/// it is in two places: the token in a header and as what is to be hidden, the webhook's in its URL (the header's value is
/// shared). What came as a variable stays in the environment besides. The text of the key is decoded, and needed no more.
const NEEDED: [usize; SECRETS.len()] = [2, 0, 4, 2, 3, 1];

/// What the service's user is told of a process of its own, by what it tries.
fn seen(pid: u32) -> Vec<(&'static str, bool)> {
    let tries = [
        ("environ", "cat /proc/PID/environ"),
        ("maps", "cat /proc/PID/maps"),
        ("mem", ": </proc/PID/mem"),
        ("fd", "ls /proc/PID/fd/ && readlink /proc/PID/fd/2"),
        ("cwd", "readlink /proc/PID/cwd"),
    ];
    let may = |script: &str| {
        let mut command = Command::new("/bin/sh");
        command.args(["-c", &script.replace("PID", &pid.to_string())]).uid(SERVICE).gid(SERVICE);
        command.stdout(Stdio::null()).stderr(Stdio::null()).status().unwrap().success()
    };
    tries.map(|(what, script)| (what, may(script))).into()
}

/// A sleep of the service's user, in this directory, with a core file of any size.
fn other(dir: &std::path::Path) -> std::process::Child {
    let mut command = Command::new("/bin/sh");
    command.args(["-c", "ulimit -c unlimited; exec sleep 1000"]).current_dir(dir).uid(SERVICE).gid(SERVICE);
    command.spawn().unwrap()
}

#[test]
#[ignore = "needs root: tests/all.sh runs it"]
fn only_root_sees_into_it_and_no_core_file_is_written() {
    if !is_root("memory::only_root_sees_into_it_and_no_core_file_is_written") {
        return;
    }
    let mill = Mill::new(Turn(0));
    let daemon = mill.daemon(&[]);
    goes_well(&mill, &daemon);
    assert!(seen(daemon.pid()).iter().all(|(_, may)| !may), "{:?}", seen(daemon.pid()));
    // Any other process of the same user is an open book to it.
    let mut other = other(mill.dir());
    until("the other process", || fs::read(format!("/proc/{}/cmdline", other.id())).unwrap().starts_with(b"sleep"));
    assert!(seen(other.id()).iter().all(|(_, may)| *may), "{:?}", seen(other.id()));
    kill_process(Pid::from_child(&other), Signal::ABORT).unwrap();
    assert!(other.wait().unwrap().core_dumped(), "no core files on this machine: nothing is proven by it");
    let status = daemon.ends_by(Signal::ABORT);
    assert!(status.signal() == Some(libc::SIGABRT) && !status.core_dumped(), "{status}");
}

/// How often the end of `text` stands in the memory that `daemon` may write: of what is given back, the beginning may be
/// overwritten by those who keep the memory.
fn copies(daemon: &Daemon, text: &str) -> usize {
    let end = &text.as_bytes()[text.len() - 12..];
    let dir = format!("/proc/{}", daemon.pid());
    // What it gives back to the system meanwhile could not be read.
    daemon.signal(Signal::STOP);
    until("its standstill", || fs::read_to_string(format!("{dir}/stat")).unwrap().contains(") T "));
    let memory = File::open(format!("{dir}/mem")).unwrap();
    let maps = fs::read_to_string(format!("{dir}/maps")).unwrap();
    let mut count = 0;
    for line in maps.lines() {
        let mut fields = line.split_ascii_whitespace();
        let (range, mode) = (fields.next().unwrap(), fields.next().unwrap());
        if !mode.starts_with("rw") {
            continue;
        }
        let (from, to) = range.split_once('-').unwrap();
        let [from, to] = [from, to].map(|at| u64::from_str_radix(at, 16).unwrap());
        let mut bytes = vec![0; usize::try_from(to - from).unwrap()];
        memory.read_exact_at(&mut bytes, from).unwrap();
        count += bytes.windows(end.len()).filter(|window| *window == end).count();
    }
    daemon.signal(Signal::CONT);
    count
}

#[test]
#[ignore = "needs root: tests/all.sh runs it"]
fn no_more_copies_of_a_secret_than_are_needed_are_in_its_memory() {
    if !is_root("memory::no_more_copies_of_a_secret_than_are_needed_are_in_its_memory") {
        return;
    }
    for turn in [0, 1, 2].map(Turn) {
        let mill = Mill::new(turn);
        let daemon = mill.daemon(&[]);
        goes_well(&mill, &daemon);
        for ((name, text), needed) in SECRETS.into_iter().zip(NEEDED) {
            let needed = needed + usize::from(turn.variables().contains(&text));
            let found = Cell::new(0);
            println!("turn {}: {name}: {needed} copies at most", turn.0);
            // Who is just signing or sending has one more.
            until("the copies to go that nobody needs", || {
                found.set(copies(&daemon, text));
                found.get() <= needed
            });
            println!("and there are {}", found.get());
        }
    }
}
