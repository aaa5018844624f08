//! Names and zones, as real servers have them.

use std::path::Path;
use std::time::SystemTime;

use fingerpost::audit::{Event, Word};
use fingerpost::clock::Timestamp;
use fingerpost::exposure::home::Home;
use fingerpost::exposure::{Check, Finding, Grade};

use crate::common::named::Named;
use crate::common::powerdns::{API_KEY, PowerDns};
use crate::common::{DnsServer, KEY, SECRET_BASE64, ZONE, ZoneSetup};
use crate::{NAME, of, run, see};

/// The gauge is behind the edge; `weir` is how the edge finds the home.
const CLEAN: &str = "gauge A 198.51.100.70
gauge AAAA 2001:db8:e::70
gauge HTTPS 1 . alpn=h2 ipv4hint=198.51.100.70
weir A 203.0.113.77
@ MX 10 mail.quayside.example.
@ TXT \"v=spf1 ip4:198.51.100.5 include:quayside.example -all\"
www CNAME gauge
_acme-challenge TXT \"7Yh203.0.113.7\"
";

/// One of each kind, and what is told of it.
const PLANTED: [(&str, &str); 14] = [
    ("ftp A 203.0.113.77", "ftp A holds 203.0.113.77"),
    ("nas AAAA 2001:db8:5::20", "nas AAAA holds 2001:db8:5::20"),
    ("*.lab A 203.0.113.77", "*.lab A holds 203.0.113.77"),
    ("old A 203.0.113.9", "old A holds 203.0.113.9 (the home's until 1970-01-01T00:00:01Z)"),
    ("mx MX 10 weir", "mx MX leads to weir.heronmill.example, which has 203.0.113.77"),
    ("_sip._tcp SRV 0 5 5060 weir", "_sip._tcp SRV leads to weir.heronmill.example, which has 203.0.113.77"),
    ("alias CNAME weir", "alias CNAME leads to weir.heronmill.example, which has 203.0.113.77"),
    (
        "spf TXT \"v=spf1 ip4:203.0.113.\" \"77 -all\"",
        "spf TXT has the SPF term ip4:203.0.113.77, which tells of 203.0.113.77",
    ),
    (
        "spf6 TXT \"v=spf1 ip6:2001:db8:5::/64 -all\"",
        "spf6 TXT has the SPF term ip6:2001:db8:5::/64, which tells of 2001:db8:5::77",
    ),
    (
        "spfa TXT \"v=spf1 a:weir.heronmill.example -all\"",
        "spfa TXT has the SPF term a:weir.heronmill.example, which tells of 203.0.113.77",
    ),
    ("note TXT \"backup=203.0.113.77\"", "note TXT holds 203.0.113.77"),
    ("hint HTTPS 1 gauge ipv4hint=203.0.113.77", "hint HTTPS hints at 203.0.113.77"),
    ("hint6 SVCB 1 gauge ipv6hint=2001:db8:5::77", "hint6 SVCB hints at 2001:db8:5::77"),
    ("target SVCB 1 weir", "target SVCB leads to weir.heronmill.example, which has 203.0.113.77"),
];

/// The home has moved in IPv4.
pub(crate) fn moved(from: &str, to: &str) -> Event {
    let to = to.parse().unwrap();
    let word = Word { address: to, agreed: vec![], dissent: vec![], silent: vec![] };
    let family = fingerpost::address::Family::Ipv4;
    Event::Settled { line: None, family, from: from.parse().ok(), to, word }
}

fn home() -> Home {
    let mut home = crate::home(&["203.0.113.77", "2001:db8:5::77"]);
    home.remember(Timestamp::from_millis(1000), &moved("203.0.113.9", "203.0.113.77"));
    home
}

fn now() -> Timestamp {
    Timestamp::from(SystemTime::now())
}

fn named(lines: &str) -> DnsServer {
    DnsServer::start::<Named>(&[KEY], &[ZoneSetup::new(lines)])
}

fn service() -> String {
    format!(
        "[[exposure.service]]\nname = \"{NAME}\"\nedge_ranges = [\"198.51.100.64/28\", \"2001:db8:e::/48\"]\n\
         origin = \"127.0.0.1:9\"\n"
    )
}

fn by_transfer(dir: &Path, server: &DnsServer) -> Vec<Finding> {
    std::fs::write(dir.join("key"), SECRET_BASE64).unwrap();
    std::fs::set_permissions(dir.join("key"), std::os::unix::fs::PermissionsExt::from_mode(0o600)).unwrap();
    let provider = format!(
        "[provider.home]\nkind = \"rfc2136\"\nzone = \"{ZONE}\"\nconfirm = \"off\"\nserver = \"{}\"\n\
         key = {{ name = \"gauge-key\", algorithm = \"hmac-sha256\", secret = {{ file = \"key\" }} }}\n",
        server.address()
    );
    kept(dir, &provider)
}

fn by_file(dir: &Path, lines: &str) -> Vec<Finding> {
    std::fs::write(dir.join("zone"), ZoneSetup::new(lines).master_file()).unwrap();
    kept(dir, &format!("[provider.home]\nkind = \"zonefile\"\nzone = \"{ZONE}\"\nconfirm = \"off\"\nfile = \"zone\"\n"))
}

/// The zone of a PowerDNS, by its HTTP API.
fn by_api(dir: &Path, lines: &str) -> Vec<Finding> {
    let server = DnsServer::start::<PowerDns>(&[], &[ZoneSetup { grants: Vec::new(), ..ZoneSetup::new(lines) }]);
    std::fs::write(dir.join("token"), API_KEY).unwrap();
    std::fs::set_permissions(dir.join("token"), std::os::unix::fs::PermissionsExt::from_mode(0o600)).unwrap();
    let provider = format!(
        "[provider.home]\nkind = \"rest\"\nzone = \"{ZONE}\"\nconfirm = \"off\"\ndescription = \"{}\"\n\
         values = {{ server = \"{}\" }}\ntoken = {{ file = \"token\" }}\n",
        concat!(env!("CARGO_MANIFEST_DIR"), "/config/providers/powerdns.toml"),
        PowerDns::api(&server)
    );
    kept(dir, &provider)
}

/// The leaks, where fingerpost keeps `weir`.
fn kept(dir: &Path, provider: &str) -> Vec<Finding> {
    let record = format!("[[record]]\nname = \"weir.{ZONE}\"\ntypes = [\"A\"]\nprovider = \"home\"\n");
    run(see(dir, &format!("{provider}{record}{}", service()), &home(), now()))
}

#[test]
#[ignore = "needs named: tests/all.sh runs it"]
fn each_leak_that_is_planted_in_a_zone_is_found() {
    let dir = tempfile::tempdir().unwrap();
    let all: String = PLANTED.iter().map(|(line, _)| format!("{line}\n")).collect();
    let zone = format!("{CLEAN}{all}");
    let found = by_transfer(dir.path(), &named(&zone));
    let leaks = of(&found, Check::Leaks);
    assert_eq!(leaks.grade, Grade::Amiss);
    // Twelve are told one by one; each alone is told below.
    assert!(leaks.seen.ends_with("; and 2 more"), "{leaks:?}");
    for (line, told) in PLANTED {
        let zone = format!("{CLEAN}{line}\n");
        let told = told.split_once(' ').map(|(owner, rest)| format!("{owner}.{ZONE} {rest}")).unwrap();
        let server = named(&zone);
        let found = by_transfer(dir.path(), &server);
        let leaks = of(&found, Check::Leaks);
        assert_eq!((leaks.grade, leaks.seen.as_str()), (Grade::Amiss, told.as_str()), "{line}");
        // What a master file says is read as BIND reads it.
        assert_eq!(of(&by_file(dir.path(), &zone), Check::Leaks), leaks, "{line}");
    }
}

/// As the master file from which the server was filled, which is read as BIND reads it.
#[test]
#[ignore = "needs pdns_server: tests/all.sh runs it"]
fn a_zone_behind_an_api_is_read_as_its_master_file() {
    let dir = tempfile::tempdir().unwrap();
    for planted in PLANTED.iter().map(|(line, _)| *line).chain([""]) {
        // PowerDNS takes a relative target of these types for a whole name (measured with 4.7).
        let planted = if planted.ends_with("SVCB 1 weir") { format!("{planted}.{ZONE}.") } else { planted.to_owned() };
        let zone = format!("{CLEAN}{planted}\n");
        let found = by_api(dir.path(), &zone);
        let leaks = of(&found, Check::Leaks);
        assert_eq!(leaks.grade, if planted.is_empty() { Grade::Good } else { Grade::Amiss }, "{planted}: {leaks:?}");
        assert_eq!(leaks, of(&by_file(dir.path(), &zone), Check::Leaks), "{planted}");
    }
}

#[test]
#[ignore = "needs named: tests/all.sh runs it"]
fn a_clean_zone_has_no_leak() {
    let dir = tempfile::tempdir().unwrap();
    let found = by_transfer(dir.path(), &named(CLEAN));
    let leaks = of(&found, Check::Leaks);
    assert_eq!((leaks.grade, leaks.seen.as_str()), (Grade::Good, "no address of the home in 11 records"));
    assert_eq!(of(&by_file(dir.path(), CLEAN), Check::Leaks), leaks);
}

#[test]
#[ignore = "needs named: tests/all.sh runs it"]
fn a_zone_that_may_not_be_read_is_not_clean() {
    let dir = tempfile::tempdir().unwrap();
    let setup = ZoneSetup { extra: "allow-transfer { none; };", ..ZoneSetup::new(CLEAN) };
    let server = DnsServer::start::<Named>(&[KEY], &[setup]);
    let found = by_transfer(dir.path(), &server);
    let leaks = of(&found, Check::Leaks);
    assert_eq!(leaks.grade, Grade::Unknown);
    assert!(leaks.seen.contains("REFUSED") && leaks.seen.contains("let the key transfer the zone"), "{leaks:?}");
}

#[test]
#[ignore = "needs named: tests/all.sh runs it"]
fn a_name_is_masked_by_the_word_of_two_servers() {
    let dir = tempfile::tempdir().unwrap();
    let (edge, around, bare) = (
        named(CLEAN),
        named("gauge A 198.51.100.70\ngauge AAAA 2001:db8:5::10"),
        named("gauge CNAME weir\nweir A 203.0.113.77"),
    );
    let second = named(CLEAN);
    let mut down = named("");
    let down_at = down.address();
    let see = |resolvers: [&str; 2]| {
        let text = format!("[exposure]\nresolvers = [\"{}\", \"{}\"]\n{}", resolvers[0], resolvers[1], service());
        let found = run(see(dir.path(), &text, &home(), now()));
        let grade = |check| of(&found, check).grade;
        ((grade(Check::Masked), grade(Check::Families)), of(&found, Check::Masked).seen.clone())
    };
    let (edge, second, around, bare) = (edge.address(), second.address(), around.address(), bare.address());
    let (grades, seen) = see([&edge, &second]);
    assert_eq!(grades, (Grade::Good, Grade::Good));
    assert_eq!(seen, format!("198.51.100.70, 2001:db8:e::70 by {edge}, {second}"));
    let (grades, seen) = see([&edge, &around]);
    assert_eq!(grades, (Grade::Amiss, Grade::Amiss));
    assert_eq!(seen, format!("{around} tells 2001:db8:5::10, the home's own address"));
    let (grades, seen) = see([&edge, &bare]);
    assert_eq!(grades.0, Grade::Amiss);
    assert_eq!(seen, format!("{bare} tells 203.0.113.77, the home's own address"));
    // One that has no such name.
    let (grades, seen) = see([&edge, &down_at]);
    assert_eq!((grades.0, seen), (Grade::Amiss, format!("{down_at} tells no address")));
    down.stop();
    let (grades, seen) = see([&edge, &down_at]);
    assert_eq!(grades.0, Grade::Unknown);
    assert!(seen.starts_with(&format!("{down_at}: ")), "{seen}");
}

#[test]
#[ignore = "needs named: tests/all.sh runs it"]
fn without_resolvers_the_servers_of_the_zone_are_asked() {
    let dir = tempfile::tempdir().unwrap();
    std::fs::write(dir.path().join("zone"), ZoneSetup::new(CLEAN).master_file()).unwrap();
    let masked = |servers: &[&str]| {
        let provider = format!(
            "[provider.home]\nkind = \"zonefile\"\nzone = \"{ZONE}\"\nfile = \"zone\"\nconfirm = {servers:?}\n"
        );
        let found = run(see(dir.path(), &format!("{provider}{}", service()), &home(), now()));
        let masked = of(&found, Check::Masked);
        (masked.grade, masked.seen.clone())
    };
    let (first, second) = (named(CLEAN), named(CLEAN));
    let (first, second) = (first.address(), second.address());
    let seen = format!("198.51.100.70, 2001:db8:e::70 by {first}");
    assert_eq!(masked(&[&first]), (Grade::Good, seen.clone()));
    assert_eq!(masked(&[&first, &second]), (Grade::Good, format!("{seen}, {second}")));
    let around = named("gauge A 203.0.113.77");
    assert_eq!(masked(&[&first, &around.address()]).0, Grade::Amiss);
    // Out of the zone its servers do not follow.
    let away = named("gauge CNAME gauge.weir.example.");
    let (grade, seen) = masked(&[&away.address()]);
    assert_eq!(grade, Grade::Unknown);
    assert!(seen.contains("a CNAME leads on to gauge.weir.example.: list resolvers"), "{seen}");
    // A server of another zone is none.
    let other = DnsServer::start::<Named>(&[KEY], &[ZoneSetup { name: "tern.example", ..ZoneSetup::new("") }]);
    assert_eq!(masked(&[&other.address()]).0, Grade::Unknown);
}
