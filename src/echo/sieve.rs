//! How often each may ask where senders can be forged, and so may be as many as one likes. Pure; the time is an argument.
//!
//! The same algorithm as that of [`super::budget`], in a table of fixed size: a client has the place that a keyed hash gives
//! it, and shares it with the few who have the same. Nobody can fill the table, and there is no limit for all together, which
//! forged senders could use up: what is answered costs no more than receiving it did.

use std::hash::{BuildHasher, RandomState};
use std::time::Duration;

use super::budget::Client;

/// Of two thousand forged senders a second, each place meets two a minute.
const PLACES: usize = 1 << 16;

/// What is left for each.
#[derive(Debug)]
pub(super) struct Sieve {
    hasher: RandomState,
    /// Microseconds from one request to the next.
    increment: u64,
    /// How much earlier one may come.
    early: u64,
    /// The theoretical arrival time of the next request.
    places: Box<[u64]>,
}

impl Sieve {
    /// So many requests a minute each, at least one; where each client is, `hasher` says.
    pub(super) fn new(a_minute: u32, hasher: RandomState) -> Self {
        let increment = 60_000_000 / u64::from(a_minute.max(1));
        let early = increment * u64::from(a_minute.max(1) - 1);
        Self { hasher, increment, early, places: vec![0; PLACES].into() }
    }

    /// Takes one request of `client` at `now`, counted from an instant that stays the same. False when it comes too early.
    pub(super) fn take(&mut self, now: Duration, client: Client) -> bool {
        let now = u64::try_from(now.as_micros()).unwrap_or(u64::MAX / 2);
        let at = self.hasher.hash_one(client) as usize % PLACES;
        let Some(next) = self.places.get_mut(at) else { return false };
        if now < next.saturating_sub(self.early) {
            return false;
        }
        *next = now.max(*next).saturating_add(self.increment);
        true
    }
}

#[cfg(test)]
mod tests {
    use std::hash::RandomState;
    use std::time::Duration;

    use super::{Client, Sieve};

    fn client(number: u32) -> Client {
        Client::Ipv4(number.to_be_bytes().into())
    }

    #[test]
    fn six_a_minute_come_at_once_and_then_one_in_ten_seconds() {
        let mut sieve = Sieve::new(6, RandomState::new());
        let mut take = |second| sieve.take(Duration::from_secs(second), client(7));
        assert!((0..6).all(|_| take(100)));
        assert!(!take(100) && !take(109) && take(110) && !take(110));
        assert!((0..6).all(|_| take(170)) && !take(170));
    }

    /// A hundred and twenty thousand in two minutes, each asking once, as forged senders do.
    #[test]
    fn forged_senders_starve_nobody() {
        let mut sieve = Sieve::new(30, RandomState::new());
        let mut answered = 0;
        for millisecond in 0..120_000 {
            let now = Duration::from_millis(u64::from(millisecond));
            sieve.take(now, client(millisecond));
            if millisecond % 10_000 == 0 {
                answered += u32::from(sieve.take(now, client(u32::MAX)));
            }
        }
        assert_eq!(answered, 12);
    }
}
