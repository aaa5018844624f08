use crate::testing::like;
use proptest::prelude::*;
use serde_json::json;

use super::*;

fn dns(text: &str) -> DnsName {
    DnsName::parse(text).unwrap()
}

fn zone() -> DnsName {
    dns("heronmill.example")
}

fn gauge() -> BTreeSet<DnsName> {
    BTreeSet::from([dns("gauge.heronmill.example")])
}

fn set(ttl: u32, addresses: &[&str]) -> RrSet {
    RrSet { ttl, addresses: addresses.iter().map(|address| address.parse().unwrap()).collect() }
}

#[test]
fn the_requests_are_as_documented() {
    let read = request(Task::Read { names: &gauge() }, &zone(), None).unwrap();
    let text = r#"{"version":1,"action":"read","names":["gauge.heronmill.example"],"zone":"heronmill.example"}"#;
    assert_eq!(String::from_utf8(read).unwrap(), format!("{text}\n"));
    let change = |before| Change {
        name: dns("gauge.heronmill.example"),
        rtype: RecordType::Aaaa,
        before,
        after: set(120, &["2001:db8::10"]),
    };
    let changes = [change(None), change(Some(set(60, &["2001:db8::9"])))];
    let write = request(Task::Write { changes: &changes }, &zone(), Some("quoted \" word")).unwrap();
    let entry = |before: serde_json::Value| {
        let after = json!({"ttl": 120, "addresses": ["2001:db8::10"]});
        json!({"name": "gauge.heronmill.example", "type": "AAAA", "before": before, "after": after})
    };
    let wanted = json!({
        "version": 1, "action": "write", "zone": "heronmill.example", "secret": "quoted \" word",
        "changes": [entry(json!(null)), entry(json!({"ttl": 60, "addresses": ["2001:db8::9"]}))],
    });
    assert_eq!(serde_json::from_slice::<serde_json::Value>(&write).unwrap(), wanted);
}

fn junk(problem: Problem) -> String {
    match problem {
        Problem::Junk(what) => what,
        Problem::Fault(fault) => panic!("a fault: {fault}"),
    }
}

/// An answer that tells `standing` of gauge.
fn telling(standing: &str) -> String {
    format!(r#"{{"version":1,"names":{{"gauge.heronmill.example":{standing}}}}}"#)
}

#[test]
fn what_stands_is_understood() {
    let answer = r#" {"version":1,"serial":4294967295,"names":{"Gauge.HeronMill.example.":
        {"sets":{"A":{"ttl":2147483647,"addresses":["203.0.113.9","203.0.113.10"]},"AAAA":{"ttl":0,"addresses":["2001:DB8::9"]}}}}}"#;
    let seen = observed(answer.as_bytes(), &zone(), &gauge()).unwrap();
    assert_eq!(seen.serial, Some(u32::MAX));
    let sets = BTreeMap::from([
        (RecordType::A, set(2_147_483_647, &["203.0.113.9", "203.0.113.10"])),
        (RecordType::Aaaa, set(0, &["2001:db8::9"])),
    ]);
    assert_eq!(
        seen.names,
        BTreeMap::from([(dns("gauge.heronmill.example"), Standing { sets, ..Standing::default() })])
    );
    for (told, obstacle) in [
        (r#"{"cname":"Mill.heronmill.example"}"#, Obstacle::Cname("mill.heronmill.example.".into())),
        (r#"{"delegated":"gauge.heronmill.example."}"#, Obstacle::Delegated("gauge.heronmill.example".into())),
    ] {
        let answer = telling(&format!(r#"{{"sets":{{}},"obstacle":{told}}}"#));
        let seen = observed(answer.as_bytes(), &zone(), &gauge()).unwrap();
        assert_eq!(seen.names[&dns("gauge.heronmill.example")].obstacle, Some(obstacle));
    }
}

#[test]
fn what_is_no_answer_to_a_read_is_said() {
    let of_set = |rtype: &str, set: &str| telling(&format!(r#"{{"sets":{{"{rtype}":{set}}}}}"#));
    let obstacle = |told: &str| telling(&format!(r#"{{"sets":{{}},"obstacle":{told}}}"#));
    let good = r#"{"ttl":60,"addresses":["203.0.113.9"]}"#;
    let cases = [
        (String::new(), "answered nothing"),
        (" \n".into(), "answered nothing"),
        ("{".into(), "EOF"),
        ("[]".into(), "invalid length"),
        (format!("{} x", telling(r#"{"sets":{}}"#)), "trailing characters"),
        (telling(r#"{"sets":{}}"#).replace(":1,", ":2,"), "it speaks version 2 of the protocol, and not version 1"),
        (r#"{"version":3,"words":[]}"#.into(), "version 3"),
        (telling(r#"{"sets":{}}"#).replace(r#""version":1,"#, ""), "missing field `version`"),
        (r#"{"version":1}"#.into(), "a read is answered with `names`"),
        (r#"{"version":1,"done":true}"#.into(), "a read is answered with `names`"),
        (r#"{"version":1,"names":{},"detail":"x"}"#.into(), "a read is answered with `names`"),
        (r#"{"version":1,"names":{}}"#.into(), "no entry for gauge.heronmill.example"),
        (r#"{"version":1,"names":null}"#.into(), "invalid type: null"),
        (telling(r#"{"sets":{}}"#).replace("gauge", "mill"), "no entry for gauge.heronmill.example"),
        (telling(r#"{"sets":{}},"cam.heronmill.example":{"sets":{}}"#), "cam.heronmill.example, which was not asked"),
        (telling(r#"{"sets":{}},"GAUGE.heronmill.example.":{"sets":{}}"#), "gauge.heronmill.example has two entries"),
        (telling(r#"{"sets":{}},"a b":{"sets":{}}"#), "\"a b\" is not a DNS name"),
        (telling("{}"), "missing field `sets`"),
        (telling(r#"{"sets":{},"note":1}"#), "unknown field `note`"),
        (of_set("TXT", good), "unknown field `TXT`"),
        (telling(&format!(r#"{{"sets":{{"A":{good},"A":{good}}}}}"#)), "duplicate field `A`"),
        (of_set("A", "null"), "invalid type: null"),
        (of_set("A", r#"{"ttl":60,"addresses":[]}"#), "the A RRset has no address"),
        (of_set("A", r#"{"ttl":60,"addresses":["203.0.113.9","203.0.113.9"]}"#), "an address twice"),
        (of_set("A", r#"{"ttl":60,"addresses":["2001:db8::9"]}"#), "2001:db8::9 is no A address"),
        (of_set("AAAA", good), "203.0.113.9 is no AAAA address"),
        (of_set("A", r#"{"ttl":60,"addresses":["203.0.113.09"]}"#), "invalid IP address"),
        (
            of_set("A", r#"{"ttl":2147483648,"addresses":["203.0.113.9"]}"#),
            "the TTL 2147483648 is more than 2147483647",
        ),
        (of_set("A", r#"{"ttl":-1,"addresses":["203.0.113.9"]}"#), "integer `-1`"),
        (of_set("A", r#"{"ttl":"60","addresses":["203.0.113.9"]}"#), "invalid type: string"),
        (obstacle(r#"{"cname":""}"#), "gauge.heronmill.example: `cname` is not a name"),
        (obstacle(r#"{"cname":"a b"}"#), "`cname` is not a name"),
        (obstacle(r#"{"delegated":"heronmill.example"}"#), "heronmill.example is no zone cut"),
        (obstacle(r#"{"delegated":"mill.heronmill.example"}"#), "mill.heronmill.example is no zone cut"),
        (obstacle(r#"{"delegated":"example"}"#), "example is no zone cut"),
        (obstacle(r#"{"cname":"x","delegated":"y"}"#), "expected"),
    ];
    for (answer, words) in cases {
        let what = junk(observed(answer.as_bytes(), &zone(), &gauge()).unwrap_err());
        assert!(what.contains(words), "{answer}: no {words:?} in {what:?}");
    }
}

#[test]
fn the_end_of_a_write_is_understood() {
    let detail = |answer: &str| applied(answer.as_bytes()).unwrap().detail;
    assert_eq!(detail(r#"{"version":1,"done":true}"#), "");
    assert_eq!(detail(r#"{"version":1,"done":true,"detail":"serial 8"}"#), "serial 8");
    for answer in [
        r#"{"version":1}"#,
        r#"{"version":1,"done":false}"#,
        r#"{"version":1,"detail":"serial 8"}"#,
        r#"{"version":1,"done":true,"serial":8}"#,
        r#"{"version":1,"names":{}}"#,
    ] {
        assert!(junk(applied(answer.as_bytes()).unwrap_err()).contains("a write is answered with `done`"), "{answer}");
    }
}

#[test]
fn faults_are_told_by_kind() {
    let fault = |members: &str| {
        let answer = format!(r#"{{"version":1,"fault":{{"why":"closed at night",{members}}}}}"#);
        applied(answer.as_bytes()).unwrap_err()
    };
    let wait = |seconds| FaultKind::Passing { retry_after: Some(Duration::from_secs(seconds)) };
    for (members, kind) in [
        (r#""kind":"conflict""#, FaultKind::Conflict),
        (r#""kind":"refused""#, FaultKind::Refused),
        (r#""kind":"in-doubt""#, FaultKind::InDoubt),
        (r#""kind":"passing""#, FaultKind::Passing { retry_after: None }),
        (r#""kind":"passing","retry_after":0"#, wait(0)),
        (r#""kind":"passing","retry_after":90"#, wait(90)),
        (r#""kind":"passing","retry_after":18446744073709551615"#, wait(86_400)),
    ] {
        match fault(members) {
            Problem::Fault(fault) => assert_eq!((fault.kind, fault.why.as_str()), (kind, "closed at night")),
            Problem::Junk(what) => panic!("{members}: {what}"),
        }
    }
    for (members, words) in [
        (r#""kind":"late""#, "unknown variant `late`"),
        (r#""kind":"refused","retry_after":90"#, "`retry_after` belongs to a passing fault"),
        (r#""kind":"passing","retry_after":-1"#, "integer `-1`"),
        (r#""kind":"passing","retry_after":1.5"#, "floating point"),
        (r#""kind":"passing","when":"later""#, "unknown field `when`"),
        (r#""remedy":"wait""#, "missing field `kind`"),
    ] {
        let what = junk(fault(members));
        assert!(what.contains(words), "{members}: {what}");
    }
    let both = r#"{"version":1,"done":true,"fault":{"kind":"refused","why":"x"}}"#;
    assert_eq!(junk(applied(both.as_bytes()).unwrap_err()), "`fault` stands alone");
}

proptest! {
    #![proptest_config(ProptestConfig::with_cases(2000))]

    /// RFC 2181, sections 5 and 8, and what was asked: whatever is believed keeps to it.
    #[test]
    fn what_is_believed_is_sound(at in any::<prop::sample::Index>(), cut in 0..6usize, put in like(r#"[\[\]{}:",.0-9a-z\\]{0,6}"#)) {
        let sound = telling(
            r#"{"sets":{"A":{"ttl":60,"addresses":["203.0.113.9"]},"AAAA":{"ttl":1,"addresses":["2001:db8::1"]}},"obstacle":{"cname":"mill.heronmill.example."}}"#,
        );
        let start = at.index(sound.len());
        let answer = format!("{}{put}{}", &sound[..start], &sound[(start + cut).min(sound.len())..]);
        if let Ok(seen) = observed(answer.as_bytes(), &zone(), &gauge()) {
            prop_assert!(seen.names.keys().eq(gauge().iter()));
            for (rtype, set) in seen.names.values().flat_map(|standing| &standing.sets) {
                prop_assert!(set.ttl < 1 << 31 && !set.addresses.is_empty());
                prop_assert!(set.addresses.iter().all(|address| address.is_ipv4() == (*rtype == RecordType::A)));
            }
        }
        let _ = applied(answer.as_bytes());
    }

    #[test]
    fn any_bytes_are_survived(answer in prop::collection::vec(any::<u8>(), 0..200)) {
        prop_assert!(observed(&answer, &zone(), &gauge()).is_err());
        prop_assert!(applied(&answer).is_err());
    }
}
