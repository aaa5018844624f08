//! Parses the command line, sets up the log, and hands over.

use std::process::ExitCode;

use clap::Parser;
use fingerpost::cli::Cli;
use fingerpost::commands;

fn main() -> ExitCode {
    #[cfg(all(target_env = "gnu", target_feature = "crt-static"))]
    names_by_files_and_dns();
    let cli = match Cli::try_parse() {
        Ok(cli) => cli,
        Err(error) => return commands::usage(&error),
    };
    commands::logging(&cli);
    commands::run(&cli)
}

/// In a static binary the C library resolves names by /etc/hosts and DNS, which are built in. Further ways that the
/// system's nsswitch.conf names would be loaded from the system, and crash where its C library is another one.
#[cfg(all(target_env = "gnu", target_feature = "crt-static"))]
fn names_by_files_and_dns() {
    use std::ffi::{c_char, c_int};

    #[expect(unsafe_code, reason = "the C library has no other way to say it")]
    unsafe extern "C" {
        /// `nss.h` of the GNU C library: overrides the line of this database for this process.
        fn __nss_configure_lookup(database: *const c_char, services: *const c_char) -> c_int;
    }
    // SAFETY: two strings that end with 0 and live for ever, before there is a second thread or a name to resolve.
    #[expect(unsafe_code, reason = "the C library has no other way to say it")]
    let done = unsafe { __nss_configure_lookup(c"hosts".as_ptr(), c"files dns".as_ptr()) };
    // It fails only for a database that it does not know.
    debug_assert_eq!(done, 0);
}
