use super::super::json::Pointer;
use super::*;
use crate::testing::like;
use proptest::prelude::*;
use std::time::UNIX_EPOCH;

const PASSING: FaultKind = FaultKind::Passing { retry_after: None };

fn form() -> AnswerForm {
    AnswerForm { ok: Pointer::parse("/fine").ok(), message: Pointer::parse("/trouble").ok(), passing: Vec::new() }
}

/// 784111777 seconds after the epoch is the date in the examples of RFC 9110, section 5.6.7 (from memory).
fn judged(form: &AnswerForm, errand: Errand<'_>, status: u16, after: Option<&str>, body: &str) -> Result<(), Fault> {
    let hidden = [Secret::new(b"s3cret".to_vec())];
    let now = UNIX_EPOCH + Duration::from_secs(784_111_777 - 60);
    let context = Context { api: "https://api.dnshost.example", zone: "heronmill.example", hidden: &hidden, form, now };
    let status = StatusCode::from_u16(status).unwrap();
    let location = Some("https://elsewhere.example/?token=s3cret");
    context.judge(errand, &Judged { status, retry_after: after, location, body: body.as_bytes() })
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
        assert_eq!(kind(Errand::Remove("x"), status), None);
        assert_eq!(kind(Errand::Write("x"), status), Some(FaultKind::Conflict));
    }
    assert_eq!(kind(Errand::Remove("x"), 403), Some(FaultKind::Refused));
}

/// RFC 9110, sections 15.3.5, 15.3.6 and 15.4.4: there is no body for it.
#[test]
fn a_mark_of_success_is_missed_only_where_it_could_be() {
    let of = |errand, status| judged(&form(), errand, status, None, "").err().map(|fault| fault.kind);
    for status in [204, 205, 303] {
        assert_eq!(of(Errand::Write("x"), status), None, "{status}");
    }
    assert_eq!(of(Errand::Remove("x"), 404), None);
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
    fn no_answer_panics_or_gives_the_token_away(status in 100u16..1000, after in like(".{0,30}"), body in like(".{0,60}"), at in 0usize..60) {
        let at = body.floor_char_boundary(at.min(body.len()));
        let body = format!("{}s3cret{}", &body[..at], &body[at..]);
        if let Err(fault) = judged(&form(), Errand::List, status, Some(&after), &body) {
            prop_assert!(!fault.to_string().contains("s3cret"));
            prop_assert!(!fault.why.chars().any(char::is_control));
        }
    }
}
