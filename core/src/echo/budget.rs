//! How often each client, and all together, may ask. Pure; the time is an argument.
//!
//! Both rates are the Generic Cell Rate Algorithm (ITU-T I.371, annex A): of N a minute, N may come at once, and from
//! then on one every 60/N seconds.

use std::collections::HashMap;
use std::net::{IpAddr, Ipv4Addr};
use std::time::Duration;

use crate::address::special;

const MINUTE: Duration = Duration::from_secs(60);

/// Entries that are kept before the table is looked through for those that say nothing any more.
const FEW: usize = 64;

/// Whom a limit is counted for: an IPv4 address, or the /64 of an IPv6 one, since a single host can take any address in it
/// (RFC 4291, section 2.5.1; RFC 8981).
#[derive(Clone, Copy, Debug, PartialEq, Eq, Hash)]
pub enum Client {
    /// An IPv4 address; also one that came as an IPv4-mapped IPv6 address.
    Ipv4(Ipv4Addr),
    /// The upper 64 bits of an IPv6 address.
    Ipv6(u64),
}

impl Client {
    /// The client at `address`.
    pub fn of(address: IpAddr) -> Self {
        match special::unmap(address) {
            IpAddr::V4(address) => Self::Ipv4(address),
            IpAddr::V6(address) => Self::Ipv6((address.to_bits() >> 64) as u64),
        }
    }
}

/// The most that may be asked a minute; each is at least 1.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Rates {
    /// By one client.
    pub each: u32,
    /// By all together.
    pub all: u32,
}

/// What is left of the [`Rates`]. A client that is refused costs the others nothing, and is not remembered: so the
/// table never holds more clients than two minutes' worth of `all`, doubled until it is looked through.
#[derive(Debug)]
pub struct Budget {
    rates: Rates,
    /// The theoretical arrival time of each client's next request, since an instant of the caller's.
    each: HashMap<Client, Duration>,
    all: Duration,
    /// The size at which the table is looked through.
    tidy_at: usize,
}

impl Budget {
    /// Nothing used yet.
    pub fn new(rates: Rates) -> Self {
        let rates = Rates { each: rates.each.max(1), all: rates.all.max(1) };
        Self { rates, each: HashMap::new(), all: Duration::ZERO, tidy_at: FEW }
    }

    /// Takes one request of `client` at `now`, counted from an instant that stays the same.
    ///
    /// # Errors
    /// How long `client` has to wait.
    pub fn take(&mut self, now: Duration, client: Client) -> Result<(), Duration> {
        let each = next(self.each.get(&client).copied().unwrap_or_default(), now, self.rates.each)?;
        self.all = next(self.all, now, self.rates.all)?;
        if self.each.len() >= self.tidy_at {
            // A time that has passed says no more than none.
            self.each.retain(|_, tat| *tat > now);
            self.each.shrink_to_fit();
            self.tidy_at = FEW.max(self.each.len() * 2);
        }
        self.each.insert(client, each);
        Ok(())
    }
}

/// The theoretical arrival time after a request at `now`, or how long it comes too early.
fn next(tat: Duration, now: Duration, a_minute: u32) -> Result<Duration, Duration> {
    let increment = MINUTE / a_minute;
    let earliest = tat.saturating_sub(increment * (a_minute - 1));
    if now < earliest { Err(earliest - now) } else { Ok(tat.max(now) + increment) }
}

#[cfg(test)]
mod tests {
    use std::collections::BTreeMap;

    use proptest::prelude::*;

    use super::{Budget, Client, Duration, FEW, Rates};

    fn client(text: &str) -> Client {
        Client::of(text.parse().unwrap())
    }

    fn seconds(seconds: u64) -> Duration {
        Duration::from_secs(seconds)
    }

    #[test]
    fn a_client_is_an_ipv4_address_or_an_ipv6_64() {
        for (one, other, same) in [
            ("203.0.113.7", "203.0.113.7", true),
            ("203.0.113.7", "203.0.113.8", false),
            ("203.0.113.7", "::ffff:203.0.113.7", true),
            ("2001:db8:0:1::1", "2001:db8:0:1:ffff:ffff:ffff:ffff", true),
            ("2001:db8:0:1::1", "2001:db8:0:2::1", false),
            ("2001:db8::1", "3fff::1", false),
            ("::203.0.113.7", "203.0.113.7", false),
        ] {
            assert_eq!(client(one) == client(other), same, "{one} and {other}");
        }
    }

    #[test]
    fn six_a_minute_come_at_once_and_then_one_in_ten_seconds() {
        let mut budget = Budget::new(Rates { each: 6, all: 1000 });
        let (one, other) = (client("203.0.113.7"), client("203.0.113.8"));
        for _ in 0..6 {
            assert_eq!(budget.take(seconds(100), one), Ok(()));
        }
        assert_eq!(budget.take(seconds(100), one), Err(seconds(10)));
        assert_eq!(budget.take(seconds(109), one), Err(seconds(1)));
        assert_eq!(budget.take(seconds(109), other), Ok(()));
        assert_eq!(budget.take(seconds(110), one), Ok(()));
        assert_eq!(budget.take(seconds(110), one), Err(seconds(10)));
        for _ in 0..6 {
            assert_eq!(budget.take(seconds(170), one), Ok(()));
        }
    }

    #[test]
    fn all_together_have_a_limit_too_and_the_refused_do_not_use_it_up() {
        let mut budget = Budget::new(Rates { each: 2, all: 3 });
        let [a, b, c] = ["203.0.113.7", "203.0.113.8", "203.0.113.9"].map(client);
        let now = seconds(1);
        assert_eq!([a, a].map(|who| budget.take(now, who)), [Ok(()); 2]);
        for _ in 0..100 {
            assert_eq!(budget.take(now, a), Err(seconds(30)));
        }
        assert_eq!(budget.take(now, b), Ok(()));
        assert_eq!(budget.take(now, c), Err(seconds(20)));
        // Refused for the others' sake, it keeps its own.
        assert_eq!([c].map(|who| budget.take(seconds(21), who)), [Ok(())]);
    }

    #[test]
    fn nothing_a_minute_is_one() {
        let mut budget = Budget::new(Rates { each: 0, all: 0 });
        assert_eq!(budget.take(seconds(0), client("203.0.113.7")), Ok(()));
        assert_eq!(budget.take(seconds(0), client("203.0.113.7")), Err(seconds(60)));
    }

    proptest! {
        /// By each and by all: in any M minutes at most M + 1 times the rate. The table stays small.
        #[test]
        fn no_client_gets_more_than_its_rate(
            each in 1_u32..20,
            all in 1_u32..60,
            steps in prop::collection::vec((0_u64..4000, 0_u32..400), 1..600),
        ) {
            let mut budget = Budget::new(Rates { each, all });
            let (mut now, mut taken) = (Duration::ZERO, BTreeMap::<u32, Vec<Duration>>::new());
            for (wait, who) in steps {
                now += Duration::from_millis(wait);
                // Half of all requests come from one client.
                let who = if who < 200 { 0 } else { who };
                let address = Client::Ipv6(who.into());
                match budget.take(now, address) {
                    Ok(()) => taken.entry(who).or_default().push(now),
                    Err(wait) => prop_assert!(wait > Duration::ZERO && wait <= seconds(60)),
                }
                prop_assert!(budget.each.len() <= FEW.max(4 * all as usize + 1));
            }
            let mut everyone: Vec<_> = taken.values().flatten().copied().collect();
            everyone.sort();
            for (times, rate) in taken.values().map(|times| (times, each)).chain([(&everyone, all)]) {
                for (index, from) in times.iter().enumerate() {
                    for minutes in 1_u32..4 {
                        let within = times[index..].iter().filter(|at| **at - *from < seconds(60) * minutes).count();
                        prop_assert!(within <= (rate * (minutes + 1)) as usize);
                    }
                }
            }
        }
    }
}
