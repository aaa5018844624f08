//! APIs of two more shapes: `tests/common/yard.toml` and `loft.toml` describe them. The battery holds both to what every
//! provider does; here is what goes over the wire, and what their traits could give away.

use std::io::Write;
use std::sync::{Arc, Mutex};
use std::time::Duration;

use fingerpost::provider::{FaultKind, Provider};
use fingerpost::record::RecordType::{A, Aaaa};
use serde_json::{Value, json};

use crate::common::record_api::{Body, RecordApi, Reply, TOKEN, Trick};
use crate::common::*;
use crate::{PASSING, RECORD, change, changed, faulty, own, read, rest, rest_with, run_case};

const YARD: &str = include_str!("../common/yard.toml");
const LOFT: &str = include_str!("../common/loft.toml");

fn api() -> RecordApi {
    let api = RecordApi::start(ZONE);
    let mut zone = api.zone();
    zone.add(ZONE, "A", 300, "203.0.113.9");
    zone.add("gauge.heronmill.example", "A", 120, "203.0.113.9");
    zone.add("mill.heronmill.example", "A", 90, "203.0.113.9");
    zone.add("cam.heronmill.example", "CNAME", 300, "gauge");
    drop(zone);
    api
}

fn asked(api: &RecordApi, write: bool) -> Vec<(String, String)> {
    let asked = api.zone().asked.clone().into_iter().filter(|asked| (asked.method != "GET") == write);
    asked.map(|asked| (format!("{} {}", asked.method, asked.target), asked.body)).collect()
}

#[test]
fn numbers_units_links_and_a_query_go_over_the_wire() {
    let api = api();
    let provider = own(&changed(YARD, "most=50", "most=2"), &api.url());
    run_case(async {
        let seen = read(&provider, &[dns(ZONE), at("mill")]).await.unwrap();
        assert_eq!(seen.names[&dns(ZONE)].sets[&A], set(300, &["203.0.113.9"]));
        assert_eq!(seen.names[&at("mill")].sets[&A], set(90, &["203.0.113.9"]));
        let pages = asked(&api, false).into_iter().map(|(what, _)| what).collect::<Vec<_>>();
        let all = format!("GET /yard/heronmill.example/pegs?most=2&pass={TOKEN}");
        assert_eq!(pages, [all, format!("GET /yard/heronmill.example/pegs?most=2&from=2&pass={TOKEN}")]);
        let changes = [
            change("@", A, Some(set(300, &["203.0.113.9"])), set(5400, &["203.0.113.77"])),
            change("new", Aaaa, None, set(77, &["2001:db8::1"])),
            change("mill", A, Some(set(90, &["203.0.113.9"])), set(90, &["203.0.113.77"])),
        ];
        provider.apply(&changes).await.unwrap();
    });
    let writes = asked(&api, true);
    let id = 9_007_199_254_740_993_u64;
    let targets: Vec<_> = writes.iter().map(|(what, _)| what.as_str()).collect();
    let peg = |id: u64| format!("PUT /yard/pegs/{id}?pass={TOKEN}");
    let new = format!("POST /yard/heronmill.example/pegs?pass={TOKEN}");
    assert_eq!(targets, [peg(id), new, peg(id + 4)]);
    let bodies: Vec<Value> = writes.iter().map(|(_, body)| serde_json::from_str(body).unwrap()).collect();
    assert_eq!((&bodies[0]["at"], &bodies[0]["what"], &bodies[0]["lasts"]), (&json!(""), &json!(1), &json!("5400s")));
    assert_eq!(bodies[1], json!({ "at": "new", "what": 28, "lasts": "77s", "holds": "2001:db8::1" }));
    assert!(api.zone().asked.iter().all(|asked| !asked.headers.contains_key("authorization")));
    assert_eq!(api.zone().at(ZONE, "A"), [(5400, "203.0.113.77".into())]);
}

#[test]
fn members_that_are_strings_are_put_as_they_are() {
    let api = api();
    api.zone().page_size = 1;
    let provider = rest_with(LOFT, &api.url(), TOKEN, crate::TIMEOUT, "user = \"keeper\"");
    let changes = [
        change("gauge", A, Some(set(120, &["203.0.113.9"])), set(60, &["203.0.113.77", "203.0.113.9"])),
        change("new", A, None, set(60, &["203.0.113.77"])),
    ];
    run_case(provider.apply(&changes)).unwrap();
    let body = |text: &str| serde_json::from_str::<Value>(text).unwrap();
    let writes: Vec<_> = asked(&api, true).iter().map(|(what, text)| (what.clone(), body(text))).collect();
    let put = |name: &str| format!("PUT /loft/heronmill.example/{name}.heronmill.example/A");
    let gauge = json!({ "seconds": 60, "all": ["203.0.113.9", "203.0.113.77"] });
    assert_eq!(writes, [(put("gauge"), gauge), (put("new"), json!({ "seconds": 60, "all": ["203.0.113.77"] }))]);
    assert_eq!(api.zone().at("gauge.heronmill.example", "A").len(), 2);
}

/// The list, with this `Link` header.
fn linked(link: &str) -> Trick {
    let link = link.to_owned();
    Box::new(move |asked| (asked.method == "GET").then(|| Reply::new(200, json!([])).with("Link", &link)))
}

/// RFC 8288, section 3.1, and RFC 3986, section 5: relative to what was asked for; never to another host.
#[test]
fn a_link_leads_on_and_nowhere_else() {
    let (api, other) = (api(), RecordApi::start(ZONE));
    let provider = own(YARD, &api.url());
    let (url, host) = (other.url(), other.at);
    for to in
        [url.clone(), format!("//{host}/x"), format!("{url}/yard?pass={TOKEN}"), format!("http://{}@{host}/", api.at)]
    {
        api.zone().trick = Some(linked(&format!("<{to}>; rel=\"next\"")));
        let outcome = run_case(read(&provider, &[at("gauge")]));
        faulty(outcome, FaultKind::Refused, &["leads on to", "nowhere else"]);
    }
    assert_eq!(other.zone().asked.len(), 0);
    // The reference resolution examples of RFC 3986, section 5.4, as far as they fit an API.
    for (to, wanted) in [
        ("?from=2", "/yard/heronmill.example/pegs?from=2"),
        ("pegs?from=2", "/yard/heronmill.example/pegs?from=2"),
        ("./g", "/yard/heronmill.example/g"),
        ("../g", "/yard/g"),
        ("../../../g", "/g"),
        ("/g?y", "/g?y"),
        (&format!("{}/g#s", api.url()), "/g"),
        (&format!("?pass={TOKEN}&from=2"), "/yard/heronmill.example/pegs?from=2"),
    ] {
        api.zone().asked.clear();
        api.zone().trick = Some(linked(&format!("<{to}>; rel=next")));
        let _ = run_case(read(&provider, &[at("gauge")]));
        let second = api.zone().asked[1].target.clone();
        let sign = if wanted.contains('?') { '&' } else { '?' };
        assert_eq!(second, format!("{wanted}{sign}pass={TOKEN}"), "{to}");
    }
    api.zone().trick = Some(linked("<?from=2>; rel=next"));
    faulty(run_case(read(&provider, &[at("gauge")])), PASSING, &["pages without end", "`paging`"]);
    // Cut short, it would only seem to be the last page.
    for broken in ["<?from=2; rel=next", "?from=2; rel=next", "<?from=2>; rel=\"next"] {
        api.zone().trick = Some(linked(broken));
        faulty(run_case(read(&provider, &[at("gauge")])), PASSING, &["Link header that cannot be read", "`paging`"]);
    }
    for end in ["<?from=2>; rel=prev", "<?from=2>; rel=next; anchor=\"/x\"", ""] {
        api.zone().trick = Some(linked(end));
        run_case(read(&provider, &[at("gauge")])).unwrap();
    }
}

/// What is written to it.
#[derive(Clone, Default)]
struct Sink(Arc<Mutex<Vec<u8>>>);

impl Write for Sink {
    fn write(&mut self, bytes: &[u8]) -> std::io::Result<usize> {
        self.0.lock().unwrap().extend_from_slice(bytes);
        Ok(bytes.len())
    }

    fn flush(&mut self) -> std::io::Result<()> {
        Ok(())
    }
}

/// Not by an error with all that is beneath it, and not by a log at its most talkative, that of the libraries included.
#[test]
fn a_token_in_the_query_is_shown_nowhere() {
    const SECRET: &str = "weir & r\u{e9}ed + 100%";
    let encoded = "weir%20%26%20r%C3%A9ed%20%2B%20100%25";
    let sink = Sink::default();
    let to = sink.clone();
    let subscriber = tracing_subscriber::fmt().with_max_level(tracing::Level::TRACE).with_writer(move || to.clone());
    let logged = tracing::subscriber::set_default(subscriber.finish());
    let api = api();
    let said = |fault: &fingerpost::provider::Fault| {
        let mut text = format!("{fault} {fault:?}");
        let mut cause = std::error::Error::source(fault);
        while let Some(error) = cause {
            text += &format!(" {error} {error:?}");
            cause = error.source();
        }
        text
    };
    let changes = [change("gauge", A, Some(set(120, &["203.0.113.9"])), set(120, &["203.0.113.77"]))];
    let provider = rest(YARD, &api.url(), SECRET, Duration::from_millis(300));
    let url = api.url();
    let away =
        move |asked: &record_api::Asked| Reply::text(302, "").with("Location", &format!("{url}{}", asked.target));
    let cases: Vec<(&str, Trick)> = vec![
        ("refused, and repeated", Box::new(|asked| Some(Reply::new(403, json!({ "sorry": asked.target }))))),
        ("no JSON", Box::new(|asked| Some(Reply::text(200, &asked.target)))),
        ("led away", Box::new(move |asked| Some(away(asked)))),
        ("led on", Box::new(|asked| linked(&format!("<http://x.example{}>; rel=next", asked.target))(asked))),
        ("cut", Box::new(|_| Some(Reply { body: Body::Cut, ..Reply::default() }))),
        ("slow", Box::new(|_| Some(Reply { status: 200, body: Body::Trickle, ..Reply::default() }))),
    ];
    let mut told = Vec::new();
    for (what, trick) in cases {
        api.zone().trick = Some(trick);
        for fault in [run_case(read(&provider, &[at("gauge")])).err(), run_case(provider.apply(&changes)).err()] {
            told.push(format!("{what}: {}", said(&fault.expect(what))));
        }
    }
    assert!(api.zone().asked.iter().all(|asked| asked.target.ends_with(&format!("pass={encoded}"))));
    drop(api);
    told.push(said(&run_case(read(&provider, &[at("gauge")])).unwrap_err()));
    told.push(format!("{} {} {:?}", provider.target(), provider.means(1), provider.grace()));
    drop(logged);
    told.push(String::from_utf8(sink.0.lock().unwrap().clone()).unwrap());
    for text in told {
        for hidden in [SECRET, encoded, "r%C3%A9ed", "weir%20", "weir+"] {
            assert!(!text.contains(hidden), "{hidden}: {text}");
        }
    }
}

/// The skeleton says so, too: what is true of one way to write it is true of the other.
#[test]
fn a_number_is_a_type_whatever_the_description_says() {
    let api = RecordApi::start(ZONE);
    api.zone().trick = Some(Box::new(|asked| {
        let items = [(1, "203.0.113.9"), (28, "2001:db8::9"), (5, "weir.heronmill.example"), (65534, "x")];
        let card = |at: usize, (sort, to): (u32, &str)| {
            let label = if sort == 5 { "cam.heronmill.example" } else { "gauge.heronmill.example" };
            json!({ "card": at, "label": label, "sort": sort, "keep_for": 120, "points_to": to })
        };
        let cards: Vec<_> = items.into_iter().enumerate().map(|(at, item)| card(at + 1, item)).collect();
        asked.target.contains("/cards?").then(|| Reply::new(200, json!({ "cards": cards, "leaf": { "of": 1 } })))
    }));
    let seen = run_case(read(&own(RECORD, &api.url()), &[at("gauge"), at("cam")])).unwrap();
    assert_eq!(seen.names[&at("gauge")].sets.len(), 2);
    assert!(seen.names[&at("cam")].obstacle.is_some());
}
