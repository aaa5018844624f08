//! The audit log: what it says, who can check it, and what becomes of it when it is meddled with or torn.

use std::fs;
use std::path::{Path, PathBuf};

use crate::common::run;
use crate::mill::{Done, HOME, Mill};

/// A mill whose name has been moved to each of `lasts` of its range, in turn.
fn moved(edits: &[(&str, &str)], lasts: &[u8]) -> Mill {
    let mill = Mill::new();
    mill.configure(edits);
    for last in lasts {
        mill.home_is(&format!("203.0.113.{last}"));
        mill.run(&["sync"]).exits(0);
    }
    mill
}

/// The log's files, oldest first.
fn files(mill: &Mill) -> Vec<PathBuf> {
    let mut files: Vec<_> =
        mill.listing().into_keys().filter(|path| path.extension().is_some_and(|end| end == "jsonl")).collect();
    // `audit.000000000001.jsonl` sorts before `audit.jsonl`.
    files.sort();
    files
}

/// Holds the chain over `files` with sha256sum alone: each line's digest stands in the next line.
#[track_caller]
fn sha256sum_finds_the_chain_whole(files: &[PathBuf]) -> usize {
    let text: String = files.iter().map(|file| fs::read_to_string(file).unwrap()).collect();
    let lines: Vec<_> = text.split_inclusive('\n').collect();
    let mut digest = None;
    for (at, line) in lines.iter().enumerate() {
        let json: serde_json::Value = serde_json::from_str(line).unwrap();
        if let Some(digest) = digest {
            assert_eq!(json["prev"], digest, "line {}", at + 1);
        }
        digest = Some(run("sha256sum", &[], line).split(' ').next().unwrap().to_owned());
    }
    lines.len()
}

#[track_caller]
fn does_not_hold(mill: &Mill, file: &Path, line: usize, why: &str) {
    let done = mill.run(&["audit", "verify"]).exits(65);
    let told = format!("fingerpost: {}: line {line}: {why}", file.display());
    assert!(done.stderr.starts_with(&told), "no {told:?} in {done:#?}");
    assert_eq!(done.stdout, "");
}

#[test]
#[ignore = "needs named and nginx: tests/all.sh runs it"]
fn anyone_can_check_it_and_meddling_shows() {
    let mill = moved(&[], &[77, 78, 79]);
    let log = mill.kept("audit.jsonl");
    assert_eq!(sha256sum_finds_the_chain_whole(&files(&mill)), 9);
    mill.run(&["audit", "verify"]).exits(0).says(&["The chain holds: 9 entries in 1 file.\n"]);
    let json = mill.run(&["audit", "verify", "--json"]).exits(0).json();
    assert_eq!(json, serde_json::json!({ "ok": true, "files": 1, "first": 1, "last": 9 }));
    assert_eq!(mill.audit()[0]["prev"], "0".repeat(64));

    let whole = fs::read(&log).unwrap();
    let text = String::from_utf8(whole.clone()).unwrap();
    // One digit of an address in the middle: the line after it no longer fits.
    let at = text.find("203.0.113.78").unwrap() + 11;
    let meddled = 1 + text[..at].matches('\n').count();
    let mut changed = whole.clone();
    changed[at] ^= 1;
    fs::write(&log, changed).unwrap();
    does_not_hold(&mill, &log, meddled + 1, "prev is not the SHA-256 of the line before");
    // Any byte of any line but the last, on which no other stands.
    let last = text.trim_end().rfind('\n').unwrap();
    for at in (0..last).step_by(97) {
        let mut changed = whole.clone();
        changed[at] ^= 1;
        fs::write(&log, changed).unwrap();
        let done = mill.run(&["audit", "verify"]).exits(65);
        assert!(done.stderr.contains(&format!("{}: line ", log.display())), "{done:?}");
    }
    // A line taken out, two exchanged, one twice.
    let lines: Vec<_> = text.split_inclusive('\n').collect();
    let arranged = |order: &[usize]| order.iter().map(|at| lines[*at]).collect::<String>();
    for (order, line, why) in [
        (&[0, 1, 2, 4, 5, 6, 7, 8][..], 4, "seq is 5, and 4 would follow: lines are missing"),
        (&[0, 1, 3, 2, 4, 5, 6, 7, 8], 3, "seq is 4, and 3 would follow"),
        (&[0, 1, 1, 2, 3, 4, 5, 6, 7, 8], 3, "seq is 2, and 3 would follow"),
    ] {
        fs::write(&log, arranged(order)).unwrap();
        does_not_hold(&mill, &log, line, why);
    }
    // A log that does not hold is told of, and does not keep the home from being served.
    mill.home_is("203.0.113.80");
    let done = mill.run(&["sync"]).exits(0);
    assert!(done.stderr.contains("line 3: seq is 2, and 3 would follow"), "{done:?}");
    does_not_hold(&mill, &log, 3, "seq is 2");
    // What was there before holds in itself, and is not all that there was.
    fs::write(&log, whole).unwrap();
    let done = mill.run(&["audit", "verify"]).exits(65);
    assert!(done.stderr.contains("the log ends with entry 9, and the state file knows of entry 12"), "{done:?}");
}

#[test]
#[ignore = "needs named and nginx: tests/all.sh runs it"]
fn a_torn_line_is_told_and_set_aside() {
    let mill = moved(&[], &[77]);
    let log = mill.kept("audit.jsonl");
    let whole = fs::read(&log).unwrap();
    let torn = br#"{"seq":4,"time":"2026-11-24T08:1"#;
    fs::write(&log, [&whole[..], torn].concat()).unwrap();
    does_not_hold(&mill, &log, 4, "the line is torn: it has no end");
    // In step nothing is written, and it is told again.
    let told = format!("the last line of {} is torn, by a power cut perhaps; it will be set aside", log.display());
    let done = mill.run(&["sync"]).exits(0);
    assert!(done.stderr.contains(&told), "{done:?}");

    mill.home_is("203.0.113.78");
    let done = mill.run(&["sync"]).exits(0);
    assert!(done.stderr.contains(&told), "{done:?}");
    assert_eq!(mill.events()[3..], ["set-aside", "settled", "intent", "outcome done"]);
    let aside = mill.audit()[3]["file"].as_str().unwrap().to_owned();
    assert_eq!(fs::read(mill.kept(&aside)).unwrap(), torn);
    assert_eq!(sha256sum_finds_the_chain_whole(&[log]), 7);
    mill.run(&["audit", "verify"]).exits(0);
    assert_eq!(mill.run(&["sync"]).exits(0), Done { status: 0, stdout: String::new(), stderr: String::new() });
}

/// The power went after the sending: what stands tells how it ended, and nothing is sent a second time.
#[test]
#[ignore = "needs named and nginx: tests/all.sh runs it"]
fn an_intent_whose_end_is_lost_is_found_out() {
    let mill = moved(&[], &[77]);
    let log = mill.kept("audit.jsonl");
    let text = fs::read_to_string(&log).unwrap();
    let intent_ends = text.match_indices('\n').nth(1).unwrap().0 + 1;
    fs::write(&log, &text[..intent_ends]).unwrap();
    // The state is saved after the outcome: this one does not know how far the log had got.
    let mut state: serde_json::Value = serde_json::from_slice(&fs::read(mill.kept("state.json")).unwrap()).unwrap();
    state.as_object_mut().unwrap().remove("log").unwrap();
    fs::write(mill.kept("state.json"), state.to_string()).unwrap();
    let serial = mill.serial();
    mill.run(&["sync"]).exits(0);
    assert_eq!(mill.serial(), serial, "it was written already");
    assert_eq!(mill.events(), ["settled", "intent", "outcome done"]);
    assert_eq!(mill.audit()[2]["detail"], "found by reading, after the write was cut short");
    mill.run(&["audit", "verify"]).exits(0);

    // A line that lacks only its newline is torn as well: its digest would be another one.
    let text = fs::read_to_string(&log).unwrap();
    fs::write(&log, text.trim_end()).unwrap();
    mill.run(&["sync"]).exits(0);
    assert_eq!(mill.events(), ["settled", "intent", "set-aside", "outcome done"]);
    mill.run(&["audit", "verify"]).exits(0);
}

#[test]
#[ignore = "needs named and nginx: tests/all.sh runs it"]
fn it_is_shown_filtered_to_people_and_programs() {
    let mill = moved(&[], &[77, 78]);
    let shown = mill.run(&["audit", "show"]).exits(0).stdout;
    let lines: Vec<_> = shown.lines().map(|line| line.split_once("Z  ").unwrap().1.to_owned()).collect();
    let server = mill.named.address();
    assert_eq!(
        lines[..4],
        [
            "settled IPv4 203.0.113.77, on the word of north-collective, ferryman, millrace; against: tern-labs; silent: quayside".to_owned(),
            format!("intent at home ({server}): gauge.heronmill.example A 203.0.113.9 → {HOME}, TTL 120 s"),
            format!("outcome of 2: done: NOERROR from {server}, signed by gauge-key"),
            "settled IPv4 203.0.113.77 → 203.0.113.78, on the word of north-collective, ferryman, millrace; against: tern-labs; silent: quayside".to_owned(),
        ]
    );
    let seqs = |filter: &[&str]| -> Vec<u64> {
        let arguments: Vec<_> = ["audit", "show", "--json"].into_iter().chain(filter.iter().copied()).collect();
        let json = mill.run(&arguments).exits(0).json();
        json.as_array().unwrap().iter().map(|entry| entry["seq"].as_u64().unwrap()).collect()
    };
    assert_eq!(seqs(&[]), [1, 2, 3, 4, 5, 6]);
    assert_eq!(seqs(&["--event", "settled"]), [1, 4]);
    assert_eq!(seqs(&["--record", "gauge.heronmill.example"]), [2, 3, 5, 6]);
    assert_eq!(seqs(&["--record", "GAUGE.heronmill.example.", "--event", "intent"]), [2, 5]);
    assert_eq!(seqs(&["--record", "mill.heronmill.example"]), [0; 0]);
    let time = mill.audit()[3]["time"].as_str().unwrap().to_owned();
    assert_eq!(seqs(&["--since", &time]), [4, 5, 6]);
    assert_eq!(seqs(&["--since", "36h"]), [1, 2, 3, 4, 5, 6]);
    assert_eq!(seqs(&["--since", "2999-01-01T00:00:00Z"]), [0; 0]);
    let people = mill.run(&["audit", "show", "--event", "outcome", "--since", &time]).exits(0).stdout;
    assert!(people.lines().count() == 1 && people.starts_with("     6  20"), "{people}");
    for (filter, value) in [("--since", "yesterday"), ("--record", "no name")] {
        let done = mill.run(&["audit", "show", filter, value]).exits(64);
        assert!(done.stderr.contains(filter), "{done:?}");
    }
}

#[test]
#[ignore = "needs named and nginx: tests/all.sh runs it"]
fn rotation_keeps_the_chain() {
    let small = [("[audit]", "[audit]\nmax_bytes = 4096\nkeep = 2")];
    let mill = moved(&small, &(1..=20).collect::<Vec<u8>>());
    let kept = files(&mill);
    assert!(kept.len() == 3 || kept.len() == 2, "{kept:?}");
    assert!(kept.iter().all(|file| fs::metadata(file).unwrap().len() < 3 * 4096), "{kept:?}");
    let count = sha256sum_finds_the_chain_whole(&kept);
    let json = mill.run(&["audit", "verify", "--json"]).exits(0).json();
    assert_eq!((json["files"].as_u64(), json["last"].as_u64()), (Some(3), Some(60)));
    assert_eq!(json["first"].as_u64().unwrap() as usize, 61 - count);
    mill.run(&["audit", "verify"])
        .exits(0)
        .says(&[&format!("The chain holds from entry {} to 60, in 3 files", 61 - count)]);

    // A closed file that was meddled with, or is missing.
    let text = fs::read_to_string(&kept[0]).unwrap();
    fs::write(&kept[0], text.replacen("203.0.113.", "203.0.114.", 1)).unwrap();
    does_not_hold(&mill, &kept[0], 2, "prev is not");
    fs::write(&kept[0], text).unwrap();
    fs::remove_file(&kept[1]).unwrap();
    let done = mill.run(&["audit", "verify"]).exits(65);
    assert!(done.stderr.contains(&format!("{}: line 1: seq is ", kept[2].display())), "{done:?}");
}
