//! The layers of a configuration, where each value came from, and the doubts that forbid nothing.

#![expect(clippy::unwrap_used, clippy::panic, reason = "a test fails by panicking")]

#[path = "common/config.rs"]
mod common;

use std::fs;
use std::net::Ipv6Addr;
use std::path::PathBuf;
use std::time::Duration;

use common::{BASE, Home, KEY, SECRET, notes, shown};
use fingerpost::address::Family;
use fingerpost::dns::tsig::TsigAlgorithm;
use fingerpost::record::RecordType;
use fingerpost::settings::{Extract, ProviderKind, Quorum, Sharing, WitnessKind};

/// One witness and nothing else.
const LEAST: &str = r#"
[[witness]]
name = "north"
operator = "north-collective"
kind = "http"
url = "https://echo.north.example/"
"#;

#[test]
fn what_is_written_is_what_is_read() {
    let home = Home::new();
    let config = home.load(BASE).config;
    assert_eq!(config.state_dir, PathBuf::from("/var/lib/fingerpost"));
    assert_eq!(config.watch.every, Duration::from_secs(300));
    assert_eq!(config.watch.quorum, Quorum::Majority);
    assert_eq!(config.watch.accept_special, ["203.0.113.0/24".parse().unwrap()]);
    assert_eq!(config.witnesses[0].families, Family::BOTH);
    assert_eq!(config.witnesses[1].families, Family::BOTH);
    let WitnessKind::Http { url, extract } = &config.witnesses[0].kind else { panic!("not http") };
    assert_eq!((url.as_str(), extract), ("https://echo.north.example/", &Extract::Body));
    let ProviderKind::Rfc2136 { server, key: Some(key) } = &config.providers["home"].kind else { panic!() };
    assert_eq!(server, "ns1.heronmill.example:53");
    assert_eq!((key.name.as_str(), key.algorithm), ("gauge-key", TsigAlgorithm::HmacSha256));
    // The text of SECRET, decoded with coreutils: base64 -d.
    assert_eq!(key.secret.expose(), b"heron mill river gauge  01234567");
    let ProviderKind::Zonefile { file, reload } = &config.providers["shelf"].kind else { panic!() };
    assert_eq!((file, reload), (&home.path("shelf.zone"), &vec!["rndc".to_owned(), "reload".to_owned()]));
    let record = &config.records[0];
    assert_eq!((record.name.as_str(), record.ttl, record.sharing), ("gauge.heronmill.example", 120, Sharing::Sole));
    assert_eq!(record.types, [RecordType::A, RecordType::Aaaa]);
    assert_eq!(record.host_part, Some(Ipv6Addr::from(0x10)));
    assert_eq!((config.limits.burst, config.limits.daily), (3, 100));
    assert_eq!((config.audit.max_bytes, config.audit.keep), (4096, 24));
}

#[test]
fn the_least_file_takes_the_defaults() {
    let loaded = Home::new().load(LEAST);
    let (watch, limits, retry) = (&loaded.config.watch, loaded.config.limits, loaded.config.retry);
    assert_eq!((watch.settle, watch.settle_every), (2, Duration::from_secs(10)));
    assert_eq!((watch.timeout, watch.quorum), (Duration::from_secs(5), Quorum::Majority));
    assert_eq!(limits.spacing, Duration::from_secs(60));
    assert_eq!((retry.initial, retry.max), (Duration::from_secs(5), Duration::from_secs(900)));
    assert_eq!((loaded.config.audit.max_bytes, loaded.config.audit.keep), (1_048_576, 24));
    assert_eq!(shown(&loaded, "watch.every"), ("5m", "default"));
    assert_eq!((watch.prefix_length, shown(&loaded, "watch.prefix_length")), (64, ("64", "default")));
    assert_eq!(shown(&loaded, "witness[0].families"), ("[\"ipv4\", \"ipv6\"]", "default"));
}

#[test]
fn a_host_part_is_written_whole_or_as_a_mac() {
    let by_mac = BASE.replace("\"::10\"", "{ mac = \"00:00:5e:00:53:10\" }");
    let loaded = Home::new().load(&by_mac);
    // RFC 4291, appendix A: ff:fe in the middle, and the second bit from the right of the first octet inverted.
    assert_eq!(loaded.config.records[0].host_part, Some("::200:5eff:fe00:5310".parse().unwrap()));
    assert_eq!(shown(&loaded, "record[0].host_part.mac"), ("\"00:00:5e:00:53:10\"", "fingerpost.toml:49"));
    assert_eq!(loaded.notes, []);

    let shorter = |text: &str| Home::new().load(&text.replace("settle = 2", "settle = 2\nprefix_length = 56"));
    let loaded = shorter(&by_mac);
    assert_eq!(loaded.config.watch.prefix_length, 56);
    assert_eq!(loaded.notes[0].key, "record[0].host_part.mac");
    assert!(loaded.notes[0].remedy.contains("\"::200:5eff:fe00:5310\""), "{}", loaded.notes[0]);
    let loaded = shorter(&BASE.replace("\"::10\"", "\"0:0:0:ff::10\""));
    assert_eq!(loaded.config.records[0].host_part, Some("0:0:0:ff::10".parse().unwrap()));
    assert_eq!(loaded.notes, []);
}

#[test]
fn each_layer_lies_over_the_one_below_and_says_so() {
    let mut home = Home::new();
    home.env("FINGERPOST_WATCH__EVERY", "300s");
    home.env("FINGERPOST_WATCH__QUORUM", "3");
    home.env("FINGERPOST_WATCH__ACCEPT_SPECIAL", r#"["198.51.100.0/24", "2001:db8::/32"]"#);
    home.env("FINGERPOST_STATE_DIR", "/srv/from-the-environment");
    home.env("FINGERPOST_PROVIDER__HOME__SERVER", "ns2.heronmill.example:53");
    home.env("FINGERPOST_PROVIDER__SHELF__FILE", "'/srv/two words'");
    home.env("FINGERPOST_LIMITS", "{ burst = 7 }");
    home.env("UNRELATED", "x");
    home.sources.state_dir = Some("/srv/from-the-option".into());
    let loaded = home.load(BASE);
    assert_eq!(shown(&loaded, "watch.every"), ("5m", "FINGERPOST_WATCH__EVERY"));
    assert_eq!(shown(&loaded, "watch.settle"), ("2", "fingerpost.toml:5"));
    assert_eq!(shown(&loaded, "watch.quorum"), ("3", "FINGERPOST_WATCH__QUORUM"));
    assert_eq!(loaded.config.watch.quorum, Quorum::AtLeast(3));
    assert_eq!(loaded.config.watch.accept_special.len(), 2);
    assert_eq!(shown(&loaded, "state_dir"), ("\"/srv/from-the-option\"", "--state-dir"));
    assert_eq!(loaded.config.state_dir, PathBuf::from("/srv/from-the-option"));
    let server = ("\"ns2.heronmill.example:53\"", "FINGERPOST_PROVIDER__HOME__SERVER");
    assert_eq!(shown(&loaded, "provider.home.server"), server);
    assert_eq!(shown(&loaded, "provider.home.zone"), ("\"heronmill.example\"", "fingerpost.toml:33"));
    assert_eq!(shown(&loaded, "provider.shelf.file").0, "\"/srv/two words\"");
    assert_eq!(shown(&loaded, "limits.burst"), ("7", "FINGERPOST_LIMITS"));
    assert_eq!(shown(&loaded, "limits.daily"), ("100", "fingerpost.toml:55"));
    assert_eq!(shown(&loaded, "provider.home.timeout"), ("10s", "default"));
    assert_eq!(shown(&loaded, "witness[2].url"), ("\"https://tern.example/\"", "fingerpost.toml:29"));
}

#[test]
fn a_provider_with_a_dash_can_be_named_in_a_variable() {
    let mut home = Home::new();
    home.env("FINGERPOST_PROVIDER__MILL_POND__ZONE", "pond.example");
    let loaded = home.load(&BASE.replace("[provider.shelf]", "[provider.mill-pond]"));
    assert_eq!(loaded.config.providers["mill-pond"].zone.as_str(), "pond.example");
}

#[test]
fn a_wrong_variable_is_named_and_its_value_is_not() {
    let long = "hush-hush".repeat(9);
    for (name, value, message) in [
        (
            "FINGERPOST_WATCH__EVERY",
            "hush",
            "watch.every: the value is not a duration; write a number and a unit, such as \"90s\", \"5m\" or \"1h\"",
        ),
        (
            "FINGERPOST_WATCH__EVERY",
            "300",
            "watch.every: the value has no unit; write a number and a unit, such as \"90s\", \"5m\" or \"1h\"",
        ),
        (
            "FINGERPOST_WATCH__SETTLE",
            "hush",
            "watch.settle: a whole number is needed here, and this is text; write it without quotes and without a point",
        ),
        ("FINGERPOST_WATCH__SETTLE", "999", "watch.settle: the value is out of range; write a number from 1 to 100"),
        (
            "FINGERPOST_WATCH",
            "hush",
            "watch: a table is needed here, and this is text; write it as [table] with single brackets, or as { key = value }",
        ),
        ("FINGERPOST_STATE_DIR", "12345", "state_dir: text is needed here, and this is a number; write it in quotes"),
        (
            "FINGERPOST_WATCH__EVERY",
            "'1s'\nsettle = 1",
            "watch.every: the value is not a duration; write a number and a unit, such as \"90s\", \"5m\" or \"1h\"",
        ),
        ("FINGERPOST_WATCH__EVRY", "5m", "watch.evry: unknown key; did you mean `every`?"),
        ("FINGERPOST_WACTH__EVERY", "5m", "wacth: unknown key; did you mean `watch`?"),
        (
            "FINGERPOST_PROVIDER__HOME__SERVER",
            "hush",
            "provider.home.server: the value has no port; write host and port, such as \"ns1.heronmill.example:53\" or \"[2001:db8::1]:53\"",
        ),
        (
            "FINGERPOST_PROVIDER__HOME__KEY__SECRET",
            long.as_str(),
            "provider.home.key.secret: a secret is never written inline; write { file = \"/path\" }, { credential = \"name\" } or { env = \"NAME\" }",
        ),
        (
            "FINGERPOST_PROVIDER__HOME__KEY__ALGORITHM",
            "hush",
            "provider.home.key.algorithm: the value is not one of \"hmac-sha256\", \"hmac-sha384\", \"hmac-sha512\"",
        ),
        (
            "FINGERPOST_WITNESS__0__URL",
            "https://hush.example/",
            "witness: a list of tables cannot be set from the environment; write it in the file, as [[witness]]",
        ),
        (
            "FINGERPOST_RECORD",
            "[{name='hush'}]",
            "record: a list of tables cannot be set from the environment; write it in the file, as [[record]]",
        ),
        (
            "FINGERPOST_",
            "hush",
            "this variable names no key; write FINGERPOST_, the table, two underscores and the key: FINGERPOST_WATCH__EVERY",
        ),
        (
            "FINGERPOST_WATCH__",
            "hush",
            "this variable names no key; write FINGERPOST_, the table, two underscores and the key: FINGERPOST_WATCH__EVERY",
        ),
    ] {
        let mut home = Home::new();
        home.env(name, value);
        assert_eq!(home.problems(BASE), format!("{name}: {message}"));
    }
    // Also when the file has no such list.
    let mut home = Home::new();
    home.env("FINGERPOST_RECORD", "[{name='hush'}]");
    let message = "FINGERPOST_RECORD: record: a list of tables cannot be set from the environment; write it in the file, as [[record]]";
    assert_eq!(home.problems(LEAST), message);
}

#[test]
fn a_problem_of_the_whole_table_stays_in_the_file() {
    let mut home = Home::new();
    home.env("FINGERPOST_PROVIDER__HOME__TIMEOUT", "3s");
    let text = BASE.replace("kind = \"rfc2136\"\n", "");
    assert!(home.problems(&text).starts_with("fingerpost.toml:31: provider.home.kind: this key is required"));
}

#[test]
fn doubts_are_told_and_forbid_nothing() {
    let home = Home::new();
    let only_one = "only one operator is asked for IPv4: there is no vote, its word alone decides";
    let got = notes(&home.load(LEAST));
    assert!(got.contains(&format!(": {only_one}")), "{got:?}");
    assert!(got.iter().any(|note| note.starts_with(": no [[record]] is configured")), "{got:?}");

    let plain = BASE.replace("https://tern", "http://tern");
    let got = notes(&home.load(&plain));
    assert_eq!(got.len(), 1, "{got:?}");
    assert!(got[0].starts_with("witness[2].url: over plain http"), "{got:?}");
    for loopback in ["127.0.0.1:8080", "[::1]:8080", "localhost"] {
        let near = BASE.replace("https://tern.example", &format!("http://{loopback}"));
        assert_eq!(notes(&home.load(&near)), [""; 0], "{loopback}");
    }
    for (host, noted) in [("127.0.0.1:8080", 0), ("[::1]:8080", 0), ("localhost", 0), ("[2001:db8::1]", 1)] {
        let webhook = format!("[[message]]\nname = \"keeper\"\nby = \"webhook\"\nurl = \"http://{host}/\"\n");
        let got = notes(&home.load(&(BASE.to_owned() + &webhook)));
        let is_plain = |note: &String| note.starts_with("message[0].url: over plain http");
        assert!(got.len() == noted && got.iter().all(is_plain), "{host}: {got:?}");
    }

    let same_host = BASE.replace("https://tern.example/", "https://ferryman.example/other");
    let got = notes(&home.load(&same_host));
    assert_eq!(
        got,
        [
            "witness[2].url: ferryman.example is also asked as \"ferry\", under another operator: one host then has two votes"
        ]
    );

    let unused = BASE.replace("\"A\", \"AAAA\"", "\"A\"").replace("host_part = \"::10\"\n", "");
    let unused = unused.replace("[\"ipv4\", \"ipv6\"]", "[\"ipv6\"]");
    assert_eq!(notes(&home.load(&unused)), ["witness[0].families: no record needs the word of \"north\""]);

    let all = BASE.replace("203.0.113.0/24", "0.0.0.0/0");
    assert_eq!(notes(&home.load(&all)).len(), 1);
}

#[test]
fn a_family_that_nobody_is_asked_for_cannot_be_published() {
    let text = BASE.replace("kind = \"http\"\n", "kind = \"http\"\nfamilies = [\"ipv4\"]\n");
    let text = text.replace("families = [\"ipv4\", \"ipv6\"]\n", "");
    let got = Home::new().problems(&text);
    assert!(got.contains("record[0].types: no witness is asked for IPv6, so this record could never be"), "{got}");
    assert!(got.ends_with("add a [[witness]] with families = [\"ipv6\"], or remove the type"), "{got}");
}

#[test]
fn a_quorum_counts_operators_and_only_where_records_need_it() {
    let two_of_one = BASE.replace("\"tern-labs\"", "\"ferryman\"");
    assert_eq!(Home::new().problems(&two_of_one.replace("\"majority\"", "2")), "");
    assert!(Home::new().problems(&two_of_one.replace("\"majority\"", "3")).contains("3 can never be reached"));
    // IPv6 has one operator here and no record.
    let text = BASE.replace("\"A\", \"AAAA\"", "\"A\"").replace("host_part = \"::10\"\n", "");
    let text = text.replace(
        "kind = \"http\"\nurl = \"https://ferry",
        "families = [\"ipv4\"]\nkind = \"http\"\nurl = \"https://ferry",
    );
    let text = text.replace(
        "kind = \"http\"\nurl = \"https://tern",
        "families = [\"ipv4\"]\nkind = \"http\"\nurl = \"https://tern",
    );
    assert_eq!(Home::new().problems(&text.replace("\"majority\"", "3")), "");
}

#[test]
fn a_name_may_live_at_two_providers_and_be_a_wildcard() {
    let more = "\n[[record]]\nname = \"shelf.example\"\ntypes = [\"A\"]\nprovider = \"shelf\"\n\
                \n[[record]]\nname = \"*.heronmill.example\"\ntypes = [\"A\"]\nprovider = \"home\"\n\
                \n[[record]]\nname = \"gauge.heronmill.example\"\ntypes = [\"A\"]\nprovider = \"twin\"\n\
                \n[provider.twin]\nkind = \"zonefile\"\nzone = \"heronmill.example\"\nfile = \"/srv/twin.zone\"\n";
    assert_eq!(Home::new().load(&format!("{BASE}{more}")).config.records.len(), 4);
}

#[test]
fn unsigned_updates_stay_on_this_machine() {
    for (server, good) in [
        ("127.0.0.1:53", true),
        ("127.9.9.9:5353", true),
        ("[::1]:53", true),
        ("localhost:53", true),
        ("ns1.heronmill.example:53", false),
        ("localhost.heronmill.example:53", false),
        ("192.0.2.1:53", false),
        ("[2001:db8::1]:53", false),
        ("0.0.0.0:53", false),
    ] {
        let text = BASE.replace("ns1.heronmill.example:53", server).replace("unsigned = false", "unsigned = true");
        let text = text.lines().filter(|line| !line.starts_with("key = ")).collect::<Vec<_>>().join("\n");
        let got = Home::new().problems(&text);
        assert_eq!(got.is_empty(), good, "{server}: {got}");
    }
}

#[test]
fn a_fingerprint_changes_with_what_it_stands_for_and_nothing_else() {
    let mut home = Home::new();
    let print = |home: &Home, text: &str| home.load(text).config.providers["home"].fingerprint.clone();
    let first = print(&home, BASE);
    assert!(first.len() == 64 && first.bytes().all(|b| b.is_ascii_hexdigit()), "{first}");
    // Elsewhere, and only written otherwise.
    let moved = format!("# a line more\n{}", BASE.replace("burst = 3", "burst = 4").replace("unsigned = false\n", ""));
    assert_eq!(print(&home, &moved), first);
    assert_ne!(print(&home, &BASE.replace("ns1.heronmill", "ns2.heronmill")), first);
    assert_ne!(print(&home, &BASE.replace("\"gauge-key\"", "\"other-key\"")), first);
    assert_ne!(home.load(BASE).config.providers["shelf"].fingerprint, first);
    // The same secret written anew, as the service manager does with a credential at each start.
    home.write("new.key", SECRET.as_bytes(), 0o600);
    fs::rename(home.path("new.key"), home.path("gauge.key")).unwrap();
    assert_eq!(print(&home, BASE), first);
    // Another secret, of the same length, put in the old one's place.
    home.write("new.key", SECRET.replace('a', "b").as_bytes(), 0o600);
    fs::rename(home.path("new.key"), home.path("gauge.key")).unwrap();
    assert_ne!(print(&home, BASE), first);
    home.env("GAUGE_KEY", SECRET);
    let by_env = BASE.replace(KEY, "secret = { env = \"GAUGE_KEY\" }");
    let with_env = print(&home, &by_env);
    home.sources.env.clear();
    home.env("GAUGE_KEY", "aGVyb24gbWlsbA==");
    assert_ne!(print(&home, &by_env), with_env);
}

#[test]
fn a_program_s_fingerprint_stands_for_its_environment_and_secret_too() {
    let home = Home::new();
    home.write("token", b"a token", 0o600);
    let program = |more: &str| {
        let shelf =
            "kind = \"zonefile\"\nzone = \"shelf.example\"\nfile = \"shelf.zone\"\nreload = [\"rndc\", \"reload\"]";
        let program = format!("kind = \"program\"\nzone = \"shelf.example\"\ncommand = [\"/bin/mill-dns\"]\n{more}");
        BASE.replace(shelf, &program)
    };
    let print = |more: &str| home.load(&program(more)).config.providers["shelf"].fingerprint.clone();
    let secret = "env = { MILL = \"race\" }\nsecret = { file = \"token\" }";
    let first = print(secret);
    assert_eq!(print(secret), first);
    assert_ne!(print("secret = { file = \"token\" }"), first);
    assert_ne!(print(&secret.replace("race", "weir")), first);
    home.write("token", b"another", 0o600);
    assert_ne!(print(secret), first);
    let loaded = home.load(&program(secret));
    assert!(!format!("{loaded:?}").contains("another"));
    let shown = |key: &str| loaded.shown.iter().find(|shown| shown.key == key).unwrap().value.clone();
    assert_eq!(shown("provider.shelf.env.MILL"), "\"race\"");
    assert!(shown("provider.shelf.secret").starts_with("{ file = "));
}
