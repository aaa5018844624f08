//! Lists are fetched and kept.

use std::fs::{self, File};

use serde_json::json;

use crate::Mill;
use crate::common::nginx::{Nginx, Service};

const FROM_FILE: &str = "[[edge]]\nname = \"weir\"\nsources = [{ file = \"weir.txt\" }]\n";

#[test]
fn what_is_taken_is_in_force_logged_and_kept() {
    let mill = Mill::new(FROM_FILE);
    mill.write("weir.txt", "192.0.2.0/25\n2001:db8::/33\n");
    let said = mill.run(&["allowlist", "fetch"]);
    assert_eq!(said.status, 0, "{}", said.err);
    assert!(said.out.starts_with("weir  taken\n      in force: version 1 since "), "{}", said.out);
    assert!(said.out.ends_with(", 2 ranges\n      + 192.0.2.0/25\n      + 2001:db8::/33\n"), "{}", said.out);
    let first = mill.read("state/edges/weir/current.json");

    // The same again, otherwise said: nothing is written.
    mill.write("weir.txt", "2001:db8::/33\r\n192.0.2.0/26\r\n192.0.2.64/26\r\n");
    let log = mill.read("state/audit.jsonl");
    let (status, report) = mill.fetch(&[]);
    assert_eq!((status, &report["outcome"], &report["number"]), (0, &json!("same"), &json!(1)));
    assert_eq!((mill.read("state/edges/weir/current.json"), mill.read("state/audit.jsonl")), (first.clone(), log));

    mill.write("weir.txt", "192.0.2.0/24\n2001:db8::/33\n");
    let (status, report) = mill.fetch(&[]);
    assert_eq!((status, &report["outcome"], &report["number"]), (0, &json!("taken"), &json!(2)));
    assert_eq!((&report["came"], &report["went"]), (&json!(["192.0.2.128/25"]), &json!([])));
    assert_eq!(mill.in_force(), ["192.0.2.0/24", "2001:db8::/33"]);
    assert_eq!(mill.read("state/edges/weir/1.json"), first);

    let shown = mill.run(&["audit", "show", "--event", "ranges"]).out;
    let told: Vec<&str> = shown.lines().filter_map(|line| line.split("  ").last()).collect();
    assert_eq!(
        told,
        [
            // 2^7, and 2^95 more.
            "ranges of weir, version 1; came 192.0.2.0/25, 2001:db8::/33 (39614081257132168796771975296 addresses)",
            "ranges of weir, version 2; came 192.0.2.128/25 (128 addresses)"
        ]
    );
    assert_eq!(mill.run(&["audit", "verify"]).status, 0);
}

#[test]
fn what_is_kept_is_never_guessed_at() {
    let mill = Mill::new(FROM_FILE);
    mill.write("weir.txt", "192.0.2.0/24\n");
    assert_eq!(mill.fetch(&[]).0, 0);
    for text in ["", "{}", "{\"version\":\"1\",\"number\":1,\"since\":0,\"sources\":[]}"] {
        mill.write("state/edges/weir/current.json", text);
        let said = mill.run(&["allowlist", "fetch"]);
        assert_eq!(said.status, 65, "{text}");
        assert!(
            said.err.contains("current.json does not hold: ") && said.err.contains("; remove it, and run"),
            "{}",
            said.err
        );
    }
    let none = Mill::new("");
    let said = none.run(&["allowlist", "fetch"]);
    assert_eq!(said.status, 78);
    assert!(said.err.contains("no [[edge]] is configured"), "{}", said.err);
}

/// An error stands where the source and its pages may be far: what it says to add is enough.
#[test]
fn the_table_that_is_missing_is_shown_and_holds() {
    let mill = Mill::new(FROM_FILE);
    mill.write("weir.txt", "192.0.2.0/24\n");
    assert_eq!(mill.fetch(&[]).0, 0);
    for (tables, command, missing) in [
        ("", &["allowlist", "fetch"][..], "no [[edge]] is configured: whose ranges are meant? "),
        (FROM_FILE, &["allowlist", "render"], "no [[allowlist.render]] is configured: which file is to be written? "),
        (FROM_FILE, &["allowlist", "compare"], "no [allowlist.firewall] is configured: what is to be compared? "),
        ("", &["exposure"], "no [[exposure.service]] is configured: what is to be looked at? "),
    ] {
        mill.configure(tables);
        let said = mill.run(command);
        let begins = format!("fingerpost: {missing}add it, such as\n  [");
        assert!(said.status == 78 && said.err.starts_with(&begins), "{command:?}: {} {}", said.status, said.err);
        assert!(said.err.ends_with("\n`man fingerpost.toml` explains the table\n"), "{}", said.err);
        let example: String =
            said.err.lines().filter(|line| line.starts_with("  ")).map(|line| format!("{line}\n")).collect();
        mill.configure(&(tables.to_owned() + &example));
        let checked = mill.run(&["config", "check"]);
        assert_eq!(checked.status, 0, "{example}{}", checked.err);
    }
}

fn edge(sources: &[String]) -> String {
    format!("[[edge]]\nname = \"weir\"\nsources = [{}]\n", sources.join(", "))
}

/// nginx answers 304 by itself (RFC 9110, section 13.1): it then does not even look at what stands in the file.
#[test]
#[ignore = "needs nginx: tests/all.sh runs it"]
fn what_has_not_changed_is_not_sent_again() {
    let lists = tempfile::tempdir().unwrap();
    let list = lists.path().join("list");
    fs::write(&list, "192.0.2.0/24\n").unwrap();
    let directives = format!("root {}; try_files /list =500;", lists.path().display());
    let nginx = Nginx::start(&[Service::with(&directives), Service::says("198.51.100.0/25\n")]);
    let sources = [0, 1].map(|at| format!("{{ url = \"{}\" }}", nginx.url(at)));
    let mill = Mill::new(&edge(&sources));
    assert_eq!(mill.fetch(&[]).0, 0);
    assert_eq!(mill.in_force(), ["192.0.2.0/24", "198.51.100.0/25"]);

    // As long and as old: for nginx it is the same file. The other list has changed.
    let modified = fs::metadata(&list).unwrap().modified().unwrap();
    fs::write(&list, "203.0.113/24\n").unwrap();
    File::options().write(true).open(&list).unwrap().set_modified(modified).unwrap();
    nginx.say(1, "198.51.100.0/25\n198.51.100.128/25\n");
    let (status, report) = mill.fetch(&[]);
    assert_eq!((status, &report["outcome"]), (0, &json!("taken")), "{report}");
    assert_eq!(mill.in_force(), ["192.0.2.0/24", "198.51.100.0/24"]);
    assert_eq!(nginx.asked(0, 2).len(), 2);

    // Read otherwise, it is not the same: all of it is sent, and is no JSON.
    mill.configure(&edge(&[format!("{{ url = \"{}\", lists = [\"\"] }}", nginx.url(0))]));
    let (status, report) = mill.fetch(&[]);
    assert_eq!(status, 65);
    assert!(report["why"].as_str().unwrap().contains("it is not JSON"), "{report}");
}

#[test]
#[ignore = "needs nginx: tests/all.sh runs it"]
fn a_server_that_has_no_list_changes_nothing() {
    let page = "default_type text/html; return 200 \"<h1>Down for maintenance</h1>\";";
    let (directory, program) = env!("CARGO_BIN_EXE_fingerpost").rsplit_once('/').unwrap();
    let long = format!("root {directory}; try_files /{program} =500;");
    let json = "default_type application/json; return 200 '{\"v4\":[{\"cidr\":\"192.0.2.0/24\"}],\"v6\":[{\"cidr\":\"2001:db8::/32\"}]}';";
    let services = [
        (Service::with("return 404;"), 75, "status 404"),
        (Service::with("return 304;"), 75, "status 304"),
        (Service::with("return 302 http://198.51.100.7/list;"), 75, "redirected to http://198.51.100.7"),
        (Service::with(page), 65, "it is a page for a browser, not a list"),
        (Service::with("return 200 ''; "), 65, "it is empty"),
        (Service::with(&long), 65, "it is longer than 1048576 bytes"),
        (Service::with(json), 0, ""),
    ];
    let (services, wants): (Vec<_>, Vec<_>) =
        services.into_iter().map(|(service, status, want)| (service, (status, want))).unzip();
    let nginx = Nginx::start(&services);
    let mill = Mill::new("");
    for (at, (want_status, want)) in wants.into_iter().enumerate() {
        mill.configure(&edge(&[format!(
            "{{ url = \"{}?token=secret\", lists = [\"/v4\", \"/v6\"], item = \"/cidr\" }}",
            nginx.url(at)
        )]));
        let (status, report) = mill.fetch(&[]);
        assert_eq!(status, want_status, "{report}");
        if status == 0 {
            assert_eq!(mill.in_force(), ["192.0.2.0/24", "2001:db8::/32"]);
        } else {
            let why = report["why"].as_str().unwrap();
            assert!(why.contains(want) && !why.contains("secret"), "{why}");
            assert!(!mill.path("state/edges").exists(), "{at}");
        }
    }
    assert!(!mill.read("state/edges/weir/current.json").contains("secret"));
}
