//! What the program is built of: from where, under which licences, for which Rust, each in one version; and the manifests
//! in order. `deny.toml` says what is accepted and why.
#![expect(clippy::unwrap_used, reason = "a test that cannot go on has failed")]

use std::collections::{BTreeMap, BTreeSet};
use std::fs;
use std::path::{Path, PathBuf};
use std::process::Command;

use serde_json::Value;
use spdx::{Expression, ParseMode};
use toml_edit::{DocumentMut, Item, TableLike};

fn root() -> PathBuf {
    PathBuf::from(env!("CARGO_MANIFEST_DIR"))
}

fn toml(file: &Path) -> DocumentMut {
    fs::read_to_string(file).unwrap().parse().unwrap()
}

/// Every package that is built or run here, be it for the tests alone. Source: cargo's own account.
fn packages() -> Vec<Value> {
    let host = Command::new("rustc").args(["--print", "host-tuple"]).output().unwrap();
    let host = String::from_utf8(host.stdout).unwrap();
    let output = Command::new(env!("CARGO"))
        .current_dir(root())
        .args(["metadata", "--offline", "--locked", "--format-version", "1", "--filter-platform", host.trim()])
        .output()
        .unwrap();
    assert!(output.status.success(), "{}", String::from_utf8_lossy(&output.stderr));
    let all: Value = serde_json::from_slice(&output.stdout).unwrap();
    let packages = all["packages"].as_array().unwrap().clone();
    assert!(packages.len() > 100, "{} packages", packages.len());
    packages
}

/// The package, for people.
fn label(package: &Value) -> String {
    format!("{} {}", package["name"].as_str().unwrap(), package["version"].as_str().unwrap())
}

/// What `deny.toml` lists under `key` of `table`.
fn listed(table: &str, key: &str) -> Vec<Item> {
    let file = toml(&root().join("deny.toml"));
    file[table][key].as_array().unwrap().iter().map(|value| Item::Value(value.clone())).collect()
}

fn texts(table: &str, key: &str) -> BTreeSet<String> {
    listed(table, key).iter().map(|item| item.as_str().unwrap().to_owned()).collect()
}

#[test]
fn all_comes_from_crates_io_or_from_this_tree() {
    let allowed = texts("sources", "allow-registry");
    let is_ours = |package: &Value| Path::new(package["manifest_path"].as_str().unwrap()).starts_with(root());
    for package in packages() {
        let known = match package["source"].as_str() {
            Some(source) => source.strip_prefix("registry+").is_some_and(|registry| allowed.contains(registry)),
            None => is_ours(&package),
        };
        assert!(known, "{} comes from {}", label(&package), package["source"]);
    }
}

#[test]
fn all_is_under_a_licence_that_is_accepted() {
    let allowed = texts("licenses", "allow");
    let mut used = BTreeSet::new();
    for package in packages() {
        let text = package["license"].as_str().unwrap_or_default();
        let licence = Expression::parse_mode(text, ParseMode::LAX).unwrap();
        let may = licence.evaluate(|wanted| allowed.contains(&wanted.to_string()));
        assert!(may, "{} is under {text:?}", label(&package));
        used.extend(licence.requirements().map(|wanted| wanted.req.to_string()));
    }
    assert!(allowed.is_subset(&used), "nothing is under {:?}", allowed.difference(&used));
}

/// Two of them would be compiled, linked and kept sound each for itself.
#[test]
fn of_each_crate_there_is_one_version() {
    let skipped: BTreeSet<String> = listed("bans", "skip")
        .iter()
        .map(|item| item.as_value().unwrap().as_inline_table().unwrap()["crate"].as_str().unwrap().to_owned())
        .collect();
    let (mut versions, mut used) = (BTreeMap::<String, BTreeSet<String>>::new(), BTreeSet::new());
    for package in packages() {
        let (name, version) = (package["name"].as_str().unwrap(), package["version"].as_str().unwrap());
        let skip = skipped.iter().find(|skip| format!("{name}@{version}.").starts_with(&format!("{skip}.")));
        match skip {
            Some(skip) => _ = used.insert(skip.clone()),
            None => _ = versions.entry(name.to_owned()).or_default().insert(version.to_owned()),
        }
    }
    versions.retain(|_, versions| versions.len() > 1);
    assert!(versions.is_empty(), "{versions:?}");
    assert_eq!(used, skipped, "what is skipped is there");
}

/// The Rust that the manifest declares builds them all.
#[test]
fn nothing_wants_a_newer_rust() {
    let number =
        |text: &str| -> Vec<u32> { text.split('.').map(|part| part.parse().unwrap()).chain([0]).take(3).collect() };
    let ours = toml(&root().join("Cargo.toml"));
    let ours = number(ours["workspace"]["package"]["rust-version"].as_str().unwrap());
    for package in packages() {
        let Some(theirs) = package["rust_version"].as_str() else { continue };
        assert!(number(theirs) <= ours, "{} wants Rust {theirs}", label(&package));
    }
}

#[test]
fn dependencies_are_in_order() {
    fn look(file: &Path, table: &dyn TableLike, found: &mut usize) {
        for (key, item) in table.iter() {
            let Some(inner) = item.as_table_like() else { continue };
            if !key.ends_with("dependencies") {
                look(file, inner, found);
                continue;
            }
            let names: Vec<&str> = inner.iter().map(|(name, _)| name).collect();
            assert!(names.is_sorted(), "{}, [{key}]: {names:?}", file.display());
            *found += 1;
        }
    }
    let mut found = 0;
    for manifest in ["Cargo.toml", "core/Cargo.toml", "fuzz/Cargo.toml"] {
        let file = root().join(manifest);
        look(&file, toml(&file).as_table(), &mut found);
    }
    assert_eq!(found, 6, "tables of dependencies");
}
