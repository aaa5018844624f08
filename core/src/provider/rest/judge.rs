//! Judges an API's answers by their status (RFC 9110, section 15) and their own words. Pure.

use std::time::{Duration, SystemTime};

use http::StatusCode;
use serde_json::value::RawValue;

use super::description::AnswerForm;
use super::json::text;
use crate::provider::{Fault, FaultKind, LONGEST_ASKED};
use crate::secret::Secret;
use crate::shown;
use crate::text::short_line;

/// An answer, as far as it is judged.
pub struct Judged<'a> {
    /// Its status (RFC 9110, section 15).
    pub status: StatusCode,
    /// Its Retry-After (RFC 9110, section 10.2.3).
    pub retry_after: Option<&'a str>,
    /// Its Location (RFC 9110, section 10.2.2).
    pub location: Option<&'a str>,
    /// Its content, as far as it was read.
    pub body: &'a [u8],
}

/// The statuses of a request that was not applied: RFC 9110, sections 15.5.2, 15.5.4, 15.5.5, 15.5.6, 15.5.9, 15.5.11 and
/// 15.5.13, RFC 4918, section 11.3, RFC 8470, section 5.2, and RFC 6585, section 4.
const UNTOUCHED: [u16; 10] = [401, 403, 404, 405, 408, 410, 412, 423, 425, 429];
/// The statuses whose answers have no body in which a mark of success could stand: RFC 9110, sections 15.3.5 and 15.3.6; and
/// 15.4.4, which need not have one.
const WITHOUT_MARK: [u16; 3] = [204, 205, 303];

/// What was asked for.
#[derive(Clone, Copy, Debug)]
pub enum Errand<'a> {
    /// The zone's id.
    Lookup,
    /// The records.
    List,
    /// The records of this name.
    Name(&'a str),
    /// A further page of a list, where only the answer to one that is not there tells which is the last.
    Page,
    /// The one item that is to be written: the records it belongs to.
    Get(&'a str),
    /// A write of these records.
    Write(&'a str),
    /// A removal of one of these records.
    Remove(&'a str),
}

impl Errand<'_> {
    /// Whether it changes anything.
    pub fn is_write(&self) -> bool {
        matches!(self, Self::Write(_) | Self::Remove(_))
    }

    /// Whether what was to be removed is gone already, by this status. An API that says so in another way needs no key for it:
    /// whatever else it answers, what stands is read, and what is gone is seen to be.
    fn is_gone_by(&self, status: StatusCode) -> bool {
        matches!(self, Self::Remove(_)) && matches!(status, StatusCode::NOT_FOUND | StatusCode::GONE)
    }

    /// Whether a status says that it is done. What can be seen elsewhere now was written (RFC 9110, section 15.4.4).
    fn is_done_by(&self, status: StatusCode) -> bool {
        status.is_success() || self.is_gone_by(status) || self.is_write() && status == StatusCode::SEE_OTHER
    }

    fn what(&self) -> String {
        match self {
            Self::Lookup => "looking up the zone".into(),
            Self::List => "listing the records".into(),
            Self::Name(name) => format!("listing the records of {name}"),
            Self::Page => "asking for the next page of a list".into(),
            Self::Get(what) => format!("reading {what}"),
            Self::Write(what) => format!("writing {what}"),
            Self::Remove(what) => format!("removing a record of {what}"),
        }
    }

    /// What to conclude when an answer says nothing of what was done: a read is repeated, a write may have happened.
    pub fn doubt(&self, why: String, remedy: &str) -> Fault {
        match self {
            Self::Write(_) | Self::Remove(_) => Fault::new(FaultKind::InDoubt, why, remedy),
            Self::Lookup | Self::List | Self::Name(_) | Self::Page | Self::Get(_) => Fault::passing(why, remedy),
        }
    }

    /// Whether this status says that there is nothing to list.
    pub fn is_empty_by(&self, status: StatusCode) -> bool {
        matches!(self, Self::Name(_) | Self::Page) && matches!(status, StatusCode::NOT_FOUND | StatusCode::GONE)
    }

    /// What to conclude when it is refused. A page of maintenance or a gate before the API refuses a read as well as the API
    /// does, so that waiting may help; what lasts, a person is told of.
    fn refusal(&self, why: String, remedy: impl Into<String>) -> Fault {
        match self {
            Self::Write(_) | Self::Remove(_) => Fault::refused(why, remedy),
            Self::Lookup | Self::List | Self::Name(_) | Self::Page | Self::Get(_) => Fault::unproven(why, remedy),
        }
    }
}

/// Who is asked, and what an explanation needs.
pub struct Context<'a> {
    /// The API, as people know it: scheme, host, port.
    pub api: &'a str,
    /// The zone.
    pub zone: &'a str,
    /// What an answer must not be quoted with.
    pub hidden: &'a [Secret],
    /// How an error is told.
    pub form: &'a AnswerForm,
    /// The present time.
    pub now: SystemTime,
}

impl Context<'_> {
    /// Whether `answer` says that `errand` was done.
    ///
    /// # Errors
    /// The fault that follows. Of a write it proves nothing, whatever it says, but for the statuses that say that it was not
    /// even looked at.
    pub fn judge(&self, errand: Errand<'_>, answer: &Judged<'_>) -> Result<(), Fault> {
        let status = answer.status.as_u16();
        self.weigh(errand, answer).map_err(|fault| {
            // A token that is not known is known to no other request either.
            let fault = if errand.is_write() && status != 401 { fault.of_what_was_sent() } else { fault };
            if errand.is_write() && !UNTOUCHED.contains(&status) { fault.after_sending() } else { fault }
        })
    }

    fn weigh(&self, errand: Errand<'_>, answer: &Judged<'_>) -> Result<(), Fault> {
        let status = answer.status;
        if errand.is_done_by(status) {
            return self.agreed(errand, answer);
        }
        let (api, zone) = (self.api, self.zone);
        let why = format!("{api} answered {} to {}{}", code(status), errand.what(), self.said(answer.body));
        let retry_after = || answer.retry_after.and_then(|text| wait(text, self.now));
        if self.form.passing.contains(&status.as_u16()) {
            return Err(Fault::new(FaultKind::Passing { retry_after: retry_after() }, why, ""));
        }
        if status.is_redirection() {
            return Err(self.redirected(errand, answer, &why));
        }
        Err(match status.as_u16() {
            401 => Fault::refused(why, "check the token in the configuration, and `auth` in the description"),
            403 => errand.refusal(why, format!("let the token change {zone} at the DNS host")),
            404 | 410 => match errand {
                Errand::Lookup => {
                    errand.refusal(why, "check the values in the configuration, and `zone.uri` in the description")
                }
                Errand::List | Errand::Name(_) | Errand::Page => errand.refusal(
                    why,
                    format!(
                        "see that {zone} is at this account and the token may see it, and check `list.uri` in the description"
                    ),
                ),
                // The zone was listed a moment ago; so it is the record that is gone, or the next listing will tell.
                Errand::Get(_) | Errand::Write(_) | Errand::Remove(_) => {
                    let remedy = "it is read and planned again; where it stays so, check the `uri` of that step in the description";
                    Fault::new(FaultKind::Conflict, why, remedy)
                }
            },
            409 | 412 => Fault::new(FaultKind::Conflict, why, "it is read and planned again"),
            // Nothing was taken in (RFC 9110, section 15.5.9, RFC 8470, section 5.2, and RFC 4918, section 11.3).
            408 | 423 | 425 => Fault::passing(why, ""),
            // RFC 6585, section 4, and RFC 9110, section 15.6.4: not now.
            429 | 503 => Fault::new(FaultKind::Passing { retry_after: retry_after() }, why, ""),
            400..=499 | 501 | 505 => errand.refusal(
                why,
                match errand.is_write() {
                    true => "correct the record in the configuration, or the step in the description",
                    false => "correct the step in the description",
                },
            ),
            // A server that fails, or one behind it, may have done the work before.
            _ => errand.doubt(why, &format!("see whether {api} has a disturbance")),
        })
    }

    fn redirected(&self, errand: Errand<'_>, answer: &Judged<'_>, why: &str) -> Fault {
        let to = answer.location.and_then(|to| url::Url::parse(to).ok()).map(|to| to.origin().ascii_serialization());
        let to = to.map(|to| format!(" to {}", short_line(&self.hide(&to)))).unwrap_or_default();
        let why = format!("{why}: redirected{to}, and the token is sent nowhere else");
        let remedy = "where the API has moved, change the values in the configuration, or `base` in the description";
        if errand.is_write() { errand.doubt(why, remedy) } else { errand.refusal(why, remedy) }
    }

    /// A status of success, unless the API has another way to say that it failed.
    fn agreed(&self, errand: Errand<'_>, answer: &Judged<'_>) -> Result<(), Fault> {
        let Some(ok) = &self.form.ok else { return Ok(()) };
        let is_without = errand.is_write() && WITHOUT_MARK.contains(&answer.status.as_u16());
        if is_without || errand.is_gone_by(answer.status) {
            return Ok(());
        }
        let api = self.api;
        let said =
            serde_json::from_slice::<&RawValue>(answer.body).ok().and_then(|json| ok.find(json)).map(RawValue::get);
        match said {
            Some("true") => Ok(()),
            Some("false") => Err(errand.refusal(
                format!("{api} answered that {} failed{}", errand.what(), self.said(answer.body)),
                "do what it says; the configuration and the description tell what was asked",
            )),
            _ => Err(errand.doubt(
                format!(
                    "{api} answered {} to {} without the mark of success that `answer.ok` names{}",
                    code(answer.status),
                    errand.what(),
                    self.said(answer.body)
                ),
                "compare `answer.ok` in the description with what the API answers",
            )),
        }
    }

    /// What the API says itself, after a colon; nothing when it says nothing.
    fn said(&self, body: &[u8]) -> String {
        let told = self.form.message.as_ref().and_then(|at| {
            let json: &RawValue = serde_json::from_slice(body).ok()?;
            let found = at.find(json)?;
            Some(text(found).unwrap_or_else(|| found.get().to_owned()))
        });
        let text = told.unwrap_or_else(|| String::from_utf8_lossy(body).into_owned());
        match short_line(&self.hide(&text)) {
            text if text.is_empty() => text,
            text => format!(": {text:?}"),
        }
    }

    /// `text` without the secret.
    pub fn hide(&self, text: &str) -> String {
        shown::without(text, self.hidden.iter().map(Secret::expose))
    }
}

fn code(status: StatusCode) -> String {
    match status.canonical_reason() {
        Some(reason) => format!("{} {reason}", status.as_u16()),
        None => status.as_u16().to_string(),
    }
}

/// `Retry-After` (RFC 9110, section 10.2.3): seconds, or a date. A wish for more than a day is heard as a day.
fn wait(text: &str, now: SystemTime) -> Option<Duration> {
    let text = text.trim();
    let asked = match text.bytes().all(|b| b.is_ascii_digit()) && !text.is_empty() {
        true => text.parse().map_or(Duration::MAX, Duration::from_secs),
        false => httpdate::parse_http_date(text).ok()?.duration_since(now).unwrap_or_default(),
    };
    Some(asked.min(LONGEST_ASKED))
}

#[cfg(test)]
mod tests;
