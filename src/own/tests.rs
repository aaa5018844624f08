use std::fs;
use std::io::{ErrorKind, Read as _};
use std::os::unix::fs::{PermissionsExt as _, symlink};

use super::*;

#[test]
fn what_root_makes_is_given_to_whom_the_directory_belongs() {
    for (is_root, dir, present, heir_is) in [
        (true, (61184, 61184), (0, 0), Some((61184, 61184))),
        (true, (0, 61184), (0, 0), Some((0, 61184))),
        (true, (0, 0), (0, 0), None),
        (false, (61184, 61184), (61184, 61184), None),
        (false, (0, 0), (61184, 61184), None),
    ] {
        assert_eq!(heir(is_root, dir, present), heir_is, "{dir:?} {present:?}");
    }
}

#[test]
fn no_link_is_followed() {
    let home = tempfile::tempdir().unwrap();
    let (dir, victim) = (home.path().join("state"), home.path().join("victim"));
    fs::create_dir(&dir).unwrap();
    fs::write(&victim, "precious").unwrap();
    let planted = |name: &str| {
        let path = dir.join(name);
        let _ = fs::remove_file(&path);
        symlink(&victim, &path).unwrap();
        path
    };
    let link = planted("link");
    for options in [OpenOptions::new().read(true), OpenOptions::new().write(true).truncate(true)] {
        let refused = open(&link, options).unwrap_err();
        assert_eq!(way_in(&refused), "; it is a link, and none is followed there: remove it");
    }
    assert!(is_link(&read(&link).unwrap_err()));
    // What is made anew takes the link's place.
    make(&link, 0o600, &dir).unwrap().write_all(b"ours").unwrap();
    assert_eq!(read(&link).unwrap(), b"ours");
    let whole = planted("whole");
    planted(".new");
    replace(&whole, ".new", 0o640, b"ours", &dir).unwrap();
    assert_eq!(read(&whole).unwrap(), b"ours");
    assert_eq!(fs::metadata(&whole).unwrap().permissions().mode() & 0o137, 0);
    assert!(!dir.join(".new").exists());
    // Nor is a directory that is elsewhere.
    let elsewhere = dir.join("edges");
    symlink(home.path(), &elsewhere).unwrap();
    assert!(make_dir(&elsewhere, &dir).is_err());
    make_dir(&dir.join("own"), &dir).unwrap();
    make_dir(&dir.join("own"), &dir).unwrap();
    // Nor does a pipe keep anybody waiting.
    rustix::fs::mknodat(
        rustix::fs::CWD,
        dir.join("pipe"),
        rustix::fs::FileType::Fifo,
        rustix::fs::Mode::RUSR | rustix::fs::Mode::WUSR,
        0,
    )
    .unwrap();
    assert_eq!(read(&dir.join("pipe")).unwrap_err().kind(), ErrorKind::InvalidInput);
    let mut text = String::new();
    File::open(&victim).unwrap().read_to_string(&mut text).unwrap();
    assert_eq!(text, "precious");
}
