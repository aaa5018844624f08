//! `[exposure]`: what the outside is asked about, and by whom.

use std::collections::BTreeMap;
use std::net::{IpAddr, Ipv4Addr, SocketAddr};
use std::time::Duration;

use super::cell::Cell;
use super::reader::{Table, nearest};
use super::units::Wrong;
use super::values;
use crate::address::set::AddressSet;
use crate::name::DnsName;
use crate::settings::{Exposure, Front, Gateway, INDEPENDENT, Service};

const HOUR: Duration = Duration::from_secs(3600);

/// `edges` are the names of the `[[edge]]` tables.
pub(super) fn read(root: &Table<'_>, edges: &[&str]) -> Option<Exposure> {
    let table = root.table("exposure");
    let every = table.key("every").or("6h").duration(HOUR..=24 * 7 * HOUR);
    let resolvers = resolvers(&table.key("resolvers"));
    let helper_cell = table.key("helper");
    let helper = if helper_cell.is_set() { helper_cell.quiet().parse(values::url).map(Some) } else { Some(None) };
    let router_cell = table.key("router");
    let router = if router_cell.is_set() { router_cell.parse(gateway).map(Some) } else { Some(None) };
    let open = open(&table.key("open"));
    let mut names = BTreeMap::new();
    let tables = table.tables("service");
    let services: Vec<_> = tables.iter().map(|table| service(table, &mut names, edges)).collect();
    let services = services.into_iter().collect::<Option<Vec<_>>>();
    Some(Exposure {
        every: every?,
        resolvers: resolvers?,
        helper: helper?,
        router: router?,
        open: open?,
        services: services?,
    })
}

fn service(table: &Table<'_>, names: &mut BTreeMap<String, Option<usize>>, edges: &[&str]) -> Option<Service> {
    let name_cell = table.key("name").required("name = \"gauge.heronmill.example\"");
    let name = name_cell.parse(|text| {
        let name = values::dns_name(text)?;
        match name.as_str().starts_with('*') {
            true => Err(Wrong::new("is a wildcard, and a request goes to one name", "write a name below it")),
            false => Ok(name),
        }
    });
    if let Some(name) = &name {
        values::unique(&name_cell, name.as_str(), "service", names);
    }
    let front = front(table, edges);
    let port = table.key("port").or(443).number(1..=65_535);
    let origin_cell = table.key("origin");
    let origin = match origin_cell.is_set() {
        true => origin_cell.parse(|text| socket(text, "192.168.1.10:443")),
        false => port.map(|port| (Ipv4Addr::LOCALHOST, port).into()),
    };
    let ca_cell = table.key("ca");
    let ca = if ca_cell.is_set() { ca_cell.file().map(Some) } else { Some(None) };
    Some(Service { name: name?, front: front?, port: port?, origin: origin?, ca: ca? })
}

fn gateway(text: &str) -> Result<Gateway, Wrong> {
    let at = |_| Wrong::new("is not a router", "write \"default\", or the router's IPv4 address inside");
    if text == "default" { Ok(Gateway::Default) } else { text.parse().map(Gateway::At).map_err(at) }
}

/// An address and a port, never a name: what is asked must be what is written.
fn socket(text: &str, example: &str) -> Result<SocketAddr, Wrong> {
    let remedy = format!("write an address and a port, such as {example:?}");
    let found: SocketAddr = text.parse().map_err(|_| Wrong::new("is not an address and a port", remedy.clone()))?;
    if found.port() == 0 || found.ip().is_unspecified() || is_group(found.ip()) {
        return Err(Wrong::new("is not the address of one machine and a port from 1 on", remedy));
    }
    Ok(found)
}

fn is_group(address: IpAddr) -> bool {
    address.is_multicast() || address == IpAddr::V4(Ipv4Addr::BROADCAST)
}

fn resolvers(cell: &Cell<'_>) -> Option<Vec<SocketAddr>> {
    if !cell.is_set() {
        return Some(Vec::new());
    }
    let mut found: Vec<SocketAddr> = Vec::new();
    let items = cell.list()?;
    for item in &items {
        let resolver = item.parse(|text| socket(text, "192.0.2.53:53"))?;
        if found.contains(&resolver) {
            item.wrong(format!("{} is listed twice", item.said()), "remove one");
        }
        found.push(resolver);
    }
    if found.len() < INDEPENDENT {
        let what =
            format!("a name counts as masked by the word of {INDEPENDENT} resolvers that do not depend on each other");
        cell.wrong(what, "list two or more, or remove the key");
        return None;
    }
    Some(found)
}

fn open(cell: &Cell<'_>) -> Option<Vec<DnsName>> {
    if !cell.is_set() {
        return Some(Vec::new());
    }
    Some(cell.list()?.iter().filter_map(|item| item.parse(values::dns_name)).collect())
}

/// What is in front, of which there may be nothing.
fn front(table: &Table<'_>, edges: &[&str]) -> Option<Option<Front>> {
    let (edge_cell, ranges_cell) = (table.key("edge"), table.key("edge_ranges"));
    let known = |text: &str| {
        if edges.contains(&text) {
            return Ok(text.to_owned());
        }
        let remedy = match nearest(text, edges.iter().copied()) {
            Some(near) => format!("did you mean {near:?}?"),
            None => "add the table [[edge]] with that name".into(),
        };
        Err(Wrong::new("names no edge", remedy))
    };
    let edge = edge_cell.parse(known).map(Front::Edge);
    let ranges = if ranges_cell.is_set() { ranges(&ranges_cell).map(Front::Ranges) } else { None };
    match (edge_cell.is_set(), ranges_cell.is_set()) {
        (false, false) => Some(None),
        (true, false) => edge.map(Some),
        (false, true) => ranges.map(Some),
        (true, true) => {
            ranges_cell.wrong("`edge` is set as well", "remove one of them: `edge` has its ranges fetched");
            None
        }
    }
}

fn ranges(cell: &Cell<'_>) -> Option<AddressSet> {
    let ranges: Vec<_> = cell.list()?.iter().filter_map(|item| item.parse(values::range)).collect();
    if cell.is_empty_list() {
        cell.wrong(
            "no range is listed",
            "list the ranges that the edge publishes, or remove the key: nothing is in front then",
        );
        return None;
    }
    if let Some(range) = ranges.iter().find(|range| range.prefix_len() == 0) {
        cell.wrong(format!("{range} is every address of its family"), "list the edge's own ranges only");
        return None;
    }
    Some(ranges.into_iter().collect())
}
