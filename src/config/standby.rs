//! `[standby]`: the lease by which two daemons take turns, held against the providers.

use std::collections::{BTreeMap, BTreeSet};
use std::time::Duration;

use super::cell::Cell;
use super::providers::Provided;
use super::reader::Table;
use super::units::Wrong;
use super::values;
use crate::name::DnsName;
use crate::provider::lease_record::SPANS;
use crate::settings::{ProviderKind, Standby};

pub(super) fn read(root: &Table<'_>, providers: &BTreeMap<String, Provided>) -> Option<Standby> {
    let table = root.table_if_set("standby")?;
    let names_cell = table.key("name").required("name = \"_fingerpost.heronmill.example\"");
    let cells = if names_cell.is_text() { Some(vec![names_cell.clone()]) } else { names_cell.list() };
    let names: Option<Vec<(Cell<'_>, DnsName)>> = cells
        .map(|cells| cells.into_iter().filter_map(|cell| cell.parse(lease_name).map(|name| (cell, name))).collect());
    let lease_cell = table.key("lease").or("5m");
    let lease = lease_cell.duration(SPANS);
    let holder = table.key("holder").or(host_name()).parse(values::label);
    if lease.is_some_and(|lease| lease.subsec_nanos() != 0) {
        lease_cell.wrong("a lease is a whole number of seconds", "write it like \"5m\"");
    }
    if names_cell.is_empty_list() {
        names_cell.wrong("no name is listed", "write name = \"_fingerpost.heronmill.example\", or remove [standby]");
    }
    let names = names.filter(|names| !names.is_empty())?;
    let names = found(&names, &lease_cell, lease, providers);
    Some(Standby { names, lease: lease?, holder: holder? })
}

/// The name of each provider's lease: it is in the provider's zone, and in no other provider's zone below that one.
fn found(
    names: &[(Cell<'_>, DnsName)],
    lease_cell: &Cell<'_>,
    lease: Option<Duration>,
    providers: &BTreeMap<String, Provided>,
) -> BTreeMap<String, DnsName> {
    let zones: BTreeSet<&DnsName> = providers.values().filter_map(|provided| provided.zone.as_ref()).collect();
    let zone_of =
        |name: &DnsName| zones.iter().copied().filter(|zone| name.is_in(zone)).max_by_key(|zone| zone.as_str().len());
    for (at, (cell, name)) in names.iter().enumerate() {
        let Some(zone) = zone_of(name) else {
            cell.wrong(
                format!("{name} is in no provider's zone"),
                "write a name in each provider's zone, and no other",
            );
            continue;
        };
        if names[..at].iter().any(|(_, other)| zone_of(other) == Some(zone)) {
            cell.wrong(
                format!("another name in the zone {zone} stands before this one"),
                "one lease a zone: remove one",
            );
        }
    }
    let mut found = BTreeMap::new();
    let mut servers: BTreeMap<(&DnsName, &str), &str> = BTreeMap::new();
    for (provider, provided) in providers {
        let (Some(zone), Some(whole)) = (&provided.zone, &provided.whole) else { continue };
        let ProviderKind::Rfc2136 { server, .. } = &whole.kind else {
            let what = format!(
                "two daemons cannot share `provider.{provider}`: nothing there compares and writes in one step, as a DNS \
                 server does for kind = \"rfc2136\""
            );
            names[0].0.wrong(what, "run one daemon and remove [standby], or give that zone to a server with RFC 2136");
            continue;
        };
        if let Some(other) = servers.insert((zone, server), provider) {
            let what = format!("`provider.{other}` and `provider.{provider}` are the same zone at the same server");
            names[0].0.wrong(what, "a lease is held once: put their records under one provider");
        }
        let Some((_, name)) = names.iter().find(|(_, name)| zone_of(name) == Some(zone)) else {
            let what = format!("`provider.{provider}` has the zone {zone}, and no name of a lease is in it");
            let remedy = format!(
                "list one name for each zone, here \"_fingerpost.{zone}\": a server checks a lease only in the zone that \
                 it updates (RFC 2136, 3.2)"
            );
            names[0].0.wrong(what, remedy);
            continue;
        };
        if lease.is_some_and(|lease| lease < 3 * whole.timeout) {
            let what = format!("a third of this is less than the timeout of `provider.{provider}`");
            lease_cell.wrong(what, format!("raise this, or lower `provider.{provider}.timeout`"));
        }
        found.insert(provider.clone(), name.clone());
    }
    found
}

fn lease_name(text: &str) -> Result<DnsName, Wrong> {
    let name = values::dns_name(text)?;
    if name.as_str().starts_with('*') {
        return Err(Wrong::new("has a wildcard, and a lease is one record", "write \"_fingerpost\" and the zone"));
    }
    Ok(name)
}

/// The machine's own name, as far as it can be written in a claim.
fn host_name() -> String {
    let uname = rustix::system::uname();
    let plain = |c: char| if c.is_ascii_alphanumeric() || matches!(c, '-' | '_' | '.') { c } else { '-' };
    let name: String = uname.nodename().to_string_lossy().chars().map(plain).take(64).collect();
    if name.is_empty() { "unnamed".to_owned() } else { name }
}
