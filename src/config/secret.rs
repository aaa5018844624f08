//! Secrets: where they may come from, and a type that cannot be printed.

use std::fs::File;
use std::io::{self, Read};
use std::os::unix::fs::MetadataExt;
use std::path::{Path, PathBuf};

use data_encoding::HEXLOWER;
use ring::digest;

use super::cell::Cell;
use super::led::To;
use super::load::Sources;
use super::reader::Table;
use crate::files::{self, Astray, Errand};

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
        let opened = files::open(&path, Errand::Read);
        // What only the service may read is as good as handed to it alone.
        if sources.looking_only && opened.as_ref().is_err_and(|error| error.kind() == io::ErrorKind::PermissionDenied) {
            cell.show(format!("{{ file = {path:?} }}"));
            let what = format!("cannot be checked here: {}", denied(&path));
            file.note(what, "run this as root (sudo) to check it too");
            return None;
        }
        let opened = opened.map_err(|error| unopened(&error, &path));
        let text = told(&file, opened.and_then(|opened| from_file(opened, &path, true)))?;
        cell.show(format!("{{ file = {path:?} }}"));
        file.leads(To::Secret(path));
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

/// The path as it is called from anywhere: a relative one does not tell where it starts.
fn absolute(path: &Path) -> PathBuf {
    std::path::absolute(path).unwrap_or_else(|_| path.to_owned())
}

fn denied(path: &Path) -> String {
    format!("{} may not be read by the user that runs this", absolute(path).display())
}

/// Why a file is not opened. What is there may be named; what is not there may be the secret itself.
fn unopened(error: &io::Error, path: &Path) -> Fault {
    match error.kind() {
        _ if matches!(Astray::behind(error), Some(Astray::Kind(_))) => {
            let what = format!("{} is not a regular file", absolute(path).display());
            fault(what, "name a file that holds the secret and nothing else")
        }
        io::ErrorKind::NotFound => {
            let path = absolute(path);
            let near = path.ancestors().skip(1).find(|near| near.is_dir()).unwrap_or(Path::new("/"));
            let where_ = if path.parent() == Some(near) { "in" } else { "below" };
            let what = format!("there is no such file {where_} {}", near.display());
            fault(what, "put the secret there, for its owner only (chmod 600)")
        }
        io::ErrorKind::PermissionDenied => {
            let remedy = "run this as root (sudo); a service that runs as another user gets it as a systemd credential \
                          (LoadCredential= in its unit, and { credential = \"NAME\" } here)";
            fault(denied(path), remedy)
        }
        _ => fault(format!("the file cannot be read: {error}"), "name a file that holds the secret and nothing else"),
    }
}

fn from_file(file: File, path: &Path, private: bool) -> Result<String, Fault> {
    let path = absolute(path);
    let path = path.display();
    let failed = |error: io::Error| {
        fault(format!("{path} cannot be read: {error}"), "see that its disk is sound, or keep the secret elsewhere")
    };
    let meta = file.metadata().map_err(failed)?;
    if private && meta.mode() & 0o077 != 0 {
        let what = format!("{path} can be used by others than its owner (mode {:03o})", meta.mode() & 0o777);
        return Err(fault(what, format!("chmod 600 {path}")));
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
    let file = files::open(&path, Errand::Read).map_err(|error| match error.kind() {
        io::ErrorKind::NotFound => fault(
            "there is no such credential",
            "check LoadCredential= in the unit: the name there and here must be the same",
        ),
        io::ErrorKind::PermissionDenied => {
            fault("the credential may not be read by the user that runs this", "run this as the service manager does")
        }
        _ => fault(format!("the credential cannot be read: {error}"), "see what the service manager's log says of it"),
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
