//! The reader of the configuration: layers of TOML, environment and options, checked once at the door. What comes out are
//! [`crate::settings`].
//!
//! May read files (the configuration, secrets) and the environment, and look at the files that are named; nothing else here
//! touches the outside.

mod cell;
mod description;
pub(crate) mod draft;
mod edges;
pub(crate) mod exposure;
mod layers;
mod led;
mod lines;
pub mod load;
mod messages;
mod problem;
mod providers;
mod reader;
mod records;
mod rest;
pub mod secret;
mod standby;
mod status;
mod tables;
#[cfg(test)]
pub(crate) mod testing;
pub mod units;
mod values;
mod witnesses;
