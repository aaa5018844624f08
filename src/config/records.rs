//! `[[record]]`, and whether each fits its provider.

use std::collections::BTreeMap;
use std::net::Ipv6Addr;
use std::time::Duration;

use super::cell::Cell;
use super::lines::Lined;
use super::providers::Provided;
use super::reader::{Table, nearest};
use super::units::Wrong;
use super::{lines, values};
use crate::address::{Family, prefix};
use crate::name::DnsName;
use crate::record::RecordType;
use crate::settings::Via;
use crate::settings::{Record, Sharing};

/// RFC 2181, section 8.
const MAX_TTL: u64 = 0x7fff_ffff;

/// A record as read; `whole` is missing when something is wrong with it.
pub(super) struct Recorded<'d> {
    pub(super) whole: Option<Record>,
    pub(super) types: Cell<'d>,
    listed: Vec<RecordType>,
    lines: Vec<Option<String>>,
}

impl Recorded<'_> {
    pub(super) fn families(&self) -> impl Iterator<Item = Family> {
        self.listed.iter().map(|rtype| rtype.family())
    }

    /// Every line and family whose address it may have.
    pub(super) fn vias(&self) -> impl Iterator<Item = Via> {
        self.lines.iter().flat_map(|line| self.families().map(|family| Via { line: line.clone(), family }))
    }
}

type Seen = BTreeMap<(DnsName, RecordType, String), Option<usize>>;

/// A host part is held against `prefix_length`, unless that is wrong itself.
pub(super) fn read<'d>(
    root: &Table<'d>,
    providers: &BTreeMap<String, Provided>,
    lines: &[Lined],
    prefix_length: Option<u8>,
) -> Vec<Recorded<'d>> {
    let mut seen = Seen::new();
    root.tables("record").iter().map(|table| record(table, providers, lines, prefix_length, &mut seen)).collect()
}

fn record<'d>(
    table: &Table<'d>,
    providers: &BTreeMap<String, Provided>,
    lines: &[Lined],
    prefix_length: Option<u8>,
    seen: &mut Seen,
) -> Recorded<'d> {
    let name_cell = table.key("name").required("name = \"gauge.heronmill.example\"");
    let name = name_cell.parse(values::dns_name);
    let types_cell = table.key("types").required("types = [\"A\"]");
    let types = types(&types_cell);
    let provider_cell = table.key("provider").required("provider = \"home\"");
    let provider = provider_cell.parse(|name| known_provider(name, providers));
    let lines = lines::of_record(&table.key("lines"), lines);
    let ttl = ttl(&table.key("ttl").or("2m"));
    let host_cell = table.key("host_part");
    let host_part = host_part(table, &host_cell, prefix_length);
    let sharing: Option<Sharing> = table.key("sharing").or("sole").one_of(&values::SHARING);

    let listed = types.clone().unwrap_or_default();
    if host_cell.is_set() && types.is_some() && !listed.contains(&RecordType::Aaaa) {
        host_cell.wrong("a host part serves an AAAA record only", "add \"AAAA\" to types, or remove this key");
    }
    if let (Some(name), Some(provider)) = (&name, &provider) {
        // RFC 2136, section 3.4.1.3: a server refuses a name outside the zone of the update.
        if let Some(zone) = providers.get(provider).and_then(|provider| provider.zone.as_ref())
            && !name.is_in(zone)
        {
            let what = format!("{:?} is outside {zone}, the zone of the provider {provider:?}", name.as_str());
            let remedy = if name.as_str().contains('.') {
                "correct the name or that zone, or name the provider of its own zone".to_owned()
            } else {
                format!("write the whole name: \"{name}.{zone}\"")
            };
            name_cell.wrong(what, remedy);
        }
        for rtype in &listed {
            let first = seen.insert((name.clone(), *rtype, provider.clone()), name_cell.line());
            if let Some(first) = first {
                let other = first.map_or("another record".into(), |line| format!("the record on line {line}"));
                let what = format!("{other} publishes {rtype} of this name at {provider:?} already");
                name_cell.wrong(what, "remove one of the two");
            }
        }
    }
    let named = lines.clone().unwrap_or_default();
    let whole = (|| {
        let (name, types, provider, ttl, sharing, lines) = (name?, types?, provider?, ttl?, sharing?, lines?);
        Some(Record { name, types, lines, provider, ttl, host_part, sharing })
    })();
    Recorded { whole, types: types_cell, listed, lines: named }
}

/// Written whole, or as the MAC from which the host makes it.
fn host_part(table: &Table<'_>, cell: &Cell<'_>, prefix_length: Option<u8>) -> Option<Ipv6Addr> {
    if !cell.is_table() {
        return cell.parse(|text| values::host_part(text, prefix_length));
    }
    let mac_cell = table.table("host_part").key("mac").required("mac = \"00:00:5e:00:53:10\"");
    let mac = mac_cell.parse(values::mac)?;
    if prefix_length.is_some_and(|length| length < 64) {
        let what = "a MAC makes only the last 64 bits: with the shorter `watch.prefix_length`, the host is published in \
                    the first subnet of the home's prefix";
        mac_cell.note(what, format!("if it is in another, write \"{}\" with the subnet before it", prefix::eui64(mac)));
    }
    Some(prefix::eui64(mac))
}

fn known_provider(name: &str, providers: &BTreeMap<String, Provided>) -> Result<String, Wrong> {
    if providers.contains_key(name) {
        return Ok(name.to_owned());
    }
    let remedy = match nearest(name, providers.keys().map(String::as_str)) {
        Some(near) => format!("did you mean {near:?}?"),
        None => "add the table [provider.NAME], and name it here".into(),
    };
    Err(Wrong::new("names no provider", remedy))
}

fn types(cell: &Cell<'_>) -> Option<Vec<RecordType>> {
    let mut found = Vec::new();
    for item in cell.list()? {
        let Some(rtype) = item.parse(values::record_type) else { continue };
        if found.contains(&rtype) {
            item.wrong(format!("{} is listed twice", item.said()), "remove one");
        } else {
            found.push(rtype);
        }
    }
    if cell.is_empty_list() {
        cell.wrong("no type is listed", "write \"A\", \"AAAA\", or both");
    }
    (!found.is_empty()).then_some(found)
}

fn ttl(cell: &Cell<'_>) -> Option<u32> {
    let ttl = cell.duration(Duration::ZERO..=Duration::MAX)?;
    if ttl.subsec_nanos() != 0 {
        cell.refuse(Wrong::new("is not a whole number of seconds", "a TTL counts whole seconds (RFC 1035, 3.2.1)"));
    } else if ttl.as_secs() > MAX_TTL {
        cell.refuse(Wrong::new("is too long", format!("the most is {MAX_TTL}s (RFC 2181, 8)")));
    }
    u32::try_from(ttl.as_secs()).ok()
}
