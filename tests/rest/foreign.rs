//! What is not ours survives: 1,000 random updates against the record-id API, by partial and by whole updates.

use std::collections::{BTreeMap, BTreeSet};

use fingerpost::provider::Provider;
use fingerpost::record::RecordType::{A, Aaaa};
use fingerpost::record::{RecordType, RrSet};
use serde_json::{Map, Value};

use crate::common::record_api::{RecordApi, Zone};
use crate::common::*;
use crate::{RECORD, change, changed, own, read, run_case};

const UPDATES: usize = 1000;
const NAMES: [&str; 3] = ["gauge", "mill", "@"];

/// Every record by its id, without what we may change in ours: name, type and id too may never change.
fn foreign(zone: &Zone) -> BTreeMap<u64, Map<String, Value>> {
    let ours = |record: &Map<String, Value>| {
        let name = record["label"].as_str().unwrap();
        let ours =
            NAMES.iter().any(|label| name == if *label == "@" { ZONE.into() } else { format!("{label}.{ZONE}") });
        ours && (record["sort"] == "A" || record["sort"] == "AAAA")
    };
    let mut all = zone.records.clone();
    for record in all.values_mut().filter(|record| ours(record)) {
        record.remove("keep_for");
        record.remove("points_to");
    }
    all
}

fn random_set(random: &mut fastrand::Rng, rtype: RecordType) -> RrSet {
    let count = random.usize(1..=3);
    let address = |last: u8| match rtype {
        A => format!("203.0.113.{last}"),
        Aaaa => format!("2001:db8::{last:x}"),
    };
    let addresses: BTreeSet<_> = (0..count).map(|_| address(random.u8(1..=6)).parse().unwrap()).collect();
    RrSet { ttl: random.u32(30..=33), addresses }
}

fn survives(description: &str) {
    let api = RecordApi::start(ZONE);
    for (name, rtype, content) in [
        ("gauge.heronmill.example", "A", "203.0.113.1"),
        ("gauge.heronmill.example", "TXT", "A 203.0.113.1"),
        ("mill.heronmill.example", "A", "203.0.113.1"),
        ("mill.heronmill.example", "A", "203.0.113.2"),
        ("cam.heronmill.example", "A", "203.0.113.1"),
        ("cam.heronmill.example", "AAAA", "2001:db8::1"),
        (ZONE, "MX", "10 mill.heronmill.example"),
    ] {
        api.zone().add(name, rtype, 120, content);
    }
    let provider = own(description, &api.url());
    let mut random = fastrand::Rng::with_seed(20261125);
    run_case(async {
        for nth in 0..UPDATES {
            let (label, rtype) = (NAMES[random.usize(0..NAMES.len())], if random.bool() { A } else { Aaaa });
            let name = if label == "@" { dns(ZONE) } else { at(label) };
            let before =
                read(&provider, std::slice::from_ref(&name)).await.unwrap().names[&name].sets.get(&rtype).cloned();
            let stood = foreign(&api.zone());
            let after = random_set(&mut random, rtype);
            provider.apply(&[change(label, rtype, before.clone(), after.clone())]).await.unwrap();
            let stands =
                read(&provider, std::slice::from_ref(&name)).await.unwrap().names[&name].sets.get(&rtype).cloned();
            assert_eq!(stands, Some(after.clone()), "update {nth}");
            let now = foreign(&api.zone());
            // As many records as there were in both stay what they are; only what is too many goes, and only ours.
            let (was, is) = (before.map_or(0, |set| set.addresses.len()), after.addresses.len());
            let gone: Vec<_> = stood.iter().filter(|(id, _)| !now.contains_key(id)).collect();
            assert_eq!(gone.len(), was.saturating_sub(is), "update {nth}");
            assert!(
                gone.iter().all(|(_, record)| record["label"] == name.as_str() && record["sort"] == rtype.to_string())
            );
            for (id, record) in &now {
                assert!(stood.get(id).is_none_or(|stood| stood == record), "update {nth} changed {record:?}");
            }
            api.zone().asked.clear();
        }
    });
    assert_eq!(api.zone().went_dark, [""; 0]);
}

#[test]
fn fields_not_ours_survive_partial_updates() {
    survives(RECORD);
}

#[test]
fn fields_not_ours_survive_whole_updates() {
    let whole = changed(RECORD, "method = \"POST\"\nuri = \"/cards", "method = \"PUT\"\nuri = \"/cards");
    survives(&changed(&whole, "body = '{ \"points_to\": \"{address}\", \"keep_for\": \"{ttl}\" }'", "whole = true"));
}
