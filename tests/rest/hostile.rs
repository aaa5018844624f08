//! APIs that mean ill, or are broken: bounded in time and bytes, told, nothing written, the token sent nowhere else.

use std::sync::atomic::{AtomicUsize, Ordering};
use std::time::Duration;

use fingerpost::provider::{FaultKind, Provider};
use fingerpost::record::RecordType::A;
use serde_json::{Value, json};

use crate::common::record_api::{Body, RecordApi, Reply, TOKEN, Trick};
use crate::common::*;
use crate::{PASSING, RECORD, change, changed, faulty, own, read, rest, run_case};

fn api() -> RecordApi {
    let api = RecordApi::start(ZONE);
    api.zone().add("gauge.heronmill.example", "A", 120, "203.0.113.9");
    api
}

/// Lists with `trick`: the fault of reading and of writing, the same one, and nothing written.
#[track_caller]
fn refuses(description: &str, timeout: Duration, kind: FaultKind, words: &[&str], trick: Trick) {
    let api = api();
    api.zone().trick = Some(trick);
    let provider = rest(description, &api.url(), TOKEN, timeout);
    faulty(run_case(read(&provider, &[at("gauge")])), kind, words);
    let changes = [change("gauge", A, Some(set(120, &["203.0.113.9"])), set(120, &["203.0.113.77"]))];
    faulty(run_case(provider.apply(&changes)), kind, words);
    assert_eq!(api.zone().writes(), [""; 0]);
}

fn is_list(target: &str) -> bool {
    target.contains("/cards?")
}

/// Answers the list with `reply`.
fn on_list(reply: impl Fn() -> Reply + Send + 'static) -> Trick {
    Box::new(move |asked| is_list(&asked.target).then(&reply))
}

const LONG: Duration = Duration::from_secs(60);

#[test]
fn pages_without_end() {
    let empty =
        || json!({ "cards": [], "leaf": { "of": u64::MAX, "next": "again", "link": "/desk/shelves/x/cards?" } });
    let words = ["pages without end", "`paging`"];
    refuses(RECORD, LONG, PASSING, &words, {
        on_list(move || Reply::new(200, json!({ "cards": [], "leaf": { "of": u64::MAX } })))
    });
    let by_number = "{ first_page = 1, last_page = \"/leaf/of\" }";
    let cursor = changed(&changed(RECORD, by_number, "{ cursor = \"/leaf/next\" }"), "{&page}", "{&cursor}");
    refuses(&cursor, LONG, PASSING, &words, on_list(move || Reply::new(200, empty())));
    // A new one each time.
    let count = AtomicUsize::new(0);
    let next = move || json!({ "cards": [], "leaf": { "next": count.fetch_add(1, Ordering::Relaxed) } });
    refuses(&cursor, LONG, PASSING, &words, on_list(move || Reply::new(200, next())));
    let link = changed(&changed(RECORD, by_number, "{ next = \"/leaf/link\" }"), "{&page}", "");
    refuses(&link, LONG, PASSING, &words, on_list(move || Reply::new(200, empty())));
}

#[test]
fn a_gigabyte() {
    let trick = on_list(|| Reply { status: 200, body: Body::Endless(1 << 30), ..Reply::default() });
    refuses(RECORD, LONG, PASSING, &["one answer has more than 4 MiB"], trick);
    // As the answer to a write its status counts, and the rest is not read.
    let api = api();
    api.zone().trick = Some(Box::new(|asked| {
        (asked.is_change()).then(|| Reply { status: 422, body: Body::Endless(1 << 30), ..Reply::default() })
    }));
    let changes = [change("gauge", A, Some(set(120, &["203.0.113.9"])), set(120, &["203.0.113.77"]))];
    let fault = faulty(run_case(own(RECORD, &api.url()).apply(&changes)), FaultKind::Refused, &["422"]);
    assert!(fault.to_string().len() < 500);
}

#[test]
fn a_slow_trickle() {
    let trick = on_list(|| Reply { status: 200, body: Body::Trickle, ..Reply::default() });
    refuses(RECORD, Duration::from_millis(200), PASSING, &["did not answer within 200ms"], trick);
    let api = api();
    api.zone().trick = Some(Box::new(|asked| {
        (asked.is_change()).then(|| Reply { status: 200, body: Body::Trickle, ..Reply::default() })
    }));
    let changes = [change("gauge", A, Some(set(120, &["203.0.113.9"])), set(120, &["203.0.113.77"]))];
    let provider = rest(RECORD, &api.url(), TOKEN, Duration::from_millis(200));
    faulty(run_case(provider.apply(&changes)), FaultKind::InDoubt, &["did not answer within 200ms"]);
}

/// Pages that each come in time, and never end: the whole is bounded too.
#[test]
fn a_slow_list_without_end() {
    let by_number = "{ first_page = 1, last_page = \"/leaf/of\" }";
    let cursor = changed(&changed(RECORD, by_number, "{ cursor = \"/leaf/next\" }"), "{&page}", "{&cursor}");
    let count = AtomicUsize::new(0);
    let trick = on_list(move || {
        std::thread::sleep(Duration::from_millis(50));
        Reply::new(200, json!({ "cards": [], "leaf": { "next": count.fetch_add(1, Ordering::Relaxed) } }))
    });
    refuses(&cursor, Duration::from_millis(200), PASSING, &["took longer than 2s in all"], trick);
}

/// A second host, which nothing may ever reach.
#[test]
fn the_token_is_sent_to_no_other_host() {
    let (api, other) = (api(), RecordApi::start(ZONE));
    let elsewhere = other.url();
    let by_number = "{ first_page = 1, last_page = \"/leaf/of\" }";
    let link = changed(&changed(RECORD, by_number, "{ next = \"/leaf/link\" }"), "{&page}", "");
    let changes = [change("gauge", A, Some(set(120, &["203.0.113.9"])), set(120, &["203.0.113.77"]))];
    for status in [301, 302, 303, 307, 308] {
        for location in
            [elsewhere.clone(), format!("{elsewhere}/{TOKEN}"), "//".to_owned() + &elsewhere["http://".len()..]]
        {
            let to = location.clone();
            api.zone().trick = Some(Box::new(move |_| Some(Reply::text(status, "").with("Location", &to))));
            let provider = own(RECORD, &api.url());
            faulty(run_case(read(&provider, &[at("gauge")])), FaultKind::Unproven, &["redirected", "nowhere else"]);
            // Only the write.
            let to = location.clone();
            api.zone().trick =
                Some(Box::new(move |asked| (asked.is_change()).then(|| Reply::text(status, "").with("Location", &to))));
            let applied = run_case(provider.apply(&changes));
            match status {
                // Done, and seen elsewhere (RFC 9110, section 15.4.4).
                303 => drop(applied.unwrap()),
                _ => drop(faulty(applied, FaultKind::InDoubt, &["redirected", "nowhere else"])),
            }
        }
    }
    let port = other.at.port();
    for link_to in [
        format!("{elsewhere}/desk/shelves"),
        format!("//127.0.0.1:{port}/x"),
        format!("http://127.0.0.1:{port}"),
        format!("http://{}@127.0.0.1:{port}/", api.at),
        format!("\\\\127.0.0.1:{port}\\x"),
        format!("http:\n//127.0.0.1:{port}/"),
    ] {
        let reply = json!({ "cards": [], "leaf": { "link": link_to } });
        api.zone().trick = Some(on_list(move || Reply::new(200, reply.clone())));
        let outcome = run_case(read(&own(&link, &api.url()), &[at("gauge")]));
        faulty(outcome, FaultKind::Refused, &["leads on to", "nowhere else"]);
    }
    // An id that tries to be another path, or another host.
    for id in [json!("@127.0.0.1"), json!("../../x"), json!("?x=#"), json!("//127.0.0.1")] {
        api.zone().trick = Some(Box::new(move |asked| {
            let zones = json!({ "shelves": [{ "label": ZONE, "shelf": id }] });
            asked.target.contains("shelves?").then(|| Reply::new(200, zones))
        }));
        let _ = run_case(read(&own(RECORD, &api.url()), &[at("gauge")]));
        let last = api.zone().asked.last().unwrap().target.clone();
        assert!(last.starts_with("/desk/shelves/%") || last.starts_with("/desk/shelves/..%2F"), "{last}");
    }
    assert_eq!(other.zone().asked.len(), 0);
    // A proxy in the environment would be another host too; nothing here reads it.
    assert!(api.zone().asked.iter().all(|asked| asked.target.starts_with('/')));
    let with_token = api.zone().asked.iter().filter(|asked| asked.headers["authorization"].contains(TOKEN)).count();
    assert_eq!(with_token, api.zone().asked.len());
}

#[test]
fn answers_that_are_no_list() {
    for text in ["", "<html>Welcome!</html>", "{", "nul", "\u{0}", "{} {}", "[1,]", "\"\\ud800\"x"] {
        let api = api();
        api.zone().trick = Some(on_list(move || Reply::text(200, text)));
        faulty(run_case(read(&own(RECORD, &api.url()), &[at("gauge")])), PASSING, &["something else than JSON"]);
    }
    let deep = format!("{}{}", "[".repeat(1 << 20), "]".repeat(1 << 20));
    for text in ["null", "[]", "{}", "7", r#"{"cards": {}}"#, &deep] {
        let (api, text) = (api(), text.to_owned());
        api.zone().trick = Some(on_list(move || Reply::text(200, &text)));
        faulty(
            run_case(read(&own(RECORD, &api.url()), &[at("gauge")])),
            PASSING,
            &["has no list where the description says"],
        );
    }
}

/// What cannot be read rightly is not guessed, and what is of no concern harms nobody.
#[test]
fn strange_items() {
    let good = json!({ "card": 1, "label": "gauge.heronmill.example", "sort": "A", "keep_for": 120, "points_to": "203.0.113.9" });
    let with = |key: &str, value: Value| {
        let mut item = good.clone();
        item[key] = value;
        item
    };
    let observe = |item: Value| {
        let api = api();
        // Beside one that shows the list to be of the zone.
        let beside =
            json!({ "card": 2, "label": "tern.heronmill.example", "sort": "TXT", "keep_for": 120, "points_to": "x" });
        api.zone().trick =
            Some(on_list(move || Reply::new(200, json!({ "cards": [item, beside], "leaf": { "of": 1 } }))));
        run_case(read(&own(RECORD, &api.url()), &[at("gauge")]))
    };
    for item in [
        json!(null),
        json!(7),
        json!([]),
        with("label", json!(null)),
        with("label", json!(["gauge.heronmill.example"])),
        with("sort", json!(true)),
        with("points_to", json!("gauge")),
        with("points_to", json!("2001:db8::1")),
        with("points_to", json!("203.0.113.9/32")),
        with("points_to", json!(" 203.0.113.9")),
        with("points_to", json!({})),
        with("card", json!(null)),
        with("card", json!("")),
        with("card", json!("..")),
    ] {
        faulty(observe(item), PASSING, &["compare the pointers in the description with what the API answers"]);
    }
    for item in [
        with("label", json!("")),
        with("label", json!("gauge.heronmill.example.evil.example")),
        with("label", json!("a b\u{7}..heronmill.example")),
        with("label", json!("x".repeat(100_000))),
        with("label", json!(7)),
        with("sort", json!("TYPE65534")),
        with("sort", json!("")),
        with("label", json!("other.heronmill.example")),
    ] {
        assert_eq!(observe(item).unwrap().names[&at("gauge")].sets.len(), 0);
    }
    for ttl in [json!("auto"), json!(-1), json!(1.5), json!(4294967296_u64)] {
        let observed = observe(with("keep_for", ttl)).unwrap();
        let gauge = &observed.names[&at("gauge")];
        assert!(gauge.sets.is_empty() && gauge.unread.contains_key(&A));
    }
    // Whatever the case, and with the final dot.
    assert_eq!(observe(with("label", json!("GAUGE.heronmill.Example."))).unwrap().names[&at("gauge")].sets.len(), 1);
}

#[test]
fn an_answer_that_repeats_the_token() {
    let api = api();
    api.zone().trick = Some(Box::new(|asked| {
        Some(Reply::new(403, json!({ "trouble": { "says": format!("you sent {:?}", asked.headers) } })))
    }));
    // `faulty` looks for the token.
    faulty(run_case(read(&own(RECORD, &api.url()), &[at("gauge")])), FaultKind::Unproven, &["403", "(secret)"]);
}
