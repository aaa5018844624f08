//! The daemon as a child process, and the service manager's end of its socket.

use std::io::Read;
use std::os::unix::net::UnixDatagram;
use std::path::Path;
use std::process::{Child, Command};
use std::sync::{Arc, Mutex};
use std::time::Duration;

use rustix::process::{Pid, Signal, kill_process};

use crate::mill::{Mill, wait_until};

/// A running daemon; it ends with this value.
pub(crate) struct Daemon {
    child: Child,
    log: Arc<Mutex<Vec<u8>>>,
}

impl Daemon {
    pub(crate) fn start(mill: &Mill) -> Self {
        Self::spawn(&mut mill.command(&[], &["daemon"]))
    }

    pub(crate) fn spawn(command: &mut Command) -> Self {
        let mut child = command.spawn().unwrap();
        let log = Arc::new(Mutex::new(Vec::new()));
        let (mut stderr, kept) = (child.stderr.take().unwrap(), log.clone());
        std::thread::spawn(move || {
            let mut buffer = [0; 4096];
            while let Ok(count @ 1..) = stderr.read(&mut buffer) {
                kept.lock().unwrap().extend(&buffer[..count]);
            }
        });
        Self { child, log }
    }

    pub(crate) fn pid(&self) -> u32 {
        self.child.id()
    }

    pub(crate) fn signal(&self, signal: Signal) {
        kill_process(Pid::from_child(&self.child), signal).unwrap();
    }

    /// Asks for a round now.
    pub(crate) fn look(&self) {
        self.signal(Signal::USR1);
    }

    pub(crate) fn log(&self) -> String {
        String::from_utf8(self.log.lock().unwrap().clone()).unwrap()
    }

    /// Waits until the log holds `text`.
    #[track_caller]
    pub(crate) fn says(&self, text: &str) {
        wait_until(&format!("the log with {text:?}"), Ok(()), || {
            let log = self.log();
            if log.contains(text) { Ok(()) } else { Err(log) }
        });
    }

    /// Waits for its end, and returns its status and log.
    #[track_caller]
    pub(crate) fn ends(mut self) -> (i32, String) {
        let child = Mutex::new(&mut self.child);
        wait_until("the end of the daemon", false, || child.lock().unwrap().try_wait().unwrap().is_none());
        let status = self.child.wait().unwrap().code().expect("a signal ended it");
        // The thread that reads holds the other half until the pipe's end.
        wait_until("the end of the log", 1, || Arc::strong_count(&self.log));
        (status, self.log())
    }

    /// Tells it to stop, holds it to ending well, and returns its log.
    #[track_caller]
    pub(crate) fn stop(self) -> String {
        self.signal(Signal::TERM);
        let (status, log) = self.ends();
        assert_eq!(status, 0, "{log}");
        log
    }
}

impl Drop for Daemon {
    fn drop(&mut self) {
        let _ = self.child.kill();
        let _ = self.child.wait();
    }
}

/// The service manager's end of the socket of sd_notify(3).
pub(crate) struct Manager(UnixDatagram);

impl Manager {
    pub(crate) fn listen(path: &Path) -> Self {
        let socket = UnixDatagram::bind(path).unwrap();
        socket.set_read_timeout(Some(Duration::from_secs(30))).unwrap();
        Self(socket)
    }

    /// The next message.
    #[track_caller]
    pub(crate) fn hear(&self) -> String {
        let mut buffer = [0; 4096];
        let count = self.0.recv(&mut buffer).expect("the service manager was told nothing more");
        String::from_utf8(buffer[..count].to_vec()).unwrap().trim_end().to_owned()
    }

    /// Waits for a message that begins with `text`; returns it and all before it.
    #[track_caller]
    pub(crate) fn hear_until(&self, text: &str) -> Vec<String> {
        let mut heard = Vec::new();
        loop {
            heard.push(self.hear());
            if heard.last().unwrap().starts_with(text) {
                return heard;
            }
            assert!(heard.len() < 1000, "no {text:?} in {heard:?}");
        }
    }
}
