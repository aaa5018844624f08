//! Which addresses are the home's, now or once. Pure.

use std::collections::{BTreeMap, BTreeSet};
use std::net::{IpAddr, Ipv6Addr};

use ipnet::IpNet;

use crate::address::prefix;
use crate::audit::Event;
use crate::clock::Timestamp;

/// A range in a record tells where the home is when it is no wider than this: in wider ones there are too many others
/// (common practice, no source).
const NARROW_IPV4: u8 = 24;
const NARROW_IPV6: u8 = 48;

/// The home's addresses. In IPv6 every address behind the home's prefix is the home's.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Home {
    now: BTreeSet<IpAddr>,
    /// Until when each was the home's.
    past: BTreeMap<IpAddr, Timestamp>,
    prefix_length: u8,
}

/// When an address is or was the home's.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord)]
pub enum Whose {
    /// It is now.
    Now,
    /// It was until then.
    Until(Timestamp),
}

impl Whose {
    /// The more, the newer; now is the newest.
    pub(super) fn newness(self) -> Timestamp {
        match self {
            Self::Now => Timestamp::from_millis(u64::MAX),
            Self::Until(until) => until,
        }
    }
}

impl Home {
    /// The home that is at `now`, with a prefix of `prefix_length` bits in IPv6.
    pub fn new(now: impl IntoIterator<Item = IpAddr>, prefix_length: u8) -> Self {
        Self { now: now.into_iter().map(|a| a.to_canonical()).collect(), past: BTreeMap::new(), prefix_length }
    }

    /// Takes in what the audit log tells, an entry after the other, oldest first.
    pub fn remember(&mut self, time: Timestamp, event: &Event) {
        match event {
            Event::Settled { from, to, .. } => {
                for address in from.iter().chain([to]) {
                    self.past.insert(address.to_canonical(), time);
                }
            }
            Event::Clock(step) => self.past.values_mut().for_each(|until| step.shift(until)),
            _ => {}
        }
    }

    /// Whether no address is known at all.
    pub(crate) fn is_unknown(&self) -> bool {
        self.now.is_empty() && self.past.is_empty()
    }

    /// The addresses that it has now.
    pub fn now(&self) -> impl Iterator<Item = IpAddr> + '_ {
        self.now.iter().copied()
    }

    /// Whose `address` is, if it is or was the home's.
    pub fn whose(&self, address: IpAddr) -> Option<Whose> {
        let address = plain(address);
        if self.now.iter().any(|ours| self.same(*ours, address)) {
            return Some(Whose::Now);
        }
        let until = self.past.iter().filter(|(ours, _)| self.same(**ours, address)).map(|(_, until)| *until).max();
        until.map(Whose::Until)
    }

    /// The address of the home that `range` gives away, and whose that is: none when the range is wide.
    pub fn within(&self, range: IpNet) -> Option<(IpAddr, Whose)> {
        let narrow = if range.addr().is_ipv4() { NARROW_IPV4 } else { NARROW_IPV6 };
        if range.prefix_len() < narrow {
            return None;
        }
        // Of equally new ones the last is told: one that it has now.
        let all = self.past.keys().chain(&self.now);
        let found = all.filter(|ours| range.contains(*ours) || self.same(range.network(), **ours));
        found.filter_map(|ours| Some((*ours, self.whose(*ours)?))).max_by_key(|(_, whose)| whose.newness())
    }

    fn same(&self, ours: IpAddr, other: IpAddr) -> bool {
        let network = |address: Ipv6Addr| prefix::join(address, self.prefix_length, Ipv6Addr::UNSPECIFIED);
        match (ours, other) {
            (IpAddr::V4(ours), IpAddr::V4(other)) => ours == other,
            (IpAddr::V6(ours), IpAddr::V6(other)) => network(ours) == network(other),
            _ => false,
        }
    }
}

/// The IPv4 address that one of IPv6 stands for: mapped (RFC 4291, section 2.5.5.2), behind the well-known prefix of
/// translators (RFC 6052, section 2.1), or behind 6to4 (RFC 3056, section 2).
fn plain(address: IpAddr) -> IpAddr {
    let IpAddr::V6(ipv6) = address.to_canonical() else { return address.to_canonical() };
    match ipv6.segments() {
        [0x64, 0xff9b, 0, 0, 0, 0, high, low] | [0x2002, high, low, ..] => {
            let ([a, b], [c, d]) = (high.to_be_bytes(), low.to_be_bytes());
            IpAddr::from([a, b, c, d])
        }
        _ => address,
    }
}

#[cfg(test)]
mod tests {
    use super::{Home, Whose};
    use crate::address::Family;
    use crate::audit::{Event, Word};
    use crate::clock::Timestamp;

    fn settled(from: Option<&str>, to: &str) -> Event {
        let to: std::net::IpAddr = to.parse().unwrap();
        let word = Word { address: to, agreed: Vec::new(), dissent: Vec::new(), silent: Vec::new() };
        Event::Settled { line: None, family: Family::of(to), from: from.map(|ip| ip.parse().unwrap()), to, word }
    }

    fn home() -> Home {
        let mut home = Home::new(["203.0.113.77".parse().unwrap(), "2001:db8:5:1::77".parse().unwrap()], 56);
        home.remember(Timestamp::from_millis(1), &settled(None, "203.0.113.8"));
        home.remember(Timestamp::from_millis(2), &settled(Some("203.0.113.8"), "203.0.113.9"));
        home.remember(Timestamp::from_millis(3), &settled(Some("203.0.113.9"), "203.0.113.77"));
        home.remember(Timestamp::from_millis(4), &settled(Some("2001:db8:4::77"), "2001:db8:5::77"));
        home
    }

    #[test]
    fn an_address_is_the_homes_now_or_once_or_never() {
        for (address, whose) in [
            ("203.0.113.77", Some(Whose::Now)),
            ("::ffff:203.0.113.77", Some(Whose::Now)),
            ("64:ff9b::203.0.113.77", Some(Whose::Now)),
            ("2002:cb00:714d:1::1", Some(Whose::Now)),
            ("2002:cb00:714e:1::1", None),
            ("203.0.113.78", None),
            ("203.0.113.8", Some(Whose::Until(Timestamp::from_millis(2)))),
            ("203.0.113.9", Some(Whose::Until(Timestamp::from_millis(3)))),
            // Behind the delegated prefix, in another subnet of it.
            ("2001:db8:5:ff::1", Some(Whose::Now)),
            ("2001:db8:5:100::1", None),
            ("2001:db8:4::1", Some(Whose::Until(Timestamp::from_millis(4)))),
        ] {
            assert_eq!(home().whose(address.parse().unwrap()), whose, "{address}");
        }
    }

    #[test]
    fn a_range_gives_away_what_is_in_it_unless_it_is_wide() {
        for (range, found) in [
            ("203.0.113.77/32", Some("203.0.113.77")),
            // The present one before the past ones.
            ("203.0.113.0/24", Some("203.0.113.77")),
            ("203.0.113.8/31", Some("203.0.113.9")),
            ("203.0.112.0/23", None),
            ("198.51.100.0/24", None),
            ("2001:db8:5::/48", Some("2001:db8:5:1::77")),
            ("2001:db8:5:7::/64", Some("2001:db8:5:1::77")),
            ("2001:db8::/32", None),
        ] {
            let within = home().within(range.parse().unwrap()).map(|(address, _)| address.to_string());
            assert_eq!(within.as_deref(), found, "{range}");
        }
    }
}
