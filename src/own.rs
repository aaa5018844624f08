//! Files of the state directory, as every room opens them there.
//!
//! The directory belongs to the user of the service, who talks to the network, and root works in it when the owner runs
//! `sudo fingerpost sync`. So nothing in it is believed: no link is followed, and only what was made here is given away.

use std::fs::{self, File, OpenOptions};
use std::io::{self, ErrorKind, Read as _, Write as _};
use std::os::unix::fs::{MetadataExt, OpenOptionsExt, fchown};
use std::path::Path;

use rustix::fs::OFlags;

/// What to do about an `error` in the state directory, as the end of a clause; empty where that says it all.
pub(crate) fn way_in(error: &io::Error) -> &'static str {
    if is_link(error) {
        return "; it is a link, and none is followed there: remove it";
    }
    match error.kind() {
        ErrorKind::PermissionDenied => "; run this as root (sudo), or as the user to whom that directory belongs",
        _ => "",
    }
}

fn is_link(error: &io::Error) -> bool {
    error.raw_os_error() == Some(rustix::io::Errno::LOOP.raw_os_error())
}

/// Opens what stands at `path` with these `options`: a file, and never what a link leads to.
///
/// # Errors
/// Those of the system, ELOOP for a link among them; [`ErrorKind::InvalidInput`] for what is no file.
pub(crate) fn open(path: &Path, options: &mut OpenOptions) -> io::Result<File> {
    // A pipe without a writer does not keep it waiting.
    let flags = OFlags::NOFOLLOW | OFlags::NONBLOCK;
    let file = options.custom_flags(flags.bits().cast_signed()).open(path)?;
    if file.metadata()?.is_file() {
        return Ok(file);
    }
    Err(io::Error::new(ErrorKind::InvalidInput, "it is no file; remove it"))
}

/// All that stands at `path`.
///
/// # Errors
/// Those of [`open`], and of reading.
pub(crate) fn read(path: &Path) -> io::Result<Vec<u8>> {
    let mut bytes = Vec::new();
    open(path, OpenOptions::new().read(true))?.read_to_end(&mut bytes)?;
    Ok(bytes)
}

/// Makes the file `path` in `dir` anew, whatever stood there, for whom `dir` belongs to.
///
/// # Errors
/// Those of the system.
pub(crate) fn make(path: &Path, mode: u32, dir: &Path) -> io::Result<File> {
    match fs::remove_file(path) {
        Err(error) if error.kind() != ErrorKind::NotFound => return Err(error),
        _ => {}
    }
    // This fails where somebody was faster, and follows no link (open(2), O_EXCL).
    let file = OpenOptions::new().read(true).write(true).create_new(true).mode(mode).open(path)?;
    hand_over(&file, dir);
    Ok(file)
}

/// Makes `text` what stands at `path` in `dir`, as a whole or not at all, durably. `new` is the name it has until then:
/// always the same, so that what a crash leaves behind goes next time. The directory's lock keeps others out.
///
/// # Errors
/// Those of the system.
pub(crate) fn replace(path: &Path, new: &str, mode: u32, text: &[u8], dir: &Path) -> io::Result<()> {
    let new = dir.join(new);
    let mut file = make(&new, mode, dir)?;
    file.write_all(text)?;
    file.sync_all()?;
    fs::rename(&new, path)?;
    File::open(dir)?.sync_all()
}

/// Makes the directory `made` in the state directory's tree, unless it is there, for whom `dir` belongs to.
///
/// # Errors
/// Those of the system; a link to a directory is none.
pub(crate) fn make_dir(made: &Path, dir: &Path) -> io::Result<()> {
    let directory = OFlags::NOFOLLOW | OFlags::DIRECTORY;
    let open = || OpenOptions::new().read(true).custom_flags(directory.bits().cast_signed()).open(made);
    match fs::create_dir(made) {
        Ok(()) => {
            hand_over(&open()?, dir);
            File::open(made.join(".."))?.sync_all()
        }
        Err(error) if error.kind() == ErrorKind::AlreadyExists => open().map(drop),
        Err(error) => Err(error),
    }
}

/// Gives `file`, which was made anew in the state directory `dir`, to whom that belongs: when root runs `sync` there,
/// the service must still be able to use what it leaves. Where that cannot be, the file stays as it is.
fn hand_over(file: &File, dir: &Path) {
    let of = |meta: io::Result<fs::Metadata>| meta.ok().map(|meta| (meta.uid(), meta.gid()));
    let (Some(dir), Some(present)) = (of(fs::metadata(dir)), of(file.metadata())) else { return };
    if let Some((uid, gid)) = heir(rustix::process::geteuid().is_root(), dir, present) {
        let _ = fchown(file, Some(uid), Some(gid));
    }
}

/// Who is to have a file of the owner and group `present` in a directory of those of `dir`; `None` where none can or
/// need be given it.
fn heir(is_root: bool, dir: (u32, u32), present: (u32, u32)) -> Option<(u32, u32)> {
    (is_root && dir != present).then_some(dir)
}

#[cfg(test)]
mod tests;
