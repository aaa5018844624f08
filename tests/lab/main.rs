//! The lab: a home network of real parts in fresh namespaces, for as long as one scenario lasts.
//!
//! A scenario is a test that calls [`scenario::scenario`] with itself and its body; inside, [`net::Lab::up`] builds
//! the network, `parts` has what runs on its hosts. Nothing outlasts it: see `itself`.
#![allow(clippy::unwrap_used, clippy::expect_used, clippy::panic, reason = "a test that cannot go on has failed")]

mod advertise;
#[path = "../common/mod.rs"]
mod common;
mod flood;
mod follow;
mod gateway;
mod itself;
mod kinds;
#[path = "../common/living.rs"]
mod living;
mod moves;
mod net;
mod parts;
mod plan;
mod prefixes;
mod scenario;
mod shapes;
