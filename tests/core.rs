//! The core decides and touches nothing: no crate beneath it could, and what the standard library offers is refused by the
//! lints of `core/clippy.toml`.
#![expect(clippy::unwrap_used, reason = "a test that cannot go on has failed")]

use std::collections::BTreeSet;
use std::fs;
use std::path::{Path, PathBuf};
use std::process::Command;

/// Crates that touch the world. `tracing` is none of them that are named here: it comes with the DNS messages' crate, the
/// core itself does not name it, and without a subscriber it does nothing.
const DOING: [&str; 11] = [
    "backoff",
    "figment",
    "hyper",
    "mio",
    "reqwest",
    "rustix",
    "rustls",
    "socket2",
    "tempfile",
    "tokio",
    "tracing-subscriber",
];

fn root() -> PathBuf {
    PathBuf::from(env!("CARGO_MANIFEST_DIR"))
}

fn cargo(arguments: &[&str]) -> String {
    let output = Command::new(env!("CARGO")).current_dir(root()).args(arguments).output().unwrap();
    assert!(output.status.success(), "{}", String::from_utf8_lossy(&output.stderr));
    String::from_utf8(output.stdout).unwrap()
}

/// Source: cargo's own account of what is beneath a package.
#[test]
fn beneath_the_core_is_nothing_that_acts() {
    let tree = |more: &[&str]| -> BTreeSet<String> {
        let plain = ["tree", "--offline", "--locked", "-p", "fingerpost-core", "-e", "normal", "--prefix", "none"];
        let text = cargo(&[&plain[..], more].concat());
        text.lines().filter_map(|line| line.split(' ').next().map(str::to_owned)).collect()
    };
    let all = tree(&[]);
    assert!(all.contains("hickory-proto") && all.contains("ring"), "{all:?}");
    let found: Vec<&&str> = DOING.iter().filter(|name| all.contains(**name)).collect();
    assert!(found.is_empty(), "{found:?}");
    let direct = tree(&["--depth", "1"]);
    assert!(!direct.contains("tracing"), "{direct:?}");
}

/// One line each for what `core/clippy.toml` names; each is refused.
#[test]
#[ignore = "needs clippy: tests/all.sh runs it"]
fn the_core_cannot_name_what_acts() {
    let list = fs::read_to_string(root().join("core/clippy.toml")).unwrap();
    let (types, methods) = list.split_once("disallowed-methods").unwrap();
    let paths = |text: &str| -> Vec<String> {
        text.lines().filter_map(|line| Some(line.split_once("path = \"")?.1.split_once('"')?.0.to_owned())).collect()
    };
    let (types, methods) = (paths(types), paths(methods));
    assert!(types.len() >= 9 && methods.len() >= 38, "{} and {}", types.len(), methods.len());
    let dir = tempfile::tempdir().unwrap();
    let write = |name: &str, text: &str| {
        let path = dir.path().join(name);
        fs::create_dir_all(path.parent().unwrap()).unwrap();
        fs::write(path, text).unwrap();
    };
    write("Cargo.toml", "[package]\nname = \"breaker\"\nedition = \"2024\"\n[workspace]\n");
    let uses = types.iter().map(|path| format!("pub type T{} = {path};\n", path.replace("::", "_")));
    let calls =
        methods.iter().map(|path| format!("pub fn f{}() {{ let _ = {}; }}\n", path.replace("::", "_"), named(path)));
    let source: String =
        ["#![allow(non_camel_case_types, non_snake_case)]\n".to_owned()].into_iter().chain(uses).chain(calls).collect();
    write("src/lib.rs", &source);
    let refused = clippy(dir.path());
    let missed: Vec<_> = types.iter().chain(&methods).filter(|path| !refused.contains(&format!("`{path}`"))).collect();
    assert!(missed.is_empty(), "{missed:?} are not refused:\n{refused}");
}

/// The function as a value, with what its generics need.
fn named(path: &str) -> String {
    match path {
        "std::fs::canonicalize"
        | "std::fs::create_dir"
        | "std::fs::create_dir_all"
        | "std::fs::exists"
        | "std::fs::metadata"
        | "std::fs::read"
        | "std::fs::read_dir"
        | "std::fs::read_link"
        | "std::fs::read_to_string"
        | "std::fs::remove_dir"
        | "std::fs::remove_dir_all"
        | "std::fs::remove_file"
        | "std::fs::set_permissions"
        | "std::fs::symlink_metadata"
        | "std::env::var"
        | "std::env::var_os" => {
            format!("{path}::<&str>")
        }
        "std::fs::copy" | "std::fs::hard_link" | "std::fs::rename" | "std::fs::write" => {
            format!("{path}::<&str, &str>")
        }
        "std::net::ToSocketAddrs::to_socket_addrs" => "<str as std::net::ToSocketAddrs>::to_socket_addrs".to_owned(),
        "std::thread::spawn" => format!("{path}::<fn(), ()>"),
        _ => path.to_owned(),
    }
}

fn clippy(at: &Path) -> String {
    let output = Command::new(env!("CARGO"))
        .args(["clippy", "--offline", "--quiet", "--target-dir"])
        .arg(at.join("target"))
        .current_dir(at)
        .env("CLIPPY_CONF_DIR", root().join("core"))
        .env("CARGO_TERM_COLOR", "never")
        .output()
        .unwrap();
    String::from_utf8(output.stderr).unwrap()
}
