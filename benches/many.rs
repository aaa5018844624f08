//! A hundred, a thousand and ten thousand records, fifty a zone, at a real BIND: what planning, a whole move and the
//! memory for it come to, and that they grow no faster than the records.
//!
//! `cargo bench --bench many`. Needs named.

#![expect(
    clippy::unwrap_used,
    clippy::expect_used,
    clippy::panic,
    reason = "a measurement that cannot go on has failed"
)]

#[path = "../tests/common/mod.rs"]
mod common;
#[path = "../tests/common/living.rs"]
mod living;

use std::collections::{BTreeMap, BTreeSet};
use std::net::{IpAddr, Ipv4Addr};
use std::path::Path;
use std::process::{Command, Stdio};
use std::time::{Duration, Instant};

use common::named::Named;
use common::*;
use fingerpost::provider::{Observed, Standing};
use fingerpost::reconcile;
use fingerpost::record::{RecordType, RrSet};
use fingerpost::settings;
use fingerpost::settings::{Record, Sharing};

const A_ZONE: usize = 50;

fn home(host: u8) -> IpAddr {
    Ipv4Addr::new(203, 0, 113, host).into()
}

fn millis(begun: Instant) -> f64 {
    begun.elapsed().as_secs_f64() * 1000.0
}

/// From the records and what was read to the plans of all providers; the best of five.
fn plan(records: usize) -> f64 {
    let zones: Vec<_> = (0..records / A_ZONE).map(|nth| dns(&format!("mill{nth}.example"))).collect();
    let set = |address| RrSet { ttl: 120, addresses: BTreeSet::from([address]) };
    let wanted: Vec<_> = (0..records)
        .map(|nth| Record {
            name: dns(&format!("n{nth}.{}", zones[nth % zones.len()])),
            types: vec![RecordType::A],
            lines: vec![None],
            provider: format!("p{}", nth % zones.len()),
            ttl: 120,
            host_part: None,
            sharing: Sharing::Sole,
        })
        .collect();
    let standing =
        Standing { obstacle: None, unread: BTreeMap::new(), sets: BTreeMap::from([(RecordType::A, set(home(9)))]) };
    let observed: BTreeMap<String, Observed> = settings::by_provider(&wanted)
        .into_iter()
        .map(|(provider, records)| {
            let names = records.iter().map(|record| (record.name.clone(), standing.clone())).collect();
            (provider.to_owned(), Observed { names, serial: None })
        })
        .collect();
    let once = |_| {
        let begun = Instant::now();
        let mut changes = 0;
        for (provider, records) in settings::by_provider(&wanted) {
            let nth: usize = provider[1..].parse().unwrap();
            let desired = reconcile::desired(&records, 64, |_, _| Some(home(77)));
            let items = reconcile::plan(&desired, &observed[provider], &zones[nth], |_| [home(9)]);
            changes += items.iter().filter(|item| matches!(item.step, reconcile::Step::Write(..))).count();
        }
        assert_eq!(changes, records);
        millis(begun)
    };
    (0..5).map(once).fold(f64::INFINITY, f64::min)
}

/// The most memory that the process ever had, in MiB; `None` when it is no more.
fn peak(pid: u32) -> Option<f64> {
    let status = std::fs::read_to_string(format!("/proc/{pid}/status")).ok()?;
    let line = status.lines().find_map(|line| line.strip_prefix("VmHWM:"))?;
    Some(line.trim().strip_suffix(" kB")?.parse::<f64>().ok()? / 1024.0)
}

fn sync(dir: &Path) -> (f64, f64) {
    let begun = Instant::now();
    let mut child = Command::new(living::binary())
        .args(["--config", "fingerpost.toml", "sync"])
        .current_dir(dir)
        .stdout(Stdio::null())
        .spawn()
        .unwrap();
    let mut most = 0.0;
    let status = loop {
        most = peak(child.id()).unwrap_or(most);
        if let Some(status) = child.try_wait().unwrap() {
            break status;
        }
        std::thread::sleep(Duration::from_millis(1));
    };
    assert!(status.success(), "{status}");
    (millis(begun), most)
}

fn outcomes(dir: &Path) -> usize {
    let files = fingerpost::audit::file::files(&dir.join("state")).unwrap();
    let text = |file| std::fs::read_to_string(file).unwrap();
    files.into_iter().map(|file| text(file).matches("\"event\":\"outcome\"").count()).sum()
}

fn main() {
    println!("records  zones   plan ms   sync that moves all, ms   in step, ms   peak MiB: sync   daemon");
    for records in [100, 1_000, 10_000] {
        let names = many::zone_names(records / A_ZONE);
        let server = DnsServer::start::<Named>(&[KEY], &many::zones(&names, records, home(9)));
        let dir = tempfile::tempdir().unwrap();
        let echoes = living::echoes(home(77));
        let urls: Vec<_> = echoes.iter().map(|echo| echo.url()).collect();
        many::configure(dir.path(), &names, records, &server.address(), &urls);
        let (moved, most) = sync(dir.path());
        let (idle, _) = sync(dir.path());
        echoes.iter().for_each(|echo| echo.home_is_at(home(78)));
        let daemon = living::Daemon::start(dir.path());
        living::until("the daemon's move", || outcomes(dir.path()) == 2 * names.len());
        let of_daemon = peak(daemon.pid()).unwrap();
        daemon.stop();
        println!(
            "{records:7} {:6} {:9.2} {moved:25.0} {idle:13.0} {most:16.1} {of_daemon:8.1}",
            names.len(),
            plan(records)
        );
    }
}
