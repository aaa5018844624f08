//! An API whose items are RRsets, as `config/providers/rrset.toml` has it: whole items, entity tags, relative names.

use fingerpost::provider::{FaultKind, Provider};
use fingerpost::record::RecordType::{A, Aaaa};

use crate::common::record_api::{Pages, RecordApi};
use crate::common::*;
use crate::{RRSET, change, changed, faulty, own, read, run_case};

fn api() -> RecordApi {
    let api = RecordApi::start(ZONE);
    let mut zone = api.zone();
    zone.pages = Pages::Cursor;
    zone.page_size = 2;
    zone.add(ZONE, "A", 300, "203.0.113.9");
    zone.add("gauge.heronmill.example", "A", 120, "203.0.113.9");
    zone.add("mill.heronmill.example", "A", 300, "203.0.113.9");
    zone.add("mill.heronmill.example", "A", 300, "198.51.100.99");
    zone.add("cam.heronmill.example", "CNAME", 300, "gauge.heronmill.example");
    drop(zone);
    api
}

#[test]
fn rrsets_are_read_and_written_whole() {
    let api = api();
    let provider = own(RRSET, &api.url());
    let mill = set(300, &["203.0.113.9", "198.51.100.99"]);
    let changes = [
        change("mill", A, Some(mill), set(60, &["203.0.113.77", "198.51.100.99", "203.0.113.78"])),
        change("@", A, Some(set(300, &["203.0.113.9"])), set(300, &["203.0.113.77"])),
        change("new", Aaaa, None, set(120, &["2001:db8::1"])),
    ];
    let names: Vec<_> = changes.iter().map(|change| change.name.clone()).collect();
    let tagged = |api: &RecordApi| api.zone().records.values().filter(|r| r.contains_key("weight")).count();
    let kept = tagged(&api);
    run_case(async {
        provider.apply(&changes).await.unwrap();
        let seen = read(&provider, &names).await.unwrap();
        for change in &changes {
            assert_eq!(seen.names[&change.name].sets.get(&change.rtype), Some(&change.after), "{}", change.name);
        }
    });
    // A member whose address was exchanged is the same member; two are new.
    assert_eq!(tagged(&api), kept + 2);
    let bodies: Vec<_> =
        api.zone().asked.iter().filter(|asked| asked.method == "PUT").map(|asked| asked.body.clone()).collect();
    assert!(
        bodies[0].contains("\"policy\":{\"geo\":[1,null]}") && bodies[0].contains("\"keep_for\":\"60\""),
        "{}",
        bodies[0]
    );
    assert!(bodies[0].contains("9007199254740997"), "{}", bodies[0]);
    let writes = api.zone().writes();
    assert_eq!(
        writes,
        [
            "PUT /desk/shelves/heronmill.example/sets/mill/A",
            "PUT /desk/shelves/heronmill.example/sets/%40/A",
            "POST /desk/shelves/heronmill.example/sets"
        ]
    );
}

#[test]
fn conflicts_and_obstacles_are_seen() {
    let api = api();
    let provider = own(RRSET, &api.url());
    for (label, before) in [("cam", None), ("gauge", None), ("mill", Some(set(300, &["203.0.113.9"])))] {
        let outcome = run_case(provider.apply(&[change(label, A, before, set(120, &["203.0.113.77"]))]));
        faulty(outcome, FaultKind::Conflict, &[label]);
    }
    assert_eq!(api.zone().writes(), [""; 0]);
    // The API decides a race that the list does not show.
    api.zone().trick =
        Some(Box::new(|asked| (asked.method == "PUT").then(|| crate::common::record_api::Reply::text(409, "busy"))));
    let changes = [change("gauge", A, Some(set(120, &["203.0.113.9"])), set(120, &["203.0.113.77"]))];
    faulty(run_case(provider.apply(&changes)), FaultKind::Conflict, &["409", "busy"]);
}

#[test]
fn people_are_told_where_and_how_much() {
    let api = api();
    let provider = own(RRSET, &api.url());
    assert_eq!(provider.means(2), format!("2 changes in 2 requests to {}", api.url()));
    assert_eq!(provider.target(), format!("{}/desk", api.url()));
    let together = crate::own(&changed(crate::POWERDNS, "most = 500", "most = 2"), "http://127.0.0.1:1");
    // Each has its own end, so each goes by itself.
    assert_eq!(together.means(3), "3 changes in 3 requests to http://127.0.0.1:1");
    assert_eq!(together.means(1), "1 change in 1 request to http://127.0.0.1:1");
    let records = own(crate::RECORD, "http://127.0.0.1:1");
    assert_eq!(records.means(1), "1 change, a request for each address, to http://127.0.0.1:1");
}
