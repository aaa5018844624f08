//! Sets of addresses: exact union, difference and the fewest prefixes that say the same. Pure.
//!
//! A set is kept as the fewest intervals, in order; every operation is one pass over them. A prefix is an interval
//! whose ends share their leading bits (RFC 4632, section 3.1; RFC 4291, section 2.3), and the fewest prefixes of a
//! set are found interval by interval, from the lowest address on: the largest block that begins there and fits.

use std::net::{IpAddr, Ipv4Addr, Ipv6Addr};

use ipnet::{IpNet, Ipv4Net, Ipv6Net};

use super::Family;

/// A set of addresses of both families. An IPv4-mapped IPv6 address is an IPv6 address here.
#[derive(Clone, Debug, Default, PartialEq, Eq)]
pub struct AddressSet {
    v4: Intervals<u32>,
    v6: Intervals<u128>,
}

impl AddressSet {
    /// Whether `address` is in the set.
    pub fn contains(&self, address: IpAddr) -> bool {
        match address {
            IpAddr::V4(v4) => self.v4.contains(v4.to_bits()),
            IpAddr::V6(v6) => self.v6.contains(v6.to_bits()),
        }
    }

    /// Whether no address is in the set.
    pub fn is_empty(&self) -> bool {
        self.v4.0.is_empty() && self.v6.0.is_empty()
    }

    /// What is in this set or in `other`.
    pub fn union(&self, other: &Self) -> Self {
        Self { v4: self.v4.union(&other.v4), v6: self.v6.union(&other.v6) }
    }

    /// What is in this set and not in `other`.
    pub fn difference(&self, other: &Self) -> Self {
        Self { v4: self.v4.difference(&other.v4), v6: self.v6.difference(&other.v6) }
    }

    /// What is in this set and in `other`.
    pub fn intersection(&self, other: &Self) -> Self {
        Self { v4: self.v4.intersection(&other.v4), v6: self.v6.intersection(&other.v6) }
    }

    /// The part of one family.
    pub fn of(&self, family: Family) -> Self {
        match family {
            Family::Ipv4 => Self { v4: self.v4.clone(), ..Self::default() },
            Family::Ipv6 => Self { v6: self.v6.clone(), ..Self::default() },
        }
    }

    /// How many addresses are in the set. All of IPv6, the one count that needs 129 bits, counts one less.
    pub fn count(&self) -> u128 {
        self.v4.count().saturating_add(self.v6.count())
    }

    /// The fewest prefixes that hold exactly this set, IPv4 first, each family in order.
    pub fn prefixes(&self) -> impl Iterator<Item = IpNet> + '_ {
        // A length within the family's bits is never refused.
        let v4 = self.v4.blocks().filter_map(|(at, length)| Ipv4Net::new(Ipv4Addr::from_bits(at), length).ok());
        let v6 = self.v6.blocks().filter_map(|(at, length)| Ipv6Net::new(Ipv6Addr::from_bits(at), length).ok());
        v4.map(IpNet::V4).chain(v6.map(IpNet::V6))
    }
}

/// Bits outside a prefix's length do not count; prefixes may overlap.
impl FromIterator<IpNet> for AddressSet {
    fn from_iter<I: IntoIterator<Item = IpNet>>(prefixes: I) -> Self {
        let (mut v4, mut v6) = (Vec::new(), Vec::new());
        for prefix in prefixes {
            match prefix {
                IpNet::V4(net) => v4.push((net.network().to_bits(), net.broadcast().to_bits())),
                IpNet::V6(net) => v6.push((net.network().to_bits(), net.broadcast().to_bits())),
            }
        }
        Self { v4: Intervals::new(v4), v6: Intervals::new(v6) }
    }
}

/// A single address is a set too.
impl From<IpAddr> for AddressSet {
    fn from(address: IpAddr) -> Self {
        Self::from_iter([IpNet::from(address)])
    }
}

/// An interval of addresses, both ends in it; nothing when it ends before it begins or the families differ.
impl From<(IpAddr, IpAddr)> for AddressSet {
    fn from(ends: (IpAddr, IpAddr)) -> Self {
        let mut set = Self::default();
        match ends {
            (IpAddr::V4(low), IpAddr::V4(high)) if low <= high => set.v4.0.push((low.to_bits(), high.to_bits())),
            (IpAddr::V6(low), IpAddr::V6(high)) if low <= high => set.v6.0.push((low.to_bits(), high.to_bits())),
            _ => {}
        }
        set
    }
}

/// What the arithmetic asks of an address as a number.
trait Number: Copy + Ord {
    const BITS: u32;
    /// The next number, if there is one.
    fn next(self) -> Option<Self>;
    /// The number before, if there is one.
    fn previous(self) -> Option<Self>;
    /// How many numbers lie above this one up to and including `high`.
    fn up_to(self, high: Self) -> u128;
    fn trailing_zeros(self) -> u32;
    /// The last number of the block of 2^`bits` that begins here.
    fn end_of_block(self, bits: u32) -> Self;
}

macro_rules! number {
    ($type:ty) => {
        impl Number for $type {
            const BITS: u32 = <$type>::BITS;

            fn next(self) -> Option<Self> {
                self.checked_add(1)
            }

            fn previous(self) -> Option<Self> {
                self.checked_sub(1)
            }

            fn up_to(self, high: Self) -> u128 {
                (high - self).into()
            }

            fn trailing_zeros(self) -> u32 {
                <$type>::trailing_zeros(self)
            }

            fn end_of_block(self, bits: u32) -> Self {
                self | <$type>::MAX.checked_shr(Self::BITS - bits).unwrap_or(0)
            }
        }
    };
}

number!(u32);
number!(u128);

/// Intervals with both ends in them, in order, and with a gap between any two.
#[derive(Clone, Debug, PartialEq, Eq)]
struct Intervals<N>(Vec<(N, N)>);

impl<N> Default for Intervals<N> {
    fn default() -> Self {
        Self(Vec::new())
    }
}

impl<N: Number> Intervals<N> {
    fn new(mut intervals: Vec<(N, N)>) -> Self {
        intervals.sort_unstable();
        let mut merged = Self(Vec::new());
        for interval in intervals {
            merged.add(interval);
        }
        merged.0.shrink_to_fit();
        merged
    }

    /// Adds an interval that begins no earlier than the last one.
    fn add(&mut self, (low, high): (N, N)) {
        match self.0.last_mut() {
            // Overlapping or touching.
            Some((_, end)) if end.next().is_none_or(|next| low <= next) => *end = high.max(*end),
            _ => self.0.push((low, high)),
        }
    }

    fn contains(&self, number: N) -> bool {
        let after = self.0.partition_point(|(low, _)| *low <= number);
        after.checked_sub(1).and_then(|at| self.0.get(at)).is_some_and(|(_, high)| number <= *high)
    }

    fn union(&self, other: &Self) -> Self {
        let mut union = Self(Vec::with_capacity(self.0.len() + other.0.len()));
        let (mut ours, mut theirs) = (self.0.iter().peekable(), other.0.iter().peekable());
        loop {
            let next = match (ours.peek(), theirs.peek()) {
                (Some(our), Some(their)) if their < our => theirs.next(),
                (None, _) => theirs.next(),
                (Some(_), _) => ours.next(),
            };
            let Some(next) = next else { return union };
            union.add(*next);
        }
    }

    fn difference(&self, other: &Self) -> Self {
        let mut left = Vec::new();
        let mut holes = other.0.iter().peekable();
        'intervals: for &(mut low, high) in &self.0 {
            while holes.next_if(|(_, end)| *end < low).is_some() {}
            while let Some(&&(begin, end)) = holes.peek().filter(|(begin, _)| *begin <= high) {
                if let Some(before) = begin.previous().filter(|before| low <= *before) {
                    left.push((low, before));
                }
                match end.next() {
                    Some(next) if next <= high => low = next,
                    // The hole may reach into the next interval: it stays.
                    _ => continue 'intervals,
                }
                holes.next();
            }
            left.push((low, high));
        }
        Self(left)
    }

    fn intersection(&self, other: &Self) -> Self {
        self.difference(&self.difference(other))
    }

    fn count(&self) -> u128 {
        self.0.iter().fold(0, |sum, (low, high)| sum.saturating_add(low.up_to(*high)).saturating_add(1))
    }

    /// The largest aligned blocks, from below: where each begins, and its prefix length.
    fn blocks(&self) -> impl Iterator<Item = (N, u8)> + '_ {
        self.0.iter().flat_map(|&(low, high)| {
            let mut next = Some(low);
            std::iter::from_fn(move || {
                let at = next.filter(|at| *at <= high)?;
                // 2^128 does not fit: there all of it is left.
                let fits = at.up_to(high).checked_add(1).map_or(N::BITS, u128::ilog2);
                let bits = fits.min(at.trailing_zeros());
                next = at.end_of_block(bits).next();
                Some((at, u8::try_from(N::BITS - bits).unwrap_or(u8::MAX)))
            })
        })
    }
}

#[cfg(test)]
mod tests;
