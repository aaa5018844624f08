//! Writes the ranges in force into the files that the configuration names, each replaced as a whole, and runs the
//! commands that have them take effect. Touches these files and runs these commands, and nothing else.

use std::fs::{self, File, Metadata, Permissions};
use std::io::{self, ErrorKind, Write as _};
use std::os::unix::fs::{MetadataExt as _, PermissionsExt as _, fchown};
use std::path::{Path, PathBuf};
use std::time::Duration;

use serde::Serialize;

use super::render::{Form, Part, render};
use super::{AllowlistError, in_force};
use crate::config::{Config, Render, RenderForm};
use crate::provider::zonefile::reload::reload;
use crate::watch::http::root_cause;

/// How long a reload command may take.
const PATIENCE: Duration = Duration::from_secs(30);

/// When the commands are run.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Reload {
    /// In any case.
    Always,
    /// When the file has changed.
    Changed,
}

/// What became of one file.
#[derive(Clone, Debug, PartialEq, Eq, Serialize)]
pub struct Rendered {
    /// The file.
    pub file: PathBuf,
    /// Whether it says something new.
    pub changed: bool,
    /// Whether a command was run, and succeeded.
    pub reloaded: bool,
    /// Why it does not say what is in force, or why that has not taken effect.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub trouble: Option<String>,
}

/// Writes all files. One that fails keeps no other from being written.
///
/// # Errors
/// [`AllowlistError`] while the ranges of any edge are not known: a file without them would lock it out.
pub async fn write(config: &Config, when: Reload) -> Result<Vec<Rendered>, AllowlistError> {
    let part = |(edge, kept): (String, super::Kept)| Part { edge, number: kept.number, set: kept.set() };
    let parts: Vec<Part> = in_force(config)?.into_iter().map(part).collect();
    let allowlist = config.allowlist.as_ref().ok_or(AllowlistError::NoEdge)?;
    let ports: Vec<u16> = allowlist.ports.iter().copied().collect();
    let mut all = Vec::new();
    for one in &allowlist.renders {
        let (changed, mut trouble) = match put(one, &parts, &ports) {
            Ok(changed) => (changed, None),
            Err(why) => (false, Some(why)),
        };
        let mut reloaded = false;
        if trouble.is_none() && !one.reload.is_empty() && (changed || when == Reload::Always) {
            match reload(&one.reload, PATIENCE).await {
                Ok(()) => reloaded = true,
                Err(error) => trouble = Some(format!("it is written and has not taken effect: {error}")),
            }
        }
        all.push(Rendered { file: one.file.clone(), changed, reloaded, trouble });
    }
    Ok(all)
}

/// Whether the file was written: it is left alone when it says the same.
fn put(one: &Render, parts: &[Part], ports: &[u16]) -> Result<bool, String> {
    let template;
    let form = match &one.form {
        RenderForm::Nft { table } => Form::Nft(table),
        RenderForm::Lines => Form::Lines,
        RenderForm::Json => Form::Json,
        RenderForm::Rules => Form::Rules,
        RenderForm::Template { template: path } => {
            let unreadable = |error: io::Error| format!("{} cannot be read: {}", path.display(), root_cause(&error));
            template = fs::read_to_string(path).map_err(unreadable)?;
            Form::Template(&template)
        }
    };
    let text = render(form, parts, ports).map_err(|error| error.to_string())?;
    let unwritable = |error: io::Error| format!("it cannot be written: {}", root_cause(&error));
    match fs::read(&one.file) {
        Ok(there) if there == text.as_bytes() => return Ok(false),
        Ok(_) => {}
        Err(error) if error.kind() == ErrorKind::NotFound => {}
        Err(error) => return Err(unwritable(error)),
    }
    replace(&one.file, text.as_bytes()).map_err(unwritable)?;
    // What counts is what stands there.
    match fs::read(&one.file) {
        Ok(there) if there == text.as_bytes() => Ok(true),
        Ok(_) => Err("it does not say what was written: does another program write it?".to_owned()),
        Err(error) => Err(unwritable(error)),
    }
}

/// Whether the user `own` goes where something of the user `theirs` leads: root never writes where another one says.
fn may_follow(own: u32, theirs: u32) -> bool {
    own != 0 || theirs == 0
}

/// Puts `bytes` in the file's place, with the mode and the owner of what stood there, or readable by all.
pub(crate) fn replace(path: &Path, bytes: &[u8]) -> io::Result<()> {
    // Where it leads, should it be a link.
    let link = fs::symlink_metadata(path).ok().filter(Metadata::is_symlink).map(|meta| meta.uid());
    if let Some(theirs) = link.filter(|theirs| !may_follow(rustix::process::geteuid().as_raw(), *theirs)) {
        let why =
            format!("it is a link that user {theirs} made, and root follows none but its own: name the file itself");
        return Err(io::Error::other(why));
    }
    let (path, before) = match fs::canonicalize(path) {
        Ok(path) => (path.clone(), Some(fs::metadata(path)?)),
        Err(error) if error.kind() == ErrorKind::NotFound => (path.to_owned(), None),
        Err(error) => return Err(error),
    };
    let dir = path.parent().filter(|dir| !dir.as_os_str().is_empty()).unwrap_or(Path::new("."));
    let mut new = tempfile::Builder::new().prefix(".fingerpost.").tempfile_in(dir)?;
    new.write_all(bytes)?;
    let file = new.as_file();
    if let Some(before) = &before {
        let fresh = file.metadata()?;
        if (fresh.uid(), fresh.gid()) != (before.uid(), before.gid()) {
            // Before the mode: a change of owner clears bits of it.
            fchown(file, Some(before.uid()), Some(before.gid()))?;
        }
    }
    let mode = before.map_or(0o644, |before| before.mode() & 0o7777);
    file.set_permissions(Permissions::from_mode(mode))?;
    file.sync_all()?;
    new.persist(&path).map_err(|error| error.error)?;
    File::open(dir)?.sync_all()
}

#[cfg(test)]
mod tests {
    use super::may_follow;

    #[test]
    fn root_writes_where_no_other_user_leads() {
        for (own, theirs, may) in [(0, 0, true), (0, 61184, false), (61184, 61184, true), (61184, 0, true)] {
            assert_eq!(may_follow(own, theirs), may, "{own} {theirs}");
        }
    }
}
