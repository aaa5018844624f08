//! Real servers for the tests, as ordinary processes in temporary directories on free ports.
#![allow(dead_code, unreachable_pub, reason = "each test program uses its own part of this")]
#![allow(clippy::unwrap_used, clippy::expect_used, clippy::panic, reason = "a test that cannot go on has failed")]

pub mod nginx;
