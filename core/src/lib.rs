//! What `fingerpost` decides, and how it reads what others say: plain values in, plain values out.
//!
//! Nothing here touches a socket, a file, a clock, a process or a random source: the time and the randomness are arguments.
//! The crates that could are no dependencies of this one, and what the standard library offers of the kind is on the list
//! of `clippy.toml` beside it. The crate `fingerpost` does what is decided here, and shows each of these rooms under the
//! same name, where a room has another part that acts.
//!
//! * [`address`] knows which addresses a home can have: the IANA registries and the arithmetic of prefixes.
//! * [`name`], [`clock`], [`record`] and [`secret`] hold the small values that every room speaks of: a DNS name, a moment,
//!   a record's type and set, bytes that cannot be printed.
//! * [`about`] says what a finding is about, in the log's words.
//! * [`settings`] are the values of a checked configuration.
//! * [`dns`] builds, signs and reads DNS messages.
//! * [`provider`] is the trait behind which records live, and what is read and planned for each kind of provider.
//! * [`watch`] has what is made of the witnesses' words: `vote`, `settle`, `rota`, `failover`, `diagnose`.
//! * [`reconcile`]: what is wanted and what stands there in, a plan out.
//! * [`limits`] says how often may be written.
//! * [`standby`] decides which of two daemons may write.
//! * [`audit`] has the log's events, their words, and the chain that binds them.
//! * [`state`] is what survives a restart besides.
//! * [`update`] is one pass over a provider, as a machine: it asks for one thing at a time and is told what came of it.
//! * [`household`] is what a home makes of what it hears, and what is wanted of each provider.
//! * [`confirm`] decides which servers are asked for what was written, and when it counts as live.
//! * [`allowlist`] judges the ranges of the edge, and whom a ruleset lets in; [`exposure`] what the outside can see.
//! * [`echo`] and [`http_server`] decide who is answered, and who is let in.
//! * [`status`] is what the daemon knows, as one value; [`message`] what people are told of it.
//! * [`text`] says how errors and spans are put into words; [`shown`] makes what strangers wrote fit to be shown, and takes
//!   secrets out of it.
//! * `hostile`, for tests and fuzzing only, says what must hold of the parsers whatever they read; `testing` is what the
//!   tests have in common.
#![forbid(unsafe_code)]

pub mod about;
pub mod address;
pub mod allowlist;
pub mod audit;
pub mod clock;
pub mod confirm;
pub mod dns;
pub mod echo;
pub mod exposure;
#[cfg(any(test, feature = "hostile"))]
pub mod hostile;
pub mod household;
pub mod http_server;
pub mod limits;
pub mod message;
pub mod name;
pub mod provider;
pub mod reconcile;
pub mod record;
pub mod secret;
pub mod settings;
pub mod shown;
pub mod standby;
pub mod state;
pub mod status;
#[cfg(test)]
mod testing;
pub mod text;
pub mod update;
pub mod watch;
