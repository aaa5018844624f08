//! `[[witness]]`, and whether the witnesses suffice for what is asked of them.

use std::collections::{BTreeMap, BTreeSet};

use super::cell::Cell;
use super::reader::Table;
use super::records::Recorded;
use super::{Quorum, Witness, WitnessKind, words};
use crate::address::Family;

/// A witness as read; `whole` is missing when something is wrong with it.
pub(super) struct Witnessed<'d> {
    pub(super) whole: Option<Witness>,
    families: Cell<'d>,
    url: Cell<'d>,
}

#[derive(Clone, Copy)]
enum Kind {
    Http,
}

pub(super) fn read<'d>(root: &Table<'d>) -> Vec<Witnessed<'d>> {
    let mut names = BTreeMap::new();
    let mut operators = BTreeMap::new();
    let tables = root.tables("witness");
    if tables.is_empty() {
        // An emptied file must not pass for a configuration.
        root.whole().wrong("no [[witness]] is configured, so nobody can be asked for the address", "add at least one");
    }
    let tables = tables.iter();
    tables.map(|table| witness(table, &mut names, &mut operators)).collect()
}

fn witness<'d>(
    table: &Table<'d>,
    names: &mut BTreeMap<String, Option<usize>>,
    operators: &mut BTreeMap<String, String>,
) -> Witnessed<'d> {
    let name_cell = table.key("name").required("name = \"north\"");
    let name = name_cell.parse(words::label);
    if let Some(name) = &name {
        match names.get(name) {
            Some(first) => {
                let line = first.map(|line| format!(" on line {line}")).unwrap_or_default();
                name_cell.wrong(format!("{name:?} is the name of another witness{line}"), "give each its own name");
            }
            None => drop(names.insert(name.clone(), name_cell.line())),
        }
    }
    let operator_cell = table.key("operator").required("operator = \"north-collective\"");
    let operator = operator_cell.parse(words::label);
    if let Some(operator) = &operator {
        let first = operators.entry(operator.to_ascii_lowercase()).or_insert_with(|| operator.clone());
        if first != operator {
            let what = format!(
                "{operator:?} differs from the operator {first:?} only by capitals, and would have a vote of its own"
            );
            operator_cell.wrong(what, format!("write {first:?}, or another name"));
        }
    }
    let families_cell = table.key("families").or(vec!["ipv4", "ipv6"]);
    let families = families(&families_cell);
    let kind = table.key("kind").required("kind = \"http\"").one_of(&[("http", Kind::Http)]);
    let url_cell = table.key("url").required("url = \"https://echo.north.example/\"").quiet();
    let url = url_cell.parse(words::url);
    if let Some(url) = &url
        && url.scheme() == "http"
        && !url.host_str().is_some_and(words::is_loopback)
    {
        let what = "over plain http, anybody on the way can change the answer and so cast this operator's vote";
        url_cell.note(what, "use https where the operator offers it");
    }
    let extract = table.key("extract").or("body").parse(words::extract);
    let whole = (|| {
        let Kind::Http = kind?;
        let kind = WitnessKind::Http { url: url?, extract: extract? };
        Some(Witness { name: name?, operator: operator?, families: families?, kind })
    })();
    Witnessed { whole, families: families_cell, url: url_cell }
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
    let mut operators: BTreeMap<Family, BTreeSet<&str>> = BTreeMap::new();
    for witness in &whole {
        for family in &witness.families {
            operators.entry(*family).or_default().insert(&witness.operator);
        }
    }
    let published: BTreeSet<Family> = records.iter().flat_map(Recorded::families).collect();
    if !whole.is_empty() {
        for record in records {
            for family in record.families().filter(|family| !operators.contains_key(family)) {
                let key = if family == Family::Ipv4 { "ipv4" } else { "ipv6" };
                let what = format!("no witness is asked for {family}, so this record could never be published whole");
                record.types.wrong(what, format!("add a [[witness]] with families = [\"{key}\"], or remove the type"));
            }
        }
    }
    if records.is_empty() {
        root.whole().note("no [[record]] is configured: the address is watched and nothing is published", "");
    }
    // Without records, every family that is asked for counts.
    let judged = if published.is_empty() { operators.keys().copied().collect() } else { published.clone() };
    for family in judged {
        let count = operators.get(&family).map_or(0, BTreeSet::len);
        if count > 0 {
            check_quorum(family, count, quorum);
        }
        if count == 1 {
            let what = format!("only one operator is asked for {family}: there is no vote, its word alone decides");
            root.whole().note(what, "add witnesses of at least two more operators");
        }
    }
    for (witness, read) in whole.iter().zip(witnesses) {
        if !published.is_empty() && !witness.families.iter().any(|family| published.contains(family)) {
            read.families.note(format!("no record needs the word of {:?}", witness.name), "");
        }
    }
    check_hosts(&whole, witnesses);
}

fn check_quorum(family: Family, count: usize, quorum: Option<&(Quorum, Cell<'_>)>) {
    let Some((Quorum::AtLeast(least), cell)) = quorum else { return };
    let majority = count / 2 + 1;
    let operators = if count == 1 { "1 operator".to_owned() } else { format!("{count} operators") };
    if *least < majority {
        let what = format!("{} is no majority of the {operators} asked for {family}", cell.said());
        cell.wrong(what, format!("write \"majority\", or at least {majority}"));
    } else if *least > count {
        let what = format!("{} can never be reached with the {operators} asked for {family}", cell.said());
        cell.wrong(what, "write \"majority\", or add witnesses of other operators");
    }
}

/// One host under two operators' names has two votes.
fn check_hosts(whole: &[&Witness], read: &[Witnessed<'_>]) {
    let mut hosts: BTreeMap<&str, &Witness> = BTreeMap::new();
    for (witness, read) in whole.iter().zip(read) {
        let WitnessKind::Http { url, .. } = &witness.kind;
        let Some(host) = url.host_str().filter(|host| !words::is_loopback(host)) else { continue };
        let first = hosts.entry(host).or_insert(witness);
        if first.operator != witness.operator {
            let what = format!(
                "{host} is also asked as {:?}, under another operator: one host then has two votes",
                first.name
            );
            read.url.note(what, "give both witnesses the same operator");
        }
    }
}
