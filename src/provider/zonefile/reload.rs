//! Runs a reload command.

use std::time::Duration;

use crate::process::{self, Job, NotEnded};

/// Why the reload command did not do its work.
#[derive(Debug, thiserror::Error)]
pub(crate) enum ReloadError {
    /// It could not be started, or not be waited for.
    #[error("the reload command {program} cannot be run: {error}")]
    Start { program: String, error: std::io::Error },
    /// It did not end in time, and was ended.
    #[error("the reload command {program} did not end within {}{}", humantime::format_duration(*limit), after(said))]
    Late { program: String, limit: Duration, said: String },
    /// It failed.
    #[error("the reload command {program} failed ({status}){}", after(said))]
    Failed { program: String, status: std::process::ExitStatus, said: String },
}

fn after(said: &str) -> String {
    if said.is_empty() { String::new() } else { format!(": {said}") }
}

/// Runs `command` to its end, for at most `limit`. An empty command succeeds.
///
/// Of the environment it sees PATH and HOME only: secrets may be in the rest.
pub(crate) async fn reload(command: &[String], limit: Duration) -> Result<(), ReloadError> {
    let Some((program, arguments)) = command.split_first() else { return Ok(()) };
    let environment = process::kept(&["PATH", "HOME"]);
    let job = Job { program, arguments, environment, directory: None, input: None, most: 0, limit };
    let program = program.clone();
    match process::run(job).await {
        Ok(ended) if ended.status.success() => Ok(()),
        Ok(ended) => Err(ReloadError::Failed { program, status: ended.status, said: ended.said.told(&[]) }),
        Err(NotEnded::Start(error) | NotEnded::Wait(error)) => Err(ReloadError::Start { program, error }),
        Err(NotEnded::Late(said)) => Err(ReloadError::Late { program, limit, said: said.told(&[]) }),
        // Its standard output is not read.
        Err(NotEnded::Long) => Err(ReloadError::Start { program, error: std::io::ErrorKind::FileTooLarge.into() }),
    }
}
