//! `fingerpost status`.

use std::io::{BufRead as _, BufReader};
use std::process::{Command, Stdio};

use serde_json::Value;

use crate::living::{binary, until};
use crate::{AWAY, HOME, Mill, python};

const SCHEMA: &str = concat!(env!("CARGO_MANIFEST_DIR"), "/config/status.schema.json");

#[test]
fn it_tells_what_the_daemon_knows_and_what_it_left_behind() {
    let mill = Mill::new("");
    let daemon = mill.daemon();
    let said = mill.run(&["status"]);
    let text = String::from_utf8(said.stdout).unwrap();
    // A CNAME stands where `cam` is wanted: a person has to act.
    assert_eq!(said.status.code(), Some(77), "{text}");
    assert!(text.starts_with("1 of 2 records is in step, 1 blocked. The home is at 203.0.113.77 since 20"), "{text}");
    assert!(text.contains(", on the word of 3 of 3 operators.\n! cam.heronmill.example A is blocked: "), "{text}");
    assert!(text.contains("\ngauge.heronmill.example  A     203.0.113.77   in step\n"), "{text}");
    assert!(text.contains("writes left today\n"), "{text}");

    // One of them says something else: the vote goes on, and it is told.
    mill.echoes[2].home_is_at(AWAY);
    until("the dissent", || {
        String::from_utf8(mill.run(&["status"]).stdout).unwrap().contains("      tern-labs says 203.0.113.9\n")
    });
    daemon.stop();

    let said = mill.run(&["status", "--json"]);
    assert_eq!(said.status.code(), Some(69));
    let left: Value = serde_json::from_slice(&said.stdout).unwrap();
    assert_eq!((left["running"].as_bool(), left["rounds"].as_u64()), (Some(false), Some(0)));
    assert_eq!(left["homes"][0]["settled"], HOME.to_string());
    assert_eq!(left["stays"][0]["address"], HOME.to_string());
    let states = |status: &Value| {
        let one = |record: &Value| (record["name"].as_str().unwrap().to_owned(), record["state"].to_string());
        status["records"].as_array().unwrap().iter().map(one).collect::<Vec<_>>()
    };
    let unknown = |label: &str| (format!("{label}.heronmill.example"), "\"unknown\"".to_owned());
    assert_eq!(states(&left), [unknown("gauge"), unknown("cam")]);
    assert_eq!(left["records"][0]["at_provider"], serde_json::json!([HOME]));
    let text = String::from_utf8(mill.run(&["status"]).stdout).unwrap();
    let begin = "No daemon runs here; what it left behind: 1 record as it was last seen. The home was last settled at \
                 203.0.113.77 since 20";
    assert!(text.starts_with(begin) && !text.contains("   in step") && !text.contains("no ruling"), "{text}");
    assert!(text.contains("\ngauge.heronmill.example  A     203.0.113.77   unknown: last seen there\n"), "{text}");
    assert!(text.contains("\nIPv4  last settled at 203.0.113.77\n"), "{text}");

    // Another name is configured now: what was left behind of the old one is nobody's business.
    let file = mill.dir().join("fingerpost.toml");
    let renamed = std::fs::read_to_string(&file).unwrap().replace("gauge.heronmill", "weir.heronmill");
    std::fs::write(&file, renamed).unwrap();
    let left: Value = serde_json::from_slice(&mill.run(&["status", "--json"]).stdout).unwrap();
    assert_eq!(states(&left), [unknown("weir"), unknown("cam")]);
    assert_eq!(left["records"][0]["at_provider"], serde_json::json!([]));
}

#[test]
fn it_is_told_also_while_the_file_does_not_hold() {
    let mill = Mill::new("");
    let daemon = mill.daemon();
    let output = |words: &[&str]| {
        let said = mill.run(words);
        let text = |bytes| String::from_utf8(bytes).unwrap();
        (said.status.code(), text(said.stdout), text(said.stderr))
    };
    for bad in ["[watchh]\nevery = \"1s\"\n", "[["] {
        mill.configure(bad);
        // A directory that is named is enough.
        let (status, told, noted) = output(&["status", "--state-dir", "state"]);
        assert_eq!((status, noted.as_str()), (Some(77), ""), "{told}");
        assert!(told.starts_with("1 of 2 records is in step, 1 blocked. "), "{told}");
    }
    mill.configure("[watchh]\nevery = \"1s\"\n");
    let (status, told, noted) = output(&["status"]);
    assert_eq!(status, Some(77), "{told}{noted}");
    assert!(told.starts_with("1 of 2 records is in step, 1 blocked. "), "{told}");
    assert!(noted.contains("the configuration does not hold") && noted.contains("watchh"), "{noted}");
    daemon.stop();
    for words in [&["status"][..], &["status", "--state-dir", "state"], &["status", "--follow"]] {
        let (status, told, noted) = output(words);
        assert_eq!((status, told.as_str()), (Some(78), ""), "{words:?}");
        assert!(noted.contains("watchh"), "{noted}");
    }
}

#[test]
fn following_tells_a_change_as_it_happens() {
    let mill = Mill::new("");
    let daemon = mill.daemon();
    let start = |words: &[&str]| {
        let mut command = Command::new(binary());
        command.args(["--config", "fingerpost.toml", "status", "--follow"]).args(words).current_dir(mill.dir());
        command.stdout(Stdio::piped()).spawn().unwrap()
    };
    let (mut people, mut machines) = (start(&[]), start(&["--json"]));
    let mut lines = BufReader::new(people.stdout.take().unwrap()).lines();
    let mut documents = BufReader::new(machines.stdout.take().unwrap()).lines();
    assert!(lines.next().unwrap().unwrap().contains("is at 203.0.113.77"));
    mill.moves_to(AWAY);
    let moved = lines.find(|line| line.as_ref().unwrap().contains("is at 203.0.113.9"));
    assert!(moved.unwrap().unwrap().contains("on the word of 3 of 3 operators"));
    let is_away = |line: &String| {
        let document: Value = serde_json::from_str(line).unwrap();
        document["homes"][0]["settled"] == AWAY.to_string()
    };
    assert!(documents.any(|line| is_away(&line.unwrap())));
    // Both end with the daemon.
    daemon.stop();
    assert!(people.wait().unwrap().success() && machines.wait().unwrap().success());
}

#[test]
#[ignore = "needs python3 with jsonschema: tests/all.sh runs it"]
fn the_schema_describes_it() {
    let mill = Mill::new(
        "[[edge]]\nname = \"weir\"\nsources = [{ file = \"ranges.txt\" }]\n\
         [[exposure.service]]\nname = \"gauge.heronmill.example\"\nedge = \"weir\"\norigin = \"127.0.0.1:9\"\n",
    );
    std::fs::write(mill.dir().join("ranges.txt"), "203.0.113.128/25\n").unwrap();
    let daemon = mill.daemon();
    until("a look at the outside", || {
        let said: Value = serde_json::from_slice(&mill.run(&["status", "--json"]).stdout).unwrap();
        said["exposure"].as_array().is_some_and(|checks| !checks.is_empty()) && said["edges"][0]["number"] == 1
    });
    let running = String::from_utf8(mill.run(&["status", "--json"]).stdout).unwrap();
    daemon.stop();
    let stopped = String::from_utf8(mill.run(&["status", "--json"]).stdout).unwrap();
    // Draft 2020-12, checked by a reference implementation; nothing besides what it describes.
    let check = "import json, sys, jsonschema\nschema = json.load(open(sys.argv[1]))\n\
                 jsonschema.Draft202012Validator.check_schema(schema)\n\
                 jsonschema.validate(json.load(sys.stdin), schema)\nprint('holds')\n";
    for document in [&running, &stopped] {
        assert_eq!(python(&["-c", check, SCHEMA], document), "holds\n", "{document}");
    }
    let mut strange: Value = serde_json::from_str(&running).unwrap();
    strange["records"][0]["state"] = "lost".into();
    assert_ne!(python(&["-c", check, SCHEMA], &strange.to_string()), "holds\n");
}

#[test]
fn the_log_is_drawn_and_told_as_a_table() {
    let mill = Mill::new("");
    mill.daemon().stop();
    let drawn = String::from_utf8(mill.run(&["audit", "show", "--plot"]).stdout).unwrap();
    assert!(drawn.starts_with("IPv4, the last 90 days\n") && drawn.contains("█\n203.0.113.77 "), "{drawn}");
    let said = mill.run(&["audit", "show", "--csv"]);
    // By the reader of a reference implementation of RFC 4180.
    let mut rows = csv::Reader::from_reader(said.stdout.as_slice());
    assert_eq!(rows.headers().unwrap(), &["seq", "time", "event", "text"][..]);
    let rows: Vec<csv::StringRecord> = rows.records().map(Result::unwrap).collect();
    assert_eq!((&rows[0][0], &rows[0][2]), ("1", "settled"));
    assert!(rows[0][3].starts_with("settled IPv4 203.0.113.77, on the word of north-collective, ferryman"), "{rows:?}");
    // Each is of one kind.
    assert_eq!(mill.run(&["audit", "show", "--csv", "--json"]).status.code(), Some(64));
}
