//! `[[line]]`, and the keys that name one.

use std::collections::BTreeMap;
use std::net::IpAddr;

use super::cell::Cell;
use super::reader::{Table, nearest};
use super::units::Wrong;
use super::values;
use crate::address::Family;
use crate::settings::{Bind, Line};

/// The lines as read; `whole` is missing in one that something is wrong with.
pub(super) struct Lined {
    pub(super) name: Option<String>,
    pub(super) whole: Option<Line>,
}

pub(super) fn read(root: &Table<'_>) -> Vec<Lined> {
    let mut names = BTreeMap::new();
    root.tables("line").iter().map(|table| line(table, &mut names)).collect()
}

fn line(table: &Table<'_>, names: &mut BTreeMap<String, Option<usize>>) -> Lined {
    let name_cell = table.key("name").required("name = \"fibre\"");
    let name = name_cell.parse(values::label);
    if let Some(name) = &name {
        values::unique(&name_cell, name, "line", names);
    }
    let (interface, source) = (table.key("interface"), table.key("source"));
    let bind = match (interface.is_set(), source.is_set()) {
        (true, false) => interface.parse(values::interface).map(Bind::Interface),
        (false, true) => sources(&source).map(Bind::Sources),
        _ => {
            let what = "a line is told by its `interface` or by its `source` addresses: one of them, and not both";
            table.whole().wrong(what, "write interface = \"eth1\", or source = [\"192.168.1.2\"]");
            None
        }
    };
    let whole = (|| Some(Line { name: name.clone()?, bind: bind? }))();
    Lined { name, whole }
}

fn sources(cell: &Cell<'_>) -> Option<Vec<IpAddr>> {
    let mut found: Vec<IpAddr> = Vec::new();
    for item in cell.list()? {
        let address: IpAddr = item.parse(|text| {
            text.parse().map_err(|_| Wrong::new("is not an address", "write an address that this machine has there"))
        })?;
        if found.iter().any(|other| Family::of(*other) == Family::of(address)) {
            item.wrong("a line has one source address a family", "remove one");
        }
        found.push(address);
    }
    if cell.is_empty_list() {
        cell.wrong("no address is listed", "write one a family, such as [\"192.168.1.2\"]");
    }
    (!found.is_empty()).then_some(found)
}

/// The line that a witness names. With one line at most it need not, and with several it must.
pub(super) fn of_witness(cell: &Cell<'_>, lines: &[Lined]) -> Option<Option<String>> {
    if cell.is_set() {
        return cell.parse(|text| known(text, lines)).map(Some);
    }
    match lines {
        [] => Some(None),
        [only] => Some(Some(only.name.clone()?)),
        _ => {
            cell.wrong("there are several lines, and this says not which one is meant", "write line = \"NAME\"");
            None
        }
    }
}

/// The lines that a record may follow, the preferred first: those it lists, or all in the order of the file.
pub(super) fn of_record(cell: &Cell<'_>, lines: &[Lined]) -> Option<Vec<Option<String>>> {
    if !cell.is_set() {
        let all: Option<Vec<_>> = lines.iter().map(|line| line.name.clone().map(Some)).collect();
        return all.map(|all| if all.is_empty() { vec![None] } else { all });
    }
    let mut found = Vec::new();
    for item in cell.list()? {
        let name = Some(item.parse(|text| known(text, lines))?);
        if found.contains(&name) {
            item.wrong(format!("{} is listed twice", item.said()), "remove one");
        } else {
            found.push(name);
        }
    }
    if cell.is_empty_list() {
        cell.wrong("no line is listed", "name one, or remove the key");
    }
    (!found.is_empty()).then_some(found)
}

fn known(text: &str, lines: &[Lined]) -> Result<String, Wrong> {
    let names = || lines.iter().filter_map(|line| line.name.as_deref());
    if names().any(|name| name == text) {
        return Ok(text.to_owned());
    }
    let remedy = match nearest(text, names()) {
        Some(near) => format!("did you mean {near:?}?"),
        None => "add the table [[line]] with that name".into(),
    };
    Err(Wrong::new("names no line", remedy))
}
