//! Keeps this process's memory from others, parses the command line, sets up the log, and hands over.

use std::alloc::System;
use std::process::ExitCode;

use clap::Parser;
use fingerpost::cli::Cli;
use fingerpost::commands;
use rustix::process::{DumpableBehavior, set_dumpable_behavior};
use zeroizing_alloc::ZeroAlloc;

/// What is given back is overwritten first: so of a secret there are the copies that somebody still needs, and none that
/// a parser, a client of HTTP or a growing buffer has left behind.
#[global_allocator]
static MEMORY: ZeroAlloc<System> = ZeroAlloc(System);

fn main() -> ExitCode {
    keep_memory();
    #[cfg(all(target_env = "gnu", target_feature = "crt-static"))]
    names_by_files_and_dns();
    let cli = match Cli::try_parse() {
        Ok(cli) => cli,
        Err(error) => return commands::usage(&error),
    };
    commands::logging(&cli);
    commands::run(&cli)
}

/// From now on only root reads this process's memory and environment, attaches to it and looks at what it has open, and no
/// core file of it is written (PR_SET_DUMPABLE(2const), core(5)). What it starts is not concerned: execve(2) begins anew.
fn keep_memory() {
    // Refused is only a value that there is not.
    let _ = set_dumpable_behavior(DumpableBehavior::NotDumpable);
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
