//! The requests, one after the other: bounded in time, bytes and pages, and to one origin only.
//!
//! No proxy and no redirect: the token would go along. A connection is kept for the requests of one pass and not longer,
//! since the address of this end may have changed by the next.

use std::time::{Duration, SystemTime};

use reqwest::header::{
    ACCEPT, ACCEPT_ENCODING, CONTENT_ENCODING, CONTENT_TYPE, ETAG, HeaderMap, HeaderValue, IF_MATCH, LINK, LOCATION,
    RETRY_AFTER,
};
use reqwest::{Method, Url};
use serde_json::value::RawValue;
use tokio::time::{Instant, timeout_at};

use super::body::{Var, Vars};
use super::description::{Api, Pages, Paging, Place, Request};
use super::items::Unfit;
use super::judge::{Context, Errand, Judged};
use super::pages::{self, Course, Key, Onward};
use super::token::with_token;
use crate::name::DnsName;
use crate::provider::Fault;
use crate::text::{root_cause, short_line};

/// The most bytes that are taken in during one read: some 100,000 records.
const MOST_BYTES: usize = 32 << 20;
/// The most bytes of one answer to it: some 10,000 records. What is made of it may take eight times as much, as of a list of
/// digits.
const MOST_BYTES_OF_AN_ANSWER: usize = 4 << 20;
/// The most bytes of the answer to a write.
const MOST_BYTES_OF_A_WRITE: usize = 1 << 20;
/// The most pages of one list.
const MOST_PAGES: usize = 1000;
/// A read or a write as a whole may take this many times the time of one exchange.
const EXCHANGES: u32 = 10;
const SLOW: &str = "see that it can be reached from here; raise `timeout` if it is slow";
/// How long a connection stays open after its last request.
const KEPT: Duration = Duration::from_secs(5);

/// An API that can be spoken to.
pub(super) struct Client {
    http: Result<reqwest::Client, String>,
    pub(super) api: Api,
    /// Scheme, host and port: for people, and the only place that is ever asked.
    pub(super) origin: String,
    zone: DnsName,
    timeout: Duration,
}

/// What one read or write may still use up.
pub(super) struct Budget {
    deadline: Instant,
    bytes: usize,
    /// When the present reading began.
    reading: Instant,
    /// A write was sent, or some of one may have been.
    has_written: bool,
}

impl Budget {
    /// Each reading of a list may be as large as any.
    pub(super) fn begin_reading(&mut self) {
        self.bytes = MOST_BYTES;
        self.reading = Instant::now();
    }

    pub(super) fn has_written(&self) -> bool {
        self.has_written
    }

    /// Whether there is time for another reading like the last one, and as much for what comes after it.
    pub(super) fn has_time_for_another(&self) -> bool {
        Instant::now() + 2 * self.reading.elapsed() < self.deadline
    }
}

/// An answer that is no error.
pub(super) struct Reply {
    /// Where the next page's relative URI starts from (RFC 3986, section 5.1.3); without the token.
    url: Url,
    body: Vec<u8>,
    /// Its `Link` headers as one.
    links: String,
    /// There is nothing to list.
    is_nothing: bool,
    pub(super) etag: Option<HeaderValue>,
}

impl Client {
    pub(super) fn new(api: Api, zone: DnsName, timeout: Duration) -> Self {
        let builder =
            crate::http::client(api.base.scheme() == "https").pool_max_idle_per_host(1).pool_idle_timeout(KEPT);
        let http = builder.build().map_err(|error| root_cause(&error));
        Self { http, origin: api.base.origin().ascii_serialization(), api, zone, timeout }
    }

    pub(super) fn budget(&self) -> Budget {
        let now = Instant::now();
        Budget { deadline: now + self.timeout * EXCHANGES, bytes: MOST_BYTES, reading: now, has_written: false }
    }

    /// Sends one request of the description.
    pub(super) async fn send(
        &self,
        errand: Errand<'_>,
        request: &Request,
        vars: &Vars,
        carried: (Option<String>, Option<HeaderValue>),
        budget: &mut Budget,
    ) -> Result<Reply, Fault> {
        let url = self.url(&request.uri.expand(|name| vars.text(name)))?;
        let (body, if_match) = carried;
        let mut headers = request.headers.clone();
        if body.is_some() {
            headers.entry(CONTENT_TYPE).or_insert(HeaderValue::from_static("application/json"));
        }
        if let Some(tag) = if_match {
            headers.insert(IF_MATCH, tag);
        }
        self.exchange(errand, request.method.clone(), url, headers, body, budget).await
    }

    /// Goes through all pages of a list; `each` is told of every answer and the items in it, and tells their keys.
    pub(super) async fn walk(
        &self,
        errand: Errand<'_>,
        pages: &Pages,
        vars: &Vars,
        budget: &mut Budget,
        mut each: impl FnMut(&RawValue, Vec<&RawValue>) -> Result<Vec<Key>, Unfit> + Send,
    ) -> Result<Course, Fault> {
        let request = &pages.request;
        let mut vars = match pages.paging {
            Paging::Number { first, .. } => vars.clone().with("page", Var::plain(first)),
            _ => vars.clone(),
        };
        let mut course = Course::default();
        let mut reply = self.send(errand, request, &vars, (None, None), budget).await?;
        course.is_missing = reply.is_nothing;
        // That a further page is not there says something only where the list is told to end so.
        let further = match (&pages.paging, errand) {
            (Paging::Number { last: None, .. }, _) => Errand::Page,
            (_, Errand::Name(_)) => Errand::List,
            _ => errand,
        };
        let (mut at, mut before) = (errand, None);
        for _ in 0..MOST_PAGES {
            if reply.is_nothing {
                return Ok(course);
            }
            let answer = self.json(at, &reply)?;
            let is_list = self.api.answer.ok.is_some() || matches!(at, Errand::Name(_) | Errand::Page);
            let read = pages::listed(pages, is_list, answer).and_then(|items| {
                course.take(each(answer, items)?);
                pages::onward(&pages.paging, &mut course, answer, &reply.links)
            });
            let Some(onward) = read.map_err(|unfit| self.unfit(at, unfit))? else { return Ok(course) };
            if before.as_ref() == Some(&onward) {
                break;
            }
            at = further;
            reply = self.go_on(at, request, &mut vars, &onward, &reply.url, budget).await?;
            before = Some(onward);
        }
        let remedy = "compare `paging` in the description with the API";
        Err(self.unfit(errand, Unfit { why: "has pages without end".into(), remedy }))
    }

    /// The page that `onward` leads to from the one at `here`.
    async fn go_on(
        &self,
        errand: Errand<'_>,
        request: &Request,
        vars: &mut Vars,
        onward: &Onward,
        here: &Url,
        budget: &mut Budget,
    ) -> Result<Reply, Fault> {
        match onward {
            Onward::Uri(uri) => {
                let url = self.same_origin(here, uri)?;
                self.exchange(errand, request.method.clone(), url, request.headers.clone(), None, budget).await
            }
            Onward::Variable(name, value) => {
                *vars = std::mem::take(vars).with(name, Var::text(value.as_str()));
                self.send(errand, request, vars, (None, None), budget).await
            }
        }
    }

    /// The JSON of an answer.
    pub(super) fn json<'r>(&self, errand: Errand<'_>, reply: &'r Reply) -> Result<&'r RawValue, Fault> {
        serde_json::from_slice(&reply.body).map_err(|error| {
            let shown = short_line(&self.context().hide(&String::from_utf8_lossy(&reply.body)));
            let why = format!("{} answered something else than JSON: {shown:?}", self.origin);
            errand.doubt(why, "see who answers at that address").caused_by(error)
        })
    }

    /// The fault of an answer that cannot be used.
    pub(super) fn unfit(&self, errand: Errand<'_>, unfit: Unfit) -> Fault {
        errand.doubt(format!("the answer of {} {}", self.origin, self.context().hide(&unfit.why)), unfit.remedy)
    }

    fn context(&self) -> Context<'_> {
        Context {
            api: &self.origin,
            zone: self.zone.as_str(),
            hidden: &self.api.credential.hidden,
            form: &self.api.answer,
            now: SystemTime::now(),
        }
    }

    fn url(&self, tail: &str) -> Result<Url, Fault> {
        let whole = format!("{}{tail}", self.api.base.as_str().trim_end_matches('/'));
        self.same_origin(&self.api.base, &whole)
    }

    /// `link` as it stands in an answer from `at`, if it leads nowhere else.
    fn same_origin(&self, at: &Url, link: &str) -> Result<Url, Fault> {
        let url = at.join(link).map_err(|error| {
            Fault::refused(
                format!("{:?} is no URI for {}: {error}", short_line(&self.context().hide(link)), self.origin),
                "correct the URIs in the description",
            )
        })?;
        if url.origin() != self.api.base.origin() {
            let why = format!(
                "{} leads on to {}, and the token is sent nowhere else",
                self.origin,
                short_line(&self.context().hide(&url.origin().ascii_serialization()))
            );
            return Err(Fault::refused(
                why,
                "see who answers at that address; where the API has moved, change `base` or its values",
            ));
        }
        Ok(url)
    }

    async fn exchange(
        &self,
        errand: Errand<'_>,
        method: Method,
        url: Url,
        mut headers: HeaderMap,
        body: Option<String>,
        budget: &mut Budget,
    ) -> Result<Reply, Fault> {
        let http = self.http.as_ref().map_err(|why| {
            Fault::refused(
                format!("cannot set up HTTPS: {why}"),
                "install the system's CA certificates (ca-certificates)",
            )
        })?;
        let now = Instant::now();
        let in_all = || format!("{} took longer than {:?} in all", self.origin, self.timeout * EXCHANGES);
        if now >= budget.deadline {
            return Err(Fault::passing(in_all(), SLOW));
        }
        let sent_to = self.complete(&mut headers, &url);
        budget.has_written |= errand.is_write();
        let is_safe = method == Method::GET && !errand.is_write();
        let mut request = http.request(method, sent_to).headers(headers);
        if let Some(body) = body {
            request = request.body(body);
        }
        let deadline = budget.deadline;
        let until = deadline.min(now + self.timeout);
        let sending = async {
            // What is only read may be asked again where the connection ends before an answer: a server closes the one that
            // is kept when it likes (RFC 9110, section 9.2.2, and RFC 9112, section 9.3.1).
            let again = request.try_clone().filter(|_| is_safe);
            let response = match (request.send().await, again) {
                (Err(error), Some(again)) if !error.is_connect() => again.send().await,
                (outcome, _) => outcome,
            };
            self.answered(errand, response.map_err(|error| self.broken(errand, error))?, url, budget).await
        };
        let answered = timeout_at(until, sending).await;
        answered.unwrap_or_else(|_| {
            let one = || format!("{} did not answer within {:?}", self.origin, self.timeout);
            Err(errand.doubt(if until == deadline { in_all() } else { one() }, SLOW))
        })
    }

    /// What every request has: the headers of all, and the token, in one of them or in the URL that is asked.
    fn complete(&self, headers: &mut HeaderMap, url: &Url) -> Url {
        headers.entry(ACCEPT).or_insert(HeaderValue::from_static("application/json"));
        // Who does not say so may get it compressed (RFC 9110, section 12.5.3).
        headers.entry(ACCEPT_ENCODING).or_insert(HeaderValue::from_static("identity"));
        match &self.api.credential.place {
            Place::Header(name, value) => {
                headers.insert(name.clone(), value.clone());
                url.clone()
            }
            Place::Query(name, token) => with_token(url, name, token.expose()),
        }
    }

    async fn answered(
        &self,
        errand: Errand<'_>,
        mut response: reqwest::Response,
        url: Url,
        budget: &mut Budget,
    ) -> Result<Reply, Fault> {
        let status = response.status();
        let write = errand.is_write();
        let most = if write { MOST_BYTES_OF_A_WRITE } else { MOST_BYTES_OF_AN_ANSWER.min(budget.bytes) };
        let mut room = most;
        let mut body = Vec::new();
        loop {
            match response.chunk().await {
                Ok(None) => break,
                Ok(Some(chunk)) if chunk.len() <= room => {
                    room -= chunk.len();
                    body.extend_from_slice(&chunk);
                }
                // The status has said already what became of a write, or of a request that failed.
                _ if write || !status.is_success() => break,
                Ok(Some(_)) => {
                    let (of, most) = match most {
                        MOST_BYTES_OF_AN_ANSWER => ("one answer has", MOST_BYTES_OF_AN_ANSWER),
                        _ => ("all answers together have", MOST_BYTES),
                    };
                    let why = format!("{}: {of} more than {} MiB", self.origin, most >> 20);
                    return Err(errand.doubt(why, "let `list.uri` in the description ask for less, or for pages"));
                }
                Err(error) => return Err(self.broken(errand, error)),
            }
        }
        if !write {
            budget.bytes -= most - room;
        }
        let header = |name| response.headers().get(name).and_then(|value: &HeaderValue| value.to_str().ok());
        if let Some(coding) = coding(header(CONTENT_ENCODING), &body) {
            let why =
                format!("compressed with {}, though nothing was to be", short_line(&self.context().hide(&coding)));
            if status.is_success() && !write {
                let remedy =
                    "let the API, or what stands before it, compress nothing that only `identity` is asked for";
                return Err(errand.doubt(format!("{} sends a body {why}", self.origin), remedy));
            }
            body = format!("({why})").into_bytes();
        }
        let is_nothing = errand.is_empty_by(status);
        if !is_nothing {
            let answer = Judged { status, retry_after: header(RETRY_AFTER), location: header(LOCATION), body: &body };
            self.context().judge(errand, &answer)?;
        }
        let etag = response.headers().get(ETAG).cloned();
        let links = response.headers().get_all(LINK).iter().map(|link| String::from_utf8_lossy(link.as_bytes()));
        let links = links.collect::<Vec<_>>().join(", ");
        Ok(Reply { url, body, links, is_nothing, etag })
    }

    fn broken(&self, errand: Errand<'_>, error: reqwest::Error) -> Fault {
        // The URL may hold the token.
        let error = error.without_url();
        let cause = self.context().hide(&root_cause(&error));
        let remedy = "see that it can be reached from here";
        if error.is_connect() {
            // Not a byte of the request has left.
            return Fault::passing(format!("{} cannot be reached: {cause}", self.origin), remedy);
        }
        errand.doubt(format!("{} broke off: {cause}", self.origin), remedy)
    }
}

/// How the body is compressed (RFC 9110, section 8.4.1), by what is said of it or else by how it begins (RFC 1952, section
/// 2.3.1).
fn coding(said: Option<&str>, body: &[u8]) -> Option<String> {
    let said = said.map(str::trim).filter(|said| !said.is_empty() && !said.eq_ignore_ascii_case("identity"));
    said.or_else(|| body.starts_with(&[0x1f, 0x8b]).then_some("gzip")).map(str::to_owned)
}
