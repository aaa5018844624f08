//! What an owner has settled: the configuration as plain values, checked. Whoever holds one need not check again.
//!
//! The room `config` of the program makes them.

mod edges;
mod messages;
mod via;

use std::collections::BTreeMap;
use std::fmt;
use std::net::{IpAddr, Ipv4Addr, Ipv6Addr, SocketAddr};
use std::path::PathBuf;
use std::time::Duration;

use ipnet::IpNet;

use crate::address::Family;
use crate::address::set::AddressSet;
use crate::dns::tsig::TsigKey;
use crate::name::DnsName;
use crate::provider::Tally;
use crate::provider::rest::description::Api;
use crate::record::RecordType;
use crate::secret::Secret;
pub use edges::{
    Allowlist, Columns, Edge, Firewall, Input, ListForm, ListPlace, ListSource, Place, Render, RenderForm, Shortest,
};
pub use messages::{Message, Occasion, Quiet, Way, Webhook};
pub use via::Via;

/// Resolvers that have to agree before a name counts as masked.
pub const INDEPENDENT: usize = 2;

/// Servers of one zone that are asked, at most: the root has 13 (common practice, no source).
pub const SERVERS: usize = 16;

/// The whole configuration, checked: whatever has this type can be acted on.
#[derive(Clone, Debug)]
pub struct Config {
    /// Where the state file and the audit log live.
    pub state_dir: PathBuf,
    /// How the address is watched.
    pub watch: Watch,
    /// The home's lines, in the order of the file; none when there is only one and nobody has to tell it apart.
    pub lines: Vec<Line>,
    /// Who is asked for the address, in the order of the file.
    pub witnesses: Vec<Witness>,
    /// Where records live, by name.
    pub providers: BTreeMap<String, Provider>,
    /// What is published, in the order of the file.
    pub records: Vec<Record>,
    /// How often may be written.
    pub limits: Limits,
    /// How passing faults of a provider are retried.
    pub retry: Retry,
    /// How the audit log is kept.
    pub audit: Audit,
    /// How two daemons take turns; `None` for one alone.
    pub standby: Option<Standby>,
    /// How it is confirmed that a change is live.
    pub confirm: Confirmation,
    /// The networks that may get in, in the order of the file.
    pub edges: Vec<Edge>,
    /// What is done with their ranges; `None` without an edge.
    pub allowlist: Option<Allowlist>,
    /// What the outside is asked about.
    pub exposure: Exposure,
    /// Who may look at the status page, and where.
    pub status: StatusPage,
    /// Who is told of what, in the order of the file.
    pub messages: Vec<Message>,
}

/// The `[watch]` table.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Watch {
    /// Time between rounds, before jitter.
    pub every: Duration,
    /// Rounds in a row that a new address must win; at least 1.
    pub settle: u32,
    /// Time between the rounds that settle a new address.
    pub settle_every: Duration,
    /// How many operators must agree.
    pub quorum: Quorum,
    /// Time allowed to one witness.
    pub timeout: Duration,
    /// Whether an IPv4 address is published although nothing from outside can reach it there.
    pub carrier_nat: CarrierNat,
    /// Whether the kernel's and the router's announcements are a reason to look.
    pub push: bool,
    /// How long a line must have worked again before a record returns to it.
    pub return_after: Duration,
    /// Special-purpose ranges that are accepted all the same: labs and rehearsals.
    pub accept_special: Vec<IpNet>,
    /// How many bits of the home's IPv6 address are its prefix, with which host parts are joined: 32 to 64.
    pub prefix_length: u8,
}

/// What to do about an IPv4 address behind a carrier's NAT.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum CarrierNat {
    /// It is a stranger's router: do not publish it.
    Hold,
    /// Publish it all the same.
    Publish,
}

/// One `[[line]]`: a way from the home to the outside.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Line {
    /// Its name, unique.
    pub name: String,
    /// How a question is made to go out that way.
    pub bind: Bind,
}

/// How a question is made to go out by a line.
#[derive(Clone, Debug, PartialEq, Eq)]
pub enum Bind {
    /// By this network interface.
    Interface(String),
    /// From these addresses, one a family; a family without one has no way out by this line.
    Sources(Vec<IpAddr>),
}

/// How many operators must agree, of those configured for the family.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Quorum {
    /// More than half.
    Majority,
    /// This many, and more than half in any case.
    AtLeast(usize),
}

/// One `[[witness]]`.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Witness {
    /// Its name, unique.
    pub name: String,
    /// Who runs it; one vote an operator.
    pub operator: String,
    /// The line that it is asked over; `None` when there is only one.
    pub line: Option<String>,
    /// The families it is asked for; never empty.
    pub families: Vec<Family>,
    /// What it is.
    pub kind: WitnessKind,
}

/// What a witness is, with what its kind needs.
#[derive(Clone, Debug, PartialEq, Eq)]
pub enum WitnessKind {
    /// An echo service over HTTP or HTTPS.
    Http {
        /// The URL to GET.
        url: url::Url,
        /// Where in the answer the address stands.
        extract: Extract,
    },
    /// A STUN server (RFC 8489).
    Stun {
        /// Its host and port, as written.
        server: String,
    },
    /// The home's own router, by NAT-PMP (RFC 6886) or UPnP IGD.
    Router {
        /// Its address inside; `None` for the default gateway.
        gateway: Option<Ipv4Addr>,
    },
    /// The addresses of an interface of this machine.
    Interface {
        /// The interface's name.
        interface: String,
    },
}

impl WitnessKind {
    /// Whether asking it stays inside the home, and so costs nobody else anything.
    pub fn is_near(&self) -> bool {
        match self {
            Self::Http { .. } | Self::Stun { .. } => false,
            Self::Router { .. } | Self::Interface { .. } => true,
        }
    }
}

/// Where in an echo service's answer the address stands.
#[derive(Clone, Debug, PartialEq, Eq)]
pub enum Extract {
    /// The body is the address, white space around it aside.
    Body,
    /// The body is JSON and the address is the string at this JSON Pointer (RFC 6901).
    Pointer(String),
}

/// One `[provider.NAME]`.
#[derive(Clone, Debug)]
pub struct Provider {
    /// The zone whose records it holds.
    pub zone: DnsName,
    /// Time allowed to one exchange.
    pub timeout: Duration,
    /// Who is asked whether a change is live.
    pub confirm: Confirm,
    /// What it is.
    pub kind: ProviderKind,
    /// A digest of all that was configured for it and is asked of it, of a secret two octets of its digest: a hold ends
    /// when this changes.
    pub fingerprint: String,
}

/// Who is asked whether a change is live.
#[derive(Clone, Debug, PartialEq, Eq)]
pub enum Confirm {
    /// The servers to which the zone above delegates.
    Delegation,
    /// These, as host and port; never empty.
    Servers(Vec<String>),
    /// Nobody.
    Off,
}

/// What a provider is, with what its kind needs.
#[derive(Clone, Debug)]
pub enum ProviderKind {
    /// A DNS server that takes updates (RFC 2136).
    Rfc2136 {
        /// Host and port of the zone's primary, as written: `ns1.heronmill.example:53`, `[2001:db8::1]:53`.
        server: String,
        /// The key that signs; `None` is possible only with `unsigned = true` and a loopback server.
        key: Option<TsigKey>,
    },
    /// An HTTP API with JSON, as a description tells it.
    Rest(Box<Api>),
    /// A master file (RFC 1035, section 5).
    Zonefile {
        /// The file.
        file: PathBuf,
        /// The command that makes the server load it, as program and arguments; empty for none.
        reload: Vec<String>,
    },
    /// A program that reads and writes the records.
    Program {
        /// Its absolute path.
        program: String,
        /// Its arguments.
        arguments: Vec<String>,
        /// The variables of its environment, besides PATH and LANG.
        variables: BTreeMap<String, String>,
        /// What it is handed in each request.
        secret: Option<Secret>,
        /// How long what it shows may lag behind what it took.
        visible_within: Duration,
    },
}

impl ProviderKind {
    /// How the changes of one write count against the cap on its writes, as the provider says it too.
    pub fn tally(&self) -> Tally {
        match self {
            Self::Rfc2136 { .. } | Self::Zonefile { .. } => Tally::Together,
            Self::Rest(_) | Self::Program { .. } => Tally::Each,
        }
    }
}

/// One `[[record]]`.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Record {
    /// The name, inside its provider's zone.
    pub name: DnsName,
    /// The types to publish, without repetition; never empty.
    pub types: Vec<RecordType>,
    /// The lines whose address it may have, the preferred first; `None` stands for the only line. Never empty.
    pub lines: Vec<Option<String>>,
    /// The provider's name; it exists.
    pub provider: String,
    /// Time to live, in seconds; at most 2^31 - 1 (RFC 2181, section 8).
    pub ttl: u32,
    /// For AAAA: what is joined with the home's prefix, into which it fits; `None` for the voted address itself.
    pub host_part: Option<Ipv6Addr>,
    /// Whose the RRset is.
    pub sharing: Sharing,
}

/// The records of each provider that has any, in the order of `records`.
pub fn by_provider(records: &[Record]) -> BTreeMap<&str, Vec<&Record>> {
    let mut grouped: BTreeMap<&str, Vec<&Record>> = BTreeMap::new();
    for record in records {
        grouped.entry(&record.provider).or_default().push(record);
    }
    grouped
}

/// Whose an RRset is.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Sharing {
    /// Ours, and exactly this.
    Sole,
    /// Shared: only our own earlier address is swapped.
    Member,
}

/// The `[limits]` table.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Limits {
    /// Least time between two writes of one record, sustained (GCRA, ITU-T I.371).
    pub spacing: Duration,
    /// Writes of one record that may come at once; at least 1.
    pub burst: u32,
    /// Writes a provider in 24 hours; at least 1.
    pub daily: u32,
}

/// The `[retry]` table.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Retry {
    /// The first wait, before jitter.
    pub initial: Duration,
    /// The longest wait.
    pub max: Duration,
}

/// The `[audit]` table.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Audit {
    /// A file is closed and a new one begun when it has grown to this many bytes.
    pub max_bytes: u64,
    /// How many closed files are kept, and how many torn ends beside them.
    pub keep: usize,
    /// After this time a write whose end nobody could find out keeps the log behind it no longer.
    pub unknown_after: Duration,
}

/// The `[standby]` table.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Standby {
    /// For every provider the name of its lease, which is in its zone.
    pub names: BTreeMap<String, DnsName>,
    /// How long a lease holds that is not renewed; whole seconds.
    pub lease: Duration,
    /// This machine, for people.
    pub holder: String,
}

/// The `[confirm]` table.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Confirmation {
    /// The first pause between two askings.
    pub every: Duration,
    /// After this time a server that still serves something else is told of, and asked no more.
    pub deadline: Duration,
    /// The recursive resolver that knows the zone above; `None` for the system's.
    pub resolver: Option<SocketAddr>,
}

/// The `[exposure]` table.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Exposure {
    /// Time between two looks of the daemon, before jitter.
    pub every: Duration,
    /// Recursive resolvers that are asked for public names; none, or two at least.
    pub resolvers: Vec<SocketAddr>,
    /// A friend's `fingerpost echo --knock-back`.
    pub helper: Option<url::Url>,
    /// The router that is asked for its port mappings, if any is.
    pub router: Option<Gateway>,
    /// Names that hold the home's address because they must.
    pub open: Vec<DnsName>,
    /// The services, in the order of the file.
    pub services: Vec<Service>,
}

/// One `[[exposure.service]]`.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Service {
    /// Its public name.
    pub name: DnsName,
    /// The edge that is in front of it; `None` when nothing is.
    pub front: Option<Front>,
    /// Its public port, also on the home's own address.
    pub port: u16,
    /// Where the origin listens inside.
    pub origin: SocketAddr,
    /// The certificates that its chain may end at, in PEM; `None` for those of the system.
    pub ca: Option<PathBuf>,
}

/// The `[status]` table.
#[derive(Clone, Debug, Default, PartialEq, Eq)]
pub struct StatusPage {
    /// Where the page is served; `None` for nowhere.
    pub listen: Option<Listen>,
    /// From where it may be asked for, besides this machine; never empty for a listener that others can reach.
    pub allow: Vec<IpNet>,
    /// The names by which its server may be called.
    pub hosts: Vec<String>,
}

/// Where somebody listens.
#[derive(Clone, Debug, PartialEq, Eq)]
pub enum Listen {
    /// A port.
    Tcp(SocketAddr),
    /// A Unix socket.
    Unix(PathBuf),
}

impl fmt::Display for Listen {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        match self {
            Self::Tcp(at) => at.fmt(f),
            Self::Unix(path) => path.display().fmt(f),
        }
    }
}

/// Which router is meant.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Gateway {
    /// The one that the default route leads to.
    Default,
    /// The one at this address inside.
    At(Ipv4Addr),
}

/// What is in front of a service.
#[derive(Clone, Debug, PartialEq, Eq)]
pub enum Front {
    /// The `[[edge]]` of this name, with the ranges in force.
    Edge(String),
    /// These ranges.
    Ranges(AddressSet),
}
