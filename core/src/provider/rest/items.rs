//! What an API lists, as items, and what stands at a name by them. Pure.
//!
//! An item keeps the JSON it was read from. Items of no concern are dropped as they come: a zone may be large.

use std::collections::{BTreeMap, BTreeSet};
use std::net::IpAddr;

use serde_json::Value;
use serde_json::value::RawValue;

use super::description::{Api, Fields, Shape};
use super::forms;
use super::json::{Pointer, list, text};
use crate::name::DnsName;
use crate::provider::{Obstacle, Standing};
use crate::record::{RecordType, RrSet};
use crate::text::short_line;

/// What is wrong with what an API told: a clause, and the way out.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Unfit {
    /// A clause of what is wrong.
    pub why: String,
    /// The way out.
    pub remedy: &'static str,
}

const CHECK_POINTERS: &str = "compare the pointers in the description with what the API answers";

impl Unfit {
    fn new(why: String, remedy: &'static str) -> Self {
        Self { why, remedy }
    }

    /// Nothing, or nothing of use, where the description says `what` is.
    pub fn nothing(what: &str) -> Self {
        Self::new(format!("has no {what} where the description says"), CHECK_POINTERS)
    }
}

/// The types that matter.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum ItemKind {
    /// A or AAAA.
    Address(RecordType),
    /// An alias (RFC 1034, section 3.6.2).
    Cname,
    /// A zone cut below, or the zone's own servers.
    Ns,
    /// An alias of all that is beneath (RFC 6672).
    Dname,
}

/// One item that matters.
#[derive(Clone, Debug)]
pub struct Item {
    /// As it stands in the list.
    pub raw: Box<RawValue>,
    /// Its owner.
    pub name: DnsName,
    /// Its type.
    pub kind: ItemKind,
    /// In seconds; nothing of an item that is no address, or has a flaw.
    pub ttl: Option<u32>,
    /// Why the RRset that this is of cannot be read.
    flaw: Option<String>,
    /// The id of a record.
    pub id: Option<Box<RawValue>>,
    /// The members of an RRset, or the one of a record.
    pub members: Vec<Member>,
}

/// One value of an item.
#[derive(Clone, Debug)]
pub struct Member {
    /// As it stands in the item.
    pub raw: Box<RawValue>,
    /// As text, for what is no address.
    content: String,
    /// `None` for what is no address, or not published.
    pub address: Option<IpAddr>,
    /// It is there and not published.
    pub disabled: bool,
}

impl Item {
    /// Whether it is what `other` is, as far as we are concerned.
    pub fn is_as(&self, other: &Self) -> bool {
        let id = |item: &Self| item.id.as_ref().map(|id| id.get().to_owned());
        let members =
            |item: &Self| -> Vec<_> { item.members.iter().map(|m| (m.content.clone(), m.disabled)).collect() };
        (&self.name, self.kind, self.ttl, &self.flaw, id(self), members(self))
            == (&other.name, other.kind, other.ttl, &other.flaw, id(other), members(other))
    }

    /// Whether both are one record.
    pub fn has_id_of(&self, other: &Self) -> bool {
        let id = |item: &Self| item.id.as_deref().and_then(text);
        id(self).is_some() && id(self) == id(other)
    }

    /// Its place among the records of a name, by their ids alone: where these are numbers that grow, the oldest comes first.
    pub(super) fn age(&self) -> (usize, String) {
        let id = self.id.as_deref().and_then(text).unwrap_or_default();
        (id.len(), id)
    }

    /// How many of its values say something: what others set on a record, such as a flag or a comment, adds to it.
    pub fn weight(&self) -> usize {
        serde_json::from_str(self.raw.get()).map_or(0, |value| weight(&value))
    }

    /// Whether any of it is.
    pub fn is_published(&self) -> bool {
        self.members.iter().any(|member| !member.disabled)
    }
}

fn weight(value: &Value) -> usize {
    match value {
        Value::Null | Value::Bool(false) => 0,
        Value::Bool(true) => 1,
        Value::Number(number) => usize::from(number.as_f64() != Some(0.0)),
        Value::String(text) => usize::from(!text.is_empty()),
        Value::Array(values) => values.iter().map(weight).sum(),
        Value::Object(values) => values.values().map(weight).sum(),
    }
}

/// Whether a list can be of the zone at all, by the names in it.
///
/// One that is read in the wrong way never shows what we wrote, so that it would be written again in every round.
#[derive(Debug, Default)]
pub struct Places {
    read: usize,
    /// The first that is not in the zone; none once one was in it.
    stray: Option<String>,
    inside: bool,
}

impl Places {
    /// Takes in one item.
    pub fn note(&mut self, api: &Api, zone: &DnsName, raw: &RawValue) {
        let fields = &api.item;
        // An empty one is nobody's mistake of this kind.
        let Some(name) = fields.name.find(raw).and_then(text).filter(|name| !name.is_empty()) else { return };
        self.read += 1;
        let is_in_zone = |name: Option<DnsName>| name.is_some_and(|name| name.is_in(zone));
        // A whole name where relative ones are said to stand would get the zone's name twice.
        let is_misread = fields.relative
            && name.trim() != fields.apex
            && !name.trim().ends_with('.')
            && is_in_zone(DnsName::parse_written(&name).ok());
        self.inside |= !is_misread && is_in_zone(absolute(&name, fields.relative, &fields.apex, zone));
        self.stray.get_or_insert_with(|| name.chars().take(80).collect());
    }

    /// Takes in those of another list.
    pub fn join(&mut self, other: Self) {
        self.read += other.read;
        self.inside |= other.inside;
        self.stray = self.stray.take().or(other.stray);
    }

    /// Whether any was of the zone, if there were any.
    pub fn judge(self, api: &Api, zone: &DnsName) -> Result<(), Unfit> {
        let Some(stray) = self.stray.filter(|_| !self.inside) else { return Ok(()) };
        let count = if self.read == 1 { "1 entry".into() } else { format!("{} entries", self.read) };
        let (how, remedy) = match api.item.relative {
            false => (
                "absolute",
                "set `item.names` to \"relative\" in the description, or correct `item.name`, `zone` or `list.uri`",
            ),
            true => (
                "relative",
                "set `item.names` to \"absolute\" in the description, or correct `item.name`, `zone` or `list.uri`",
            ),
        };
        Err(Unfit::new(
            format!("has {count}, the first of them {stray:?}, and with {how} names none is of the zone {zone}"),
            remedy,
        ))
    }
}

/// The names asked about, and those above them.
pub struct Concern<'a> {
    zone: &'a DnsName,
    names: &'a BTreeSet<DnsName>,
    at_or_above: BTreeSet<&'a str>,
}

impl<'a> Concern<'a> {
    /// What concerns `names`, which are in `zone`.
    pub fn new(zone: &'a DnsName, names: &'a BTreeSet<DnsName>) -> Self {
        let at_or_above = names.iter().flat_map(|name| at_and_above(name.as_str())).collect();
        Self { zone, names, at_or_above }
    }

    fn matters(&self, name: &DnsName, kind: ItemKind) -> bool {
        match kind {
            ItemKind::Address(_) | ItemKind::Cname => self.names.contains(name),
            ItemKind::Ns => name != self.zone && self.at_or_above.contains(name.as_str()),
            ItemKind::Dname => self.at_or_above.contains(name.as_str()),
        }
    }
}

fn at_and_above(name: &str) -> impl Iterator<Item = &str> {
    std::iter::successors(Some(name), |name| name.split_once('.').map(|(_, above)| above))
}

/// The item in `raw`, if it is of concern.
pub fn read(api: &Api, concern: &Concern<'_>, raw: &RawValue) -> Result<Option<Item>, Unfit> {
    let fields = &api.item;
    let told = |pointer: &Pointer| pointer.find(raw).and_then(text);
    let name = told(&fields.name).ok_or_else(|| Unfit::nothing("name of an item"))?;
    let rtype = told(&fields.rtype).ok_or_else(|| Unfit::nothing("type of an item"))?;
    let rtype = forms::mnemonic(&rtype);
    let kind = match rtype.as_str() {
        "A" => ItemKind::Address(RecordType::A),
        "AAAA" => ItemKind::Address(RecordType::Aaaa),
        "CNAME" => ItemKind::Cname,
        "NS" => ItemKind::Ns,
        "DNAME" => ItemKind::Dname,
        _ => return Ok(None),
    };
    // What is no name of ours can stand where it likes.
    let Some(name) = absolute(&name, fields.relative, &fields.apex, concern.zone) else { return Ok(None) };
    if !concern.matters(&name, kind) {
        return Ok(None);
    }
    let at = |what: &str| Unfit::new(format!("shows {rtype} {name}{what}"), CHECK_POINTERS);
    let ttl =
        told(&fields.ttl).and_then(|ttl| fields.ttls.seconds(&ttl)).filter(|_| matches!(kind, ItemKind::Address(_)));
    // Some hosts choose the TTL of a record themselves: that is nothing the other records have to wait for.
    let flaw = (ttl.is_none() && matches!(kind, ItemKind::Address(_))).then(|| no_ttl(fields, raw));
    let (id, members) = match &api.shape {
        Shape::Record { id, .. } => {
            let id = id
                .find(raw)
                .filter(|id| is_id(id))
                .ok_or_else(|| at(" without a usable id where the description says"))?;
            (Some(id.to_owned()), vec![raw])
        }
        Shape::RrSet { members, .. } => {
            let members = members
                .find(raw)
                .and_then(list)
                .ok_or_else(|| at(" without a list of members where the description says"))?;
            (None, members)
        }
    };
    let members = members.into_iter().map(|one| member(fields, kind, one).map_err(at));
    let members = members.collect::<Result<_, Unfit>>()?;
    Ok(Some(Item { raw: raw.to_owned(), name, kind, ttl, flaw, id, members }))
}

/// Why the TTL of the item in `raw` cannot be read.
fn no_ttl(fields: &Fields, raw: &RawValue) -> String {
    let told = fields.ttl.find(raw).map_or("absent", RawValue::get);
    let told: String = told.trim_matches('"').chars().take(40).collect();
    format!(
        "its TTL is {}, and no number of whole seconds; give it one at the DNS host, or compare `item.ttl` in the \
         description with what the API answers",
        short_line(&told)
    )
}

/// The member in `raw`, of an item of this kind.
///
/// # Errors
/// How it is shown, if not as it should be.
fn member(fields: &Fields, kind: ItemKind, raw: &RawValue) -> Result<Member, &'static str> {
    let disabled = fields.is_disabled(raw);
    let content = fields.address.find(raw).and_then(text);
    let content = content.ok_or(" with a member that has no text where the description says")?;
    let address = match kind {
        ItemKind::Address(rtype) if !disabled => {
            Some(address(rtype, &content).ok_or(" with something else than an address")?)
        }
        _ => None,
    };
    Ok(Member { raw: raw.to_owned(), content, address, disabled })
}

fn address(rtype: RecordType, content: &str) -> Option<IpAddr> {
    let address: IpAddr = content.parse().ok()?;
    (address.is_ipv4() == (rtype == RecordType::A)).then_some(address)
}

/// An id that stays within its part of a URI, where dots alone would name another one (RFC 3986, section 3.3).
pub fn is_id(id: &RawValue) -> bool {
    text(id).is_some_and(|id| !matches!(id.as_str(), "" | "." | ".."))
}

/// The name that an API writes as `text`. Where names are relative, one with a final dot is whole (RFC 1035, section 5.1).
pub fn absolute(text: &str, relative: bool, apex: &str, zone: &DnsName) -> Option<DnsName> {
    let text = text.trim();
    match relative {
        true if text == apex || text.is_empty() => Some(zone.clone()),
        true if !text.ends_with('.') => DnsName::parse_written(&format!("{text}.{zone}")).ok(),
        _ => DnsName::parse_written(text).ok(),
    }
}

/// How an API with relative names writes `name`.
pub fn relative(name: &DnsName, zone: &DnsName, apex: &str) -> String {
    if name == zone {
        return apex.to_owned();
    }
    name.as_str()
        .strip_suffix(zone.as_str())
        .and_then(|left| left.strip_suffix('.'))
        .unwrap_or(name.as_str())
        .to_owned()
}

/// Whatever the API says that it leads to, no other data may stand beside it.
fn cname(target: &str) -> Obstacle {
    Obstacle::cname(target).unwrap_or_else(|| Obstacle::Cname("what is no name".to_owned()))
}

/// What stands at each of `names`.
pub fn standings(
    items: &[Item],
    names: &BTreeSet<DnsName>,
    shape: &Shape,
) -> Result<BTreeMap<DnsName, Standing>, Unfit> {
    let mut found: BTreeMap<DnsName, Standing> = names.iter().map(|name| (name.clone(), Standing::default())).collect();
    let (mut cuts, mut redirects) = (BTreeSet::new(), BTreeSet::new());
    for item in items.iter().filter(|item| item.is_published()) {
        let target = || item.members.first().map_or("", |member| member.content.trim_end_matches('.'));
        match item.kind {
            ItemKind::Ns => drop(cuts.insert(item.name.as_str())),
            ItemKind::Dname => drop(redirects.insert(item.name.as_str())),
            ItemKind::Cname => {
                if let Some(standing) = found.get_mut(&item.name) {
                    standing.obstacle = Some(cname(&format!("{}.", target())));
                }
            }
            ItemKind::Address(rtype) => {
                let Some(standing) = found.get_mut(&item.name) else { continue };
                if let Some(flaw) = &item.flaw {
                    standing.unread.insert(rtype, flaw.clone());
                    continue;
                }
                add(standing, item, rtype, shape)?;
            }
        }
    }
    bar(&mut found, &cuts, &redirects);
    Ok(found)
}

/// Adds what `item` has to what stands.
fn add(standing: &mut Standing, item: &Item, rtype: RecordType, shape: &Shape) -> Result<(), Unfit> {
    let addresses = item.members.iter().filter_map(|member| member.address);
    let ttl = item.ttl.unwrap_or_default();
    let Some(set) = standing.sets.get_mut(&rtype) else {
        standing.sets.insert(rtype, RrSet { ttl, addresses: addresses.collect() });
        return Ok(());
    };
    if matches!(shape, Shape::RrSet { .. }) {
        let why = format!("shows two sets {rtype} {}, and nothing tells which is meant", item.name);
        return Err(Unfit::new(why, "leave one of them, or take the record out of the configuration"));
    }
    set.addresses.extend(addresses);
    // The TTLs of one RRset must not differ; where they do, the lowest counts (RFC 2181, section 5.2).
    set.ttl = set.ttl.min(ttl);
    Ok(())
}

/// Enters what a cut or a redirection above a name makes of it.
fn bar(found: &mut BTreeMap<DnsName, Standing>, cuts: &BTreeSet<&str>, redirects: &BTreeSet<&str>) {
    for (name, standing) in found {
        // The one that counts is the one nearest to the apex.
        let above: Vec<&str> = at_and_above(name.as_str()).collect();
        let redirects_it = |above: &str| above != name.as_str() && redirects.contains(above);
        let nearest = above.iter().rev().find(|above| cuts.contains(*above) || redirects_it(above));
        match nearest {
            Some(cut) if cuts.contains(cut) => standing.obstacle = Some(Obstacle::Delegated((*cut).to_owned())),
            // RFC 6672, section 2.4.
            Some(above) => standing.obstacle = Some(Obstacle::Dname((*above).to_owned())),
            None => {}
        }
        standing.sets.retain(|rtype, _| !standing.unread.contains_key(rtype));
        if matches!(standing.obstacle, Some(Obstacle::Delegated(_))) {
            standing.sets.clear();
            standing.unread.clear();
        }
    }
}
