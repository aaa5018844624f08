//! Everything that the program says, keeps and hands on, by every command and at both levels of the log, with a secret in
//! each place that takes one and from each source: none is in any of it.

use std::collections::BTreeSet;
use std::fs::{self, File};
use std::os::unix::process::ExitStatusExt as _;
use std::path::PathBuf;

use clap::CommandFactory as _;
use fingerpost::cli::Cli;
use rustix::process::Signal;

use crate::living::until;
use crate::mill::{Daemon, FAR, Mill, SECRETS, Turn, goes_well, got};
use crate::search::Searcher;
use crate::service::is_root;

/// Every command, as often as it has forms that say something else.
const COMMANDS: [&[&str]; 27] = [
    &["locate"],
    &["locate", "--json"],
    &["preview"],
    &["preview", "--json"],
    &["sync"],
    &["sync", "--json", "--one-round"],
    &["sync", "--wait"],
    &["status"],
    &["status", "--json"],
    &["audit", "show"],
    &["audit", "show", "--json"],
    &["audit", "show", "--csv"],
    &["audit", "show", "--plot"],
    &["audit", "verify"],
    &["audit", "verify", "--json"],
    &["allowlist", "fetch"],
    &["allowlist", "compare"],
    &["allowlist", "render"],
    &["allowlist", "render", "--json"],
    &["exposure"],
    &["exposure", "--json"],
    &["config", "check"],
    &["config", "check", "--json"],
    &["config", "show"],
    &["config", "show", "--json"],
    &[
        "config",
        "new",
        "--out",
        "-",
        "--zone",
        "mill.example",
        "--record",
        "gauge.mill.example",
        "--server",
        "ns.mill.example",
    ],
    &["rehearse"],
];

/// Those that run until they are told to stop.
const LASTING: [&str; 2] = ["daemon", "echo"];

/// Something that others may get to see, and the secrets that their owner has put there.
struct Exhibit {
    what: String,
    bytes: Vec<u8>,
    meant: Vec<&'static str>,
}

fn shown(what: impl Into<String>, bytes: impl Into<Vec<u8>>) -> Exhibit {
    Exhibit { what: what.into(), bytes: bytes.into(), meant: Vec::new() }
}

/// The names of all commands that do something.
fn leaves(command: &clap::Command, before: &str) -> BTreeSet<String> {
    let named = |command: &clap::Command| format!("{before} {}", command.get_name()).trim().to_owned();
    let below = |command| {
        if clap::Command::has_subcommands(command) { leaves(command, &named(command)) } else { [named(command)].into() }
    };
    command.get_subcommands().flat_map(below).collect()
}

#[test]
fn the_sweep_knows_every_command() {
    let all = leaves(&Cli::command(), "");
    let is_of = |leaf: &&String| COMMANDS.iter().any(|words| words.join(" ").starts_with(leaf.as_str()));
    let missing: Vec<_> = all.iter().filter(|leaf| !is_of(leaf) && !LASTING.contains(&leaf.as_str())).collect();
    assert!(all.len() > 10 && missing.is_empty(), "{missing:?}");
}

#[test]
#[ignore = "needs root: tests/all.sh runs it"]
fn no_secret_is_in_anything_that_others_see() {
    if !is_root("sweep::no_secret_is_in_anything_that_others_see") {
        return;
    }
    let searcher = Searcher::of(&SECRETS);
    let (mut searched, mut found) = (0, Vec::new());
    for turn in [0, 1, 2].map(Turn) {
        for more in [&[][..], &["-vv"]] {
            for Exhibit { what, bytes, meant } in everything(turn, more) {
                let hits = searcher.find(&bytes).into_iter().filter(|(name, _)| !meant.contains(name));
                found.extend(hits.map(|(name, how)| format!("turn {}, {more:?}: {what}: {name}, {how}", turn.0)));
                searched += bytes.len();
            }
        }
    }
    println!("{searched} bytes searched");
    assert!(found.is_empty(), "{}", found.join("\n"));
}

/// A life of the daemon, with all the commands beside it and after it.
fn everything(turn: Turn, more: &[&str]) -> Vec<Exhibit> {
    let mill = Mill::new(turn);
    let daemon = mill.daemon(more);
    goes_well(&mill, &daemon);
    let mut all = of_process(&daemon, turn);
    all.extend(of_page(&daemon));
    is_refused(&mill, &daemon);
    all.extend(of_process(&daemon, turn));
    all.extend(of_page(&daemon));
    for words in COMMANDS.iter().filter(|words| words[0] != "rehearse" || turn.0 == 0) {
        all.extend(of_command(&mill, words, more));
    }
    all.push(of_echo(&mill, more));
    let rung = mill.rung.lock().unwrap().clone();
    all.extend(rung.iter().map(|request| shown("a message", request.split_once("\r\n\r\n").unwrap().1)));
    // With all its memory, as after a fault of its own.
    let status = daemon.ends_by(Signal::ABORT);
    assert!(status.signal() == Some(libc::SIGABRT) && !status.core_dumped(), "{status}");
    for words in [&["status"][..], &["status", "--json"], &["preview"], &["sync"]] {
        all.extend(of_command(&mill, words, more));
    }
    let files = mill.files();
    let has = |name: &str| files.iter().any(|(path, bytes)| path.ends_with(name) && !bytes.is_empty());
    for name in
        ["state/state.json", "state/audit.jsonl", "log", "inbox", "children/barn", "children/mail", "children/reload"]
    {
        assert!(has(name), "{name} is not there");
    }
    all.extend(files.into_iter().map(|(path, bytes)| shown(path.display().to_string(), bytes)));
    all
}

/// The home moves, the API and the program refuse and say all that they know, and the configuration is read again.
fn is_refused(mill: &Mill, daemon: &Daemon) {
    mill.refuse();
    mill.moves_to(FAR);
    daemon.says("not by ");
    daemon.says("barn.sh failed ");
    assert!(mill.dir().join("told-all").exists());
    daemon.signal(Signal::HUP);
    daemon.says("configuration reloaded");
}

fn of_process(daemon: &Daemon, turn: Turn) -> Vec<Exhibit> {
    let dir = PathBuf::from(format!("/proc/{}", daemon.pid()));
    let mut all = vec![shown("its command line", fs::read(dir.join("cmdline")).unwrap())];
    let environment = fs::read(dir.join("environ")).unwrap();
    assert!(environment.starts_with(b"PATH=") || environment.windows(6).any(|part| part == b"\0PATH="));
    // Whoever has put the text of the key there has put the key there.
    let texts = turn.variables();
    let is_meant = |text: &str| texts.contains(&text) || text == SECRETS[0].1 && texts.contains(&SECRETS[1].1);
    let meant = SECRETS.iter().filter(|(_, text)| is_meant(text)).map(|(name, _)| *name).collect();
    all.push(Exhibit { meant, ..shown("its environment", environment) });
    for entry in fs::read_dir(dir.join("fd")).unwrap().map(Result::unwrap) {
        // One may be closed meanwhile.
        let Ok(to) = fs::read_link(entry.path()) else { continue };
        all.push(shown("what it has open", to.display().to_string()));
        if to.is_file() {
            all.push(shown(format!("{}, which it has open", to.display()), fs::read(to).unwrap()));
        }
    }
    all
}

fn of_page(daemon: &Daemon) -> Vec<Exhibit> {
    let log = daemon.log();
    let rest = log.split("the status page is at http://").nth(1).unwrap_or_else(|| panic!("{log}"));
    let at = rest.split('/').next().unwrap().parse().unwrap();
    let get = |path: &&str| {
        let answer = got(at, path);
        assert!(answer.len() > 100, "{path}: {answer}");
        shown(format!("the page {path}"), answer)
    };
    ["/", "/status.json", "/metrics", "/healthz", "/readyz", "/nowhere"].iter().map(get).collect()
}

fn of_command(mill: &Mill, words: &[&str], more: &[&str]) -> [Exhibit; 2] {
    let output = mill.run(&[words, more].concat());
    assert!(output.status.code().is_some(), "{words:?}: {}", output.status);
    assert!(!output.stdout.is_empty() || !output.stderr.is_empty(), "{words:?} says nothing");
    [shown(format!("{words:?}"), output.stdout), shown(format!("{words:?}, standard error"), output.stderr)]
}

fn of_echo(mill: &Mill, more: &[&str]) -> Exhibit {
    let log = mill.dir().join("echo-log");
    let mut command = mill.command(&[&["echo", "--http", "127.0.0.1:0"], more].concat());
    let mut echo = command.stderr(File::create(&log).unwrap()).spawn().unwrap();
    until("a word of echo", || fs::metadata(&log).unwrap().len() > 0);
    echo.kill().unwrap();
    echo.wait().unwrap();
    shown("echo", fs::read(&log).unwrap())
}
