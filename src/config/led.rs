//! What a configuration leads to on this machine (programs, key files, descriptions, and the file itself): whether it is
//! there, and who else may change it. Looks at files and opens none.
//!
//! Whoever may change a program decides what is run. So root runs none in which another user has a say: that is an
//! error. All else is a doubt, which forbids nothing: a program may be installed later, and a user may trust another.

use std::ffi::OsStr;
use std::io;
use std::os::unix::fs::{MetadataExt as _, PermissionsExt as _};
use std::path::{Path, PathBuf};

use rustix::fs::{Access, AtFlags, CWD, accessat};

use super::load::Sources;
use super::problem::Problem;
use super::reader::Doc;
use crate::files::{self, Ask, Say, Trust};
use crate::process;

/// Something that the configuration leads to.
pub(super) struct Led {
    /// The key that does, with nothing wrong said of it yet.
    pub(super) at: Problem,
    pub(super) to: To,
}

pub(super) enum To {
    /// A program and its arguments.
    Program {
        words: Vec<String>,
        /// Whether no message may say them.
        quiet: bool,
    },
    /// A file with a secret, which could be read.
    Secret(PathBuf),
    /// The description of an API.
    Description(PathBuf),
}

/// Who looks, and where.
struct Ground<'s> {
    trust: Trust,
    path: Option<&'s str>,
    /// To whom the state directory belongs: as root, the user of the service.
    service: Option<u32>,
}

/// Looks at all that `doc` was found to lead to, and says in it what is amiss.
pub(super) fn judge(doc: &Doc, sources: &Sources, state_dir: Option<&Path>) {
    let path = sources.env.iter().find(|(name, _)| name == "PATH").map(|(_, path)| path.as_str());
    let service = state_dir.and_then(|dir| Some(std::fs::metadata(dir).ok()?.uid()));
    let ground = Ground { trust: Trust::of_this_process(), path, service };
    let led = std::mem::take(&mut doc.log.borrow_mut().led);
    let runs = led.iter().any(|led| matches!(led.to, To::Program { .. }));
    let itself = Problem { file: doc.file.display().to_string(), ..Problem::default() };
    let mut found = ground.file(itself, &sources.file, runs);
    for Led { at, to } in led {
        found.extend(match to {
            To::Program { words, quiet } => ground.program(&at, &words, quiet),
            To::Secret(path) => ground.secret(at, &path).into_iter().collect(),
            To::Description(path) => ground.description(at, &path).into_iter().collect(),
        });
    }
    let mut log = doc.log.borrow_mut();
    for Found { problem, grave } in found {
        if grave { &mut log.problems } else { &mut log.notes }.push(problem);
    }
}

struct Found {
    problem: Problem,
    /// Whether it forbids to use the configuration.
    grave: bool,
}

fn found(at: Problem, grave: bool, what: String, remedy: String) -> Found {
    Found { problem: Problem { what, remedy, ..at }, grave }
}

impl Ground<'_> {
    /// The file of the configuration, which says what is run.
    fn file(&self, at: Problem, path: &Path, runs: bool) -> Vec<Found> {
        let Some(say) = said(path, Ask::Change, None) else { return Vec::new() };
        let grave = runs && self.trust.is_root();
        let what = match grave {
            true => format!("root would run what this file names, and others may change it: {say}"),
            false => format!("others may change this file: {say}"),
        };
        vec![found(at, grave, what, self.way_out("it"))]
    }

    fn program(&self, at: &Problem, words: &[String], quiet: bool) -> Vec<Found> {
        let Some((program, arguments)) = words.split_first() else { return Vec::new() };
        let named = if quiet { "the program".to_owned() } else { format!("{program:?}") };
        let place = self.find(program);
        let mut all: Vec<Found> = Vec::new();
        if let Some((what, remedy)) = missing(program, &place) {
            all.push(found(at.clone(), false, format!("{named} {what}"), remedy));
        }
        let before = place.before.iter().find_map(|dir| said(dir, Ask::Add, None));
        if let Some(say) = before.or_else(|| said(place.at.as_ref()?, Ask::Change, None)) {
            let grave = self.trust.is_root();
            let who = if grave { "root" } else { "this user" };
            let what = format!("{named} would be run as {who}, and others decide what that is: {say}");
            all.push(found(at.clone(), grave, what, self.way_out("it")));
        }
        // A script that the program is to run, as often as not.
        let files = arguments.iter().map(Path::new).filter(|path| path.is_absolute() && path.is_file());
        if let Some(say) = files.into_iter().find_map(|path| said(path, Ask::Change, self.service)) {
            let what = format!("{named} is given a file that others may change: {say}");
            all.push(found(at.clone(), false, what, self.way_out("it")));
        }
        all
    }

    fn secret(&self, at: Problem, path: &Path) -> Option<Found> {
        let say = said(path, Ask::Change, self.service)?;
        let what = format!("others may put another secret in its place, or read it: {say}");
        Some(found(at, false, what, self.way_out("it")))
    }

    fn description(&self, at: Problem, path: &Path) -> Option<Found> {
        let say = said(path, Ask::Change, None)?;
        let what = format!("others may change this description, and with it where the token is sent: {say}");
        Some(found(at, false, what, self.way_out("it")))
    }

    fn way_out(&self, what: &str) -> String {
        let owner = if self.trust.is_root() { "root" } else { "root or the user that runs this" };
        format!(
            "let {what} and the directories above it belong to {owner}, and nobody else write there (chown, chmod go-w)"
        )
    }

    /// Where `program` is, as execvp(3) finds it.
    fn find(&self, program: &str) -> Place {
        if program.contains('/') {
            let at = PathBuf::from(program);
            return Place { runs: runs(&at), at: Some(at), before: Vec::new() };
        }
        let mut place = Place { at: None, runs: Err(io::ErrorKind::NotFound.into()), before: Vec::new() };
        for at in process::places(program, self.path.map(OsStr::new)) {
            let dir = at.parent().unwrap_or(Path::new("."));
            let is_there = dir.is_dir().then(|| dir.to_owned());
            match runs(&at) {
                Ok(()) => return Place { runs: Ok(()), at: Some(at), ..place },
                // Where nothing can be run, the search goes on.
                Err(error) if error.kind() == io::ErrorKind::PermissionDenied => {
                    place.at.get_or_insert(at);
                    place.runs = Err(error);
                }
                Err(_) => {}
            }
            place.before.extend(is_there);
        }
        place
    }
}

/// Where a program is.
struct Place {
    at: Option<PathBuf>,
    /// Whether it can be run.
    runs: io::Result<()>,
    /// The directories in which it was looked for before.
    before: Vec<PathBuf>,
}

/// Whether what is at `path` can be run by this user.
fn runs(path: &Path) -> io::Result<()> {
    let meta = std::fs::metadata(path)?;
    // access(2): to root everything is executable that is so to somebody.
    if !meta.is_file() || meta.permissions().mode() & 0o111 == 0 {
        return Err(io::ErrorKind::PermissionDenied.into());
    }
    Ok(accessat(CWD, path, Access::EXEC_OK, AtFlags::EACCESS)?)
}

/// What is wrong with a program that cannot be run, and the way out.
fn missing(program: &str, place: &Place) -> Option<(String, String)> {
    let error = place.runs.as_ref().err()?;
    let is_path = program.contains('/');
    let (what, remedy) = match error.kind() {
        io::ErrorKind::PermissionDenied if place.at.as_ref().is_some_and(|at| at.is_file()) => {
            ("is not executable for who runs this", "chmod +x it, or name the program itself")
        }
        io::ErrorKind::PermissionDenied if place.at.as_ref().is_some_and(|at| at.exists()) => {
            ("is no program", "name the program itself")
        }
        io::ErrorKind::NotFound | io::ErrorKind::NotADirectory if is_path => {
            ("is not there", "install it, or write where it is")
        }
        io::ErrorKind::NotFound => {
            ("is in no directory of PATH", "install it, or write its whole path: a service's PATH may be another one")
        }
        _ => ("cannot be looked at here", "run this as root (sudo), or as the user that runs the service"),
    };
    Some((what.to_owned(), remedy.to_owned()))
}

/// Who else has a say there; nobody where that cannot be told.
fn said(path: &Path, ask: Ask, also: Option<u32>) -> Option<Say> {
    files::others(path, ask, also).ok().flatten()
}
