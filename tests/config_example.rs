//! The documented example: as it stands and with every key uncommented, it loads, and it leaves no key out.

#![expect(clippy::unwrap_used, clippy::panic, reason = "a test fails by panicking")]

use std::collections::BTreeSet;
use std::fs;
use std::os::unix::fs::PermissionsExt;
use std::path::Path;

use fingerpost::config::load::{Loaded, Sources, load};
use tempfile::TempDir;

const EXAMPLE: &str = include_str!("../config/fingerpost.toml");
const DESCRIPTION: &str = include_str!("../config/providers/record.toml");
/// 32 octets.
const SECRET: &str = "aGVyb24gbWlsbCByaXZlciBnYXVnZSAgMDEyMzQ1Njc=\n";

fn load_text(text: &str) -> Loaded {
    let dir = TempDir::new().unwrap();
    for secret in ["gauge.key", "dnshost.token"] {
        let key = dir.path().join(secret);
        fs::write(&key, SECRET).unwrap();
        fs::set_permissions(&key, fs::Permissions::from_mode(0o600)).unwrap();
    }
    fs::create_dir(dir.path().join("providers")).unwrap();
    fs::write(dir.path().join("providers/record.toml"), DESCRIPTION).unwrap();
    let file = dir.path().join("fingerpost.toml");
    // The two paths that must exist.
    assert!(text.contains("\"/etc/fingerpost/gauge.key\"") && text.contains("\"/etc/fingerpost/dnshost.token\""));
    fs::write(&file, text.replace("/etc/fingerpost/", "")).unwrap();
    load(&Sources { file, ..Sources::default() }).unwrap_or_else(|error| panic!("{error}"))
}

fn uncomment(text: &str) -> String {
    let line = |line| match str::strip_prefix(line, '#') {
        Some(rest) if !rest.is_empty() && !rest.starts_with(' ') => rest,
        _ => line,
    };
    text.lines().map(line).collect::<Vec<_>>().join("\n")
}

/// Before and from the table that goes with one kind of provider only, and comes last.
fn parts() -> (&'static str, &'static str) {
    EXAMPLE.split_at(EXAMPLE.find("#[standby]").unwrap())
}

fn uncommented() -> String {
    uncomment(parts().0)
}

/// With `[standby]`, and the one provider that stands there as it is.
fn with_standby() -> String {
    let (before, standby) = parts();
    before.to_owned() + &uncomment(standby)
}

/// `witness[2].name` as `witness[].name`, `provider.home.zone` as `provider.NAME.zone`.
fn pattern(key: &str) -> String {
    let mut parts: Vec<_> = key
        .split('.')
        .map(|part| part.split_once('[').map_or(part.to_owned(), |(name, _)| format!("{name}[]")))
        .collect();
    if parts[0] == "provider" && parts.len() > 1 {
        parts[1] = "NAME".into();
    }
    parts.join(".")
}

#[test]
fn loads_as_it_stands() {
    let loaded = load_text(EXAMPLE);
    assert_eq!(loaded.notes, []);
    assert_eq!(loaded.config.witnesses.len(), 4);
    assert_eq!(loaded.config.records.len(), 1);
    assert_eq!(loaded.config.providers.len(), 1);
}

#[test]
fn loads_with_every_key_uncommented() {
    let loaded = load_text(&uncommented());
    assert_eq!(loaded.notes, []);
    assert_eq!(loaded.config.records.len(), 3);
    assert_eq!(loaded.config.providers.len(), 5);
    let standby = load_text(&with_standby()).config.standby.unwrap();
    assert_eq!((standby.names.len(), standby.holder.as_str()), (1, "pi"));
    assert_eq!(loaded.config.edges.len(), 1);
    assert_eq!(loaded.config.edges[0].sources.len(), 3);
    assert_eq!(loaded.config.allowlist.map(|allowlist| allowlist.renders.len()), Some(3));
}

#[test]
fn what_is_commented_out_at_the_top_level_tables_is_the_default() {
    let defaults = load_text(EXAMPLE).shown;
    let written = load_text(&uncommented()).shown;
    let mut compared = 0;
    for shown in defaults.iter().filter(|shown| shown.source == "default") {
        let other = written.iter().find(|other| other.key == shown.key).unwrap();
        assert_eq!(other.value, shown.value, "{}", shown.key);
        compared += usize::from(other.source != "default");
    }
    // Every key of [watch], [limits], [retry] and [audit], and more.
    assert!(compared >= 6 + 3 + 2 + 2, "{compared}");
}

#[test]
fn names_every_key_that_is_known() {
    let (loaded, standby) = (load_text(&uncommented()), load_text(&with_standby()));
    let set: BTreeSet<String> =
        loaded.shown.iter().chain(&standby.shown).filter(|s| s.source != "default").map(|s| pattern(&s.key)).collect();
    let mut missing: BTreeSet<String> = loaded.known.iter().chain(&standby.known).cloned().collect();
    // Tables, which are not shown themselves, stand there when one of their keys does.
    missing.retain(|key| !set.iter().any(|set| set == key || set.starts_with(&format!("{key}."))));
    missing.retain(|key| !set.iter().any(|set| set.starts_with(&format!("{key}[]."))));
    // The other kinds of a firewall are explained in prose.
    for key in ["file", "columns", "gateway"] {
        let known = format!("allowlist.firewall.{key}");
        assert!(EXAMPLE.contains(&format!("`{key}")), "{key} is not explained");
        missing.retain(|missing| *missing != known && !missing.starts_with(&format!("{known}.")));
    }
    // A secret is shown as a whole; its three sources are explained in prose.
    for source in ["file", "credential", "env"] {
        assert!(EXAMPLE.contains(&format!("#   {{ {source} = ")), "{source} is not explained");
        for secret in ["provider.NAME.key.secret", "provider.NAME.secret"] {
            assert!(missing.remove(&format!("{secret}.{source}")), "{source} is not known");
        }
        missing.remove(&format!("provider.NAME.token.{source}"));
        missing.remove(&format!("message[].secret.{source}"));
    }
    // No description of the example has basic authorisation.
    assert!(EXAMPLE.contains("`user = \"name\"` belongs here too"));
    assert!(missing.remove("provider.NAME.user"));
    assert_eq!(missing, BTreeSet::new(), "known, and not in the example");
}

#[test]
fn a_key_that_is_not_known_would_be_found() {
    let dir = TempDir::new().unwrap();
    let file = dir.path().join("fingerpost.toml");
    fs::write(&file, uncommented().replace("settle_every", "settle_ever")).unwrap();
    let error = load(&Sources { file, ..Sources::default() }).unwrap_err().to_string();
    assert!(error.contains("watch.settle_ever: unknown key; did you mean `settle_every`?"), "{error}");
}

#[test]
fn no_secret_is_shown() {
    let loaded = load_text(EXAMPLE);
    assert!(!format!("{loaded:?}").contains(SECRET.trim()));
    let secret = loaded.shown.iter().find(|shown| shown.key == "provider.home.key.secret").unwrap();
    assert!(secret.value.starts_with("{ file = \"") && secret.value.ends_with("gauge.key\" }"), "{}", secret.value);
    assert!(Path::new(secret.value.split('"').nth(1).unwrap()).is_absolute());
}
