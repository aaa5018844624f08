//! The daemon's loop, in this process, among echo services and a DNS server on loopback: what it does when things
//! are missing, hang, come back, and when it is told something. Waiting is for conditions; no test reads a clock.

#![expect(clippy::unwrap_used, clippy::expect_used, clippy::panic, reason = "a test fails by panicking")]

mod common;

use std::fs;
use std::net::{IpAddr, Ipv4Addr};
use std::sync::Arc;
use std::sync::atomic::{AtomicI64, AtomicU8, AtomicU64, Ordering};
use std::time::{Duration, SystemTime};

use common::{SECRET_BASE64, ZONE, at, dns, gauge_key};
use fingerpost::audit::chain::Known;
use fingerpost::audit::file::{Log, read_all};
use fingerpost::audit::{Ending, Event};
use fingerpost::clock::{Clock, Timestamp};
use fingerpost::config::Audit;
use fingerpost::config::load::{Sources, load};
use fingerpost::daemon::{self, DaemonError, Notifier, Snapshot, Surroundings, Trigger};
use fingerpost::provider::{Change, RecordType, RrSet};
use fingerpost::rehearsal::dns::Server;
use fingerpost::rehearsal::echo::{Behaviour, Echo};
use fingerpost::round;
use fingerpost::update::{RecordState, Trouble};
use hickory_proto::rr::{Name, RData, Record};
use tempfile::TempDir;
use tokio::net::{TcpListener, TcpStream};
use tokio::sync::{mpsc, watch};
use tokio::task::{JoinHandle, spawn_local};
use tokio::time::timeout;

const PATIENCE: Duration = Duration::from_secs(20);
const TEN_YEARS: i64 = 10 * 365 * 86_400_000;
const FREELY: &str = "[limits]\nspacing = \"1ms\"\nburst = 1000\ndaily = 100000\n";

fn wan(host: u8) -> IpAddr {
    Ipv4Addr::new(203, 0, 113, host).into()
}

fn alone(home: IpAddr) -> Option<RrSet> {
    Some(RrSet { ttl: 120, addresses: [home].into() })
}

/// A home at .9 whose gauge stands at .1, and perhaps a daemon in it.
struct Mill {
    dir: TempDir,
    echoes: Vec<Echo>,
    dns: Server,
    /// By how much the daemon's clock is off, in milliseconds, and how often it was looked at.
    off: Arc<AtomicI64>,
    asked: Arc<AtomicU64>,
    triggers: Option<mpsc::Sender<Trigger>>,
    snapshot: watch::Receiver<Snapshot>,
    task: Option<JoinHandle<Result<(), DaemonError>>>,
}

impl Mill {
    async fn new() -> Self {
        let mut echoes = Vec::new();
        for _ in 0..3 {
            echoes.push(Echo::start(wan(9)).await.unwrap());
        }
        let name = Name::from_ascii(format!("gauge.{ZONE}.")).unwrap();
        let record = Record::from_rdata(name, 120, RData::from(wan(1)));
        let dns = Server::start(dns(ZONE), gauge_key(), vec![record]).await.unwrap();
        let mill = Self {
            dir: tempfile::tempdir().unwrap(),
            echoes,
            dns,
            off: Arc::default(),
            asked: Arc::default(),
            triggers: None,
            snapshot: watch::channel(Snapshot::default()).1,
            task: None,
        };
        fs::write(mill.dir.path().join("key"), SECRET_BASE64).unwrap();
        let mode = std::os::unix::fs::PermissionsExt::from_mode(0o600);
        fs::set_permissions(mill.dir.path().join("key"), mode).unwrap();
        mill.configure(FREELY);
        mill
    }

    /// The same with a wire between daemon and server.
    async fn wired() -> (Self, Arc<AtomicU8>) {
        let mill = Self::new().await;
        let (server, told) = wire(mill.dns.addr()).await;
        let urls: Vec<_> = mill.echoes.iter().map(Echo::url).collect();
        mill.write(&mill.text_with(&server, &urls, FREELY));
        (mill, told)
    }

    fn text(&self, more: &str) -> String {
        let urls: Vec<_> = self.echoes.iter().map(Echo::url).collect();
        self.text_with(&self.dns.addr().to_string(), &urls, more)
    }

    fn text_with(&self, server: &str, urls: &[String], more: &str) -> String {
        let mut text = format!(
            r#"state_dir = "state"
[watch]
every = "1s"
settle = 2
settle_every = "100ms"
timeout = "1m"
accept_special = ["203.0.113.0/24"]
[retry]
initial = "100ms"
max = "1s"
[provider.home]
kind = "rfc2136"
zone = "{ZONE}"
server = "{server}"
timeout = "1m"
key = {{ name = "gauge-key", algorithm = "hmac-sha256", secret = {{ file = "key" }} }}
confirm = "off"
[[record]]
name = "gauge.{ZONE}"
types = ["A"]
provider = "home"
ttl = "2m"
{more}
"#
        );
        for (at, url) in urls.iter().enumerate() {
            text += &format!(
                "[[witness]]\nname = \"w{at}\"\noperator = \"o{at}\"\nkind = \"http\"\nurl = \"{url}\"\nfamilies = [\"ipv4\"]\n"
            );
        }
        text.replace("\"state\"", &format!("{:?}", self.dir.path().join("state").to_str().unwrap()))
    }

    fn configure(&self, more: &str) {
        self.write(&self.text(more));
    }

    fn write(&self, text: &str) {
        fs::write(self.dir.path().join("fingerpost.toml"), text).unwrap();
    }

    fn start(&mut self) {
        let (tell, triggers) = mpsc::channel(8);
        let (show, snapshot) = watch::channel(Snapshot::default());
        let (off, asked) = (Arc::clone(&self.off), Arc::clone(&self.asked));
        let clock = Clock::telling(move || {
            asked.fetch_add(1, Ordering::Relaxed);
            let now = Timestamp::from(SystemTime::now()).millis();
            Timestamp::from_millis(now.saturating_add_signed(off.load(Ordering::Relaxed)))
        });
        let random = fastrand::Rng::with_seed(7);
        let around = Surroundings { triggers, notifier: Notifier::Nobody, snapshot: show, clock, random };
        let sources = Sources { file: self.dir.path().join("fingerpost.toml"), ..Sources::default() };
        self.task = Some(spawn_local(async move { daemon::run(move || load(&sources), around).await }));
        self.triggers = Some(tell);
        self.snapshot = snapshot;
    }

    fn tell(&self, trigger: Trigger) {
        self.triggers.as_ref().unwrap().try_send(trigger).unwrap();
    }

    async fn ended(&mut self) -> Result<(), DaemonError> {
        timeout(PATIENCE, self.task.take().unwrap()).await.expect("an end").unwrap()
    }

    async fn stop(&mut self) {
        self.tell(Trigger::Stop);
        self.ended().await.unwrap();
    }

    fn all_behave(&self, behaviour: Behaviour) {
        self.echoes.iter().for_each(|echo| echo.behaves(behaviour));
    }

    fn move_to(&self, home: IpAddr) {
        self.echoes.iter().for_each(|echo| echo.home_is_at(home));
        self.tell(Trigger::Round);
    }

    /// Waits until `seen` finds something in the snapshot.
    async fn until<T>(&self, what: &str, mut seen: impl FnMut(&Snapshot) -> Option<T>) -> T {
        let mut snapshot = self.snapshot.clone();
        let found = async {
            loop {
                if let Some(found) = seen(&snapshot.borrow_and_update()) {
                    return found;
                }
                snapshot.changed().await.unwrap_or_else(|_| panic!("the daemon ended before {what}"));
            }
        };
        match timeout(PATIENCE, found).await {
            Ok(found) => found,
            Err(_) => panic!("waited in vain for {what}: {:?}", self.snapshot.borrow()),
        }
    }

    /// Waits until the daemon has brought gauge to `home`, and checks that it is there.
    async fn arrives(&self, home: IpAddr) {
        self.until("the name to follow", |seen| {
            let records = seen.providers.get("home").map(|report| &report.records)?;
            records.iter().all(|r| r.address == home && r.standing == RecordState::InStep).then_some(())
        })
        .await;
        assert_eq!(self.stands("gauge"), alone(home));
    }

    /// Waits for `count` more rounds.
    async fn rounds(&self, count: u64) {
        let begun = self.snapshot.borrow().rounds;
        self.until("more rounds", |seen| (seen.rounds >= begun + count).then_some(())).await;
    }

    async fn trouble(&self) -> String {
        let why = |trouble: &Trouble| trouble.why().to_owned();
        self.until("trouble", |seen| seen.providers.get("home")?.trouble.as_ref().map(why)).await
    }

    fn stands(&self, label: &str) -> Option<RrSet> {
        self.dns.addresses(&at(label), RecordType::A)
    }

    /// How the intents ended; `None` for one that has no end.
    fn endings(&self) -> Vec<Option<Ending>> {
        let mut endings = Vec::new();
        for entry in read_all(&self.dir.path().join("state")).unwrap() {
            match entry.event {
                Known::Yes(Event::Intent { .. }) => endings.push((entry.seq, None)),
                Known::Yes(Event::Outcome { intent, result, .. }) => {
                    endings.iter_mut().filter(|(seq, _)| *seq == intent).for_each(|(_, end)| *end = Some(result));
                }
                _ => {}
            }
        }
        endings.into_iter().map(|(_, end)| end).collect()
    }
}

fn no_ruling(seen: &Snapshot) -> Option<()> {
    (!seen.looks.is_empty() && round::agreed(&seen.looks).is_empty()).then_some(())
}

#[tokio::test(flavor = "local")]
async fn started_with_nothing_in_reach_it_recovers_by_itself() {
    let mut mill = Mill::new().await;
    mill.all_behave(Behaviour::Portal);
    mill.dns.pause();
    mill.start();
    mill.until("a round without a ruling", no_ruling).await;
    mill.rounds(2).await;
    mill.all_behave(Behaviour::Honest);
    assert!(mill.trouble().await.contains("127.0.0.1"));
    assert_eq!(mill.stands("gauge"), alone(wan(1)));
    mill.dns.resume();
    mill.arrives(wan(9)).await;
    mill.stop().await;
}

#[tokio::test(flavor = "local")]
async fn without_a_ruling_the_names_stay() {
    let mut mill = Mill::new().await;
    mill.start();
    mill.arrives(wan(9)).await;
    let before = *mill.dns.progress().borrow();
    mill.echoes[0].behaves(Behaviour::Portal);
    mill.echoes[1].behaves(Behaviour::Lies(wan(66)));
    mill.move_to(wan(77));
    mill.until("a round without a ruling", no_ruling).await;
    mill.rounds(3).await;
    assert_eq!((*mill.dns.progress().borrow(), mill.stands("gauge")), (before, alone(wan(9))));
    mill.all_behave(Behaviour::Honest);
    mill.arrives(wan(77)).await;
    mill.stop().await;
}

/// A wait that is over when there is nothing to write, for want of a ruling, must not become a loop without rest.
#[tokio::test(flavor = "local")]
async fn an_outage_of_everything_is_waited_out_at_rest() {
    for strict in [false, true] {
        let mut mill = Mill::new().await;
        if strict {
            // The write is put off by a limit that soon lets it pass.
            mill.configure("[limits]\nspacing = \"500ms\"\nburst = 1\ndaily = 1000\n");
        }
        mill.start();
        mill.arrives(wan(9)).await;
        if !strict {
            mill.dns.pause();
        }
        mill.move_to(wan(77));
        mill.until("the write to fail or to be put off", |seen| {
            let report = seen.providers.get("home")?;
            (report.trouble.is_some() || report.put_off_until.is_some()).then_some(())
        })
        .await;
        mill.all_behave(Behaviour::Portal);
        mill.tell(Trigger::Round);
        mill.until("a round without a ruling", no_ruling).await;
        // Each time around the loop looks at the clock a few times.
        let before = mill.asked.load(Ordering::Relaxed);
        mill.rounds(4).await;
        let looked = mill.asked.load(Ordering::Relaxed) - before;
        assert!(looked < 100, "{looked} looks at the clock in four rounds");
        mill.all_behave(Behaviour::Honest);
        mill.dns.resume();
        mill.tell(Trigger::Round);
        mill.arrives(wan(77)).await;
        mill.stop().await;
    }
}

#[tokio::test(flavor = "local")]
async fn a_bad_configuration_is_not_taken_and_a_good_one_is() {
    let mut mill = Mill::new().await;
    mill.start();
    mill.arrives(wan(9)).await;
    let moved = mill.text(FREELY).replace("/state\"", "/elsewhere\"");
    for (text, word) in [("[watch]\nevry = \"5m\"\n", "evry"), ("[[", "fingerpost.toml"), (&moved, "state_dir")] {
        mill.write(text);
        mill.tell(Trigger::Reload);
        mill.until(word, |seen| seen.reload_refused.as_ref()?.contains(word).then_some(())).await;
    }
    mill.move_to(wan(77));
    mill.arrives(wan(77)).await;
    mill.configure(&format!(
        "[[record]]\nname = \"cam.{ZONE}\"\ntypes = [\"A\"]\nprovider = \"home\"\nttl = \"2m\"\n{FREELY}"
    ));
    mill.tell(Trigger::Reload);
    mill.until("the reload", |seen| seen.reload_refused.is_none().then_some(())).await;
    mill.until("a second record", |seen| (seen.providers.get("home")?.records.len() == 2).then_some(())).await;
    mill.arrives(wan(77)).await;
    assert_eq!(mill.stands("cam"), alone(wan(77)));
    mill.stop().await;
}

#[tokio::test(flavor = "local")]
async fn a_reload_takes_the_settings_of_the_log_over() {
    let mut mill = Mill::new().await;
    mill.start();
    for host in 9..30 {
        mill.move_to(wan(host));
        mill.arrives(wan(host)).await;
    }
    let files = || fingerpost::audit::file::files(&mill.dir.path().join("state")).unwrap().len();
    assert_eq!(files(), 1);
    mill.configure(&format!("[audit]\nmax_bytes = 4096\n{FREELY}"));
    mill.tell(Trigger::Reload);
    mill.move_to(wan(77));
    mill.arrives(wan(77)).await;
    assert_eq!(files(), 2);
    mill.stop().await;
}

#[tokio::test(flavor = "local")]
async fn a_reload_lifts_a_hold() {
    let mut mill = Mill::new().await;
    let wrong = mill.text(FREELY).replace("gauge-key", "other-key");
    mill.write(&wrong);
    mill.start();
    mill.until("the hold", |seen| seen.holds.get("home").map(|_| ())).await;
    let before = *mill.dns.progress().borrow();
    mill.rounds(2).await;
    assert_eq!(*mill.dns.progress().borrow(), before);
    mill.configure(FREELY);
    mill.tell(Trigger::Reload);
    mill.arrives(wan(9)).await;
    assert!(mill.snapshot.borrow().holds.is_empty());
    mill.stop().await;
}

#[tokio::test(flavor = "local")]
async fn stopped_while_a_witness_hangs_it_ends_at_once() {
    let mut mill = Mill::new().await;
    let hanging = TcpListener::bind("127.0.0.1:0").await.unwrap();
    let url = format!("http://{}/", hanging.local_addr().unwrap());
    mill.write(&mill.text_with(&mill.dns.addr().to_string(), &[url], FREELY));
    mill.start();
    // From here on it hangs, and the witness has a minute.
    let _open = timeout(PATIENCE, hanging.accept()).await.unwrap().unwrap();
    mill.stop().await;
}

#[tokio::test(flavor = "local")]
async fn stopped_while_a_write_is_in_flight_it_waits_for_the_end() {
    let (mut mill, wire) = Mill::wired().await;
    mill.start();
    mill.arrives(wan(9)).await;
    let stop = mill.triggers.clone().unwrap();
    mill.dns.before_next_update(move |_| {
        wire.store(LATE, Ordering::Relaxed);
        stop.try_send(Trigger::Stop).unwrap();
    });
    mill.move_to(wan(77));
    mill.ended().await.unwrap();
    assert_eq!(mill.stands("gauge"), alone(wan(77)));
    assert_eq!(mill.endings(), [Some(Ending::Done); 2]);
}

/// What the wire does with the server's answers.
const SOUND: u8 = 0;
const LATE: u8 = 1;
const LOST: u8 = 2;

/// Between daemon and server: passes everything on, the server's answers as it is told.
async fn wire(server: std::net::SocketAddr) -> (String, Arc<AtomicU8>) {
    let listener = TcpListener::bind("127.0.0.1:0").await.unwrap();
    let (at, told) = (listener.local_addr().unwrap().to_string(), Arc::new(AtomicU8::new(SOUND)));
    let how = Arc::clone(&told);
    tokio::spawn(async move {
        loop {
            let (client, _) = listener.accept().await.unwrap();
            let (mut ask, mut answer) = client.into_split();
            let (mut from, mut to) = TcpStream::connect(server).await.unwrap().into_split();
            tokio::spawn(async move { tokio::io::copy(&mut ask, &mut to).await });
            let how = Arc::clone(&how);
            tokio::spawn(async move {
                use tokio::io::{AsyncReadExt as _, AsyncWriteExt as _};
                let mut chunk = [0; 4096];
                while let Ok(count @ 1..) = from.read(&mut chunk).await {
                    match how.load(Ordering::Relaxed) {
                        // An open connection without an answer.
                        LOST => std::future::pending().await,
                        LATE => tokio::time::sleep(Duration::from_millis(100)).await,
                        _ => {}
                    }
                    let _ = answer.write_all(&chunk[..count]).await;
                }
            });
        }
    });
    (at, told)
}

#[tokio::test(flavor = "local")]
async fn stopped_while_a_write_hangs_it_ends_after_the_grace_and_the_next_start_finds_out() {
    let (mut mill, wire) = Mill::wired().await;
    mill.start();
    mill.arrives(wan(9)).await;
    let (stop, lost) = (mill.triggers.clone().unwrap(), Arc::clone(&wire));
    mill.dns.before_next_update(move |_| {
        lost.store(LOST, Ordering::Relaxed);
        stop.try_send(Trigger::Stop).unwrap();
    });
    let mut progress = mill.dns.progress();
    let received = progress.borrow().received;
    mill.move_to(wan(77));
    timeout(PATIENCE, progress.wait_for(|seen| seen.received > received)).await.unwrap().unwrap();
    // Now nothing is left to happen but that the grace passes.
    tokio::time::pause();
    mill.task.take().unwrap().await.unwrap().unwrap();
    tokio::time::resume();
    assert_eq!(mill.endings(), [Some(Ending::Done), None]);
    wire.store(SOUND, Ordering::Relaxed);
    mill.start();
    mill.arrives(wan(77)).await;
    mill.stop().await;
    assert_eq!(mill.endings(), [Some(Ending::Done); 2]);
}

/// The configuration may have been changed between a crash and the next start.
#[tokio::test(flavor = "local")]
async fn an_intent_that_can_no_longer_be_read_is_closed_and_blocks_nothing() {
    let intent = |provider: &str, name: &str| Event::Intent {
        provider: provider.to_owned(),
        target: String::new(),
        changes: vec![Change { name: dns(name), rtype: RecordType::A, before: None, after: alone(wan(1)).unwrap() }],
        word: Vec::new(),
    };
    let mut mill = Mill::new().await;
    let state = mill.dir.path().join("state");
    fs::create_dir(&state).unwrap();
    let (mut log, _) = Log::open(&state, Audit { max_bytes: 1 << 20, keep: 9 }).unwrap();
    let gauge = format!("gauge.{ZONE}");
    for (provider, name) in [("gone", gauge.as_str()), ("home", "gauge.of-another-zone.example"), ("home", &gauge)] {
        log.append(Timestamp::from_millis(0), intent(provider, name)).unwrap();
    }
    drop(log);
    mill.start();
    // The first pass only resolves: nothing is settled yet.
    mill.until("a record", |seen| seen.providers.get("home")?.records.first().map(|_| ())).await;
    mill.arrives(wan(9)).await;
    mill.stop().await;
    assert_eq!(mill.endings(), [Ending::Overtaken, Ending::Overtaken, Ending::Done, Ending::Done].map(Some));
}

#[tokio::test(flavor = "local")]
async fn a_clock_that_jumps_by_years_blocks_nothing() {
    let mut mill = Mill::new().await;
    mill.configure("[limits]\nspacing = \"200ms\"\nburst = 2\ndaily = 1000\n");
    mill.start();
    for (host, off) in (100..).zip([0, -TEN_YEARS, 0, 4 * TEN_YEARS, -TEN_YEARS, i64::MAX, 0]) {
        mill.off.store(off, Ordering::Relaxed);
        mill.move_to(wan(host));
        mill.arrives(wan(host)).await;
    }
    mill.stop().await;
}

#[tokio::test(flavor = "local")]
async fn when_nobody_can_tell_it_anything_any_more_it_ends_with_an_error() {
    let mut mill = Mill::new().await;
    mill.start();
    mill.arrives(wan(9)).await;
    mill.triggers = None;
    assert!(matches!(mill.ended().await, Err(DaemonError::Deaf)));
}

#[tokio::test(flavor = "local")]
async fn two_daemons_on_one_state_directory_are_one_too_many() {
    let mut mill = Mill::new().await;
    mill.start();
    mill.arrives(wan(9)).await;
    let (first, triggers) = (mill.task.take(), mill.triggers.take());
    mill.start();
    let refused = mill.ended().await.unwrap_err();
    assert!(refused.to_string().contains("another fingerpost is at work"), "{refused}");
    (mill.task, mill.triggers) = (first, triggers);
    mill.stop().await;
    mill.start();
    mill.arrives(wan(9)).await;
    mill.stop().await;
}

/// A server that takes questions and answers none holds nothing up: not a round, not another write, not a reload, and
/// not the end.
#[tokio::test(flavor = "local")]
async fn while_a_server_is_silent_everything_goes_on() {
    let mut mill = Mill::new().await;
    let silent = tokio::net::UdpSocket::bind("127.0.0.1:0").await.unwrap();
    let at = silent.local_addr().unwrap();
    let asking = |servers: &str| mill.text(FREELY).replace("confirm = \"off\"", &format!("confirm = [{servers}]"));
    let (both, one) =
        (asking(&format!("\"{}\", \"{at}\"", mill.dns.addr())), asking(&format!("\"{}\"", mill.dns.addr())));
    mill.write(&both);
    mill.start();
    let spreading = |home: IpAddr| {
        move |seen: &Snapshot| {
            let record = &seen.providers.get("home")?.records[0];
            let spreads = matches!(record.standing, RecordState::Spreading { .. }) && record.address == home;
            spreads.then(|| seen.sentence())
        }
    };
    let sentence = mill.until("the spreading", spreading(wan(9))).await;
    assert!(sentence.starts_with("0 of 1 records in step, 1 spreading; "), "{sentence}");
    let named = format!("1 spreading ({at} does not answer); ");
    mill.until("its name", |seen| seen.sentence().contains(&named).then_some(())).await;
    let mut datagram = [0; 512];
    timeout(PATIENCE, silent.recv(&mut datagram)).await.expect("a question").unwrap();
    mill.rounds(2).await;
    mill.move_to(wan(77));
    mill.until("another write", spreading(wan(77))).await;
    assert_eq!(mill.stands("gauge"), alone(wan(77)));
    mill.stop().await;

    // The next start goes on asking; then the server is no longer listed.
    mill.start();
    timeout(PATIENCE, silent.recv(&mut datagram)).await.expect("a question").unwrap();
    mill.write(&one);
    mill.tell(Trigger::Reload);
    mill.arrives(wan(77)).await;
    // Whatever had been sent before has come by now: loopback does not reorder.
    while silent.try_recv(&mut datagram).is_ok() {}
    let entries = read_all(&mill.dir.path().join("state")).unwrap();
    let spread = |entry: &&fingerpost::audit::chain::Entry| matches!(entry.event, Known::Yes(Event::Spread { .. }));
    assert_eq!(entries.iter().filter(spread).count(), 1, "the first write was overtaken");
    mill.rounds(2).await;
    assert!(silent.try_recv(&mut datagram).is_err(), "in step, somebody was asked");
    mill.stop().await;
}
