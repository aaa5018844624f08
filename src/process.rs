//! Runs another program: no shell, an environment of its own, bounded time, output and words.
//!
//! It runs in a process group of its own. Whoever is late or says too much is ended with all that it started, also what has
//! taken a session of its own; what a program leaves behind when it ends by itself goes on.

mod start;
mod tree;

use std::ffi::OsString;
use std::path::Path;
use std::process::{ExitStatus, Stdio};
use std::time::Duration;

use rustix::process::{Pid, Signal, kill_process_group};
use tokio::io::{AsyncRead, AsyncReadExt, AsyncWriteExt};
use tokio::process::{Child, Command};

use crate::aside::aside;
use crate::shown;
use start::Start;
pub(crate) use start::places;
use tree::Tree;

/// How much of what the program says on standard error is told, in bytes.
const TOLD: usize = 512;
/// How much of it is kept: room for what is hidden from the telling.
const KEPT: usize = TOLD + 2 * 4096;

/// What is to be run.
pub(crate) struct Job<'a> {
    /// The program; one without a `/` is looked for in this process's PATH.
    pub(crate) program: &'a str,
    /// Its arguments.
    pub(crate) arguments: &'a [String],
    /// Its whole environment.
    pub(crate) environment: Vec<(OsString, OsString)>,
    /// Its working directory; `None` for that of this process.
    pub(crate) directory: Option<&'a Path>,
    /// What it reads on standard input; `None` for nothing.
    pub(crate) input: Option<&'a [u8]>,
    /// How many bytes it may write to standard output, which is not read at all when it is none.
    pub(crate) most: usize,
    /// How long it may take.
    pub(crate) limit: Duration,
}

/// What a program that ended by itself left.
pub(crate) struct Ended {
    /// How it ended.
    pub(crate) status: ExitStatus,
    /// What it wrote to standard output.
    pub(crate) output: Vec<u8>,
    /// The end of what it wrote to standard error.
    pub(crate) said: Said,
}

/// Why there is no [`Ended`].
pub(crate) enum NotEnded {
    /// It could not be started, so it did nothing.
    Start(std::io::Error),
    /// It could not be waited for.
    Wait(std::io::Error),
    /// It did not end in time, and was ended.
    Late(Said),
    /// It wrote more to standard output than it may, and was ended.
    Long,
}

/// The end of what a program wrote to standard error.
#[derive(Default)]
pub(crate) struct Said {
    bytes: Vec<u8>,
}

impl Said {
    fn add(&mut self, bytes: &[u8]) {
        self.bytes.extend_from_slice(bytes);
        let over = self.bytes.len().saturating_sub(KEPT);
        self.bytes.drain(..over);
    }

    /// Its last words on one line, none of `hidden` among them.
    pub(crate) fn told(&self, hidden: &[String]) -> String {
        let text = shown::one_line(&hide(&String::from_utf8_lossy(&self.bytes), hidden));
        let mut ends = (text.len().saturating_sub(TOLD)..=text.len()).filter_map(|start| text.get(start..));
        ends.next().unwrap_or_default().to_owned()
    }
}

/// `text` with each of `hidden` taken out.
pub(crate) fn hide(text: &str, hidden: &[String]) -> String {
    shown::without(text, hidden.iter().map(String::as_bytes))
}

/// Variables of this process that are harmless to hand on, of those called `names`.
pub(crate) fn kept(names: &[&str]) -> Vec<(OsString, OsString)> {
    names.iter().filter_map(|name| Some(((*name).into(), std::env::var_os(name)?))).collect()
}

/// Runs `job` to its end.
pub(crate) async fn run(job: Job<'_>) -> Result<Ended, NotEnded> {
    let pipe_if = |wanted| if wanted { Stdio::piped() } else { Stdio::null() };
    let start = Start::new(job.program, job.arguments, &job.environment).map_err(NotEnded::Start)?;
    let mut command = Command::new(job.program);
    command
        .args(job.arguments)
        .env_clear()
        .envs(job.environment)
        .stdin(pipe_if(job.input.is_some()))
        .stdout(pipe_if(job.most > 0))
        .stderr(Stdio::piped())
        .process_group(0)
        .kill_on_drop(true);
    if let Some(directory) = job.directory {
        command.current_dir(directory);
    }
    // SAFETY: what is called between fork and exec calls the system and nothing else.
    #[expect(
        unsafe_code,
        reason = "a child says of itself what is to become of its own, and no shell is to be involved"
    )]
    unsafe {
        command.pre_exec(move || Err(start.become_it()));
    }
    let mut group = Group::new(command.spawn().map_err(NotEnded::Start)?);
    let (stdin, stdout, stderr) = (group.child.stdin.take(), group.child.stdout.take(), group.child.stderr.take());
    let (mut output, mut said) = (Vec::new(), Said::default());
    let ended = tokio::time::timeout(job.limit, async {
        // All at once, or a full pipe would stop the program.
        let mut talking = Box::pin(async {
            let feed = async {
                if let (Some(mut stdin), Some(input)) = (stdin, job.input) {
                    // A program that does not read all of it is judged by what it answers.
                    let _ = stdin.write_all(input).await;
                }
                Ok(())
            };
            let answer = hear(stdout, |bytes| {
                output.extend_from_slice(bytes);
                output.len() <= job.most
            });
            let words = hear(stderr, |bytes| {
                said.add(bytes);
                true
            });
            tokio::try_join!(feed, answer, words)
        });
        tokio::select! {
            biased;
            talked = &mut talking => match talked {
                Ok(_) => group.child.wait().await.map_err(NotEnded::Wait),
                Err(TooMuch) => Err(NotEnded::Long),
            },
            status = group.child.wait() => {
                // A process it left behind may hold the pipes open: what was said by now is all that is waited for.
                match tokio::time::timeout(Duration::from_millis(100), talking).await {
                    Ok(Err(TooMuch)) => Err(NotEnded::Long),
                    _ => status.map_err(NotEnded::Wait),
                }
            }
        }
    })
    .await;
    match ended {
        Ok(Ok(status)) => Ok(Ended { status, output, said }),
        Ok(Err(error)) => {
            group.end().await;
            Err(error)
        }
        Err(_) => {
            group.end().await;
            Err(NotEnded::Late(said))
        }
    }
}

/// More was written than may be.
struct TooMuch;

/// Reads to the end, unless `take` has enough.
async fn hear(from: Option<impl AsyncRead + Unpin>, mut take: impl FnMut(&[u8]) -> bool) -> Result<(), TooMuch> {
    let Some(mut from) = from else { return Ok(()) };
    let mut buffer = vec![0; 16 * 1024];
    while let Ok(count @ 1..) = from.read(&mut buffer).await {
        if !take(buffer.get(..count).unwrap_or_default()) {
            return Err(TooMuch);
        }
    }
    Ok(())
}

/// A child with all that it started; they end with this value, unless the child was waited for.
struct Group {
    child: Child,
    tree: Option<Tree>,
}

impl Group {
    fn new(child: Child) -> Self {
        let mut group = Self { child, tree: None };
        group.tree = group.leader().and_then(Tree::of);
        group
    }

    /// Its number is its own only until it has been waited for; then there is none.
    fn leader(&self) -> Option<Pid> {
        self.child.id().and_then(|id| Pid::from_raw(id.try_into().ok()?))
    }

    fn end_group(&self) {
        if let Some(pid) = self.leader() {
            // It may have ended by itself just now.
            let _ = kill_process_group(pid, Signal::KILL);
        }
    }

    async fn end(&mut self) {
        if let (Some(tree), Some(_)) = (self.tree, self.leader()) {
            // To look at all processes takes its time. Whoever gives this up meanwhile does the same in `drop`.
            aside(move || tree.end()).await;
        }
        self.end_group();
        let _ = self.child.kill().await;
    }
}

impl Drop for Group {
    fn drop(&mut self) {
        if let (Some(tree), Some(_)) = (self.tree, self.leader()) {
            tree.end();
        }
        self.end_group();
    }
}

#[cfg(test)]
mod tests {
    use proptest::prelude::*;

    use super::*;

    #[test]
    fn the_last_words_are_told_on_one_line() {
        let mut said = Said::default();
        said.add("first\nsecond\t\u{1b}[1m word\r\n".as_bytes());
        assert_eq!(said.told(&[]), "first second [1m word");
        said.add(&[b'w'; KEPT]);
        said.add("é end".as_bytes());
        let told = said.told(&[]);
        assert!(told.ends_with("wwé end") && told.len() == TOLD, "{told}");
    }

    proptest! {
        /// However it is cut, not eight letters of the secret in a row are told.
        #[test]
        fn a_secret_is_never_told(parts in prop::collection::vec((any::<bool>(), 0..4000usize), 1..12), grain in 1..5000usize) {
            let secret = "correct-horse-battery-staple-0123456789".repeat(20);
            let text: String =
                parts.iter().map(|(secretly, length)| if *secretly { secret.clone() } else { "w ".repeat(*length) }).collect();
            let mut said = Said::default();
            for piece in text.as_bytes().chunks(grain) {
                said.add(piece);
            }
            let told = said.told(std::slice::from_ref(&secret));
            let shown = secret.as_bytes().windows(8).any(|part| told.contains(std::str::from_utf8(part).unwrap()));
            prop_assert!(!shown, "{told}");
        }
    }
}
