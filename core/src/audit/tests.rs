use super::*;

#[test]
fn every_event_has_its_name_in_the_list() {
    let address = [203, 0, 113, 77].into();
    let word = Word { address, agreed: vec![], dissent: vec![], silent: vec![] };
    let provider = || "home".to_owned();
    let events = [
        Event::Settled { family: crate::address::Family::Ipv4, from: None, to: address, word, line: None },
        Event::Outage {
            line: None,
            family: crate::address::Family::Ipv4,
            since: Timestamp::default(),
            why: String::new(),
        },
        Event::Intent { provider: provider(), target: String::new(), changes: vec![], word: vec![] },
        Event::Outcome { intent: 1, provider: provider(), result: Ending::Done, detail: String::new() },
        Event::Hold { provider: provider(), why: String::new() },
        Event::Release { provider: provider(), why: String::new() },
        Event::Spread { intent: 1, provider: provider(), records: 1, took_ms: 0, servers: vec![] },
        Event::Unspread {
            intent: 1,
            provider: provider(),
            records: 1,
            took_ms: 0,
            servers: vec![],
            missing: vec![],
            why: String::new(),
        },
        Event::Found { line: None, about: String::new().into(), text: String::new() },
        Event::Gone { line: None, about: String::new().into() },
        Event::Lease { provider: provider(), what: Hands::Taken, other: None },
        Event::Ranges {
            edge: String::new(),
            number: 1,
            came: vec![],
            came_addresses: String::new(),
            went: vec![],
            went_addresses: String::new(),
            digest: None,
        },
        Event::Clock(crate::clock::Step {
            began: Timestamp::default(),
            was: Timestamp::default(),
            is: Timestamp::default(),
        }),
        Event::SetAside { file: String::new(), bytes: 0, removed: vec![] },
    ];
    assert_eq!(events.len(), EVENTS.len());
    for (event, name) in events.iter().zip(EVENTS) {
        assert_eq!(serde_json::to_value(event).unwrap()["event"], name);
    }
}

#[test]
fn each_ending_has_the_word_that_the_log_has() {
    use Ending::{Conflict, Done, Failed, Overtaken, Refused, Unknown};
    for ending in [Done, Conflict, Failed, Refused, Overtaken, Unknown] {
        assert_eq!(serde_json::to_value(ending).unwrap(), ending.word());
    }
}
