//! What must hold of any file that is given for a master file.

use std::collections::BTreeSet;
use std::net::IpAddr;

use super::edit::edit;
use super::scan::Master;
use super::{serial, view};
use crate::name::DnsName;
use crate::provider::Change;
use crate::record::{RecordType, RrSet};

/// A master file, read and edited.
pub fn file(bytes: &[u8]) -> bool {
    let names = ["heronmill.example", "gauge.heronmill.example"].map(DnsName::parse);
    let [Ok(zone), Ok(gauge)] = names else { return false };
    let Ok(master) = Master::scan(bytes, zone.as_str()) else { return false };
    let mut at = 0;
    for record in &master.records {
        assert!(at <= record.span.start && record.span.end <= bytes.len());
        at = record.span.end;
        assert!(record.span.contains(&record.head));
        assert!(record.data.iter().all(|word| record.head < word.start && word.end <= record.span.end));
    }
    let names = BTreeSet::from([zone.clone(), gauge]);
    let Ok(observed) = view::observe(&master, &zone, &names) else { return false };
    let mut edited = false;
    for (name, standing) in &observed.names {
        let v4 = (RecordType::A, IpAddr::from([203, 0, 113, 7]));
        let v6 = (RecordType::Aaaa, IpAddr::from([0x2001, 0xdb8, 0, 0, 0, 0, 0, 7]));
        for (rtype, address) in [v4, v6] {
            let before = standing.sets.get(&rtype).cloned();
            let after = RrSet { ttl: 120, addresses: BTreeSet::from([address]) };
            let change = Change { name: name.clone(), rtype, before, after: after.clone() };
            let done = match edit(bytes, &zone, &[change], 20_261_124) {
                Ok(Some(done)) => done,
                Ok(None) => continue,
                Err(problem) => {
                    // All other problems are the file's.
                    assert!(!problem.to_string().starts_with("the edited file would not be right"), "{problem}");
                    continue;
                }
            };
            edited = true;
            assert!(observed.serial.is_some_and(|old| serial::is_after(done.serial, old)));
            let again = Change { name: name.clone(), rtype, before: Some(after.clone()), after };
            assert!(matches!(edit(&done.bytes, &zone, &[again], 20_261_124), Ok(None)));
        }
    }
    edited
}
