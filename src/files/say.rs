//! Who else has a say in what stands at a path: whoever may write it, or put something else in its place. Looks, and changes
//! nothing.

use std::fmt;
use std::io;
use std::path::{Path, PathBuf};

use rustix::fs::{FileType, Stat};

use super::way::{Astray, End, Errand, Trust};

/// Somebody's say, and where they have it.
#[derive(Clone, Debug, PartialEq, Eq)]
pub(crate) struct Say {
    /// The file, or the directory or link of the way to it.
    path: PathBuf,
    by: By,
}

#[derive(Clone, Copy, Debug, PartialEq, Eq)]
enum By {
    Owner(u32),
    Group { gid: u32, mode: u32 },
    All { mode: u32 },
}

impl fmt::Display for Say {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        let path = self.path.display();
        match self.by {
            By::Owner(user) => write!(f, "{path} belongs to user {user}"),
            By::Group { gid, mode } => write!(f, "group {gid} may write {path} (mode {mode:03o})"),
            By::All { mode } => write!(f, "everybody may write {path} (mode {mode:03o})"),
        }
    }
}

/// What is asked of the end of a way.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(crate) enum Ask {
    /// Who may change what stands there.
    Change,
    /// Who may put more into the directory there.
    Add,
}

/// Who but root, who runs this, and `also`, has a say at the end of `path`: the first one on the way.
///
/// # Errors
/// Why that is not known. What is missing is no error: others have a say in what will be there, or not.
pub(crate) fn others(path: &Path, ask: Ask, also: Option<u32>) -> io::Result<Option<Say>> {
    let path = std::path::absolute(path)?;
    let trust = Trust::of_this_process();
    let is_another = |owner: u32| trust.is_another(owner) && Some(owner) != also;
    let mut met: Vec<(PathBuf, Stat)> = Vec::new();
    let end = End::go(&path, Errand::Read, &mut |path, stat| met.push((path.to_owned(), *stat)));
    let last = met.len().saturating_sub(1);
    let say = met.into_iter().enumerate().find_map(|(at, (path, stat))| {
        let by = by(&stat, is_another, ask == Ask::Add && at == last)?;
        Some(Say { path, by })
    });
    match (say, end) {
        (Some(say), _) => Ok(Some(say)),
        (None, Err(error)) if !matches!(error.kind(), io::ErrorKind::NotFound) && !is_directory(&error) => Err(error),
        (None, _) => Ok(None),
    }
}

/// A way that ends in the root directory, or in `..`.
fn is_directory(error: &io::Error) -> bool {
    matches!(Astray::behind(error), Some(Astray::Kind(_)))
}

/// By what others have a say in what `stat` is of. In a directory with the sticky bit only the owner of what stands there
/// may rename or remove it (unlink(2), EPERM); whoever may write a file may do so by its group's bits where an access list
/// lets them (acl(5)), and root's own group is no exception.
fn by(stat: &Stat, is_another: impl Fn(u32) -> bool, added_to: bool) -> Option<By> {
    let (kind, mode) = (FileType::from_raw_mode(stat.st_mode), stat.st_mode & 0o7777);
    if is_another(stat.st_uid) {
        return Some(By::Owner(stat.st_uid));
    }
    // The mode of a link means nothing (symlink(7)).
    let sticky = kind == FileType::Directory && mode & 0o1000 != 0 && !added_to;
    match mode {
        _ if sticky || kind == FileType::Symlink => None,
        mode if mode & 0o002 != 0 => Some(By::All { mode }),
        mode if mode & 0o020 != 0 => Some(By::Group { gid: stat.st_gid, mode }),
        _ => None,
    }
}

#[cfg(test)]
mod tests {
    use std::fs::{self, Permissions};
    use std::os::unix::fs::{PermissionsExt as _, symlink};

    use super::*;

    fn say(path: &Path, ask: Ask) -> String {
        others(path, ask, None).unwrap().map(|say| say.to_string()).unwrap_or_default()
    }

    #[test]
    fn whoever_may_write_the_file_or_a_directory_of_the_way_has_a_say() {
        let home = tempfile::tempdir().unwrap();
        let at = |name: &str| home.path().join(name);
        fs::create_dir(at("bin")).unwrap();
        fs::write(at("bin/program"), "").unwrap();
        symlink("bin/program", at("link")).unwrap();
        let mode = |name: &str, mode| fs::set_permissions(at(name), Permissions::from_mode(mode)).unwrap();
        for (bin, program, said) in [
            (0o755, 0o755, None),
            (0o755, 0o775, Some(("group", "bin/program", "0775"))),
            (0o755, 0o757, Some(("everybody", "bin/program", "0757"))),
            (0o757, 0o755, Some(("everybody", "bin", "0757"))),
            (0o775, 0o755, Some(("group", "bin", "0775"))),
            // inode(7): the sticky bit.
            (0o1777, 0o755, None),
            (0o1777, 0o757, Some(("everybody", "bin/program", "0757"))),
        ] {
            mode("bin", bin);
            mode("bin/program", program);
            for path in ["bin/program", "link", "bin/../link"] {
                let got = say(&at(path), Ask::Change);
                match said {
                    None => assert_eq!(got, "", "{path} {bin:o} {program:o}"),
                    Some((who, place, mode)) => {
                        let mode = mode.strip_prefix('0').unwrap();
                        let ends = format!("/{place} (mode {mode})");
                        assert!(got.starts_with(who) && got.ends_with(&ends), "{path} {bin:o} {program:o}: {got}");
                    }
                }
            }
        }
        mode("bin", 0o1777);
        assert!(
            say(&at("bin"), Ask::Add).starts_with("everybody may write") && say(&at("bin"), Ask::Change).is_empty()
        );
        // What is missing, everybody could put there only where they may write.
        mode("bin", 0o755);
        assert_eq!(say(&at("bin/none"), Ask::Change), "");
        assert_eq!(say(Path::new("/"), Ask::Change), "");
    }
}
