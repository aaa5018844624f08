//! An API as a description tells it, checked: whatever has type [`Api`] can be spoken to. Read by `config`.

use std::time::Duration;

use http::Method;
use http::header::{HeaderMap, HeaderName, HeaderValue};
use serde_json::value::RawValue;

use super::body::{Body, Vars};
use super::forms::{Ttls, Types};
use super::json::Pointer;
use super::template::Template;
use crate::secret::Secret;

/// An API, with the values that the configuration gives to its variables.
#[derive(Clone, Debug)]
pub struct Api {
    /// What every URI begins with: scheme, host, perhaps a path; no final slash. Nothing is ever sent elsewhere.
    pub base: url::Url,
    /// What shows who we are.
    pub credential: Credential,
    /// `zone` and all `values.*`.
    pub values: Vars,
    /// How the zone's id is found, where the API has one.
    pub lookup: Option<Lookup>,
    /// How records are listed.
    pub list: List,
    /// How one item is read before it is written.
    pub get: Option<Get>,
    /// Where things stand in an item.
    pub item: Fields,
    /// What an item is, and how one is written.
    pub shape: Shape,
    /// What all answers have in common.
    pub answer: AnswerForm,
    /// How long a list may lag behind a write.
    pub visible_within: Duration,
}

/// What shows who we are, and what must never be shown.
#[derive(Clone, Debug)]
pub struct Credential {
    /// Where the secret is sent.
    pub place: Place,
    /// The secret in each form in which an answer could repeat it.
    pub hidden: Vec<Secret>,
}

/// Where in a request a secret is.
#[derive(Clone, Debug)]
pub enum Place {
    /// In this header; its value is marked as sensitive.
    Header(HeaderName, HeaderValue),
    /// In the query, as the value of this parameter.
    Query(String, Secret),
}

/// A request without its body.
#[derive(Clone, Debug)]
pub struct Request {
    /// GET, POST, PUT, PATCH or DELETE.
    pub method: Method,
    /// What follows [`Api::base`].
    pub uri: Template,
    /// Further headers.
    pub headers: HeaderMap,
}

/// A request whose answer is a list, perhaps in pages.
#[derive(Clone, Debug)]
pub struct Pages {
    /// The request.
    pub request: Request,
    /// Where the list stands in an answer.
    pub items: Pointer,
    /// Whether an answer without the list says that it is empty; where nothing is said, other signs of a list decide.
    pub absent_is_empty: Option<bool>,
    /// How the next page is asked for.
    pub paging: Paging,
}

/// How a long list is asked for.
#[derive(Clone, Debug)]
pub enum Paging {
    /// All at once.
    Whole,
    /// The answer holds the URI of the next page here; at the last page nothing, null or an empty string.
    Next(Pointer),
    /// The answer has a `Link` header (RFC 8288) with this relation type that leads to the next page; ends likewise.
    Link(String),
    /// The answer holds the value of the variable `cursor` for the next page here; ends likewise.
    Cursor(Pointer),
    /// The variable `page` counts.
    Number {
        /// The first page's number.
        first: u64,
        /// Where the last page's number stands; without it the pages end with an empty one.
        last: Option<Pointer>,
    },
}

/// How the zone's id is found.
#[derive(Clone, Debug)]
pub struct Lookup {
    /// The zones.
    pub pages: Pages,
    /// Where a zone's name stands in it.
    pub name: Pointer,
    /// Where its id stands.
    pub id: Pointer,
}

/// How records are listed.
#[derive(Clone, Debug)]
pub struct List {
    /// The items.
    pub pages: Pages,
    /// Whether one name is asked for at a time.
    pub by_name: bool,
    /// Where the zone's serial stands in an answer.
    pub serial: Option<Pointer>,
}

/// How one item is read.
#[derive(Clone, Debug)]
pub struct Get {
    /// The request.
    pub request: Request,
    /// Where the item stands in the answer.
    pub item: Pointer,
    /// Whether the answer has an entity tag, and a write is to say `If-Match` with it (RFC 9110, section 13.1.1).
    pub etag: bool,
}

/// Where things stand in an item.
#[derive(Clone, Debug)]
pub struct Fields {
    /// The owner name.
    pub name: Pointer,
    /// The type.
    pub rtype: Pointer,
    /// The time to live.
    pub ttl: Pointer,
    /// The address; in an RRset's member, or in a record.
    pub address: Pointer,
    /// Set in a member or record that the API does not publish.
    pub disabled: Option<Pointer>,
    /// How types are written.
    pub types: Types,
    /// How TTLs are written.
    pub ttls: Ttls,
    /// Whether names are relative to the zone.
    pub relative: bool,
    /// The relative name of the zone itself.
    pub apex: String,
}

impl Fields {
    /// Whether `member`, or the record, is not published: so says whatever is not false, null or absent. One that is read as
    /// published and is not would be taken for in step while its name is dark.
    pub(crate) fn is_disabled(&self, member: &RawValue) -> bool {
        let flag = self.disabled.as_ref().and_then(|at| at.find(member));
        flag.is_some_and(|flag| !matches!(flag.get(), "false" | "null"))
    }
}

/// What an item is, and how one is written.
#[derive(Clone, Debug)]
pub enum Shape {
    /// An item is one record with an id.
    Record {
        /// Where the id stands.
        id: Pointer,
        /// Makes a record.
        create: Write,
        /// Changes a record.
        replace: Write,
        /// Removes a record.
        delete: Request,
    },
    /// An item is an RRset.
    RrSet {
        /// Where its members stand.
        members: Pointer,
        /// A member that was not there before.
        new_member: Body,
        /// Makes an RRset; `None` when `replace` does.
        create: Option<Write>,
        /// Changes an RRset.
        replace: Write,
    },
}

/// A request that writes.
#[derive(Clone, Debug)]
pub struct Write {
    /// The request.
    pub request: Request,
    /// What it carries.
    pub payload: Payload,
}

/// What a write carries.
#[derive(Clone, Debug)]
pub enum Payload {
    /// Only what is said here: what is not ours stays because it is not mentioned.
    Body(Body),
    /// The whole item as it was read, with address and TTL changed in it.
    Whole,
    /// Several changes at once.
    Together {
        /// One change.
        change: Body,
        /// The body around them.
        body: Body,
        /// The most in one request.
        most: usize,
    },
}

/// What all answers have in common.
#[derive(Clone, Debug, Default)]
pub struct AnswerForm {
    /// Where `true` stands in an answer that is no error, whatever its status.
    pub ok: Option<Pointer>,
    /// Where the API says what is wrong.
    pub message: Option<Pointer>,
    /// The statuses that pass by themselves, whatever else they mean.
    pub passing: Vec<u16>,
}
