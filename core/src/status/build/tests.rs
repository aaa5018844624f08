use std::net::Ipv4Addr;

use super::*;
use crate::address::Family;
use crate::name::DnsName;
use crate::settings::Sharing;
use crate::watch::vote::Ruling;

const HOME: IpAddr = IpAddr::V4(Ipv4Addr::new(203, 0, 113, 77));

fn configured(label: &str, types: &[RecordType]) -> settings::Record {
    let name = DnsName::parse(&format!("{label}.heronmill.example")).unwrap();
    let (provider, lines, types) = ("home".to_owned(), vec![None], types.to_vec());
    settings::Record { name, types, lines, provider, ttl: 120, host_part: None, sharing: Sharing::Sole }
}

fn look(family: Family, outcome: Outcome) -> Look {
    let (agreed, dissent, silent, unasked) = (vec![], vec![], vec![], vec![]);
    let ruling = Ruling { outcome, agreed, dissent, silent, unasked, needed: 2, operators: 3 };
    Look { line: None, family, ruling, testimony: vec![] }
}

fn told(seen: &Snapshot) -> Vec<(String, State, String)> {
    let one = |record: Record| (format!("{} {}", record.name, record.rtype), record.state, record.note);
    status(seen).records.into_iter().map(one).collect()
}

fn is(about: &str, state: State, note: &str) -> (String, State, String) {
    let (label, rtype) = about.split_once(' ').unwrap();
    (format!("{label}.heronmill.example {rtype}"), state, note.to_owned())
}

#[test]
fn every_record_has_one_state_from_the_beginning_on() {
    let records = [configured("weir", &[RecordType::A, RecordType::Aaaa]), configured("gauge", &[RecordType::A])];
    let (weir, gauge) = (records[0].name.clone(), records[1].name.clone());
    let mut seen = Snapshot { records: records.into(), ..Snapshot::default() };
    let unknown = |about| is(about, State::Unknown, "not looked at yet");
    assert_eq!(told(&seen), [unknown("weir A"), unknown("weir AAAA"), unknown("gauge A")]);

    // There is a ruling for one family, on an address that is not settled yet.
    seen.rounds = 1;
    seen.looks = vec![look(Family::Ipv4, Outcome::Agreed(HOME)), look(Family::Ipv6, Outcome::Split)];
    let settling = |about| is(about, State::Adrift, "its address is being settled");
    let unruled = is("weir AAAA", State::Adrift, "no ruling for IPv6");
    assert_eq!(told(&seen), [settling("weir A"), unruled.clone(), settling("gauge A")]);

    // Settled, and one of them is reported.
    seen.settled.insert(Via::only(Family::Ipv4), HOME);
    let reported = RecordReport {
        name: weir.clone(),
        rtype: RecordType::A,
        address: HOME,
        before: None,
        after: None,
        verb: None,
        standing: RecordState::InStep,
        is_looked_for: false,
    };
    let report = Report {
        provider: "home".to_owned(),
        records: vec![reported],
        means: None,
        trouble: None,
        put_off_until: None,
        looked_for_until: None,
    };
    seen.providers.insert("home".to_owned(), report);
    assert_eq!(told(&seen), [is("weir A", State::InStep, ""), unruled.clone(), unknown("gauge A")]);

    // What is held back is not in step as well, whatever an earlier report says.
    let held = |name| HeldBack { line: None, name, rtype: RecordType::A, address: HOME };
    seen.held_back = vec![held(weir), held(gauge)];
    let states: Vec<State> = told(&seen).into_iter().map(|(_, state, _)| state).collect();
    assert_eq!(states, [State::HeldBack, State::Adrift, State::HeldBack]);
    assert!(status(&seen).records.iter().all(|record| record.provider == "home"));
}
