//! How often each may ask where they may be as many as one likes: where senders can be forged, and what others cannot use up
//! where they cannot. Pure; the time is an argument.
//!
//! The same algorithm as that of [`super::budget`], in a table of fixed size: a client has the place that a keyed hash gives
//! it, and shares it with the few who have the same. Nobody can fill the table. In a [`Sieve`] there is no limit for all
//! together, which a crowd could use up: what is answered costs no more than a refusal.

use std::hash::BuildHasher;
use std::time::Duration;

use super::budget::{Budget, Client, Rates};

/// Of two thousand forged senders a second, each place meets two a minute.
const PLACES: usize = 1 << 16;

/// What is left for each.
#[derive(Debug)]
pub struct Sieve<H> {
    hasher: H,
    /// Microseconds from one request to the next.
    increment: u64,
    /// How much earlier one may come.
    early: u64,
    /// The theoretical arrival time of the next request.
    places: Box<[u64]>,
}

impl<H: BuildHasher> Sieve<H> {
    /// So many requests a minute each, at least one; where each client is, `hasher` says.
    pub fn new(a_minute: u32, hasher: H) -> Self {
        let increment = 60_000_000 / u64::from(a_minute.max(1));
        let early = increment * u64::from(a_minute.max(1) - 1);
        Self { hasher, increment, early, places: vec![0; PLACES].into() }
    }

    /// Takes one request of `client` at `now`, counted from an instant that stays the same.
    ///
    /// # Errors
    /// How long `client` has to wait.
    pub fn take(&mut self, now: Duration, client: Client) -> Result<(), Duration> {
        let now = u64::try_from(now.as_micros()).unwrap_or(u64::MAX / 2);
        let at = self.hasher.hash_one(client) as usize % PLACES;
        let Some(next) = self.places.get_mut(at) else { return Ok(()) };
        let earliest = next.saturating_sub(self.early);
        if now < earliest {
            return Err(Duration::from_micros(earliest - now));
        }
        *next = now.max(*next).saturating_add(self.increment);
        Ok(())
    }
}

/// Of each client's rate a fifth is its own, whatever others ask; the rest is counted against the limit for all.
#[derive(Debug)]
pub struct Fair<H> {
    own: Sieve<H>,
    rest: Option<Budget>,
}

impl<H: BuildHasher> Fair<H> {
    /// So many requests a minute, each rate at least one; where each client is, `hasher` says.
    pub fn new(rates: Rates, hasher: H) -> Self {
        let own = (rates.each / 5).max(1);
        let each = rates.each.saturating_sub(own);
        let rest = (each > 0).then(|| Budget::new(Rates { each, ..rates }));
        Self { own: Sieve::new(own, hasher), rest }
    }

    /// Takes one request of `client` at `now`, counted from an instant that stays the same.
    ///
    /// # Errors
    /// How long `client` has to wait.
    pub fn take(&mut self, now: Duration, client: Client) -> Result<(), Duration> {
        let Err(wait) = self.own.take(now, client) else { return Ok(()) };
        let rest = self.rest.as_mut().map_or(Err(wait), |rest| rest.take(now, client));
        rest.map_err(|longer| longer.min(wait))
    }
}

#[cfg(test)]
mod tests {
    use std::hash::{BuildHasherDefault, DefaultHasher};
    use std::time::Duration;

    use super::{Client, Fair, Rates, Sieve};

    fn hasher() -> BuildHasherDefault<DefaultHasher> {
        BuildHasherDefault::default()
    }

    fn client(number: u32) -> Client {
        Client::Ipv4(number.to_be_bytes().into())
    }

    #[test]
    fn six_a_minute_come_at_once_and_then_one_in_ten_seconds() {
        let mut sieve = Sieve::new(6, hasher());
        let mut take = |second| sieve.take(Duration::from_secs(second), client(7)).is_ok();
        assert!((0..6).all(|_| take(100)));
        assert!(!take(100) && !take(109) && take(110) && !take(110));
        assert!((0..6).all(|_| take(170)) && !take(170));
    }

    /// A hundred and twenty thousand in two minutes, each asking once, as forged senders do.
    #[test]
    fn forged_senders_starve_nobody() {
        let mut sieve = Sieve::new(30, hasher());
        let mut answered = 0;
        for millisecond in 0..120_000 {
            let now = Duration::from_millis(u64::from(millisecond));
            let _ = sieve.take(now, client(millisecond));
            if millisecond % 10_000 == 0 {
                answered += u32::from(sieve.take(now, client(u32::MAX)).is_ok());
            }
        }
        assert_eq!(answered, 12);
    }

    /// A thousand clients that ask ten times a second each leave an honest one what is its own.
    #[test]
    fn a_crowd_that_asks_starves_nobody() {
        let mut fair = Fair::new(Rates { each: 30, all: 6000 }, hasher());
        let (mut answered, mut told) = (0, 0);
        for tenth in 0_u64..1200 {
            let now = Duration::from_millis(tenth * 100);
            told += (0..1000).filter(|number| fair.take(now, client(*number)).is_ok()).count();
            if tenth % 100 == 0 {
                answered += u32::from(fair.take(now, client(u32::MAX)).is_ok());
            }
        }
        assert_eq!(answered, 12);
        // In two minutes: each its own, six at once and twelve later, and all together so many of the rest.
        assert!((17_000..=1000 * 18 + 6000 * 3).contains(&told), "{told}");
    }

    #[test]
    fn a_share_and_the_rest_are_the_whole_rate() {
        for each in [1, 2, 5, 6, 30] {
            let mut fair = Fair::new(Rates { each, all: 1000 }, hasher());
            let now = Duration::from_secs(100);
            let taken = (0..100).filter(|_| fair.take(now, client(7)).is_ok()).count();
            assert_eq!(taken, each as usize);
            let wait = fair.take(now, client(7)).unwrap_err();
            assert!(fair.take(now + wait - Duration::from_millis(1), client(7)).is_err());
            let after = |second: u64| now + Duration::from_secs(second);
            let later: usize =
                (1..=60).map(|second| (0..100).filter(|_| fair.take(after(second), client(7)).is_ok()).count()).sum();
            assert_eq!(later, each as usize);
        }
    }
}
