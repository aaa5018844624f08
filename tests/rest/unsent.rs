//! A write that fails in its own reading, before anything was sent: the limits are as they were.

use std::sync::Arc;
use std::sync::atomic::{AtomicUsize, Ordering};

use fingerpost::clock;
use fingerpost::update::RecordState;

use crate::common::record_api::{Body, RecordApi, Reply};
use crate::updater::{LIMITS, Updater, wanted};
use crate::*;

/// The RECORD API with `gauge` at an old address.
fn host() -> RecordApi {
    let api = RecordApi::start(ZONE);
    api.zone().add("gauge.heronmill.example", "A", 120, "203.0.113.9");
    api
}

fn left(updater: &Updater) -> u32 {
    updater.books.borrow().state.ledger.left_today(clock::system().now(), &LIMITS, "home")
}

/// How many requests a pass makes until it has read, and how many its write makes until it writes.
fn requests() -> (usize, usize) {
    let api = host();
    let provider = own(RECORD, &api.url());
    run_case(read(&provider, &[at("gauge")])).unwrap();
    let reading = api.zone().asked.len();
    let wanted = change("gauge", RecordType::A, Some(set(120, &["203.0.113.9"])), set(120, &["203.0.113.77"]));
    run_case(provider.apply(&[wanted])).unwrap();
    let first_write = api.zone().asked.iter().position(|asked| asked.method != "GET").unwrap();
    (reading, first_write - reading)
}

/// More often than a burst has writes, at each of the requests that go before one: it is written as soon as it can be.
#[test]
fn what_was_never_sent_uses_up_no_limit() {
    let (reading, before) = requests();
    assert!(before > 1, "the list, and the item itself: {before}");
    for nth in 0..before {
        for (status, is_known) in [(503, true), (404, true), (200, false)] {
            let api = host();
            let count = Arc::new(AtomicUsize::new(0));
            let asked_now = Arc::clone(&count);
            // And all after it: no further attempt of the pass gets through.
            api.zone().trick = Some(Box::new(move |_| {
                let fails = asked_now.fetch_add(1, Ordering::Relaxed) >= reading + nth;
                fails.then(|| Reply::text(status, if is_known { "{}" } else { "hello" }))
            }));
            let (updater, desired) = (Updater::new(), [wanted(at("gauge"), "203.0.113.77")]);
            for _ in 0..=LIMITS.burst {
                // As after a start: the zone's id is looked up again.
                count.store(0, Ordering::Relaxed);
                let report = run_case(updater.pass(&own(RECORD, &api.url()), &dns(ZONE), &desired));
                assert!(report.put_off_until.is_none(), "request {nth} of the write, {status}: {report:?}");
            }
            assert_eq!(updater.sent().len(), LIMITS.burst as usize + 1, "request {nth} of the write, {status}");
            assert_eq!((left(&updater), api.zone().writes()), (LIMITS.daily, vec![]), "request {nth}, {status}");
            api.zone().trick = None;
            let report = run_case(updater.pass(&own(RECORD, &api.url()), &dns(ZONE), &desired));
            assert_eq!(report.records[0].standing, RecordState::InStep, "request {nth} of the write, {status}");
            assert_eq!((left(&updater), api.zone().writes().len()), (LIMITS.daily - 1, 1));
        }
    }
}

/// Whatever becomes of what was sent, it counts.
#[test]
fn what_was_sent_counts() {
    for reply in [Reply::text(503, ""), Reply::text(429, ""), Reply { body: Body::Cut, ..Reply::default() }] {
        let api = host();
        api.zone().trick = Some(Box::new(move |asked| (asked.method != "GET").then(|| reply.clone())));
        let (updater, desired) = (Updater::new(), [wanted(at("gauge"), "203.0.113.77")]);
        run_case(updater.pass(&own(RECORD, &api.url()), &dns(ZONE), &desired));
        assert_eq!(left(&updater) + updater.sent().len() as u32, LIMITS.daily);
        assert!(left(&updater) < LIMITS.daily);
    }
}
