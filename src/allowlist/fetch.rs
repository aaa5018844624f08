//! Gets the lists of an edge: one GET each on a fresh connection, or a file, bounded in bytes and in time.
//!
//! No proxy, and no redirect away from where the configuration points: nothing else is ever contacted.

use std::io::{self, Read as _};
use std::path::Path;
use std::time::Duration;

use reqwest::header::{CONTENT_TYPE, ETAG, HeaderMap, HeaderName, IF_MODIFIED_SINCE, IF_NONE_MATCH, LAST_MODIFIED};
use reqwest::{StatusCode, Url, redirect};
use tokio::time::timeout;

use super::source::{self, LIMIT, Listed, Unreadable};
use super::{AllowlistError, Kept, KeptSource, Outcome};
use crate::aside::aside;
use crate::files::{self, Errand};
use crate::http;
use crate::settings::{Edge, ListForm, ListPlace, ListSource};
use crate::text::root_cause;
use crate::watch::http::same_origin;

/// How long one list may take.
const PATIENCE: Duration = Duration::from_secs(30);

/// Why a source has no list.
#[derive(Debug, thiserror::Error)]
pub enum SourceError {
    /// It cannot be reached, or says that it has none.
    #[error("{place}: {why}")]
    Unreachable {
        /// The source.
        place: String,
        /// Why.
        why: String,
    },
    /// What it says is not believed.
    #[error("{place}: {why}")]
    Refused {
        /// The source.
        place: String,
        /// Why.
        why: Unreadable,
    },
}

impl SourceError {
    pub(super) fn outcome(&self) -> Outcome {
        let why = self.to_string();
        match self {
            Self::Unreachable { .. } => Outcome::Unreachable { why },
            Self::Refused { .. } => Outcome::Refused { why, acceptable: false },
        }
    }
}

/// Whoever asks for lists.
#[derive(Debug)]
pub struct Client(reqwest::Client);

impl Client {
    /// For the sources of `edges`; certificates are loaded only if one of them is over HTTPS.
    ///
    /// # Errors
    /// [`AllowlistError::Client`].
    pub async fn new(edges: &[Edge]) -> Result<Self, AllowlistError> {
        let is_secure = |source: &ListSource| matches!(&source.at, ListPlace::Url(url) if url.scheme() == "https");
        let secure = edges.iter().flat_map(|edge| &edge.sources).any(is_secure);
        let builder = http::client(secure).redirect(redirect::Policy::custom(same_origin));
        http::build(builder).await.map(Self).map_err(|error| AllowlistError::Client(root_cause(&error)))
    }

    /// What each source of `edge` says now, and what was put right in it. What has not changed since `before` is not
    /// sent again.
    ///
    /// # Errors
    /// Of the first source that has no list: without it, the others are not the whole.
    pub async fn look(
        &self,
        edge: &Edge,
        before: Option<&Kept>,
    ) -> Result<(Vec<KeptSource>, Vec<String>), SourceError> {
        let (mut sources, mut notes) = (Vec::new(), Vec::new());
        for source in &edge.sources {
            let (place, identity) = (place(&source.at), identity(source));
            let before = before.and_then(|kept| kept.sources.iter().find(|kept| kept.source == identity));
            let got = match &source.at {
                ListPlace::File(file) => {
                    let file = file.clone();
                    // A disk may be slow, or another machine's.
                    let bytes = aside(move || read_file(&file)).await;
                    bytes.map(|bytes| Got::new(None, bytes, &HeaderMap::new()))
                }
                ListPlace::Url(url) => match timeout(PATIENCE, self.get(url, before)).await {
                    Ok(got) => got,
                    Err(_) => Err(Failure::Why(format!("no answer within {} seconds", PATIENCE.as_secs()))),
                },
            };
            let got = got.map_err(|failure| failure.at(&place))?;
            let Some(got) = got.into_new() else {
                // Only whoever has something is told that it has not changed.
                sources.extend(before.cloned());
                continue;
            };
            let New { content_type, bytes, etag, last_modified } = got;
            let form = source.form.clone();
            // Fifty thousand ranges take their time.
            let read = aside(move || {
                source::read(&form, content_type.as_deref(), &bytes)
                    .map(|Listed { set, notes }| (set.prefixes().collect(), notes))
            });
            let (ranges, put_right) = read.await.map_err(|why| SourceError::Refused { place: place.clone(), why })?;
            notes.extend(put_right.into_iter().map(|note| format!("{place}: {note}")));
            sources.push(KeptSource { source: identity, etag, last_modified, ranges });
        }
        Ok((sources, notes))
    }

    async fn get(&self, url: &Url, before: Option<&KeptSource>) -> Result<Got, Failure> {
        let mut request = self.0.get(url.clone());
        // Both, as RFC 9110, section 13.1.3, asks of a client that has both.
        if let Some(etag) = before.and_then(|before| before.etag.as_ref()) {
            request = request.header(IF_NONE_MATCH, etag);
        }
        if let Some(date) = before.and_then(|before| before.last_modified.as_ref()) {
            request = request.header(IF_MODIFIED_SINCE, date);
        }
        let mut response = request.send().await.map_err(|error| Failure::Why(root_cause(&error)))?;
        match response.status() {
            StatusCode::OK => {}
            StatusCode::NOT_MODIFIED if before.is_some() => return Ok(Got::Same),
            status => return Err(Failure::Why(format!("status {}", status.as_u16()))),
        }
        let headers = response.headers().clone();
        let content_type = text(&headers, &CONTENT_TYPE);
        let mut bytes = Vec::new();
        while let Some(chunk) = response.chunk().await.map_err(|error| Failure::Why(root_cause(&error)))? {
            bytes.extend_from_slice(&chunk);
            if bytes.len() > LIMIT {
                // A page is told as one, however long it is.
                let page = source::read(&ListForm::Lines, content_type.as_deref(), &bytes) == Err(Unreadable::Page);
                return Err(Failure::Not(if page { Unreadable::Page } else { Unreadable::TooLong }));
            }
        }
        Ok(Got::new(content_type, bytes, &headers))
    }
}

/// What a source answered.
enum Got {
    /// What it answered before.
    Same,
    New(New),
}

struct New {
    content_type: Option<String>,
    bytes: Vec<u8>,
    etag: Option<String>,
    last_modified: Option<String>,
}

impl Got {
    fn new(content_type: Option<String>, bytes: Vec<u8>, headers: &HeaderMap) -> Self {
        let (etag, last_modified) = (text(headers, &ETAG), text(headers, &LAST_MODIFIED));
        Self::New(New { content_type, bytes, etag, last_modified })
    }

    fn into_new(self) -> Option<New> {
        match self {
            Self::Same => None,
            Self::New(new) => Some(new),
        }
    }
}

enum Failure {
    Why(String),
    Not(Unreadable),
}

impl Failure {
    fn at(self, place: &str) -> SourceError {
        let place = place.to_owned();
        match self {
            Self::Why(why) => SourceError::Unreachable { place, why },
            Self::Not(why) => SourceError::Refused { place, why },
        }
    }
}

/// A header's value, if it is text of a sane length.
fn text(headers: &HeaderMap, name: &HeaderName) -> Option<String> {
    headers.get(name).and_then(|value| value.to_str().ok()).filter(|text| text.len() <= 1024).map(str::to_owned)
}

fn read_file(path: &Path) -> Result<Vec<u8>, Failure> {
    let why = |error: io::Error| Failure::Why(root_cause(&error));
    let mut bytes = Vec::new();
    // One byte more than may be read shows that there is more.
    files::open(path, Errand::Read).map_err(why)?.take(LIMIT as u64 + 1).read_to_end(&mut bytes).map_err(why)?;
    Ok(bytes)
}

/// A source, for people: without a query, which may hold a token.
fn place(at: &ListPlace) -> String {
    match at {
        ListPlace::File(path) => path.display().to_string(),
        ListPlace::Url(url) => {
            let mut url = url.clone();
            url.set_query(None);
            url.to_string()
        }
    }
}

/// What tells a source, and how it is read, from every other one; the digest of the query stands for it.
fn identity(source: &ListSource) -> String {
    let query = match &source.at {
        ListPlace::Url(url) => url.query().map(|query| {
            let digest = ring::digest::digest(&ring::digest::SHA256, query.as_bytes());
            format!("?{}", data_encoding::HEXLOWER.encode(digest.as_ref()))
        }),
        ListPlace::File(_) => None,
    };
    let form = match &source.form {
        ListForm::Lines => String::new(),
        ListForm::Json { lists, item } => format!(" {lists:?} {item:?}"),
    };
    format!("{}{}{form}", place(&source.at), query.unwrap_or_default())
}
