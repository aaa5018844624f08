//! Whom a firewall lets in, read from what it tells of itself. The readers are pure: [`nft`] reads a ruleset, [`csv`] a
//! table, [`mappings`] what a router forwards.
//!
//! What a reader does not understand makes its answer "unknown" for the addresses it concerns: never a guess.

pub mod csv;
pub mod mappings;
pub mod nft;

use crate::address::set::AddressSet;

/// Addresses that are let in, and by what.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Way {
    /// Who.
    pub set: AddressSet,
    /// What lets them in, in words by which its owner finds it.
    pub by: String,
}

/// Addresses of which it cannot be said whether they are let in.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Doubt {
    /// Who.
    pub set: AddressSet,
    /// What was not understood, in words by which its owner finds it.
    pub by: String,
    /// Why not.
    pub why: String,
}

/// Whom a firewall lets in.
#[derive(Clone, Debug, Default, PartialEq, Eq)]
pub struct LetIn {
    /// Surely.
    pub ways: Vec<Way>,
    /// Perhaps.
    pub doubts: Vec<Doubt>,
    /// What keeps the others out, as far as the listing tells: for whoever looks for the cause.
    pub stopped: Vec<Way>,
}

impl LetIn {
    /// Takes in what `other` lets in as well.
    pub fn join(&mut self, other: Self) {
        other.ways.into_iter().for_each(|way| join_way(&mut self.ways, way));
        other.stopped.into_iter().for_each(|way| join_way(&mut self.stopped, way));
        for doubt in other.doubts {
            match self.doubts.iter_mut().find(|known| (&known.by, &known.why) == (&doubt.by, &doubt.why)) {
                Some(known) => known.set = known.set.union(&doubt.set),
                None => self.doubts.push(doubt),
            }
        }
    }
}

/// Puts `way` to what has the same cause.
pub(super) fn join_way(ways: &mut Vec<Way>, way: Way) {
    match ways.iter_mut().find(|known| known.by == way.by) {
        Some(known) => known.set = known.set.union(&way.set),
        None => ways.push(way),
    }
}
