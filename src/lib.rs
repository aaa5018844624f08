//! `fingerpost` keeps the DNS names of a home at its changing WAN address.
//!
//! One round goes one way, and each arrow is a plain value:
//!
//! ```text
//! witnesses → testimony → ruling → settled address ┐
//!                       records wanted (config) ───┴→ desired ┐
//!                         provider.read → observed ───────────┴→ plan → gate → provider.apply → read back → confirm
//!                                                                      └ audit: intent (durable) … outcome ┘
//! ```
//!
//! What decides, and what reads the words of others, is the crate `fingerpost_core`; its rooms are shown here under the same
//! names. The rooms, in the order in which a round walks through them:
//!
//! * [`config`] turns a TOML file, the environment and options into checked values, once, at the door; [`settings`] are
//!   these values.
//! * [`address`] knows which addresses a home can have: the IANA registries and the arithmetic of prefixes.
//! * [`name`], [`clock`], [`record`] and [`secret`] hold the small values that every room speaks of: a DNS name, a moment,
//!   a record's type and set, bytes that cannot be printed.
//! * `http` is where every client for HTTP begins: without a proxy, and with nothing kept or tried again.
//! * `tasks` lets several things go on beside each other, each under its name.
//! * `http_server` is what every small HTTP server has in common: one request a connection, everything bounded.
//! * [`watch`] asks the witnesses. Its `vote` and `settle` are pure: testimony in, ruling out.
//! * [`about`] says what a finding is about, in the log's words. Pure.
//! * [`reconcile`] is pure: what is wanted and what stands there in, a plan out.
//! * [`dns`] builds, signs and carries DNS messages for whoever has a question; its `message` is pure.
//! * [`provider`] is the trait behind which records live, and one file a kind.
//! * [`standby`] decides which of two daemons may write, by a lease in the zone; its `turn` is pure.
//! * [`update`] carries out what a pass over a provider asks for, and keeps the books; what that is, the core decides.
//! * [`limits`] says how often may be written. Pure.
//! * [`confirm`] asks the zone's servers until all serve what was written.
//! * [`audit`] is the log that can be checked with `sha256sum`.
//! * `files` is the one way to open and to replace a file: by handles, nothing but regular files, and no link of strangers.
//! * `process` runs another program, and ends it with all that it started.
//! * [`state`] is what survives a restart and is not in the audit log.
//! * [`household`] is what a home makes of what it hears. Pure.
//! * [`round`] is one pass through all of this; [`daemon`] repeats it when a trigger says so.
//! * [`allowlist`] keeps the ranges of the edge in front of the home, and compares them with whom the firewall lets in.
//! * [`echo`] turns the tables: it is a witness for another household.
//! * [`exposure`] looks at the home as the outside sees it.
//! * [`status`] is what the daemon knows, for whoever looks: by a command, a page, as metrics.
//! * [`message`] tells people what needs them.
//! * [`rehearsal`] is a whole home on loopback: echo services, a DNS server, a moving address.
//! * `aside` does what takes long on a thread beside the loop.
//! * [`say`] is what the commands and the daemon print, in words; [`text`] how errors and spans are put into words.
//! * `shown` makes what strangers wrote fit to be shown, and takes secrets out of it. Pure.
//! * `hostile`, for tests and fuzzing only, says what must hold of the parsers whatever they read.
//! * [`cli`] is the command line and [`commands`] has one file a command.
//!
//! Rooms marked pure, and every function that decides, touch no socket, file, clock or random source:
//! the time and the randomness are arguments.

pub mod allowlist;
mod aside;
pub mod audit;
pub mod cli;
pub mod clock;
pub mod commands;
pub mod config;
pub mod confirm;
pub mod daemon;
pub mod dns;
pub mod echo;
pub mod exposure;
mod files;
#[cfg(any(test, fuzzing))]
pub mod hostile;
mod http;
mod http_server;
pub mod message;
mod process;
pub mod provider;
pub mod rehearsal;
pub mod round;
pub mod say;
pub mod standby;
pub mod state;
pub mod status;
mod tasks;
pub mod update;
pub mod watch;

pub use fingerpost_core::{about, address, household, limits, name, reconcile, record, secret, settings, shown, text};
