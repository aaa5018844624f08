//! Two real users: root, and the service's.
#![allow(dead_code, reason = "each test binary uses its part")]

use std::process::Command;

/// The service's user and group: in the range that systemd takes for DynamicUser= (systemd.exec(5)), so nobody's here.
pub(crate) const SERVICE: u32 = 61184;

/// Whether this test goes on here: where it does not run as root, it is run anew by sudo.
pub(crate) fn is_root(name: &str) -> bool {
    if rustix::process::geteuid().is_root() {
        return true;
    }
    let me = std::env::current_exe().unwrap();
    let done = Command::new("sudo").args(["-n", "--"]).arg(me).args(["--include-ignored", "--exact", name]).status();
    assert!(done.unwrap().success(), "{name} does not pass as root, or sudo asks for a password");
    false
}
