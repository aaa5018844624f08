//! The keys of a `rest` provider. They lead to the description of an API, which is read by the same reader.

use std::cell::RefCell;
use std::collections::BTreeSet;

use data_encoding::{BASE64, HEXLOWER};
use figment::value::Value;
use reqwest::header::{AUTHORIZATION, HeaderValue};
use ring::digest;

use super::cell::Cell;
use super::description::auth::Auth;
use super::description::{Names, description};
use super::layers::Layers;
use super::led::To;
use super::load::Sources;
use super::problem::ConfigError;
use super::reader::{Doc, Table, nearest};
use super::secret;
use super::units::Wrong;
use crate::name::DnsName;
use crate::provider::rest::body::{Var, Vars};
use crate::provider::rest::description::{Api, Credential, Place};
use crate::secret::Secret;
use crate::settings::ProviderKind;

pub(super) fn read(
    doc: &Doc,
    table: &Table<'_>,
    zone: Option<&DnsName>,
    sources: &Sources,
    identity: &mut String,
) -> Option<ProviderKind> {
    let description_cell = table.key("description").required("description = \"providers/rrset.toml\"");
    let file = description_cell.file();
    let values_table = table.table("values");
    let mut names = Names {
        values: Vars::default().with("zone", Var::text(zone.map(DnsName::as_str).unwrap_or_default())),
        given: BTreeSet::new(),
        used: RefCell::default(),
        zone_id: false,
    };
    for (name, cell) in values_table.entries() {
        if let Some(value) = value(&cell) {
            let name = format!("values.{name}");
            names.values = names.values.with(&name, value);
            names.given.insert(name);
        }
    }
    let user_cell = table.key("user");
    let user = if user_cell.is_set() { user_cell.parse(user) } else { None };
    let token_cell = table.key("token");
    let token = secret::read(table, "token", sources, identity);
    let described = file.and_then(|file| {
        let sources = Sources { file: file.clone(), ..Sources::default() };
        let layers = Layers::read(&sources).map_err(|error| match error {
            ConfigError::Unreadable { source, .. } => {
                let remedy = "name the description of the API: a file such as record.toml, which the package puts into \
                              /etc/fingerpost/providers";
                description_cell.wrong(format!("{} cannot be read: {source}", description_cell.said()), remedy);
            }
            ConfigError::Invalid(problems) => doc.log.borrow_mut().problems.extend(problems),
        });
        let described = Doc::new(layers.ok()?, &file);
        description_cell.leads(To::Description(file));
        identity.push_str(&fingerprint(&described));
        let api = description(&described.root(), names);
        let found = described.finish();
        let whole = found.problems.is_empty();
        doc.adopt(found);
        Some((api, whole))
    });
    let ((api, names), whole) = described?;
    let auth = api.as_ref().map(|(auth, _)| auth);
    match auth {
        Some(Auth::Basic) if !user_cell.is_set() => {
            table
                .whole()
                .wrong("the description's authorisation is basic, and no `user` is set", "add user = \"name\"");
        }
        Some(Auth::Bearer | Auth::Header(_) | Auth::Query(_)) if user_cell.is_set() => {
            user_cell.wrong("only basic authorisation has a user, and the description has another", "remove it");
        }
        _ => {}
    }
    if whole {
        compare_values(&values_table, &names);
    }
    let (auth, unready) = api?;
    let credential = credential(&token_cell, &auth, user.as_deref(), &token?)?;
    Some(ProviderKind::Rest(Box::new(Api { credential, ..unready })))
}

/// A digest of all that a description says.
fn fingerprint(doc: &Doc) -> String {
    let text = format!("{:?}", plain(&doc.layers.merged));
    HEXLOWER.encode(digest::digest(&digest::SHA256, text.as_bytes()).as_ref())
}

/// The value without the marks of where it came from, which differ from reading to reading.
fn plain(value: &Value) -> serde_json::Value {
    serde_json::to_value(value).unwrap_or_default()
}

fn value(cell: &Cell<'_>) -> Option<Var> {
    match cell.value.as_deref() {
        Some(Value::Bool(..)) => cell.flag().map(Var::plain),
        Some(Value::Num(..)) => cell.integer(0..=u64::MAX).map(Var::plain),
        _ => cell.parse(|text| Ok(Var::text(text))),
    }
}

fn user(text: &str) -> Result<String, Wrong> {
    // RFC 7617, section 2.
    if text.contains(':') || text.chars().any(char::is_control) || text.is_empty() {
        return Err(Wrong::new("is no user of basic authorisation", "write the name alone: no colon, not empty"));
    }
    Ok(text.to_owned())
}

/// Values that nobody uses are as wrong as those that are missing: one of them is misspelt.
fn compare_values(table: &Table<'_>, names: &Names) {
    let used = names.used.borrow();
    for (name, cell) in table.entries() {
        if !used.contains(&format!("values.{name}")) {
            let known: Vec<_> = used.iter().filter_map(|name| name.strip_prefix("values.")).collect();
            let remedy = match (nearest(&name, known.iter().copied()), known.as_slice()) {
                (Some(near), _) => format!("did you mean `{near}`?"),
                (None, []) => "remove it: the description has no values".into(),
                (None, known) => format!("remove it, or write one that is used: {}", known.join(", ")),
            };
            cell.wrong("the description uses no such value", remedy);
        }
    }
    for name in used.iter().filter(|name| name.starts_with("values.") && !names.given.contains(*name)) {
        let name = name.trim_start_matches("values.");
        table.whole().wrong(format!("the description needs the value `{name}`"), format!("add {name} = \"…\" here"));
    }
}

fn credential(cell: &Cell<'_>, auth: &Auth, user: Option<&str>, token: &str) -> Option<Credential> {
    let mut hidden = vec![Secret::new(token.as_bytes().to_vec())];
    let (name, text) = match auth {
        Auth::Query(parameter) => {
            let place = Place::Query(parameter.clone(), Secret::new(token.as_bytes().to_vec()));
            return Some(Credential { place, hidden });
        }
        Auth::Bearer => (AUTHORIZATION, format!("Bearer {token}")),
        Auth::Basic => (AUTHORIZATION, format!("Basic {}", BASE64.encode(format!("{}:{token}", user?).as_bytes()))),
        Auth::Header(name) => (name.clone(), token.to_owned()),
    };
    let sendable = token.bytes().all(|b| (b' '..=b'~').contains(&b));
    let Some(mut value) = HeaderValue::from_str(&text).ok().filter(|_| sendable) else {
        cell.wrong("the secret holds a sign that no HTTP header may hold", "put the token there and nothing else");
        return None;
    };
    value.set_sensitive(true);
    if let (Auth::Basic, Some((_, encoded))) = (auth, text.split_once(' ')) {
        hidden.push(Secret::new(encoded.as_bytes().to_vec()));
    }
    Some(Credential { place: Place::Header(name, value), hidden })
}
