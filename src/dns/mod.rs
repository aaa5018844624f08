//! DNS messages and how they travel: what the `rfc2136` provider, the confirming and the rehearsal share.
//!
//! `message` and `answer` are pure; `tcp` opens connections, and `udp` asks single questions.

pub(crate) mod tcp;
pub(crate) mod udp;

pub use fingerpost_core::dns::{answer, message, tsig};
use ring::rand::{SecureRandom, SystemRandom};

/// A message id that nobody can guess (RFC 5452, section 4.3); `None` when the system gives no random bytes.
pub(crate) fn fresh_id(random: &SystemRandom) -> Option<u16> {
    let mut id = [0; 2];
    random.fill(&mut id).ok().map(|()| u16::from_be_bytes(id))
}
