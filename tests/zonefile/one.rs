//! A name at which no address can be written holds up no other of the file.

use std::fs;

use fingerpost::update::RecordState;

use crate::generate::ZONE;
use crate::updater::{Updater, wanted};
use crate::{LONG, mill, name, provider, run};

/// Of gauge, mill and cam the one at `label` is blocked, and that with this reason; the others follow. A second pass
/// writes nothing.
fn only_one_is_blocked(lines: &str, label: &str, because: &[&str]) {
    let (_directory, file) = mill();
    fs::write(&file, lines).unwrap();
    let (provider, updater) = (provider(&file, &[], LONG), Updater::new());
    let labels = ["gauge", "mill", "cam.old"];
    let desired = labels.map(|label| wanted(name(&format!("{label}.{ZONE}")), "203.0.113.77"));
    let pass = || run(updater.pass(&provider, &name(ZONE), &desired));
    for _ in 0..2 {
        let report = pass();
        assert!(report.trouble.is_none(), "{:?}", report.trouble);
        assert!(updater.books.borrow().state.holds.is_empty());
        for record in &report.records {
            if record.name == name(&format!("{label}.{ZONE}")) {
                let RecordState::Blocked { why } = &record.standing else { panic!("{record:?}") };
                assert!(because.iter().all(|because| why.contains(because)), "{why}");
            } else {
                assert_eq!(record.standing, RecordState::InStep, "{}", record.name);
            }
        }
        assert_eq!(fs::read_to_string(&file).unwrap().matches("203.0.113.77").count(), 2);
    }
    let sent = updater.sent().len();
    pass();
    assert_eq!(updater.sent().len(), sent);
}

/// RFC 6672, section 2.4.
#[test]
fn a_dname_above_one_name_blocks_that_one() {
    let lines =
        "$TTL 5m\n@ SOA ns1 keeper 7 1h 10m 4w 5m\ngauge A 192.0.2.1\nmill A 192.0.2.1\nold DNAME new.example.\n";
    only_one_is_blocked(lines, "cam.old", &["a DNAME at old.heronmill.example", "remove"]);
}

/// RFC 1035, section 5.1: without a default TTL, that of the last record with one is inherited.
#[test]
fn an_edit_that_is_refused_blocks_its_name_alone() {
    let lines = "@ 300 SOA ns1 keeper 7 1h 10m 4w 5m\nmill 60 A 192.0.2.1\ngauge 60 A 192.0.2.1\n TXT \"level\"\n\
                 cam.old 60 A 192.0.2.1\n";
    let because = ["mill.zone, line 4", "the TXT record of gauge.heronmill.example states no TTL", "$TTL"];
    only_one_is_blocked(lines, "gauge", &because);
}
