use proptest::prelude::*;

use super::*;
use crate::audit::Ending;

fn moment() -> Timestamp {
    Timestamp::parse("2026-11-24T08:14:31.250Z").unwrap()
}

fn hold(why: &str) -> Event {
    Event::Hold { provider: "home".into(), why: why.into() }
}

/// A chain of `count` lines.
fn chain(count: u64) -> Vec<String> {
    let (mut lines, mut tail) = (Vec::new(), Tail::origin());
    for seq in 1..=count {
        let line = line(seq, moment(), &hold(&format!("number {seq}")), &tail.link).unwrap();
        tail = tail.follow(line.as_bytes()).unwrap().0;
        lines.push(line);
    }
    lines
}

/// Follows `lines` from the first to the last; where it stops, and why.
fn follow<'a>(lines: impl IntoIterator<Item = &'a str>) -> Result<Option<Tail>, (usize, Flaw)> {
    let mut tail: Option<Tail> = None;
    for (at, line) in lines.into_iter().enumerate() {
        let followed = match &tail {
            None => Tail::begin(line.as_bytes()),
            Some(tail) => tail.follow(line.as_bytes()),
        };
        tail = Some(followed.map_err(|flaw| (at, flaw))?.0);
    }
    Ok(tail)
}

#[test]
fn a_link_is_the_sha_256_of_the_whole_line() {
    // FIPS 180-4's example message "abc"; the digest is from memory.
    assert_eq!(Link::to(b"abc").as_str(), "ba7816bf8f01cfea414140de5dae2223b00361a396177a9cb410ff61f20015ad");
    assert_eq!(Link::origin().as_str(), "0".repeat(64));
}

#[test]
fn a_line_is_one_json_object_with_seq_first_and_prev_last() {
    let line = line(7, moment(), &hold("no"), &Link::origin()).unwrap();
    let expected = format!(
        "{{\"seq\":7,\"time\":\"2026-11-24T08:14:31.250Z\",\"event\":\"hold\",\"provider\":\"home\",\"why\":\"no\",\"prev\":\"{}\"}}\n",
        "0".repeat(64)
    );
    assert_eq!(line, expected);
}

#[test]
fn a_line_is_read_back_as_it_was_written() {
    let event = Event::Outcome { intent: 3, provider: "home".into(), result: Ending::Overtaken, detail: "a\nb".into() };
    let text = line(4, moment(), &event, &Link::to(b"before\n")).unwrap();
    assert_eq!(text.matches('\n').count(), 1, "a newline in a text does not end the line");
    let entry = read(text.as_bytes()).unwrap();
    assert_eq!((entry.seq, entry.time, entry.event), (4, moment(), Known::Yes(event)));
    assert_eq!(entry.prev, Link::to(b"before\n").as_str());
}

#[test]
fn an_event_of_another_version_is_kept_by_its_name() {
    let text = line(1, moment(), &hold("no"), &Link::origin()).unwrap().replace("\"hold\"", "\"tide\"");
    assert_eq!(read(text.as_bytes()).unwrap().event, Known::No("tide".into()));
}

#[test]
fn a_whole_chain_holds() {
    let lines = chain(5);
    let tail = follow(lines.iter().map(String::as_str)).unwrap().unwrap();
    assert_eq!(tail, Tail { seq: 5, link: Link::to(lines[4].as_bytes()) });
}

#[test]
fn a_chain_whose_beginning_was_rotated_away_holds_from_there() {
    let lines = chain(5);
    assert!(follow(lines[2..].iter().map(String::as_str)).is_ok());
}

#[test]
fn the_very_first_line_has_to_be_the_first() {
    let line = line(1, moment(), &hold("no"), &Link::to(b"something\n")).unwrap();
    assert_eq!(Tail::begin(line.as_bytes()).unwrap_err(), Flaw::Broken);
    let line = super::line(0, moment(), &hold("no"), &Link::origin()).unwrap();
    assert_eq!(Tail::begin(line.as_bytes()).unwrap_err(), Flaw::Sequence { expected: 1, found: 0 });
}

#[test]
fn missing_doubled_and_swapped_lines_are_found() {
    let lines = chain(4);
    let pick = |order: &[usize]| follow(order.iter().map(|at| lines[*at].as_str()));
    assert_eq!(pick(&[0, 2, 3]).unwrap_err(), (1, Flaw::Sequence { expected: 2, found: 3 }));
    assert_eq!(pick(&[0, 1, 1, 2]).unwrap_err(), (2, Flaw::Sequence { expected: 3, found: 2 }));
    assert_eq!(pick(&[0, 2, 1, 3]).unwrap_err(), (1, Flaw::Sequence { expected: 2, found: 3 }));
}

#[test]
fn what_is_no_entry_is_told() {
    let told = |text: &str| read(text.as_bytes()).unwrap_err().to_string();
    assert_eq!(told("{}"), "the line is torn: it has no end");
    assert_eq!(told(""), "the line is torn: it has no end");
    assert!(told("\0\0\0\n").starts_with("this is no audit entry: not a JSON object ("));
    assert!(told("[1]\n").starts_with("this is no audit entry: not a JSON object ("));
    let full = chain(1).remove(0);
    for (key, bad) in [("seq", "-1"), ("time", "\"yesterday\""), ("event", "1"), ("prev", "null")] {
        let mut object: Map<String, Value> = serde_json::from_str(&full).unwrap();
        object.insert(key.into(), serde_json::from_str(bad).unwrap());
        let text = format!("{}\n", serde_json::to_string(&object).unwrap());
        assert_eq!(told(&text), format!("this is no audit entry: {key:?} is missing or of the wrong kind"));
    }
}

#[test]
fn a_file_is_split_after_each_newline() {
    assert_eq!(lines(b"a\nb\nc").collect::<Vec<_>>(), [&b"a\n"[..], b"b\n", b"c"]);
    assert_eq!(lines(b"").count(), 0);
}

proptest! {
    /// Whatever single byte of whatever line but the last is changed, the chain no longer holds.
    #[test]
    fn a_changed_byte_is_found(at in 0usize..2000, to in any::<u8>()) {
        let lines = chain(6);
        let inside: usize = lines[..5].iter().map(String::len).sum();
        let mut bytes = lines.concat().into_bytes();
        let at = at % inside;
        prop_assume!(bytes[at] != to);
        bytes[at] = to;
        let mut tail: Option<Tail> = None;
        let mut holds = true;
        for line in super::lines(&bytes) {
            match tail.as_ref().map_or_else(|| Tail::begin(line), |tail| tail.follow(line)) {
                Ok((next, _)) => tail = Some(next),
                Err(_) => holds = false,
            }
        }
        prop_assert!(!holds);
    }

    /// No bytes make the reader panic.
    #[test]
    fn any_bytes_are_read_or_refused(bytes in proptest::collection::vec(any::<u8>(), 0..200)) {
        let _ = read(&bytes);
    }
}
