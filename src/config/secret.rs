//! Secrets: where they may come from, and a type that cannot be printed.

use std::fmt;
use std::fs::{File, OpenOptions};
use std::io::{self, Read};
use std::os::unix::fs::{MetadataExt, OpenOptionsExt};
use std::path::{Path, PathBuf};

use data_encoding::HEXLOWER;
use ring::digest;
use rustix::fs::OFlags;

use super::cell::Cell;
use super::load::Sources;
use super::reader::Table;

/// A secret's bytes. It has no `Display`, and its `Debug` shows nothing of it.
#[derive(Clone)]
pub struct Secret(Vec<u8>);

impl Secret {
    /// Takes the bytes over.
    pub fn new(bytes: Vec<u8>) -> Self {
        Self(bytes)
    }

    /// The bytes, for the one place that signs or sends with them.
    pub fn expose(&self) -> &[u8] {
        &self.0
    }
}

impl fmt::Debug for Secret {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.write_str("(secret)")
    }
}

/// Far more than any key or token needs.
const MAX_BYTES: u64 = 4096;

const WAYS: &str = "write { file = \"/path\" }, { credential = \"name\" } or { env = \"NAME\" }";

/// Reads the secret that the key `name` of `table` leads to, without the white space around it. What tells it apart
/// from another one without giving it away is added to `identity`.
///
/// No message repeats anything of the value: people put the secret itself where its source belongs.
pub(super) fn read(table: &Table<'_>, name: &str, sources: &Sources, identity: &mut String) -> Option<String> {
    let cell = table.key(name).required(&format!("{name} = {{ file = \"/etc/fingerpost/gauge.key\" }}"));
    if !cell.is_set() {
        return None;
    }
    if !cell.is_table() {
        cell.wrong("a secret is never written inline", WAYS);
        return None;
    }
    let source = table.table(name).quiet().hidden();
    let (file, credential, env) = (source.key("file"), source.key("credential"), source.key("env"));
    let set = [&file, &credential, &env].iter().filter(|cell| cell.is_set()).count();
    if set != 1 {
        let what = if set == 0 { "no source of the secret is named" } else { "more than one source is named" };
        cell.wrong(what, WAYS);
        return None;
    }
    let text = if file.is_set() {
        let path = file.file()?;
        let text = told(&file, open(&path).and_then(|opened| from_file(opened, &path, true)))?;
        cell.show(format!("{{ file = {path:?} }}"));
        text
    } else if credential.is_set() {
        let name = credential.string()?;
        if sources.looking_only && sources.credentials_dir.is_none() {
            cell.show(format!("{{ credential = {name:?} }}"));
            let what = "cannot be checked here: only the service is handed its credentials";
            credential.note(what, "see that LoadCredential= in the unit has this name");
            return None;
        }
        let text = told(&credential, from_credential(&name, sources.credentials_dir.as_deref()))?;
        cell.show(format!("{{ credential = {name:?} }}"));
        text
    } else {
        let name = env.string()?;
        let text = told(&env, from_env(&name, &sources.env))?;
        cell.show(format!("{{ env = {name:?} }}"));
        text
    };
    identity.push_str(&hint(&text));
    Some(text)
}

/// Sixteen bits of the secret's SHA-256: enough to notice that another one was put in its place, wherever it comes
/// from, and far too few to find it by.
fn hint(secret: &str) -> String {
    HEXLOWER.encode(digest::digest(&digest::SHA256, secret.as_bytes()).as_ref().get(..2).unwrap_or_default())
}

/// What is wrong with a source, and the way out.
type Fault = (String, String);

fn fault(what: impl Into<String>, remedy: impl Into<String>) -> Fault {
    (what.into(), remedy.into())
}

fn told(cell: &Cell<'_>, result: Result<String, Fault>) -> Option<String> {
    result.map_err(|(what, remedy)| cell.wrong(what, remedy)).ok()
}

fn open(path: &Path) -> Result<File, Fault> {
    // Without NONBLOCK, opening a pipe would wait for its other end.
    let flags = OFlags::NONBLOCK.bits().cast_signed();
    OpenOptions::new().read(true).custom_flags(flags).open(path).map_err(|error| match error.kind() {
        io::ErrorKind::NotFound => {
            let remedy = "put the secret there, for its owner only (chmod 600); a relative path starts at the directory of the configuration";
            fault("there is no such file", remedy)
        }
        io::ErrorKind::PermissionDenied => fault(
            "the file may not be read by the user that runs fingerpost",
            "make that user its owner, or hand it over as a systemd credential",
        ),
        _ => fault(format!("the file cannot be read: {error}"), ""),
    })
}

fn from_file(file: File, path: &Path, private: bool) -> Result<String, Fault> {
    let failed = |error: io::Error| fault(format!("the file cannot be read: {error}"), "");
    let meta = file.metadata().map_err(failed)?;
    if !meta.is_file() {
        return Err(fault("this is not a regular file", "name a file that holds the secret and nothing else"));
    }
    if private && meta.mode() & 0o077 != 0 {
        let what = format!("the file can be used by others than its owner (mode {:03o})", meta.mode() & 0o777);
        return Err(fault(what, format!("chmod 600 {}", path.display())));
    }
    let mut bytes = Vec::new();
    file.take(MAX_BYTES + 1).read_to_end(&mut bytes).map_err(failed)?;
    text(bytes)
}

fn from_credential(name: &str, dir: Option<&Path>) -> Result<String, Fault> {
    if name.is_empty() || name.contains('/') || matches!(name, "." | "..") {
        return Err(fault("this is not the name of a credential", "write the name alone, as in LoadCredential="));
    }
    let dir = dir.ok_or_else(|| {
        fault(
            "the service manager handed over no credentials ($CREDENTIALS_DIRECTORY is not set)",
            "add LoadCredential= to the unit, or to systemd-run --property= for a try by hand, or use { file = … }",
        )
    })?;
    let path: PathBuf = dir.join(name);
    let file = open(&path).map_err(|(what, _)| {
        let remedy = "check LoadCredential= in the unit: the name there and here must be the same";
        fault(if what.starts_with("there is") { "there is no such credential".into() } else { what }, remedy)
    })?;
    // The service manager keeps others out of its directory.
    from_file(file, &path, false)
}

fn from_env(name: &str, env: &[(String, String)]) -> Result<String, Fault> {
    if name.starts_with("FINGERPOST_") {
        let what = "variables that begin with FINGERPOST_ set keys of the configuration";
        return Err(fault(what, "give the variable of the secret another name"));
    }
    let (_, value) = env.iter().find(|(key, _)| key == name).ok_or_else(|| {
        fault("there is no such environment variable", "write the name of a variable, not the secret")
    })?;
    text(value.as_bytes().to_vec())
}

fn text(bytes: Vec<u8>) -> Result<String, Fault> {
    if bytes.len() as u64 > MAX_BYTES {
        return Err(fault("this is too large for a secret (4 KiB)", "name what holds the secret and nothing else"));
    }
    let text = String::from_utf8(bytes)
        .map_err(|_| fault("the secret is not text", "write it as text, in Base64 where it is a key"))?;
    match text.trim() {
        "" => Err(fault("the secret is empty", "write the secret there")),
        text => Ok(text.to_owned()),
    }
}
