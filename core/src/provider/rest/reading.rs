//! What one reading of a list shows, kept by what tells its items apart; and what two readings show together. Pure.
//!
//! An API may show an item twice: by a filter that means something else, or because the list moved between two pages. With
//! the same content it is one. A record's id with another content says that the reading is of two moments: it is void.

use std::collections::{HashMap, HashSet};

use serde_json::value::RawValue;

use super::description::{Api, Shape};
use super::items::{self, Concern, Item, Places, Unfit};
use super::json::text;
use super::listing;
use super::pages::{Course, Key};
use crate::name::DnsName;
use crate::provider::listing::ZoneRecord;

/// One reading of a list, or several together.
#[derive(Default)]
pub struct Reading {
    /// What is of concern, where names were asked about.
    items: Kept<Item>,
    /// Everything, where that was asked for.
    records: Kept<ZoneRecord>,
    /// The zone's serial, where the list shows one.
    pub serial: Option<u32>,
    places: Places,
    /// The pages of which it was put together.
    pub course: Course,
}

/// So many readings that are all alike show what there is, however odd its pages are.
const ALIKE: usize = 3;

/// Where each page is cut from another order, every place shows one of the items by chance: after so many times as many places
/// as items, one that was on none of them is rarer than one in 100,000.
const PLACES_AN_ITEM: usize = 12;

/// Readings of one list, until nothing can be missing in all of them together.
#[derive(Default)]
pub struct Readings {
    together: Option<Reading>,
    known: HashSet<Key>,
    /// The places on all pages of all of them.
    places: usize,
    /// How many of the last ones were alike.
    alike: usize,
}

impl Readings {
    /// Takes in one that is not void; whether it is enough.
    pub fn take(&mut self, reading: Reading) -> bool {
        let course = &reading.course;
        if course.is_whole() {
            self.together = Some(reading);
            return true;
        }
        self.known.extend(course.keys());
        let (places, went_to_the_end) = (course.places(), course.went_to_the_end());
        self.places += places;
        let Some(together) = &mut self.together else {
            (self.together, self.alike) = (Some(reading), 1);
            return false;
        };
        // Where the pages always overlap, nothing is missing either. A short list in a random order is alike by chance, once.
        self.alike = if together.course.is_as(course) { self.alike + 1 } else { 1 };
        together.renew(reading);
        let known = self.known.len();
        // As many as there are places is all, if this is how many there are: one that stopped early has fewer.
        let is_all = went_to_the_end && known >= places;
        is_all || self.alike >= ALIKE || self.places >= PLACES_AN_ITEM * known
    }

    /// What they show together; `None` where there was none that is not void.
    pub fn into_reading(self) -> Option<Reading> {
        self.together
    }
}

/// In the order of the list, each once.
struct Kept<T> {
    order: Vec<Key>,
    by_key: HashMap<Key, Vec<T>>,
}

impl<T> Default for Kept<T> {
    fn default() -> Self {
        Self { order: Vec::new(), by_key: HashMap::new() }
    }
}

impl<T> Kept<T> {
    fn add(&mut self, key: Key, one: T, is_same: impl Fn(&T, &T) -> bool) {
        let here = self.by_key.entry(key).or_default();
        if here.is_empty() {
            self.order.push(key);
        }
        if !here.iter().any(|other| is_same(other, &one)) {
            here.push(one);
        }
    }

    /// Takes over what was read later.
    fn renew(&mut self, later: Self) {
        for key in later.order {
            if !self.by_key.contains_key(&key) {
                self.order.push(key);
            }
        }
        self.by_key.extend(later.by_key);
    }

    fn into_list(mut self) -> impl Iterator<Item = T> {
        self.order.into_iter().filter_map(move |key| self.by_key.remove(&key)).flatten()
    }
}

impl Reading {
    /// Takes in one page; gives the keys of its items. Without a concern all of it is kept, for people.
    pub fn take(
        &mut self,
        api: &Api,
        zone: &DnsName,
        concern: Option<&Concern<'_>>,
        (answer, page): (&RawValue, Vec<&RawValue>),
    ) -> Result<Vec<Key>, Unfit> {
        if let Some(at) = &api.list.serial {
            let told = at.find(answer).and_then(text).and_then(|text| text.parse().ok());
            self.serial = told.or(self.serial);
        }
        let mut keys = Vec::with_capacity(page.len());
        for raw in page {
            let key = Key::of_item(api, zone, raw);
            keys.push(key);
            self.places.note(api, zone, raw);
            match concern {
                Some(concern) => {
                    if let Some(item) = items::read(api, concern, raw)? {
                        self.items.add(key, item, Item::is_as);
                    }
                }
                None => listing::records(api, zone, raw)?.into_iter().for_each(|one| {
                    self.records.add(key, one, ZoneRecord::eq);
                }),
            }
        }
        Ok(keys)
    }

    /// What makes it void, if anything does. Two RRsets that differ are told where it matters: one may not be published.
    pub fn flaw(&self, shape: &Shape) -> Option<String> {
        let one = self.items.by_key.values().find_map(|items| items.get(1))?;
        matches!(shape, Shape::Record { .. })
            .then(|| format!("shows two records of one id at {}, as if it changed while it was read", one.name))
    }

    /// Takes over what another reading found later.
    fn renew(&mut self, later: Self) {
        self.items.renew(later.items);
        self.records.renew(later.records);
        self.serial = later.serial.or(self.serial);
        self.places.join(later.places);
        self.course = later.course;
    }

    /// What was found, and where.
    pub fn into_parts(self) -> (impl Iterator<Item = Item>, impl Iterator<Item = ZoneRecord>, Places) {
        (self.items.into_list(), self.records.into_list(), self.places)
    }
}

#[cfg(test)]
mod tests {
    use super::{Key, Reading, Readings};

    fn reading(pages: &[&[u8]]) -> Reading {
        let mut reading = Reading::default();
        for page in pages {
            reading.course.take(page.iter().map(|item| Key::of(&item.to_string())).collect());
        }
        reading
    }

    /// Ten items are known, of a list of more, when a reading stops after three pages that brought it nothing new: it has shown
    /// ten places only because it did not go on.
    #[test]
    fn a_reading_that_stopped_early_does_not_say_how_many_there_are() {
        let mut readings = Readings::default();
        assert!(!readings.take(reading(&[&[1, 2], &[3, 4], &[2, 5], &[6, 7], &[8, 9], &[9, 10]])));
        assert!(!readings.take(reading(&[&[1, 2], &[2, 3], &[1, 2], &[1, 3], &[2, 3]])));
        // One that went to the end does.
        assert!(readings.take(reading(&[&[1, 2], &[2, 3], &[4, 5], &[6, 1], &[7, 10]])));
    }
}
