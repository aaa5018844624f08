//! From an ordinary test to the inside of a lab, and back.
//!
//! A scenario's test runs twice. Outside, it starts its own binary again as the only command of `init.sh`, in fresh
//! namespaces; inside, marked by a variable, it does what it is there for.

use std::any::type_name;
use std::process::{Child, Command, Stdio};
use std::sync::atomic::{AtomicU32, Ordering};
use std::time::{Duration, Instant};

/// Set inside a lab; its value marks all processes of this lab, which inherit it.
pub(crate) const INSIDE: &str = "TESTS_LAB_INSIDE";

/// A lab that is still there after this many seconds is ended; `TESTS_LAB_SECONDS` says otherwise.
const SECONDS: u32 = 120;

/// The labs that this process has started.
static COUNT: AtomicU32 = AtomicU32::new(0);

/// What the inside prints when the test's own part begins and ends, for the reckoning of what the lab costs.
const SPENT: &str = "the scenario itself took ";

/// Runs `body` in a lab of its own. `test` is the test function that calls this: its path names the test.
#[track_caller]
pub(crate) fn scenario<T: Fn()>(test: T, body: impl FnOnce()) {
    scenario_for(SECONDS, test, body);
}

/// The same in a lab that may last for as many seconds.
#[track_caller]
pub(crate) fn scenario_for<T: Fn()>(seconds: u32, _test: T, body: impl FnOnce()) {
    if std::env::var_os(INSIDE).is_some() {
        let begun = Instant::now();
        body();
        println!("{SPENT}{} ms", begun.elapsed().as_millis());
        return;
    }
    let begun = Instant::now();
    let (_, name) = type_name::<T>().split_once("::").unwrap();
    let seconds = std::env::var("TESTS_LAB_SECONDS").unwrap_or_else(|_| seconds.to_string());
    let output = launch(name, &seconds, &[]).wait_with_output().unwrap();
    let said = String::from_utf8_lossy(&output.stdout);
    print!("{said}");
    eprint!("{}", String::from_utf8_lossy(&output.stderr));
    // A name that fits no test is a success to the test harness.
    assert!(output.status.success() && said.contains(" 1 passed;"), "the scenario {name} ended with {}", output.status);
    let inside = said.lines().find_map(|line| line.strip_prefix(SPENT)?.strip_suffix(" ms")?.parse().ok());
    let around = begun.elapsed().saturating_sub(Duration::from_millis(inside.unwrap()));
    println!("lab: {name} and {} ms around it", around.as_millis());
}

/// Starts the test called `name` in a lab of its own, with more variables.
///
/// The lab ends with the thread that called this, however that comes: each link of the chain is tied to the life of the
/// one before it, and `unshare` ties that of the lab to its own.
pub(crate) fn launch(name: &str, seconds: &str, variables: &[(&str, &str)]) -> Child {
    let tied = ["setpriv", "--pdeathsig", "KILL"];
    // An ordinary user becomes root of a user namespace.
    let unshare: &[_] = if rustix::process::geteuid().is_root() { &["unshare"] } else { &["unshare", "-Ur"] };
    let words = [
        &tied[..],
        &["timeout", "-s", "KILL", seconds],
        &tied,
        unshare,
        &["-n", "-m", "-p", "-u", "-f", "--kill-child", "--mount-proc"],
        &["sh", concat!(env!("CARGO_MANIFEST_DIR"), "/tests/lab/init.sh")],
    ]
    .concat();
    let path = format!("{}:/usr/local/sbin:/usr/sbin:/sbin", std::env::var("PATH").unwrap_or_default());
    Command::new(words[0])
        .args(&words[1..])
        .arg(std::env::current_exe().unwrap())
        .args([name, "--exact", "--include-ignored", "--nocapture", "--test-threads=1"])
        .env("PATH", path)
        .env(INSIDE, format!("{}-{}", std::process::id(), COUNT.fetch_add(1, Ordering::Relaxed)))
        .envs(variables.iter().copied())
        .stdin(Stdio::null())
        .stdout(Stdio::piped())
        .stderr(Stdio::piped())
        .spawn()
        .expect("setpriv (util-linux) cannot be run; is it in PATH?")
}
