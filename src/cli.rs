//! The command line, and nothing else. Raw arguments end here; what they mean is decided in [`crate::commands`].

use std::path::PathBuf;

use clap::{Args, Parser, Subcommand};

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
pub struct Common {
    /// The configuration file
    #[arg(long, global = true, value_name = "FILE", default_value = "/etc/fingerpost/fingerpost.toml")]
    pub config: PathBuf,
    /// One JSON document on standard output; logs stay on standard error
    #[arg(long, global = true)]
    pub json: bool,
    /// Where state and audit log live, instead of `state_dir` of the configuration
    #[arg(long, global = true, value_name = "DIR")]
    pub state_dir: Option<PathBuf>,
    /// Say more on standard error; twice for even more
    #[arg(short, long, global = true, action = clap::ArgAction::Count, conflicts_with = "quiet")]
    pub verbose: u8,
    /// Say only warnings and errors on standard error
    #[arg(short, long, global = true)]
    pub quiet: bool,
}

/// The commands.
#[derive(Clone, Debug, Subcommand)]
pub enum Command {
    /// Run as the background service
    Daemon,
    /// Do one round now, write what is adrift, and exit; lifts a hold
    Sync,
    /// Show what one round now would write; nothing is written anywhere
    Preview {
        /// Exit with 1 when something would change
        #[arg(long)]
        exit_code: bool,
    },
    /// Ask the witnesses and show the vote
    Locate,
    /// Show or check the audit log
    #[command(subcommand)]
    Audit(Audit),
    /// Play the whole job on this machine, with nothing installed and nothing configured
    Rehearse {
        /// Leave the rehearsal running at its end, and print how to query it
        #[arg(long)]
        keep: bool,
    },
    /// Check the configuration, or print what is in force
    #[command(subcommand)]
    Config(Config),
}

/// The audit log.
#[derive(Clone, Debug, Subcommand)]
pub enum Audit {
    /// Print entries, oldest first
    Show {
        /// Only entries that name this record
        #[arg(long, value_name = "NAME")]
        record: Option<String>,
        /// Only entries since then: an RFC 3339 time such as 2026-11-24T08:00:00Z, or a span such as 36h
        #[arg(long, value_name = "TIME")]
        since: Option<String>,
        /// Only entries of this event
        #[arg(long, value_name = "EVENT", value_parser = crate::audit::EVENTS)]
        event: Option<String>,
    },
    /// Check the chain over all files that are kept
    Verify,
}

/// The configuration.
#[derive(Clone, Copy, Debug, Subcommand)]
pub enum Config {
    /// Check it with the daemon's own code
    Check,
    /// Print every key in force and where its value came from; secrets are not shown
    Show,
}
