//! What must hold of any answer of an API, whichever shape its items have.

use std::collections::BTreeSet;

use http::Method;
use http::header::{AUTHORIZATION, HeaderMap, HeaderValue};
use serde_json::value::RawValue;
use url::Url;

use super::body::{Body, Vars};
use super::description::{
    AnswerForm, Api, Credential, Fields, List, Pages, Paging, Payload, Place, Request, Shape, Write,
};
use super::forms::{Ttls, Types};
use super::items::{self, Concern};
use super::json::{Pointer, list};
use super::listing;
use super::plan::{Index, plan};
use super::template::Template;
use crate::name::DnsName;
use crate::provider::listing::{Part, ZoneRecord};
use crate::provider::{Change, Obstacle};
use crate::record::{RecordType, RrSet};

/// A list of records or RRsets, and what is made of it when an address shall be written.
pub fn any_answer(data: &[u8]) -> bool {
    [record_api(false), record_api(true), rrset_api(false), rrset_api(true)]
        .iter()
        .flatten()
        .filter(|api| answer(api, data))
        .count()
        > 0
}

fn answer(api: &Api, data: &[u8]) -> bool {
    let names = ["heronmill.example", "gauge.heronmill.example", "x.mill.heronmill.example"].map(DnsName::parse);
    let [Ok(zone), Ok(gauge), Ok(below)] = names else { return false };
    let Ok(json) = serde_json::from_slice::<&RawValue>(data) else { return false };
    let Some(page) = api.list.pages.items.find(json).and_then(list) else { return false };
    for raw in &page {
        let Ok(records) = listing::records(api, &zone, raw) else { continue };
        let has_address = |record: &ZoneRecord| record.data.iter().any(|part| matches!(part, Part::Address(_)));
        let may = ["A", "AAAA", "A6", "L32", "WKS", "IPSECKEY", "AMTRELAY"];
        assert!(records.iter().all(|record| may.contains(&record.rtype.as_ref()) || !has_address(record)));
        // Names differ by case in ASCII alone (RFC 4343, section 3); what is no name of the DNS stays as it was told.
        assert!(records.iter().all(|record| !record.name.contains(|letter: char| letter.is_ascii_uppercase())));
    }
    let names = BTreeSet::from([gauge.clone(), below.clone()]);
    let concern = Concern::new(&zone, &names);
    let read: Result<Vec<_>, _> = page.iter().map(|raw| items::read(api, &concern, raw)).collect();
    let Ok(read) = read else { return false };
    let items: Vec<_> = read.into_iter().flatten().collect();
    let Ok(standings) = items::standings(&items, &names, &api.shape) else { return false };
    assert!(standings.keys().eq(&names));
    for standing in standings.values() {
        assert!(standing.sets.iter().all(|(rtype, set)| {
            let right = |address: &std::net::IpAddr| address.is_ipv4() == (*rtype == RecordType::A);
            !set.addresses.is_empty() && set.addresses.iter().all(right)
        }));
    }
    let after = RrSet { ttl: 120, addresses: [[203, 0, 113, 77].into()].into() };
    for standing in standings.values() {
        let Some(Obstacle::Cname(target)) = &standing.obstacle else { continue };
        assert!(target.len() <= 255 && !target.contains(char::is_control), "{target:?}");
    }
    let changes = [gauge, below].map(|name| {
        let before = standings.get(&name).and_then(|standing| standing.sets.get(&RecordType::A)).cloned();
        Change { name, rtype: RecordType::A, before, after: after.clone() }
    });
    let index = Index::new(&items);
    for task in plan(api, &changes, &index) {
        let Some(ready) = task.ready(api, &api.values, &zone, &index, task.item) else { continue };
        assert!(ready.body.is_none_or(|body| serde_json::from_str::<&RawValue>(&body).is_ok()));
        // An id of any kind stays within its part of the path.
        let uri = ready.request.uri.expand(|name| ready.vars.text(name));
        let url = Url::parse(&format!("https://api.dnshost.example/desk{uri}"));
        assert!(url.is_ok_and(|url| url.path_segments().is_some_and(|segments| segments.count() == 3)), "{uri}");
    }
    !items.is_empty()
}

fn request(uri: &str) -> Option<Request> {
    Some(Request { method: Method::PUT, uri: Template::parse(uri).ok()?, headers: HeaderMap::new() })
}

fn write(uri: &str, body: &str, whole: bool) -> Option<Write> {
    let payload = if whole { Payload::Whole } else { Payload::Body(Body::parse(body).ok()?) };
    Some(Write { request: request(uri)?, payload })
}

fn api(shape: Shape, address: &str) -> Option<Api> {
    let at = |text: &str| Pointer::parse(text).ok();
    let (request, items) = (request("/shelf/cards")?, at("/cards")?);
    let pages = Pages { request, items, absent_is_empty: None, paging: Paging::Whole };
    let place = Place::Header(AUTHORIZATION, HeaderValue::from_static("x"));
    let credential = Credential { place, hidden: Vec::new() };
    Some(Api {
        visible_within: std::time::Duration::ZERO,
        base: Url::parse("https://api.dnshost.example/desk").ok()?,
        credential,
        values: Vars::default(),
        lookup: None,
        list: List { pages, by_name: false, serial: None },
        get: None,
        item: Fields {
            name: at("/label")?,
            rtype: at("/sort")?,
            ttl: at("/keep_for")?,
            address: at(address)?,
            disabled: at("/resting"),
            types: Types::Names,
            ttls: Ttls::Units,
            relative: false,
            apex: "@".into(),
        },
        shape,
        answer: AnswerForm::default(),
    })
}

fn record_api(whole: bool) -> Option<Api> {
    let create = write(
        "/shelf/cards",
        r#"{ "label": "{name}.", "sort": "{type}", "keep_for": "{ttl}", "points_to": "{address}" }"#,
        false,
    )?;
    let replace = write("/cards/{record_id}", r#"{ "points_to": "{address}", "card": "{record_id}" }"#, whole)?;
    let id = Pointer::parse("/card").ok()?;
    api(Shape::Record { id, create, replace, delete: request("/cards/{record_id}")? }, "/points_to")
}

fn rrset_api(whole: bool) -> Option<Api> {
    let new_member = Body::parse(r#"{ "points_to": "{address}" }"#).ok()?;
    let body = r#"{ "label": "{relative}", "cards": "{members}", "all": "{addresses}" }"#;
    let create = write("/sets/{relative}", body, false);
    let replace = write("/sets/{name}", body, whole)?;
    api(Shape::RrSet { members: Pointer::parse("/cards").ok()?, new_member, create, replace }, "/points_to")
}
