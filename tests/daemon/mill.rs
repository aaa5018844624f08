//! A home in this process: echo services, a DNS server, and a daemon whose clock and triggers the test has.

use std::fs;
use std::net::{IpAddr, Ipv4Addr};
use std::sync::Arc;
use std::sync::atomic::{AtomicI64, AtomicU8, AtomicU64, Ordering};
use std::time::{Duration, Instant, SystemTime};

use crate::common::{SECRET_BASE64, ZONE, at, dns, gauge_key};
use fingerpost::audit::chain::Known;
use fingerpost::audit::file::read_all;
use fingerpost::audit::{Ending, Event};
use fingerpost::clock::{Clock, Timestamp};
use fingerpost::config::load::{Sources, load};
use fingerpost::daemon::{self, DaemonError, Notifier, Surroundings, Trigger};
use fingerpost::record::{RecordType, RrSet};
use fingerpost::rehearsal::dns::Server;
use fingerpost::rehearsal::echo::{Behaviour, Echo};
use fingerpost::status::Snapshot;
use fingerpost::update::{RecordState, Trouble};
use hickory_proto::rr::{Name, RData, Record};
use tempfile::TempDir;
use tokio::net::{TcpListener, TcpStream};
use tokio::sync::{mpsc, watch};
use tokio::task::{JoinHandle, spawn_local};
use tokio::time::timeout;

pub(crate) const PATIENCE: Duration = Duration::from_secs(20);
pub(crate) const TEN_YEARS: i64 = 10 * 365 * 86_400_000;
pub(crate) const FREELY: &str = "[limits]\nspacing = \"1ms\"\nburst = 1000\ndaily = 100000\n";

pub(crate) fn wan(host: u8) -> IpAddr {
    Ipv4Addr::new(203, 0, 113, host).into()
}

pub(crate) fn alone(home: IpAddr) -> Option<RrSet> {
    Some(RrSet { ttl: 120, addresses: [home].into() })
}

/// A home at .9 whose gauge stands at .1, and perhaps a daemon in it.
pub(crate) struct Mill {
    pub(crate) dir: TempDir,
    pub(crate) echoes: Vec<Echo>,
    pub(crate) dns: Server,
    /// By how much the daemon's clock is off, in milliseconds, and how often it was looked at.
    pub(crate) off: Arc<AtomicI64>,
    pub(crate) asked: Arc<AtomicU64>,
    pub(crate) triggers: Option<mpsc::Sender<Trigger>>,
    pub(crate) snapshot: watch::Receiver<Snapshot>,
    pub(crate) task: Option<JoinHandle<Result<(), DaemonError>>>,
}

impl Mill {
    pub(crate) async fn new() -> Self {
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
    pub(crate) async fn wired() -> (Self, Arc<AtomicU8>) {
        let mill = Self::new().await;
        let (server, told) = wire(mill.dns.addr()).await;
        let urls: Vec<_> = mill.echoes.iter().map(Echo::url).collect();
        mill.write(&mill.text_with(&server, &urls, FREELY));
        (mill, told)
    }

    pub(crate) fn text(&self, more: &str) -> String {
        let urls: Vec<_> = self.echoes.iter().map(Echo::url).collect();
        self.text_with(&self.dns.addr().to_string(), &urls, more)
    }

    pub(crate) fn text_with(&self, server: &str, urls: &[String], more: &str) -> String {
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

    pub(crate) fn configure(&self, more: &str) {
        self.write(&self.text(more));
    }

    pub(crate) fn write(&self, text: &str) {
        fs::write(self.dir.path().join("fingerpost.toml"), text).unwrap();
    }

    pub(crate) fn start(&mut self) {
        let (tell, triggers) = mpsc::channel(8);
        let (show, snapshot) = watch::channel(Snapshot::default());
        let (off, asked) = (Arc::clone(&self.off), Arc::clone(&self.asked));
        let (wall, begun) = (Timestamp::from(SystemTime::now()).millis(), Instant::now());
        let steady = move || {
            asked.fetch_add(1, Ordering::Relaxed);
            begun.elapsed()
        };
        // Not the machine's, which somebody may set while this runs.
        let wall = move || {
            let now = wall + u64::try_from(begun.elapsed().as_millis()).unwrap();
            Timestamp::from_millis(now.saturating_add_signed(off.load(Ordering::Relaxed)))
        };
        let clock = Clock::kept(wall, steady);
        let random = fastrand::Rng::with_seed(7);
        let around = Surroundings { triggers, notifier: Notifier::Nobody, snapshot: show, clock, random };
        let sources = Sources { file: self.dir.path().join("fingerpost.toml"), ..Sources::default() };
        self.task = Some(spawn_local(async move { daemon::run(move || load(&sources), around).await }));
        self.triggers = Some(tell);
        self.snapshot = snapshot;
    }

    pub(crate) fn tell(&self, trigger: Trigger) {
        self.triggers.as_ref().unwrap().try_send(trigger).unwrap();
    }

    pub(crate) async fn ended(&mut self) -> Result<(), DaemonError> {
        timeout(PATIENCE, self.task.take().unwrap()).await.expect("an end").unwrap()
    }

    pub(crate) async fn stop(&mut self) {
        self.tell(Trigger::Stop);
        self.ended().await.unwrap();
    }

    pub(crate) fn all_behave(&self, behaviour: Behaviour) {
        self.echoes.iter().for_each(|echo| echo.behaves(behaviour));
    }

    pub(crate) fn move_to(&self, home: IpAddr) {
        self.echoes.iter().for_each(|echo| echo.home_is_at(home));
        self.tell(Trigger::Round);
    }

    /// Waits until `seen` finds something in the snapshot.
    pub(crate) async fn until<T>(&self, what: &str, mut seen: impl FnMut(&Snapshot) -> Option<T>) -> T {
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
    pub(crate) async fn arrives(&self, home: IpAddr) {
        self.until("the name to follow", |seen| {
            let records = seen.providers.get("home").map(|report| &report.records)?;
            records.iter().all(|r| r.address == home && r.standing == RecordState::InStep).then_some(())
        })
        .await;
        assert_eq!(self.stands("gauge"), alone(home));
    }

    /// Waits for `count` more rounds.
    pub(crate) async fn rounds(&self, count: u64) {
        let begun = self.snapshot.borrow().rounds;
        self.until("more rounds", |seen| (seen.rounds >= begun + count).then_some(())).await;
    }

    pub(crate) async fn trouble(&self) -> String {
        let why = |trouble: &Trouble| trouble.why().to_owned();
        self.until("trouble", |seen| seen.providers.get("home")?.trouble.as_ref().map(why)).await
    }

    pub(crate) fn stands(&self, label: &str) -> Option<RrSet> {
        self.dns.addresses(&at(label), RecordType::A)
    }

    /// How the intents ended; `None` for one that has no end.
    pub(crate) fn endings(&self) -> Vec<Option<Ending>> {
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

/// What the wire does with the server's answers.
pub(crate) const SOUND: u8 = 0;
pub(crate) const LATE: u8 = 1;
pub(crate) const LOST: u8 = 2;

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
