//! What is read from the state directory is judged as what is fetched: whoever has got hold of the service must not get
//! into the firewall by a file.

use std::fs;

use crate::Mill;

const TABLES: &str = "[[edge]]\nname = \"weir\"\nsources = [{ file = \"weir.txt\" }]\n\
                      [[allowlist.render]]\nform = \"lines\"\nfile = \"edge.txt\"\n";

const CURRENT: &str = "state/edges/weir/current.json";

fn mill() -> Mill {
    let mill = Mill::new(TABLES);
    mill.write("weir.txt", "192.0.2.0/24\n");
    assert_eq!(mill.fetch(&[]).0, 0);
    mill
}

/// Each is refused by everything that goes by the ranges, and the way out leads out.
#[test]
fn ranges_that_were_changed_on_the_disk_are_not_believed() {
    let ours = "its ranges are not those that the audit log tells of";
    for (what, from, to, why) in [
        ("everybody", "192.0.2.0/24", "0.0.0.0/0", "0.0.0.0/0 is shorter than /8"),
        ("the home itself", "192.0.2.0/24", "10.0.0.0/24", "it holds 10.0.0.0"),
        ("others", "192.0.2.0/24", "198.51.100.0/24", ours),
        ("another version", "\"number\": 1", "\"number\": 2", ours),
    ] {
        let mill = mill();
        mill.write(CURRENT, mill.read(CURRENT).replace(from, to));
        for arguments in [["allowlist", "render"], ["allowlist", "fetch"]] {
            let said = mill.run(&arguments);
            assert_eq!(said.status, 65, "{what} {arguments:?}: {}{}", said.out, said.err);
            let way = "; remove it, and run `fingerpost allowlist fetch`";
            assert!(said.err.contains(why) && said.err.contains(way), "{what}: {}", said.err);
        }
        assert!(!mill.path("edge.txt").exists(), "{what}");
        fs::remove_file(mill.path(CURRENT)).unwrap();
        assert_eq!((mill.fetch(&[]).0, mill.run(&["allowlist", "render"]).status), (0, 0), "{what}");
        assert!(mill.read("edge.txt").ends_with("\n192.0.2.0/24\n"), "{what}");
    }
}

/// An older version that is kept beside it is ours too, and not in force.
#[test]
fn a_former_version_does_not_come_back() {
    let mill = mill();
    for list in ["192.0.2.0/25\n", "192.0.2.0/26\n"] {
        mill.write("weir.txt", list);
        assert_eq!(mill.fetch(&["--accept"]).0, 0);
    }
    mill.write(CURRENT, mill.read("state/edges/weir/1.json"));
    assert_eq!(mill.run(&["allowlist", "render"]).status, 65);
}

/// Where the log tells nothing of them any more, they wait for the next look, which enters them again.
#[test]
fn what_the_log_has_lost_is_entered_again() {
    let mill = mill();
    let log = mill.read("state/audit.jsonl");
    // A line that does not follow: what stands before it proves nothing.
    let entry = log.lines().find(|line| line.contains("\"ranges\"")).unwrap();
    mill.write("state/audit.jsonl", format!("{log}{}\n", entry.replace("\"seq\":1", "\"seq\":7")));
    let said = mill.run(&["allowlist", "render"]);
    assert_eq!(said.status, 69, "{}", said.err);
    assert!(said.err.contains("run `fingerpost allowlist fetch`, or reload the daemon"), "{}", said.err);
    let (status, edge) = mill.fetch(&[]);
    assert_eq!((status, edge["outcome"].as_str()), (0, Some("same")));
    assert_eq!(mill.run(&["allowlist", "render"]).status, 0);
    assert!(mill.read("edge.txt").contains("version 1.\n192.0.2.0/24\n"));
    // Once is enough.
    let entries = mill.read("state/audit.jsonl");
    assert_eq!((mill.fetch(&[]).0, mill.read("state/audit.jsonl")), (0, entries));
}
