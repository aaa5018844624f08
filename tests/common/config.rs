//! A configuration in a directory of its own, with what it needs around it.
#![allow(dead_code, reason = "each test binary uses its own part of this")]

use std::fs;
use std::os::unix::fs::PermissionsExt;
use std::path::PathBuf;

use fingerpost::config::load::{ConfigError, Loaded, Sources, load};
use tempfile::TempDir;

/// A good configuration with every key set, those aside that stand in for another or have cases of their own.
pub(crate) const BASE: &str = include_str!("../config/base.toml");

/// 32 octets in Base64.
pub(crate) const SECRET: &str = "aGVyb24gbWlsbCByaXZlciBnYXVnZSAgMDEyMzQ1Njc=";

/// The key of [`BASE`] that leads to the secret.
pub(crate) const KEY: &str = r#"secret = { file = "gauge.key" }"#;

/// The value that is shown of a key, and its source.
pub(crate) fn shown<'l>(loaded: &'l Loaded, key: &str) -> (&'l str, &'l str) {
    let found = loaded.shown.iter().find(|shown| shown.key == key).unwrap_or_else(|| panic!("{key} is not shown"));
    (&found.value, &found.source)
}

/// The doubts, each with its key.
pub(crate) fn notes(loaded: &Loaded) -> Vec<String> {
    loaded.notes.iter().map(|note| format!("{}: {}", note.key, note.what)).collect()
}

pub(crate) struct Home {
    dir: TempDir,
    pub(crate) sources: Sources,
}

impl Home {
    /// A good configuration, a good key, and an empty environment.
    pub(crate) fn new() -> Self {
        let dir = TempDir::new().unwrap();
        let sources = Sources { file: dir.path().join("fingerpost.toml"), ..Sources::default() };
        let home = Self { dir, sources };
        home.write("fingerpost.toml", BASE.as_bytes(), 0o644);
        home.write("gauge.key", SECRET.as_bytes(), 0o600);
        home
    }

    pub(crate) fn file(&self) -> PathBuf {
        self.sources.file.clone()
    }

    pub(crate) fn path(&self, name: &str) -> PathBuf {
        self.dir.path().join(name)
    }

    pub(crate) fn write(&self, name: &str, bytes: &[u8], mode: u32) {
        fs::write(self.path(name), bytes).unwrap();
        fs::set_permissions(self.path(name), fs::Permissions::from_mode(mode)).unwrap();
    }

    pub(crate) fn env(&mut self, name: &str, value: &str) {
        self.sources.env.push((name.into(), value.into()));
    }

    pub(crate) fn try_load(&self, text: &str) -> Result<Loaded, ConfigError> {
        fs::write(self.file(), text).unwrap();
        load(&self.sources)
    }

    pub(crate) fn load(&self, text: &str) -> Loaded {
        self.try_load(text).unwrap_or_else(|error| panic!("{error}"))
    }

    /// The message for `text`, with the directory taken out, or `DIR` where it is named alone; empty when there is none.
    pub(crate) fn problems(&self, text: &str) -> String {
        fs::write(self.file(), text).unwrap();
        self.problems_as_it_is()
    }

    pub(crate) fn problems_as_it_is(&self) -> String {
        let text = load(&self.sources).err().map(|error| error.to_string()).unwrap_or_default();
        let dir = self.dir.path().display().to_string();
        text.replace(&format!("{dir}/"), "").replace(&dir, "DIR")
    }
}
