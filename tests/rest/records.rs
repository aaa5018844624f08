//! An API whose items are single records with an id, as `config/providers/record.toml` has it.

use fingerpost::provider::{FaultKind, Obstacle, Provider};
use fingerpost::record::RecordType::{A, Aaaa};

use crate::common::record_api::{Asked, Body, Pages, RecordApi, Reply};
use crate::common::*;
use crate::{PASSING, RECORD, change, changed, faulty, own, read, run_case};

/// An API with something of everything in it.
fn api() -> RecordApi {
    let api = RecordApi::start(ZONE);
    let mut zone = api.zone();
    zone.add(ZONE, "SOA", 300, "ns1 hostmaster 1 3600 900 604800 300");
    zone.add(ZONE, "NS", 300, "ns1.heronmill.example.");
    zone.add("gauge.heronmill.example", "A", 120, "203.0.113.9");
    zone.add("gauge.heronmill.example", "TXT", 120, "level");
    zone.add("mill.heronmill.example", "A", 300, "203.0.113.9");
    zone.add("mill.heronmill.example", "A", 300, "198.51.100.99");
    zone.add("mill.heronmill.example", "AAAA", 60, "2001:DB8:0::9");
    zone.add("cam.heronmill.example", "CNAME", 300, "Gauge.heronmill.example");
    zone.add("sub.heronmill.example", "NS", 300, "ns.sub.heronmill.example");
    zone.add("ns.sub.heronmill.example", "A", 300, "198.51.100.53");
    zone.add("old.heronmill.example", "DNAME", 300, "new.example");
    zone.add("*.w.heronmill.example", "A", 300, "203.0.113.9");
    zone.page_size = 4;
    drop(zone);
    api
}

/// The description with this paging.
fn paged(pages: Pages) -> String {
    let by_number = "{ first_page = 1, last_page = \"/leaf/of\" }";
    match pages {
        Pages::Number => RECORD.to_owned(),
        Pages::Cursor => changed(&changed(RECORD, by_number, "{ cursor = \"/leaf/next\" }"), "{&page}", "{&cursor}"),
        Pages::Link => changed(&changed(RECORD, by_number, "{ next = \"/leaf/link\" }"), "{&page}", ""),
    }
}

#[test]
fn what_stands_is_read_whatever_the_paging() {
    for pages in [Pages::Number, Pages::Cursor, Pages::Link] {
        let api = api();
        api.zone().pages = pages;
        let names = ["gauge", "mill", "cam", "sub", "x.sub", "a.old", "*.w", "y.w", "nothing"].map(at);
        let provider = own(&paged(pages), &api.url());
        let seen = run_case(read(&provider, &names)).unwrap();
        assert_eq!(seen.names.len(), 9);
        let sets = |label: &str| seen.names[&at(label)].sets.clone().into_iter().collect::<Vec<_>>();
        assert_eq!(sets("gauge"), [(A, set(120, &["203.0.113.9"]))]);
        let mill = [(A, set(300, &["203.0.113.9", "198.51.100.99"])), (Aaaa, set(60, &["2001:db8::9"]))];
        assert_eq!(sets("mill"), mill);
        assert_eq!(sets("*.w"), [(A, set(300, &["203.0.113.9"]))]);
        let obstacle = |label: &str| seen.names[&at(label)].obstacle.clone();
        assert_eq!(obstacle("cam"), Some(Obstacle::Cname("gauge.heronmill.example.".into())));
        // RFC 1034, section 4.2.1, and RFC 6672, section 3.1.
        let cut = Some(Obstacle::Delegated("sub.heronmill.example".into()));
        assert_eq!((obstacle("sub"), obstacle("x.sub")), (cut.clone(), cut));
        assert_eq!(obstacle("a.old"), Some(Obstacle::Dname("old.heronmill.example".into())));
        for empty in ["cam", "sub", "x.sub", "y.w", "nothing"] {
            assert_eq!(sets(empty), []);
        }
        // Twelve records in pages of four, and the zone's id before them.
        assert_eq!(api.zone().asked.len(), 4);
    }
    // Without the last page's number, one that is empty ends the list; a request for each name needs no list.
    let api = api();
    let provider = own(&changed(RECORD, ", last_page = \"/leaf/of\"", ""), &api.url());
    assert_eq!(run_case(read(&provider, &[at("gauge")])).unwrap().names[&at("gauge")].sets.len(), 1);
    assert_eq!(api.zone().asked.len(), 5);
}

#[test]
fn changes_are_written_and_no_name_is_dark_in_between() {
    let api = api();
    let provider = own(RECORD, &api.url());
    let mill = set(300, &["203.0.113.9", "198.51.100.99"]);
    let changes = [
        change("new", Aaaa, None, set(77, &["2001:db8::1", "2001:db8::2"])),
        change("gauge", A, Some(set(120, &["203.0.113.9"])), set(120, &["203.0.113.77"])),
        // Two become one, and one becomes three.
        change("mill", A, Some(mill), set(300, &["203.0.113.77"])),
        change("mill", Aaaa, Some(set(60, &["2001:db8::9"])), set(90, &["2001:db8::9", "2001:db8::a", "2001:db8::b"])),
        change("@", A, None, set(120, &["203.0.113.77"])),
    ];
    let names: Vec<_> = changes.iter().map(|change| change.name.clone()).collect();
    run_case(async {
        let applied = provider.apply(&changes).await.unwrap();
        assert_eq!(applied.detail, format!("9 requests taken by {}", api.url()));
        let seen = read(&provider, &names).await.unwrap();
        for change in &changes {
            assert_eq!(seen.names[&change.name].sets.get(&change.rtype), Some(&change.after), "{}", change.name);
        }
    });
    assert_eq!(api.zone().went_dark, [""; 0]);
    assert_eq!(api.zone().at("gauge.heronmill.example", "TXT"), [(120, "level".into())]);
    let what = |asked: &Asked| match asked.method.as_str() {
        "DELETE" => "delete",
        _ if asked.is_change() => "change",
        _ => "create",
    };
    let writes: Vec<_> = api.zone().asked.iter().filter(|asked| asked.method != "GET").map(what).collect();
    let wanted = ["create", "create", "change", "change", "delete", "change", "create", "create", "create"];
    assert_eq!(writes, wanted);
    // Nothing to change, nothing sent.
    let same = set(120, &["203.0.113.77"]);
    run_case(provider.apply(&[change("gauge", A, Some(same.clone()), same)])).unwrap();
    run_case(provider.apply(&[])).unwrap();
    assert_eq!(api.zone().writes().len(), 9);
}

#[test]
fn what_was_changed_meanwhile_is_a_conflict_and_nothing_is_written() {
    let api = api();
    let provider = own(RECORD, &api.url());
    let after = set(120, &["203.0.113.77"]);
    for (label, before) in [
        ("gauge", Some(set(120, &["203.0.113.8"]))),
        ("gauge", Some(set(60, &["203.0.113.9"]))),
        ("mill", Some(set(300, &["203.0.113.9"]))),
        ("gauge", None),
        ("nothing", Some(set(120, &["203.0.113.9"]))),
        ("cam", None),
        ("x.sub", None),
    ] {
        let outcome = run_case(provider.apply(&[change(label, A, before, after.clone())]));
        faulty(outcome, FaultKind::Conflict, &[label, "not what was read"]);
    }
    let stray = fingerpost::provider::Change { name: dns("gauge.tern.example"), ..change("x", A, None, after) };
    faulty(run_case(provider.apply(&[stray])), FaultKind::Refused, &["gauge.tern.example", "outside the zone"]);
    assert_eq!(api.zone().writes(), [""; 0]);
}

/// Somebody writes between our reading of the one record and our writing: the API compares the tags (RFC 9110, 13.1.1).
#[test]
fn a_race_is_lost_by_the_entity_tag() {
    let api = api();
    let provider = own(RECORD, &api.url());
    api.zone().trick = Some(Box::new(|asked| {
        (asked.is_change() && asked.headers.contains_key("if-match")).then(|| Reply::text(412, "changed meanwhile"))
    }));
    let changes = [change("gauge", A, Some(set(120, &["203.0.113.9"])), set(120, &["203.0.113.77"]))];
    faulty(run_case(provider.apply(&changes)), FaultKind::Conflict, &["412", "changed meanwhile", "A gauge"]);
    // Between the list and the reading of the one record.
    api.zone().trick = Some(Box::new(|asked| {
        let one = asked.method == "GET" && asked.target.contains("/desk/cards/");
        let hand = serde_json::json!({ "card": 9007199254740997_u64, "label": "gauge.heronmill.example", "sort": "A", "keep_for": 120, "points_to": "203.0.113.1" });
        one.then(|| Reply::new(200, serde_json::json!({ "card": hand })).with("ETag", "\"x\""))
    }));
    faulty(run_case(provider.apply(&changes)), FaultKind::Conflict, &["A gauge", "changed while"]);
    // Gone between the two.
    api.zone().trick = Some(Box::new(|asked| (asked.target.contains("/desk/cards/")).then(|| Reply::text(404, ""))));
    faulty(run_case(provider.apply(&changes)), FaultKind::Conflict, &["404", "reading A gauge"]);
    // A description that promises tags, and an API that has none, or weak ones only.
    for tag in ["", "W/\"1\""] {
        api.zone().trick = Some(Box::new(move |asked| {
            let one = asked.method == "GET" && asked.target.contains("/desk/cards/");
            let item = serde_json::json!({ "card": 9007199254740997_u64, "label": "gauge.heronmill.example", "sort": "A", "keep_for": 120, "points_to": "203.0.113.9" });
            one.then(|| {
                Reply::new(200, serde_json::json!({ "card": item }))
                    .with(if tag.is_empty() { "X" } else { "ETag" }, tag)
            })
        }));
        faulty(run_case(provider.apply(&changes)), FaultKind::Refused, &["no strong entity tag", "`get.etag`"]);
    }
    assert_eq!(api.zone().at("gauge.heronmill.example", "A"), [(120, "203.0.113.9".into())]);
}

#[test]
fn refusals_say_which_record_and_what_the_api_said() {
    let api = api();
    let provider = own(RECORD, &api.url());
    let changes = [change("gauge", A, Some(set(120, &["203.0.113.9"])), set(7, &["203.0.113.77"]))];
    faulty(
        run_case(provider.apply(&changes)),
        FaultKind::Refused,
        &["422", "A gauge.heronmill.example", "keep_for 7 is not within 30 and 86400"],
    );
    // After one was taken, the rest is in doubt.
    let changes = [
        change("new", A, None, set(120, &["203.0.113.77"])),
        change("gauge", A, Some(set(120, &["203.0.113.9"])), set(7, &["203.0.113.77"])),
    ];
    faulty(run_case(provider.apply(&changes)), FaultKind::InDoubt, &["1 of 2 requests", "A gauge.heronmill.example"]);
    let stranger = crate::rest(RECORD, &api.url(), "another token", crate::TIMEOUT);
    faulty(run_case(read(&stranger, &[at("gauge")])), FaultKind::Refused, &["401", "who are you?", "check the token"]);
}

#[test]
fn a_zone_that_is_not_there_and_one_with_a_new_id_are_told_apart() {
    let api = api();
    let provider = own(RECORD, &api.url());
    let names = [at("gauge")];
    run_case(read(&provider, &names)).unwrap();
    // The id is remembered.
    run_case(read(&provider, &names)).unwrap();
    let lookups = |api: &RecordApi| api.zone().asked.iter().filter(|asked| asked.target.contains("shelves?")).count();
    assert_eq!(lookups(&api), 1);
    // Made anew.
    api.zone().id = "8".into();
    run_case(read(&provider, &names)).unwrap();
    assert_eq!(lookups(&api), 2);
    // Gone.
    api.zone().name = "estuary.example".into();
    api.zone().id = "9".into();
    let words = ["shows no zone heronmill.example", "correct `zone`"];
    faulty(run_case(read(&provider, &names)), FaultKind::Unproven, &words);
    // Without a lookup it is the list that tells.
    let by_name = own(crate::RRSET, &api.url());
    faulty(run_case(read(&by_name, &names)), FaultKind::Unproven, &["404", "no such zone", "at this account"]);
    api.zone().name = ZONE.into();
    // Twice the same zone: nothing tells which.
    api.zone().trick = Some(Box::new(|asked| {
        let shelf = |id: u64| serde_json::json!({ "label": ZONE, "shelf": id });
        let shelves = serde_json::json!({ "shelves": [shelf(1), shelf(2)] });
        asked.target.contains("shelves?").then(|| Reply::new(200, shelves))
    }));
    faulty(run_case(read(&own(RECORD, &api.url()), &names)), FaultKind::Refused, &["2 zones heronmill.example"]);
}

#[test]
fn writes_that_end_without_an_answer_are_in_doubt_and_reads_are_not() {
    let api = api();
    let provider = own(RECORD, &api.url());
    let changes = [change("gauge", A, Some(set(120, &["203.0.113.9"])), set(120, &["203.0.113.77"]))];
    let on = |change: bool, status, body: Body| {
        api.zone().trick = Some(Box::new(move |asked| {
            (asked.is_change() == change).then(|| Reply { status, body: body.clone(), ..Reply::default() })
        }));
    };
    on(true, 200, Body::Cut);
    faulty(run_case(provider.apply(&changes)), FaultKind::InDoubt, &["broke off"]);
    on(true, 500, Body::Nothing);
    faulty(run_case(provider.apply(&changes)), FaultKind::InDoubt, &["500"]);
    on(true, 503, Body::Nothing);
    faulty(run_case(provider.apply(&changes)), PASSING, &["503"]);
    on(false, 200, Body::Cut);
    faulty(run_case(provider.apply(&changes)), PASSING, &["broke off"]);
    faulty(run_case(read(&provider, &[at("gauge")])), PASSING, &["broke off"]);
    assert_eq!(api.zone().at("gauge.heronmill.example", "A"), [(120, "203.0.113.9".into())]);
    on(true, 200, Body::DoneAndCut);
    faulty(run_case(provider.apply(&changes)), FaultKind::InDoubt, &["broke off"]);
    assert_eq!(api.zone().at("gauge.heronmill.example", "A"), [(120, "203.0.113.77".into())]);
    // Nobody there at all: not a byte was sent, so nothing is in doubt.
    let url = api.url();
    drop(api);
    faulty(run_case(own(RECORD, &url).apply(&changes)), PASSING, &["cannot be reached"]);
}

#[test]
fn a_wait_that_is_asked_for_is_passed_on() {
    let api = api();
    api.zone().trick = Some(Box::new(|_| Some(Reply::text(429, "slowly").with("Retry-After", "90"))));
    let kind = FaultKind::Passing { retry_after: Some(std::time::Duration::from_secs(90)) };
    faulty(run_case(read(&own(RECORD, &api.url()), &[at("gauge")])), kind, &["429", "slowly"]);
}

/// The example of RFC 7617, section 2, from memory; and RFC 6750, section 2.1.
#[test]
fn the_token_is_shown_as_the_description_says() {
    let api = api();
    api.zone().trick = Some(Box::new(|asked| Some(Reply::text(403, &format!("{:?}", asked.headers)))));
    let shown = |auth: &str, more: &str, header: &str| {
        let description = changed(RECORD, "[auth]\nkind = \"bearer\"", auth);
        let provider = crate::rest_with(&description, &api.url(), "open sesame", crate::TIMEOUT, more);
        let fault = faulty(run_case(read(&provider, &[at("gauge")])), FaultKind::Unproven, &["403"]);
        // An API that repeats what it was sent gives nothing away.
        assert!(!fault.to_string().contains("sesame") && !fault.to_string().contains("QWxh"), "{fault}");
        api.zone().asked.last().unwrap().headers.get(header).cloned()
    };
    let basic = shown("[auth]\nkind = \"basic\"", "user = \"Aladdin\"", "authorization");
    assert_eq!(basic.as_deref(), Some("Basic QWxhZGRpbjpvcGVuIHNlc2FtZQ=="));
    assert_eq!(shown("[auth]\nkind = \"bearer\"", "", "authorization").as_deref(), Some("Bearer open sesame"));
    let header = "[auth]\nkind = \"header\"\nheader = \"X-Auth-Token\"";
    assert_eq!(shown(header, "", "x-auth-token").as_deref(), Some("open sesame"));
    assert_eq!(shown(header, "", "authorization"), None);
}

/// What an API says ends up before people's eyes.
#[test]
fn a_cname_to_what_is_no_name_is_an_obstacle_without_it() {
    for target in ["\u{1b}]0;moved\u{7}\u{1b}[2J", "weir.heronmill.example\nINFO all is well", "", &"x".repeat(300)] {
        let api = RecordApi::start(ZONE);
        api.zone().add("cam.heronmill.example", "CNAME", 300, target);
        let provider = own(RECORD, &api.url());
        let seen = run_case(read(&provider, &[at("cam")])).unwrap();
        let expected = if target.is_empty() { "." } else { "what is no name" };
        assert_eq!(seen.names[&at("cam")].obstacle, Some(Obstacle::Cname(expected.into())), "{target:?}");
    }
}

/// An API that lists relative names never shows, to one who takes them for absolute, what was written; and the other way.
#[test]
fn a_list_that_cannot_be_of_the_zone_is_refused() {
    let relative = changed(RECORD, "#names = \"absolute\"", "names = \"relative\"");
    for (description, names, likely) in [
        (RECORD, ["gauge", "@"], "set `item.names` to \"relative\""),
        (&relative, ["gauge.heronmill.example", "mill.heronmill.example"], "set `item.names` to \"absolute\""),
    ] {
        let api = RecordApi::start(ZONE);
        for name in names {
            api.zone().add(name, "A", 120, "203.0.113.9");
        }
        api.zone().add("x.tern.example", "TXT", 120, "of no concern").to_string();
        let provider = own(description, &api.url());
        let words = ["has 3 entries", &format!("the first of them {:?}", names[0]), likely];
        if description == RECORD {
            faulty(run_case(read(&provider, &[at("gauge")])), FaultKind::Refused, &words);
            let new = change("gauge", A, None, set(120, &["203.0.113.77"]));
            faulty(run_case(provider.apply(&[new])), FaultKind::Refused, &words);
            faulty(run_case(provider.list()), FaultKind::Refused, &words);
        } else {
            // One that may be a relative name: the list may be.
            run_case(read(&provider, &[at("gauge")])).unwrap();
            let stray = api.zone().records.iter().find(|(_, it)| it["sort"] == "TXT").map(|(id, _)| *id).unwrap();
            api.zone().records.remove(&stray);
            let words = ["has 2 entries", words[1], likely];
            faulty(run_case(read(&provider, &[at("gauge")])), FaultKind::Refused, &words);
        }
        assert_eq!(api.zone().writes(), [""; 0]);
    }
    // An empty zone is one.
    let api = RecordApi::start(ZONE);
    run_case(read(&own(RECORD, &api.url()), &[at("gauge")])).unwrap();
}

/// Whatever made duplicates of a record: the one in which others set something stays, with the address that is wanted.
#[test]
fn of_duplicates_the_plain_ones_go() {
    for original_first in [true, false] {
        for plain in [&["203.0.113.77"][..], &["203.0.113.77", "203.0.113.77"], &["203.0.113.8"]] {
            let api = RecordApi::start(ZONE);
            let mut zone = api.zone();
            let mut original = 0;
            if original_first {
                original = zone.add("gauge.heronmill.example", "A", 120, "203.0.113.9");
            }
            for address in plain {
                let id = zone.add("gauge.heronmill.example", "A", 120, address);
                let record = zone.records.get_mut(&id).unwrap();
                record.extend([("stamped".into(), false.into()), ("note".into(), "".into())]);
            }
            if !original_first {
                original = zone.add("gauge.heronmill.example", "A", 120, "203.0.113.9");
            }
            drop(zone);
            let before = set(120, &[&["203.0.113.9"], plain].concat());
            let wanted = change("gauge", A, Some(before), set(120, &["203.0.113.77"]));
            run_case(own(RECORD, &api.url()).apply(&[wanted])).unwrap();
            let zone = api.zone();
            let left: Vec<_> = zone.records.iter().map(|(id, it)| (*id, it["points_to"].as_str().unwrap())).collect();
            assert_eq!(left, [(original, "203.0.113.77")]);
            assert_ne!(zone.records[&original]["note"], "");
            assert_eq!(zone.went_dark, [""; 0]);
        }
    }
}
