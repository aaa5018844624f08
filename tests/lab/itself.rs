//! The lab leaves nothing behind, however it ends, and several go side by side.

use std::fs;
use std::path::{Path, PathBuf};
use std::process::{Child, Command, Stdio};
use std::sync::atomic::{AtomicU32, Ordering};

use rustix::process::{Pid, Signal, kill_process};
use tempfile::TempDir;

use crate::living::until;
use crate::net::Lab;
use crate::plan::{Host, Shape};
use crate::scenario::{INSIDE, launch, scenario};

/// How the scenario below ends, and where it tells that all its parts are up.
const END: &str = "TESTS_LAB_END";
const TELL: &str = "TESTS_LAB_TELL";
const NAME: &str = "itself::with_every_part_it_ends_as_told";

#[test]
#[ignore = "needs namespaces, iproute2, nftables, nginx, named, coturn and miniupnpd: tests/all.sh runs it"]
fn with_every_part_it_ends_as_told() {
    scenario(with_every_part_it_ends_as_told, || {
        let lab = Lab::up(Shape::Plain);
        let _parts = (lab.named(""), lab.echoes(), lab.coturn(), lab.miniupnpd());
        // One that nobody waits for, and that knows no parent.
        drop(lab.exec(Host::Home, &["setsid", "--fork", "sleep", "1000"]));
        if let Some(tell) = std::env::var_os(TELL) {
            fs::write(tell, mine()).unwrap();
        }
        match std::env::var(END).as_deref() {
            Ok("panic") => panic!("as told"),
            Ok("hang") => loop {
                std::thread::park();
            },
            _ => {}
        }
    });
}

/// The value that marks the processes of this lab.
fn mine() -> String {
    std::env::var(INSIDE).unwrap()
}

/// The processes, seen from here, that have `mark` in their environment: all of one lab, whatever they have become.
fn living(mark: &str) -> Vec<PathBuf> {
    let processes = fs::read_dir("/proc").unwrap().map(|entry| entry.unwrap().path());
    let marked = format!("{INSIDE}={mark}");
    let is_marked = |process: &PathBuf| {
        let environment = fs::read(process.join("environ")).unwrap_or_default();
        environment.split(|byte| *byte == 0).any(|variable| variable == marked.as_bytes())
    };
    processes.filter(is_marked).collect()
}

/// No mount of a lab is seen from here.
fn nothing_is_mounted() {
    let mounts = fs::read_to_string("/proc/self/mountinfo").unwrap();
    let of_a_lab = |line: &&str| line.contains(" - tmpfs lab ") || line.contains("/run/netns/home");
    assert_eq!(mounts.lines().find(of_a_lab), None);
}

/// A lab with every part, up.
struct Up {
    child: Child,
    mark: String,
    _dir: TempDir,
}

impl Up {
    fn new(start: impl FnOnce(&[(&str, &str)]) -> Child, end: &str) -> Self {
        let dir = tempfile::tempdir().unwrap();
        let tell = dir.path().join("tell");
        let child = start(&[(END, end), (TELL, tell.to_str().unwrap())]);
        let told = |path: &Path| fs::read_to_string(path).ok().filter(|text| !text.is_empty());
        until("the lab", || told(&tell).is_some());
        Self { child, mark: told(&tell).unwrap(), _dir: dir }
    }

    #[track_caller]
    fn ends(mut self, code: Option<i32>) {
        assert_eq!(self.child.wait().unwrap().code(), code);
        // The kernel ends the processes of a namespace after its first, and before the first has ended altogether.
        until("the end of all that was in the lab", || living(&self.mark).is_empty());
        nothing_is_mounted();
    }
}

#[test]
#[ignore = "needs namespaces, iproute2, nftables, nginx, named, coturn and miniupnpd: tests/all.sh runs it"]
fn nothing_is_left_behind() {
    let lab = |end| Up::new(|variables| launch(NAME, "60", variables), end);
    lab("well").ends(Some(0));
    lab("panic").ends(Some(101));

    // Its time is up, however far it has come: timeout ends unshare, and itself, by SIGKILL.
    let mark = format!("{}-timed", std::process::id());
    let timed = launch(NAME, "1", &[(END, "hang"), (INSIDE, &mark)]);
    until("its beginning", || living(&mark).len() > 3);
    Up { child: timed, mark, _dir: tempfile::tempdir().unwrap() }.ends(None);

    // The first link of the chain is killed.
    let killed = lab("hang");
    assert!(living(&killed.mark).len() > 6, "this test sees too little: {:?}", living(&killed.mark));
    kill_process(Pid::from_child(&killed.child), Signal::KILL).unwrap();
    killed.ends(None);

    // Whoever runs the tests is killed.
    let runner = |variables: &[(&str, &str)]| {
        let mut command = Command::new(std::env::current_exe().unwrap());
        command.args([NAME, "--exact", "--include-ignored"]).envs(variables.iter().copied());
        command.stdin(Stdio::null()).stdout(Stdio::null()).stderr(Stdio::null()).spawn().unwrap()
    };
    let killed = Up::new(runner, "hang");
    assert!(living(&killed.mark).len() > 6);
    kill_process(Pid::from_child(&killed.child), Signal::KILL).unwrap();
    killed.ends(None);
}

#[test]
#[ignore = "needs namespaces, iproute2, nftables, nginx, named, coturn and miniupnpd: tests/all.sh runs it"]
fn four_go_side_by_side() {
    // All four are up before the first of them may end.
    let (up_now, ending) = (AtomicU32::new(0), AtomicU32::new(0));
    let meet = |counter: &AtomicU32| {
        counter.fetch_add(1, Ordering::Relaxed);
        until("the others", || counter.load(Ordering::Relaxed) == 4);
    };
    let one = || {
        let up = Up::new(|variables| launch(NAME, "60", variables), "hang");
        meet(&up_now);
        assert!(living(&up.mark).len() > 6);
        meet(&ending);
        kill_process(Pid::from_child(&up.child), Signal::KILL).unwrap();
        up.ends(None);
    };
    std::thread::scope(|scope| {
        for _ in 0..4 {
            scope.spawn(one);
        }
    });
}
