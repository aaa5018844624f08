//! `[[edge]]` and `[allowlist]`: whose addresses may get in, where they are written, and what they are compared with.

use std::collections::BTreeMap;
use std::path::PathBuf;

use super::cell::Cell;
use super::providers::word_of_command;
use super::reader::Table;
use super::tables::{DAY, HOUR};
use super::units::Wrong;
use super::{values, witnesses};

use crate::settings::{
    Allowlist, Columns, Edge, Firewall, Input, ListForm, ListPlace, ListSource, Place, Render, RenderForm, Shortest,
};

#[derive(Clone, Copy)]
enum Form {
    Nft,
    Lines,
    Json,
    Rules,
    Template,
}

const FORMS: [(&str, Form); 5] = [
    ("nft", Form::Nft),
    ("lines", Form::Lines),
    ("json", Form::Json),
    ("rules", Form::Rules),
    ("template", Form::Template),
];

#[derive(Clone, Copy)]
enum FormWord {
    Nft,
    Lines,
    Csv,
    Router,
}

const KINDS: [(&str, FormWord); 4] =
    [("nft", FormWord::Nft), ("lines", FormWord::Lines), ("csv", FormWord::Csv), ("router", FormWord::Router)];

pub(super) fn read(root: &Table<'_>) -> Vec<Option<Edge>> {
    let mut names = BTreeMap::new();
    root.tables("edge").iter().map(|table| edge(table, &mut names)).collect()
}

fn edge(table: &Table<'_>, names: &mut BTreeMap<String, Option<usize>>) -> Option<Edge> {
    let name_cell = table.key("name").required("name = \"weir\"");
    // It names a file too.
    let name = name_cell.parse(|text| {
        values::label(text).and_then(|name| match name.starts_with('.') {
            true => Err(Wrong::new("begins with a dot", "begin with a letter or a digit")),
            false => Ok(name),
        })
    });
    if let Some(name) = &name {
        values::unique(&name_cell, name, "edge", names);
    }
    let sources: Vec<Option<ListSource>> = table.tables("sources").iter().map(source).collect();
    let sources_cell = table.key("sources").required("sources = [{ url = \"https://edge.example/ranges.txt\" }]");
    if sources_cell.is_empty_list() {
        sources_cell.wrong("no source is listed", "write { url = … } or { file = … }");
    }
    let shortest = table.table("shortest");
    let ipv4 = shortest.key("ipv4").or(8).number(1..=32);
    let ipv6 = shortest.key("ipv6").or(19).number(1..=128);
    let may_lose = table.key("may_lose").or(30).number(0..=100);
    let may_gain = table.key("may_gain").or(100).number(0..=10_000);
    Some(Edge {
        name: name?,
        sources: sources.into_iter().collect::<Option<_>>()?,
        shortest: Shortest { ipv4: ipv4?, ipv6: ipv6? },
        may_lose: may_lose?,
        may_gain: may_gain?,
    })
}

fn source(table: &Table<'_>) -> Option<ListSource> {
    let (url_cell, file_cell) = (table.key("url").quiet(), table.key("file"));
    let url = url_cell.parse(values::url);
    let file = file_cell.file();
    let at = match (url_cell.is_set(), file_cell.is_set()) {
        (true, false) => url.map(ListPlace::Url),
        (false, true) => file.map(ListPlace::File),
        (true, true) => {
            file_cell.wrong("a source is a `url` or a `file`, and this one has both", "make two sources of it");
            None
        }
        (false, false) => {
            table.whole().wrong("a source needs a `url` or a `file`", "write { url = … } or { file = … }");
            None
        }
    };
    if let Some(ListPlace::Url(url)) = &at
        && url.scheme() == "http"
        && !url.host_str().is_some_and(values::is_loopback)
    {
        url_cell.note("over plain http, anybody on the way can let themselves in", "use https where it is offered");
    }
    let lists_cell = table.key("lists");
    let lists = lists_cell.list().map(|lists| lists.iter().map(|list| list.parse(pointer)).collect::<Option<Vec<_>>>());
    if lists_cell.is_empty_list() {
        lists_cell.wrong("no list is named", "write [\"\"] when the whole document is the list");
    }
    let item_cell = table.key("item");
    let item = item_cell.parse(pointer);
    if item_cell.is_set() && !lists_cell.is_set() {
        item_cell.wrong("`item` is for JSON, and `lists` is not set", "set `lists`, or remove this");
    }
    let form = match lists {
        None => ListForm::Lines,
        Some(lists) => ListForm::Json { lists: lists?, item: item.unwrap_or_default() },
    };
    Some(ListSource { at: at?, form })
}

/// A JSON Pointer; unlike that of a witness it may be empty, which is the whole (RFC 6901, section 5).
fn pointer(text: &str) -> Result<String, Wrong> {
    if text.is_empty() {
        return Ok(String::new());
    }
    let remedy = "write a JSON Pointer (RFC 6901), such as \"/v4\", or \"\" for the whole";
    if !text.starts_with('/') {
        return Err(Wrong::new("is not a JSON Pointer", remedy));
    }
    values::extract(text).map(|_| text.to_owned()).map_err(|wrong| Wrong { remedy: remedy.into(), ..wrong })
}

/// `[allowlist]`; without an edge there is none.
pub(super) fn allowlist(root: &Table<'_>, edges: usize) -> Option<Option<Allowlist>> {
    let table = match root.table_if_set("allowlist") {
        Some(table) if edges == 0 => {
            table.whole().wrong("no [[edge]] is configured, so nobody would be let in", "add one, or remove this");
            table
        }
        None if edges == 0 => return Some(None),
        Some(table) => table,
        None => root.table("allowlist"),
    };
    let every = table.key("every").or("1d").duration(HOUR..=30 * DAY);
    let ports_cell = table.key("ports").or(vec![443]);
    let ports = ports_cell.list().map(|ports| ports.iter().filter_map(|port| port.number(1..=65_535)).collect());
    if ports_cell.is_empty_list() {
        ports_cell.wrong("no port is listed", "write the ports of your service, such as [443]");
    }
    let mut files = BTreeMap::new();
    let renders: Vec<_> = table.tables("render").iter().map(|table| render(table, &mut files)).collect();
    let firewall = table.table_if_set("firewall").map(|table| firewall(&table));
    let firewall = match firewall {
        Some(firewall) => Some(firewall?),
        None => None,
    };
    Some(Some(Allowlist {
        every: every?,
        ports: ports?,
        renders: renders.into_iter().collect::<Option<_>>()?,
        firewall,
    }))
}

fn render(table: &Table<'_>, files: &mut BTreeMap<PathBuf, Option<usize>>) -> Option<Render> {
    let form = table.key("form").required("form = \"nft\"").one_of(&FORMS);
    let file_cell = table.key("file").required("file = \"/etc/nftables.d/edge.nft\"");
    let file = file_cell.file();
    if let Some(file) = &file {
        if let Some(first) = files.get(file) {
            let line = first.map(|line| format!(" on line {line}")).unwrap_or_default();
            file_cell.wrong(format!("the [[allowlist.render]]{line} writes this file too"), "give each its own");
        }
        files.entry(file.clone()).or_insert(file_cell.line());
    }
    let reload = command(&table.key("reload").or(Vec::<String>::new()));
    let form = match form {
        Some(Form::Nft) => {
            table.key("table").or("inet fingerpost").parse(nft_table).map(|table| RenderForm::Nft { table })
        }
        Some(Form::Lines) => Some(RenderForm::Lines),
        Some(Form::Json) => Some(RenderForm::Json),
        Some(Form::Rules) => Some(RenderForm::Rules),
        Some(Form::Template) => {
            let template = table.key("template").required("template = \"/etc/fingerpost/edge.template\"").file();
            template.map(|template| RenderForm::Template { template })
        }
        None => {
            table.unchecked();
            None
        }
    };
    Some(Render { form: form?, file: file?, reload: reload? })
}

/// Family and name of an nftables table.
fn nft_table(text: &str) -> Result<String, Wrong> {
    // The beginning of an identifier as nft(8) has it; whatever it takes beyond this is left out.
    let plain = |name: &str| {
        name.starts_with(|c: char| c.is_ascii_alphabetic())
            && name.chars().all(|c| c.is_ascii_alphanumeric() || c == '_' || c == '-')
    };
    match text.split_once(' ') {
        Some(("inet", name)) if plain(name) => Ok(text.to_owned()),
        _ => Err(Wrong::new("is no table of the family inet", "write family and name, such as \"inet filter\"")),
    }
}

fn firewall(table: &Table<'_>) -> Option<Firewall> {
    let kind = table.key("kind").required("kind = \"nft\"").one_of(&KINDS);
    match kind {
        Some(FormWord::Nft) => {
            let from = input(table, "command = [\"/usr/sbin/nft\", \"-j\", \"list\", \"ruleset\"]");
            let service = table.key("service").or("here").one_of(&[("here", Place::Here), ("behind", Place::Behind)]);
            let outside_cell = table.key("outside");
            let outside = outside_cell.parse(values::interface);
            let inside_cell = table.key("inside");
            let inside = inside_cell.parse(values::interface);
            if outside.is_some() && outside == inside {
                inside_cell.wrong("this is the interface of the outside", "name the one that leads to the service");
            }
            Some(Firewall::Nft { from: from?, service: service?, outside, inside })
        }
        Some(FormWord::Lines) => {
            input(table, "file = \"/etc/fingerpost/firewall.txt\"").map(|from| Firewall::Lines { from })
        }
        Some(FormWord::Csv) => {
            let from = input(table, "file = \"/etc/fingerpost/firewall.csv\"");
            let columns = table.table("columns");
            let source = columns.key("source").required("source = \"Source\"").parse(column);
            let (port, action) = (columns.key("port").parse(column), columns.key("action").parse(column));
            Some(Firewall::Csv { from: from?, columns: Columns { source: source?, port, action } })
        }
        Some(FormWord::Router) => witnesses::gateway(&table.key("gateway")).map(|gateway| Firewall::Router { gateway }),
        None => {
            table.unchecked();
            None
        }
    }
}

fn column(text: &str) -> Result<String, Wrong> {
    match text.trim() {
        "" => Err(Wrong::new("names no column", "write what stands in the header row, such as \"Source\"")),
        name => Ok(name.to_owned()),
    }
}

fn input(table: &Table<'_>, example: &str) -> Option<Input> {
    let (file_cell, command_cell) = (table.key("file"), table.key("command"));
    let file = file_cell.file();
    let command = command(&command_cell);
    match (file_cell.is_set(), command_cell.is_set()) {
        (true, false) => file.map(Input::File),
        (false, true) => {
            if command_cell.is_empty_list() {
                command_cell.wrong("no program is named", format!("write {example}"));
            }
            command.map(Input::Command)
        }
        (true, true) => {
            file_cell.wrong("a `command` is set as well", "remove one of them");
            None
        }
        (false, false) => {
            table.whole().wrong("neither `file` nor `command` is set", format!("add one, for example: {example}"));
            None
        }
    }
}

/// A program and its arguments.
pub(super) fn command(cell: &Cell<'_>) -> Option<Vec<String>> {
    let words: Vec<String> = cell.list()?.iter().map(|word| word.parse(word_of_command)).collect::<Option<_>>()?;
    cell.leads_to_program(words.clone());
    Some(words)
}
