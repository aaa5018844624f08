//! `[[witness]]`, and whether the witnesses suffice for what is asked of them.

use std::collections::{BTreeMap, BTreeSet};
use std::net::Ipv4Addr;

use super::cell::Cell;
use super::lines::Lined;
use super::reader::Table;
use super::records::Recorded;
use super::units::Wrong;
use super::{lines, values};
use crate::address::Family;
use crate::settings::Via;
use crate::settings::{Quorum, Witness, WitnessKind};

/// A witness as read; `whole` is missing when something is wrong with it.
pub(super) struct Witnessed<'d> {
    pub(super) whole: Option<Witness>,
    families: Cell<'d>,
    /// Where an echo service or STUN server is.
    host: Option<(String, Cell<'d>)>,
}

#[derive(Clone, Copy)]
enum WitnessWord {
    Http,
    Stun,
    Router,
    Interface,
}

const KINDS: [(&str, WitnessWord); 4] = [
    ("http", WitnessWord::Http),
    ("stun", WitnessWord::Stun),
    ("router", WitnessWord::Router),
    ("interface", WitnessWord::Interface),
];

pub(super) fn read<'d>(root: &Table<'d>, lines: &[Lined]) -> Vec<Witnessed<'d>> {
    let mut names = BTreeMap::new();
    let mut operators = BTreeMap::new();
    let tables = root.tables("witness");
    if tables.is_empty() {
        // An emptied file must not pass for a configuration.
        root.whole().wrong("no [[witness]] is configured, so nobody can be asked for the address", "add at least one");
    }
    let tables = tables.iter();
    tables.map(|table| witness(table, lines, &mut names, &mut operators)).collect()
}

fn witness<'d>(
    table: &Table<'d>,
    lines: &[Lined],
    names: &mut BTreeMap<String, Option<usize>>,
    operators: &mut BTreeMap<String, String>,
) -> Witnessed<'d> {
    let name_cell = table.key("name").required("name = \"north\"");
    let name = name_cell.parse(values::label);
    if let Some(name) = &name {
        values::unique(&name_cell, name, "witness", names);
    }
    let kind = table.key("kind").required("kind = \"http\"").one_of(&KINDS);
    let operator_cell = table.key("operator");
    let operator = match (kind, &name) {
        // What is in the home is nobody's but the household's: it need not be told who runs it.
        (Some(WitnessWord::Router | WitnessWord::Interface), Some(name)) => operator_cell.or(name.as_str()),
        _ => operator_cell.required("operator = \"north-collective\""),
    };
    let operator_cell = operator;
    let operator = operator_cell.parse(values::label);
    if let Some(operator) = &operator {
        let first = operators.entry(operator.to_ascii_lowercase()).or_insert_with(|| operator.clone());
        if first != operator {
            let what = format!(
                "{operator:?} differs from the operator {first:?} only by capitals, and would have a vote of its own"
            );
            operator_cell.wrong(what, format!("write {first:?}, or another name"));
        }
    }
    let line = lines::of_witness(&table.key("line"), lines);
    let families_cell = table.key("families").or(match kind {
        Some(WitnessWord::Router) => vec!["ipv4"],
        // Behind a router only IPv6 addresses are the home's own.
        Some(WitnessWord::Interface) => vec!["ipv6"],
        _ => vec!["ipv4", "ipv6"],
    });
    let families = families(&families_cell);
    let (kind, host) = match kind {
        Some(WitnessWord::Http) => http(table),
        Some(WitnessWord::Stun) => stun(table),
        Some(WitnessWord::Router) => {
            if families.as_ref().is_some_and(|families| families.contains(&Family::Ipv6)) {
                families_cell.wrong("a router is asked for its IPv4 address only (RFC 6886)", "write [\"ipv4\"]");
            }
            (router(table), None)
        }
        Some(WitnessWord::Interface) => (interface(table), None),
        None => {
            table.unchecked();
            (None, None)
        }
    };
    let whole =
        (|| Some(Witness { name: name?, operator: operator?, line: line?, families: families?, kind: kind? }))();
    Witnessed { whole, families: families_cell, host }
}

type Placed<'d> = (Option<WitnessKind>, Option<(String, Cell<'d>)>);

fn http<'d>(table: &Table<'d>) -> Placed<'d> {
    let url_cell = table.key("url").required("url = \"https://echo.north.example/\"").quiet();
    let url = url_cell.parse(values::url);
    let host = url.as_ref().and_then(|url| url.host_str()).map(str::to_owned);
    if let Some(url) = &url
        && url.scheme() == "http"
        && !url.host_str().is_some_and(values::is_loopback)
    {
        let what = "over plain http, anybody on the way can change the answer and so cast this operator's vote";
        url_cell.note(what, "use https where the operator offers it");
    }
    let extract = table.key("extract").or("body").parse(values::extract);
    let kind = (|| Some(WitnessKind::Http { url: url?, extract: extract? }))();
    (kind, host.map(|host| (host, url_cell)))
}

fn stun<'d>(table: &Table<'d>) -> Placed<'d> {
    let cell = table.key("server").required("server = \"stun.millrace.example:3478\"");
    let server = cell.parse(|text| values::server_like(text, "stun.millrace.example:3478"));
    let host = server.as_ref().map(|(_, host)| (host.clone(), cell));
    (server.map(|(server, _)| WitnessKind::Stun { server }), host)
}

fn router(table: &Table<'_>) -> Option<WitnessKind> {
    gateway(&table.key("gateway")).map(|gateway| WitnessKind::Router { gateway })
}

/// A router's address inside; without one, it is looked for.
pub(super) fn gateway(cell: &Cell<'_>) -> Option<Option<Ipv4Addr>> {
    if !cell.is_set() {
        return Some(None);
    }
    cell.parse(|text| {
        text.parse::<Ipv4Addr>().map_err(|_| {
            Wrong::new("is not an IPv4 address", "write the router's address inside, or remove the key to find it")
        })
    })
    .map(Some)
}

fn interface(table: &Table<'_>) -> Option<WitnessKind> {
    let interface = table.key("interface").required("interface = \"eth0\"").parse(values::interface)?;
    Some(WitnessKind::Interface { interface })
}

fn families(cell: &Cell<'_>) -> Option<Vec<Family>> {
    let mut found = Vec::new();
    for item in cell.list()? {
        let Some(family) = item.one_of(&[("ipv4", Family::Ipv4), ("ipv6", Family::Ipv6)]) else { continue };
        if found.contains(&family) {
            item.wrong(format!("{} is listed twice", item.said()), "remove one");
        } else {
            found.push(family);
        }
    }
    if cell.is_empty_list() {
        cell.wrong("no family is listed", "write \"ipv4\", \"ipv6\", or both");
    }
    (!found.is_empty()).then_some(found)
}

/// Checks the witnesses against the quorum and the records that wait for their word.
pub(super) fn check(
    root: &Table<'_>,
    witnesses: &[Witnessed<'_>],
    quorum: Option<&(Quorum, Cell<'_>)>,
    records: &[Recorded<'_>],
) {
    // With a witness missing, the counts would be wrong.
    let Some(whole) = witnesses.iter().map(|witness| witness.whole.as_ref()).collect::<Option<Vec<_>>>() else {
        return;
    };
    let mut operators: BTreeMap<Via, BTreeSet<&str>> = BTreeMap::new();
    for witness in &whole {
        for family in &witness.families {
            let via = Via { line: witness.line.clone(), family: *family };
            operators.entry(via).or_default().insert(&witness.operator);
        }
    }
    let published: BTreeSet<Via> = records.iter().flat_map(Recorded::vias).collect();
    if !whole.is_empty() {
        for record in records {
            for family in record.families() {
                let mut vias = record.vias().filter(|via| via.family == family).peekable();
                if vias.peek().is_none() || vias.any(|via| operators.contains_key(&via)) {
                    continue;
                }
                let key = if family == Family::Ipv4 { "ipv4" } else { "ipv6" };
                let what = format!("no witness is asked for {family}, so this record could never be published whole");
                record.types.wrong(what, format!("add a [[witness]] with families = [\"{key}\"], or remove the type"));
            }
        }
    }
    if records.is_empty() {
        root.whole().note("no [[record]] is configured: the address is watched and nothing is published", "");
    }
    // Without records, everything that is asked for counts.
    let judged = if published.is_empty() { operators.keys().cloned().collect() } else { published.clone() };
    for via in judged {
        let count = operators.get(&via).map_or(0, BTreeSet::len);
        if count > 0 {
            check_quorum(&via, count, quorum);
        }
        if count == 1 {
            let what = format!("only one operator is asked for {via}: there is no vote, its word alone decides");
            root.whole().note(what, "add witnesses of at least two more operators");
        }
    }
    for (witness, read) in whole.iter().zip(witnesses) {
        let via = |family: &Family| Via { line: witness.line.clone(), family: *family };
        if !published.is_empty() && !witness.families.iter().any(|family| published.contains(&via(family))) {
            read.families.note(format!("no record needs the word of {:?}", witness.name), "");
        }
    }
    check_hosts(&whole, witnesses);
}

fn check_quorum(via: &Via, count: usize, quorum: Option<&(Quorum, Cell<'_>)>) {
    let Some((Quorum::AtLeast(least), cell)) = quorum else { return };
    let majority = count / 2 + 1;
    let operators = if count == 1 { "1 operator".to_owned() } else { format!("{count} operators") };
    if *least < majority {
        let what = format!("{} is no majority of the {operators} asked for {via}", cell.said());
        cell.wrong(what, format!("write \"majority\", or at least {majority}"));
    } else if *least > count {
        let what = format!("{} can never be reached with the {operators} asked for {via}", cell.said());
        cell.wrong(what, "write \"majority\", or add witnesses of other operators");
    }
}

/// One host under two operators' names has two votes.
fn check_hosts(whole: &[&Witness], read: &[Witnessed<'_>]) {
    let mut hosts: BTreeMap<&str, &Witness> = BTreeMap::new();
    for (witness, read) in whole.iter().zip(read) {
        let Some((host, cell)) = read.host.as_ref().filter(|(host, _)| !values::is_loopback(host)) else { continue };
        let first = hosts.entry(host).or_insert(witness);
        if first.operator != witness.operator {
            let what = format!(
                "{host} is also asked as {:?}, under another operator: one host then has two votes",
                first.name
            );
            cell.note(what, "give both witnesses the same operator");
        }
    }
}
