//! Writes as APIs take them: done and refused, refused and done, shown late, or told to come back.

use std::time::Duration;

use fingerpost::provider::{Change, FaultKind, Provider};
use fingerpost::record::RecordType::A;

use crate::common::record_api::{Asked, Body, RecordApi, Reply};
use crate::common::*;
use crate::{PASSING, RECORD, change, faulty, own, run_case};

const GAUGE: &str = "gauge.heronmill.example";

/// An API with gauge at these addresses.
fn api(addresses: &[&str]) -> RecordApi {
    let api = RecordApi::start(ZONE);
    for address in addresses {
        api.zone().add(GAUGE, "A", 120, address);
    }
    api
}

/// Gauge, from these addresses to this one.
fn to_77(before: &[&str]) -> Change {
    let before = (!before.is_empty()).then(|| set(120, before));
    change("gauge", A, before, set(120, &["203.0.113.77"]))
}

/// Answers what `is_meant` so.
fn on(api: &RecordApi, is_meant: impl Fn(&Asked) -> bool + Send + 'static, reply: Reply) {
    api.zone().trick = Some(Box::new(move |asked| is_meant(asked).then(|| reply.clone())));
}

fn is_write(asked: &Asked) -> bool {
    asked.method != "GET"
}

fn stands(api: &RecordApi) -> Vec<String> {
    api.zone().at(GAUGE, "A").into_iter().map(|(_, address)| address).collect()
}

fn deletes(api: &RecordApi) -> usize {
    api.zone().asked.iter().filter(|asked| asked.method == "DELETE").count()
}

/// RFC 9110, section 15.4.4: what came of it can be seen elsewhere. Nobody goes there: the token would go along.
#[test]
fn see_other_is_a_success_and_not_followed() {
    let (api, elsewhere) = (api(&[]), api(&[]));
    on(&api, is_write, Reply::text(303, "").with("Location", &elsewhere.url()).after_the_work());
    run_case(own(RECORD, &api.url()).apply(&[to_77(&[])])).unwrap();
    assert_eq!(stands(&api), ["203.0.113.77"]);
    assert!(elsewhere.zone().asked.is_empty());
}

/// RFC 9110, sections 15.4.3, 15.4.8 and 15.4.9. Whether it was done first nobody knows.
#[test]
fn a_write_that_is_redirected_is_in_doubt() {
    let elsewhere = api(&[]);
    for status in [301, 302, 307, 308] {
        let api = api(&["203.0.113.9"]);
        on(&api, is_write, Reply::text(status, "").with("Location", &elsewhere.url()));
        let words = [&status.to_string(), "redirected to http://127.0.0.1:", "the token is sent nowhere else"];
        faulty(run_case(own(RECORD, &api.url()).apply(&[to_77(&["203.0.113.9"])])), FaultKind::InDoubt, &words);
    }
    assert!(elsewhere.zone().asked.is_empty());
}

/// Whatever was answered, the request was sent: but for a few statuses (RFC 9110, section 15.5) only reading tells. And what
/// never was sent is not said to be.
#[test]
fn a_fault_says_whether_anything_was_sent_that_may_have_been_taken() {
    let api = api(&["203.0.113.9"]);
    let provider = own(RECORD, &api.url());
    let changes = [to_77(&["203.0.113.9"])];
    for (status, kind, sent) in [
        (400, FaultKind::Refused, true),
        (401, FaultKind::Refused, false),
        (403, FaultKind::Refused, false),
        (405, FaultKind::Refused, false),
        (409, FaultKind::Conflict, true),
        (412, FaultKind::Conflict, false),
        (422, FaultKind::Refused, true),
        (429, PASSING, false),
        (503, PASSING, true),
    ] {
        on(&api, is_write, Reply::text(status, ""));
        let fault = faulty(run_case(provider.apply(&changes)), kind, &[&status.to_string()]);
        assert_eq!(fault.sent, sent, "{status}");
        on(&api, |asked| !is_write(asked), Reply::text(status, ""));
        let fault = run_case(provider.apply(&changes)).unwrap_err();
        assert!(!fault.sent && !fault.of_one, "reading: {status}");
    }
}

/// A wait that is asked for between two requests is one, and what was taken before is looked for.
#[test]
fn a_wait_in_the_middle_of_a_write_is_kept() {
    let wait = FaultKind::Passing { retry_after: Some(Duration::from_secs(90)) };
    for status in [429, 503] {
        let api = api(&["203.0.113.9", "203.0.113.8"]);
        let slowly = Reply::text(status, "slowly").with("Retry-After", "90");
        on(&api, |asked| asked.method == "DELETE", slowly);
        let changes = [to_77(&["203.0.113.8", "203.0.113.9"])];
        let fault = faulty(run_case(own(RECORD, &api.url()).apply(&changes)), wait, &["slowly", "1 of 2 requests"]);
        assert!(fault.sent);
        assert_eq!(stands(&api).len(), 2);
    }
}

/// Whatever its method, what is written is sent once: a connection that ends says nothing of what was done.
#[test]
fn a_write_by_get_whose_connection_ends_is_not_repeated() {
    let api = api(&[]);
    let is_create = |asked: &Asked| asked.target.starts_with("/desk/make");
    on(&api, is_create, Reply { body: Body::Cut, ..Reply::default() });
    let by_get = RECORD.replacen(
        "method = \"POST\"\nuri = \"/shelves/{zone_id}/cards\"",
        "method = \"GET\"\nuri = \"/make/{zone_id}\"",
        1,
    );
    faulty(run_case(own(&by_get, &api.url()).apply(&[to_77(&[])])), FaultKind::InDoubt, &["broke off"]);
    assert_eq!(api.zone().asked.iter().filter(|asked| is_create(asked)).count(), 1);
}

/// RFC 9110, section 9.3.5: what is not there any more need not be removed; some say so by 404 or 410.
#[test]
fn what_is_gone_already_is_removed() {
    for status in [404, 410] {
        let api = api(&["203.0.113.77", "203.0.113.8"]);
        on(&api, |asked| asked.method == "DELETE", Reply::text(status, "no such record").after_the_work());
        run_case(own(RECORD, &api.url()).apply(&[to_77(&["203.0.113.77", "203.0.113.8"])])).unwrap();
        assert_eq!(stands(&api), ["203.0.113.77"]);
    }
}

/// Before anything is removed, it is seen that what is wanted stands in another record: also where the list lags.
#[test]
fn nothing_is_removed_before_what_stays_is_seen() {
    let api = api(&["203.0.113.9", "203.0.113.8"]);
    {
        let mut zone = api.zone();
        let stale = zone.records.clone();
        zone.listed.push_back(stale);
    }
    let provider = own(RECORD, &api.url());
    let before = ["203.0.113.8", "203.0.113.9"];
    let words = ["1 of 2 requests", "does not show", "before that is removed"];
    assert!(faulty(run_case(provider.apply(&[to_77(&before)])), FaultKind::InDoubt, &words).sent);
    assert_eq!((deletes(&api), stands(&api).len()), (0, 2));
    // It shows: the rest is done.
    api.zone().listed.clear();
    let shown = stands(&api);
    let shown: Vec<&str> = shown.iter().map(String::as_str).collect();
    run_case(provider.apply(&[to_77(&shown)])).unwrap();
    assert_eq!((stands(&api), api.zone().went_dark.len()), (vec!["203.0.113.77".to_owned()], 0));
}

/// Somebody else removes the one that is to stay, or writes into the one that is to go, while we do.
#[test]
fn what_others_do_amidst_a_write_stops_it() {
    for others in ["remove", "write"] {
        let api = api(&["203.0.113.77", "203.0.113.8"]);
        let mut ids: Vec<u64> = api.zone().records.keys().copied().collect();
        let (stays, goes) = (ids.remove(0), ids.remove(0));
        {
            let mut zone = api.zone();
            let before = zone.records.clone();
            match others {
                "remove" => drop(zone.records.remove(&stays)),
                _ => zone.put(goes, "203.0.113.55"),
            }
            // The second list of the write is the look before the removal.
            let after = zone.records.clone();
            zone.listed.extend([before, after]);
        }
        let changes = [to_77(&["203.0.113.77", "203.0.113.8"])];
        faulty(run_case(own(RECORD, &api.url()).apply(&changes)), FaultKind::Conflict, &["A gauge"]);
        assert_eq!(deletes(&api), 0, "{others}");
    }
}
