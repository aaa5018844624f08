//! The whole job on one machine, over real sockets on loopback, by the very code of the daemon.

pub mod dns;
pub mod zone;

/// Why a rehearsal did not end well.
#[derive(Debug, thiserror::Error)]
pub enum RehearsalError {}

/// Plays it.
pub async fn play(_json: bool, _keep: bool) -> Result<(), RehearsalError> {
    Ok(())
}
