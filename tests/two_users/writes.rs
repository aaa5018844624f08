//! Where root writes, and where it does not.

use std::fs;
use std::os::unix::fs::{FileTypeExt as _, MetadataExt as _, chown, symlink};
use std::os::unix::net::UnixListener;

use rustix::fs::{CWD, FileType, Mode, makedev, mknodat};

use crate::{Mill, SERVICE, User, is_root, kind};

fn render(file: &str) -> String {
    format!("[[allowlist.render]]\nform = \"lines\"\nfile = \"{file}\"\n")
}

#[test]
#[ignore = "needs root: tests/all.sh runs it"]
fn root_renders_nowhere_that_another_user_leads_it() {
    if !is_root("writes::root_renders_nowhere_that_another_user_leads_it") {
        return;
    }
    for (what, file, trap) in [
        ("the file is a link", "out/edge.txt", "ln -s ../shadow out/edge.txt"),
        ("a directory is a link", "out/below/edge.txt", "ln -s ../etc out/below"),
        ("a link to a link of root's", "out/edge.txt", "ln -s ../own out/edge.txt"),
        ("what is new stands in a directory of the user's", "out/edge.txt", "true"),
        ("what is there stands in one", "out/edge.txt", "echo theirs >out/edge.txt"),
        ("there is a pipe", "out/edge.txt", "mkfifo out/edge.txt"),
        ("a directory is a pipe", "out/below/edge.txt", "mkfifo out/below"),
    ] {
        let mill = Mill::new(&render(file));
        fs::write(mill.path("shadow"), "root's").unwrap();
        fs::create_dir(mill.path("etc")).unwrap();
        fs::write(mill.path("etc/edge.txt"), "root's").unwrap();
        symlink("shadow", mill.path("own")).unwrap();
        mill.shell(trap);
        let said = mill.run(User::Root, &["allowlist", "render"]);
        assert_eq!(said.status, 73, "{what}: {said:?}");
        assert!(said.out.contains("user 61184"), "{what}: {said:?}");
        for file in ["shadow", "etc/edge.txt"] {
            assert_eq!(fs::read_to_string(mill.path(file)).unwrap(), "root's", "{what}");
        }
        // What may be written by the service is, and is its own.
        let own = mill.run(User::Service, &["allowlist", "render"]);
        let may = !what.contains("link") && !what.contains("pipe");
        assert_eq!(own.status, if may { 0 } else { 73 }, "{what}: {own:?}");
        assert!(!may || kind(&mill.path(file)).1 == SERVICE, "{what}");
    }
}

#[test]
#[ignore = "needs root: tests/all.sh runs it"]
fn nothing_but_a_regular_file_is_replaced() {
    if !is_root("writes::nothing_but_a_regular_file_is_replaced") {
        return;
    }
    let mill = Mill::new(&render("edge"));
    let options = "--zone heronmill.example --record gauge.heronmill.example --server 192.0.2.53 \
                   --witness north=https://echo.north.example/";
    let node = |kind, device| mknodat(CWD, mill.path("edge"), kind, Mode::RUSR | Mode::WUSR, device).unwrap();
    let mut listener = None;
    for what in ["a named pipe", "a socket", "a device", "a directory"] {
        match what {
            // The device of /dev/null (null(4)): nothing is lost in it.
            "a device" => node(FileType::CharacterDevice, makedev(1, 3)),
            "a named pipe" => node(FileType::Fifo, 0),
            "a directory" => fs::create_dir(mill.path("edge")).unwrap(),
            _ => listener = Some(UnixListener::bind(mill.path("edge")).unwrap()),
        }
        let before = fs::symlink_metadata(mill.path("edge")).unwrap();
        let new: Vec<&str> =
            ["config", "new", "--replace", "--out", "edge"].into_iter().chain(options.split(' ')).collect();
        for arguments in [new.as_slice(), &["allowlist", "render"]] {
            let said = mill.run(User::Root, arguments);
            assert_eq!(said.status, 73, "{what}: {said:?}");
            assert!(format!("{}{}", said.out, said.err).contains(what), "{what}: {said:?}");
        }
        let after = fs::symlink_metadata(mill.path("edge")).unwrap();
        assert_eq!((after.ino(), after.mode(), after.rdev()), (before.ino(), before.mode(), before.rdev()), "{what}");
        if before.is_dir() { fs::remove_dir(mill.path("edge")) } else { fs::remove_file(mill.path("edge")) }.unwrap();
    }
    drop(listener);
}

#[test]
#[ignore = "needs root: tests/all.sh runs it"]
fn what_root_replaces_in_its_own_directory_keeps_owner_and_mode() {
    if !is_root("writes::what_root_replaces_in_its_own_directory_keeps_owner_and_mode") {
        return;
    }
    let mill = Mill::new(&render("own.txt"));
    fs::write(mill.path("edge.txt"), "before").unwrap();
    fs::set_permissions(mill.path("edge.txt"), std::os::unix::fs::PermissionsExt::from_mode(0o640)).unwrap();
    chown(mill.path("edge.txt"), Some(0), Some(SERVICE)).unwrap();
    symlink("edge.txt", mill.path("own.txt")).unwrap();
    let said = mill.run(User::Root, &["allowlist", "render"]);
    assert_eq!(said.status, 0, "{said:?}");
    let meta = fs::metadata(mill.path("edge.txt")).unwrap();
    assert_eq!((meta.uid(), meta.gid(), meta.mode() & 0o7777), (0, SERVICE, 0o640));
    assert!(fs::read_to_string(mill.path("edge.txt")).unwrap().contains("192.0.2.0/24"));
    assert!(kind(&mill.path("own.txt")).0.is_symlink() && !kind(&mill.path("edge.txt")).0.is_fifo());
    let left = fs::read_dir(mill.path(""))
        .unwrap()
        .filter(|one| one.as_ref().unwrap().file_name().to_string_lossy().starts_with('.'));
    assert_eq!(left.count(), 0, "nothing of ours is left beside it");
}
