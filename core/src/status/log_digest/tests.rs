use super::*;
use crate::about::Connection;
use crate::address::Family;
use crate::audit::Word;
use crate::audit::chain::{Link, line, read};

fn entry(seq: u64, time: &str, event: &Event) -> Entry {
    read(line(seq, Timestamp::parse(time).unwrap(), event, &Link::origin()).unwrap().as_bytes()).unwrap()
}

fn settled(last: u8) -> Event {
    let to = [203, 0, 113, last].into();
    let word = Word { address: to, agreed: vec![], dissent: vec![], silent: vec![] };
    Event::Settled { line: None, family: Family::Ipv4, from: None, to, word }
}

#[test]
fn it_knows_since_when_and_counts_what_it_has_lived_through() {
    let mut memory = LogDigest::default();
    let done = |intent| Event::Outcome { intent, provider: "home".into(), result: Ending::Done, detail: String::new() };
    let about = || About::Connection(Connection::DoubleNat);
    let found = Event::Found { line: None, about: about(), text: "two".into() };
    memory.hear(entry(1, "2026-11-01T00:00:00Z", &settled(9)));
    memory.hear(entry(2, "2026-11-02T00:00:00Z", &done(1)));
    memory.hear(entry(3, "2026-11-03T00:00:00Z", &found));
    memory.live();
    memory.hear(entry(4, "2026-11-04T00:00:00Z", &done(1)));
    // The same once more changes nothing.
    memory.hear(entry(4, "2026-11-04T00:00:00Z", &done(1)));
    let at = |text| Timestamp::parse(text);
    assert_eq!(memory.settled_since(&Via::only(Family::Ipv4)), at("2026-11-01T00:00:00Z"));
    assert_eq!(memory.settled_since(&Via::only(Family::Ipv6)), None);
    assert_eq!(memory.last_write("home"), at("2026-11-04T00:00:00Z"));
    assert_eq!(memory.endings()["home"]["done"], 1);
    assert_eq!(memory.since(None, &about()), at("2026-11-03T00:00:00Z"));
    memory.hear(entry(5, "2026-11-05T00:00:00Z", &Event::Gone { line: None, about: about() }));
    assert_eq!(memory.since(None, &about()), None);
    assert_eq!(memory.lines().map(|line| line.seq).collect::<Vec<_>>(), [5, 4, 3, 2, 1]);
}

#[test]
fn it_stays_small() {
    let mut memory = LogDigest::default();
    let begin = Timestamp::parse("2020-01-01T00:00:00Z").unwrap();
    for seq in 1..=5000 {
        let time = begin.plus(Duration::from_secs(3600) * seq).to_millis_text();
        memory.hear(entry(seq.into(), &time, &settled((seq % 200) as u8)));
    }
    assert!(memory.moves().count() <= MOVES && memory.lines().count() == LINES);
    // Those of the whole span are there.
    let last = begin.plus(Duration::from_secs(3600) * 5000);
    assert!(memory.moves().next().is_some_and(|first| last.since(first.time) >= SPAN - Duration::from_secs(3600)));
    assert_eq!(memory.entries(), 5000);
}
