//! The commands, one file each; here is what they share: the exit status, the log, the error at the top.

mod allowlist;
pub(crate) mod audit;
mod config;
mod daemon;
mod echo;
mod exposure;
mod locate;
mod new;
mod plot;
mod preview;
mod rehearse;
mod status;
mod sync;

use std::io::{self, IsTerminal, Write};
use std::path::PathBuf;
use std::process::ExitCode;

use tokio::runtime::LocalOptions;
use tracing::Level;

use crate::allowlist::AllowlistError;
use crate::audit::file::AuditError;
use crate::cli::{self, Cli, Command, Common};
use crate::config::load::{self, ConfigError, Loaded, Sources};
use crate::daemon::DaemonError;
use crate::echo::EchoError;
use crate::rehearsal::RehearsalError;
use crate::round::RoundError;
use crate::say;
use crate::shown::{self, Through};
use crate::state::StateError;
use crate::status::ask::AskError;
use crate::text::chain_of;
use crate::update::{BooksError, RecordState, Report, Trouble};
use crate::watch::WatchError;
use crate::watch::look::Look;
use crate::watch::vote::Outcome;

/// Exit statuses, after sysexits.h.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord)]
#[repr(u8)]
pub enum Exit {
    /// Done, and in step.
    Done = 0,
    /// Something would change, or is amiss.
    Differs = 1,
    /// The command line does not hold (EX_USAGE).
    Usage = 64,
    /// An audit chain or input file does not hold (EX_DATAERR).
    Data = 65,
    /// No ruling: too few witnesses agree, or what should be compared is not known (EX_UNAVAILABLE).
    NoRuling = 69,
    /// A fault of the program itself (EX_SOFTWARE).
    Software = 70,
    /// State or audit log cannot be written (EX_CANTCREAT).
    CannotWrite = 73,
    /// Put off: will work later (EX_TEMPFAIL).
    PutOff = 75,
    /// Refused: key, permission, hold, or a blocked record (EX_NOPERM).
    Refused = 77,
    /// The configuration does not hold (EX_CONFIG).
    Config = 78,
}

impl From<Exit> for ExitCode {
    fn from(exit: Exit) -> Self {
        Self::from(exit as u8)
    }
}

/// Whatever ends a command before it is done.
#[derive(Debug, thiserror::Error)]
pub(crate) enum CommandError {
    /// The configuration.
    #[error(transparent)]
    Config(#[from] ConfigError),
    /// The beginning of a round.
    #[error(transparent)]
    Round(#[from] RoundError),
    /// The daemon.
    #[error(transparent)]
    Daemon(#[from] DaemonError),
    /// The audit log.
    #[error(transparent)]
    Audit(#[from] AuditError),
    /// The audit log cannot be read by whoever asks for it.
    #[error("cannot {act} {}; {}", file.display(), way_to_the_log(source))]
    Log {
        /// What was tried.
        act: &'static str,
        /// On which file.
        file: PathBuf,
        /// What the system said.
        source: io::Error,
    },
    /// The ranges of the edge.
    #[error(transparent)]
    Allowlist(#[from] AllowlistError),
    /// The daemon that was asked.
    #[error(transparent)]
    Ask(#[from] AskError),
    /// The echo service.
    #[error(transparent)]
    Echo(#[from] EchoError),
    /// The rehearsal.
    #[error(transparent)]
    Rehearsal(#[from] RehearsalError),
    /// A first configuration cannot be written.
    #[error(transparent)]
    New(#[from] new::NewError),
    /// An argument that the command line's own checks let through.
    #[error("{0}")]
    Usage(String),
    /// The command needs what the configuration does not have.
    #[error("{0}")]
    Unconfigured(String),
    /// The asynchronous runtime, or standard output.
    #[error("cannot {0}")]
    Io(&'static str, #[source] io::Error),
    /// The output could not be put into JSON.
    #[error("cannot put the answer into JSON")]
    Json(#[from] serde_json::Error),
}

impl CommandError {
    fn exit(&self) -> Exit {
        match self {
            Self::Config(_) | Self::Daemon(DaemonError::Config(_)) | Self::Unconfigured(_) => Exit::Config,
            Self::Round(error) | Self::Daemon(DaemonError::Round(error)) => round_exit(error),
            Self::Audit(AuditError::Flawed { .. } | AuditError::Lacking { .. }) => Exit::Data,
            Self::Audit(_) | Self::New(_) => Exit::CannotWrite,
            Self::Daemon(DaemonError::Theirs { .. }) => Exit::Refused,
            Self::Log { source, .. } if source.kind() == io::ErrorKind::PermissionDenied => Exit::Refused,
            Self::Log { .. } => Exit::Data,
            Self::Rehearsal(_)
            | Self::Daemon(DaemonError::Deaf | DaemonError::Ended(_) | DaemonError::Confirming(_))
            | Self::Io(..)
            | Self::Json(_) => Exit::Software,
            Self::Usage(_) => Exit::Usage,
            Self::Ask(AskError::Forbidden { .. }) => Exit::Refused,
            Self::Ask(AskError::Nobody { .. } | AskError::Broken { .. }) => Exit::NoRuling,
            Self::Ask(AskError::Strange { .. }) => Exit::Software,
            Self::Echo(error) => echo_exit(error),
            Self::Allowlist(error) => allowlist_exit(error),
        }
    }
}

/// What to do where the log cannot be read.
fn way_to_the_log(error: &io::Error) -> &'static str {
    match error.kind() {
        io::ErrorKind::PermissionDenied => "run this as root (sudo), or as the user that runs the daemon",
        _ => "name the state directory, in which the log is, by --state-dir",
    }
}

fn allowlist_exit(error: &AllowlistError) -> Exit {
    match error {
        AllowlistError::NoEdge | AllowlistError::NoFile | AllowlistError::NoFirewall | AllowlistError::Client(_) => {
            Exit::Config
        }
        AllowlistError::AtWork { .. } | AllowlistError::Books(BooksError::State(StateError::Locked { .. })) => {
            Exit::PutOff
        }
        AllowlistError::Books(_) | AllowlistError::Audit(_) => Exit::CannotWrite,
        AllowlistError::Store { act: "read", .. } => Exit::Refused,
        AllowlistError::Store { .. } => Exit::CannotWrite,
        AllowlistError::Spoilt { .. } => Exit::Data,
        AllowlistError::Never(_) | AllowlistError::Untold(_) | AllowlistError::Firewall { .. } => Exit::NoRuling,
    }
}

fn echo_exit(error: &EchoError) -> Exit {
    match error {
        EchoError::NoSockets => Exit::Usage,
        EchoError::HandedOver { .. } => Exit::Config,
        EchoError::Bind { source, .. } if source.kind() == io::ErrorKind::PermissionDenied => Exit::Refused,
        // An address that comes later, or a port that is given back.
        EchoError::Bind { .. } => Exit::PutOff,
        EchoError::Socket(_) | EchoError::Ended => Exit::Software,
    }
}

fn round_exit(error: &RoundError) -> Exit {
    match error {
        RoundError::Watch(WatchError::Client { .. }) => Exit::Config,
        RoundError::Books(BooksError::State(StateError::Locked { .. })) => Exit::PutOff,
        RoundError::Books(_) => Exit::CannotWrite,
    }
}

const NO_ANSWER: &str = "--json: a service gives no answer that could be JSON, it goes on until it is stopped; remove \
                         the option, and ask a running daemon by `fingerpost status --json`";

/// Runs the command; its error, if there is one, is printed here and nowhere else.
pub fn run(cli: &Cli) -> ExitCode {
    let common = &cli.common;
    let done = match &cli.command {
        Command::Daemon | Command::Echo(_) if common.json => Err(CommandError::Usage(NO_ANSWER.to_owned())),
        Command::Daemon => daemon::run(common),
        Command::Sync { wait, one_round } => sync::run(common, *wait, *one_round),
        Command::Preview { exit_code } => preview::run(common, *exit_code),
        Command::Locate => locate::run(common),
        Command::Audit(cli::Audit::Show { plot: true, .. }) => audit::plot(common),
        Command::Audit(cli::Audit::Show { record, since, event, csv, .. }) => {
            audit::show(common, record.as_deref(), since.as_deref(), event.as_deref(), *csv)
        }
        Command::Audit(cli::Audit::Verify) => audit::verify(common),
        Command::Allowlist(cli::Allowlist::Fetch { accept }) => allowlist::fetch(common, *accept),
        Command::Allowlist(cli::Allowlist::Compare) => allowlist::compare(common),
        Command::Allowlist(cli::Allowlist::Render) => allowlist::render(common),
        Command::Exposure => exposure::run(common),
        Command::Status { follow } => status::run(common, *follow),
        Command::Echo(arguments) => echo::run(arguments),
        Command::Rehearse { keep } => rehearse::run(common, *keep),
        Command::Config(cli::Config::New(arguments)) => new::run(common, arguments),
        Command::Config(cli::Config::Check) => config::check(common),
        Command::Config(cli::Config::Show) => config::show(common),
    };
    match done {
        Ok(exit) => exit.into(),
        Err(error) => {
            let mut text = format!("fingerpost: {}\n", chain_of(&error));
            if to_the_journal() {
                text = text.lines().map(|line| format!("<3>{line}\n")).collect();
            }
            // Standard error is all there is; when it is gone nobody can be told.
            let _ = io::stderr().write_all(shown::terminal(&text, false).as_bytes());
            error.exit().into()
        }
    }
}

/// Prints what the command line's parser says; its errors exit with 64, help and version with 0.
pub fn usage(error: &clap::Error) -> ExitCode {
    let _ = error.print();
    if error.use_stderr() { Exit::Usage.into() } else { Exit::Done.into() }
}

/// Sends the log to standard error: for the journal with its priorities and without times, else for people.
pub fn logging(cli: &Cli) {
    let common = &cli.common;
    let level = match (common.quiet, common.verbose) {
        // The rehearsal tells its story itself.
        (_, 0) if matches!(cli.command, Command::Rehearse { .. }) => Level::ERROR,
        (true, _) => Level::WARN,
        (_, 0) => Level::INFO,
        (_, 1) => Level::DEBUG,
        _ => Level::TRACE,
    };
    let colour = !to_the_journal()
        && io::stderr().is_terminal()
        && std::env::var_os("NO_COLOR").is_none_or(|value| value.is_empty());
    let builder = tracing_subscriber::fmt()
        .with_max_level(level)
        .with_writer(move || Through { to: io::stderr(), colour })
        .with_target(false)
        // They would go to the same place, by a macro that panics there: a full disk or a reader that is gone.
        .log_internal_errors(false);
    // A second subscriber is refused; there is only this one.
    let _ = if to_the_journal() {
        builder.event_format(say::Journal).try_init()
    } else {
        builder.with_ansi(colour).try_init()
    };
}

/// Whether standard error leads to the journal. The variable alone says nothing: whatever a service starts inherits
/// it, so it tells device and inode of the stream that is meant (systemd.exec(5), `$JOURNAL_STREAM`).
fn to_the_journal() -> bool {
    let Ok(told) = std::env::var("JOURNAL_STREAM") else { return false };
    rustix::fs::fstat(io::stderr()).is_ok_and(|stat| told == format!("{}:{}", stat.st_dev, stat.st_ino))
}

fn load(common: &Common) -> Result<Loaded, ConfigError> {
    load::load(&Sources::from_environment(common.config.clone(), common.state_dir.clone()))
}

/// For a command that signs and sends nothing.
fn load_to_look(common: &Common) -> Result<Loaded, ConfigError> {
    let sources = Sources::from_environment(common.config.clone(), common.state_dir.clone());
    load::load(&Sources { looking_only: true, ..sources })
}

/// Where the state is, of a configuration that need not hold.
fn state_dir(common: &Common) -> PathBuf {
    load::state_dir(&Sources::from_environment(common.config.clone(), common.state_dir.clone()))
}

/// Runs `work` on the one thread that this program has.
fn block_on<T>(work: impl Future<Output = T>) -> Result<T, CommandError> {
    let runtime = tokio::runtime::Builder::new_current_thread()
        .enable_all()
        .build_local(LocalOptions::default())
        .map_err(|error| CommandError::Io("start the runtime", error))?;
    let done = runtime.block_on(work);
    // The system's resolver runs on threads that cannot be stopped. Without DNS it takes half a minute, for an answer
    // that nobody waits for any more: neither should the end.
    runtime.shutdown_background();
    Ok(done)
}

fn print(text: &str) -> Result<(), CommandError> {
    let mut out = io::stdout().lock();
    let text = shown::terminal(text, io::stdout().is_terminal());
    match out.write_all(text.as_bytes()).and_then(|()| out.flush()) {
        // A reader that has seen enough, such as `head`, is no error.
        Err(error) if error.kind() == io::ErrorKind::BrokenPipe => Ok(()),
        done => done.map_err(|error| CommandError::Io("write to standard output", error)),
    }
}

fn print_json(value: &impl serde::Serialize) -> Result<(), CommandError> {
    print(&format!("{}\n", shown::json(&serde_json::to_string_pretty(value)?)))
}

/// The exit status that a round deserves: the gravest thing in it. `held_back` is whether something that was agreed on
/// is not published, because the home cannot be reached there.
fn verdict(looks: &[Look], reports: &[Report], held_back: bool) -> Exit {
    let mut exit = Exit::Done;
    let mut weigh = |candidate: Exit| {
        // What needs a person outweighs what passes; a disk that cannot be written outweighs both.
        let grave = |exit| match exit {
            Exit::Done => 0,
            Exit::NoRuling => 1,
            Exit::PutOff => 2,
            Exit::Refused => 3,
            _ => 4,
        };
        if grave(candidate) > grave(exit) {
            exit = candidate;
        }
    };
    // A line may be down as long as another one of the family is not.
    let agreed = |look: &&Look| matches!(look.ruling.outcome, Outcome::Agreed(_));
    if looks.iter().any(|look| !looks.iter().filter(agreed).any(|other| other.family == look.family)) {
        weigh(Exit::NoRuling);
    }
    if held_back {
        weigh(Exit::Refused);
    }
    for report in reports {
        match &report.trouble {
            Some(Trouble::NoBooks { .. }) => weigh(Exit::CannotWrite),
            Some(
                Trouble::Unproven { .. } | Trouble::Refused { .. } | Trouble::Held { .. } | Trouble::NoLease { .. },
            ) => weigh(Exit::Refused),
            Some(Trouble::Passing { .. } | Trouble::StandingBy { .. }) => weigh(Exit::PutOff),
            None => {}
        }
        for record in &report.records {
            match &record.standing {
                RecordState::Blocked { .. } => weigh(Exit::Refused),
                RecordState::Adrift { why: Some(_) } => weigh(Exit::PutOff),
                RecordState::Adrift { why: None } | RecordState::InStep | RecordState::Spreading { .. } => {}
            }
        }
    }
    exit
}

#[cfg(test)]
mod tests {
    use std::sync::mpsc;
    use std::time::Duration;

    #[test]
    fn the_end_does_not_wait_for_a_resolver_that_hangs() {
        let (answer, hanging) = mpsc::channel::<()>();
        let (begun, begins) = tokio::sync::oneshot::channel();
        let (given_up, gave_up) = mpsc::channel();
        let work = async move {
            drop(tokio::task::spawn_blocking(move || {
                let _ = begun.send(());
                let _ = given_up.send(hanging.recv_timeout(Duration::from_secs(20)).is_err());
            }));
            begins.await
        };
        super::block_on(work).unwrap().unwrap();
        answer.send(()).unwrap();
        assert_eq!(gave_up.recv(), Ok(false), "the end came after the resolver's");
    }
}
