//! Real servers for the tests, as ordinary processes in temporary directories on free ports.
#![allow(dead_code, unreachable_pub, reason = "each test program uses its own part of this")]

pub mod nginx;
