//! The command line, and nothing else. Raw arguments end here; what they mean is decided in [`crate::commands`].

use std::net::SocketAddr;
use std::path::PathBuf;

use clap::{Args, Parser, Subcommand};
use ipnet::IpNet;

/// Keeps a home's DNS names at its changing WAN address, on the word of a majority, and says why.
#[derive(Debug, Parser)]
#[command(name = "fingerpost", version, disable_help_subcommand = true)]
pub struct Cli {
    /// What every command takes.
    #[command(flatten)]
    pub common: Common,
    /// The command.
    #[command(subcommand)]
    pub command: Command,
}

/// Options of every command.
#[derive(Clone, Debug, Args)]
#[command(next_help_heading = "Options of every command")]
pub struct Common {
    /// The configuration file
    #[arg(long, global = true, value_name = "FILE", default_value = "/etc/fingerpost/fingerpost.toml")]
    pub config: PathBuf,
    /// One JSON document on standard output; logs stay on standard error. Not for `daemon` and `echo`
    #[arg(long, global = true)]
    pub json: bool,
    /// Where state and audit log live, instead of `state_dir` of the configuration
    #[arg(long, global = true, value_name = "DIR")]
    pub state_dir: Option<PathBuf>,
    /// Say more on standard error; twice for even more
    #[arg(short, long, global = true, action = clap::ArgAction::Count, conflicts_with = "quiet")]
    pub(crate) verbose: u8,
    /// Say only warnings and errors on standard error
    #[arg(short, long, global = true)]
    pub quiet: bool,
}

/// The commands.
#[derive(Clone, Debug, Subcommand)]
pub enum Command {
    /// Run as the background service
    Daemon,
    /// Look now, write what is adrift, and exit; lifts a hold, where no service runs
    Sync {
        /// Then ask every authoritative server of the zone until all serve what was written
        #[arg(long)]
        wait: bool,
        /// Act on the word of one round, also at an address that is new
        #[arg(long)]
        one_round: bool,
    },
    /// Show what one round now would write; nothing is written anywhere
    Preview {
        /// Exit with 1 when something would change
        #[arg(long)]
        exit_code: bool,
    },
    /// Ask the witnesses and show the vote
    Locate,
    /// Show what the running daemon last saw and did; without one, what it left behind
    Status {
        /// Go on, and show what is new as it happens; with --json one document a line
        #[arg(long)]
        follow: bool,
    },
    /// Show or check the audit log
    #[command(subcommand)]
    Audit(Audit),
    /// Get the ranges of the edge in front of the home, write them, and compare them with the firewall's
    ///
    /// Contacts nothing but what the configuration names.
    #[command(subcommand)]
    Allowlist(Allowlist),
    /// Show what the outside can see of your services, and what gives the home's address away
    ///
    /// Whether each service is masked by its edge, closed otherwise, and its certificate alive, and what in DNS shows the
    /// address. Contacts only what the configuration names, the servers of its zones, and the home's own addresses. Probe
    /// only what is yours.
    Exposure,
    /// Be a witness for another household: tell whoever asks the address they come from
    Echo(Echo),
    /// Play the whole job on this machine, with nothing installed and nothing configured
    Rehearse {
        /// Leave the rehearsal running at its end, and print how to query it
        #[arg(long)]
        keep: bool,
    },
    /// Begin a configuration, check it, or print what is in force
    #[command(subcommand)]
    Config(Config),
}

/// What an echo service answers, and how often. It reads no configuration, and says nothing of its clients but with -v.
#[derive(Clone, Debug, Args)]
pub struct Echo {
    /// Answer HTTP there: / as text, /seen as JSON; may be repeated. An IPv6 wildcard takes both families: `[::]:8080`
    #[arg(long, value_name = "ADDR:PORT")]
    pub http: Vec<SocketAddr>,
    /// Answer STUN there, over UDP; may be repeated. A machine with several addresses has to name each one
    #[arg(long, value_name = "ADDR:PORT")]
    pub stun: Vec<SocketAddr>,
    /// Requests a minute of one client, an IPv4 address or an IPv6 /64; so many may come at once
    #[arg(long, value_name = "N", default_value_t = 30, value_parser = clap::value_parser!(u32).range(1..=60_000))]
    pub(crate) requests_per_minute: u32,
    /// Requests a minute of all clients over HTTP, without a fifth of each one's share, which is its own; over STUN senders
    /// can be forged, and there each is counted alone
    #[arg(long, value_name = "N", default_value_t = 6000, value_parser = clap::value_parser!(u32).range(1..=60_000))]
    pub(crate) all_requests_per_minute: u32,
    /// Answer /knock?port=N: is TCP port N of the address you come from reachable? Never of another address. Probe only
    /// what is yours: whoever shares the address, as behind a carrier's NAT, is knocked at too
    #[arg(long)]
    pub knock_back: bool,
    /// Knocks a minute for one client
    #[arg(long, value_name = "N", default_value_t = 6, requires = "knock_back",
        value_parser = clap::value_parser!(u32).range(1..=600))]
    pub(crate) knocks_per_minute: u32,
    /// Knocks a minute for all clients
    #[arg(long, value_name = "N", default_value_t = 60, requires = "knock_back",
        value_parser = clap::value_parser!(u32).range(1..=600))]
    pub(crate) all_knocks_per_minute: u32,
    /// Knock at clients in this special-purpose range all the same: labs; may be repeated
    #[arg(long, value_name = "CIDR", requires = "knock_back",
        value_parser = |text: &str| crate::address::range(text).ok_or("it is not an address range"))]
    pub accept_special: Vec<IpNet>,
}

/// What a first configuration says.
#[derive(Clone, Debug, Default, Args)]
pub struct New {
    /// The zone that holds the names
    #[arg(long, value_name = "NAME")]
    pub zone: Option<String>,
    /// A name to publish; may be repeated
    #[arg(long, value_name = "NAME")]
    pub record: Vec<String>,
    /// The types of each name: A (if not said), AAAA, or A,AAAA
    #[arg(long, value_name = "TYPES")]
    pub types: Option<String>,
    /// Where the zone lives: a DNS server that takes signed updates (if not said), an HTTP API, a master file on this
    /// machine, or what a program of yours reaches
    #[arg(long, value_parser = ["rfc2136", "rest", "zonefile", "program"])]
    pub kind: Option<String>,
    /// For rfc2136 the zone's primary, HOST or HOST:PORT; for rest the API's https://HOST
    #[arg(long, value_name = "SERVER")]
    pub server: Option<String>,
    /// For rfc2136: what the server is, for the statement that lets the key do what it has to and no more
    #[arg(long, value_parser = ["bind", "knot", "powerdns", "other"])]
    pub software: Option<String>,
    /// For rfc2136: the key's name; after the first record if not said
    #[arg(long, value_name = "NAME")]
    pub key: Option<String>,
    /// For rfc2136 and rest: the file that holds the key's secret or the API's token, or "systemd" (if not said), which
    /// hands it over as a credential
    #[arg(long, value_name = "FILE")]
    pub secret: Option<String>,
    /// For zonefile the master file; for rest the API's description, providers/record.toml if not said. A relative path
    /// starts at the configuration's directory
    #[arg(long, value_name = "FILE")]
    pub file: Option<String>,
    /// For zonefile: the command that makes the server load the file again, with blanks between its words
    #[arg(long, value_name = "COMMAND")]
    pub reload: Option<String>,
    /// For program: the program's absolute path, and its arguments with blanks between them
    #[arg(long, value_name = "COMMAND")]
    pub program: Option<String>,
    /// A witness: who runs it, and where it is. An echo service as https://HOST/PATH, with #/POINTER where the address stands
    /// in JSON (RFC 6901); a STUN server as stun:HOST (RFC 7064); may be repeated
    #[arg(long, value_name = "OPERATOR=URI")]
    pub witness: Vec<String>,
    /// Ask the home's router too
    #[arg(long)]
    pub router: bool,
    /// Write it there instead of to the file that --config names; "-" is standard output
    #[arg(long, value_name = "FILE")]
    pub out: Option<PathBuf>,
    /// Write over a file that is there
    #[arg(long)]
    pub replace: bool,
}

/// The audit log.
#[derive(Clone, Debug, Subcommand)]
pub enum Audit {
    /// Print entries, oldest first
    Show {
        /// Only entries that name this record
        #[arg(long, value_name = "NAME")]
        record: Option<String>,
        /// Only entries since this time (RFC 3339, such as 2026-11-24T08:00:00Z), or of this last span (such as 36h)
        #[arg(long, value_name = "TIME")]
        since: Option<String>,
        /// Only entries of this event
        #[arg(long, value_name = "EVENT", value_parser = crate::audit::EVENTS)]
        event: Option<String>,
        /// As comma-separated values (RFC 4180): number, time, event, and what it says
        #[arg(long, conflicts_with_all = ["json", "plot"])]
        csv: bool,
        /// Draw where the home has been in the last 90 days
        #[arg(long, conflicts_with_all = ["json", "record", "since", "event"])]
        plot: bool,
    },
    /// Check the chain over all files that are kept
    Verify,
}

/// The ranges that may get in.
#[derive(Clone, Copy, Debug, Subcommand)]
pub enum Allowlist {
    /// Get the lists of every `[[edge]]` and take those that are believed; of the others stays what is in force
    Fetch {
        /// Take lists that changed more than `may_lose` and `may_gain` let them: you have looked at them
        #[arg(long)]
        accept: bool,
    },
    /// Compare the ranges in force with whom the firewall lets in, address by address; exits with 1 when they differ, and
    /// with 69 when that cannot be told
    Compare,
    /// Write the ranges in force into the files of [[allowlist.render]], and run their reload commands
    Render,
}

/// The configuration.
#[derive(Clone, Debug, Subcommand)]
pub enum Config {
    /// Write a first configuration, commented, with what the DNS server has to be told; on a terminal it asks what the
    /// options leave out
    New(Box<New>),
    /// Check the configuration with the daemon's own code
    Check,
    /// Print every key in force and where its value came from; secrets are not shown
    Show,
}
