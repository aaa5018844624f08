//! The whole job on one machine, over real sockets on loopback, by the very code of the daemon.
//!
//! Opens sockets on 127.0.0.1, and writes into a temporary directory of its own that it removes at the end.
//! [`dns`] and [`echo`] are the outside world, `stage` puts the daemon among them, and `story` is what happens.

pub mod dns;
pub mod echo;
mod stage;
mod story;
pub mod zone;

use std::io::Write as _;

use serde::Serialize;

use crate::audit::file::AuditError;
use crate::config::load::ConfigError;
use crate::daemon::DaemonError;
use crate::watch::WatchError;

/// Why a rehearsal did not end well.
#[derive(Debug, thiserror::Error)]
pub enum RehearsalError {
    /// A claim of the story did not hold.
    #[error("this should hold, and does not: {0}; please report it")]
    LeaseRecord(String),
    /// Something did not happen in time.
    #[error("waited in vain for {0}; is this machine very busy?")]
    Waited(&'static str),
    /// The daemon ended by itself.
    #[error("the daemon of the rehearsal is not running; please report this")]
    NoDaemon,
    /// Sockets or files could not be had.
    #[error("cannot set the stage; the rehearsal needs ports on 127.0.0.1 and room in the temporary directory")]
    Stage(#[source] Box<dyn std::error::Error + Send + Sync>),
    /// The rehearsal's own configuration.
    #[error(transparent)]
    Config(#[from] ConfigError),
    /// The witnesses.
    #[error(transparent)]
    Watch(#[from] WatchError),
    /// The daemon.
    #[error(transparent)]
    Daemon(#[from] DaemonError),
    /// The audit log.
    #[error(transparent)]
    Audit(#[from] AuditError),
}

impl RehearsalError {
    fn stage(error: impl Into<Box<dyn std::error::Error + Send + Sync>>) -> Self {
        Self::Stage(error.into())
    }
}

/// Plays the story to its end. With `json` one document is printed at the end instead of prose on the way.
/// With `keep` everything is left running, until SIGINT or SIGTERM comes. It needs a runtime that stays on one thread
/// ([`tokio::runtime::LocalRuntime`]).
pub async fn play(json: bool, keep: bool) -> Result<(), RehearsalError> {
    let mut teller = Teller { json, scenes: Vec::new() };
    let mut stage = story::tell(&mut teller).await?;
    let kept = if keep { Some(story::keep(&mut stage)?) } else { None };
    if json {
        let look = kept.as_ref().map_or(&[][..], |kept| &kept.look);
        let document = serde_json::json!({ "ok": true, "scenes": teller.scenes, "look": look });
        teller.out(&format!("{document:#}"));
    } else {
        let claims: usize = teller.scenes.iter().map(|scene| scene.claims.len()).sum();
        teller.out(&format!("\nAll {claims} claims above were checked, and hold."));
        if let Some(kept) = &kept {
            teller.prose("\nThe rehearsal goes on until Ctrl-C. In another terminal:");
            kept.look.iter().for_each(|command| teller.prose(&format!("  {command}")));
        }
    }
    match kept {
        Some(kept) => kept.until_told(stage).await,
        None => Ok(()),
    }
}

/// Tells the story, and keeps account of what was claimed.
struct Teller {
    json: bool,
    scenes: Vec<Scene>,
}

#[derive(Debug, Serialize)]
struct Scene {
    title: String,
    claims: Vec<String>,
}

impl Teller {
    /// Begins a scene.
    fn scene(&mut self, title: &str) {
        let number = self.scenes.len() + 1;
        self.scenes.push(Scene { title: title.to_owned(), claims: Vec::new() });
        self.prose(&format!("\n{number}. {title}"));
    }

    /// Says something that needs no proof: what happens next, or output of the program.
    fn prose(&self, text: &str) {
        if !self.json {
            self.out(text.trim_end());
        }
    }

    /// Shows output of the program, set off by a margin.
    fn show(&self, text: &str) {
        for line in text.lines() {
            self.prose(&format!("   | {line}"));
        }
    }

    /// Says what is so, if it is so.
    fn claim(&mut self, text: &str, holds: bool) -> Result<(), RehearsalError> {
        if !holds {
            return Err(RehearsalError::LeaseRecord(text.to_owned()));
        }
        self.prose(&format!("   checked: {text}"));
        if let Some(scene) = self.scenes.last_mut() {
            scene.claims.push(text.to_owned());
        }
        Ok(())
    }

    fn out(&self, text: &str) {
        // A reader that went away ends the telling, not the checking.
        let _ = writeln!(std::io::stdout(), "{text}");
    }
}
