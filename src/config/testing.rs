//! Configurations for the tests of other rooms.

use std::fs;
use std::path::Path;

use super::load::{Sources, load};
use crate::settings::Config;

/// One witness, whom nobody can ask, and `more`; the state is in `dir`.
pub(crate) fn config(dir: &Path, more: &str) -> Config {
    let file = dir.join("fingerpost.toml");
    let witness = "[[witness]]\nname = \"echo\"\noperator = \"ferryman\"\nkind = \"http\"\n\
                   url = \"http://127.0.0.1:1/\"\nfamilies = [\"ipv4\"]\n";
    fs::write(&file, format!("{witness}{more}")).unwrap();
    load(&Sources { file, state_dir: Some(dir.to_owned()), ..Sources::default() }).unwrap().config
}
