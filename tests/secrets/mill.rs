//! Heron Mill with a secret in every place that takes one, and everybody whom it talks to.

use std::fs::{self, File, Permissions};
use std::io::{Read as _, Write as _};
use std::net::{IpAddr, Ipv4Addr, SocketAddr, TcpListener, TcpStream};
use std::os::unix::fs::{PermissionsExt as _, chown};
use std::os::unix::process::CommandExt as _;
use std::path::{Path, PathBuf};
use std::process::{Child, Command, ExitStatus, Output, Stdio};
use std::sync::{Arc, Mutex};
use std::thread;

use fingerpost::dns::tsig::{TsigAlgorithm, TsigKey};
use fingerpost::rehearsal::dns::Server;
use fingerpost::rehearsal::echo::Echo;
use fingerpost::secret::Secret;
use rustix::process::{Pid, Signal, kill_process};
use tempfile::TempDir;

use crate::common::record_api::{RecordApi, Reply};
use crate::common::{ZONE, dns};
use crate::living::{binary, echoes, until};
use crate::search::usual;
use crate::service::SERVICE;

const KEY: &str = r#"wHeel"7\Zq9+/%Turn&Kx3=~RivEr^Lm"#;
const TOKEN: &str = r#"tok+Yv5/"Rw8%\Hm2=&Jd6~Pk4|Qs9"#;
const BARN: &str = r#"bArné"Gs1\Zb7/%+Wc9=Xf3&~Kd5"#;
const BELL: &str = "Bell-x8Qv~Jr5.Nz2_Mt6:Uy1+Sg";
const HEADER: &str = r#"hdR"Pz4\Ke8/%+Ao1=Ch7&Vi3~Lq"#;

/// What nobody may see, by name.
pub(crate) const SECRETS: [(&str, &str); 6] = [
    ("the TSIG key", KEY),
    ("the text of the TSIG key", "d0hlZWwiN1xacTkrLyVUdXJuJkt4Mz1+Uml2RXJeTG0="),
    ("the API's token", TOKEN),
    ("the program's secret", BARN),
    ("the webhook's secret", BELL),
    ("the header's secret", HEADER),
];

/// Where the configuration names a secret, with what it holds: the name is that of its file, credential or variable.
const PLACES: [(&str, &str); 5] =
    [("KEY", SECRETS[1].1), ("TOKEN", TOKEN), ("BARN", BARN), ("BELL", BELL), ("HEADER", HEADER)];

const HOME: IpAddr = IpAddr::V4(Ipv4Addr::new(203, 0, 113, 77));
const AWAY: IpAddr = IpAddr::V4(Ipv4Addr::new(203, 0, 113, 9));
pub(crate) const FAR: IpAddr = IpAddr::V4(Ipv4Addr::new(203, 0, 113, 5));

/// What the program of the barn does: it keeps what it is to be seen by for the test, and its zone in a file. Where it is told
/// to, it fails, and says all that it was told.
const PROGRAM: &str = r#"#!/bin/sh
cd "${0%/*}" || exit 1
cat "/proc/$$/cmdline" "/proc/$$/environ" >>children/barn
ls -l "/proc/$$/fd" >>children/barn
read -r request
if [ -e refuse ]; then
    echo "cannot do $request" >&2
    printf %s "$request" | base64 >&2
    printf %s "$request" | od -An -tx1 >&2
    touch told-all
    exit 1
fi
case $request in
    *'"action":"write"'*)
        address=$(printf %s "$request" | sed 's/.*"addresses":\["\([0-9.]*\)".*/\1/')
        printf '{"version":1,"names":{"hay.barn.example":{"sets":{"A":{"ttl":120,"addresses":["%s"]}}}}}' "$address" >zone
        echo '{"version":1,"done":true}' ;;
    *) cat zone ;;
esac
"#;

/// Which secret comes from where: the places take turns.
#[derive(Clone, Copy)]
pub(crate) struct Turn(pub(crate) usize);

impl Turn {
    fn of(self, place: usize) -> &'static str {
        ["file", "credential", "env"][(place + self.0) % 3]
    }

    /// The secrets that are in the environment, where their owner has put them.
    pub(crate) fn variables(self) -> Vec<&'static str> {
        let of_env = PLACES.iter().enumerate().filter(|(place, _)| self.of(*place) == "env");
        of_env.map(|(_, (_, text))| *text).collect()
    }
}

/// The home and all around it.
pub(crate) struct Mill {
    dir: TempDir,
    turn: Turn,
    echoes: Arc<Vec<Echo>>,
    server: SocketAddr,
    pub(crate) api: RecordApi,
    hook: String,
    /// Every request to the webhooks.
    pub(crate) rung: Arc<Mutex<Vec<String>>>,
}

impl Mill {
    pub(crate) fn new(turn: Turn) -> Self {
        let api = RecordApi::start("desk.example");
        api.zone().token = TOKEN.into();
        api.zone().add("card.desk.example", "A", 120, "203.0.113.1");
        let (hook, rung) = hook();
        let mill =
            Self { dir: tempfile::tempdir().unwrap(), turn, echoes: echoes(HOME), server: server(), api, hook, rung };
        fs::set_permissions(mill.dir(), Permissions::from_mode(0o755)).unwrap();
        for name in ["state", "children", "out", "credentials"] {
            fs::create_dir(mill.dir().join(name)).unwrap();
        }
        mill.write("barn.sh", PROGRAM, 0o755);
        mill.write("zone", r#"{"version":1,"names":{"hay.barn.example":{"sets":{}}}}"#, 0o644);
        mill.write("record.toml", include_str!("../../config/providers/record.toml"), 0o644);
        mill.write("weir.txt", "198.51.100.64/28\n", 0o644);
        for (place, (name, text)) in PLACES.iter().enumerate() {
            match turn.of(place) {
                "file" => mill.write(&name.to_lowercase(), text, 0o600),
                "credential" => mill.write(&format!("credentials/{name}"), text, 0o400),
                _ => {}
            }
        }
        mill.write("fingerpost.toml", &mill.configuration(), 0o644);
        let all = Command::new("chown").args(["-R", &format!("{SERVICE}:{SERVICE}")]).arg(mill.dir()).status();
        assert!(all.unwrap().success());
        mill
    }

    pub(crate) fn dir(&self) -> &Path {
        self.dir.path()
    }

    pub(crate) fn write(&self, name: &str, text: &str, mode: u32) {
        let path = self.dir().join(name);
        fs::write(&path, text).unwrap();
        fs::set_permissions(&path, Permissions::from_mode(mode)).unwrap();
        chown(&path, Some(SERVICE), Some(SERVICE)).unwrap();
    }

    pub(crate) fn moves_to(&self, home: IpAddr) {
        self.echoes.iter().for_each(|echo| echo.home_is_at(home));
    }

    fn secret(&self, place: usize) -> String {
        let (name, _) = PLACES[place];
        match self.turn.of(place) {
            "file" => format!("{{ file = \"{}\" }}", name.to_lowercase()),
            "credential" => format!("{{ credential = \"{name}\" }}"),
            _ => format!("{{ env = \"{name}\" }}"),
        }
    }

    fn configuration(&self) -> String {
        let [key, token, barn, bell, header] = [0, 1, 2, 3, 4].map(|place| self.secret(place));
        let (server, api, hook) = (self.server, self.api.url(), &self.hook);
        let seen = |what: &str| {
            format!("cat /proc/$$/cmdline /proc/$$/environ >>children/{what}; ls -l /proc/$$/fd >>children/{what}")
        };
        let (reload, mail) =
            (format!("[\"/bin/sh\", \"-c\", {:?}]", self.here(&seen("reload"))), self.here(&seen("mail")));
        let mail = format!("[\"/bin/sh\", \"-c\", {:?}]", format!("{mail}; cat >>inbox"));
        let mut text = format!(
            r#"state_dir = "state"
[watch]
every = "1s"
settle = 1
settle_every = "100ms"
timeout = "1s"
accept_special = ["203.0.113.0/24", "198.51.100.0/24"]
[limits]
spacing = "1ms"
burst = 1000
daily = 100000
[retry]
initial = "100ms"
max = "300ms"
[status]
listen = "127.0.0.1:0"
[provider.home]
kind = "rfc2136"
zone = "{ZONE}"
server = "{server}"
key = {{ name = "gauge-key", algorithm = "hmac-sha256", secret = {key} }}
confirm = "off"
[provider.desk]
kind = "rest"
zone = "desk.example"
description = "record.toml"
values = {{ server = "{api}" }}
token = {token}
confirm = "off"
[provider.barn]
kind = "program"
zone = "barn.example"
command = ["{dir}/barn.sh"]
secret = {barn}
confirm = "off"
[[message]]
name = "bell"
by = "webhook"
url = "{hook}/{{secret}}"
headers = {{ X-Key = "key {{secret}}" }}
body = '{{ "what": "{{event}}", "say": "{{text}}" }}'
secret = {bell}
[[message]]
name = "gong"
by = "webhook"
url = "{hook}/gong"
headers = {{ Authorization = "Mill {{secret}}" }}
body = '{{ "what": "{{event}}", "say": "{{text}}" }}'
secret = {header}
[[message]]
name = "post"
by = "mail"
to = "keeper@{ZONE}"
from = "mill@{ZONE}"
command = {mail}
[[edge]]
name = "weir"
sources = [{{ file = "weir.txt" }}]
[[allowlist.render]]
form = "lines"
file = "out/edge.txt"
reload = {reload}
[allowlist.firewall]
kind = "lines"
file = "out/edge.txt"
[exposure]
resolvers = ["127.0.0.1:9", "127.0.0.2:9"]
[[exposure.service]]
name = "gauge.{ZONE}"
edge = "weir"
"#,
            dir = self.dir().display()
        );
        for (name, provider) in
            [("gauge.heronmill.example", "home"), ("card.desk.example", "desk"), ("hay.barn.example", "barn")]
        {
            text +=
                &format!("[[record]]\nname = \"{name}\"\ntypes = [\"A\"]\nprovider = \"{provider}\"\nttl = \"2m\"\n");
        }
        for (at, echo) in self.echoes.iter().enumerate() {
            let url = echo.url();
            text += &format!(
                "[[witness]]\nname = \"w{at}\"\noperator = \"o{at}\"\nkind = \"http\"\nurl = \"{url}\"\nfamilies = [\"ipv4\"]\n"
            );
        }
        text
    }

    fn here(&self, script: &str) -> String {
        format!("cd {} && {{ {script}; }}", self.dir().display())
    }

    /// The program as the service's user, with what its secrets need, and a core file of any size where one is written.
    pub(crate) fn command(&self, arguments: &[&str]) -> Command {
        let mut command = Command::new("/bin/sh");
        command
            .args(["-c", "ulimit -c unlimited; exec \"$@\"", "sh"])
            .arg(binary())
            .args(["--config", "fingerpost.toml"]);
        command.args(arguments).current_dir(self.dir()).uid(SERVICE).gid(SERVICE);
        command.env_clear().env("PATH", std::env::var_os("PATH").unwrap());
        command.env("CREDENTIALS_DIRECTORY", self.dir().join("credentials"));
        let of_env = PLACES.iter().enumerate().filter(|(place, _)| self.turn.of(*place) == "env");
        command.envs(of_env.map(|(_, place)| *place));
        command.stdin(Stdio::null());
        command
    }

    pub(crate) fn run(&self, arguments: &[&str]) -> Output {
        self.command(arguments).output().unwrap()
    }

    /// The API, the program and the DNS server refuse from now on, and say whom they refuse: the token in every form.
    pub(crate) fn refuse(&self) {
        let all = usual(TOKEN).join(" and ");
        self.api.zone().trick = Some(Box::new(move |asked| {
            let told = asked.headers.get("authorization").cloned().unwrap_or_default();
            let says = serde_json::json!({ "fine": false, "trouble": { "says": format!("not by {told}: {all}") } });
            Some(Reply::new(401, says))
        }));
        self.write("refuse", "", 0o644);
    }

    pub(crate) fn daemon(&self, arguments: &[&str]) -> Daemon {
        let log = self.dir().join("log");
        let words: Vec<&str> = ["daemon"].iter().chain(arguments).copied().collect();
        let mut command = self.command(&words);
        let child = command.stdout(Stdio::null()).stderr(File::create(&log).unwrap()).spawn().unwrap();
        Daemon { child, log }
    }

    /// All that was ever written in its directory and below, by path; what holds a secret by its owner's will is left out.
    pub(crate) fn files(&self) -> Vec<(PathBuf, Vec<u8>)> {
        let own =
            PLACES.map(|(name, _)| [name.to_lowercase(), format!("credentials/{name}")].map(|at| self.dir().join(at)));
        let mut found = Vec::new();
        let mut dirs = vec![self.dir().to_owned()];
        while let Some(dir) = dirs.pop() {
            for entry in fs::read_dir(dir).unwrap().map(Result::unwrap) {
                let (path, kind) = (entry.path(), entry.file_type().unwrap());
                if kind.is_dir() {
                    dirs.push(path);
                } else if kind.is_file() && !own.as_flattened().contains(&path) {
                    found.push((path.clone(), fs::read(path).unwrap()));
                }
            }
        }
        found
    }
}

/// The running daemon; it ends with this value.
pub(crate) struct Daemon {
    child: Child,
    log: PathBuf,
}

impl Daemon {
    pub(crate) fn pid(&self) -> u32 {
        self.child.id()
    }

    pub(crate) fn log(&self) -> String {
        fs::read_to_string(&self.log).unwrap()
    }

    #[track_caller]
    pub(crate) fn says(&self, text: &str) {
        until(&format!("{text:?} in the log:\n{}", self.log()), || self.log().contains(text));
    }

    pub(crate) fn signal(&self, signal: Signal) {
        kill_process(Pid::from_child(&self.child), signal).unwrap();
    }

    /// Waits for its end, to which `signal` puts it.
    pub(crate) fn ends_by(mut self, signal: Signal) -> ExitStatus {
        self.signal(signal);
        let mut status = None;
        until("the end of the daemon", || {
            status = self.child.try_wait().unwrap();
            status.is_some()
        });
        status.unwrap()
    }
}

impl Drop for Daemon {
    fn drop(&mut self) {
        let _ = self.child.kill();
        let _ = self.child.wait();
    }
}

/// Everything works, and everybody has been told their secret by the end: else there were nothing to be found.
pub(crate) fn goes_well(mill: &Mill, daemon: &Daemon) {
    let audit = || fs::read_to_string(mill.dir().join("state/audit.jsonl")).unwrap_or_default();
    let written = |count| {
        let what = format!("{count} writes:\n{}", daemon.log());
        until(&what, || audit().matches("\"result\":\"done\"").count() == count);
    };
    written(3);
    mill.moves_to(AWAY);
    written(6);
    let rung = |text: &str| mill.rung.lock().unwrap().iter().any(|request| request.contains(text));
    until("the messages", || rung(&format!("POST /{BELL} ")) && rung(&format!("x-key: key {BELL}\r\n")));
    until("the other messages", || rung(&format!("authorization: Mill {HEADER}\r\n")));
    until("the mail", || mill.dir().join("inbox").exists());
    until("the ranges", || mill.dir().join("children/reload").exists());
    assert!(mill.api.zone().asked.iter().all(|asked| asked.headers["authorization"] == format!("Bearer {TOKEN}")));
}

/// A DNS server with the key, on a thread of its own until the test ends.
fn server() -> SocketAddr {
    let (tell, told) = std::sync::mpsc::channel();
    thread::spawn(move || {
        let runtime = tokio::runtime::Builder::new_current_thread().enable_all().build().unwrap();
        runtime.block_on(async {
            let (name, algorithm) = (dns("gauge-key"), TsigAlgorithm::HmacSha256);
            let key = TsigKey { name, algorithm, secret: Secret::new(KEY.into()) };
            let server = Server::start(dns(ZONE), key, Vec::new()).await.unwrap();
            tell.send(server.addr()).unwrap();
            std::future::pending::<()>().await;
        });
    });
    told.recv().unwrap()
}

/// A server that thanks for every request, and keeps it.
fn hook() -> (String, Arc<Mutex<Vec<String>>>) {
    let listener = TcpListener::bind("127.0.0.1:0").unwrap();
    let url = format!("http://{}", listener.local_addr().unwrap());
    let rung = Arc::<Mutex<Vec<String>>>::default();
    let kept = Arc::clone(&rung);
    thread::spawn(move || {
        for mut stream in listener.incoming().map_while(Result::ok) {
            let (mut text, mut chunk) = (String::new(), [0; 4096]);
            while !text.contains("\r\n\r\n") || !text.ends_with('}') {
                match stream.read(&mut chunk) {
                    Ok(count) if count > 0 => text.push_str(&String::from_utf8_lossy(&chunk[..count])),
                    _ => break,
                }
            }
            let _ = stream.write_all(b"HTTP/1.1 204 No Content\r\nConnection: close\r\n\r\n");
            // A reload gives up what is under way.
            if text.contains("\r\n\r\n") {
                kept.lock().unwrap().push(text);
            }
        }
    });
    (url, rung)
}

/// The whole answer to a GET.
pub(crate) fn got(at: SocketAddr, path: &str) -> String {
    let mut stream = TcpStream::connect(at).unwrap();
    stream.write_all(format!("GET {path} HTTP/1.1\r\nHost: {at}\r\nConnection: close\r\n\r\n").as_bytes()).unwrap();
    let mut answer = String::new();
    stream.read_to_string(&mut answer).unwrap();
    answer
}
