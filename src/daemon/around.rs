//! What surrounds the daemon: why it acts, whom it tells, and why it ends.

use std::path::PathBuf;
use std::time::Duration;

use sd_notify::NotifyState;
use tokio::sync::{mpsc, watch};

use super::Snapshot;
use crate::clock::Clock;
use crate::config::load::ConfigError;
use crate::round::RoundError;

/// A reason to act now.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Trigger {
    /// Look now (SIGUSR1).
    Round,
    /// Read the configuration again (SIGHUP).
    Reload,
    /// Finish what is in flight, and end (SIGTERM, SIGINT).
    Stop,
}

/// Why the daemon ends, other than by being asked to.
#[derive(Debug, thiserror::Error)]
pub enum DaemonError {
    /// The configuration does not hold.
    #[error(transparent)]
    Config(#[from] ConfigError),
    /// The first round cannot begin.
    #[error(transparent)]
    Round(#[from] RoundError),
    /// Root would leave files behind that the service cannot use, and do there what another user wants.
    #[error(
        "{} belongs to {who}, and a daemon of root's must not keep it: run it as that user (sudo -u {who} fingerpost daemon), \
         or as the service (systemctl start fingerpost), or give root a directory of its own (--state-dir)", path.display()
    )]
    Theirs {
        /// The state directory.
        path: PathBuf,
        /// Its user, as `sudo -u` takes one.
        who: String,
    },
    /// The task that listens for signals is gone.
    #[error("the task that listens for signals ended by itself; please report this")]
    Deaf,
    /// A task ended that goes on for as long as the daemon does.
    #[error("the task that {0} ended by itself; please report this")]
    Ended(String),
    /// The asking came to a bad end.
    #[error("the task that asks the servers of a zone ended by itself; please report this")]
    Confirming(#[from] tokio::task::JoinError),
}

/// How the service manager is told. Without one, nobody is.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Notifier {
    /// By `sd_notify(3)`.
    ServiceManager,
    /// Nobody: a test, or the rehearsal.
    Nobody,
}

impl Notifier {
    pub(crate) fn tell(self, what: &[NotifyState<'_>]) {
        if self == Self::ServiceManager
            && let Err(error) = sd_notify::notify(what)
        {
            tracing::debug!("the service manager was not told: {error}");
        }
    }

    pub(super) fn watchdog(self) -> Option<Duration> {
        if self == Self::ServiceManager { sd_notify::watchdog_enabled() } else { None }
    }
}

/// What surrounds the daemon.
pub struct Surroundings {
    /// Reasons to act. The sender's end is an error.
    pub triggers: mpsc::Receiver<Trigger>,
    /// Who is told of readiness and life.
    pub notifier: Notifier,
    /// Where snapshots go.
    pub snapshot: watch::Sender<Snapshot>,
    /// The time.
    pub clock: Clock,
    /// The randomness behind jitter.
    pub random: fastrand::Rng,
}
