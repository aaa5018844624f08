//! The watcher against nginx as echo services.
#![expect(clippy::unwrap_used, clippy::expect_used, reason = "a test that cannot go on has failed")]

mod common;

use std::net::IpAddr;
use std::path::{Path, PathBuf};
use std::process::Command;
use std::time::Duration;

use common::nginx::{Down, Nginx, Service};
use fingerpost::address::Family;
use fingerpost::settings::{Extract, Quorum, Witness, WitnessKind};
use fingerpost::watch::vote::Outcome;
use fingerpost::watch::{Silence, Watcher};

/// Long enough for a busy machine; what is tested here ends by itself.
const LONG: Duration = Duration::from_secs(60);

fn witness(operator: &str, url: &str, extract: Extract) -> Witness {
    let kind = WitnessKind::Http { url: url.parse().unwrap(), extract };
    Witness {
        name: format!("{operator} at {url}"),
        operator: operator.into(),
        line: None,
        families: Family::BOTH.to_vec(),
        kind,
    }
}

fn watcher(witnesses: &[Witness]) -> Watcher {
    let lab = ["127.0.0.0/8", "::1/128", "203.0.113.0/24"].map(|block| block.parse().unwrap());
    Watcher::new(witnesses, &[], LONG, &lab).unwrap()
}

fn ask(witness: &Witness, family: Family) -> Result<IpAddr, Silence> {
    let runtime = tokio::runtime::Builder::new_current_thread().enable_all().build().unwrap();
    runtime.block_on(watcher(std::slice::from_ref(witness)).ask(&[family])).remove(0).said
}

fn ask_url(url: &str) -> Result<IpAddr, Silence> {
    ask(&witness("north-collective", url, Extract::Body), Family::Ipv4)
}

#[test]
#[ignore = "needs nginx: tests/all.sh runs it"]
fn an_echo_service_says_who_asks_in_both_families_and_both_forms() {
    let json = "default_type application/json; return 200 '{\"client\": {\"ip\": \"$remote_addr\"}}';";
    let nginx =
        Nginx::start(&[Service::echo(), Service::echo().on_ipv6(), Service::with(json), Service::with(json).on_ipv6()]);
    for index in 0..4 {
        let extract = if index < 2 { Extract::Body } else { Extract::Pointer("/client/ip".into()) };
        let witness = witness("north-collective", &nginx.url(index), extract);
        let (right, other) = if index % 2 == 0 { (Family::Ipv4, Family::Ipv6) } else { (Family::Ipv6, Family::Ipv4) };
        let loopback: IpAddr = if right == Family::Ipv4 { [127, 0, 0, 1].into() } else { "::1".parse().unwrap() };
        assert_eq!(ask(&witness, right), Ok(loopback));
        assert_eq!(ask(&witness, other), Err(Silence::Unreachable(format!("its host has no {other} address"))));
        assert_eq!(nginx.asked(index, 1), ["GET / HTTP/1.1"]);
    }
}

#[test]
#[ignore = "needs nginx: tests/all.sh runs it"]
fn one_liar_and_one_that_is_down_do_not_move_the_ruling() {
    let right = "203.0.113.77\n";
    let (nginx, down) = (
        Nginx::start(&[
            Service::says(right),
            Service::says("203.0.113.9\n"),
            Service::says(right),
            Service::says(right),
        ]),
        Down::new(),
    );
    let operators = ["north-collective", "tern-labs", "ferryman", "millrace"].into_iter().enumerate();
    let mut witnesses: Vec<_> =
        operators.map(|(index, operator)| witness(operator, &nginx.url(index), Extract::Body)).collect();
    witnesses.push(witness("quayside", &down.url(), Extract::Body));
    let (watcher, families) = (watcher(&witnesses), [Family::Ipv4]);
    let runtime = tokio::runtime::Builder::new_current_thread().enable_all().build().unwrap();
    let round = || {
        let testimony = runtime.block_on(watcher.ask(&families));
        watcher
            .rule(&testimony, &families, Quorum::Majority)
            .remove(&fingerpost::settings::Via::only(Family::Ipv4))
            .unwrap()
    };

    let ruling = round();
    assert_eq!(ruling.to_string(), "203.0.113.77   agreed by 3 of 5 operators: north-collective, ferryman, millrace");
    assert_eq!(
        ruling.remarks(),
        ["tern-labs says 203.0.113.9", "quayside has no answer: not reached: Connection refused"]
    );

    nginx.say(0, "203.0.113.9\n");
    assert_eq!(round().outcome, Outcome::Split);
    nginx.say(0, "<!DOCTYPE html><title>Welcome to the network</title>");
    nginx.say(2, "100.64.0.7\n");
    let ruling = round();
    assert_eq!(ruling.outcome, Outcome::TooFew);
    assert_eq!(ruling.silent.len(), 3);
    for (index, _) in witnesses.iter().enumerate().take(4) {
        assert_eq!(nginx.asked(index, 3).len(), 3);
    }
}

#[test]
#[ignore = "needs nginx: tests/all.sh runs it"]
fn nginx_own_refusals_are_told_apart() {
    let nginx = Nginx::start(&[
        Service::says(&format!("{:<4096}", "203.0.113.7")),
        Service::says(&format!("{:<4097}", "203.0.113.7")),
        Service::with("return 204;"),
        Service::with("deny all;"),
        Service::with("return 444;"),
        Service::with("if ($uri != /ip) { return 301 /ip; } return 200 203.0.113.7;"),
        Service::with("return 302 http://portal.example/login;"),
        Service::with("return 302 https://$http_host$uri;"),
        Service::with("gzip on; gzip_min_length 1; gzip_types *; return 200 203.0.113.7;"),
        Service::with("chunked_transfer_encoding on; ssi on; ssi_types *; return 200 203.0.113.7;"),
    ]);
    let said = |index: usize| ask_url(&nginx.url(index));
    let home = Ok([203, 0, 113, 7].into());
    assert_eq!(said(0), home);
    assert_eq!(said(1), Err(Silence::TooLong(4096)));
    assert_eq!(said(2), Err(Silence::Status(204)));
    assert_eq!(said(3), Err(Silence::Status(403)));
    assert!(matches!(said(4), Err(Silence::Unreachable(_))));
    assert_eq!(said(5), home);
    assert_eq!(nginx.asked(5, 2), ["GET / HTTP/1.1", "GET /ip HTTP/1.1"]);
    assert_eq!(said(6), Err(Silence::RedirectedAway("http://portal.example".into())));
    let secure = nginx.url(7).replace("http:", "https:");
    assert_eq!(said(7), Err(Silence::RedirectedAway(secure.trim_end_matches('/').into())));
    assert_eq!(said(8), home);
    assert_eq!(said(9), home);
}

/// A certificate for 127.0.0.1 and its key in one file, by openssl.
fn certificate(dir: &Path) -> PathBuf {
    let (conf, key, cert, both) = (dir.join("conf"), dir.join("key.pem"), dir.join("cert.pem"), dir.join("both.pem"));
    let text = "[req]\ndistinguished_name=dn\nx509_extensions=ext\nprompt=no\n[dn]\nCN=echo.north.example\n\
                [ext]\nsubjectAltName=IP:127.0.0.1\nbasicConstraints=CA:FALSE\n";
    std::fs::write(&conf, text).unwrap();
    let made = Command::new("openssl")
        .args(["req", "-x509", "-newkey", "ec", "-pkeyopt", "ec_paramgen_curve:prime256v1", "-nodes", "-days", "2"])
        .args(["-config".as_ref(), conf.as_path(), "-keyout".as_ref(), &key, "-out".as_ref(), &cert])
        .output()
        .expect("openssl cannot be run; is it installed and in PATH?");
    assert!(made.status.success(), "{}", String::from_utf8_lossy(&made.stderr));
    std::fs::write(&both, [std::fs::read(cert).unwrap(), std::fs::read(key).unwrap()].concat()).unwrap();
    both
}

#[test]
#[ignore = "needs nginx and openssl: tests/all.sh runs it"]
fn https_is_checked_against_the_machines_certificates() {
    // In the second process, whose certificates are the first one's.
    if let Ok(url) = std::env::var("FINGERPOST_TEST_TRUSTED") {
        assert_eq!(ask_url(&url), Ok([203, 0, 113, 7].into()));
        let other_name = url.replace("127.0.0.1", "localhost");
        assert!(matches!(ask_url(&other_name), Err(Silence::Unreachable(why)) if why.contains("certificate")));
        return;
    }
    let dir = tempfile::tempdir().unwrap();
    let pem = certificate(dir.path());
    let nginx = Nginx::start(&[Service::says("203.0.113.7").over_tls(&pem)]);
    let silence = ask_url(&nginx.url(0)).unwrap_err().to_string();
    assert!(silence.starts_with("not reached: invalid peer certificate"), "{silence}");
    let trusted = Command::new(std::env::current_exe().unwrap())
        .args(["--exact", "--ignored", "https_is_checked_against_the_machines_certificates"])
        .env("FINGERPOST_TEST_TRUSTED", nginx.url(0))
        .env("SSL_CERT_FILE", dir.path().join("cert.pem"))
        .output()
        .unwrap();
    let shown = String::from_utf8_lossy(&trusted.stdout);
    assert!(trusted.status.success() && shown.contains("1 passed"), "{shown}");
}
