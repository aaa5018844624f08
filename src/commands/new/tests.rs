use std::io::Cursor;
use std::os::unix::fs::PermissionsExt as _;

use clap::Parser as _;

use super::*;
use crate::cli::{Cli, Command, Config};
use crate::config::draft::{Asked, At, Software};

fn options(words: &[&str]) -> New {
    match Cli::try_parse_from(["fingerpost", "config", "new"].iter().chain(words)).unwrap().command {
        Command::Config(Config::New(new)) => *new,
        other => panic!("{other:?}"),
    }
}

/// What comes of it, and what was asked.
fn asked(words: &[&str], answers: &str) -> (Result<Draft, String>, String) {
    let (mut input, mut output) = (Cursor::new(answers.to_owned()), Vec::new());
    let draft = gather(&options(words), Some(Talk { input: &mut input, output: &mut output }));
    (draft.map_err(|error| error.to_string()), String::from_utf8(output).unwrap())
}

const WITNESSES: [&str; 6] = [
    "--witness",
    "north-collective=https://echo.north.example/",
    "--witness",
    "ferryman=https://ip.ferryman.example/caller#/address",
    "--witness",
    "millrace=stun:stun.millrace.example",
];

fn without_a_terminal(words: &[&str]) -> Result<Draft, String> {
    let words: Vec<&str> = words.iter().chain(&WITNESSES).copied().collect();
    gather(&options(&words), None).map_err(|error| error.to_string())
}

const HOME: [&str; 4] = ["--zone", "heronmill.example", "--record", "gauge.heronmill.example"];

#[test]
fn what_the_options_leave_out_is_asked_for_until_it_holds() {
    let answers = "heronmill.example\ngauge\ngauge.heronmill.example\n\n\nns1.heronmill.example\nbind\n\n\n\
                   \nnobody\nnorth-collective=https://echo.north.example/\nmillrace=stun:stun.millrace.example\n\n\n";
    let (draft, seen) = asked(&[], answers);
    let draft = draft.unwrap();
    assert_eq!(draft.zone.as_str(), "heronmill.example");
    assert_eq!((draft.records.len(), draft.types.as_slice()), (1, &[RecordType::A][..]));
    let place = Place::Rfc2136 {
        server: "ns1.heronmill.example:53".into(),
        software: Software::Bind,
        key: draft::key("gauge-key").unwrap(),
        secret: Kept::Credential("gauge.key"),
    };
    assert_eq!(draft.place, place);
    let stun = Asked { operator: "millrace".into(), at: At::Stun("stun.millrace.example:3478".into()) };
    assert!(draft.router && draft.witnesses.len() == 2 && draft.witnesses[1] == stun, "{draft:?}");
    // Each question with what Enter means; what does not hold says why; the advice comes before witnesses are asked for.
    for part in [
        "The zone that holds your names: ",
        "  \"gauge\" is not in the zone heronmill.example; write it whole, such as \"gauge.heronmill.example\"\nThe names",
        "The key's name [gauge-key]: ",
        "nothing in common: not the same company, network or software.\n",
        "Witness 1:   without a witness nobody can be asked for the address; name at least one\n",
        "Witness 1:   write who runs it",
        "Ask the home's own router too, by NAT-PMP or UPnP? [yes]: ",
    ] {
        assert!(seen.contains(part), "{part:?} in\n{seen}");
    }
}

#[test]
fn nothing_is_asked_that_an_option_says() {
    let program = ["--types", "AAAA", "--kind", "program", "--program", "/opt/mill-dns -q"];
    let (draft, seen) = asked(&[&HOME[..], &program, &WITNESSES].concat(), "");
    assert_eq!(draft.unwrap().place, Place::Program { command: vec!["/opt/mill-dns".into(), "-q".into()] });
    assert_eq!(seen, "");
}

#[test]
fn answers_that_end_too_early_make_nothing() {
    for answers in ["", "heronmill.example\n", "heronmill.example\ngauge.heronmill.example\n\n\nns1.example\n\n\n\n\n"]
    {
        assert_eq!(asked(&[], answers).0.unwrap_err(), "the answers ended before the questions; nothing was written");
    }
}

#[test]
fn an_answer_without_end_is_no_answer() {
    let (draft, seen) = asked(&[], &"a".repeat(100_000));
    assert!(draft.is_err() && seen.contains("is longer than 253 characters"), "{}", seen.len());
}

#[test]
fn without_a_terminal_there_are_defaults_and_nothing_is_guessed() {
    let draft = without_a_terminal(&[&HOME[..], &["--server", "2001:db8::53"]].concat()).unwrap();
    assert!(!draft.router && draft.types == [RecordType::A]);
    assert!(matches!(draft.place, Place::Rfc2136 { software: Software::Other, .. }), "{draft:?}");
    for (words, option) in [(&HOME[2..], "--zone"), (&HOME[..2], "--record"), (&HOME[..], "--server")] {
        let error = without_a_terminal(words).unwrap_err();
        assert!(error.starts_with(&format!("{option} is missing, and there is no terminal to ask at; ")), "{error}");
        assert!(error.ends_with(EXAMPLE), "{error}");
    }
    let error = gather(&options(&[&HOME[..], &["--server", "ns1.example"]].concat()), None).unwrap_err().to_string();
    assert!(error.starts_with("--witness is missing, "), "{error}");
}

#[test]
fn the_example_that_is_told_holds() {
    let words: Vec<&str> = EXAMPLE.split_whitespace().skip(3).collect();
    let words: Vec<&str> = words.chunks(2).filter(|pair| pair[1] != "…").flatten().copied().collect();
    assert_eq!(gather(&options(&words), None).unwrap().witnesses.len(), 1);
}

#[test]
fn an_option_that_does_not_hold_is_named() {
    for (words, wanted) in [
        (
            &["--server", "ns1.example", "--types", "MX"][..],
            "--types: \"MX\" holds no address of the home; remove it: only \"A\" and \"AAAA\" are published",
        ),
        (
            &["--server", "ns1:0"],
            "--server: \"ns1:0\" has a port that is not a number from 1 to 65535; write host and port, such as \
             \"ns1.heronmill.example:53\" or \"[2001:db8::1]:53\"",
        ),
        (
            &["--kind", "zonefile", "--server", "ns1.example"],
            "--server is of no use with --kind zonefile; remove it, or write --kind rfc2136 or --kind rest",
        ),
        (
            &["--file", "x"],
            "--file is of no use with --kind rfc2136; remove it, or write --kind zonefile or --kind rest",
        ),
        (
            &["--server", "ns1.example", "--witness", "https://a.example/"],
            "--witness: write who runs it, \"=\", and where it is, such as north-collective=https://echo.north.example/",
        ),
    ] {
        assert_eq!(without_a_terminal(&[&HOME[..], words].concat()).unwrap_err(), wanted);
    }
}

#[test]
fn what_is_there_stays_unless_it_is_to_be_replaced() {
    let dir = tempfile::tempdir().unwrap();
    let file = dir.path().join("fingerpost.toml");
    let mode = || std::fs::metadata(&file).unwrap().permissions().mode() & 0o777;
    write(&file, b"one", false).unwrap();
    assert_eq!(mode(), 0o644);
    assert!(matches!(write(&file, b"two", false), Err(NewError::Exists(_))));
    assert_eq!(std::fs::read(&file).unwrap(), b"one");
    write(&file, b"three", true).unwrap();
    assert_eq!((std::fs::read(&file).unwrap(), mode()), (b"three".to_vec(), 0o644));
    let error = write(&dir.path().join("no/where.toml"), b"", false).unwrap_err().to_string();
    assert!(error.ends_with("; make its directory first (sudo mkdir -p), or name another file with --out"), "{error}");
}

#[test]
fn a_key_in_a_file_is_not_for_the_service() {
    let options = [&HOME[..], &["--server", "ns1.heronmill.example", "--secret", "gauge.key"]].concat();
    let draft = without_a_terminal(&options).unwrap();
    let common = Cli::try_parse_from(["fingerpost", "locate"]).unwrap().common;
    let first = |file: &str| {
        let file = Path::new(file);
        let (notes, problems) = (&[], &[]);
        let told = steps::Written { draft: &draft, file, absolute: file, common: &common, notes, problems };
        told.text().lines().find(|line| line.starts_with("  1. ")).unwrap().to_owned()
    };
    let put = |dir: &str| {
        format!("  1. Put the key's secret alone, in Base64, into {dir}/gauge.key, for its owner only (chmod 600).")
    };
    assert_eq!(first("/home/keeper/fingerpost.toml"), put("/home/keeper"));
    let service = put("/etc/fingerpost") + " The service runs as another user: for it write --secret systemd.";
    assert_eq!(first("/etc/fingerpost/fingerpost.toml"), service);
}
