//! Lists as APIs give them: names in odd forms, items twice, pages that move, nothing said in many ways, hiccups.

use std::sync::atomic::{AtomicUsize, Ordering};

use fingerpost::provider::{FaultKind, Observed, Provider};
use fingerpost::record::RecordType::{A, Aaaa};
use serde_json::{Value, json};

use crate::common::record_api::{Asked, Body, RecordApi, Reply};
use crate::common::*;
use crate::{PASSING, change, changed, faulty, own, read, run_case};

/// All of a zone in one list.
const WHOLE: &str = r#"
shape = "record"
base = "{+values.server}/desk"
[auth]
kind = "bearer"
[zone]
uri = "/shelves?label={zone}"
items = "/shelves"
name = "/label"
id = "/shelf"
[list]
uri = "/shelves/{zone_id}/cards?room=9"
items = "/cards"
[item]
id = "/card"
name = "/label"
type = "/sort"
ttl = "/keep_for"
address = "/points_to"
disabled = "/resting"
[create]
uri = "/shelves/{zone_id}/cards"
body = '{ "label": "{name}", "sort": "{type}", "keep_for": "{ttl}", "points_to": "{address}" }'
[replace]
uri = "/cards/{record_id}"
body = '{ "points_to": "{address}", "keep_for": "{ttl}" }'
[delete]
uri = "/cards/{record_id}"
[answer]
message = "/trouble/says"
"#;

/// One name at a time.
fn by_name() -> String {
    changed(WHOLE, "cards?room=9", "cards?room=9{&name}")
}

/// In pages by number.
pub(crate) fn paged() -> String {
    changed(WHOLE, "cards?room=9\"", "cards?room=9{&page}\"\npaging = { first_page = 1 }")
}

/// In pages by number, whose last is told.
pub(crate) fn counted() -> String {
    changed(&paged(), "first_page = 1", "first_page = 1, last_page = \"/leaf/of\"")
}

/// An API of which nothing but lists is asked; `lists` answers these.
pub(crate) fn api(lists: impl Fn(&Asked) -> Option<Reply> + Send + 'static) -> RecordApi {
    let api = RecordApi::start(ZONE);
    api.zone().trick = Some(Box::new(move |asked| {
        let shelf = json!({ "shelves": [{ "label": "HeronMill.example. ", "shelf": 7 }] });
        if asked.target.contains("shelves?") { Some(Reply::new(200, shelf)) } else { lists(asked) }
    }));
    api
}

pub(crate) fn card(id: u64, name: &str, rtype: &str, points_to: &str) -> Value {
    json!({ "card": id, "label": name, "sort": rtype, "keep_for": 120, "points_to": points_to })
}

pub(crate) fn gauge(id: u64, points_to: &str) -> Value {
    card(id, "gauge.heronmill.example", "A", points_to)
}

/// One that shows the list to be of the zone.
pub(crate) fn beside() -> Value {
    card(1, "tern.heronmill.example", "TXT", "x")
}

pub(crate) fn cards(cards: &[Value]) -> Reply {
    Reply::new(200, json!({ "cards": cards }))
}

pub(crate) fn page_of(asked: &Asked) -> usize {
    asked.target.rsplit("page=").next().unwrap().parse().unwrap()
}

pub(crate) fn seen(
    description: &str,
    api: &RecordApi,
    label: &str,
) -> Result<Vec<String>, fingerpost::provider::Fault> {
    let observed = run_case(read(&own(description, &api.url()), &[at(label)]))?;
    Ok(addresses(&observed, label))
}

fn addresses(observed: &Observed, label: &str) -> Vec<String> {
    let sets = observed.names[&at(label)].sets.get(&A);
    sets.map(|set| set.addresses.iter().map(ToString::to_string).collect()).unwrap_or_default()
}

/// RFC 1035, section 5.1, and common practice without a source: one reading for all forms of a name.
#[test]
fn names_as_others_write_them_are_one_name() {
    let whole = [
        "*.w.heronmill.example",
        "\\*.w.heronmill.example",
        "\\052.W.HeronMill.example.",
        " *.\\119.heronmill.example ",
    ];
    for name in whole {
        let name = name.to_owned();
        let api = api(move |_| Some(cards(&[card(2, &name, "A", "203.0.113.9")])));
        assert_eq!(seen(WHOLE, &api, "*.w").unwrap(), ["203.0.113.9"]);
    }
    let relative = changed(WHOLE, "disabled =", "names = \"relative\"\ndisabled =");
    for name in ["*.w", "\\*.w", "\\052.W", "*.w ", "*.\\119", "*.w.heronmill.example.", "\\*.w.heronmill.example. "] {
        let name = name.to_owned();
        let api = api(move |_| Some(cards(&[card(2, &name, "A", "203.0.113.9")])));
        assert_eq!(seen(&relative, &api, "*.w").unwrap(), ["203.0.113.9"]);
    }
    // A dot within a label is no boundary.
    let api = api(|_| Some(cards(&[card(2, "x\\.gauge.heronmill.example", "A", "203.0.113.9"), beside()])));
    assert_eq!(seen(WHOLE, &api, "x.gauge").unwrap(), [""; 0]);
}

#[test]
fn whatever_is_not_false_null_or_absent_is_not_published() {
    for (flag, is_published) in [
        (json!(true), false),
        (json!(1), false),
        (json!("true"), false),
        (json!("1"), false),
        (json!("no"), false),
        (json!(0), false),
        (json!(false), true),
        (json!(null), true),
    ] {
        let mut card = gauge(2, "203.0.113.9");
        card["resting"] = flag.clone();
        let api = api(move |_| Some(cards(&[card.clone(), beside()])));
        assert_eq!(seen(WHOLE, &api, "gauge").unwrap().is_empty(), !is_published, "{flag}");
        let listed = run_case(own(WHOLE, &api.url()).list()).unwrap();
        assert_eq!(listed.len(), 1 + usize::from(is_published), "{flag}");
    }
}

/// With the same id and content it is one record: nothing is deleted, nothing replaced twice.
#[test]
fn an_item_that_is_listed_twice_is_one() {
    let api = api(|asked| {
        let twice = [gauge(2, "203.0.113.9"), beside(), gauge(2, "203.0.113.9"), beside()];
        Some(if asked.method == "GET" { cards(&twice) } else { Reply::new(200, json!({})) })
    });
    let provider = own(WHOLE, &api.url());
    let wanted = change("gauge", A, Some(set(120, &["203.0.113.9"])), set(120, &["203.0.113.77"]));
    run_case(provider.apply(&[wanted])).unwrap();
    assert_eq!(api.zone().writes(), ["PATCH /desk/cards/2"]);
}

/// A list in a random order that does not show the last write yet: the same record is taken again, or two would get the
/// address, and neither would ever go.
#[test]
fn of_equals_the_same_one_is_taken_in_whatever_order_they_are_listed() {
    for others in [&[][..], &["198.51.100.99"]] {
        for is_reversed in [false, true] {
            let api = api(move |asked| {
                let mut all = vec![gauge(9, "203.0.113.9"), gauge(10, "203.0.113.10"), beside()];
                all.extend(others.iter().map(|address| gauge(11, address)));
                if is_reversed {
                    all.reverse();
                }
                Some(if asked.method == "GET" { cards(&all) } else { Reply::new(200, json!({})) })
            });
            let of = |ours: &[&'static str]| set(120, &[ours, others].concat());
            let wanted = change("gauge", A, Some(of(&["203.0.113.9", "203.0.113.10"])), of(&["203.0.113.77"]));
            // The removal of the other one waits until this is to be seen.
            faulty(run_case(own(WHOLE, &api.url()).apply(&[wanted])), FaultKind::InDoubt, &["1 of 2 requests"]);
            assert_eq!(api.zone().writes(), ["PATCH /desk/cards/9"], "{others:?}, {is_reversed}");
        }
    }
}

#[test]
fn an_id_with_two_contents_is_a_conflict_and_never_two_records() {
    let both = || cards(&[gauge(2, "203.0.113.9"), gauge(2, "203.0.113.10"), beside()]);
    let lasting = api(move |_| Some(both()));
    faulty(seen(WHOLE, &lasting, "gauge"), PASSING, &["gauge.heronmill.example", "one id", "read again"]);
    // The list changed while it was read: read again, it tells.
    let count = AtomicUsize::new(0);
    let once = api(move |_| {
        let first = count.fetch_add(1, Ordering::Relaxed) == 0;
        Some(if first { both() } else { cards(&[gauge(2, "203.0.113.10"), beside()]) })
    });
    assert_eq!(seen(WHOLE, &once, "gauge").unwrap(), ["203.0.113.10"]);
}

/// A filter that means "contains", or that the API ignores.
#[test]
fn an_answer_for_one_name_is_looked_at_for_that_name_only() {
    let count = AtomicUsize::new(0);
    let api = api(move |_| {
        // Meanwhile somebody edits: what is said of the other name is older, or newer.
        let address = format!("203.0.113.{}", count.fetch_add(1, Ordering::Relaxed));
        Some(cards(&[gauge(2, &address), card(3, "old-gauge.heronmill.example", "A", &address), beside()]))
    });
    let observed = run_case(read(&own(&by_name(), &api.url()), &[at("gauge"), at("old-gauge")])).unwrap();
    assert_eq!(
        (addresses(&observed, "gauge"), addresses(&observed, "old-gauge")),
        (vec!["203.0.113.0".into()], vec!["203.0.113.1".into()])
    );
}

#[test]
fn a_zone_that_is_listed_twice_by_one_id_is_one() {
    let api = RecordApi::start(ZONE);
    let zone = |id: u64| json!({ "label": ZONE, "shelf": id });
    let answers = move |asked: &Asked, second: u64| {
        let shelves = json!({ "shelves": [zone(7), zone(second)] });
        Some(if asked.target.contains("shelves?") {
            Reply::new(200, shelves)
        } else {
            cards(&[gauge(2, "203.0.113.9")])
        })
    };
    api.zone().trick = Some(Box::new(move |asked| answers(asked, 7)));
    assert_eq!(seen(WHOLE, &api, "gauge").unwrap(), ["203.0.113.9"]);
    api.zone().trick = Some(Box::new(move |asked| answers(asked, 8)));
    faulty(seen(WHOLE, &api, "gauge"), FaultKind::Refused, &["2 zones heronmill.example"]);
}

/// Nothing of these needs a person, as far as one answer can tell: they are a server in need of care, or a gate before it.
#[test]
fn a_hiccup_of_a_read_is_no_reason_to_hold() {
    let ok = changed(WHOLE, "[answer]", "[answer]\nok = \"/fine\"");
    for (status, body) in [
        (302, ""),
        (307, ""),
        (400, ""),
        (403, ""),
        (404, ""),
        (422, ""),
        (501, ""),
        (200, r#"{ "fine": false, "trouble": { "says": "not now" } }"#),
    ] {
        for is_lookup in [false, true] {
            let api = RecordApi::start(ZONE);
            api.zone().trick = Some(Box::new(move |asked| {
                let fine = json!({ "fine": true, "shelves": [{ "label": ZONE, "shelf": 7 }], "cards": [gauge(2, "203.0.113.9")] });
                let hit = asked.target.contains("shelves?") == is_lookup;
                Some(if hit { Reply::text(status, body).with("Location", "/desk/away") } else { Reply::new(200, fine) })
            }));
            let fault = faulty(seen(&ok, &api, "gauge"), FaultKind::Unproven, &[]);
            assert!(!fault.remedy.is_empty(), "{status}");
        }
    }
    let api = api(|_| Some(Reply::text(401, "")));
    faulty(seen(WHOLE, &api, "gauge"), FaultKind::Refused, &["401", "check the token"]);
}

/// An empty list of zones is what a server says that has just been started, too.
#[test]
fn a_zone_that_is_not_shown_is_asked_for_again() {
    let api = RecordApi::start(ZONE);
    api.zone().trick = Some(Box::new(|_| Some(Reply::new(200, json!({ "shelves": [] })))));
    faulty(seen(WHOLE, &api, "gauge"), FaultKind::Unproven, &["shows no zone heronmill.example", "correct `zone`"]);
}

#[test]
fn a_description_says_which_answers_are_passing() {
    let api = api(|_| Some(Reply::text(401, "too many at a time").with("Retry-After", "7")));
    let description = changed(WHOLE, "[answer]", "[answer]\npassing = [401, 470]");
    let kind = FaultKind::Passing { retry_after: Some(std::time::Duration::from_secs(7)) };
    faulty(seen(&description, &api, "gauge"), kind, &["401", "too many at a time"]);
}

/// Where a name has no record yet, an API may have nothing to list; the zone is looked up again, since it may be gone.
#[test]
fn a_list_of_one_name_that_is_not_found_is_empty() {
    let lists = |asked: &Asked| {
        let is_there = asked.target.contains("name=gauge.");
        Some(if is_there { cards(&[gauge(2, "203.0.113.9")]) } else { Reply::text(404, "") })
    };
    let api = api(lists);
    let provider = own(&by_name(), &api.url());
    let observed = run_case(read(&provider, &[at("gauge"), at("new")])).unwrap();
    assert_eq!((addresses(&observed, "gauge"), addresses(&observed, "new")), (vec!["203.0.113.9".into()], vec![]));
    // The zone was made anew, with another id: then nothing of it is found by the old one.
    api.zone().trick = Some(Box::new(move |asked| {
        let shelves = json!({ "shelves": [{ "label": ZONE, "shelf": 8 }] });
        match asked.target.contains("shelves?") {
            true => Some(Reply::new(200, shelves)),
            false if asked.target.contains("shelves/8") => lists(asked),
            false => Some(Reply::text(404, "no such shelf")),
        }
    }));
    let observed = run_case(read(&provider, &[at("gauge")])).unwrap();
    assert_eq!(addresses(&observed, "gauge"), ["203.0.113.9"]);
}

#[test]
fn a_list_that_is_null_or_not_there_is_empty_and_a_wrong_pointer_is_told() {
    let answering = |body: Value| api(move |_| Some(Reply::new(200, body.clone())));
    let fine = changed(WHOLE, "[answer]", "[answer]\nok = \"/fine\"");
    for (description, body) in [
        (WHOLE, json!({ "cards": null })),
        (&by_name(), json!({})),
        (&by_name(), json!({ "leaf": { "of": 1 } })),
        (&counted(), json!({ "leaf": { "of": 1 } })),
    ] {
        assert_eq!(seen(description, &answering(body), "gauge").unwrap(), [""; 0]);
    }
    let lists = api(|_| Some(Reply::new(200, json!({ "fine": true }))));
    lists.zone().trick = Some(Box::new(|_| {
        Some(Reply::new(200, json!({ "fine": true, "shelves": [{ "label": ZONE, "shelf": 7 }], "cards": null })))
    }));
    assert_eq!(seen(&fine, &lists, "gauge").unwrap(), [""; 0]);
    // Nothing shows that this is a list at all.
    for body in [json!({}), json!({ "hello": "world" }), json!([]), json!(7), json!({ "cards": {} })] {
        faulty(seen(WHOLE, &answering(body), "gauge"), PASSING, &["no list where the description says"]);
    }
    // By another name it is there.
    let body = json!({ "leaf": { "of": 1 }, "entries": [gauge(2, "203.0.113.9")] });
    for description in [counted(), by_name()] {
        faulty(seen(&description, &answering(body.clone()), "gauge"), PASSING, &["no list where", "entries"]);
    }
    let told = changed(WHOLE, "items = \"/cards\"", "items = \"/cards\"\nabsent_is_empty = true");
    assert_eq!(seen(&told, &answering(json!({ "hello": "world" })), "gauge").unwrap(), [""; 0]);
    let never = changed(&by_name(), "items = \"/cards\"", "items = \"/cards\"\nabsent_is_empty = false");
    faulty(seen(&never, &answering(json!({})), "gauge"), PASSING, &["no list where the description says"]);
}

/// A record whose TTL is "automatic" is left alone, and the others are read.
#[test]
fn a_ttl_that_is_none_blocks_that_record_only() {
    for ttl in [json!(null), json!("auto"), json!(-1), json!(1.5)] {
        let mut odd = gauge(2, "203.0.113.9");
        odd["keep_for"] = ttl.clone();
        let six = card(4, "gauge.heronmill.example", "AAAA", "2001:db8::9");
        let api = api(move |_| {
            Some(cards(&[odd.clone(), card(3, "mill.heronmill.example", "A", "203.0.113.9"), six.clone()]))
        });
        let provider = own(WHOLE, &api.url());
        let observed = run_case(read(&provider, &[at("gauge"), at("mill")])).unwrap();
        assert_eq!(addresses(&observed, "mill"), ["203.0.113.9"]);
        let gauge = &observed.names[&at("gauge")];
        assert_eq!(gauge.sets.keys().copied().collect::<Vec<_>>(), [Aaaa]);
        let why = &gauge.unread[&A];
        assert!(
            why.contains("TTL") && why.contains("item.ttl") && why.contains(&ttl.to_string().replace('"', "")),
            "{why}"
        );
        // Nothing is written where it is not known what stands.
        let new = change("gauge", A, None, set(120, &["203.0.113.77"]));
        faulty(run_case(provider.apply(&[new])), FaultKind::Conflict, &["A gauge"]);
        assert_eq!(api.zone().writes(), [""; 0]);
    }
}

/// RFC 9110, section 9.2.2, and RFC 9112, section 9.3.1: what was asked on a connection that the server had just closed.
#[test]
fn a_get_whose_connection_ends_is_repeated_once() {
    let cut = |times: usize| {
        let count = AtomicUsize::new(0);
        api(move |_| {
            let is_cut = count.fetch_add(1, Ordering::Relaxed) < times;
            let cut = Reply { status: 200, body: Body::Cut, ..Reply::default() };
            Some(if is_cut { cut } else { cards(&[gauge(2, "203.0.113.9")]) })
        })
    };
    assert_eq!(seen(WHOLE, &cut(1), "gauge").unwrap(), ["203.0.113.9"]);
    let lasting = cut(2);
    faulty(seen(WHOLE, &lasting, "gauge"), PASSING, &["broke off"]);
    assert_eq!(lasting.zone().asked.len(), 3);
}

/// RFC 9110, sections 8.4 and 12.5.3: what is compressed although only `identity` was asked for is not understood, and named;
/// also where nothing says so but the first bytes (RFC 1952, section 2.3.1).
#[test]
fn what_is_compressed_without_being_asked_for_is_named() {
    let gzip = [&[0x1f, 0x8b, 8, 0, 0, 0, 0, 0, 0, 255, 1][..], b"\x02\0\xfd\xff{}"].concat();
    for (coding, body, named) in [
        (Some("gzip"), gzip.clone(), "gzip"),
        (None, gzip.clone(), "gzip"),
        (Some("br"), vec![0x8b, 0], "br"),
        (Some("identity, zstd"), vec![0x28, 0xb5], "identity, zstd"),
    ] {
        let reply = move |status| {
            let reply = Reply { status, body: Body::Bytes(body.clone()), ..Reply::default() };
            coding.map_or(reply.clone(), |coding| reply.with("Content-Encoding", coding))
        };
        let (fine, failing) = (reply.clone(), reply.clone());
        let (list, trouble) = (api(move |_| Some(fine(200))), api(move |_| Some(failing(500))));
        let compressed = format!("compressed with {named}, though nothing was to be");
        faulty(seen(WHOLE, &list, "gauge"), PASSING, &[&compressed, "let the API, or what stands before it, compress"]);
        faulty(
            seen(WHOLE, &trouble, "gauge"),
            PASSING,
            &["500 Internal Server Error", &format!("compressed with {named}")],
        );
        assert_eq!(list.zone().asked[0].headers["accept-encoding"], "identity");
        // What was written is read back; a mark of success that cannot be seen is missed by its name.
        let marked = changed(WHOLE, "[answer]", "[answer]\nok = \"/fine\"");
        let of_write = RecordApi::start(ZONE);
        of_write.zone().trick = Some(Box::new(move |asked| {
            let shelves = [json!({ "label": ZONE, "shelf": 7 })];
            let shown = json!({ "fine": true, "shelves": shelves, "cards": [gauge(2, "203.0.113.9")] });
            Some(if asked.method == "GET" { Reply::new(200, shown) } else { reply(200) })
        }));
        let wanted = change("gauge", A, Some(set(120, &["203.0.113.9"])), set(120, &["203.0.113.77"]));
        for (description, kind) in [(marked.as_str(), Some(FaultKind::InDoubt)), (WHOLE, None)] {
            let outcome = run_case(own(description, &of_write.url()).apply(std::slice::from_ref(&wanted)));
            match kind {
                Some(kind) => drop(faulty(outcome, kind, &["answer.ok", &format!("compressed with {named}")])),
                None => drop(outcome.unwrap()),
            }
        }
    }
}
