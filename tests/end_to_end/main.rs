//! The whole program as its user has it: the built binary against BIND's named and nginx.
//!
//! Five operators tell the address: three are honest, one lies, one is down. The key may change the addresses of one
//! name and of nothing else. Every test has servers, ports and a directory of its own.

#![expect(clippy::unwrap_used, clippy::expect_used, clippy::panic, reason = "a test fails by panicking")]

mod background;
mod blocks;
#[path = "../common/mod.rs"]
mod common;
mod daemon;
mod disk;
mod holds;
mod log;
mod mill;
mod order;
mod quiet;
mod race;
mod refusals;
mod secrets;
mod standby;
mod trace;
mod zones;
