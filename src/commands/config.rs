//! `fingerpost config`: the daemon's own check, and what is in force.

use std::fmt::Write as _;

use super::{CommandError, Exit, load_to_look, print, print_json};
use crate::cli::Common;

pub(super) fn check(common: &Common) -> Result<Exit, CommandError> {
    let loaded = match load_to_look(common) {
        Err(error) if common.json => {
            print_json(&serde_json::json!({ "ok": false, "problems": error.problems() }))?;
            return Ok(Exit::Config);
        }
        loaded => loaded?,
    };
    if common.json {
        print_json(&serde_json::json!({ "ok": true, "notes": loaded.notes }))?;
        return Ok(Exit::Done);
    }
    let mut text = String::new();
    for note in &loaded.notes {
        let _ = writeln!(text, "note: {note}");
    }
    let _ = writeln!(text, "{} holds.", common.config.display());
    print(&text)?;
    Ok(Exit::Done)
}

pub(super) fn show(common: &Common) -> Result<Exit, CommandError> {
    let shown = load_to_look(common)?.shown;
    if common.json {
        print_json(&shown)?;
        return Ok(Exit::Done);
    }
    let width = |of: fn(&crate::config::load::Shown) -> &str| {
        shown.iter().map(|line| of(line).chars().count()).max().unwrap_or(0).min(48)
    };
    let (keys, values) = (width(|line| &line.key), width(|line| &line.value));
    let mut text = String::new();
    for line in &shown {
        let _ = writeln!(text, "{:keys$} = {:values$}  # {}", line.key, line.value, line.source);
    }
    print(&text)?;
    Ok(Exit::Done)
}
