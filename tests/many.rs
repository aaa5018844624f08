//! Ten thousand records in two hundred zones, moved by the real program at a real BIND.

#![expect(clippy::unwrap_used, clippy::expect_used, clippy::panic, reason = "a test fails by panicking")]

mod common;
#[path = "common/living.rs"]
mod living;

use std::collections::BTreeMap;
use std::net::{IpAddr, Ipv4Addr};
use std::path::Path;
use std::process::{Command, Output};

use common::many;
use common::named::Named;
use common::*;
use fingerpost::audit::Event;
use fingerpost::audit::chain::Known;
use fingerpost::audit::file::read_all;
use fingerpost::rehearsal::echo::Echo;

const RECORDS: usize = 10_000;
const ZONES: usize = 200;

fn home(host: u8) -> IpAddr {
    Ipv4Addr::new(203, 0, 113, host).into()
}

fn sync(dir: &Path) -> Output {
    Command::new(living::binary()).args(["--config", "fingerpost.toml", "sync"]).current_dir(dir).output().unwrap()
}

#[test]
#[ignore = "needs named: tests/all.sh runs it"]
fn ten_thousand_records_move_in_one_sync_and_the_next_is_silent() {
    let names = many::zone_names(ZONES);
    let server = DnsServer::start::<Named>(&[KEY], &many::zones(&names, RECORDS, home(9)));
    let dir = tempfile::tempdir().unwrap();
    let echoes = living::echoes(home(77));
    let urls: Vec<_> = echoes.iter().map(Echo::url).collect();
    many::configure(dir.path(), &names, RECORDS, &server.address(), &urls);
    let output = sync(dir.path());
    let told = String::from_utf8_lossy(&output.stderr);
    assert!(output.status.success(), "{}: {told}", output.status);
    for nth in [0, 1, 4711, RECORDS - 1] {
        let seen = server.dig(&format!("n{nth}.{}", names[nth % ZONES]), "A");
        assert_eq!(seen, ["120 203.0.113.77"]);
    }
    for name in &names {
        // One message for a zone, and one outcome.
        assert_eq!(server.serial(name), 2, "{name}");
    }
    let (mut written, mut intents, mut outcomes) = (0, BTreeMap::new(), BTreeMap::new());
    for entry in read_all(&dir.path().join("state")).unwrap() {
        match entry.event {
            Known::Yes(Event::Intent { provider, changes, .. }) => {
                written += changes.len();
                intents.insert(entry.seq, provider);
            }
            Known::Yes(Event::Outcome { intent, provider, .. }) => _ = outcomes.insert(intent, provider),
            _ => {}
        }
    }
    assert_eq!((written, intents.len()), (RECORDS, ZONES));
    assert_eq!(intents, outcomes);
    let state = || std::fs::read(dir.path().join("state/state.json")).unwrap();
    let before = state();
    let output = sync(dir.path());
    assert!(output.status.success() && output.stdout.is_empty() && output.stderr.is_empty(), "{output:?}");
    assert_eq!(state(), before);
}
