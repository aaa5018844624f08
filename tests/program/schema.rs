//! `config/providers/program.schema.json` held against the protocol itself, by an implementation of JSON Schema
//! (Python's jsonschema): what is sent is a request by it, and what it calls an answer is understood.

use std::collections::{BTreeMap, BTreeSet};
use std::fs;
use std::io::Write as _;
use std::process::{Command, Stdio};

use fingerpost::provider::program::Program;
use fingerpost::provider::{Change, Provider};
use fingerpost::record::{RecordType, RrSet};
use fingerpost::secret::Secret;
use serde_json::{Value, json};

use crate::{LONG, dns, run};

/// Which of `documents` are valid by `#/$defs/DEFINITION`.
fn valid(definition: &str, documents: &[Value]) -> Vec<bool> {
    let script = "
import json, sys, jsonschema
schema = json.load(open(sys.argv[1]))
jsonschema.Draft202012Validator.check_schema(schema)
schema = {**schema, '$ref': '#/$defs/' + sys.argv[2]}
del schema['anyOf']
validator = jsonschema.Draft202012Validator(schema, format_checker=jsonschema.FormatChecker(['ipv4', 'ipv6']))
print(json.dumps([validator.is_valid(document) for document in json.load(sys.stdin)]))
";
    let schema = concat!(env!("CARGO_MANIFEST_DIR"), "/config/providers/program.schema.json");
    let mut child = Command::new(std::env::var("TESTS_PYTHON").unwrap_or_else(|_| "python3".to_owned()))
        .args(["-c", script, schema, definition])
        .stdin(Stdio::piped())
        .stdout(Stdio::piped())
        .spawn()
        .unwrap();
    child.stdin.take().unwrap().write_all(&serde_json::to_vec(documents).unwrap()).unwrap();
    let output = child.wait_with_output().unwrap();
    assert!(output.status.success(), "this test needs python3 with jsonschema");
    let verdicts: Vec<bool> = serde_json::from_slice(&output.stdout).unwrap();
    assert_eq!(verdicts.len(), documents.len());
    verdicts
}

fn set(ttl: u32, addresses: &[&str]) -> RrSet {
    RrSet { ttl, addresses: addresses.iter().map(|address| address.parse().unwrap()).collect() }
}

#[test]
#[ignore = "needs python3 with jsonschema: tests/all.sh runs it"]
fn what_is_sent_is_a_request() {
    let directory = tempfile::tempdir().unwrap();
    let request = |secret: Option<&str>, names: &[&str], changes: &[Change]| -> Value {
        let file = directory.path().join("request");
        let arguments = vec!["-c".into(), format!("cat > {}", file.display())];
        let secret = secret.map(|text| Secret::new(text.into()));
        let zone = dns("heronmill.example");
        let provider = Program::new(zone, "/bin/sh".into(), arguments, BTreeMap::new(), secret, LONG);
        let names: BTreeSet<_> = names.iter().map(|name| dns(name)).collect();
        // It answers nothing, which is a fault; only what it was sent counts.
        let _ = match changes {
            [] => run(provider.read(&names)).map(|_| ()),
            changes => run(provider.apply(changes)).map(|_| ()),
        };
        serde_json::from_slice(&fs::read(file).unwrap()).unwrap()
    };
    let change = |name: &str, rtype, before, after| Change { name: dns(name), rtype, before, after };
    let mut requests = vec![
        request(None, &[], &[]),
        request(
            Some("a token"),
            &["gauge.heronmill.example", "*.heronmill.example", "_x.b\u{fc}ro.heronmill.example"],
            &[],
        ),
        request(
            Some("a token"),
            &[],
            &[
                change("gauge.heronmill.example", RecordType::A, None, set(0, &["203.0.113.77"])),
                change(
                    "*.heronmill.example",
                    RecordType::Aaaa,
                    Some(set(120, &["2001:db8::1", "2001:db8::2"])),
                    set(i32::MAX.cast_unsigned(), &["2001:db8::77"]),
                ),
            ],
        ),
    ];
    assert_eq!(valid("request", &requests), [true; 3], "{requests:?}");
    // And not because everything is one.
    requests[0]["action"] = json!("write");
    requests[1]["names"] = json!(["two words"]);
    requests[2]["changes"][0]["after"]["addresses"] = json!(["2001:db8::1"]);
    assert_eq!(valid("request", &requests), [false; 3], "{requests:?}");
}

#[test]
#[ignore = "needs python3 with jsonschema: tests/all.sh runs it"]
fn an_answer_by_the_schema_is_an_answer_to_the_provider() {
    let a = |ttl: Value, addresses: Value| json!({"sets": {"A": {"ttl": ttl, "addresses": addresses}}});
    let read = |standing: Value| json!({"version": 1, "names": {"gauge.heronmill.example": standing}});
    let fault = |fault: Value| json!({"version": 1, "fault": fault});
    let v4 = json!(["203.0.113.9"]);
    // Each is in the eyes of the schema what it is in ours: `true` is an answer to a read, or a fault.
    let of_read = [
        (read(a(json!(60), v4.clone())), true),
        (read(a(json!(0), json!(["203.0.113.9", "203.0.113.10"]))), true),
        (read(a(json!(i32::MAX), v4.clone())), true),
        (read(json!({"sets": {}})), true),
        (read(json!({"sets": {"AAAA": {"ttl": 1, "addresses": ["2001:db8::1"]}}})), true),
        (read(json!({"sets": {}, "obstacle": {"cname": "mill.heronmill.example."}})), true),
        (read(json!({"sets": {}, "obstacle": {"delegated": "gauge.heronmill.example"}})), true),
        (fault(json!({"kind": "passing", "why": "w", "remedy": "r", "retry_after": 3})), true),
        (fault(json!({"kind": "refused", "why": "w"})), true),
        (fault(json!({"kind": "conflict", "why": "w"})), true),
        (fault(json!({"kind": "in-doubt", "why": "w"})), true),
        (json!({"version": 1, "names": {"GAUGE.heronmill.example.": {"sets": {}}}, "serial": u32::MAX}), true),
        (read(a(json!(-1), v4.clone())), false),
        (read(a(json!(i64::from(i32::MAX) + 1), v4.clone())), false),
        (read(a(json!("60"), v4.clone())), false),
        (read(a(json!(60), json!([]))), false),
        (read(a(json!(60), json!(["203.0.113.9", "203.0.113.9"]))), false),
        (read(a(json!(60), json!(["2001:db8::1"]))), false),
        (read(a(json!(60), json!(["203.0.113.256"]))), false),
        (read(a(json!(60), json!("203.0.113.9"))), false),
        (read(json!({"sets": {"A": null}})), false),
        (read(json!({"sets": {"TXT": {"ttl": 1, "addresses": ["x"]}}})), false),
        (read(json!({})), false),
        (read(json!({"sets": {}, "obstacle": null})), false),
        (read(json!({"sets": {}, "obstacle": {}})), false),
        (read(json!({"sets": {}, "obstacle": {"cname": ""}})), false),
        (read(json!({"sets": {}, "obstacle": {"cname": "x", "delegated": "y"}})), false),
        (read(json!({"sets": {}, "id": 7})), false),
        (json!({"version": 2, "names": {"gauge.heronmill.example": {"sets": {}}}}), false),
        (json!({"names": {"gauge.heronmill.example": {"sets": {}}}}), false),
        (json!({"version": 1, "names": {"gauge.heronmill.example": {"sets": {}}}, "serial": -1}), false),
        (json!({"version": 1, "names": {"gauge.heronmill.example": {"sets": {}}}, "detail": "x"}), false),
        (json!({"version": 1, "names": {"a b": {"sets": {}}}}), false),
        (json!({"version": 1}), false),
        (json!([]), false),
        (fault(json!({"kind": "late", "why": "w"})), false),
        (fault(json!({"kind": "refused"})), false),
        (fault(json!({"kind": "refused", "why": "w", "retry_after": 3})), false),
        (fault(json!({"kind": "passing", "why": "w", "retry_after": -3})), false),
        (fault(json!({"kind": "passing", "why": "w", "note": "n"})), false),
    ];
    let of_write = [
        (json!({"version": 1, "done": true}), true),
        (json!({"version": 1, "done": true, "detail": "serial 8"}), true),
        (json!({"version": 1, "done": false}), false),
        (json!({"version": 1, "done": true, "detail": null}), false),
        (json!({"version": 1, "detail": "serial 8"}), false),
        (json!({"version": 1, "done": true, "fault": {"kind": "refused", "why": "w"}}), false),
    ];
    let directory = tempfile::tempdir().unwrap();
    let understood = |answer: &Value, writes: bool| {
        let file = directory.path().join("answer");
        fs::write(&file, answer.to_string()).unwrap();
        let arguments = vec![file.display().to_string()];
        let program = Program::new(dns("heronmill.example"), "/bin/cat".into(), arguments, BTreeMap::new(), None, LONG);
        let outcome = match writes {
            true => run(program.apply(&crate::changes())).map(|_| ()),
            false => run(program.read(&crate::names())).map(|_| ()),
        };
        outcome.map_or_else(|fault| !fault.why.contains("cannot be used"), |()| true)
    };
    for (cases, writes) in [(&of_read[..], false), (&of_write[..], true)] {
        let documents: Vec<_> = cases.iter().map(|(answer, _)| answer.clone()).collect();
        for ((answer, wanted), by_schema) in cases.iter().zip(valid("answer", &documents)) {
            assert_eq!((by_schema, understood(answer, writes)), (*wanted, *wanted), "{answer}");
        }
    }
}
