use crate::testing::like;
use proptest::prelude::*;
use serde_json::json;

use super::*;
use crate::allowlist::firewall::Doubt;

fn question(service: Place) -> Question<'static> {
    Question { family: Family::Ipv4, port: 443, destination: None, service, outside: Some("wan"), inside: Some("lan") }
}

/// An input chain with policy drop and one rule of these statements.
fn rule(statements: &Value) -> LetIn {
    let chain = json!({ "family": "ip", "table": "t", "name": "c", "handle": 1, "type": "filter", "hook": "input", "prio": 0, "policy": "drop" });
    let rule = json!({ "family": "ip", "table": "t", "chain": "c", "handle": 7, "expr": statements });
    let text = json!({ "nftables": [{ "chain": chain }, { "rule": rule }] }).to_string();
    Ruleset::parse(text.as_bytes()).unwrap().let_in(&question(Place::Here))
}

#[test]
fn what_is_no_ruleset_is_refused() {
    for (text, want) in [
        ("", "it is not JSON: EOF while parsing a value at line 1 column 0; was it `nft -j list ruleset`?"),
        ("table inet t { }", "it is not JSON: expected ident at line 1 column 2; was it `nft -j list ruleset`?"),
        ("{}", "it is no ruleset of nftables: it has no list `nftables`; was it `nft -j list ruleset`?"),
        (
            "{\"nftables\":[7]}",
            "it is no ruleset of nftables: an entry of it is no object; was it `nft -j list ruleset`?",
        ),
        (
            "{\"nftables\":[{\"chain\":{}}]}",
            "it is no ruleset of nftables: a name is missing in it; was it `nft -j list ruleset`?",
        ),
    ] {
        assert_eq!(Ruleset::parse(text.as_bytes()).unwrap_err().to_string(), want, "{text}");
    }
}

/// Kernels of test machines do not have all of these: the form is libnftables-json(5)'s, and of `xt` what nft prints
/// for rules of iptables (from memory).
#[test]
fn what_another_program_decides_is_unknown() {
    for (statements, why) in [
        (json!([{ "queue": { "num": 1 } }]), "queue: another program decides"),
        (json!([{ "tproxy": { "port": 50080 } }]), "tproxy: another program decides"),
        (json!([{ "xt": null }, { "accept": null }]), "{\"xt\":null}"),
        (
            json!([{ "xt": { "type": "target", "name": "ACCEPT" } }]),
            "{\"xt\":{\"name\":\"ACCEPT\",\"type\":\"target\"}}",
        ),
        (
            json!([{ "jump": { "target": "nowhere" } }, { "accept": null }]),
            "the chain nowhere is not listed, or too deep",
        ),
        (json!([{ "new statement": {} }]), "{\"new statement\":{}}"),
    ] {
        let let_in = rule(&statements);
        if statements[0].get("jump").is_some() {
            assert_eq!((let_in.ways, let_in.doubts), (vec![], vec![]), "it would come back, and be dropped");
            assert_eq!(let_in.stopped[0].by, "ip t c: its policy is drop");
            continue;
        }
        let [Doubt { set, by, why: told }] = &let_in.doubts[..] else { panic!("{statements}: {let_in:?}") };
        assert_eq!((set.count(), by.as_str(), told.as_str()), (1 << 32, "ip t c, handle 7", why), "{statements}");
        assert_eq!(let_in.ways, [], "{statements}");
    }
}

/// The kernel refuses loops; a text from elsewhere may have one.
#[test]
fn a_loop_ends() {
    let chain = |name: &str, base: bool| match base {
        true => {
            json!({ "chain": { "family": "ip", "table": "t", "name": name, "type": "filter", "hook": "input", "prio": 0 } })
        }
        false => json!({ "chain": { "family": "ip", "table": "t", "name": name } }),
    };
    let jump = |from: &str, to: &str| json!({ "rule": { "family": "ip", "table": "t", "chain": from, "expr": [{ "jump": { "target": to } }] } });
    let twice: Vec<Value> = [("a", "b"), ("b", "a"), ("b", "a")].iter().map(|(from, to)| jump(from, to)).collect();
    let objects = [[chain("a", true), chain("b", false)].to_vec(), twice].concat();
    let text = json!({ "nftables": objects }).to_string();
    let let_in = Ruleset::parse(text.as_bytes()).unwrap().let_in(&question(Place::Here));
    assert!(let_in.ways.is_empty() && let_in.doubts.iter().any(|doubt| doubt.why.contains("too deep")), "{let_in:?}");
}

fn any_json() -> impl Strategy<Value = Value> {
    let words = prop::sample::select(vec![
        "match",
        "op",
        "==",
        "!=",
        "in",
        "left",
        "right",
        "payload",
        "protocol",
        "field",
        "ip",
        "saddr",
        "meta",
        "key",
        "mark",
        "ct",
        "state",
        "set",
        "prefix",
        "addr",
        "len",
        "range",
        "&",
        "accept",
        "drop",
        "jump",
        "target",
        "c",
        "vmap",
        "data",
        "dnat",
        "port",
        "concat",
        "elem",
        "val",
        "@s",
        "192.0.2.1",
        "*",
        "limit",
        "inv",
        "mangle",
    ]);
    let leaf = prop_oneof![
        Just(Value::Null),
        any::<bool>().prop_map(Value::from),
        any::<u16>().prop_map(Value::from),
        words.clone().prop_map(Value::from),
    ];
    leaf.prop_recursive(4, 40, 4, move |inner| {
        let object = prop::collection::vec((words.clone(), inner.clone()), 0..4);
        prop_oneof![
            prop::collection::vec(inner, 0..4).prop_map(Value::from),
            object.prop_map(|pairs| pairs
                .into_iter()
                .map(|(name, value)| (name.to_owned(), value))
                .collect::<serde_json::Map<_, _>>()
                .into()),
        ]
    })
}

proptest! {
    #[test]
    fn nothing_panics_and_nothing_is_both_known_and_unknown(statements in prop::collection::vec(any_json(), 0..5)) {
        let let_in = rule(&Value::from(statements));
        for way in &let_in.ways {
            prop_assert!(!way.set.is_empty() && way.by.starts_with("ip t c, handle 7"), "{}", way.by);
        }
        prop_assert!(let_in.doubts.iter().all(|doubt| !doubt.why.is_empty() && !doubt.set.is_empty()));
    }

    #[test]
    fn no_text_panics(text in like(".{0,200}")) {
        let _ = Ruleset::parse(text.as_bytes());
    }

    /// Whatever is in one rule, those that a rule before it drops do not get in.
    #[test]
    fn what_is_dropped_before_stays_out(statements in prop::collection::vec(any_json(), 0..5)) {
        let first = json!([{ "match": { "op": "==", "left": { "payload": { "protocol": "ip", "field": "saddr" } }, "right": "192.0.2.1" } }, { "drop": null }]);
        let chain = json!({ "family": "ip", "table": "t", "name": "c", "type": "filter", "hook": "input", "prio": 0, "policy": "accept" });
        let rule = |expr: &Value| json!({ "rule": { "family": "ip", "table": "t", "chain": "c", "expr": expr } });
        let text = json!({ "nftables": [{ "chain": chain }, rule(&first), rule(&Value::from(statements))] }).to_string();
        let let_in = Ruleset::parse(text.as_bytes()).unwrap().let_in(&question(Place::Here));
        let out = "192.0.2.1".parse().unwrap();
        prop_assert!(!let_in.ways.iter().any(|way| way.set.contains(out)) && !let_in.doubts.iter().any(|doubt| doubt.set.contains(out)));
    }
}
