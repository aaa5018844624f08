//! Asks the daemon of this machine over its control socket. Blocks; has an end to everything but following.

use std::io::{self, BufRead, BufReader, Read, Write};
use std::os::unix::net::UnixStream;
use std::path::{Path, PathBuf};
use std::time::Duration;

use super::{SOCKET, Status};

/// The longest answer that is read, in bytes: ten thousand records with a hundred times their usual words.
const LIMIT: u64 = 64 << 20;
/// How long nothing may come. Whoever follows hears a pulse every 15 seconds.
const PATIENCE: Duration = Duration::from_secs(60);
/// How often in a row a talk that breaks off at once is begun anew.
const TRIES: usize = 3;

/// Why there is no answer.
#[derive(Debug, thiserror::Error)]
pub enum AskError {
    /// No daemon listens there.
    #[error("no daemon runs on {}; start it (sudo systemctl enable --now fingerpost, or fingerpost daemon)", dir.display())]
    Nobody {
        /// The state directory.
        dir: PathBuf,
    },
    /// This user may not ask.
    #[error("{} may not be opened; run this as root (sudo), or as the user that runs the daemon", socket.display())]
    Forbidden {
        /// The socket.
        socket: PathBuf,
    },
    /// The talk broke off.
    #[error("the daemon at {} does not answer", socket.display())]
    Broken {
        /// The socket.
        socket: PathBuf,
        /// What happened.
        source: io::Error,
    },
    /// The answer makes no sense.
    #[error("the daemon's answer cannot be read: {why}; is it of another version? restart it")]
    Strange {
        /// Why not.
        why: String,
    },
}

/// What the daemon whose state directory is `dir` knows.
///
/// # Errors
/// [`AskError`].
pub fn status(dir: &Path) -> Result<Status, AskError> {
    let socket = dir.join(SOCKET);
    let broken = |source| AskError::Broken { socket: socket.clone(), source };
    let mut answer = Vec::new();
    open(dir, "/status.json")?.take(LIMIT).read_to_end(&mut answer).map_err(broken)?;
    let strange = |why: &str| AskError::Strange { why: why.to_owned() };
    let end = answer.windows(4).position(|end| end == b"\r\n\r\n").ok_or_else(|| strange("it is not whole"))?;
    if !answer.starts_with(b"HTTP/1.1 200 ") {
        let line = answer.split(|byte| *byte == b'\r').next().unwrap_or_default();
        return Err(strange(&String::from_utf8_lossy(line)));
    }
    serde_json::from_slice(answer.get(end + 4..).unwrap_or_default()).map_err(|error| strange(&error.to_string()))
}

/// Calls `each` whenever something is new, the first time at once; returns when the daemon ends, or `each` says false.
///
/// The daemon ends each stream of news after a while; then it is asked again.
///
/// # Errors
/// [`AskError`].
pub fn follow(dir: &Path, mut each: impl FnMut() -> Result<bool, AskError>) -> Result<(), AskError> {
    let mut before = Vec::new();
    let mut was_there = false;
    let mut tries = 0;
    loop {
        match hear(dir, &mut before, &mut each) {
            Ok(Heard::Enough) => return Ok(()),
            Ok(Heard::End) => (was_there, tries) = (true, 0),
            Err(AskError::Nobody { .. }) if was_there => return Ok(()),
            // While it ends it may still take one in, and then say nothing.
            Err(AskError::Broken { .. }) if was_there && tries < TRIES => tries += 1,
            Err(error) => return Err(error),
        }
    }
}

/// How one stream of news came to its end.
enum Heard {
    /// By whoever listens.
    Enough,
    /// By the daemon.
    End,
}

/// Listens to one stream of news; `before` is the newest that was heard.
fn hear(
    dir: &Path,
    before: &mut Vec<u8>,
    each: &mut impl FnMut() -> Result<bool, AskError>,
) -> Result<Heard, AskError> {
    let socket = dir.join(SOCKET);
    let broken = |source| AskError::Broken { socket: socket.clone(), source };
    let mut stream = BufReader::new(open(dir, "/events")?);
    let mut line = Vec::new();
    let mut next = |line: &mut Vec<u8>| {
        line.clear();
        stream.by_ref().take(LIMIT).read_until(b'\n', line).map_err(broken)
    };
    if next(&mut line)? == 0 {
        return Err(broken(io::ErrorKind::UnexpectedEof.into()));
    }
    if !line.starts_with(b"HTTP/1.1 200 ") {
        return Err(AskError::Strange { why: String::from_utf8_lossy(&line).trim_end().to_owned() });
    }
    while next(&mut line)? > 0 {
        if line.starts_with(b"data:") && line != *before {
            before.clone_from(&line);
            if !each()? {
                return Ok(Heard::Enough);
            }
        }
    }
    Ok(Heard::End)
}

fn open(dir: &Path, path: &str) -> Result<UnixStream, AskError> {
    let socket = dir.join(SOCKET);
    let mut stream = UnixStream::connect(&socket).map_err(|source| match source.kind() {
        io::ErrorKind::NotFound | io::ErrorKind::ConnectionRefused => AskError::Nobody { dir: dir.to_owned() },
        io::ErrorKind::PermissionDenied => AskError::Forbidden { socket: socket.clone() },
        _ => AskError::Broken { socket: socket.clone(), source },
    })?;
    let broken = |source| AskError::Broken { socket: socket.clone(), source };
    stream.set_read_timeout(Some(PATIENCE)).map_err(broken)?;
    stream.set_write_timeout(Some(PATIENCE)).map_err(broken)?;
    stream.write_all(format!("GET {path} HTTP/1.0\r\n\r\n").as_bytes()).map_err(broken)?;
    Ok(stream)
}

#[cfg(test)]
mod tests;
