//! The description of an API, as a `rest` provider names one: every template, pointer and variable in it is checked here.

pub(super) mod auth;

use std::cell::RefCell;
use std::collections::BTreeSet;

use reqwest::header::{AUTHORIZATION, CONTENT_LENGTH, HOST, HeaderMap, HeaderName, HeaderValue, IF_MATCH};
use reqwest::{Method, Url};

use self::auth::{Auth, auth, header_name};
use super::cell::Cell;
use super::reader::{Table, nearest};
use super::units::Wrong;
use super::{tables, values};
use crate::provider::rest::body::{Body, Text, Vars};
use crate::provider::rest::description::{
    AnswerForm, Api, Credential, Fields, Get, List, Lookup, Pages, Paging, Payload, Place, Request, Shape, Write,
};
use crate::provider::rest::forms::{Ttls, Types};
use crate::provider::rest::json::Pointer;
use crate::provider::rest::template::Template;

/// What the templates of a description may name, and what they did name.
pub(super) struct Names {
    /// The values that the configuration gives.
    pub(super) values: Vars,
    pub(super) given: BTreeSet<String>,
    pub(super) used: RefCell<BTreeSet<String>>,
    pub(super) zone_id: bool,
}

/// Reads the description; an [`Api`] with a credential that is yet to come.
pub(super) fn description(root: &Table<'_>, mut names: Names) -> (Option<(Auth, Api)>, Names) {
    #[derive(Clone, Copy)]
    enum Form {
        Record,
        RrSet,
    }
    let form = root
        .key("shape")
        .required("shape = \"record\", or \"rrset\"")
        .one_of(&[("record", Form::Record), ("rrset", Form::RrSet)]);
    let base = base(&root.key("base").required("base = \"https://api.dnshost.example/desk\""), &names);
    let auth = auth(&root.table("auth"));
    let common = headers(root, &names);
    let step = |table: &Table<'_>, method: &str, known: &[&str], names: &Names| {
        request(table, method, known, names, common.as_ref())
    };
    let lookup = root.table_if_set("zone").map(|table| {
        let pages = pages(&table, &[], &names, &step);
        let name = pointer(&table.key("name").required("name = \"/label\""));
        let id = pointer(&table.key("id").required("id = \"/shelf\""));
        Some(Lookup { pages: pages?, name: name?, id: id? })
    });
    names.zone_id = lookup.is_some();
    let names_now = &names;
    let list_table = root.table("list");
    let list = pages(&list_table, &["name", "relative"], names_now, &step);
    let serial = optional(&list_table.key("serial"), pointer);
    let item_table = root.table("item");
    let item = fields(&item_table);
    let get_known: &[&str] = match form {
        Some(Form::RrSet) => &["name", "relative", "type"],
        Some(Form::Record) | None => &["name", "relative", "type", "record_id"],
    };
    let get_table = root.table_if_set("get");
    let get = get_table.as_ref().map(|table| {
        let request = step(table, "GET", get_known, names_now);
        let item = pointer(&table.key("item").or(""));
        let etag = table.key("etag").or(false).flag();
        Some(Get { request: request?, item: item?, etag: etag? })
    });
    let visible_within = tables::visible_within(&root.key("visible_within").or("2m"));
    let answer = root.table("answer");
    let (ok, message) = (optional(&answer.key("ok"), pointer), optional(&answer.key("message"), pointer));
    let passing = passing(&answer.key("passing"));
    let steps = Steps { names: names_now, step: &step, has_get: get_table.is_some() };
    let shape = match form {
        Some(Form::Record) => record_shape(root, &item_table, &steps),
        Some(Form::RrSet) => rrset_shape(root, &item_table, &steps),
        None => {
            root.unchecked();
            None
        }
    };
    if item.as_ref().is_some_and(|item| !item.relative) {
        no_relative_create(&root.table("create"), shape.as_ref());
    }
    let whole = (|| {
        let list = list?;
        let by_name = list.request.uri.variables().any(|name| matches!(name, "name" | "relative"));
        let api = Api {
            base: base?,
            credential: nobody(),
            values: names_now.values.clone(),
            lookup: lookup.map_or(Some(None), |lookup| lookup.map(Some))?,
            list: List { pages: list, by_name, serial: serial? },
            get: get.map_or(Some(None), |get| get.map(Some))?,
            item: item?,
            shape: shape?,
            answer: AnswerForm { ok: ok?, message: message?, passing: passing? },
            visible_within: visible_within?,
        };
        Some((auth?, api))
    })();
    (whole, names)
}

/// What is made by a relative name and then looked for by its absolute one is never found, and made again.
fn no_relative_create(table: &Table<'_>, shape: Option<&Shape>) {
    let create = match shape {
        Some(Shape::Record { create, .. }) => Some(create),
        Some(Shape::RrSet { create, .. }) => create.as_ref(),
        None => None,
    };
    let Some(Write { request, payload }) = create else { return };
    let what = "it makes records by `relative`, and `item.names` says that the API lists absolute names";
    let remedy = "write `name` instead, or set `item.names` to \"relative\"";
    let in_body = match payload {
        Payload::Body(body) => body.variables().iter().any(|(name, _)| *name == "relative").then_some("body"),
        Payload::Together { change, .. } => {
            change.variables().iter().any(|(name, _)| *name == "relative").then_some("change")
        }
        Payload::Whole => None,
    };
    let in_uri = request.uri.variables().any(|name| name == "relative").then_some("uri");
    for key in in_body.into_iter().chain(in_uri) {
        table.key(key).wrong(what, remedy);
    }
}

/// Stands in until the secret is there.
fn nobody() -> Credential {
    Credential { place: Place::Header(AUTHORIZATION, HeaderValue::from_static("")), hidden: Vec::new() }
}

/// What every URI begins with. What is wrong with one is told without the values in it.
fn base(cell: &Cell<'_>, names: &Names) -> Option<Url> {
    let template = cell.parse(|text| template(text, &[], names))?;
    if template.variables().any(|name| names.values.text(name).is_none()) {
        // The missing value is told where it is missing.
        return None;
    }
    let text = template.expand(|name| names.values.text(name));
    let url = values::url(&text)
        .map_err(|wrong| cell.wrong(format!("with its values put in, it {}", wrong.what), wrong.remedy))
        .ok()?;
    let host = url.host_str().unwrap_or_default();
    if url.scheme() == "http" && !values::is_loopback_address(host) {
        let wrong = values::unencrypted(host);
        cell.wrong(format!("with its values put in, it {}", wrong.what), wrong.remedy);
        return None;
    }
    if url.query().is_some() {
        cell.wrong("with its values put in, it has a query", "put the query into the `uri` of the steps");
        return None;
    }
    Some(url)
}

/// `headers = { … }` of the whole description or of one step.
fn headers(table: &Table<'_>, names: &Names) -> Option<HeaderMap> {
    const OURS: [HeaderName; 4] = [AUTHORIZATION, HOST, CONTENT_LENGTH, IF_MATCH];
    let mut map = HeaderMap::new();
    let mut whole = true;
    for (name, cell) in table.table("headers").entries() {
        let header =
            header_name(&name, &OURS).map_err(|wrong| cell.wrong(format!("{name:?} {}", wrong.what), wrong.remedy));
        let text = cell.parse(|text| {
            let text = Text::parse(text).map_err(|what| Wrong::new(what, ""))?;
            check(text.variables().map(|(name, _)| (name, true)), &[], names)?;
            let text = text.render(&names.values);
            let remedy = "write visible ASCII only";
            HeaderValue::from_str(&text).map_err(|_| Wrong::new("is not the value of a header (RFC 9110, 5.5)", remedy))
        });
        match (header, text) {
            (Ok(header), Some(text)) => drop(map.insert(header, text)),
            _ => whole = false,
        }
    }
    whole.then_some(map)
}

fn pointer(cell: &Cell<'_>) -> Option<Pointer> {
    cell.parse(|text| {
        Pointer::parse(text).map_err(|what| {
            let remedy = "write a JSON Pointer (RFC 6901) such as \"/card/shelf\", with ~0 for '~' and ~1 for '/'";
            Wrong::new(format!("is not a JSON Pointer: it {what}"), remedy)
        })
    })
}

/// `None` when it is set and wrong.
fn optional<T>(cell: &Cell<'_>, read: impl FnOnce(&Cell<'_>) -> Option<T>) -> Option<Option<T>> {
    if cell.is_set() { read(cell).map(Some) } else { Some(None) }
}

/// Statuses that pass by themselves (RFC 9110, section 15); a success and what is none yet are no failures.
fn passing(cell: &Cell<'_>) -> Option<Vec<u16>> {
    let statuses = optional(cell, |cell| cell.list()?.iter().map(|status| status.number(300..=599)).collect());
    statuses.map(Option::unwrap_or_default)
}

/// Variables that have no text: they stand in a body, and alone in their string.
const LISTS: [&str; 3] = ["addresses", "members", "changes"];

/// Whether all variables are known; `known` are those of the step. The second of each pair: it must have a text.
fn check<'n>(variables: impl Iterator<Item = (&'n str, bool)>, known: &[&str], names: &Names) -> Result<(), Wrong> {
    for (name, as_text) in variables {
        if name.strip_prefix("values.").is_some_and(|rest| !rest.is_empty() && !rest.contains('.')) {
            names.used.borrow_mut().insert(name.to_owned());
            continue;
        }
        let mut all: Vec<&str> = ["zone"].into_iter().chain(known.iter().copied()).collect();
        if names.zone_id {
            all.push("zone_id");
        }
        if !all.contains(&name) {
            let remedy = match (name, nearest(name, all.iter().copied())) {
                ("zone_id", _) => "add the step [zone] that looks it up".into(),
                (_, Some(near)) => format!("did you mean `{near}`?"),
                (_, None) => format!("known here: {}, and values.… of your own", all.join(", ")),
            };
            return Err(Wrong::new(format!("has the unknown variable `{name}`"), remedy));
        }
        if as_text && LISTS.contains(&name) {
            let remedy = "let it be a whole string in a body: \"{addresses}\"";
            return Err(Wrong::new(format!("has `{name}`, a list, within text"), remedy));
        }
    }
    Ok(())
}

fn template(text: &str, known: &[&str], names: &Names) -> Result<Template, Wrong> {
    let remedy = "write a URI template (RFC 6570, levels 1 to 3), such as \"/shelves/{zone}/cards{?label,sort}\"";
    let template = Template::parse(text).map_err(|what| Wrong::new(what, remedy))?;
    check(template.variables().map(|name| (name, true)), known, names)?;
    Ok(template)
}

fn request(
    table: &Table<'_>,
    method: &str,
    known: &[&str],
    names: &Names,
    common: Option<&HeaderMap>,
) -> Option<Request> {
    let methods = [
        ("GET", Method::GET),
        ("POST", Method::POST),
        ("PUT", Method::PUT),
        ("PATCH", Method::PATCH),
        ("DELETE", Method::DELETE),
    ];
    let choices = std::array::from_fn::<_, 5, _>(|at| (methods[at].0, at));
    let method = table.key("method").or(method).one_of(&choices).and_then(|at| methods.get(at));
    let uri = table.key("uri").required("uri = \"/shelves/{zone}/cards\"").parse(|text| {
        // So that nothing in it can change the host.
        if !(text.is_empty() || ["/", "?", "{/", "{?"].iter().any(|start| text.starts_with(start))) {
            return Err(Wrong::new("does not follow `base`", "begin it with '/' or '?'"));
        }
        if text.contains('#') {
            return Err(Wrong::new(
                "has a fragment, which is never sent (RFC 9110, 4.2.5)",
                "remove the '#' and the rest",
            ));
        }
        template(text, known, names)
    });
    let own = headers(table, names)?;
    let mut headers = common?.clone();
    headers.extend(own);
    Some(Request { method: method?.1.clone(), uri: uri?, headers })
}

/// How a step is read: its table, the method when none is written, the variables it knows.
type Step<'s> = &'s dyn Fn(&Table<'_>, &str, &[&str], &Names) -> Option<Request>;

fn pages(table: &Table<'_>, known: &[&str], names: &Names, step: Step<'_>) -> Option<Pages> {
    let paging_table = table.table_if_set("paging");
    let (mut paging, mut known) = (Some(Paging::Whole), known.to_vec());
    if let Some(table) = &paging_table {
        let (next, link) = (table.key("next"), table.key("link"));
        let (cursor, first) = (table.key("cursor"), table.key("first_page"));
        let last_cell = table.key("last_page");
        paging = match [&next, &link, &cursor, &first].map(Cell::is_set) {
            [true, false, false, false] => pointer(&next).map(Paging::Next),
            [false, true, false, false] => link.parse(relation).map(Paging::Link),
            [false, false, true, false] => {
                known.push("cursor");
                pointer(&cursor).map(Paging::Cursor)
            }
            [false, false, false, true] => {
                known.push("page");
                let last = optional(&last_cell, pointer);
                first.integer(0..=1).and_then(|first| Some(Paging::Number { first, last: last? }))
            }
            _ => {
                let remedy = "write { next = \"/pointer\" }, { link = \"next\" }, { cursor = \"/pointer\" }, or { first_page = 1 }";
                table.whole().wrong("pages are asked for in one way", remedy);
                None
            }
        };
        if last_cell.is_set() && !first.is_set() {
            last_cell.wrong("only pages by number have a last one", "remove it");
        }
    }
    let request = step(table, "GET", &known, names);
    let items = pointer(&table.key("items").or(""));
    let absent_is_empty = optional(&table.key("absent_is_empty"), |cell| cell.flag());
    if let (Some(table), Some(request)) = (&paging_table, &request)
        && let Some(name) = known.iter().find(|name| matches!(**name, "cursor" | "page"))
        && !request.uri.variables().any(|variable| variable == *name)
    {
        let what = format!("the step's `uri` lacks the variable `{name}`, so every page would be the first");
        table.whole().wrong(what, format!("add it, for example as {{?{name}}} or {{&{name}}}"));
    }
    Some(Pages { request: request?, items: items?, absent_is_empty: absent_is_empty?, paging: paging? })
}

/// The type of a link's relation (RFC 8288, section 3.3).
fn relation(text: &str) -> Result<String, Wrong> {
    if text.is_empty() || text.contains(|c: char| c.is_whitespace() || c.is_control() || c == '"') {
        return Err(Wrong::new("is no relation type of a link (RFC 8288, 3.3)", "write one, such as \"next\""));
    }
    Ok(text.to_owned())
}

fn fields(table: &Table<'_>) -> Option<Fields> {
    let name = pointer(&table.key("name").required("name = \"/label\""));
    let rtype = pointer(&table.key("type").required("type = \"/sort\""));
    let ttl = pointer(&table.key("ttl").required("ttl = \"/keep_for\""));
    let address = pointer(&table.key("address").required("address = \"/points_to\""));
    let disabled = optional(&table.key("disabled"), pointer);
    let types = table.key("types").or("names").one_of(&[("names", Types::Names), ("numbers", Types::Numbers)]);
    let ttls = table.key("ttls").or("seconds").one_of(&[("seconds", Ttls::Seconds), ("units", Ttls::Units)]);
    let relative = table.key("names").or("absolute").one_of(&[("absolute", false), ("relative", true)]);
    let apex = table.key("apex").or("@").parse(|text| Ok(text.to_owned()));
    Some(Fields {
        name: name?,
        rtype: rtype?,
        ttl: ttl?,
        address: address?,
        disabled: disabled?,
        types: types?,
        ttls: ttls?,
        relative: relative?,
        apex: apex?,
    })
}

/// What the steps that write have in common.
struct Steps<'s> {
    names: &'s Names,
    step: Step<'s>,
    has_get: bool,
}

const OF_A_RECORD: [&str; 5] = ["name", "relative", "type", "ttl", "address"];
const OF_A_SET: [&str; 6] = ["name", "relative", "type", "ttl", "addresses", "members"];

fn record_shape(root: &Table<'_>, item: &Table<'_>, steps: &Steps<'_>) -> Option<Shape> {
    let id = pointer(&item.key("id").required("id = \"/card\""));
    let with_id = [&OF_A_RECORD[..], &["record_id"]].concat();
    let create = write(&root.table("create"), "POST", &OF_A_RECORD, steps, (false, false));
    let replace = write(&root.table("replace"), "PATCH", &with_id, steps, (true, false));
    let known = ["name", "relative", "type", "record_id"];
    let delete = (steps.step)(&root.table("delete"), "DELETE", &known, steps.names);
    Some(Shape::Record { id: id?, create: create?, replace: replace?, delete: delete? })
}

fn rrset_shape(root: &Table<'_>, item: &Table<'_>, steps: &Steps<'_>) -> Option<Shape> {
    let members = pointer(&item.key("members").required("members = \"/cards\""));
    let new_member = body(&item.key("new_member").required("new_member = '\"{address}\"'"), &["address"], steps.names);
    let together = !steps.has_get;
    let create = root.table_if_set("create");
    let create = create.map(|table| write(&table, "POST", &OF_A_SET, steps, (false, together)));
    let replace_table = root.table("replace");
    let replace = write(&replace_table, "PUT", &OF_A_SET, steps, (true, together));
    if create.is_none() && replace.as_ref().is_some_and(|replace| matches!(replace.payload, Payload::Whole)) {
        replace_table.whole().wrong("what is not there yet cannot be sent whole", "add the step [create]");
    }
    let create = create.map_or(Some(None), |create| create.map(Some));
    Some(Shape::RrSet { members: members?, new_member: new_member?, create: create?, replace: replace? })
}

fn body(cell: &Cell<'_>, known: &[&str], names: &Names) -> Option<Body> {
    cell.parse(|text| {
        let remedy = "write JSON in single quotes: '{ \"label\": \"{name}\", \"keep_for\": \"{ttl}\" }'";
        let body = Body::parse(text).map_err(|what| Wrong::new(what, remedy))?;
        check(body.variables().into_iter(), known, names)?;
        Ok(body)
    })
}

/// A step that writes; `may` says whether the whole item can be sent, and several changes together.
fn write(table: &Table<'_>, method: &str, known: &[&str], steps: &Steps<'_>, may: (bool, bool)) -> Option<Write> {
    let (body_cell, whole_cell, change_cell) = (table.key("body"), table.key("whole"), table.key("change"));
    let most = table.key("most");
    let (may_whole, may_together) = may;
    let together = change_cell.is_set();
    let whole = whole_cell.is_set() && whole_cell.flag()?;
    if most.is_set() && !together {
        most.wrong("only `change` has a most", "remove it");
    }
    let request = match together {
        true => (steps.step)(table, method, &[], steps.names),
        false => (steps.step)(table, method, known, steps.names),
    };
    let example = "body = '{ \"keep_for\": \"{ttl}\" }'";
    let payload = match (together, whole) {
        (false, false) => body(&body_cell.required(example), known, steps.names).map(Payload::Body),
        (false, true) => {
            if body_cell.is_set() {
                body_cell.wrong("the whole item is sent", "remove this, or `whole`");
            }
            if !may_whole {
                whole_cell.wrong("there is no item yet that could be sent whole", "write a `body`");
            }
            Some(Payload::Whole)
        }
        (true, _) => {
            if whole {
                whole_cell.wrong("several changes are sent together, not an item", "remove this, or `change`");
            }
            if !may_together {
                let what = "several changes cannot be sent together where each item is read before, or is one record";
                change_cell.wrong(what, "write one `body`");
            }
            let change = body(&change_cell, known, steps.names);
            let around =
                body(&body_cell.clone().required("body = '{ \"changes\": \"{changes}\" }'"), &["changes"], steps.names);
            if around.as_ref().is_some_and(|body| !body.variables().iter().any(|(name, _)| *name == "changes")) {
                body_cell.wrong(
                    "the variable `changes` is missing, so nothing would be changed",
                    "put \"{changes}\" where the list of changes belongs",
                );
            }
            let most = most.or(100).number(1..=10_000);
            Some(Payload::Together { change: change?, body: around?, most: most? })
        }
    };
    Some(Write { request: request?, payload: payload? })
}
