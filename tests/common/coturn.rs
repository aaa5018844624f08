//! coturn as a STUN server on both loopback addresses.

use std::fs;
use std::net::UdpSocket;
use std::process::{Child, Command, Stdio};
use std::time::{Duration, Instant};

use fingerpost::watch::stun::message;
use tempfile::TempDir;

/// A running turnserver; it ends with this value.
pub(crate) struct Coturn {
    child: Child,
    dir: TempDir,
    port: u16,
}

impl Coturn {
    /// Starts one that answers Binding requests, with further arguments, and waits until it answers on `::1`.
    ///
    /// Panics when turnserver is missing or does not come up: then the test has failed.
    pub(crate) fn start(arguments: &[&str]) -> Self {
        (0..5).find_map(|_| Self::attempt(arguments)).expect("turnserver did not come up in five attempts")
    }

    fn attempt(arguments: &[&str]) -> Option<Self> {
        let (dir, port) = (tempfile::tempdir().unwrap(), super::free_port());
        let log = fs::File::create(dir.path().join("log")).unwrap();
        let pidfile = dir.path().join("pid");
        let child = Command::new(super::find("turnserver"))
            .args(["-n", "--no-cli", "--no-tls", "--no-dtls", "--log-file=stdout", "-L", "127.0.0.1", "-L", "::1"])
            .args(["-p", &port.to_string(), "--pidfile", pidfile.to_str().unwrap()])
            // No relay is asked for; without this it makes itself ready for 16,384 of them.
            .args(["--min-port", "49152", "--max-port", "49155"])
            .args(arguments)
            .current_dir(dir.path())
            .stdin(Stdio::null())
            .stdout(log.try_clone().unwrap())
            .stderr(log)
            .spawn()
            .unwrap_or_else(|error| panic!("this test needs turnserver (coturn): {error}"));
        let mut coturn = Self { child, dir, port };
        let end = Instant::now() + Duration::from_secs(20);
        while !["127.0.0.1", "::1"].iter().all(|host| coturn.answers(host)) {
            if coturn.child.try_wait().unwrap().is_some() {
                eprintln!("turnserver ended: {}", coturn.log());
                return None;
            }
            if coturn.log().contains("Address already in use") {
                // It would try for ever; another port is free.
                return None;
            }
            assert!(Instant::now() < end, "turnserver does not answer: {}", coturn.log());
        }
        Some(coturn)
    }

    fn answers(&self, host: &str) -> bool {
        let socket = UdpSocket::bind((host, 0)).unwrap();
        socket.connect((host, self.port)).unwrap();
        socket.set_read_timeout(Some(Duration::from_millis(50))).unwrap();
        let sent = socket.send(&message::request(&[7; 12]));
        let answered = sent.is_ok() && socket.recv(&mut [0; 600]).is_ok();
        if !answered {
            std::thread::sleep(Duration::from_millis(5));
        }
        answered
    }

    fn log(&self) -> String {
        fs::read_to_string(self.dir.path().join("log")).unwrap_or_default()
    }

    /// `localhost:port`, which has both families.
    pub(crate) fn server(&self) -> String {
        format!("localhost:{}", self.port)
    }

    pub(crate) fn port(&self) -> u16 {
        self.port
    }
}

impl Drop for Coturn {
    fn drop(&mut self) {
        let _ = self.child.kill();
        let _ = self.child.wait();
    }
}
