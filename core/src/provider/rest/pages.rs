//! What a list shows page by page, and whether anything may have been left out. Pure.
//!
//! An item on two pages, or another number of pages than a moment ago, says that the list changed or its order did while it
//! was read: then something else may stand on no page at all. Where no item is on two pages, none is missing either; and
//! where as many are known as there are places on the pages, all are.

use std::collections::HashSet;
use std::hash::{DefaultHasher, Hash as _, Hasher as _};

use serde_json::value::RawValue;

use super::description::{Api, Pages, Paging, Shape};
use super::items::{Unfit, absolute};
use super::json::{Object, Pointer, list, text};
use super::link;
use crate::name::DnsName;

/// So many pages running that bring nothing new are the end of a list whose last page comes again and again.
const STALE: usize = 3;

/// What tells an item from all others.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord, Hash)]
pub struct Key(u64);

impl Key {
    /// That of an item that is told from others by `text`.
    pub fn of(text: &str) -> Self {
        let mut hasher = DefaultHasher::new();
        text.hash(&mut hasher);
        Self(hasher.finish())
    }

    /// That of an item of the zone: the id of a record, or the name and type of an RRset.
    pub(crate) fn of_item(api: &Api, zone: &DnsName, raw: &RawValue) -> Self {
        let told = |pointer: &Pointer| pointer.find(raw).and_then(text);
        let told = match &api.shape {
            Shape::Record { id, .. } => told(id),
            Shape::RrSet { .. } => told(&api.item.name).map(|name| {
                let rtype = told(&api.item.rtype).unwrap_or_default().to_ascii_uppercase();
                let whole = absolute(&name, api.item.relative, &api.item.apex, zone);
                format!("{} {rtype}", whole.map_or(name, String::from))
            }),
        };
        Self::of(told.as_deref().unwrap_or_else(|| raw.get()))
    }
}

/// One reading of a list.
#[derive(Debug, Default)]
pub struct Course {
    pages: Vec<Vec<Key>>,
    seen: HashSet<Key>,
    /// Pages running, up to the last one, that brought nothing new.
    stale: usize,
    /// Nothing new came any more.
    is_ended: bool,
    last: Option<u64>,
    is_unsteady: bool,
    /// There was no list at all.
    pub is_missing: bool,
}

impl Course {
    /// Takes in a page.
    pub fn take(&mut self, page: Vec<Key>) {
        let known = page.iter().filter(|key| self.seen.contains(key)).count();
        let is_stale = known == page.len() && !page.is_empty();
        if is_stale {
            self.stale += 1;
        } else {
            // What comes after it shows that a stale page was not the end.
            self.is_unsteady |= known > 0 || self.stale > 0;
            self.stale = 0;
        }
        let as_before = self.pages.last().is_some_and(|before| {
            let set = |page: &[Key]| page.iter().copied().collect::<HashSet<_>>();
            set(before) == set(&page)
        });
        self.seen.extend(page.iter().copied());
        self.pages.push(page);
        self.is_ended = self.stale >= if as_before { STALE - 1 } else { STALE };
    }

    /// Whether nothing new follows: the last page may come again and again.
    fn is_at_end(&self) -> bool {
        self.is_ended || self.pages.last().is_some_and(Vec::is_empty)
    }

    /// Takes in how many pages there are.
    pub fn count(&mut self, last: u64) {
        self.is_unsteady |= self.last.is_some_and(|before| before != last);
        self.last = Some(last);
    }

    /// Whether it ended with the list, and not because nothing new came any more.
    pub(crate) fn went_to_the_end(&self) -> bool {
        !self.is_ended
    }

    /// Whether nothing can be missing in it, as far as it can be seen.
    pub(crate) fn is_whole(&self) -> bool {
        !self.is_unsteady && (self.stale == 0 || self.is_ended && self.comes_again())
    }

    /// Whether what came when nothing new came was one page that came before, the last one or the first. Where each page is cut
    /// from another order, some bring nothing new by chance.
    fn comes_again(&self) -> bool {
        let (new, stale) = self.pages.split_at(self.pages.len() - self.stale);
        let is_all = |page: &Vec<Key>| stale.iter().all(|other| other == page);
        new.last().is_some_and(is_all) || new.first().is_some_and(is_all)
    }

    /// How many places there are for items on its pages.
    pub fn places(&self) -> usize {
        self.pages.iter().map(Vec::len).sum()
    }

    /// All that stood on its pages.
    pub fn keys(&self) -> impl Iterator<Item = Key> {
        self.seen.iter().copied()
    }

    /// Whether all came in the same order again.
    pub fn is_as(&self, other: &Self) -> bool {
        self.pages == other.pages && self.last == other.last
    }
}

/// How the next page is asked for.
#[derive(Debug, PartialEq, Eq)]
pub enum Onward {
    /// By this URI.
    Uri(String),
    /// By the first one's with this value of a variable.
    Variable(&'static str, String),
}

/// The way to the page that follows `answer`, the last one that `course` took in; `None` at the end. `links` are its Link headers.
pub fn onward(paging: &Paging, course: &mut Course, answer: &RawValue, links: &str) -> Result<Option<Onward>, Unfit> {
    let told = |at: &Pointer| at.find(answer).and_then(text).filter(|text| !text.is_empty());
    Ok(match paging {
        Paging::Whole => None,
        Paging::Next(at) => told(at).map(Onward::Uri),
        Paging::Link(rel) => link::target(links, rel)
            .map_err(|what| {
                let why = format!("has a Link header that cannot be read (RFC 8288): it {what}");
                Unfit { why, remedy: "write another `paging` in the description" }
            })?
            .map(Onward::Uri),
        Paging::Cursor(at) => told(at).map(|value| Onward::Variable("cursor", value)),
        Paging::Number { first, last } => {
            let next = first + course.pages.len() as u64;
            let is_there = match last {
                Some(last) => {
                    let last = told(last).and_then(|last| last.parse::<u64>().ok());
                    let last = last.ok_or_else(|| Unfit::nothing("number of the last page"))?;
                    course.count(last);
                    next <= last
                }
                None => !course.is_at_end(),
            };
            is_there.then(|| Onward::Variable("page", next.to_string()))
        }
    })
}

/// The items in an answer to `pages`. Null is an empty list; so is none at all, where it is said or can be seen that this is a
/// list: `is_list` says that it can. A wrong pointer would empty the zone.
pub fn listed<'j>(pages: &Pages, is_list: bool, answer: &'j RawValue) -> Result<Vec<&'j RawValue>, Unfit> {
    let found = pages.items.find(answer);
    if let Some(found) = found {
        let items = if found.get() == "null" { Some(Vec::new()) } else { list(found) };
        return items.ok_or_else(|| Unfit::nothing("list"));
    }
    let Some(around) = pages.items.around(answer) else { return Err(Unfit::nothing("list")) };
    let is_list_of_items =
        |raw: &RawValue| list(raw).is_some_and(|items| items.first().is_some_and(|item| item.get().starts_with('{')));
    let others: Vec<_> =
        around.0.into_iter().filter(|(_, member)| is_list_of_items(member)).map(|(name, _)| name).take(3).collect();
    if !others.is_empty() {
        let beside = format!("list where the description says, and one at {:?}", others.join(", "));
        return Err(Unfit { why: format!("has no {beside}"), ..Unfit::nothing("list") });
    }
    if pages.absent_is_empty.unwrap_or(is_list || shows_place(&pages.paging, answer)) {
        return Ok(Vec::new());
    }
    let remedy = "compare the pointers in the description with what the API answers; where it leaves out a list that is empty, \
                  set `absent_is_empty`";
    Err(Unfit { remedy, ..Unfit::nothing("list") })
}

/// Whether the answer says where in a list it is.
fn shows_place(paging: &Paging, answer: &RawValue) -> bool {
    match paging {
        Paging::Next(at) | Paging::Cursor(at) | Paging::Number { last: Some(at), .. } => at.find(answer).is_some(),
        // A header is not part of the answer's body.
        Paging::Whole | Paging::Link(_) | Paging::Number { last: None, .. } => false,
    }
}

impl Pointer {
    /// The nearest object around the place that this points at; `None` where something else is there.
    fn around<'j>(&self, json: &'j RawValue) -> Option<Object<'j>> {
        let place = self.above().find_map(|above| above.find(json).filter(|found| found.get() != "null"))?;
        serde_json::from_str(place.get()).ok()
    }
}

#[cfg(test)]
mod tests {
    use super::{Course, Key};

    fn course(pages: &[&[&str]]) -> (Course, Vec<bool>) {
        let mut course = Course::default();
        let mut take = |page: &&[&str]| {
            course.take(page.iter().map(|key| Key::of(key)).collect());
            !course.is_ended
        };
        let goes_on = pages.iter().map(&mut take).collect();
        (course, goes_on)
    }

    #[test]
    fn the_last_page_that_comes_again_and_again_is_the_end() {
        for (pages, ends, is_whole) in [
            (&[&["a", "b"][..], &["c"], &["c"], &["c"]][..], true, true),
            (&[&["a", "b"], &["c", "d"], &["c", "d"], &["c", "d"]], true, true),
            // The first one in the place of those that are not there.
            (&[&["a", "b"], &["c"], &["a", "b"], &["a", "b"]], true, true),
            // They bring nothing new by chance: each is another.
            (&[&["a", "b"], &["c", "d"], &["d", "c"], &["c", "d"]], true, false),
            (&[&["a", "b"], &["a"], &["a"]], true, false),
            // One that was moved whole is not the end.
            (&[&["a"], &["a"], &["b"]], false, false),
            (&[&["a", "b"], &["b", "c"]], false, false),
            (&[&["a", "b", "c"], &["a"], &["b"], &["c"]], true, false),
            (&[&["a", "b", "c"], &["a"], &["b"], &["d"]], false, false),
            (&[&["a"], &["b"], &[]], false, true),
        ] {
            let (course, goes_on) = course(pages);
            let (last, before) = goes_on.split_last().unwrap();
            assert!(before.iter().all(|goes_on| *goes_on), "{pages:?}");
            assert_eq!((!last, course.is_whole()), (ends, is_whole), "{pages:?}");
        }
    }

    #[test]
    fn a_list_whose_last_page_moves_is_not_whole() {
        let (mut course, _) = course(&[&["a"], &["b"]]);
        course.count(3);
        course.count(3);
        assert!(course.is_whole());
        course.count(2);
        assert!(!course.is_whole());
    }
}
