//! From changes and the items that stand there to requests, in an order that leaves no name without an address. Pure.

use std::collections::{HashMap, VecDeque};
use std::net::IpAddr;

use serde_json::value::RawValue;

use super::body::{Var, Vars};
use super::description::{Api, Payload, Request, Shape, Write};
use super::forms::Ttls;
use super::items::{Item, ItemKind, Member, relative};
use super::json::{raw, string};
use crate::name::DnsName;
use crate::provider::Change;
use crate::record::{RecordType, RrSet};

/// The address items by name and type.
pub struct Index<'a>(HashMap<(&'a DnsName, RecordType), Vec<&'a Item>>);

impl<'a> Index<'a> {
    /// Over `items`, those that are no addresses left out.
    pub fn new(items: &'a [Item]) -> Self {
        let mut index: HashMap<_, Vec<_>> = HashMap::new();
        for item in items {
            if let ItemKind::Address(rtype) = item.kind {
                index.entry((&item.name, rtype)).or_default().push(item);
            }
        }
        Self(index)
    }

    fn all(&self, change: &'a Change) -> &[&'a Item] {
        self.0.get(&(&change.name, change.rtype)).map_or(&[], Vec::as_slice)
    }

    /// The RRset: the published one, of which there is one at most, or else one that is not published.
    fn set(&self, change: &'a Change) -> Option<&'a Item> {
        let all = self.all(change);
        all.iter().find(|item| item.is_published()).or(all.first()).copied()
    }
}

/// One request to come.
#[derive(Debug)]
pub struct Task<'a> {
    /// The changes it is part of; more than one only where the API takes several together.
    pub changes: Vec<&'a Change>,
    /// The item that it changes or removes.
    pub item: Option<&'a Item>,
    act: Act,
    /// What a removal makes room in: a record that gets the address afterwards.
    heir: Option<&'a Item>,
}

#[derive(Clone, Copy, Debug, PartialEq, Eq)]
enum Act {
    /// Write this address into a record, or make one of it.
    Record(IpAddr),
    /// Remove a record.
    Remove,
    /// Write an RRset.
    Set,
}

/// A request, whole.
#[derive(Debug)]
pub struct Ready<'a> {
    /// Method and template.
    pub request: &'a Request,
    /// What the template names.
    pub vars: Vars,
    /// Its content, if it has any.
    pub body: Option<String>,
}

/// The requests that make `changes` of `items`; what stands there has been compared with each `before` already.
pub fn plan<'a>(api: &'a Api, changes: &'a [Change], index: &Index<'a>) -> Vec<Task<'a>> {
    match &api.shape {
        Shape::Record { .. } => changes.iter().flat_map(|change| records(change, index.all(change))).collect(),
        Shape::RrSet { create, replace, .. } => {
            let task =
                |change: &'a Change| Task { changes: vec![change], item: index.set(change), act: Act::Set, heir: None };
            let changing = changes.iter().filter(|change| change.before.as_ref() != Some(&change.after));
            let (new, old): (Vec<_>, Vec<_>) =
                changing.map(task).partition(|task| task.item.is_none() && create.is_some());
            let together = |tasks: Vec<Task<'a>>, write: Option<&Write>| match write.map(|write| &write.payload) {
                Some(Payload::Together { most, .. }) => {
                    let changes: Vec<_> = tasks.into_iter().flat_map(|task| task.changes).collect();
                    let together =
                        |part: &[&'a Change]| Task { changes: part.to_vec(), item: None, act: Act::Set, heir: None };
                    changes.chunks(*most).map(together).collect()
                }
                _ => tasks,
            };
            let mut tasks = together(old, Some(replace));
            tasks.extend(together(new, create.as_ref()));
            tasks
        }
    }
}

/// An address that goes is replaced by one that comes, so that what else the record holds stays; then come new records,
/// and only then old ones go.
fn records<'a>(change: &'a Change, items: &[&'a Item]) -> Vec<Task<'a>> {
    let mut mine: Vec<(&Item, IpAddr)> =
        items.iter().filter_map(|item| Some((*item, item.members.first()?.address?))).collect();
    // Not as they are listed: until a write is to be seen, the same is planned again, whatever the order is by then.
    mine.sort_by_cached_key(|(item, _)| item.age());
    let RrSet { ttl, addresses } = &change.after;
    if let (Some(only), 1, true) = (addresses.first(), addresses.len(), change.before.as_ref() != Some(&change.after)) {
        return one_record(change, mine, *only);
    }
    let mut coming: VecDeque<IpAddr> =
        addresses.iter().copied().filter(|address| mine.iter().all(|(_, stands)| stands != address)).collect();
    let (mut tasks, mut going) = (Vec::new(), Vec::new());
    let task = |item: Option<&'a Item>, act| Task { changes: vec![change], item, act, heir: None };
    for (item, stands) in mine {
        if addresses.contains(&stands) {
            if item.ttl != Some(*ttl) && change.before.as_ref() != Some(&change.after) {
                tasks.push(task(Some(item), Act::Record(stands)));
            }
        } else if let Some(address) = coming.pop_front() {
            tasks.push(task(Some(item), Act::Record(address)));
        } else {
            going.push(task(Some(item), Act::Remove));
        }
    }
    tasks.extend(coming.into_iter().map(|address| task(None, Act::Record(address))));
    tasks.extend(going);
    tasks
}

/// One address is to stand, and all records are ours: the one that holds most of what others set stays, and a plain
/// duplicate, as we make them, goes.
fn one_record<'a>(change: &'a Change, mine: Vec<(&'a Item, IpAddr)>, address: IpAddr) -> Vec<Task<'a>> {
    let task = |item: Option<&'a Item>, act| Task { changes: vec![change], item, act, heir: None };
    // Of several equals the last is taken, so they are gone through from the end: the oldest.
    let stays = mine.iter().rev().max_by_key(|(item, stands)| (item.weight(), *stands == address));
    let Some(&(kept, stands)) = stays else { return vec![task(None, Act::Record(address))] };
    // What is listed twice is one record: it stays.
    let others = mine.iter().filter(|(item, _)| !std::ptr::eq(*item, kept) && !item.has_id_of(kept));
    // Many APIs take no two records that are alike, so what has the address already makes room for it; `kept` stands.
    let (before, after): (Vec<_>, Vec<_>) = others.partition(|(_, stands)| *stands == address);
    let remove = |(item, _): &(&'a Item, IpAddr)| task(Some(item), Act::Remove);
    let make_room = |other| Task { heir: Some(kept), ..remove(other) };
    let mut tasks: Vec<_> = before.into_iter().map(make_room).collect();
    if (stands, kept.ttl) == (address, Some(change.after.ttl)) {
        tasks.iter_mut().for_each(|task| task.heir = None);
    }
    if stands != address || kept.ttl != Some(change.after.ttl) {
        tasks.push(task(Some(kept), Act::Record(address)));
    }
    tasks.extend(after.into_iter().map(remove));
    tasks
}

impl<'a> Task<'a> {
    /// Whether it removes a record.
    pub fn removes(&self) -> bool {
        self.act == Act::Remove
    }

    /// Whether the name keeps what it has to when this removal is made of `items`, of which the other requests of the change
    /// have come already: what is wanted there, or what gets its place next, stands in other records.
    pub fn leaves_enough(&self, items: &[Item]) -> bool {
        let (Some(change), Some(goes)) = (self.changes.first(), self.item) else { return false };
        let here = |item: &&Item| item.name == change.name && item.kind == ItemKind::Address(change.rtype);
        let left: Vec<&Item> = items.iter().filter(here).filter(|item| !item.has_id_of(goes)).collect();
        match self.heir {
            Some(heir) => left.iter().any(|item| item.is_as(heir)),
            None => change.after.addresses.iter().all(|wanted| {
                left.iter().any(|item| item.members.iter().any(|member| member.address.as_ref() == Some(wanted)))
            }),
        }
    }

    /// The request; `fresh` is the item as it was read last. `index` holds all that stand there.
    ///
    /// `None` when the item has no place for what is to be written.
    pub fn ready(
        &self,
        api: &'a Api,
        fixed: &Vars,
        zone: &DnsName,
        index: &Index<'a>,
        fresh: Option<&Item>,
    ) -> Option<Ready<'a>> {
        let change = *self.changes.first()?;
        let vars = vars(api, fixed, zone, change, fresh);
        let (write, address) = match (&api.shape, self.act) {
            (Shape::Record { delete, .. }, Act::Remove) => return Some(Ready { request: delete, vars, body: None }),
            (Shape::Record { create, .. }, Act::Record(address)) if fresh.is_none() => (create, Some(address)),
            (Shape::Record { replace, .. }, Act::Record(address)) => (replace, Some(address)),
            (Shape::RrSet { create: Some(create), .. }, Act::Set) if index.set(change).is_none() => (create, None),
            (Shape::RrSet { replace, .. }, Act::Set) => (replace, None),
            _ => return None,
        };
        let full = |vars: Vars, change: &Change, item: Option<&Item>| match address {
            Some(address) => Some(vars.with("address", Var::text(address.to_string()))),
            None => with_members(vars, api, change, item),
        };
        let request = &write.request;
        let (vars, body) = match &write.payload {
            Payload::Body(body) => {
                let vars = full(vars, change, fresh)?;
                let text = body.render(&vars);
                (vars, text)
            }
            Payload::Whole => {
                let whole = whole(api, change, fresh?, vars.text("ttl")?, address)?;
                (vars, whole.get().to_owned())
            }
            Payload::Together { change: template, body, .. } => {
                let one = |change: &&'a Change| {
                    let item = index.set(change);
                    Some(template.render(&full(self::vars(api, fixed, zone, change, item), change, item)?))
                };
                let all: Option<Vec<String>> = self.changes.iter().map(one).collect();
                let vars = fixed.clone().with("changes", Var::list(all?));
                let text = body.render(&vars);
                (vars, text)
            }
        };
        Some(Ready { request, vars, body: Some(body) })
    }

    /// What it does, for people: `A gauge.heronmill.example`.
    pub fn what(&self) -> String {
        let name = |change: &&Change| format!("{} {}", change.rtype, change.name);
        let mut text = self.changes.iter().take(3).map(name).collect::<Vec<_>>().join(", ");
        if self.changes.len() > 3 {
            text += &format!(" and {} more", self.changes.len() - 3);
        }
        text
    }
}

/// The variables of one RRset or record.
pub fn vars(api: &Api, fixed: &Vars, zone: &DnsName, change: &Change, item: Option<&Item>) -> Vars {
    let vars = named(api, fixed, zone, &change.name)
        .with("type", api.item.types.var(change.rtype))
        .with("ttl", api.item.ttls.var(change.after.ttl));
    match item.and_then(|item| item.id.as_deref()) {
        Some(id) => vars.with("record_id", Var::json(id)),
        None => vars,
    }
}

/// The variables that a name gives.
pub fn named(api: &Api, fixed: &Vars, zone: &DnsName, name: &DnsName) -> Vars {
    let relative = relative(name, zone, &api.item.apex);
    fixed.clone().with("name", Var::text(name.as_str())).with("relative", Var::text(relative))
}

/// The whole item with `address`, or the members as they shall be, and the TTL changed in it.
fn whole(api: &Api, change: &Change, item: &Item, ttl: String, address: Option<IpAddr>) -> Option<Box<RawValue>> {
    // In the form in which it stood there.
    let is_text = api.item.ttl.find(&item.raw)?.get().starts_with('"') || api.item.ttls == Ttls::Units;
    let ttl = raw(if is_text { string(&ttl) } else { ttl })?;
    let whole = api.item.ttl.set(&item.raw, &ttl)?;
    match (&api.shape, address) {
        (_, Some(address)) => with_address(api, &whole, address),
        (Shape::RrSet { members: at, .. }, None) => {
            at.set(&whole, &raw(format!("[{}]", members(api, change, Some(item))?.join(",")))?)
        }
        _ => None,
    }
}

/// What is to be said of a set besides what is said of a record.
fn with_members(vars: Vars, api: &Api, change: &Change, item: Option<&Item>) -> Option<Vars> {
    let addresses = change.after.addresses.iter().map(|address| string(&address.to_string()));
    let members = members(api, change, item)?;
    Some(vars.with("addresses", Var::list(addresses)).with("members", Var::list(members)))
}

/// The members of an RRset as they shall be. Those that stay are as they were; one whose address goes takes one that
/// comes and keeps all else; what is not published stays.
fn members(api: &Api, change: &Change, item: Option<&Item>) -> Option<Vec<String>> {
    let Shape::RrSet { new_member, .. } = &api.shape else { return Some(Vec::new()) };
    let old: &[Member] = item.map_or(&[], |item| &item.members);
    let stands = |address: &IpAddr| old.iter().any(|member| member.address.as_ref() == Some(address));
    let mut coming: VecDeque<IpAddr> =
        change.after.addresses.iter().copied().filter(|address| !stands(address)).collect();
    let mut members = Vec::new();
    for member in old {
        match member.address {
            Some(address) if !change.after.addresses.contains(&address) => {
                if let Some(next) = coming.pop_front() {
                    members.push(with_address(api, &member.raw, next)?.get().to_owned());
                }
            }
            _ => members.push(member.raw.get().to_owned()),
        }
    }
    members.extend(
        coming
            .into_iter()
            .map(|address| new_member.render(&Vars::default().with("address", Var::text(address.to_string())))),
    );
    Some(members)
}

fn with_address(api: &Api, member: &RawValue, address: IpAddr) -> Option<Box<RawValue>> {
    api.item.address.set(member, &raw(string(&address.to_string()))?)
}
