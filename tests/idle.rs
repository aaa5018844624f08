//! What the daemon costs while all is in step: nothing on disk, and little else. The figures are printed, not judged;
//! `tests/all.sh` runs this on the release build, by `TESTS_BINARY`.
#![expect(clippy::unwrap_used, clippy::expect_used, reason = "a test that cannot go on has failed")]

use std::fs;
use std::net::IpAddr;
use std::os::unix::fs::{MetadataExt, PermissionsExt};
use std::path::{Path, PathBuf};
use std::process::{Child, Command, Stdio};
use std::time::Duration;

use fingerpost::dns::tsig::{TsigAlgorithm, TsigKey};
use fingerpost::name::DnsName;
use fingerpost::record::RecordType;
use fingerpost::rehearsal::dns::Server;
use fingerpost::rehearsal::echo::Echo;
use fingerpost::secret::Secret;
use tokio::sync::watch;
use tokio::time::timeout;

const ROUNDS: u64 = 20;
const HOME: IpAddr = IpAddr::V4(std::net::Ipv4Addr::new(203, 0, 113, 77));

/// A home in which three operators are asked and one record is published.
struct Home {
    dir: tempfile::TempDir,
    echoes: Vec<Echo>,
    dns: Server,
}

impl Home {
    async fn new() -> Self {
        let dir = tempfile::tempdir().unwrap();
        let mut echoes = Vec::new();
        for _ in 0..3 {
            echoes.push(Echo::start(HOME).await.unwrap());
        }
        let secret = b"0123456789abcdef0123456789abcdef".to_vec();
        let key = TsigKey {
            name: DnsName::parse("gauge-key").unwrap(),
            algorithm: TsigAlgorithm::HmacSha256,
            secret: Secret::new(secret.clone()),
        };
        let dns = Server::start(DnsName::parse("heronmill.example").unwrap(), key, Vec::new()).await.unwrap();
        let key_file = dir.path().join("gauge.key");
        fs::write(&key_file, data_encoding::BASE64.encode(&secret)).unwrap();
        fs::set_permissions(&key_file, fs::Permissions::from_mode(0o600)).unwrap();
        let mut text = format!(
            r#"state_dir = "state"
[watch]
every = "1h"
settle = 1
accept_special = ["203.0.113.0/24"]
[provider.home]
kind = "rfc2136"
zone = "heronmill.example"
server = "{}"
key = {{ name = "gauge-key", algorithm = "hmac-sha256", secret = {{ file = "gauge.key" }} }}
confirm = "off"
[[record]]
name = "gauge.heronmill.example"
types = ["A"]
provider = "home"
ttl = "2m"
"#,
            dns.addr()
        );
        for (operator, echo) in ["north-collective", "ferryman", "quayside"].iter().zip(&echoes) {
            text.push_str(&format!(
                "[[witness]]\nname = \"{operator}\"\noperator = \"{operator}\"\nkind = \"http\"\nurl = \"{}\"\nfamilies = [\"ipv4\"]\n",
                echo.url()
            ));
        }
        fs::write(dir.path().join("fingerpost.toml"), text).unwrap();
        Self { dir, echoes, dns }
    }

    fn config(&self) -> PathBuf {
        self.dir.path().join("fingerpost.toml")
    }

    /// Waits until the record is published, and the log says so.
    async fn in_step(&self) {
        let name = DnsName::parse("gauge.heronmill.example").unwrap();
        let mut progress = self.dns.progress();
        let published = async {
            while self.dns.addresses(&name, RecordType::A).is_none() {
                progress.changed().await.unwrap();
            }
        };
        timeout(Duration::from_secs(60), published).await.expect("the record was not published");
        // Rounds go on beside a write: what it leaves in the log is over with its outcome.
        let log = self.dir.path().join("state/audit.jsonl");
        let closed = async {
            while !fs::read_to_string(&log).is_ok_and(|log| log.contains("\"outcome\"")) {
                tokio::time::sleep(Duration::from_millis(2)).await;
            }
        };
        timeout(Duration::from_secs(60), closed).await.expect("the write was not closed");
    }

    /// Has the daemon `pid` do `ROUNDS` rounds, one after the other.
    async fn rounds(&self, pid: u32) {
        for _ in 0..ROUNDS {
            let mut asked: Vec<watch::Receiver<u64>> = self.echoes.iter().map(Echo::asked).collect();
            let before: Vec<u64> = asked.iter_mut().map(|asked| *asked.borrow_and_update()).collect();
            signal(pid, rustix::process::Signal::USR1);
            for (asked, before) in asked.iter_mut().zip(before) {
                let more = asked.wait_for(|count| *count > before);
                timeout(Duration::from_secs(60), more).await.expect("no round came").unwrap();
            }
        }
    }
}

/// Ends with the daemon, also when a test fails.
struct Daemon(Child);

impl Daemon {
    fn spawn(command: &mut Command) -> Self {
        Self(command.stdout(Stdio::null()).spawn().expect("cannot be started"))
    }

    /// Waits on another thread: what the daemon still reads is served on this one.
    async fn stop(mut self, pid: u32) {
        signal(pid, rustix::process::Signal::TERM);
        assert!(tokio::task::spawn_blocking(move || self.0.wait()).await.unwrap().unwrap().success());
    }
}

impl Drop for Daemon {
    fn drop(&mut self) {
        let _ = self.0.kill();
        let _ = self.0.wait();
    }
}

fn signal(pid: u32, signal: rustix::process::Signal) {
    let pid = rustix::process::Pid::from_raw(pid.try_into().unwrap()).unwrap();
    rustix::process::kill_process(pid, signal).unwrap();
}

fn binary() -> PathBuf {
    std::env::var_os("TESTS_BINARY").map_or_else(|| env!("CARGO_BIN_EXE_fingerpost").into(), PathBuf::from)
}

/// A line of `/proc/PID/status` or `smaps_rollup`, in its own unit.
fn proc_line(pid: u32, file: &str, key: &str) -> String {
    let text = fs::read_to_string(format!("/proc/{pid}/{file}")).unwrap();
    let line = text.lines().find(|line| line.starts_with(key)).unwrap();
    line.split_whitespace().skip(1).collect::<Vec<_>>().join(" ")
}

fn cpu(pid: u32) -> Duration {
    // The first number is the time on a processor, in nanoseconds (kernel, sched-stats.rst).
    let text = fs::read_to_string(format!("/proc/{pid}/schedstat")).unwrap();
    Duration::from_nanos(text.split_whitespace().next().unwrap().parse().unwrap())
}

#[tokio::test]
async fn in_step_costs_little() {
    let home = Home::new().await;
    let daemon = Daemon::spawn(Command::new(binary()).arg("--config").arg(home.config()).arg("daemon"));
    let pid = daemon.0.id();
    home.in_step().await;
    home.rounds(pid).await;
    let before = cpu(pid);
    home.rounds(pid).await;
    let spent = cpu(pid) - before;
    println!("binary        {} bytes", fs::metadata(binary()).unwrap().size());
    println!("threads       {}", proc_line(pid, "status", "Threads:"));
    println!("RSS           {}", proc_line(pid, "status", "VmRSS:"));
    // An ordinary user does not see into it.
    if rustix::process::geteuid().is_root() {
        println!("PSS           {}", proc_line(pid, "smaps_rollup", "Pss:"));
    }
    println!("CPU a round   {:.2} ms", spent.as_secs_f64() * 1000.0 / ROUNDS as f64);
    daemon.stop(pid).await;
}

/// Every system call that could change a file, with the paths behind descriptors (`-y`).
const WRITERS: &str = "trace=write,writev,pwrite64,pwritev,pwritev2,open,openat,openat2,creat,rename,renameat,renameat2,\
    unlink,unlinkat,mkdir,mkdirat,link,linkat,symlink,symlinkat,truncate,ftruncate,fallocate,fsync,fdatasync,\
    chmod,fchmod,fchmodat,chown,fchown,fchownat,utimensat,copy_file_range,sendfile";

#[tokio::test]
#[ignore = "needs strace: tests/all.sh runs it"]
async fn in_step_writes_to_no_file() {
    let home = Home::new().await;
    let trace = home.dir.path().join("trace");
    // Only root sees into it: an ordinary user is root in a user namespace of its own.
    let mut command = Command::new("unshare");
    if !rustix::process::geteuid().is_root() {
        command.arg("--map-root-user");
    }
    command.args(["strace", "-f", "-y", "-e", WRITERS, "-o"]).arg(&trace);
    let daemon = Daemon::spawn(command.arg(binary()).arg("--config").arg(home.config()).arg("daemon"));
    home.in_step().await;
    let pid = first_child(daemon.0.id());
    // The state is saved once more after the write was read back: that belongs to the write.
    home.rounds(pid).await;
    let begun = fs::read_to_string(&trace).unwrap().len();
    home.rounds(pid).await;
    let all = fs::read_to_string(&trace).unwrap();
    daemon.stop(pid).await;
    let writes: Vec<&str> = all.lines().filter(|line| touches_a_file(line)).collect();
    assert!(writes.iter().any(|line| line.contains("audit.jsonl")), "the trace shows what it should: {writes:#?}");
    let while_in_step: Vec<&str> = all[begun..].lines().filter(|line| touches_a_file(line)).collect();
    assert!(while_in_step.is_empty(), "{while_in_step:#?}");
}

/// Whether a line of the trace could change a file. Sockets, pipes and event descriptors are no files.
fn touches_a_file(line: &str) -> bool {
    let Some((_, call)) = line.split_once(' ').map(|(pid, call)| (pid, call.trim_start())) else {
        return false;
    };
    let name = call.split('(').next().unwrap_or_default();
    match name {
        "open" | "openat" | "openat2" => {
            ["O_WRONLY", "O_RDWR", "O_CREAT"].iter().any(|flag| call.contains(flag)) && !call.contains("\"/dev/")
        }
        "write" | "writev" | "pwrite64" | "pwritev" | "pwritev2" => {
            call.split('<').nth(1).is_some_and(|path| path.starts_with('/') && !path.starts_with("/dev/"))
        }
        _ => !name.is_empty() && name.chars().all(|c| c.is_ascii_lowercase() || c.is_ascii_digit()),
    }
}

fn first_child(pid: u32) -> u32 {
    let path = format!("/proc/{pid}/task/{pid}/children");
    fs::read_to_string(Path::new(&path)).unwrap().split_whitespace().next().unwrap().parse().unwrap()
}
