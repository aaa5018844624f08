//! The stage of the rehearsal: a temporary directory, five echo services, a DNS server, and the daemon among them.

use std::fs;
use std::io::Write as _;
use std::net::IpAddr;
use std::os::unix::fs::OpenOptionsExt;
use std::path::{Path, PathBuf};
use std::str::FromStr as _;
use std::time::Duration;

use hickory_proto::rr::rdata::{CNAME, NS, TXT};
use hickory_proto::rr::{Name, RData, Record};
use tempfile::TempDir;
use tokio::sync::{mpsc, watch};
use tokio::task::{AbortHandle, JoinHandle, spawn_local};
use tokio::time::{Instant, timeout_at};

use super::RehearsalError;
use super::dns::Server;
use super::echo::{Behaviour, Echo};
use crate::clock;
use crate::config::load::{self, Loaded, Sources};
use crate::daemon::{self, DaemonError, Notifier, Surroundings, Trigger};
use crate::dns::tsig::{TsigAlgorithm, TsigKey};
use crate::name::DnsName;
use crate::record::{RecordType, RrSet};
use crate::secret::Secret;
use crate::status::Snapshot;

/// The operators of the five echo services.
pub(super) const OPERATORS: [&str; 5] = ["north-collective", "ferryman", "tern-labs", "millrace", "quayside"];

/// The longest that the story waits for anything.
const PATIENCE: Duration = Duration::from_secs(15);

/// How often the daemon may write, in the configuration's own words.
pub(super) const FREELY: &str = "spacing = \"100ms\"\nburst = 10";

/// All that the story plays with.
pub(super) struct Stage {
    dir: TempDir,
    /// The echo services, in the order of [`OPERATORS`].
    pub(super) echoes: Vec<Echo>,
    /// The zone's server.
    pub(super) dns: Server,
    actor: Option<Actor>,
}

/// A running daemon.
struct Actor {
    triggers: mpsc::Sender<Trigger>,
    snapshot: watch::Receiver<Snapshot>,
    task: JoinHandle<Result<(), DaemonError>>,
}

impl Stage {
    /// Sets the stage: the home is at `home`, and the zone holds `gauge` at `stale`, `mill` shared with a neighbour,
    /// and a CNAME at `cam`.
    pub(super) async fn set(home: IpAddr, stale: IpAddr, neighbour: IpAddr) -> Result<Self, RehearsalError> {
        let dir = tempfile::Builder::new().prefix("fingerpost-rehearsal-").tempdir().map_err(RehearsalError::stage)?;
        let mut echoes = Vec::new();
        for _ in OPERATORS {
            echoes.push(Echo::start(home).await.map_err(RehearsalError::stage)?);
        }
        let secret: Vec<u8> = std::iter::repeat_with(|| fastrand::u8(..)).take(32).collect();
        let key = TsigKey {
            name: name("gauge-key")?,
            algorithm: TsigAlgorithm::HmacSha256,
            secret: Secret::new(secret.clone()),
        };
        let dns = Server::start(name("heronmill.example")?, key, records(stale, neighbour)?)
            .await
            .map_err(RehearsalError::stage)?;
        let stage = Self { dir, echoes, dns, actor: None };
        let mut file = fs::OpenOptions::new()
            .write(true)
            .create_new(true)
            .mode(0o600)
            .open(stage.dir().join("gauge.key"))
            .map_err(RehearsalError::stage)?;
        file.write_all(data_encoding::BASE64.encode(&secret).as_bytes()).map_err(RehearsalError::stage)?;
        stage.configure(FREELY)?;
        Ok(stage)
    }

    /// The temporary directory.
    pub(super) fn dir(&self) -> &Path {
        self.dir.path()
    }

    /// Where state and audit log are kept.
    pub(super) fn state_dir(&self) -> PathBuf {
        self.dir().join("state")
    }

    /// The configuration file.
    pub(super) fn config_file(&self) -> PathBuf {
        self.dir().join("fingerpost.toml")
    }

    /// Adds to the configuration.
    pub(super) fn add(&self, text: &str) -> Result<(), RehearsalError> {
        let whole = fs::read_to_string(self.config_file()).map_err(RehearsalError::stage)? + text;
        fs::write(self.config_file(), whole).map_err(RehearsalError::stage)
    }

    /// Writes the configuration, with these `[limits]`.
    pub(super) fn configure(&self, limits: &str) -> Result<(), RehearsalError> {
        let mut text = format!(
            r#"state_dir = "{state}"

[watch]
every = "1h"
settle = 2
settle_every = "100ms"
timeout = "1s"
push = false
# Documentation addresses (RFC 5737) are nobody's: a rehearsal may take them for a home's.
accept_special = ["192.0.2.0/24", "198.51.100.0/24", "203.0.113.0/24"]

[limits]
{limits}

[retry]
initial = "200ms"
max = "1s"

[confirm]
every = "100ms"

[provider.home]
kind = "rfc2136"
zone = "heronmill.example"
server = "{server}"
key = {{ name = "gauge-key", algorithm = "hmac-sha256", secret = {{ file = "gauge.key" }} }}
confirm = ["{server}"]

[[record]]
name = "gauge.heronmill.example"
types = ["A"]
provider = "home"
ttl = "2m"

[[record]]
name = "mill.heronmill.example"
types = ["A"]
provider = "home"
ttl = "2m"
sharing = "member"

[[record]]
name = "cam.heronmill.example"
types = ["A"]
provider = "home"
ttl = "2m"
"#,
            state = self.state_dir().display(),
            server = self.dns.addr(),
        );
        for (operator, echo) in OPERATORS.iter().zip(&self.echoes) {
            text.push_str(&format!(
                "\n[[witness]]\nname = \"{operator}\"\noperator = \"{operator}\"\nkind = \"http\"\n\
                 url = \"{}\"\nfamilies = [\"ipv4\"]\n",
                echo.url()
            ));
        }
        self.write_config(&text)
    }

    /// Writes `text` where the configuration is read from.
    pub(super) fn write_config(&self, text: &str) -> Result<(), RehearsalError> {
        fs::write(self.config_file(), text).map_err(RehearsalError::stage)
    }

    /// Reads the configuration as the daemon does, but for the environment: a rehearsal is the same everywhere.
    pub(super) fn load(&self) -> Result<Loaded, RehearsalError> {
        Ok(load::load(&sources(self.config_file()))?)
    }

    /// From now on the echo service of `operator` answers so.
    pub(super) fn behaves(&self, operator: &str, behaviour: Behaviour) {
        for (_, echo) in OPERATORS.iter().zip(&self.echoes).filter(|(name, _)| **name == operator) {
            echo.behaves(behaviour);
        }
    }

    /// The home gets another address, as a home does.
    pub(super) fn move_to(&self, home: IpAddr) {
        for echo in &self.echoes {
            echo.home_is_at(home);
        }
    }

    /// What the zone holds at a name of ours.
    pub(super) fn published(&self, label: &str) -> Option<RrSet> {
        let name = DnsName::parse(&format!("{label}.heronmill.example")).ok()?;
        self.dns.addresses(&name, RecordType::A)
    }

    /// Starts the daemon.
    pub(super) fn start(&mut self) {
        let (tell, triggers) = mpsc::channel(8);
        let (show, snapshot) = watch::channel(Snapshot::default());
        let around = Surroundings {
            triggers,
            notifier: Notifier::Nobody,
            snapshot: show,
            clock: clock::system(),
            random: fastrand::Rng::new(),
        };
        let file = self.config_file();
        let task = spawn_local(async move { daemon::run(move || load::load(&sources(file.clone())), around).await });
        self.actor = Some(Actor { triggers: tell, snapshot, task });
    }

    /// Tells the daemon something.
    pub(super) async fn tell(&self, trigger: Trigger) -> Result<(), RehearsalError> {
        let actor = self.actor.as_ref().ok_or(RehearsalError::NoDaemon)?;
        actor.triggers.send(trigger).await.map_err(|_| RehearsalError::NoDaemon)
    }

    /// What ends the daemon at once, wherever it is, as a power cut would.
    pub(super) fn plug(&self) -> Option<AbortHandle> {
        self.actor.as_ref().map(|actor| actor.task.abort_handle())
    }

    /// Waits until the daemon has ended; true when it was cut off.
    pub(super) async fn ended(&mut self) -> Result<bool, RehearsalError> {
        let Some(actor) = self.actor.take() else { return Err(RehearsalError::NoDaemon) };
        match timeout_at(Instant::now() + PATIENCE, actor.task).await {
            Ok(Ok(ended)) => ended.map(|()| false).map_err(RehearsalError::from),
            Ok(Err(cut)) if cut.is_cancelled() => Ok(true),
            Ok(Err(_)) => Err(RehearsalError::NoDaemon),
            Err(_) => Err(RehearsalError::Waited("the daemon to end")),
        }
    }

    /// Waits until `seen` finds in the snapshot what it looks for; `what` names it.
    pub(super) async fn until<T>(
        &self,
        what: &'static str,
        mut seen: impl FnMut(&Snapshot) -> Option<T>,
    ) -> Result<T, RehearsalError> {
        let actor = self.actor.as_ref().ok_or(RehearsalError::NoDaemon)?;
        let mut snapshot = actor.snapshot.clone();
        let deadline = Instant::now() + PATIENCE;
        loop {
            if let Some(found) = seen(&snapshot.borrow_and_update()) {
                return Ok(found);
            }
            match timeout_at(deadline, snapshot.changed()).await {
                Ok(Ok(())) => {}
                Ok(Err(_)) => return Err(RehearsalError::NoDaemon),
                Err(_) => return Err(RehearsalError::Waited(what)),
            }
        }
    }
}

fn sources(file: PathBuf) -> Sources {
    Sources { file, ..Sources::default() }
}

pub(super) fn name(text: &str) -> Result<DnsName, RehearsalError> {
    DnsName::parse(text).map_err(RehearsalError::stage)
}

fn records(stale: IpAddr, neighbour: IpAddr) -> Result<Vec<Record>, RehearsalError> {
    let name = |text: &str| Name::from_str(&format!("{text}heronmill.example.")).map_err(RehearsalError::stage);
    let address = |address| match address {
        IpAddr::V4(v4) => RData::A(v4.into()),
        IpAddr::V6(v6) => RData::AAAA(v6.into()),
    };
    Ok(vec![
        Record::from_rdata(name("")?, 3600, RData::NS(NS(name("ns1.")?))),
        Record::from_rdata(name("ns1.")?, 3600, RData::A(std::net::Ipv4Addr::LOCALHOST.into())),
        Record::from_rdata(name("gauge.")?, 120, address(stale)),
        Record::from_rdata(name("gauge.")?, 120, RData::TXT(TXT::new(vec!["river gauge of Heron Mill".to_owned()]))),
        Record::from_rdata(name("mill.")?, 300, address(neighbour)),
        Record::from_rdata(name("cam.")?, 300, RData::CNAME(CNAME(name("gauge.")?))),
    ])
}
