//! Every error of the first hour says what happened and what to do next: whole messages of the real program.

use std::fs;
use std::net::IpAddr;
use std::os::unix::fs::PermissionsExt as _;
use std::path::Path;
use std::sync::Arc;

use fingerpost::rehearsal::echo::Echo;
use rustix::process::geteuid;

use crate::common::named::Named;
use crate::common::{DnsServer, Grant, KEY, Refusing, SECRET_BASE64, ServerKey, ZONE, ZoneSetup};
use crate::living::echoes;
use crate::{Done, Home};

const GAUGE: &str = "gauge.heronmill.example";
/// Where the home is.
const HOME: &str = "203.0.113.77";
/// For a lab: documentation ranges are no home's, and nobody asks who serves the zone.
const LAB: [(&str, &str); 2] =
    [("FINGERPOST_WATCH__ACCEPT_SPECIAL", "[\"203.0.113.0/24\"]"), ("FINGERPOST_PROVIDER__HOME__CONFIRM", "off")];

/// A home whose configuration `config new` wrote, with a key and with witnesses that answer.
struct Begun {
    home: Home,
    echoes: Arc<Vec<Echo>>,
    /// The DNS server, for which `SERVER` stands in what is said.
    server: String,
    /// What keeps others from its place, where there is none.
    _nobody: Option<Refusing>,
}

impl Begun {
    fn at(server: &str) -> Self {
        let begun =
            Self { home: Home::new(), echoes: echoes(HOME.parse().unwrap()), server: server.to_owned(), _nobody: None };
        let urls: Vec<String> = begun.echoes.iter().map(Echo::url).collect();
        begun.configure(&urls);
        begun.home.write("gauge.key", SECRET_BASE64, 0o600);
        begun
    }

    fn configure(&self, urls: &[String]) {
        let witnesses: Vec<String> = ["north-collective", "ferryman", "millrace"]
            .iter()
            .zip(urls)
            .flat_map(|(operator, url)| ["--witness".to_owned(), format!("{operator}={url}")])
            .collect();
        let base = ["config", "new", "--replace", "--zone", ZONE, "--record", GAUGE, "--secret", "gauge.key"];
        let words = base.iter().copied().chain(["--server", &self.server]).chain(witnesses.iter().map(String::as_str));
        self.home.run(&words.collect::<Vec<_>>());
        // What is commented by the way stands between the lines that the messages name.
        let text = fs::read_to_string(self.home.path("fingerpost.toml")).unwrap();
        let bare: Vec<&str> = text.lines().filter(|line| !line.starts_with('#') && !line.is_empty()).collect();
        self.home.write("fingerpost.toml", &(bare.join("\n") + "\n"), 0o644);
    }

    #[track_caller]
    fn edit(&self, old: &str, new: &str) {
        let text = fs::read_to_string(self.home.path("fingerpost.toml")).unwrap();
        assert!(text.contains(old), "no {old:?} in\n{text}");
        self.home.write("fingerpost.toml", &text.replace(old, new), 0o644);
    }

    fn says(&self, addresses: [&str; 3]) {
        for (echo, address) in self.echoes.iter().zip(addresses) {
            echo.home_is_at(address.parse::<IpAddr>().unwrap());
        }
    }

    fn run(&self, arguments: &[&str]) -> Done {
        self.run_by(&[], &LAB, arguments)
    }

    fn run_by(&self, prefix: &[&str], variables: &[(&str, &str)], arguments: &[&str]) -> Done {
        self.start(prefix, Path::new(env!("CARGO_BIN_EXE_fingerpost")), variables, arguments)
    }

    fn start(&self, prefix: &[&str], program: &Path, variables: &[(&str, &str)], arguments: &[&str]) -> Done {
        let words = [&["-q", "--state-dir", "state"], arguments].concat();
        let mut done = self.home.start(prefix, program, variables, &words);
        for text in [&mut done.stdout, &mut done.stderr] {
            *text = text.replace(&self.server, "SERVER");
        }
        done
    }
}

/// What was said otherwise than it was to be said.
#[derive(Default)]
struct Wrong(String);

impl Wrong {
    /// The command is to end by this error.
    fn fails(&mut self, what: &str, done: &Done, status: i32, error: &str) {
        self.ends(what, done, &Done { status, stdout: String::new(), stderr: format!("fingerpost: {error}\n") });
    }

    /// The command is to print this.
    fn prints(&mut self, what: &str, done: &Done, status: i32, text: &str) {
        self.ends(what, done, &Done { status, stdout: text.to_owned(), stderr: String::new() });
    }

    fn ends(&mut self, what: &str, done: &Done, wanted: &Done) {
        if done != wanted {
            let Done { status, stdout, stderr } = done;
            self.0 += &format!(
                "\n== {what}: {status}, not {}\n{stdout}{stderr}-- instead of\n{}{}",
                wanted.status, wanted.stdout, wanted.stderr
            );
        }
    }
}

impl Drop for Wrong {
    fn drop(&mut self) {
        assert!(self.0.is_empty() || std::thread::panicking(), "{}", self.0);
    }
}

/// A home with a DNS server that nobody runs.
fn begun() -> Begun {
    let nobody = Refusing::new();
    let mut begun = Begun::at(&nobody.addr().to_string());
    begun._nobody = Some(nobody);
    begun
}

type Prepare = fn(&Begun);

#[test]
fn a_configuration_that_does_not_hold() {
    let cases: [(Prepare, &str); 9] = [
        (
            |begun| fs::remove_file(begun.home.path("fingerpost.toml")).unwrap(),
            "fingerpost.toml: cannot be read: No such file or directory (os error 2); write it with `fingerpost config new`, or name \
             another with --config",
        ),
        (
            |begun| fs::remove_file(begun.home.path("gauge.key")).unwrap(),
            "fingerpost.toml:21: provider.home.key.secret.file: there is no such file in DIR; put the secret there, for its \
             owner only (chmod 600)",
        ),
        (
            |begun| begun.home.write("gauge.key", SECRET_BASE64, 0o644),
            "fingerpost.toml:21: provider.home.key.secret.file: DIR/gauge.key can be used by others than its owner (mode 644); chmod \
             600 DIR/gauge.key",
        ),
        (
            |begun| begun.home.write("gauge.key", "key \"gauge-key\" { };", 0o600),
            "fingerpost.toml:21: provider.home.key.secret: the value leads to something that is not Base64 (RFC 4648, 4); write only \
             the Base64 text there: in a key file of a DNS server, what stands in quotes behind `secret`",
        ),
        (
            |begun| begun.edit("zone = \"heronmill.example\"", "zone = \"tern.example\""),
            "fingerpost.toml:23: record[0].name: \"gauge.heronmill.example\" is outside tern.example, the zone of the provider \"home\"; \
             correct the name or that zone, or name the provider of its own zone",
        ),
        (
            no_witness,
            "fingerpost.toml: no [[witness]] is configured, so nobody can be asked for the address; add at least one",
        ),
        (
            |begun| begun.edit("operator = \"ferryman\"\n", ""),
            "fingerpost.toml:7: witness[1].operator: this key is required and missing; add it, for example: operator = \
             \"north-collective\"",
        ),
        (
            |begun| begun.edit("{ file = \"gauge.key\" }", "\"c2VjcmV0\""),
            "fingerpost.toml:21: provider.home.key.secret: a secret is never written inline; write { file = \"/path\" }, { credential = \
             \"name\" } or { env = \"NAME\" }",
        ),
        (|begun| begun.edit("ttl =", "tll ="), "fingerpost.toml:26: record[0].tll: unknown key; did you mean `ttl`?"),
    ];
    let mut wrong = Wrong::default();
    for (prepare, wanted) in cases {
        let begun = begun();
        prepare(&begun);
        for command in [&["config", "check"][..], &["preview"], &["daemon"]] {
            wrong.fails(&command.join(" "), &begun.run_by(&[], &[], command), 78, wanted);
        }
    }
}

#[test]
fn what_does_not_hold_is_told_in_json_too() {
    let (begun, mut wrong) = (begun(), Wrong::default());
    begun.edit("ttl =", "tll =");
    let check = || begun.run_by(&[], &[], &["config", "check", "--json"]);
    let problem = |text: &str| format!("{{\n  \"ok\": false,\n  \"problems\": [\n    {{\n{text}\n    }}\n  ]\n}}\n");
    wrong.prints(
        "a key",
        &check(),
        78,
        &problem(
            "      \"file\": \"fingerpost.toml\",\n      \"key\": \"record[0].tll\",\n      \"line\": 26,\n      \"remedy\": \"did you \
             mean `ttl`?\",\n      \"what\": \"unknown key\"",
        ),
    );
    fs::remove_file(begun.home.path("fingerpost.toml")).unwrap();
    wrong.prints(
        "no file",
        &check(),
        78,
        &problem(
            "      \"file\": \"fingerpost.toml\",\n      \"key\": \"\",\n      \"line\": null,\n      \"remedy\": \"write it with `fingerpost \
             config new`, or name another with --config\",\n      \"what\": \"cannot be read: No such file or directory (os error 2)\"",
        ),
    );
    // A service has no answer.
    for command in ["daemon", "echo"] {
        let what = "--json: a service gives no answer that could be JSON, it goes on until it is stopped; remove the option, \
                    and ask a running daemon by `fingerpost status --json`";
        wrong.fails(command, &begun.run_by(&[], &[], &[command, "--json"]), 64, what);
    }
}

/// What a late mount or a late package mends is tried again, for ever: nobody is there to do it by hand.
#[test]
fn the_service_is_started_again_after_what_may_mend_by_itself() {
    let unit = include_str!("../../systemd/fingerpost.service");
    let set = |key: &str| unit.lines().find_map(|line| line.strip_prefix(key)?.strip_prefix('=')).unwrap_or_default();
    assert_eq!((set("Restart"), set("RestartSec"), set("StartLimitIntervalSec")), ("on-failure", "30s", "0"));
    let begun = begun();
    fs::remove_file(begun.home.path("gauge.key")).unwrap();
    let stays_down = |words: &[&str]| {
        let status = begun.run_by(&[], &[], words).status.to_string();
        set("RestartPreventExitStatus").split_whitespace().any(|prevents| prevents == status)
    };
    assert!(!stays_down(&["daemon"]), "the key's disk is not mounted yet");
    fs::remove_file(begun.home.path("fingerpost.toml")).unwrap();
    assert!(!stays_down(&["daemon"]), "the configuration is not there yet");
    assert!(stays_down(&["daemon", "--nonsense"]));
}

fn no_witness(begun: &Begun) {
    let text = fs::read_to_string(begun.home.path("fingerpost.toml")).unwrap();
    let (_, rest) = text.split_once("[provider.home]").unwrap();
    begun.home.write("fingerpost.toml", &format!("[provider.home]{rest}"), 0o644);
}

#[test]
fn a_credential_that_only_the_service_gets() {
    let (begun, mut wrong) = (begun(), Wrong::default());
    begun.edit("{ file = \"gauge.key\" }", "{ credential = \"gauge.key\" }");
    wrong.prints("check", &begun.run_by(&[], &[], &["config", "check"]), 0, "note: fingerpost.toml:21: provider.home.key.secret.credential: cannot be checked here: only the service is handed its \
         credentials; see that LoadCredential= in the unit has this name\nfingerpost.toml holds.\n");
    wrong.fails("preview", &begun.run_by(&[], &[], &["preview"]), 78, "fingerpost.toml:21: provider.home.key.secret.credential: the service manager handed over no credentials \
         ($CREDENTIALS_DIRECTORY is not set); add LoadCredential= to the unit, or to systemd-run --property= for a try by hand, or \
         use { file = … }");
}

/// What is printed where there is no ruling: who said what, and what to do.
fn no_ruling(why: &str, said: [&str; 3], way: &str) -> String {
    let said: String = ["north-collective", "ferryman", "millrace"]
        .iter()
        .zip(said)
        .map(|(operator, said)| format!("      {operator} {said}\n"))
        .collect();
    format!("IPv4  no ruling: {why}\n{said}IPv4  the names stay as they are; {way}\n")
}

#[test]
fn witnesses_without_a_ruling() {
    const ASTRAY: &str = "has no answer: it says 203.0.113.77, but 203.0.113.0/24 is documentation, RFC 5737: an address for \
                          examples, and nobody's";
    const DOWN: &str = "has no answer: not reached: Connection refused";
    let (begun, mut wrong) = (begun(), Wrong::default());
    let refusing = [(); 3].map(|()| Refusing::new());
    let down = refusing.each_ref().map(|port| format!("http://{}/", port.addr()));
    let mut previews = |what: &str, done: &Done, text: &str| {
        wrong.prints(what, done, 69, &format!("{text}Nothing was written.\n"));
    };
    let way = "see which way this machine's questions leave by: a VPN, or who answers is inside the home";
    let text = no_ruling("0 of 3 operators answered, and 2 must agree", [ASTRAY; 3], way);
    previews("no home is there", &begun.run_by(&[], &[], &["preview"]), &text);

    begun.says(["203.0.113.77", "203.0.113.78", "203.0.113.79"]);
    let way = "see on the router's own page who is right, and replace who is not; a home with two lines names them ([[line]])";
    let said = ["says 203.0.113.77", "says 203.0.113.78", "says 203.0.113.79"];
    let apart = no_ruling("the operators disagree, and 2 of 3 must agree", said, way);
    previews("they disagree", &begun.run(&["preview"]), &apart);

    begun.configure(&[down[0].clone(), begun.echoes[1].url(), down[2].clone()]);
    let few = begun.run(&["preview"]);
    let way =
        "\nIPv4  the names stay as they are; mend or replace what has no answer, or add witnesses of other operators\n";
    assert!(
        few.status == 69
            && few.stdout.starts_with("IPv4  no ruling: 1 of 3 operators answered")
            && few.stdout.contains(way),
        "{few:?}"
    );

    begun.configure(&down);
    let way = "see that this machine is online and can resolve names, and open a witness by hand";
    let none = no_ruling("0 of 3 operators answered, and 2 must agree", [DOWN; 3], way);
    previews("nobody is reached", &begun.run(&["preview"]), &none);
    wrong.prints("nobody is reached, by sync", &begun.run(&["sync"]), 69, &none);
    // How long each took differs from run to run.
    let located = begun.run(&["locate"]);
    assert!(located.status == 69 && located.stdout.starts_with(&none), "{located:?}");
    assert_eq!(located.stdout.matches("Connection refused").count(), 3, "each reason once: {}", located.stdout);
}

/// What is printed when all agree and the DNS server stands in the way.
fn stopped(name: &str, values: &str, why: &str) -> String {
    format!(
        "IPv4  203.0.113.77   agreed by 3 of 3 operators: north-collective, ferryman, millrace\n\
         {name}  A     {values}   {why}\nhome: {why}\n"
    )
}

const WANTS: &str = "wants 203.0.113.77";

#[test]
fn a_dns_server_that_is_not_there() {
    let why = "SERVER cannot be reached over TCP: Connection refused (os error 111); see that SERVER runs and can be reached from here";
    let text = stopped(GAUGE, WANTS, why);
    Wrong::default().prints("preview", &begun().run(&["preview"]), 75, &format!("{text}Nothing was written.\n"));
}

#[test]
fn nothing_to_look_back_on() {
    let (begun, mut wrong) = (begun(), Wrong::default());
    wrong.prints("status", &begun.run(&["status"]), 69, "No daemon runs here; what it left behind: no record was seen in step.\n\
         ! start it: sudo systemctl enable --now fingerpost, or fingerpost daemon\n\nrecords\ngauge.heronmill.example  A        \
         unknown: never seen in step\n\nproviders\nhome  not read yet, 100 of 100 \
         writes left today\n\nthe log\n0 entries, its chain held at the start\n");
    wrong.fails(
        "follow",
        &begun.run(&["status", "--follow"]),
        69,
        "no daemon runs on state; start it (sudo systemctl enable --now fingerpost, or fingerpost daemon)",
    );
    for command in [&["audit", "show"][..], &["audit", "show", "--plot"]] {
        wrong.prints(
            &command.join(" "),
            &begun.run(command),
            0,
            "There is no audit log in state yet; the daemon writes it, and `fingerpost sync`.\n",
        );
    }
    let way = "cannot read state; name the state directory, in which the log is, by --state-dir: No such file or directory (os error 2)";
    wrong.fails("audit verify", &begun.run(&["audit", "verify"]), 65, way);
    // Where no directory can be.
    begun.home.write("state", "", 0o644);
    for command in ["sync", "daemon"] {
        wrong.fails(command, &begun.run(&[command]), 73, "cannot open state; it must be writable for the user that runs fingerpost; what stands in the place of a directory there must be moved away: Not a directory (os error 20)");
    }
}

/// What belongs to somebody else. Nobody keeps root from anything, so root becomes somebody else for it.
#[test]
fn no_permission() {
    let (begun, mut wrong) = (begun(), Wrong::default());
    let home = &begun.home;
    fs::create_dir(home.path("state")).unwrap();
    let open = |name: &str, mode: u32| fs::set_permissions(home.path(name), fs::Permissions::from_mode(mode)).unwrap();
    open("", 0o755);
    // Where everybody can run it.
    fs::copy(env!("CARGO_BIN_EXE_fingerpost"), home.path("program")).unwrap();
    let other = ["setpriv", "--reuid=65534", "--regid=65534", "--clear-groups"];
    let prefix: &[&str] = if geteuid().is_root() { &other } else { &[] };
    let run = |words: &[&str]| begun.start(prefix, &home.path("program"), &LAB, words);

    open("fingerpost.toml", 0o000);
    wrong.fails("the configuration", &run(&["config", "check"]), 78, "fingerpost.toml: cannot be read: Permission denied (os error 13); let the user that runs fingerpost read it, or name another \
         with --config");
    open("fingerpost.toml", 0o644);
    open("gauge.key", 0o000);
    let key = "fingerpost.toml:21: provider.home.key.secret.file:";
    let denied = "DIR/gauge.key may not be read by the user that runs this";
    let way = "run this as root (sudo); a service that runs as another user gets it as a systemd credential (LoadCredential= in its \
               unit, and { credential = \"NAME\" } here)";
    for command in ["preview", "sync", "daemon"] {
        wrong.fails(command, &run(&[command]), 78, &format!("{key} {denied}; {way}"));
    }
    // Who signs nothing needs no key.
    let note = format!("note: {key} cannot be checked here: {denied}; run this as root (sudo) to check it too\n");
    wrong.prints("check without the key", &run(&["config", "check"]), 0, &format!("{note}fingerpost.toml holds.\n"));
    let shown = run(&["config", "show"]);
    assert!(shown.status == 0 && shown.stdout.contains("{ file = \"gauge.key\" }"), "{shown:?}");
    assert_eq!(run(&["locate"]).status, 0);
    assert!(run(&["status"]).stdout.starts_with("No daemon runs here"));
    wrong.prints(
        "the log without the key",
        &run(&["audit", "show"]),
        0,
        "There is no audit log in state yet; the daemon writes it, and `fingerpost sync`.\n",
    );
    // The key is anybody's who runs it, and the state is not.
    let secret = [("KEY", SECRET_BASE64), LAB[0], LAB[1]];
    begun.edit("{ file = \"gauge.key\" }", "{ env = \"KEY\" }");
    open("state", 0o000);
    let run = |words: &[&str]| begun.start(prefix, &home.path("program"), &secret, words);
    wrong.fails("preview", &run(&["preview"]), 73, "cannot read state/audit.jsonl; until it can, nothing is sent to any provider; run this as root (sudo), or as the user to whom \
         that directory belongs: Permission denied (os error 13)");
    wrong.fails("sync", &run(&["sync"]), 73, "cannot open state; it must be writable for the user that runs fingerpost; run this as root (sudo), or as the user to whom that \
         directory belongs: Permission denied (os error 13)");
    wrong.fails(
        "status",
        &run(&["status"]),
        77,
        "state/status.sock may not be opened; run this as root (sudo), or as the user that runs the daemon",
    );
    wrong.fails("audit", &run(&["audit", "show"]), 77, "cannot list state; run this as root (sudo), or as the user that runs the daemon: Permission denied (os error 13)");
    let base = ["config", "new", "--zone", ZONE, "--record", GAUGE, "--server", "ns1.heronmill.example"];
    let new = [&base[..], &["--witness", "ferryman=https://ip.ferryman.example/", "--out", "state/new.toml"]].concat();
    wrong.fails("new", &run(&new), 73, "state/new.toml: cannot be written: Permission denied (os error 13); run this as root (sudo), or name another file with --out");
    // So that it can be removed.
    open("state", 0o700);
}

/// The zone of the servers, in which the key may change [`GAUGE`].
fn zone() -> ZoneSetup {
    ZoneSetup { grants: vec![Grant { key: KEY.name, name: Some(GAUGE) }], ..ZoneSetup::new("gauge 120 A 203.0.113.9") }
}

const OTHER: ServerKey =
    ServerKey { name: "other-key", algorithm: "hmac-sha256", secret: "YW5vdGhlciBzZWNyZXQsIGFsc28gMzIgYnl0ZXMgbG8=" };

#[test]
#[ignore = "needs named: tests/all.sh runs it"]
fn a_dns_server_that_refuses() {
    const MILL: &str = "mill.heronmill.example";
    let named = DnsServer::start::<Named>(&[KEY, OTHER], &[zone()]);
    let cases: [(Prepare, &str, &str, &str); 6] = [
        (
            |begun| begun.home.write("gauge.key", OTHER.secret, 0o600),
            GAUGE,
            WANTS,
            "the secret of the key gauge-key is not the one SERVER has (BADSIG, unsigned, so a hint only); make `key.secret` \
             here and the secret of gauge-key on SERVER the same; a key that was changed here counts from a reload on, one that \
             is a systemd credential from a restart",
        ),
        (
            |begun| begun.edit("\"gauge-key\"", "\"gouge-key\""),
            GAUGE,
            WANTS,
            "SERVER does not know the key gouge-key with hmac-sha256 (BADKEY, unsigned, so a hint only); give SERVER that key \
             (Knot also wants it in an `acl` of heronmill.example), or correct `key.name` and `key.algorithm` here; a key \
             that was changed here counts from a reload on, one that is a systemd credential from a restart",
        ),
        (
            |begun| {
                begun.edit("\"gauge-key\"", "\"other-key\"");
                begun.home.write("gauge.key", OTHER.secret, 0o600);
            },
            GAUGE,
            "203.0.113.9 → 203.0.113.77",
            "SERVER does not let the key other-key change gauge.heronmill.example A (REFUSED, signed); let other-key change \
             gauge.heronmill.example A on SERVER: in BIND a grant in the zone's `update-policy`, in Knot an `acl` of the zone \
             with `action: update`",
        ),
        (
            |begun| begun.edit("name = \"gauge.heron", "name = \"mill.heron"),
            MILL,
            "nothing → 203.0.113.77",
            "SERVER does not let the key gauge-key change mill.heronmill.example A (REFUSED, signed); let gauge-key change \
             mill.heronmill.example A on SERVER: in BIND a grant in the zone's `update-policy`, in Knot an `acl` of the zone \
             with `action: update`",
        ),
        (
            |begun| begun.edit("heronmill.example", "tern.example"),
            "gauge.tern.example",
            WANTS,
            "SERVER does not answer for tern.example (REFUSED, signed); check that SERVER serves tern.example and lets this \
             machine query it",
        ),
        (
            |begun| begun.edit("zone = \"heron", "zone = \"gauge.heron"),
            GAUGE,
            WANTS,
            "gauge.heronmill.example is no zone of its own at SERVER, but lies in heronmill.example; set `zone` to \
             heronmill.example",
        ),
    ];
    let mut wrong = Wrong::default();
    for (prepare, name, values, why) in cases {
        let begun = Begun::at(&named.address());
        prepare(&begun);
        wrong.prints("sync", &begun.run(&["sync"]), 77, &stopped(name, values, why));
    }
}

/// libfaketime gives the program another clock than the server's.
#[test]
#[ignore = "needs named and faketime: tests/all.sh runs it"]
fn a_clock_that_is_wrong() {
    let named = DnsServer::start::<Named>(&[KEY], &[zone()]);
    let begun = Begun::at(&named.address());
    let done = begun.run_by(&["faketime", "-f", "-1h"], &LAB, &["preview"]);
    // The two read their clocks one after the other, in whole seconds.
    let done = (3597..=3603).fold(done, |done, seconds| Done {
        stdout: done.stdout.replace(&format!(" {seconds} s behind"), " 3600 s behind"),
        ..done
    });
    let why = "this clock is 3600 s behind that of SERVER (BADTIME, signed); set the clock that is wrong, for example by NTP \
               (RFC 5905)";
    let text = stopped(GAUGE, WANTS, why);
    Wrong::default().prints("preview", &done, 75, &format!("{text}Nothing was written.\n"));
}
