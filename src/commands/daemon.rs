//! `fingerpost daemon`: wires the loop to the machine's signals, clock and service manager.

use tokio::signal::unix::{SignalKind, signal};
use tokio::sync::{mpsc, watch};

use super::{CommandError, Exit, block_on, load};
use crate::cli::Common;
use crate::clock;
use crate::daemon::{self, Notifier, Surroundings, Trigger};
use crate::status::Snapshot;

pub(super) fn run(common: &Common) -> Result<Exit, CommandError> {
    block_on(async {
        let triggers = signals().map_err(|error| CommandError::Io("listen for signals", error))?;
        let around = Surroundings {
            triggers,
            notifier: Notifier::ServiceManager,
            snapshot: watch::Sender::new(Snapshot::default()),
            clock: clock::system(),
            random: fastrand::Rng::new(),
        };
        daemon::run(|| load(common), around).await?;
        Ok(Exit::Done)
    })?
}

fn signals() -> std::io::Result<mpsc::Receiver<Trigger>> {
    let (tell, triggers) = mpsc::channel(8);
    let mut term = signal(SignalKind::terminate())?;
    let mut int = signal(SignalKind::interrupt())?;
    let mut hup = signal(SignalKind::hangup())?;
    let mut usr1 = signal(SignalKind::user_defined1())?;
    // Its end is watched: the loop takes a closed channel for an error.
    tokio::spawn(async move {
        loop {
            let (came, trigger) = tokio::select! {
                came = term.recv() => (came, Trigger::Stop),
                came = int.recv() => (came, Trigger::Stop),
                came = hup.recv() => (came, Trigger::Reload),
                came = usr1.recv() => (came, Trigger::Round),
            };
            if came.is_none() || tell.send(trigger).await.is_err() {
                return;
            }
        }
    });
    Ok(triggers)
}
