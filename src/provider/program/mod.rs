//! A program of the owner's: one JSON request on its standard input, one JSON answer on its standard output.
//!
//! May run that program. `protocol` is pure, and the pages `config/providers/program.schema.json` and
//! `config/providers/program-example.sh` are for those who write one.
//!
//! The program is believed in what it says of the zone, since nobody else can; not in its time, its size, or its form.

pub use fingerpost_core::provider::program::protocol;

use std::collections::{BTreeMap, BTreeSet};
use std::io::ErrorKind;
use std::path::Path;
use std::time::Duration;

use super::{Applied, Change, Fault, FaultKind, Grace, Observed, Pending, Provider};
use crate::name::DnsName;
use crate::process::{self, Job, NotEnded};
use crate::secret::Secret;
use protocol::{Problem, Task};

/// How long an answer may be, in bytes: a mebibyte, and a kibibyte more for each name.
const MOST: usize = 1 << 20;
const MOST_A_NAME: usize = 1 << 10;
/// The longest text that is told of what the program answered, in characters.
const TELLING: usize = 500;

/// A provider whose records are read and written by a program.
#[derive(Debug)]
pub struct Program {
    zone: DnsName,
    program: String,
    arguments: Vec<String>,
    variables: BTreeMap<String, String>,
    secret: Option<Secret>,
    timeout: Duration,
    visible_within: Duration,
}

impl Program {
    /// The zone `zone`, by `program` with `arguments`, which may take as long as `timeout`.
    ///
    /// Its environment has this process's PATH, `LANG=C`, and `variables` over these. The secret goes into the request.
    pub fn new(
        zone: DnsName,
        program: String,
        arguments: Vec<String>,
        variables: BTreeMap<String, String>,
        secret: Option<Secret>,
        timeout: Duration,
    ) -> Self {
        Self { zone, program, arguments, variables, secret, timeout, visible_within: Duration::ZERO }
    }

    /// A program that may show what it took only after `visible_within`.
    pub fn visible_within(self, visible_within: Duration) -> Self {
        Self { visible_within, ..self }
    }

    fn secret(&self) -> Result<Option<&str>, Fault> {
        let text = self.secret.as_ref().map(|secret| std::str::from_utf8(secret.expose()));
        text.transpose()
            .map_err(|_| Fault::refused("the secret is not text", "write it as text, in Base64 for example"))
    }

    /// What must not be told: the secret.
    fn hidden(&self) -> Vec<String> {
        self.secret().ok().flatten().map(str::to_owned).into_iter().collect()
    }

    /// `text` as it may be told: on one line, bounded, without the secret.
    fn clean(&self, text: &str) -> String {
        let text = crate::shown::one_line(&process::hide(text, &self.hidden()));
        if text.chars().count() <= TELLING { text } else { text.chars().take(TELLING - 1).chain(['…']).collect() }
    }

    /// Runs the program with `task` for `count` names, and returns its answer.
    async fn ask(&self, task: Task<'_>, count: usize) -> Result<Vec<u8>, Fault> {
        let input = protocol::request(task, &self.zone, self.secret()?)
            .map_err(|error| Fault::refused("the request cannot be written", "report this").caused_by(error))?;
        let mut environment = process::kept(&["PATH"]);
        environment.push(("LANG".into(), "C".into()));
        environment.extend(self.variables.iter().map(|(name, value)| (name.into(), value.into())));
        let most = MOST.saturating_add(MOST_A_NAME.saturating_mul(count));
        let job = Job {
            program: &self.program,
            arguments: &self.arguments,
            environment,
            directory: Some(Path::new("/")),
            input: Some(&input),
            most,
            limit: self.timeout,
        };
        let program = &self.program;
        let after = |said: process::Said| match said.told(&self.hidden()) {
            said if said.is_empty() => said,
            said => format!(": {said}"),
        };
        match process::run(job).await {
            Ok(ended) if ended.status.success() => Ok(ended.output),
            Ok(ended) => {
                let why = format!("{program} failed ({}){}", ended.status, after(ended.said));
                Err(unknown(task, why, BY_HAND))
            }
            Err(NotEnded::Late(said)) => {
                let limit = humantime::format_duration(self.timeout);
                let why = format!("{program} did not end within {limit}, and was ended{}", after(said));
                Err(unknown(task, why, "see what it waits for, or set a longer `timeout`"))
            }
            Err(NotEnded::Long) => {
                Err(unknown(task, format!("{program} answered more than {most} bytes, and was ended"), BY_HAND))
            }
            Err(NotEnded::Wait(error)) => {
                Err(unknown(task, format!("how {program} ended cannot be known"), "").caused_by(error))
            }
            Err(NotEnded::Start(error)) => Err(self.not_started(error)),
        }
    }

    /// It did not run, so nothing was written.
    fn not_started(&self, error: std::io::Error) -> Fault {
        let why = format!("{} cannot be run", self.program);
        let no_executable = error.raw_os_error() == Some(rustix::io::Errno::NOEXEC.raw_os_error());
        let fault = match error.kind() {
            ErrorKind::NotFound => Fault::refused(
                why,
                "correct `command`; if the file is there, see that what its first line names is too",
            ),
            ErrorKind::PermissionDenied | ErrorKind::NotADirectory | ErrorKind::ArgumentListTooLong => {
                Fault::refused(why, "let the user that runs fingerpost execute it")
            }
            _ if no_executable => Fault::refused(why, "begin a script with a line such as #!/bin/sh"),
            _ => Fault::passing(why, "see that this machine has memory and processes to spare"),
        };
        fault.caused_by(error).before_sending()
    }

    /// What the program answered is no success.
    fn judge(&self, task: Task<'_>, problem: Problem) -> Fault {
        let program = &self.program;
        match problem {
            Problem::Junk(what) => {
                let why = format!("what {program} answered cannot be used: {}", self.clean(&what));
                unknown(task, why, BY_HAND)
            }
            Problem::Fault(told) => {
                let kind = match (task, told.kind) {
                    // Nothing is written by a read.
                    (Task::Read { .. }, FaultKind::Conflict | FaultKind::InDoubt) => {
                        FaultKind::Passing { retry_after: None }
                    }
                    (_, kind) => kind,
                };
                let fault = Fault::new(kind, format!("{program}: {}", self.clean(&told.why)), self.clean(&told.remedy));
                // What it says of the host it has from the host.
                match task {
                    Task::Read { .. } => fault,
                    Task::Write { .. } => fault.after_sending().of_what_was_sent(),
                }
            }
        }
    }
}

const BY_HAND: &str =
    "run it by hand with a request as program.schema.json has it (/usr/share/doc/fingerpost/examples)";

/// How the program's run ended is not known: a read is repeated, a write may have happened.
fn unknown(task: Task<'_>, why: String, remedy: &str) -> Fault {
    match task {
        Task::Read { .. } => Fault::passing(why, remedy),
        Task::Write { .. } => Fault::new(FaultKind::InDoubt, why, remedy),
    }
}

impl Provider for Program {
    fn read<'a>(&'a self, names: &'a BTreeSet<DnsName>) -> Pending<'a, Observed> {
        Box::pin(async move {
            let task = Task::Read { names };
            let answer = self.ask(task, names.len()).await?;
            protocol::observed(&answer, &self.zone, names).map_err(|problem| self.judge(task, problem))
        })
    }

    fn apply<'a>(&'a self, changes: &'a [Change]) -> Pending<'a, Applied> {
        Box::pin(async move {
            if changes.is_empty() {
                return Ok(Applied::default());
            }
            let task = Task::Write { changes };
            let answer = self.ask(task, changes.len()).await?;
            let applied = protocol::applied(&answer).map_err(|problem| self.judge(task, problem))?;
            Ok(Applied { detail: self.clean(&applied.detail) })
        })
    }

    fn grace(&self) -> Grace {
        Grace::Visibility(self.visible_within)
    }

    fn target(&self) -> String {
        self.program.clone()
    }

    fn means(&self, count: usize) -> String {
        let changes = if count == 1 { "change" } else { "changes" };
        format!("{count} {changes} by the program {}", self.program)
    }
}
