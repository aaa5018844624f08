//! The `rest` provider against a real PowerDNS.

#![expect(clippy::unwrap_used, reason = "a test fails by panicking")]

#[path = "../common/mod.rs"]
mod common;
mod powerdns;

use std::future::Future;

/// Runs a case on a runtime of its own.
fn run_case<F: Future>(case: F) -> F::Output {
    tokio::runtime::Builder::new_current_thread().enable_all().build().unwrap().block_on(case)
}
