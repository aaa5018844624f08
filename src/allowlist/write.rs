//! Writes the ranges in force into the files that the configuration names, each replaced as a whole, and runs the
//! commands that have them take effect. Touches these files and runs these commands, and nothing else.

use std::io::{self, ErrorKind};
use std::path::PathBuf;
use std::sync::Arc;
use std::time::Duration;

use serde::Serialize;
use tokio::sync::Mutex;

use super::render::{Form, Part, render};
use super::{AllowlistError, in_force};
use crate::aside::aside;
use crate::files::{self, Astray, Errand, Place, replace};
use crate::provider::zonefile::reload::reload;
use crate::settings::{Config, Render, RenderForm};
use crate::text::root_cause;

/// How long a reload command may take.
const PATIENCE: Duration = Duration::from_secs(30);

/// The longest file that may be what was written before, in bytes: some millions of ranges.
const LONGEST: u64 = 256 << 20;

/// The longest template, in bytes.
const TEMPLATE: u64 = 1 << 20;

/// Held while a file is written: one that nobody waits for any more is written to its end, and newer ranges come after it.
static WRITING: Mutex<()> = Mutex::const_new(());

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
    let parts: Arc<[Part]> = in_force(config).await?.into_iter().map(part).collect();
    let allowlist = config.allowlist.as_ref().ok_or(AllowlistError::NoEdge)?;
    let ports: Arc<[u16]> = allowlist.ports.iter().copied().collect();
    let mut all = Vec::new();
    for one in &allowlist.renders {
        let (alone, parts, ports, it) = (WRITING.lock().await, Arc::clone(&parts), Arc::clone(&ports), one.clone());
        let put = aside(move || {
            let _alone = alone;
            put(&it, &parts, &ports)
        });
        let (changed, mut trouble) = match put.await {
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
            let bytes = files::read(path, Errand::Read, TEMPLATE).map_err(unreadable)?;
            template =
                String::from_utf8(bytes).map_err(|error| unreadable(io::Error::new(ErrorKind::InvalidData, error)))?;
            Form::Template(&template)
        }
    };
    let text = render(form, parts, ports).map_err(|error| error.to_string())?;
    let unwritable = |error: io::Error| format!("it cannot be written: {}", root_cause(&error));
    let there = || Place::find(&one.file, Errand::Put).and_then(|place| place.read(LONGEST));
    let says_so = |there: &Option<Vec<u8>>| there.as_deref() == Some(text.as_bytes());
    match there() {
        Ok(there) if says_so(&there) => return Ok(false),
        Ok(_) => {}
        // Whatever that is, it is not ours.
        Err(error) if matches!(Astray::behind(&error), Some(Astray::Long(_))) => {}
        Err(error) => return Err(unwritable(error)),
    }
    replace(&one.file, text.as_bytes()).map_err(unwritable)?;
    // What counts is what stands there.
    match there() {
        Ok(there) if says_so(&there) => Ok(true),
        Ok(_) => Err("it does not say what was written: does another program write it?".to_owned()),
        Err(error) => Err(unwritable(error)),
    }
}
