//! What the outside can see of a home, check by check: good, amiss, or not known, with what was seen and what to do.
//!
//! The rules are pure, one file a check: [`masked`], [`leaks`], [`certificate`],
//! [`reach`], [`doors`]; [`news`] tells what is new, [`home`] knows which addresses are the home's. [`look`] carries the questions out, and [`allowed`] is the one place that says who may be asked: no
//! check contacts an address that is neither the home's own nor configured.

pub mod allowed;
pub mod certificate;
mod dns;
#[cfg(any(test, fuzzing))]
pub(crate) mod hostile;
mod http;
pub mod look;
mod tls;

pub use fingerpost_core::exposure::{Check, Finding, Grade, doors, home, leaks, masked, news, reach};
