//! What is no list, or cannot be right, is refused whole, each with its reason: what was in force stays so, down to the
//! last byte of the firewall's file. What is only untidy is taken, with a note.

use std::fs;

use serde_json::json;

use crate::Mill;

const TABLES: &str = "[[edge]]\nname = \"weir\"\nsources = [{ file = \"weir.txt\" }]\n\
                      [[allowlist.render]]\nform = \"lines\"\nfile = \"edge.txt\"\n";

/// 32 and 16 addresses.
const GOOD: &str = "192.0.2.0/27\n198.51.100.0/28\n";

/// Nobody's leave makes a list of what is none.
const NO_LIST: i32 = 65;

/// A person may know better.
const DOUBTFUL: i32 = 77;

/// With [`GOOD`] in force and written.
fn mill() -> Mill {
    let mill = Mill::new(TABLES);
    mill.write("weir.txt", GOOD);
    assert_eq!(mill.fetch(&[]).0, 0);
    assert_eq!(mill.run(&["allowlist", "render"]).status, 0);
    assert!(mill.read("edge.txt").ends_with(&format!("version 1.\n{GOOD}")));
    mill
}

/// What the audit log tells of refusals.
fn told(mill: &Mill) -> Vec<String> {
    let shown = ["found", "gone"].map(|event| mill.run(&["audit", "show", "--event", event]).out).concat();
    shown.lines().filter_map(|line| line.split("  ").last()).map(str::to_owned).collect()
}

/// What the firewall gets to read, and what is in force.
fn stands(mill: &Mill) -> (String, String) {
    assert_eq!(mill.run(&["allowlist", "render"]).status, 0);
    (mill.read("edge.txt"), mill.read("state/edges/weir/current.json"))
}

const ACCEPT: &str = "; look at the list, and if it is right take it with `fingerpost allowlist fetch --accept`";

#[test]
fn a_list_that_is_not_believed_changes_nothing() {
    let everybody = "so many addresses are no edge's; if they are, lower `shortest`";
    let page = "weir.txt: it is a page for a browser, not a list: something stands in the way, or the URL is wrong";
    let cases: &[(&str, &str, i32, String)] = &[
        ("everybody", "0.0.0.0/0\n", NO_LIST, format!("0.0.0.0/0 is shorter than /8: {everybody}")),
        (
            "everybody among others",
            "192.0.2.0/27\n198.51.100.0/28\n0.0.0.0/0\n",
            NO_LIST,
            format!("0.0.0.0/0 is shorter than /8: {everybody}"),
        ),
        (
            "everybody in halves",
            "0.0.0.0/1\n128.0.0.0/1\n",
            NO_LIST,
            format!("0.0.0.0/0 is shorter than /8: {everybody}"),
        ),
        ("everybody of IPv6", "::/0\n", NO_LIST, format!("::/0 is shorter than /19: {everybody}")),
        (
            "far too short",
            "192.0.2.0/27\n198.51.100.0/2\n",
            NO_LIST,
            format!("192.0.0.0/2 is shorter than /8: {everybody}"),
        ),
        (
            "private",
            "192.0.2.0/27\n10.1.0.0/16\n",
            NO_LIST,
            "it holds 10.1.0.0: 10.0.0.0/8 is private, RFC 1918: the router's inside, where nothing from outside can reach you".into(),
        ),
        ("empty", "", NO_LIST, "weir.txt: it is empty".into()),
        ("nothing but remarks", "# moved\r\n", NO_LIST, "weir.txt: it is empty".into()),
        ("HTML", "<!doctype html><title>Welcome</title>", NO_LIST, page.into()),
        (
            "HTML behind a range",
            "192.0.2.0/27\n<br>\n",
            NO_LIST,
            "weir.txt: line 2 is not an address range: <br>".into(),
        ),
        (
            "two in a line",
            "192.0.2.0/27 198.51.100.0/28\n",
            NO_LIST,
            "weir.txt: line 1 is not an address range: 192.0.2.0/27 198.51.100.0/28".into(),
        ),
        (
            "octal",
            "192.0.2.0/27\n198.51.0100.0/28\n",
            NO_LIST,
            "weir.txt: line 2 is not an address range: 198.51.0100.0/28".into(),
        ),
        (
            "half of it is gone",
            "192.0.2.0/28\n198.51.100.0/29\n",
            DOUBTFUL,
            format!("50 percent of its IPv4 addresses are gone, and `may_lose` is 30 percent{ACCEPT}"),
        ),
        (
            // 256, 128, 64 and 32 addresses.
            "ten times as many",
            "192.0.2.0/24\n198.51.100.0/25\n203.0.113.0/26\n203.0.113.64/27\n",
            DOUBTFUL,
            format!("its IPv4 addresses grew by 900 percent, and `may_gain` is 100 percent{ACCEPT}"),
        ),
        (
            "another family",
            "192.0.2.0/27\n198.51.100.0/28\n2001:db8::/32\n",
            DOUBTFUL,
            format!("it has IPv6 addresses, and had none before{ACCEPT}"),
        ),
    ];
    let mill = mill();
    let before = stands(&mill);
    for (name, list, status, why) in cases {
        mill.write("weir.txt", list);
        let (got, report) = mill.fetch(&[]);
        assert_eq!((got, &report["outcome"]), (*status, &json!("refused")), "{name}: {report}");
        assert_eq!((&report["number"], &report["acceptable"]), (&json!(1), &json!(*status == DOUBTFUL)), "{name}");
        let told = report["why"].as_str().unwrap();
        // Files are named with their directory.
        assert_eq!(&told[told.find("weir.txt").unwrap_or(0)..], why, "{name}");
        assert_eq!(stands(&mill), before, "{name}");
        if *status == NO_LIST {
            assert_eq!(mill.fetch(&["--accept"]).0, NO_LIST, "{name}");
            assert_eq!(stands(&mill), before, "{name}");
        }
    }
    // That one is not believed is told once, also when the state has to be made anew from that.
    let found = format!("found: the ranges of weir are not taken: {}", cases[0].3);
    assert_eq!(told(&mill), [found.as_str()]);
    fs::remove_file(mill.path("state/state.json")).unwrap();
    assert_eq!(mill.fetch(&[]).0, DOUBTFUL);
    assert_eq!(told(&mill), [found.as_str()]);

    fs::remove_file(mill.path("weir.txt")).unwrap();
    let said = mill.run(&["allowlist", "fetch"]);
    assert_eq!(said.status, 75);
    assert!(said.out.contains("weir.txt: No such file or directory\n"), "{}", said.out);
    assert_eq!(stands(&mill), before);
    assert_eq!(told(&mill), [found.as_str()], "whether it would be believed now is not known");

    // A person has looked at it.
    mill.write("weir.txt", "192.0.2.0/28\n");
    assert_eq!(mill.fetch(&["--accept"]).0, 0);
    assert_eq!(mill.in_force(), ["192.0.2.0/28"]);
    assert!(stands(&mill).0.ends_with("version 2.\n192.0.2.0/28\n"));
    assert_eq!(told(&mill), [found.as_str(), "gone: ranges: weir"]);
    assert_eq!(mill.run(&["audit", "verify"]).status, 0);
}

#[test]
fn what_is_untidy_is_taken_with_a_note() {
    let host = "has bits set behind its prefix: taken for";
    let cases: &[(&str, &str, &[&str])] = &[
        ("CRLF", "192.0.2.0/27\r\n198.51.100.0/27\r\n", &[]),
        ("a byte order mark", "\u{feff}192.0.2.0/27\n198.51.100.0/27\n", &[]),
        ("twice", "192.0.2.0/27\n198.51.100.0/27\n192.0.2.0/27\n", &["1 range is listed twice"]),
        (
            "within another",
            "192.0.2.0/27\n192.0.2.16/28\n198.51.100.0/27\n",
            // That lets nobody in or out.
            &[],
        ),
        (
            "host bits",
            "192.0.2.7/27\n198.51.100.31/27\n",
            &[&format!("192.0.2.7/27 {host} 192.0.2.0/27"), &format!("198.51.100.31/27 {host} 198.51.100.0/27")],
        ),
        ("no end of the last line", "192.0.2.0/27\n198.51.100.0/27", &[]),
        (
            "all at once",
            "\u{feff}# the weir\r\n\r\n198.51.100.0/27 ; north\r\n192.0.2.7/27\r\n192.0.2.0/27\r\n",
            &[&format!("192.0.2.7/27 {host} 192.0.2.0/27"), "1 range is listed twice"],
        ),
    ];
    for (name, list, notes) in cases {
        let mill = mill();
        mill.write("weir.txt", list);
        let (status, report) = mill.fetch(&[]);
        assert_eq!(
            (status, &report["outcome"], &report["number"]),
            (0, &json!("taken"), &json!(2)),
            "{name}: {report}"
        );
        let told: Vec<_> = report["notes"].as_array().unwrap().iter().map(|note| note.as_str().unwrap()).collect();
        let told: Vec<_> = told.iter().map(|note| note.split_once("weir.txt: ").unwrap().1).collect();
        assert_eq!(told, *notes, "{name}");
        assert_eq!(mill.in_force(), ["192.0.2.0/27", "198.51.100.0/27"], "{name}");
        assert!(stands(&mill).0.ends_with("version 2.\n192.0.2.0/27\n198.51.100.0/27\n"), "{name}");
    }
}
