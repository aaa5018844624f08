use std::fs;

use futures_util::FutureExt as _;

use super::*;
use crate::aside::only_aside;
use crate::record::{RecordType, RrSet};

const MILL: &str = "$TTL 5m\n@ SOA ns1 keeper 7 1h 10m 4w 5m\ngauge A 192.0.2.1\n";

fn name(text: &str) -> DnsName {
    DnsName::parse(text).unwrap()
}

/// A file that holds `MILL`, and the provider of it.
fn mill() -> (tempfile::TempDir, ZoneFile) {
    let directory = tempfile::tempdir().unwrap();
    let file = directory.path().join("mill.zone");
    fs::write(&file, MILL).unwrap();
    (directory, ZoneFile::new(name("heronmill.example"), file, Vec::new(), Duration::from_secs(20)))
}

/// The change of gauge from what `MILL` has.
fn change() -> Change {
    let set = |address: &str| RrSet { ttl: 300, addresses: BTreeSet::from([address.parse().unwrap()]) };
    Change {
        name: name("gauge.heronmill.example"),
        rtype: RecordType::A,
        before: Some(set("192.0.2.1")),
        after: set("203.0.113.77"),
    }
}

#[test]
fn the_file_is_read_and_written_beside_the_loop() {
    let (_directory, provider) = mill();
    let names = BTreeSet::from([name("gauge.heronmill.example")]);
    assert_eq!(only_aside(provider.read(&names)).unwrap().names.len(), 1);
    assert_eq!(only_aside(provider.list()).unwrap().len(), 2);
    only_aside(provider.apply(&[change()])).unwrap();
    assert!(fs::read_to_string(&provider.file).unwrap().contains("203.0.113.77"));
}

/// The caller may drop a future at any await; what was begun goes on, and nobody reads what stood there before it.
#[test]
fn what_is_read_after_a_write_that_nobody_waits_for_is_what_it_left() {
    let (_directory, provider) = mill();
    let names = BTreeSet::from([name("gauge.heronmill.example")]);
    let runtime = tokio::runtime::Builder::new_current_thread().enable_all().build().unwrap();
    let observed = runtime.block_on(async {
        let changes = [change()];
        drop(provider.apply(&changes).now_or_never());
        provider.read(&names).await.unwrap()
    });
    let standing = &observed.names[&name("gauge.heronmill.example")];
    assert_eq!(standing.sets[&RecordType::A], change().after);
}
