//! What `config new` writes is taken by the daemon's own check, and its statements by the real servers: the key can do
//! what is needed, and no more.

use std::fs;
use std::net::SocketAddr;
use std::path::Path;
use std::process::Command;

use fingerpost::record::RecordType;

use crate::common::knot::Knotd;
use crate::common::named::Named;
use crate::common::powerdns::PowerDns;
use crate::common::{DnsServer, KEY, SECRET_BASE64, ServerKey, Software, ZONE, ZoneSetup, run, set};
use crate::living::echoes;
use crate::{Done, Home};

/// Where the name points at the beginning.
const OLD: &str = "203.0.113.9";
/// Where the home is.
const HOME: &str = "203.0.113.77";
const GAUGE: &str = "gauge.heronmill.example";

/// `config new` for Heron Mill with these options besides.
fn fresh(home: &Home, options: &[&str]) -> Done {
    let base = ["config", "new", "--zone", ZONE, "--record", GAUGE, "--secret", "gauge.key"];
    home.run(&[&base, options].concat())
}

/// The statement for the server, as it is told.
fn statement(home: &Home, options: &[&str]) -> String {
    let done = fresh(home, &[&["--replace", "--json"], options].concat());
    let document: serde_json::Value =
        serde_json::from_str(&done.stdout).unwrap_or_else(|error| panic!("{error}: {done:?}"));
    document["grant"]["statement"].as_str().unwrap().to_owned()
}

const WITNESSES: [&str; 6] = [
    "--witness",
    "north-collective=https://echo.north.example/",
    "--witness",
    "ferryman=https://ip.ferryman.example/caller#/address",
    "--witness",
    "millrace=stun:stun.millrace.example",
];

#[test]
fn what_is_written_holds_and_says_how_to_go_on() {
    let home = Home::new();
    home.write("gauge.key", SECRET_BASE64, 0o600);
    let options = [&["--server", "ns1.heronmill.example", "--software", "bind"], &WITNESSES[..]].concat();
    let done = fresh(&home, &options);
    let wanted = "fingerpost.toml is written, and holds.

On BIND make the key with `tsig-keygen -a hmac-sha256 gauge-key`, include what that prints in named.conf,
and grant exactly this in the zone: the key can then change these names and nothing else.

    zone \"heronmill.example\" {
        type primary;
        file \"/var/lib/bind/heronmill.example.zone\";
        update-policy {
            grant gauge-key name gauge.heronmill.example A;
        };
    };

Next:
  1. Put the key's secret alone, in Base64, into DIR/gauge.key, for its owner only (chmod 600).
  2. Check it: fingerpost --config fingerpost.toml config check
  3. Ask the witnesses: fingerpost --config fingerpost.toml locate
  4. See what would be written; nothing is: fingerpost --config fingerpost.toml preview
  5. Start it as root, or with a --state-dir of yours: fingerpost --config fingerpost.toml daemon; the service reads /etc/fingerpost/fingerpost.toml
";
    assert_eq!(done, Done { status: 0, stdout: wanted.into(), stderr: String::new() });
    let checked = home.run(&["config", "check"]);
    assert_eq!(checked, Done { status: 0, stdout: "fingerpost.toml holds.\n".into(), stderr: String::new() });
    // On standard output it is the same.
    let printed = fresh(&home, &[&options[..], &["--out", "-"]].concat());
    assert_eq!(printed.stdout, fs::read_to_string(home.path("fingerpost.toml")).unwrap());

    // It stays as it is, until it is to be replaced.
    let told = "fingerpost: fingerpost.toml is there already, and stays as it is; name another file with --out, or write \
                over it with --replace\n";
    assert_eq!(fresh(&home, &options), Done { status: 73, stdout: String::new(), stderr: told.into() });
    let narrow = statement(&home, &[&options[..], &["--types", "A,AAAA"]].concat());
    assert!(narrow.contains("gauge.heronmill.example A AAAA;"), "{narrow}");
}

#[test]
fn with_a_credential_it_says_how_the_service_gets_it() {
    let home = Home::new();
    let base = ["config", "new", "--zone", ZONE, "--record", GAUGE, "--server", "ns1.heronmill.example"];
    let done = home.run(&[&base[..], &WITNESSES].concat());
    let (_, next) = done.stdout.split_once("\nNext:\n").unwrap();
    let wanted = "  1. Put the key's secret alone, in Base64, into /etc/fingerpost/gauge.key, for its owner only (chmod 600).
  2. Write LoadCredential=gauge.key:/etc/fingerpost/gauge.key below [Service]: sudo systemctl edit fingerpost
  3. Check it: fingerpost --config fingerpost.toml config check
  4. Ask the witnesses: fingerpost --config fingerpost.toml locate
  5. See what would be written; nothing is:
     sudo systemd-run --pipe --wait --property=LoadCredential=gauge.key:/etc/fingerpost/gauge.key /usr/bin/fingerpost --config DIR/fingerpost.toml preview
";
    assert!(done.status == 0 && next.starts_with(wanted), "{done:#?}");
}

#[test]
fn what_is_still_missing_is_told() {
    let home = Home::new();
    let done =
        fresh(&home, &["--server", "ns1.heronmill.example", "--witness", "ferryman=https://ip.ferryman.example/"]);
    let told = "fingerpost.toml is written. Before it holds:
  fingerpost.toml:45: provider.home.key.secret.file: there is no such file in DIR; put the secret there, for its owner only (chmod 600)
";
    assert!(done.status == 78 && done.stdout.starts_with(told), "{done:#?}");
    let first = "\n  1. Name witnesses of two more operators: the word of one alone decides.\n";
    assert!(done.stdout.contains(first), "{done:#?}");
}

/// The service is a user of its own, and a description only begins as a skeleton: neither is found out by failing.
#[test]
fn what_a_kind_needs_besides_is_a_step() {
    let home = Home::new();
    let base = ["config", "new", "--replace", "--zone", ZONE, "--record", GAUGE];
    let first = |options: &[&str]| {
        let done = home.run(&[&base[..], &WITNESSES, options].concat());
        done.stdout.split_once("\nNext:\n").unwrap().1.lines().next().unwrap().to_owned()
    };
    assert_eq!(
        first(&["--kind", "rest", "--server", "https://api.dnshost.example"]),
        "  1. Make DIR/providers/record.toml say what the API's own pages say; where there is none yet, begin with record.toml or \
         rrset.toml."
    );
    assert_eq!(
        first(&["--kind", "zonefile", "--file", "/etc/bind/zones/heronmill.example.zone"]),
        "  1. Let the service write there: ReadWritePaths=/etc/bind/zones and SupplementaryGroups= with the file's group, below \
         [Service]: sudo systemctl edit fingerpost"
    );
}

/// A server of this kind is told what `config new` says; the configuration is used as it was written.
fn keeps_the_name<S: Software>(software: &str, zone_with: impl Fn(&str) -> String) {
    let home = Home::new();
    home.write("gauge.key", SECRET_BASE64, 0o600);
    let echoes = echoes(HOME.parse().unwrap());
    let asked: Vec<String> = ["north-collective", "ferryman", "millrace"]
        .iter()
        .zip(echoes.iter())
        .flat_map(|(operator, echo)| ["--witness".to_owned(), format!("{operator}={}", echo.url())])
        .collect();
    let asked: Vec<&str> = asked.iter().map(String::as_str).collect();
    let new = |server: &str| statement(&home, &[&["--server", server, "--software", software], &asked[..]].concat());
    // The server's address is known only when it runs; what it has to be told does not hang on it.
    let extra = zone_with(&new("127.0.0.1"));
    let setup = ZoneSetup {
        grants: vec![],
        extra: extra.leak(),
        ..ZoneSetup::new("gauge 120 A 203.0.113.9\nmill 300 A 203.0.113.9")
    };
    let server = DnsServer::start::<S>(&[KEY], &[setup]);
    new(&server.address());
    let lab = [
        ("FINGERPOST_WATCH__ACCEPT_SPECIAL", "[\"203.0.113.0/24\"]"),
        ("FINGERPOST_PROVIDER__HOME__CONFIRM", "off"),
        ("FINGERPOST_WATCH__SETTLE_EVERY", "100ms"),
        ("FINGERPOST_STATE_DIR", "state"),
    ];
    let gauge = || server.rrset(GAUGE, RecordType::A).unwrap();
    assert_eq!(gauge(), set(120, &[OLD]));
    let done = home.run_by(&[], &lab, &["sync"]);
    assert_eq!((done.status, gauge()), (0, set(120, &[HOME])), "{done:#?}\n{}", server.log());

    // No other name, and no other type, by nsupdate with the same key.
    let port = server.port();
    for line in
        ["update add mill.heronmill.example 300 A 203.0.113.66", "update add gauge.heronmill.example 300 TXT heron"]
    {
        let text = format!("server 127.0.0.1 {port}\nzone {ZONE}\n{line}\nsend\n");
        let serial = server.serial(ZONE);
        run("nsupdate", &["-v", "-y", &format!("{}:{}:{}", KEY.algorithm, KEY.name, KEY.secret)], &text);
        assert_eq!(server.serial(ZONE), serial, "{line}");
    }
    // That this is the statement's doing: what it allows, nsupdate can do.
    let text = format!("server 127.0.0.1 {port}\nzone {ZONE}\nupdate add {GAUGE} 120 A 203.0.113.66\nsend\n");
    run("nsupdate", &["-v", "-y", &format!("{}:{}:{}", KEY.algorithm, KEY.name, KEY.secret)], &text);
    assert_eq!(gauge(), set(120, &["203.0.113.66", HOME]));
}

#[test]
#[ignore = "needs named: tests/all.sh runs it"]
fn bind_with_its_statement_lets_the_key_do_what_it_has_to_and_no_more() {
    keeps_the_name::<Named>("bind", |statement| {
        let (_, policy) = statement.split_once("update-policy").unwrap();
        let (policy, _) = policy.split_once("};").unwrap();
        format!("update-policy {policy}}};")
    });
}

/// With the statement's own `acl`, to which the zone refers.
struct KnotWith;

impl Software for KnotWith {
    const PROGRAM: &'static str = Knotd::PROGRAM;

    fn configuration(dir: &Path, at: SocketAddr, keys: &[ServerKey], zones: &[ZoneSetup]) -> String {
        let (acl, zone) = zones[0].extra.split_once("\nzone:\n").unwrap();
        let reference = zone.lines().find(|line| line.trim_start().starts_with("acl:")).unwrap();
        let bare = ZoneSetup { extra: "", ..zones[0].clone() };
        let whole = Knotd::configuration(dir, at, keys, &[bare]);
        whole.replace("acl:\n", acl) + reference + "\n"
    }

    fn arguments(file: &Path) -> Vec<String> {
        Knotd::arguments(file)
    }
}

#[test]
#[ignore = "needs knotd: tests/all.sh runs it"]
fn knot_with_its_statement_lets_the_key_do_what_it_has_to_and_no_more() {
    keeps_the_name::<KnotWith>("knot", str::to_owned);
}

/// Names with all that a name may have, as the servers' own checks see them.
#[test]
#[ignore = "needs named and knotd: tests/all.sh runs it"]
fn the_servers_own_checks_take_the_statements() {
    let names = ["--record", "*.heronmill.example", "--record", "_x.heronmill.example", "--types", "A,AAAA"];
    for (software, key, check) in [
        ("bind", &["tsig-keygen", "-a", "hmac-sha256", "gauge-key"][..], &["named-checkconf", "conf"][..]),
        ("knot", &["keymgr", "-t", "gauge-key", "hmac-sha256"], &["knotc", "-c", "conf", "conf-check"]),
    ] {
        let home = Home::new();
        let options = [&["--server", "ns1.heronmill.example", "--software", software], &names[..], &WITNESSES].concat();
        let statement = statement(&home, &options);
        assert!(statement.contains("*.heronmill.example"), "{statement}");
        let run =
            |words: &[&str]| Command::new(words[0]).args(&words[1..]).current_dir(home.path("")).output().unwrap();
        let key = run(key);
        assert!(key.status.success(), "{key:?}");
        home.write("conf", &(String::from_utf8(key.stdout).unwrap() + &statement), 0o644);
        let checked = run(check);
        assert!(checked.status.success(), "{checked:?}\n{statement}");
    }
}

/// By PowerDNS's own tool, on a database of its own.
#[test]
#[ignore = "needs pdns_server and sqlite3: tests/all.sh runs it"]
fn powerdns_takes_the_commands() {
    let home = Home::new();
    let server = DnsServer::start::<PowerDns>(&[], &[ZoneSetup { grants: vec![], ..ZoneSetup::new("") }]);
    let options = [&["--server", "ns1.heronmill.example", "--software", "powerdns"], &WITNESSES[..]].concat();
    for line in statement(&home, &options).lines() {
        let words: Vec<&str> = line.split(' ').collect();
        let dir = format!("--config-dir={}", server.zone_file(ZONE).parent().unwrap().display());
        let output = Command::new(words[0]).arg(dir).args(&words[1..]).output().unwrap();
        assert!(output.status.success(), "{line}: {output:?}");
    }
    let told =
        PowerDns::sql(&server, "SELECT name, algorithm FROM tsigkeys; SELECT kind, content FROM domainmetadata;");
    assert!(told.contains("gauge-key|hmac-sha256\n") && told.contains("TSIG-ALLOW-DNSUPDATE|gauge-key"), "{told}");
}
