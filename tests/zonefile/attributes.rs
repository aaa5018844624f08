//! Access lists and further extended attributes of the file, as acl(5) and xattr(7) have them, set and read by the programs
//! of the acl and attr projects.

use std::fs;
use std::os::unix::fs::{MetadataExt as _, PermissionsExt as _, chown};
use std::path::Path;
use std::process::Command;

use fingerpost::provider::{FaultKind, Provider as _};

use crate::{LONG, MILL, by_another_user, edited, gauge, is_tidy, mill, planned, provider, publish, run};

/// What a program says on standard output.
fn said(program: &str, arguments: &[&str], path: &Path) -> String {
    let output = Command::new(program).args(arguments).arg(path).output().unwrap();
    assert!(output.status.success(), "{program} {arguments:?}: {}", String::from_utf8_lossy(&output.stderr));
    String::from_utf8(output.stdout).unwrap()
}

/// Access list and attributes of a file.
fn kept(file: &Path) -> (String, String) {
    let list = said("getfacl", &["--omit-header", "--absolute-names", "--numeric"], file);
    (list, said("getfattr", &["--dump", "--match=-", "--absolute-names"], file))
}

#[test]
#[ignore = "needs setfacl: tests/all.sh runs it"]
fn access_lists_and_attributes_are_kept() {
    let (directory, file) = mill();
    fs::set_permissions(&file, fs::Permissions::from_mode(0o640)).unwrap();
    said("setfacl", &["--modify", "u:65534:rw,g:12:r,m::rw"], &file);
    said("setfattr", &["--name=user.mill.note", "--value=by the keeper"], &file);
    said("setfattr", &["--name=user.empty"], &file);
    let (before, mode) = (kept(&file), fs::metadata(&file).unwrap().mode());
    assert!(before.0.contains("user:65534:rw-") && before.1.contains("by the keeper"), "{before:?}");
    run(publish(&provider(&file, &[], LONG), &gauge("203.0.113.77"))).unwrap();
    assert_eq!(fs::read_to_string(&file).unwrap(), edited());
    assert_eq!((kept(&file), fs::metadata(&file).unwrap().mode()), (before, mode));
    assert!(is_tidy(directory.path()));
}

/// acl(5), "Object creation and default ACLs": a new file has what the directory gives.
#[test]
#[ignore = "needs setfacl: tests/all.sh runs it"]
fn what_the_directory_gives_new_files_is_not_given_to_this_one() {
    let (directory, file) = mill();
    fs::set_permissions(&file, fs::Permissions::from_mode(0o600)).unwrap();
    said("setfacl", &["--default", "--modify", "u:65534:rw"], directory.path());
    let before = kept(&file);
    run(publish(&provider(&file, &[], LONG), &gauge("203.0.113.77"))).unwrap();
    assert_eq!(fs::read_to_string(&file).unwrap(), edited());
    assert_eq!(kept(&file), before);
}

/// xattr(7): an attribute of the namespace `security` may be seen by whoever may read the file, and only be set by who rules
/// the machine.
#[test]
#[ignore = "needs root: tests/all.sh runs it"]
fn what_cannot_be_kept_is_named_and_nothing_is_written() {
    let Some(sealed) = std::env::var_os("TESTS_SEALED") else {
        let ((directory, file), program) = (mill(), tempfile::tempdir().unwrap());
        let this = "attributes::what_cannot_be_kept_is_named_and_nothing_is_written";
        said("setfattr", &["--name=security.mill", "--value=sealed"], &file);
        for path in [directory.path(), &file] {
            chown(path, Some(65_534), Some(65_534)).unwrap();
        }
        by_another_user(program.path(), this, &[("TESTS_SEALED", &file)]);
        return;
    };
    let sealed = Path::new(&sealed);
    let fault = run(provider(sealed, &[], LONG).apply(&planned())).unwrap_err();
    assert_eq!(fault.kind, FaultKind::Refused, "{fault}");
    let text = fault.to_string();
    assert!(text.contains("attribute security.mill") && text.contains(&sealed.display().to_string()), "{text}");
    assert!(text.contains("setfattr -x security.mill"), "{text}");
    assert_eq!(fs::read_to_string(sealed).unwrap(), MILL);
    assert!(is_tidy(sealed.parent().unwrap()));
}
