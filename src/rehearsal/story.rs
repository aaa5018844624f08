//! What happens in the rehearsal, scene by scene. Every sentence that claims something is checked before it is printed.

use std::collections::BTreeSet;
use std::net::{IpAddr, Ipv4Addr};
use std::path::Path;

use tokio::io::{AsyncReadExt as _, AsyncWriteExt as _};
use tokio::net::UnixStream;
use tokio::signal::unix::{Signal, SignalKind, signal};

use super::echo::Behaviour;
use super::stage::{FREELY, Stage, name};
use super::{RehearsalError, Teller};
use crate::audit::chain::{Entry, Known};
use crate::audit::{Ending, Event, file};
use crate::clock;
use crate::daemon::Trigger;
use crate::record::{RecordType, RrSet};
use crate::round::Actors;
use crate::say;
use crate::state::State;
use crate::status::{SOCKET, Snapshot};
use crate::update::{RecordState, Report};

const fn wan(host: u8) -> IpAddr {
    IpAddr::V4(Ipv4Addr::new(203, 0, 113, host))
}

const STALE: IpAddr = wan(1);
const NEIGHBOUR: IpAddr = IpAddr::V4(Ipv4Addr::new(198, 51, 100, 99));
const NEWCOMER: IpAddr = IpAddr::V4(Ipv4Addr::new(198, 51, 100, 100));
const STRANGER: IpAddr = IpAddr::V4(Ipv4Addr::new(192, 0, 2, 66));

/// Plays all scenes, and returns the stage as it is at the end, with the daemon stopped.
pub(super) async fn tell(teller: &mut Teller) -> Result<Stage, RehearsalError> {
    teller.prose(
        "A rehearsal at Heron Mill, an old watermill whose keeper publishes a river gauge. Five echo services, an\n\
         authoritative DNS server and the daemon itself run on this machine's loopback; nothing leaves it.",
    );
    let mut stage = Stage::set(wan(9), STALE, NEIGHBOUR).await?;
    preview(teller, &stage).await?;
    first_round(teller, &mut stage).await?;
    moves(teller, &stage).await?;
    doubt(teller, &stage).await?;
    outage(teller, &stage).await?;
    race(teller, &stage).await?;
    power_cut(teller, &mut stage).await?;
    limits(teller, &stage).await?;
    bad_configuration(teller, &stage).await?;
    quiet(teller, &stage).await?;
    audit(teller, &mut stage).await?;
    Ok(stage)
}

async fn preview(teller: &mut Teller, stage: &Stage) -> Result<(), RehearsalError> {
    teller.scene("Before anything is written: a preview");
    teller.prose("   The home is at 203.0.113.9. One service lies, one never answers. What would be written?");
    stage.behaves("tern-labs", Behaviour::Lies(STRANGER));
    stage.behaves("quayside", Behaviour::Hangs);
    let serial = stage.dns.serial();
    let actors = Actors::new(stage.load()?.config, clock::system())?;
    let looks = actors.poll().await;
    let reports = actors.dry_run(&looks, &[], &State::default()).await;
    teller.show(&say::looks(&looks, say::Paint::plain()));
    teller.show(&say::records(&reports, say::Mood::Would, say::Paint::plain()));
    let planned = |label: &str| planned(&reports, label);
    teller.claim("three of five operators are a majority, so the liar and the silent one change nothing", {
        let agreed = crate::watch::look::agreed(&looks);
        agreed.values().eq([&wan(9)]) && looks.iter().all(|look| look.ruling.agreed.len() == 3)
    })?;
    teller.claim("gauge would be replaced; at mill, our address would join the neighbour's", {
        planned("gauge") == Some(set(120, [wan(9)])) && planned("mill") == Some(set(300, [NEIGHBOUR, wan(9)]))
    })?;
    teller.claim("nothing was written: not in DNS, not on disk", {
        stage.dns.serial() == serial && stage.dns.progress().borrow().received == 0 && !stage.state_dir().exists()
    })
}

async fn first_round(teller: &mut Teller, stage: &mut Stage) -> Result<(), RehearsalError> {
    teller.scene("The daemon starts");
    teller.prose("   A new address has to win two rounds in a row. Then it is published.");
    stage.start();
    arrive(teller, stage, wan(9)).await?;
    teller.claim("gauge stands at 203.0.113.9, with the TTL of 120 s that is configured", {
        stage.published("gauge") == Some(set(120, [wan(9)]))
    })?;
    teller.claim("mill has both: the neighbour's address and ours, with the TTL that was there", {
        stage.published("mill") == Some(set(300, [NEIGHBOUR, wan(9)]))
    })?;
    let confirmed = spreads(&file::read_all(&stage.state_dir())?);
    teller.claim("the zone's server was then asked, and serves it; the log has the time that took", {
        confirmed == [vec![stage.dns.addr().to_string()]]
    })?;
    let blocked =
        stage.until("the record cam", |seen| record(seen, "cam", |s| matches!(s, RecordState::Blocked { .. })));
    let why = blocked.await?;
    teller.claim(
        "cam is blocked, because a CNAME stands there; an address beside it would break DNS",
        stage.published("cam").is_none() && why.is_some_and(|why| why.contains("CNAME")),
    )?;
    let page = page(&stage.state_dir().join(SOCKET)).await.map_err(RehearsalError::stage)?;
    teller.claim("the status page has a signpost with three arms, of which cam's hangs", {
        page.matches("class=\"arm level\"").count() == 2 && page.matches("class=\"arm hanging\"").count() == 1
    })
}

/// The status page, as the daemon serves it on its control socket too.
async fn page(socket: &Path) -> std::io::Result<String> {
    let mut stream = UnixStream::connect(socket).await?;
    stream.write_all(b"GET / HTTP/1.0\r\n\r\n").await?;
    let mut page = String::new();
    stream.read_to_string(&mut page).await?;
    Ok(page)
}

async fn moves(teller: &mut Teller, stage: &Stage) -> Result<(), RehearsalError> {
    teller.scene("The access provider gives the home another address");
    stage.behaves("quayside", Behaviour::Honest);
    stage.move_to(wan(77));
    stage.tell(Trigger::Round).await?;
    arrive(teller, stage, wan(77)).await?;
    teller.claim("gauge has moved to 203.0.113.77", stage.published("gauge") == Some(set(120, [wan(77)])))?;
    teller.claim("at mill only our own address was swapped; the neighbour's is still there", {
        stage.published("mill") == Some(set(300, [NEIGHBOUR, wan(77)]))
    })
}

async fn doubt(teller: &mut Teller, stage: &Stage) -> Result<(), RehearsalError> {
    teller.scene("Too few agree");
    teller
        .prose("   Now one service answers with a guest network's log-in page and another hangs; the liar still lies.");
    stage.behaves("millrace", Behaviour::Portal);
    stage.behaves("quayside", Behaviour::Hangs);
    stage.move_to(wan(78));
    let serial = stage.dns.serial();
    stage.tell(Trigger::Round).await?;
    let looks = stage
        .until("a round without a ruling", |seen| {
            (!seen.looks.is_empty() && crate::watch::look::agreed(&seen.looks).is_empty()).then(|| seen.looks.clone())
        })
        .await?;
    teller.show(&say::looks(&looks, say::Paint::plain()));
    teller.claim("two of five are no majority, however right they may be: the names stay as they are", {
        stage.published("gauge") == Some(set(120, [wan(77)])) && stage.dns.serial() == serial
    })?;
    stage.behaves("millrace", Behaviour::Honest);
    stage.behaves("quayside", Behaviour::Honest);
    arrive(teller, stage, wan(78)).await?;
    teller.claim("as soon as enough agree again, gauge follows by itself", {
        stage.published("gauge") == Some(set(120, [wan(78)]))
    })
}

async fn outage(teller: &mut Teller, stage: &Stage) -> Result<(), RehearsalError> {
    teller.scene("The DNS server is away");
    stage.dns.pause();
    stage.move_to(wan(121));
    stage.tell(Trigger::Round).await?;
    let why = stage.until("the outage to be noticed", trouble).await?;
    teller.show(&why);
    teller.prose("   The daemon waits a little longer after each attempt. The server comes back.");
    stage.dns.resume();
    arrive(teller, stage, wan(121)).await?;
    teller.claim("the change was put off, not lost: gauge is at 203.0.113.121", {
        stage.published("gauge") == Some(set(120, [wan(121)]))
    })
}

async fn race(teller: &mut Teller, stage: &Stage) -> Result<(), RehearsalError> {
    teller.scene("Somebody edits the zone at the same moment");
    teller.prose("   While the update is on its way, a person adds 198.51.100.100 to mill by hand.");
    let mill = name("mill.heronmill.example")?;
    stage.dns.before_next_update(move |zone| {
        zone.set(&mill, RecordType::A, Some(&set(300, [NEIGHBOUR, NEWCOMER, wan(121)])));
    });
    stage.move_to(wan(40));
    stage.tell(Trigger::Round).await?;
    arrive(teller, stage, wan(40)).await?;
    let entries = file::read_all(&stage.state_dir())?;
    teller.claim("the server refused the update, because mill was no longer what had been read", {
        endings(&entries).contains(&Ending::Conflict)
    })?;
    teller.claim("the daemon read again and planned anew: the hand edit is still there, and so are we", {
        stage.published("mill") == Some(set(300, [NEIGHBOUR, NEWCOMER, wan(40)]))
    })
}

async fn power_cut(teller: &mut Teller, stage: &mut Stage) -> Result<(), RehearsalError> {
    teller.scene("The power goes in the middle of an update");
    let plug = stage.plug().ok_or(RehearsalError::NoDaemon)?;
    stage.dns.before_next_update(move |_| plug.abort());
    stage.move_to(wan(200));
    stage.tell(Trigger::Round).await?;
    let cut = stage.ended().await?;
    let entries = file::read_all(&stage.state_dir())?;
    teller.claim("the daemon is gone, and its log holds an intent without an outcome", {
        cut && open_intents(&entries).len() == 1
    })?;
    teller.prose("   The power is back; the daemon starts again.");
    stage.start();
    stage.until("the cut-off write to be resolved", |seen| (at(seen, wan(200)) && in_step(seen)).then_some(())).await?;
    let entries = file::read_all(&stage.state_dir())?;
    teller.claim(
        "it found out by reading how the write had ended, and wrote that down",
        open_intents(&entries).is_empty(),
    )?;
    teller.claim("gauge is at 203.0.113.200", stage.published("gauge") == Some(set(120, [wan(200)])))
}

async fn limits(teller: &mut Teller, stage: &Stage) -> Result<(), RehearsalError> {
    teller.scene("Two changes in quick succession");
    teller.prose("   The keeper reloads the daemon with a strict limit: one write of a record in three seconds.");
    stage.configure("spacing = \"3s\"\nburst = 1")?;
    stage.tell(Trigger::Reload).await?;
    stage.move_to(wan(201));
    stage.until("the first change", |seen| (at(seen, wan(201)) && in_step(seen)).then_some(())).await?;
    stage.move_to(wan(202));
    stage.tell(Trigger::Round).await?;
    let why = stage
        .until("the second change to be put off", |seen| {
            let put_off = |state: &RecordState| matches!(state, RecordState::Adrift { why: Some(why) } if why.contains("put off"));
            at(seen, wan(202)).then(|| record(seen, "gauge", put_off)).flatten()
        })
        .await?;
    teller.show(&format!("gauge.heronmill.example: {}", why.unwrap_or_default()));
    stage.move_to(wan(203));
    stage.tell(Trigger::Round).await?;
    stage.until("the newest address", |seen| (at(seen, wan(203)) && in_step(seen)).then_some(())).await?;
    let entries = file::read_all(&stage.state_dir())?;
    teller.claim("the newest address won; the one that was put off was never written anywhere", {
        stage.published("gauge") == Some(set(120, [wan(203)])) && !intended(&entries).contains(&wan(202))
    })
}

async fn bad_configuration(teller: &mut Teller, stage: &Stage) -> Result<(), RehearsalError> {
    teller.scene("A slip in the configuration");
    stage.write_config("[watch]\nevry = \"5m\"\n")?;
    stage.tell(Trigger::Reload).await?;
    let why = stage.until("the reload to be refused", |seen| seen.reload_refused.clone()).await?;
    teller.show(&why.replace(&stage.dir().display().to_string(), "…"));
    stage.move_to(wan(204));
    stage.tell(Trigger::Round).await?;
    stage.until("the next change", |seen| (at(seen, wan(204)) && in_step(seen)).then_some(())).await?;
    teller.claim("the daemon named the slip, kept the old configuration, and went on with it", {
        stage.published("gauge") == Some(set(120, [wan(204)]))
    })?;
    stage.configure(FREELY)
}

async fn quiet(teller: &mut Teller, stage: &Stage) -> Result<(), RehearsalError> {
    teller.scene("In step means quiet");
    let before = (stage.dns.serial(), *stage.dns.progress().borrow(), written(stage)?);
    for _ in 0..3 {
        let rounds = stage.until("the count of rounds", |seen| Some(seen.rounds)).await?;
        stage.tell(Trigger::Round).await?;
        stage.until("another round", |seen| (seen.rounds > rounds && in_step(seen)).then_some(())).await?;
    }
    teller.claim("three more rounds sent no update and wrote no file", {
        before == (stage.dns.serial(), *stage.dns.progress().borrow(), written(stage)?)
    })
}

async fn audit(teller: &mut Teller, stage: &mut Stage) -> Result<(), RehearsalError> {
    teller.scene("What the audit log says");
    stage.tell(Trigger::Stop).await?;
    let cut = stage.ended().await?;
    let entries = file::read_all(&stage.state_dir())?;
    teller.claim("told to stop, the daemon stopped in order", !cut)?;
    teller.claim(
        &format!("the chain holds over all {} entries: each carries the SHA-256 of the line before it", entries.len()),
        !entries.is_empty(),
    )?;
    teller.claim("every intent has its outcome", open_intents(&entries).is_empty())?;
    teller.claim("the liar's address was never even planned", !intended(&entries).contains(&STRANGER))?;
    let gauge = stage.published("gauge");
    teller.claim("the last intent for gauge is what DNS says now", last_intended(&entries, "gauge") == gauge)
}

/// A rehearsal that goes on after the story.
pub(super) struct Kept {
    /// Commands that look at it.
    pub(super) look: Vec<String>,
    int: Signal,
    term: Signal,
}

/// Starts the daemon again, for whoever wants to look around.
pub(super) fn keep(stage: &mut Stage) -> Result<Kept, RehearsalError> {
    let int = signal(SignalKind::interrupt()).map_err(RehearsalError::stage)?;
    let term = signal(SignalKind::terminate()).map_err(RehearsalError::stage)?;
    // A port that is free now: should somebody else take it, the daemon says so, and all else goes on.
    let free = std::net::TcpListener::bind((Ipv4Addr::LOCALHOST, 0)).and_then(|listener| listener.local_addr());
    let page = free.map_err(RehearsalError::stage)?;
    stage.add(&format!("\n[status]\nlisten = \"{page}\"\n"))?;
    stage.start();
    let (host, port) = (stage.dns.addr().ip(), stage.dns.addr().port());
    let config = stage.config_file();
    let fingerpost = format!("fingerpost --config {}", config.display());
    let mut look = vec![
        format!("dig @{host} -p {port} gauge.heronmill.example A"),
        format!("{fingerpost} status"),
        format!("{fingerpost} preview"),
        format!("{fingerpost} audit show --since 1h"),
        format!("{fingerpost} audit verify"),
    ];
    look.push(format!("http://{page}/"));
    look.extend(stage.echoes.iter().map(|echo| format!("curl {}", echo.url())));
    Ok(Kept { look, int, term })
}

impl Kept {
    /// Leaves everything running until SIGINT or SIGTERM.
    pub(super) async fn until_told(mut self, mut stage: Stage) -> Result<(), RehearsalError> {
        tokio::select! {
            _ = self.int.recv() => {}
            _ = self.term.recv() => {}
        }
        stage.tell(Trigger::Stop).await?;
        stage.ended().await.map(|_| ())
    }
}

/// Waits until the home is seen at `home` and all that can be in step is, and shows how that came about.
async fn arrive(teller: &Teller, stage: &Stage, home: IpAddr) -> Result<(), RehearsalError> {
    let (looks, reports) = stage
        .until("the names to follow the home", |seen| {
            (at(seen, home) && in_step(seen)).then(|| (seen.looks.clone(), reports(seen)))
        })
        .await?;
    teller.show(&say::looks(&looks, say::Paint::plain()));
    teller.show(&say::records(&reports, say::Mood::Done, say::Paint::plain()));
    Ok(())
}

fn set<const N: usize>(ttl: u32, addresses: [IpAddr; N]) -> RrSet {
    RrSet { ttl, addresses: BTreeSet::from(addresses) }
}

fn planned(reports: &[Report], label: &str) -> Option<RrSet> {
    let is = |name: &str| name.split('.').next() == Some(label);
    reports.iter().flat_map(|report| &report.records).find(|record| is(record.name.as_str()))?.after.clone()
}

fn reports(seen: &Snapshot) -> Vec<Report> {
    seen.providers.values().cloned().collect()
}

/// Whether the newest ruling and the newest report speak of `home`.
fn at(seen: &Snapshot, home: IpAddr) -> bool {
    let mut records = seen.providers.values().flat_map(|report| &report.records).peekable();
    records.peek().is_some()
        && records.all(|record| record.address == home)
        && crate::watch::look::agreed(&seen.looks).values().eq([&home])
}

/// Whether every record that is not blocked is in step.
fn in_step(seen: &Snapshot) -> bool {
    let mut records = seen.providers.values().flat_map(|report| &report.records);
    records.all(|record| matches!(record.standing, RecordState::InStep | RecordState::Blocked { .. }))
}

/// Why the record `label` is where it is, once its state satisfies `is`.
fn record(seen: &Snapshot, label: &str, is: impl Fn(&RecordState) -> bool) -> Option<Option<String>> {
    let mut records = seen.providers.values().flat_map(|report| &report.records);
    let record = records.find(|record| record.name.as_str().split('.').next() == Some(label))?;
    is(&record.standing).then(|| match &record.standing {
        RecordState::Blocked { why } => Some(why.clone()),
        RecordState::Adrift { why } => why.clone(),
        RecordState::InStep | RecordState::Spreading { .. } => None,
    })
}

fn trouble(seen: &Snapshot) -> Option<String> {
    seen.providers.values().find_map(|report| report.trouble.as_ref()).map(|trouble| trouble.why().to_owned())
}

fn endings(entries: &[Entry]) -> Vec<Ending> {
    let ending = |entry: &Entry| match &entry.event {
        Known::Yes(Event::Outcome { result, .. }) => Some(*result),
        _ => None,
    };
    entries.iter().filter_map(ending).collect()
}

/// The servers that were found to serve what was written, write by write.
fn spreads(entries: &[Entry]) -> Vec<Vec<String>> {
    let servers = |entry: &Entry| match &entry.event {
        Known::Yes(Event::Spread { servers, .. }) => Some(servers.iter().map(|one| one.server.clone()).collect()),
        _ => None,
    };
    entries.iter().filter_map(servers).collect()
}

fn open_intents(entries: &[Entry]) -> BTreeSet<u64> {
    let mut open = BTreeSet::new();
    for entry in entries {
        match &entry.event {
            Known::Yes(Event::Intent { .. }) => drop(open.insert(entry.seq)),
            Known::Yes(Event::Outcome { intent, .. }) => drop(open.remove(intent)),
            _ => {}
        }
    }
    open
}

/// Every address that any intent wanted to publish.
fn intended(entries: &[Entry]) -> BTreeSet<IpAddr> {
    changes(entries).flat_map(|change| change.after.addresses.iter().copied()).collect()
}

fn last_intended(entries: &[Entry], label: &str) -> Option<RrSet> {
    changes(entries)
        .filter(|change| change.name.as_str().split('.').next() == Some(label))
        .last()
        .map(|c| c.after.clone())
}

fn changes(entries: &[Entry]) -> impl Iterator<Item = &crate::provider::Change> {
    entries.iter().flat_map(|entry| match &entry.event {
        Known::Yes(Event::Intent { changes, .. }) => changes.as_slice(),
        _ => &[],
    })
}

/// Every file in the state directory with its time of change: what must not move while all is in step.
fn written(stage: &Stage) -> Result<Vec<(std::path::PathBuf, std::time::SystemTime, u64)>, RehearsalError> {
    let mut files = Vec::new();
    for item in std::fs::read_dir(stage.state_dir()).map_err(RehearsalError::stage)? {
        let item = item.map_err(RehearsalError::stage)?;
        let meta = item.metadata().map_err(RehearsalError::stage)?;
        files.push((item.path(), meta.modified().map_err(RehearsalError::stage)?, meta.len()));
    }
    files.sort();
    Ok(files)
}
