//! `[standby]`: the lease by which two daemons take turns, held against the providers.

use std::collections::BTreeMap;
use std::time::Duration;

use super::cell::Cell;
use super::providers::Provided;
use super::reader::Table;
use super::{ProviderKind, Standby, words};
use crate::name::DnsName;
use crate::standby::SPANS;

pub(super) fn read(root: &Table<'_>, providers: &BTreeMap<String, Provided>) -> Option<Standby> {
    let table = root.table_if_set("standby")?;
    let names_cell = table.key("name").required("name = \"_fingerpost.heronmill.example\"");
    let cells = if names_cell.is_text() { Some(vec![names_cell.clone()]) } else { names_cell.list() };
    let names: Option<Vec<(Cell<'_>, DnsName)>> = cells.map(|cells| {
        cells.into_iter().filter_map(|cell| cell.parse(words::dns_name).map(|name| (cell, name))).collect()
    });
    let lease_cell = table.key("lease").or("5m");
    let lease = lease_cell.duration(SPANS);
    let holder = table.key("holder").or(host_name()).parse(words::label);
    if lease.is_some_and(|lease| lease.subsec_nanos() != 0) {
        lease_cell.wrong("a lease is a whole number of seconds", "write it like \"5m\"");
    }
    if names_cell.is_empty_list() {
        names_cell.wrong("no name is listed", "write name = \"_fingerpost.heronmill.example\", or remove [standby]");
    }
    let names = found(&names?, &lease_cell, lease, providers);
    Some(Standby { names, lease: lease?, holder: holder? })
}

/// The name of each provider's lease.
fn found(
    names: &[(Cell<'_>, DnsName)],
    lease_cell: &Cell<'_>,
    lease: Option<Duration>,
    providers: &BTreeMap<String, Provided>,
) -> BTreeMap<String, DnsName> {
    let mut found = BTreeMap::new();
    for (provider, provided) in providers {
        let Some(zone) = &provided.zone else { continue };
        // A name in a zone below is in this one too: the nearest to the apex.
        let name = names.iter().filter(|(_, name)| name.is_in(zone)).min_by_key(|(_, name)| name.as_str().len());
        let Some((cell, name)) = name else {
            if let Some((cell, _)) = names.first() {
                let what = format!("`provider.{provider}` has the zone {zone}, and no name of a lease is in it");
                let remedy = format!(
                    "list one name for each zone, here \"_fingerpost.{zone}\": a server checks a lease only in the \
                     zone that it updates (RFC 2136, 3.2)"
                );
                cell.wrong(what, remedy);
            }
            continue;
        };
        if let Some(whole) = &provided.whole {
            if !matches!(whole.kind, ProviderKind::Rfc2136 { .. }) {
                let what = format!(
                    "`provider.{provider}` cannot keep a lease: nothing there compares and writes in one step for two \
                     writers"
                );
                cell.wrong(what, "use kind = \"rfc2136\" there, or run one daemon and remove [standby]");
            }
            if lease.is_some_and(|lease| lease < 3 * whole.timeout) {
                let what = format!("a third of this is less than the timeout of `provider.{provider}`");
                lease_cell.wrong(what, format!("raise this, or lower `provider.{provider}.timeout`"));
            }
        }
        found.insert(provider.clone(), name.clone());
    }
    for (cell, name) in names.iter().filter(|(_, name)| !found.values().any(|used| used == name)) {
        if !providers.is_empty() && providers.values().all(|provided| provided.zone.is_some()) {
            cell.wrong(format!("no provider needs {name}"), "write a name in the zone of a provider, one for each");
        }
    }
    found
}

/// The machine's own name, as far as it can be written in a claim.
fn host_name() -> String {
    let uname = rustix::system::uname();
    let plain = |c: char| if c.is_ascii_alphanumeric() || matches!(c, '-' | '_' | '.') { c } else { '-' };
    let name: String = uname.nodename().to_string_lossy().chars().map(plain).take(64).collect();
    if name.is_empty() { "unnamed".to_owned() } else { name }
}
