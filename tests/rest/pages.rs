//! Lists in pages: however they end, however they move, and whatever order each page is cut from.

use std::sync::atomic::{AtomicUsize, Ordering};

use fingerpost::provider::FaultKind;
use serde_json::json;

use crate::as_they_are::{api, beside, card, cards, counted, gauge, page_of, paged, seen};
use crate::common::record_api::Reply;
use crate::faulty;

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
    let overlapping = super::as_they_are::api(move |asked| {
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
