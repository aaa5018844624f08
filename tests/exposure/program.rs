//! The command itself: its table, its JSON, its exit status.

use std::fs;
use std::path::Path;
use std::process::{Command, Output};

use fingerpost::address::Family;
use fingerpost::settings::Via;
use fingerpost::state::State;

use crate::common::{ZONE, ZoneSetup};
use crate::{NAME, config};

fn exposure(dir: &Path, rest: &str, arguments: &[&str]) -> Output {
    fs::write(dir.join("fingerpost.toml"), config(rest)).unwrap();
    fs::create_dir_all(dir.join("state")).unwrap();
    let mut state = State::default();
    state.settled.insert(Via { line: None, family: Family::Ipv4 }, "203.0.113.77".parse().unwrap());
    let state = serde_json::to_string(&state).unwrap();
    if !dir.join("state/state.json").exists() {
        fs::write(dir.join("state/state.json"), state).unwrap();
    }
    let mut command = Command::new(env!("CARGO_BIN_EXE_fingerpost"));
    for (name, _) in std::env::vars_os().filter(|(name, _)| name.to_string_lossy().starts_with("FINGERPOST_")) {
        command.env_remove(name);
    }
    command
        .args(["--config", "fingerpost.toml", "--state-dir", "state", "exposure"])
        .args(arguments)
        .current_dir(dir)
        .output()
        .unwrap()
}

/// A zone with these lines, and a service whose origin is down.
fn scene(dir: &Path, lines: &str) -> String {
    fs::write(dir.join("zone"), ZoneSetup::new(lines).master_file()).unwrap();
    format!(
        "[provider.home]\nkind = \"zonefile\"\nzone = \"{ZONE}\"\nfile = \"zone\"\nconfirm = \"off\"\n\
         [[exposure.service]]\nname = \"{NAME}\"\nedge_ranges = [\"198.51.100.64/28\"]\norigin = \"127.0.0.1:9\"\n"
    )
}

#[test]
fn a_leak_is_amiss_and_what_is_not_known_is_not_good() {
    let dir = tempfile::tempdir().unwrap();
    let leaking = exposure(dir.path(), &scene(dir.path(), "ftp A 203.0.113.77"), &[]);
    let text = String::from_utf8(leaking.stdout).unwrap();
    assert_eq!(leaking.status.code(), Some(1), "{text}\n{}", String::from_utf8_lossy(&leaking.stderr));
    assert!(text.contains("  leaks        amiss    ftp.heronmill.example A holds 203.0.113.77\n"), "{text}");
    assert!(
        text.starts_with("gauge.heronmill.example\n  masked       unknown  the servers of heronmill.example: "),
        "{text}"
    );
    let clean = exposure(dir.path(), &scene(dir.path(), "ftp A 198.51.100.5"), &["--json"]);
    assert_eq!(clean.status.code(), Some(69));
    let document: serde_json::Value = serde_json::from_slice(&clean.stdout).unwrap();
    let findings = document["findings"].as_array().unwrap();
    let leaks = findings.iter().find(|finding| finding["check"] == "leaks").unwrap();
    assert_eq!((leaks["grade"].as_str(), leaks["about"].as_str()), (Some("good"), Some(ZONE)));
    assert!(findings.iter().any(|finding| finding["check"] == "way-in" && finding["grade"] == "unknown"));
    // Nothing was written.
    let names: Vec<_> =
        fs::read_dir(dir.path().join("state")).unwrap().map(|entry| entry.unwrap().file_name()).collect();
    assert_eq!(names, ["state.json"]);
}

/// What was settled on a line or in a family that is not configured any more is a stranger's now.
#[test]
fn what_is_not_configured_any_more_is_not_the_home() {
    let dir = tempfile::tempdir().unwrap();
    let mut state = State::default();
    let radio = Via { line: Some("radio".to_owned()), family: Family::Ipv4 };
    let gone = [(radio, "203.0.113.77"), (Via::only(Family::Ipv6), "2001:db8:5::77")];
    state.settled.extend(gone.map(|(via, address)| (via, address.parse().unwrap())));
    state.settled.insert(Via::only(Family::Ipv4), "198.51.100.5".parse().unwrap());
    fs::create_dir(dir.path().join("state")).unwrap();
    fs::write(dir.path().join("state/state.json"), serde_json::to_string(&state).unwrap()).unwrap();
    let zone = scene(dir.path(), "ftp A 203.0.113.77\nnas AAAA 2001:db8:5::77\nweir A 198.51.100.5");
    let text = String::from_utf8(exposure(dir.path(), &zone, &[]).stdout).unwrap();
    assert!(text.contains("  leaks        amiss    weir.heronmill.example A holds 198.51.100.5\n"), "{text}");
    assert!(!text.contains("203.0.113.77") && !text.contains("2001:db8:5::77"), "{text}");
}

#[test]
fn without_a_service_there_is_nothing_to_look_at() {
    let dir = tempfile::tempdir().unwrap();
    let output = exposure(dir.path(), "", &[]);
    assert_eq!(output.status.code(), Some(78));
    assert!(String::from_utf8_lossy(&output.stderr).contains("no [[exposure.service]] is configured"));
}
