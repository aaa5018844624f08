//! A child with all that it started, and their end, by /proc/PID/stat.
//!
//! Every child is a subreaper (PR_SET_CHILD_SUBREAPER(2const)): what its children leave behind becomes its own, whatever
//! session and process group it took. So as long as the child has not been waited for, everything that it started is found
//! beneath it, and nothing of another child's is.

use std::collections::BTreeSet;
use std::thread;
use std::time::{Duration, Instant};

use rustix::process::{Pid, PidfdFlags, Signal, kill_process, pidfd_open, pidfd_send_signal};

/// A process that the system keeps in a call of its own dies when that ends: who waits longer waits for a broken disk.
const PATIENCE: Duration = Duration::from_secs(2);
/// Between two looks whether all are gone.
const MOMENT: Duration = Duration::from_millis(1);

/// One process at one moment. Its number is another one's later; number and birth together are nobody else's.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
struct Seen {
    pid: i32,
    parent: i32,
    born: u64,
    lives: bool,
}

impl Seen {
    /// The line of proc_pid_stat(5). The name, in parentheses, is whatever the process likes.
    fn parse(line: &str) -> Option<Self> {
        let (pid, rest) = line.split_once(" (")?;
        let (_, rest) = rest.rsplit_once(") ")?;
        // The third field is the first behind the name: the state; num_threads is the 20th, starttime the 22nd.
        let fields: Vec<&str> = rest.split_ascii_whitespace().collect();
        let ended = matches!(*fields.first()?, "Z" | "X" | "x");
        // Where the first thread ends before the others, it is the process's that is told here.
        let threads: u32 = fields.get(17)?.parse().ok()?;
        Some(Self {
            pid: pid.parse().ok()?,
            parent: fields.get(1)?.parse().ok()?,
            born: fields.get(19)?.parse().ok()?,
            lives: !ended || threads > 1,
        })
    }

    /// The process that has this number now.
    fn now(pid: i32) -> Option<Self> {
        Self::parse(&String::from_utf8_lossy(&std::fs::read(format!("/proc/{pid}/stat")).ok()?))
    }

    fn is(self, other: Self) -> bool {
        (self.pid, self.born) == (other.pid, other.born)
    }

    /// Sends it a signal, unless its number has become another one's.
    fn send(self, signal: Signal) {
        let Some(pid) = Pid::from_raw(self.pid) else { return };
        // Opened before it is looked at: if it is the one that was seen then, that is what was opened.
        let handle = pidfd_open(pid, PidfdFlags::empty());
        if !Self::now(self.pid).is_some_and(|now| now.is(self)) {
            return;
        }
        // Whatever fails here: it has ended, or it belongs to somebody else and is not ours to end.
        let _ = match handle {
            Ok(handle) => pidfd_send_signal(handle, signal),
            // A kernel before 5.3, or a filter that does not know the call.
            Err(_) => kill_process(pid, signal),
        };
    }
}

/// The numbers by which the entries of the directory `path` are called.
fn numbers(path: &str) -> impl Iterator<Item = i32> + use<> {
    let entries = std::fs::read_dir(path).into_iter().flatten();
    entries.filter_map(|entry| entry.ok()?.file_name().to_str()?.parse().ok())
}

/// Whom `root`, and those whom it started, have started, by proc_pid_task_tid_children(5); `None` where a kernel does not
/// tell.
fn by_children(root: Seen) -> Option<Vec<Seen>> {
    std::fs::metadata("/proc/thread-self/children").ok()?;
    let (mut found, mut parents) = (Vec::new(), vec![root.pid]);
    while let Some(parent) = parents.pop() {
        for thread in numbers(&format!("/proc/{parent}/task")) {
            let text = std::fs::read_to_string(format!("/proc/{parent}/task/{thread}/children")).unwrap_or_default();
            let children = text.split_ascii_whitespace().filter_map(|pid| Seen::now(pid.parse().ok()?));
            for child in children.filter(|child| child.parent == parent) {
                parents.push(child.pid);
                found.push(child);
            }
        }
    }
    Some(found)
}

/// Those of `all` that `root`, or one whom it started, has started.
fn beneath(root: Seen, all: &[Seen]) -> Vec<Seen> {
    let (mut found, mut parents) = (Vec::new(), vec![root.pid]);
    while let Some(parent) = parents.pop() {
        for child in all.iter().filter(|one| one.parent == parent) {
            parents.push(child.pid);
            found.push(*child);
        }
    }
    found
}

fn names(seen: &[Seen]) -> BTreeSet<(i32, u64)> {
    seen.iter().map(|one| (one.pid, one.born)).collect()
}

/// A child, and all beneath it.
#[derive(Clone, Copy, Debug)]
pub(super) struct Tree(Seen);

impl Tree {
    /// That of the child `pid`, which has not been waited for; `None` where /proc does not tell.
    pub(super) fn of(pid: Pid) -> Option<Self> {
        Seen::now(pid.as_raw_nonzero().get()).map(Self)
    }

    /// All beneath it, also who has ended and was not waited for.
    fn look(self) -> Vec<Seen> {
        let all = || numbers("/proc").filter_map(Seen::now).collect::<Vec<_>>();
        let found = by_children(self.0).unwrap_or_else(|| beneath(self.0, &all()));
        // Where its number is another one's by now, it has been waited for, and nothing is beneath it.
        if Seen::now(self.0.pid).is_some_and(|now| now.is(self.0)) { found } else { Vec::new() }
    }

    /// Ends all of it, the child last: as long as it is there, none gets away from beneath it.
    pub(super) fn end(self) {
        // It neither starts anything more nor waits for anybody: whoever ends stays to be seen.
        self.0.send(Signal::STOP);
        let until = Instant::now() + PATIENCE;
        let (mut left_before, mut ended_before) = (BTreeSet::new(), None);
        while Instant::now() < until {
            let (left, ended): (Vec<Seen>, Vec<Seen>) = self.look().into_iter().partition(|one| one.lives);
            left.iter().for_each(|one| one.send(Signal::KILL));
            let ended = left.is_empty().then(|| names(&ended));
            // Whoever had ended before this look began, left nobody behind whom it would not have found.
            if ended.is_some() && ended == ended_before {
                break;
            }
            let left = names(&left);
            if !left.is_empty() && left == left_before {
                thread::sleep(MOMENT);
            }
            (left_before, ended_before) = (left, ended);
        }
        self.0.send(Signal::KILL);
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_line_is_read_whatever_the_name_is() {
        let line = |name: &str, state: &str, threads: u32| {
            format!("4711 ({name}) {state} 42 1 1 0 -1 4194560 1 0 0 0 0 0 0 0 20 0 {threads} 0 98765 1000 1 184\n")
        };
        let seen = |lives| Some(Seen { pid: 4711, parent: 42, born: 98765, lives });
        for name in ["sh", "a b", ") Z 1 (", "(((", "", "\u{fffd}"] {
            assert_eq!(Seen::parse(&line(name, "S", 1)), seen(true), "{name}");
            assert_eq!(Seen::parse(&line(name, "Z", 1)), seen(false), "{name}");
            assert_eq!(Seen::parse(&line(name, "Z", 2)), seen(true), "{name}");
        }
        for odd in ["", "4711", "4711 (sh", "4711 (sh) S", "x (sh) S 42"] {
            assert_eq!(Seen::parse(odd), None, "{odd}");
        }
        let me = Seen::now(rustix::process::getpid().as_raw_nonzero().get()).unwrap();
        let parent = rustix::process::getppid().map_or(0, |pid| pid.as_raw_nonzero().get());
        assert!(me.lives && me.parent == parent, "{me:?}");
    }

    #[test]
    fn beneath_are_those_whom_it_started_and_nobody_elses() {
        let seen = |pid, parent| Seen { pid, parent, born: 100, lives: pid != 13 };
        let root = seen(10, 1);
        let all = [seen(1, 0), root, seen(11, 10), seen(12, 11), seen(13, 10), seen(14, 1), seen(15, 14)];
        let pids = |found: Vec<Seen>| found.iter().map(|one| one.pid).collect::<BTreeSet<_>>();
        assert_eq!(pids(beneath(root, &all)), BTreeSet::from([11, 12, 13]));
    }

    /// Both ways to look see the same, as long as nobody comes or goes.
    #[test]
    fn a_kernel_that_does_not_tell_the_children_is_no_hindrance() {
        let mut command = std::process::Command::new("/bin/sh");
        command.args(["-c", "sleep 60 & (sleep 60 & sleep 60 & echo up; wait)"]).stdout(std::process::Stdio::piped());
        let mut child = command.spawn().unwrap();
        let mut up = [0; 3];
        std::io::Read::read_exact(child.stdout.as_mut().unwrap(), &mut up).unwrap();
        let tree = Tree::of(Pid::from_child(&child)).unwrap();
        let sorted = |found: Vec<Seen>| found.iter().map(|one| (one.pid, one.parent)).collect::<BTreeSet<_>>();
        let all: Vec<Seen> = numbers("/proc").filter_map(Seen::now).collect();
        let (by_children, by_all) = (by_children(tree.0).unwrap(), beneath(tree.0, &all));
        assert!(by_all.len() >= 4, "{by_all:?}");
        assert_eq!(sorted(by_children), sorted(by_all));
        tree.end();
        child.wait().unwrap();
        assert!(tree.look().is_empty());
    }
}
