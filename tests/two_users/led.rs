//! What the configuration leads to: root runs nothing in which another user has a say, and all else is told.

use std::fs::{self, Permissions};
use std::os::unix::fs::{PermissionsExt as _, chown, symlink};

use crate::{Mill, SERVICE, Said, User, ended, is_root};

/// Another user than the service's.
const OTHER: u32 = SERVICE + 1;

/// Every key that names a program, with `RUN` in the place of the program.
const KEYS: [(&str, &str); 6] = [
    ("provider.loft.command", "[provider.loft]\nkind = \"program\"\nzone = \"heronmill.example\"\ncommand = [\"RUN\"]"),
    (
        "provider.loft.reload",
        "[provider.loft]\nkind = \"zonefile\"\nzone = \"heronmill.example\"\nfile = \"zone\"\nreload = [\"RUN\", \"now\"]",
    ),
    ("allowlist.render[0].reload", "[[allowlist.render]]\nform = \"lines\"\nfile = \"edge.txt\"\nreload = [\"RUN\"]"),
    ("allowlist.firewall.command", "[allowlist.firewall]\nkind = \"lines\"\ncommand = [\"RUN\"]"),
    (
        "message[0].command",
        "[[message]]\nname = \"keeper\"\nby = \"mail\"\nto = \"keeper@heronmill.example\"\n\
         from = \"mill@heronmill.example\"\ncommand = [\"RUN\"]",
    ),
    ("message[0].command", "[[message]]\nname = \"keeper\"\nby = \"program\"\ncommand = [\"RUN\"]"),
];

/// A home that runs `run`, by its path in the home, where the key of this table names it.
fn mill(table: &str, run: &str) -> Mill {
    let mill = Mill::new("");
    for (dir, owner, mode) in [("bin", 0, 0o755), ("open", 0, 0o777), ("sticky", 0, 0o1777), ("theirs", OTHER, 0o755)] {
        fs::create_dir(mill.path(dir)).unwrap();
        chown(mill.path(dir), Some(owner), Some(owner)).unwrap();
        fs::set_permissions(mill.path(dir), Permissions::from_mode(mode)).unwrap();
    }
    let run = mill.path(run).display().to_string();
    append(&mill, &table.replace("RUN", &run));
    mill
}

fn append(mill: &Mill, table: &str) {
    let text = fs::read_to_string(mill.path("fingerpost.toml")).unwrap();
    fs::write(mill.path("fingerpost.toml"), format!("{text}{table}\n")).unwrap();
}

/// A program that says in the home that it was run.
fn install(mill: &Mill, at: &str, owner: u32, mode: u32) {
    fs::write(mill.path(at), format!("#!/bin/sh\ntouch {}\n", mill.path("out/was-run").display())).unwrap();
    chown(mill.path(at), Some(owner), Some(owner)).unwrap();
    fs::set_permissions(mill.path(at), Permissions::from_mode(mode)).unwrap();
}

fn check(mill: &Mill, user: User) -> Said {
    mill.run(user, &["config", "check"])
}

/// It is told of `key`, as what does not forbid anything, or not at all.
fn noted(said: &Said, key: &str, words: &[&str]) {
    assert_eq!(said.status, 0, "{said:?}");
    let line = said.out.lines().find(|line| line.starts_with("note: ") && line.contains(key));
    match (line, words) {
        (None, []) => {}
        (Some(line), [_, ..]) => assert!(words.iter().all(|word| line.contains(word)), "{words:?}: {said:?}"),
        _ => panic!("{key}: {words:?}: {said:?}"),
    }
}

fn refused(said: &Said, key: &str, words: &[&str]) {
    assert_eq!(said.status, 78, "{said:?}");
    let line = said.err.lines().find(|line| line.contains(&format!(": {key}: "))).unwrap_or_default();
    assert!(words.iter().all(|word| line.contains(word)), "{key}: {words:?}: {said:?}");
}

#[test]
#[ignore = "needs root: tests/all.sh runs it"]
fn root_runs_no_program_in_which_another_user_has_a_say() {
    if !is_root("led::root_runs_no_program_in_which_another_user_has_a_say") {
        return;
    }
    for (key, table) in KEYS {
        let mill = mill(table, "theirs/run");
        install(&mill, "theirs/run", 0, 0o755);
        let way_out = "let it and the directories above it belong to root";
        let said = check(&mill, User::Root);
        refused(&said, key, &["would be run as root", "theirs belongs to user 61185", way_out]);
        // The service's user is told too, and goes on: it may know whom it trusts.
        noted(&check(&mill, User::Service), key, &["would be run as this user", "theirs belongs to user 61185"]);
        for command in [&["daemon"][..], &["allowlist", "render"], &["allowlist", "compare"], &["preview"], &["sync"]] {
            let said = mill.run(User::Root, command);
            assert_eq!(said.status, 78, "{command:?}: {said:?}");
        }
        assert!(!mill.path("out/was-run").exists(), "{key}");
    }
}

#[test]
#[ignore = "needs root: tests/all.sh runs it"]
fn whoever_may_write_the_program_or_a_directory_above_it_has_a_say() {
    if !is_root("led::whoever_may_write_the_program_or_a_directory_above_it_has_a_say") {
        return;
    }
    let (key, table) = KEYS[3];
    for (at, owner, mode, said_is) in [
        ("bin/run", 0, 0o755, None),
        ("bin/run", 0, 0o700, None),
        // Nobody but its owner removes it from there (unlink(2)).
        ("sticky/run", 0, 0o755, None),
        ("sticky/run", OTHER, 0o755, Some("sticky/run belongs to user 61185")),
        ("bin/run", OTHER, 0o755, Some("bin/run belongs to user 61185")),
        ("bin/run", SERVICE, 0o755, Some("bin/run belongs to user 61184")),
        ("bin/run", 0, 0o775, Some("group 0 may write")),
        ("bin/run", 0, 0o757, Some("everybody may write")),
        ("open/run", 0, 0o755, Some("open (mode 777)")),
        ("bin/link", 0, 0o755, Some("theirs belongs to user 61185")),
        ("sticky/link", 0, 0o755, Some("sticky/link belongs to user 61185")),
    ] {
        let mill = mill(table, at);
        match at {
            "bin/link" => {
                install(&mill, "theirs/run", 0, 0o755);
                symlink("../theirs/run", mill.path(at)).unwrap();
            }
            "sticky/link" => {
                install(&mill, "bin/run", 0, 0o755);
                symlink("../bin/run", mill.path(at)).unwrap();
                std::os::unix::fs::lchown(mill.path(at), Some(OTHER), Some(OTHER)).unwrap();
            }
            _ => install(&mill, at, owner, mode),
        }
        let said = check(&mill, User::Root);
        match said_is {
            None => noted(&said, key, &[]),
            Some(words) => refused(&said, key, &["would be run as root", words]),
        }
    }
}

#[test]
#[ignore = "needs root: tests/all.sh runs it"]
fn a_program_is_looked_for_where_it_would_be_found() {
    if !is_root("led::a_program_is_looked_for_where_it_would_be_found") {
        return;
    }
    let (key, table) = KEYS[3];
    let by_path = |mill: &Mill, path: &str| {
        let dirs: Vec<String> = path.split(':').map(|dir| mill.path(dir).display().to_string()).collect();
        let mut command = mill.command(User::Root, &["config", "check"]);
        ended(command.env("PATH", dirs.join(":")).spawn().unwrap(), path)
    };
    let mill = mill(&table.replace("RUN", "mill-gate"), "");
    noted(&by_path(&mill, "bin"), key, &["\"mill-gate\" is in no directory of PATH", "write its whole path"]);
    install(&mill, "bin/mill-gate", 0, 0o755);
    noted(&by_path(&mill, "bin:theirs"), key, &[]);
    noted(&by_path(&mill, "none:bin"), key, &[]);
    for before in ["theirs", "open", "sticky"] {
        refused(&by_path(&mill, &format!("{before}:bin")), key, &["would be run as root", before]);
    }
}

#[test]
#[ignore = "needs root: tests/all.sh runs it"]
fn a_program_that_cannot_be_run_is_told() {
    if !is_root("led::a_program_that_cannot_be_run_is_told") {
        return;
    }
    for (key, table) in KEYS {
        let mill = mill(table, "bin/run");
        for user in [User::Root, User::Service] {
            noted(&check(&mill, user), key, &["bin/run\" is not there; install it, or write where it is"]);
        }
        install(&mill, "bin/run", 0, 0o644);
        noted(&check(&mill, User::Root), key, &["bin/run\" is not executable", "chmod +x"]);
        install(&mill, "bin/run", 0, 0o700);
        noted(&check(&mill, User::Root), key, &[]);
        noted(&check(&mill, User::Service), key, &["bin/run\" is not executable for who runs this"]);
        fs::remove_file(mill.path("bin/run")).unwrap();
        fs::create_dir(mill.path("bin/run")).unwrap();
        noted(&check(&mill, User::Root), key, &["bin/run\" is no program"]);
        fs::set_permissions(mill.path("bin"), Permissions::from_mode(0o700)).unwrap();
        noted(&check(&mill, User::Service), key, &["bin/run\" cannot be looked at here", "run this as root"]);
    }
}

/// What a program is given is often what it runs.
#[test]
#[ignore = "needs root: tests/all.sh runs it"]
fn a_file_that_a_program_is_given_is_looked_at_too() {
    if !is_root("led::a_file_that_a_program_is_given_is_looked_at_too") {
        return;
    }
    let (key, table) = KEYS[3];
    let mill = mill(&table.replace("\"RUN\"", "\"/bin/sh\", \"RUN\""), "bin/script");
    for (owner, words) in
        [(0, &[][..]), (SERVICE, &[]), (OTHER, &["\"/bin/sh\" is given a file that others may change", "user 61185"])]
    {
        install(&mill, "bin/script", owner, 0o644);
        noted(&check(&mill, User::Root), key, words);
    }
}

#[test]
#[ignore = "needs root: tests/all.sh runs it"]
fn a_configuration_that_others_may_write_runs_nothing_as_root() {
    if !is_root("led::a_configuration_that_others_may_write_runs_nothing_as_root") {
        return;
    }
    let (_, table) = KEYS[3];
    for (owner, mode, who) in [(OTHER, 0o644, "belongs to user 61185"), (0, 0o664, "group 0"), (0, 0o646, "everybody")]
    {
        let mill = mill("", "");
        let file = mill.path("fingerpost.toml");
        let open = || {
            chown(&file, Some(owner), Some(0)).unwrap();
            fs::set_permissions(&file, Permissions::from_mode(mode)).unwrap();
        };
        open();
        for user in [User::Root, User::Service] {
            noted(&check(&mill, user), "fingerpost.toml: others may change this file", &[who, "let it and"]);
        }
        append(&mill, &table.replace("RUN", "/bin/true"));
        open();
        let said = check(&mill, User::Root);
        assert!(said.status == 78 && said.err.contains("root would run what this file names"), "{said:?}");
        assert!(said.err.contains(who), "{said:?}");
        noted(&check(&mill, User::Service), "fingerpost.toml: others may change this file", &[who]);
    }
}

#[test]
#[ignore = "needs root: tests/all.sh runs it"]
fn a_key_or_a_description_of_anothers_is_told() {
    if !is_root("led::a_key_or_a_description_of_anothers_is_told") {
        return;
    }
    let api = "[provider.loft]\nkind = \"rest\"\nzone = \"heronmill.example\"\ndescription = \"DIR/loft.toml\"\n\
               values = { server = \"https://api.dnshost.example\" }\ntoken = { file = \"DIR/token\" }";
    let (key, description) = ("provider.loft.token.file", "provider.loft.description");
    for (dir, owner, told) in [
        ("bin", 0, None),
        // Whose the state directory is, the service's: the key is for it.
        ("bin", SERVICE, None),
        ("bin", OTHER, Some("bin/token belongs to user 61185")),
        ("theirs", 0, Some("theirs belongs to user 61185")),
    ] {
        let mill = mill(&api.replace("DIR", dir), "");
        fs::write(mill.path(dir).join("loft.toml"), include_str!("../../config/providers/record.toml")).unwrap();
        fs::write(mill.path(dir).join("token"), "correct-horse-battery-staple").unwrap();
        fs::set_permissions(mill.path(dir).join("token"), Permissions::from_mode(0o600)).unwrap();
        chown(mill.path(dir).join("token"), Some(owner), Some(owner)).unwrap();
        let said = check(&mill, User::Root);
        let words: Vec<&str> = told.into_iter().collect();
        noted(&said, key, &words);
        noted(&said, description, if dir == "theirs" { &["where the token is sent", "theirs belongs"] } else { &[] });
        assert!(!said.out.contains("correct-horse"), "{said:?}");
        let json = mill.run(User::Root, &["--json", "config", "check"]);
        assert_eq!(json.out.contains("61185"), told.is_some(), "{json:?}");
    }
}
