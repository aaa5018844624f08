//! Runs the reload command: program and arguments, no shell, little environment, bounded time and output.

use std::process::Stdio;
use std::time::Duration;

use tokio::io::AsyncReadExt;
use tokio::process::Command;

/// How much of what the command says on standard error is told, in bytes.
const TOLD: usize = 512;

/// Why the reload command did not do its work.
#[derive(Debug, thiserror::Error)]
pub(super) enum ReloadError {
    /// It could not be started, or not be waited for.
    #[error("the reload command {program} cannot be run: {error}")]
    Start { program: String, error: std::io::Error },
    /// It did not end in time, and was ended.
    #[error("the reload command {program} did not end within {}", humantime::format_duration(*limit))]
    Late { program: String, limit: Duration },
    /// It failed.
    #[error("the reload command {program} failed ({status}){}{said}", if said.is_empty() { "" } else { ": " })]
    Failed { program: String, status: std::process::ExitStatus, said: String },
}

/// Runs `command` to its end, for at most `limit`. An empty command succeeds.
///
/// Of the environment it sees PATH and HOME only: secrets may be in the rest.
pub(super) async fn reload(command: &[String], limit: Duration) -> Result<(), ReloadError> {
    let Some((program, arguments)) = command.split_first() else { return Ok(()) };
    let start = |error| ReloadError::Start { program: program.clone(), error };
    let kept = ["PATH", "HOME"].into_iter().filter_map(|name| Some((name, std::env::var_os(name)?)));
    let mut child = Command::new(program)
        .args(arguments)
        .env_clear()
        .envs(kept)
        .stdin(Stdio::null())
        .stdout(Stdio::null())
        .stderr(Stdio::piped())
        .kill_on_drop(true)
        .spawn()
        .map_err(start)?;
    let mut stderr = child.stderr.take();
    let mut said = Vec::new();
    let ended = tokio::time::timeout(limit, async {
        // Read while waiting, or a full pipe would stop the command; to the end, although only the head is told.
        let mut listening = Box::pin(listen(&mut stderr, &mut said));
        tokio::select! {
            biased;
            () = &mut listening => child.wait().await,
            status = child.wait() => {
                // A process it left behind may hold the pipe open: what was said by now is all that is waited for.
                let _ = tokio::time::timeout(Duration::from_millis(100), listening).await;
                status
            }
        }
    })
    .await;
    match ended {
        Ok(Ok(status)) if status.success() => Ok(()),
        Ok(Ok(status)) => {
            let said = String::from_utf8_lossy(&said).split_whitespace().collect::<Vec<_>>().join(" ");
            Err(ReloadError::Failed { program: program.clone(), status, said })
        }
        Ok(Err(error)) => Err(start(error)),
        Err(_) => {
            // It may have ended by itself just now; either way it is gone when this returns.
            let _ = child.kill().await;
            Err(ReloadError::Late { program: program.clone(), limit })
        }
    }
}

async fn listen(stderr: &mut Option<tokio::process::ChildStderr>, said: &mut Vec<u8>) {
    let Some(stderr) = stderr else { return };
    let mut buffer = [0; TOLD];
    while let Ok(count @ 1..) = stderr.read(&mut buffer).await {
        let heard = buffer.get(..count).unwrap_or_default();
        said.extend(heard.iter().take(TOLD.saturating_sub(said.len())));
    }
}
