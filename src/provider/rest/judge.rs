//! Judges an API's answers by their status (RFC 9110, section 15) and their own words. Pure.

use std::time::{Duration, SystemTime};

use reqwest::StatusCode;
use serde_json::value::RawValue;

use super::description::AnswerForm;
use super::json::text;
use crate::provider::{Fault, FaultKind, LONGEST_ASKED};
use crate::secret::Secret;
use crate::shown;
use crate::text::short_line;

/// An answer, as far as it is judged.
pub(super) struct Answer<'a> {
    pub(super) status: StatusCode,
    pub(super) retry_after: Option<&'a str>,
    pub(super) location: Option<&'a str>,
    pub(super) body: &'a [u8],
}

/// The statuses of a request that was not applied: RFC 9110, sections 15.5.2, 15.5.4, 15.5.5, 15.5.6, 15.5.9, 15.5.11 and
/// 15.5.13, RFC 4918, section 11.3, RFC 8470, section 5.2, and RFC 6585, section 4.
const UNTOUCHED: [u16; 10] = [401, 403, 404, 405, 408, 410, 412, 423, 425, 429];
/// The statuses whose answers have no body in which a mark of success could stand: RFC 9110, sections 15.3.5 and 15.3.6; and
/// 15.4.4, which need not have one.
const WITHOUT_MARK: [u16; 3] = [204, 205, 303];

/// What was asked for.
#[derive(Clone, Copy, Debug)]
pub(super) enum Errand<'a> {
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
    /// A removal of one of these records, and the statuses that say that it is gone already.
    Remove(&'a str, &'a [u16]),
}

impl Errand<'_> {
    /// Whether it changes anything.
    pub(super) fn is_write(&self) -> bool {
        matches!(self, Self::Write(_) | Self::Remove(..))
    }

    /// Whether what was to be removed is gone already, by this status.
    fn is_gone_by(&self, status: StatusCode) -> bool {
        matches!(self, Self::Remove(_, gone) if gone.contains(&status.as_u16()))
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
            Self::Remove(what, _) => format!("removing a record of {what}"),
        }
    }

    /// What to conclude when an answer says nothing of what was done: a read is repeated, a write may have happened.
    pub(super) fn doubt(&self, why: String, remedy: &str) -> Fault {
        match self {
            Self::Write(_) | Self::Remove(..) => Fault::new(FaultKind::InDoubt, why, remedy),
            Self::Lookup | Self::List | Self::Name(_) | Self::Page | Self::Get(_) => Fault::passing(why, remedy),
        }
    }

    /// Whether this status says that there is nothing to list.
    pub(super) fn is_empty_by(&self, status: StatusCode) -> bool {
        matches!(self, Self::Name(_) | Self::Page) && matches!(status, StatusCode::NOT_FOUND | StatusCode::GONE)
    }

    /// What to conclude when it is refused. A page of maintenance or a gate before the API refuses a read as well as the API
    /// does, so that waiting may help; what lasts, a person is told of.
    fn refusal(&self, why: String, remedy: impl Into<String>) -> Fault {
        match self {
            Self::Write(_) | Self::Remove(..) => Fault::refused(why, remedy),
            Self::Lookup | Self::List | Self::Name(_) | Self::Page | Self::Get(_) => Fault::unproven(why, remedy),
        }
    }
}

/// Who is asked, and what an explanation needs.
pub(super) struct Context<'a> {
    /// The API, as people know it: scheme, host, port.
    pub(super) api: &'a str,
    /// The zone.
    pub(super) zone: &'a str,
    /// What an answer must not be quoted with.
    pub(super) hidden: &'a [Secret],
    /// How an error is told.
    pub(super) form: &'a AnswerForm,
    /// The present time.
    pub(super) now: SystemTime,
}

impl Context<'_> {
    /// Whether `answer` says that `errand` was done.
    ///
    /// # Errors
    /// The fault that follows. Of a write it proves nothing, whatever it says, but for the statuses that say that it was not
    /// even looked at.
    pub(super) fn judge(&self, errand: Errand<'_>, answer: &Answer<'_>) -> Result<(), Fault> {
        let status = answer.status.as_u16();
        self.weigh(errand, answer).map_err(|fault| {
            // A token that is not known is known to no other request either.
            let fault = if errand.is_write() && status != 401 { fault.of_what_was_sent() } else { fault };
            if errand.is_write() && !UNTOUCHED.contains(&status) { fault.after_sending() } else { fault }
        })
    }

    fn weigh(&self, errand: Errand<'_>, answer: &Answer<'_>) -> Result<(), Fault> {
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
            let to =
                answer.location.and_then(|to| reqwest::Url::parse(to).ok()).map(|to| to.origin().ascii_serialization());
            let to = to.map(|to| format!(" to {}", short_line(&self.hide(&to)))).unwrap_or_default();
            let why = format!("{why}: redirected{to}, and the token is sent nowhere else");
            let remedy =
                "where the API has moved, change the values in the configuration, or `base` in the description";
            return Err(if errand.is_write() { errand.doubt(why, remedy) } else { errand.refusal(why, remedy) });
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
                Errand::Get(_) | Errand::Write(_) | Errand::Remove(..) => {
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

    /// A status of success, unless the API has another way to say that it failed.
    fn agreed(&self, errand: Errand<'_>, answer: &Answer<'_>) -> Result<(), Fault> {
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
                    "{api} answered {} to {} without the mark of success that `answer.ok` names",
                    code(answer.status),
                    errand.what()
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
    pub(super) fn hide(&self, text: &str) -> String {
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
mod tests {
    use super::super::json::Pointer;
    use super::*;
    use proptest::prelude::*;
    use std::time::UNIX_EPOCH;

    const PASSING: FaultKind = FaultKind::Passing { retry_after: None };

    fn form() -> AnswerForm {
        AnswerForm { ok: Pointer::parse("/fine").ok(), message: Pointer::parse("/trouble").ok(), passing: Vec::new() }
    }

    /// 784111777 seconds after the epoch is the date in the examples of RFC 9110, section 5.6.7 (from memory).
    fn judged(
        form: &AnswerForm,
        errand: Errand<'_>,
        status: u16,
        after: Option<&str>,
        body: &str,
    ) -> Result<(), Fault> {
        let hidden = [Secret::new(b"s3cret".to_vec())];
        let now = UNIX_EPOCH + Duration::from_secs(784_111_777 - 60);
        let context =
            Context { api: "https://api.dnshost.example", zone: "heronmill.example", hidden: &hidden, form, now };
        let status = StatusCode::from_u16(status).unwrap();
        let location = Some("https://elsewhere.example/?token=s3cret");
        context.judge(errand, &Answer { status, retry_after: after, location, body: body.as_bytes() })
    }

    fn kind(errand: Errand<'_>, status: u16) -> Option<FaultKind> {
        judged(&AnswerForm::default(), errand, status, None, "").err().map(|fault| fault.kind)
    }

    /// RFC 9110, section 15: what each status says of what was done.
    #[test]
    fn every_status_has_its_consequence() {
        use FaultKind::{Conflict, InDoubt, Refused, Unproven};
        let (list, get, write) = (Errand::List, Errand::Get("x"), Errand::Write("x"));
        for (status, of_list, of_get, of_write) in [
            (200, None, None, None),
            (204, None, None, None),
            (302, Some(Unproven), Some(Unproven), Some(InDoubt)),
            // What was written can be seen elsewhere (15.4.4).
            (303, Some(Unproven), Some(Unproven), None),
            (307, Some(Unproven), Some(Unproven), Some(InDoubt)),
            (308, Some(Unproven), Some(Unproven), Some(InDoubt)),
            (400, Some(Unproven), Some(Unproven), Some(Refused)),
            (401, Some(Refused), Some(Refused), Some(Refused)),
            (403, Some(Unproven), Some(Unproven), Some(Refused)),
            (404, Some(Unproven), Some(Conflict), Some(Conflict)),
            (410, Some(Unproven), Some(Conflict), Some(Conflict)),
            (405, Some(Unproven), Some(Unproven), Some(Refused)),
            (408, Some(PASSING), Some(PASSING), Some(PASSING)),
            (409, Some(Conflict), Some(Conflict), Some(Conflict)),
            (412, Some(Conflict), Some(Conflict), Some(Conflict)),
            (422, Some(Unproven), Some(Unproven), Some(Refused)),
            (429, Some(PASSING), Some(PASSING), Some(PASSING)),
            (503, Some(PASSING), Some(PASSING), Some(PASSING)),
            (500, Some(PASSING), Some(PASSING), Some(InDoubt)),
            (502, Some(PASSING), Some(PASSING), Some(InDoubt)),
            (504, Some(PASSING), Some(PASSING), Some(InDoubt)),
            (599, Some(PASSING), Some(PASSING), Some(InDoubt)),
            (501, Some(Unproven), Some(Unproven), Some(Refused)),
        ] {
            assert_eq!(
                [kind(list, status), kind(get, status), kind(write, status)],
                [of_list, of_get, of_write],
                "{status}"
            );
        }
        assert_eq!(kind(Errand::Lookup, 404), Some(Unproven));
        for status in [200, 403, 404, 410, 500].map(|status| StatusCode::from_u16(status).unwrap()) {
            let is_gone = matches!(status.as_u16(), 404 | 410);
            let is_empty = |errand: Errand<'_>| errand.is_empty_by(status);
            assert_eq!((is_empty(Errand::Name("x")), is_empty(Errand::Page)), (is_gone, is_gone), "{status}");
            assert!(!is_empty(list) && !is_empty(get) && !is_empty(write) && !is_empty(Errand::Lookup), "{status}");
        }
    }

    /// RFC 9110, sections 15.5.2, 15.5.4 to 15.5.6, 15.5.9, 15.5.11, 15.5.13; RFC 4918, 11.3; RFC 8470, 5.2; RFC 6585, 4: not
    /// applied. All others may lie.
    #[test]
    fn of_a_write_only_few_statuses_prove_that_nothing_was_done() {
        for status in (300..600).filter(|status| kind(Errand::Write("x"), *status).is_some()) {
            let sent = |errand| judged(&form(), errand, status, None, "").unwrap_err().sent;
            let proof = [401, 403, 404, 405, 408, 410, 412, 423, 425, 429];
            assert_eq!(sent(Errand::Write("x")), !proof.contains(&status), "{status}");
            assert!(!sent(Errand::List) && !sent(Errand::Get("x")), "{status}");
        }
    }

    /// A token that is not known is known to no request; all else may concern one record.
    #[test]
    fn what_is_refused_of_a_write_may_be_of_one_record() {
        for status in (300..600).filter(|status| kind(Errand::Write("x"), *status).is_some()) {
            let of_one = |errand| judged(&form(), errand, status, None, "").unwrap_err().of_one;
            assert_eq!((of_one(Errand::Write("x")), of_one(Errand::List)), (status != 401, false), "{status}");
        }
    }

    /// RFC 9110, section 9.3.5: DELETE removes; what is not there is removed.
    #[test]
    fn what_is_gone_already_is_removed() {
        for status in [404, 410] {
            assert_eq!(kind(Errand::Remove("x", &[404, 410]), status), None);
            assert_eq!(kind(Errand::Remove("x", &[]), status), Some(FaultKind::Conflict));
            assert_eq!(kind(Errand::Write("x"), status), Some(FaultKind::Conflict));
        }
        assert_eq!(kind(Errand::Remove("x", &[404]), 403), Some(FaultKind::Refused));
    }

    /// RFC 9110, sections 15.3.5, 15.3.6 and 15.4.4: there is no body for it.
    #[test]
    fn a_mark_of_success_is_missed_only_where_it_could_be() {
        let of = |errand, status| judged(&form(), errand, status, None, "").err().map(|fault| fault.kind);
        for status in [204, 205, 303] {
            assert_eq!(of(Errand::Write("x"), status), None, "{status}");
        }
        assert_eq!(of(Errand::Remove("x", &[404]), 404), None);
        assert_eq!(of(Errand::Write("x"), 202), Some(FaultKind::InDoubt));
        assert_eq!(of(Errand::List, 204), Some(PASSING));
    }

    #[test]
    fn the_apis_own_words_are_told_short_and_without_the_token() {
        let told = |status, body: &str| {
            judged(&form(), Errand::Write("A gauge.heronmill.example"), status, None, body).unwrap_err()
        };
        let fault = told(422, r#"{"trouble": "bad\u0007 ttl for\n s3cret"}"#);
        assert_eq!(
            fault.why,
            "https://api.dnshost.example answered 422 Unprocessable Entity to writing A gauge.heronmill.example: \"bad ttl for (secret)\""
        );
        assert!(told(422, &format!("{{\"trouble\": \"{}\"}}", "x".repeat(10_000))).why.len() < 300);
        // Something else than what the description expects is told too.
        assert!(told(500, "<b>oops</b>").why.ends_with(": \"<b>oops</b>\""));
        assert!(told(500, r#"{"trouble": ["a", 1]}"#).why.ends_with(r#": "[\"a\", 1]""#));
        assert!(told(401, "").why.ends_with("heronmill.example"));
        let away = told(301, "");
        assert!(
            away.why.ends_with("redirected to https://elsewhere.example, and the token is sent nowhere else"),
            "{away}"
        );
        assert!(!away.to_string().contains("s3cret"));
    }

    #[test]
    fn a_status_of_success_may_still_tell_of_failure() {
        let of = |body: &str| judged(&form(), Errand::Write("x"), 200, None, body).err().map(|fault| fault.kind);
        assert_eq!(of(r#"{"fine": true}"#), None);
        assert_eq!(of(r#"{"fine": false, "trouble": "no"}"#), Some(FaultKind::Refused));
        for body in ["", "{}", "<html>", r#"{"fine": "true"}"#, r#"{"fine": null}"#] {
            assert_eq!(of(body), Some(FaultKind::InDoubt), "{body}");
        }
    }

    /// RFC 9110, sections 10.2.3 and 5.6.7 (the three forms of a date, from memory).
    #[test]
    fn retry_after_is_seconds_or_a_date() {
        let day = 86_400;
        for (text, seconds) in [
            ("120", Some(120)),
            (" 7 ", Some(7)),
            ("0", Some(0)),
            ("Sun, 06 Nov 1994 08:49:37 GMT", Some(60)),
            ("Sunday, 06-Nov-94 08:49:37 GMT", Some(60)),
            ("Sun Nov  6 08:49:37 1994", Some(60)),
            // In the past.
            ("Sun, 06 Nov 1994 08:47:37 GMT", Some(0)),
            ("99999999999999999999999999", Some(day)),
            ("Fri, 31 Dec 9999 23:59:59 GMT", Some(day)),
            ("18446744073709551615", Some(day)),
            ("soon", None),
            ("-1", None),
            ("1.5", None),
            ("", None),
        ] {
            let kind = judged(&form(), Errand::List, 429, Some(text), "").unwrap_err().kind;
            assert_eq!(kind, FaultKind::Passing { retry_after: seconds.map(Duration::from_secs) }, "{text}");
        }
    }

    proptest! {
        #[test]
        fn no_answer_panics_or_gives_the_token_away(status in 100u16..1000, after in ".{0,30}", body in ".{0,60}", at in 0usize..60) {
            let at = body.floor_char_boundary(at.min(body.len()));
            let body = format!("{}s3cret{}", &body[..at], &body[at..]);
            if let Err(fault) = judged(&form(), Errand::List, status, Some(&after), &body) {
                prop_assert!(!fault.to_string().contains("s3cret"));
                prop_assert!(!fault.why.chars().any(char::is_control));
            }
        }
    }
}
