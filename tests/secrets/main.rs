//! Secrets stay where their owner has put them: not in what the program says, keeps, hands on or leaves in its memory.
//!
//! The program runs as the service's user, and root looks: it alone sees all of a process. Runs as root, or by sudo.
#![allow(clippy::unwrap_used, clippy::expect_used, clippy::panic, reason = "a test that cannot go on has failed")]

#[path = "../common/mod.rs"]
mod common;
#[path = "../common/living.rs"]
mod living;
mod memory;
mod mill;
mod search;
#[path = "../common/service.rs"]
mod service;
mod sweep;
