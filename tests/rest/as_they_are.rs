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
fn paged() -> String {
    changed(WHOLE, "cards?room=9\"", "cards?room=9{&page}\"\npaging = { first_page = 1 }")
}

/// In pages by number, whose last is told.
fn counted() -> String {
    changed(&paged(), "first_page = 1", "first_page = 1, last_page = \"/leaf/of\"")
}

/// An API of which nothing but lists is asked; `lists` answers these.
fn api(lists: impl Fn(&Asked) -> Option<Reply> + Send + 'static) -> RecordApi {
    let api = RecordApi::start(ZONE);
    api.zone().trick = Some(Box::new(move |asked| {
        let shelf = json!({ "shelves": [{ "label": "HeronMill.example. ", "shelf": 7 }] });
        if asked.target.contains("shelves?") { Some(Reply::new(200, shelf)) } else { lists(asked) }
    }));
    api
}

fn card(id: u64, name: &str, rtype: &str, points_to: &str) -> Value {
    json!({ "card": id, "label": name, "sort": rtype, "keep_for": 120, "points_to": points_to })
}

fn gauge(id: u64, points_to: &str) -> Value {
    card(id, "gauge.heronmill.example", "A", points_to)
}

/// One that shows the list to be of the zone.
fn beside() -> Value {
    card(1, "tern.heronmill.example", "TXT", "x")
}

fn cards(cards: &[Value]) -> Reply {
    Reply::new(200, json!({ "cards": cards }))
}

fn page_of(asked: &Asked) -> usize {
    asked.target.rsplit("page=").next().unwrap().parse().unwrap()
}

fn seen(description: &str, api: &RecordApi, label: &str) -> Result<Vec<String>, fingerpost::provider::Fault> {
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

/// Two pages, and what is said to those who ask for a third.
#[test]
fn pages_end_however_an_api_ends_them() {
    let pages = [
        [gauge(2, "203.0.113.9"), beside()],
        [card(3, "gauge.heronmill.example", "A", "203.0.113.10"), card(4, "x.heronmill.example", "TXT", "")],
    ];
    let ends: [fn() -> Option<Reply>; 5] = [
        || Some(cards(&[])),
        || Some(Reply::text(404, "no such page")),
        || Some(Reply::new(200, json!({ "cards": null }))),
        || Some(Reply::new(200, json!({}))),
        || None,
    ];
    for end in ends {
        let pages = pages.clone();
        let api = api(move |asked| match page_of(asked) {
            page @ (1 | 2) => Some(cards(&pages[page - 1])),
            // The last one, again and again.
            _ => Some(end().unwrap_or_else(|| cards(&pages[1]))),
        });
        assert_eq!(seen(&paged(), &api, "gauge").unwrap(), ["203.0.113.9", "203.0.113.10"]);
        let asked = api.zone().asked.iter().filter(|asked| asked.target.contains("page=")).count();
        assert!(asked <= 5, "{asked}");
    }
    // Where the last page is told, or this is the first, something is wrong.
    let missing = api(move |asked| {
        if page_of(asked) == 1 {
            Some(Reply::new(200, json!({ "cards": [beside()], "leaf": { "of": 2 } })))
        } else {
            Some(Reply::text(404, "no such page"))
        }
    });
    faulty(seen(&counted(), &missing, "gauge"), FaultKind::Unproven, &["404"]);
    let first = api(|_| Some(Reply::text(404, "")));
    faulty(seen(&paged(), &first, "gauge"), FaultKind::Unproven, &["404"]);
}

/// Each page is cut from another order, so that some items come twice, and others not at all.
#[test]
fn what_an_unsteady_list_leaves_out_is_found_by_reading_again() {
    let count = AtomicUsize::new(0);
    let api = api(move |asked| {
        let reading = count.fetch_add(1, Ordering::Relaxed) / 3;
        let all = [
            gauge(2, "203.0.113.9"),
            card(3, "a.heronmill.example", "TXT", "x"),
            card(4, "b.heronmill.example", "TXT", "x"),
            beside(),
        ];
        let page = match (page_of(asked), reading) {
            (1, 0) => &all[1..3],
            (2, 0) => &all[2..4],
            (1, _) => &all[0..2],
            (2, _) => &all[2..4],
            _ => &[],
        };
        Some(cards(page))
    });
    assert_eq!(seen(&paged(), &api, "gauge").unwrap(), ["203.0.113.9"]);
    // One whose pages overlap is whole: read again it is the same.
    let overlapping = self::api(move |asked| {
        let all = [beside(), card(3, "a.heronmill.example", "TXT", "x"), gauge(2, "203.0.113.9")];
        Some(cards(match page_of(asked) {
            1 => &all[0..2],
            2 => &all[1..3],
            _ => &[],
        }))
    });
    assert_eq!(seen(&paged(), &overlapping, "gauge").unwrap(), ["203.0.113.9"]);
    assert_eq!(overlapping.zone().asked.len(), 1 + 9);
}

/// Pages that bring nothing new by chance are no last page that comes again, and what came twice in one order may come in
/// another.
#[test]
fn what_an_unsteady_list_seems_to_end_with_is_not_taken_for_its_end() {
    const GAUGE: u64 = 2;
    let shown = |id: &u64| match *id {
        GAUGE => gauge(GAUGE, "203.0.113.9"),
        id => card(id, "a.heronmill.example", "TXT", &id.to_string()),
    };
    for (first, last) in [
        (vec![vec![[3, 4], [5, 6], [4, 5], [3, 6], [5, 3]]], vec![3, 4, 5, 6, GAUGE, 7, 8, 9, 10]),
        (vec![vec![[3, 4], [4, 4]]; 2], vec![3, GAUGE, 4]),
    ] {
        let begun = AtomicUsize::new(0);
        let api = api(move |asked| {
            let page = page_of(asked) - 1;
            begun.fetch_add(usize::from(page == 0), Ordering::Relaxed);
            let ids = match first.get(begun.load(Ordering::Relaxed) - 1) {
                Some(pages) => pages.get(page).map(<[u64; 2]>::as_slice),
                None => last.chunks(2).nth(page),
            };
            Some(cards(&ids.unwrap_or_default().iter().map(shown).collect::<Vec<_>>()))
        });
        assert_eq!(seen(&paged(), &api, "gauge").unwrap(), ["203.0.113.9"]);
    }
}

/// A last page that comes again is the end, and so is the first page in the place of one that is not there.
#[test]
fn a_page_that_comes_again_is_the_end() {
    for again in [1, 2] {
        let api = api(move |asked| {
            let other = |id| card(id, "a.heronmill.example", "TXT", "x");
            let page = if page_of(asked) > 2 { again } else { page_of(asked) };
            Some(cards(&if page == 1 { [beside(), other(3)] } else { [other(4), gauge(2, "203.0.113.9")] }))
        });
        assert_eq!(seen(&paged(), &api, "gauge").unwrap(), ["203.0.113.9"]);
        // The zone, two pages, and two or three more that show that these are all.
        assert!((5..=6).contains(&api.zone().asked.len()), "{again}: {}", api.zone().asked.len());
    }
}

/// Something went while it was read, and what followed moved up to a page that was read already.
#[test]
fn a_list_whose_count_of_pages_changes_is_read_again() {
    let count = AtomicUsize::new(0);
    let api = api(move |asked| {
        let nth = count.fetch_add(1, Ordering::Relaxed);
        let (card, of) = match (nth, page_of(asked)) {
            (0, 1) => (card(5, "gone.heronmill.example", "TXT", "x"), 3),
            (_, 1) => (beside(), 2),
            (1, _) => (card(6, "y.heronmill.example", "TXT", "x"), 2),
            _ => (gauge(2, "203.0.113.9"), 2),
        };
        Some(Reply::new(200, json!({ "cards": [card], "leaf": { "of": of } })))
    });
    assert_eq!(seen(&counted(), &api, "gauge").unwrap(), ["203.0.113.9"]);
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
