use super::*;
use std::time::Duration;

/// Invented, as the page's own tests have it.
fn status() -> Status {
    serde_json::from_str(include_str!("../../../../tests/status/status.json")).unwrap()
}

#[test]
fn the_sentence_says_how_it_stands() {
    let mut status = status();
    assert_eq!(
        sentence(&status),
        "2 of 4 records are in step, 1 spreading, 1 blocked. The home is at 203.0.113.77 since 2026-11-19 18:00 UTC, \
         on the word of 4 of 5 operators."
    );
    status.homes[0].address = Some("203.0.113.9".into());
    assert!(sentence(&status).ends_with("The home may have moved to 203.0.113.9: it is being settled."));
    (status.homes[0].address, status.homes[0].line) = (None, Some("fibre".into()));
    assert!(sentence(&status).ends_with("The line fibre has no ruling for IPv4; it was last at 203.0.113.77."));
    status.records.truncate(1);
    assert!(sentence(&status).starts_with("The one record is in step. "));
    status.records.clear();
    assert!(sentence(&status).starts_with("No record is known yet. "));
    status.rounds = 0;
    assert_eq!(sentence(&status), "The first round is under way.");
    status.running = false;
    assert_eq!(
        sentence(&status),
        "No daemon runs here; what it left behind: no record was seen in step. The line fibre was last settled at \
         203.0.113.77 since 2026-11-19 18:00 UTC."
    );
}

#[test]
fn what_needs_a_person_is_told_and_nothing_else() {
    let mut status = status();
    let told = needs(&status);
    assert_eq!(told.len(), 2, "{told:?}");
    assert!(told[0].starts_with("cam.heronmill.example A is blocked: a CNAME"), "{told:?}");
    assert!(told[1].starts_with("gauge.heronmill.example, allowlist: port 443"), "{told:?}");
    (status.records, status.exposure) = (vec![], vec![]);
    assert_eq!(needs(&status), Vec::<String>::new());
    let one = |change: &dyn Fn(&mut Status)| {
        let mut status = status.clone();
        change(&mut status);
        needs(&status)
    };
    let held = |status: &mut Status| {
        (status.providers[0].trouble, status.providers[0].held_since) = (Some("REFUSED".into()), Some(status.time));
    };
    assert_eq!(one(&held), ["home is on hold since 2026-11-25 18:00 UTC: REFUSED"]);
    assert_eq!(one(&|status| status.providers[0].trouble = Some("no answer".into())), ["home: no answer"]);
    // Another one writes: that is as it should be.
    let standby = |status: &mut Status| {
        (status.providers[0].trouble, status.providers[0].standing_by) = (Some("standing by".into()), true);
    };
    assert_eq!(one(&standby), Vec::<String>::new());
    assert_eq!(one(&|status| status.homes[0].address = None), ["no ruling for IPv4"]);
    assert_eq!(
        one(&|status| status.edges[0].trouble = Some("it is empty".into())),
        ["the ranges of weir: it is empty"]
    );
    assert_eq!(one(&|status| status.log.flaw = Some("line 3".into())), ["the audit log does not hold: line 3"]);
}

#[test]
fn news_is_what_has_changed_and_not_that_time_passes() {
    let status = status();
    let later = Status { time: status.time.plus(Duration::from_secs(5)), ..status.clone() };
    assert_eq!(news(&status), news(&later));
    assert_ne!(news(&status), news(&Status { rounds: status.rounds + 1, ..status }));
}
