//! `--knock-back`: of the asker alone, within its limits, and what it finds told apart.

use std::net::TcpListener;
use std::process::Command;

use serde_json::{Value, json};

use crate::CLAIMS;
use crate::program::{Echo, Reply, get};

const LAB: [&str; 7] =
    ["--http", "[::]:0", "--knock-back", "--accept-special", "127.0.0.0/8", "--accept-special", "::1/128"];

/// Asks from `from`; the listener's own port is not asked for.
fn knock(echo: &Echo, from: &str, port: u16) -> Reply {
    get(from, echo.http[0].port(), &format!("/knock?port={port}"), "")
}

fn found(reply: &Reply) -> Value {
    assert_eq!((reply.status, reply.field("content-type")), (200, Some("application/json")), "{reply:?}");
    serde_json::from_str(&reply.body).unwrap()
}

/// A port that refuses connections on every address for as long as this lives: it is bound, and nobody listens.
fn closed(host: &str) -> (u16, tokio::net::TcpSocket) {
    let socket = if host.contains(':') { tokio::net::TcpSocket::new_v6() } else { tokio::net::TcpSocket::new_v4() };
    let socket = socket.unwrap();
    socket.bind(format!("{host}:0").parse().unwrap()).unwrap();
    (socket.local_addr().unwrap().port(), socket)
}

#[test]
fn it_is_off_unless_asked_for() {
    let echo = Echo::start(&["--http", "127.0.0.1:0"]);
    let refused = knock(&echo, "127.0.0.1", 443);
    assert_eq!(refused.status, 404);
    assert_eq!(refused.body, "This witness does not knock: it was started without --knock-back.\n");
}

#[test]
fn an_answer_and_a_refusal_are_told_apart() {
    let echo = Echo::start(&LAB);
    for (from, host) in [("127.0.0.1", "127.0.0.1"), ("127.0.0.5", "127.0.0.5"), ("::1", "[::1]")] {
        let listener = TcpListener::bind(format!("{host}:0")).unwrap();
        let port = listener.local_addr().unwrap().port();
        assert_eq!(found(&knock(&echo, from, port)), json!({ "seen": from, "port": port, "knock": "answered" }));
        let (port, _kept) = closed(host);
        assert_eq!(found(&knock(&echo, from, port)), json!({ "seen": from, "port": port, "knock": "turned away" }));
    }
}

#[test]
fn addresses_no_home_has_are_not_knocked_at() {
    let echo = Echo::start(&["--http", "[::]:0", "--knock-back"]);
    for from in ["127.0.0.1", "::1"] {
        let listener = TcpListener::bind((from, 0)).unwrap();
        listener.set_nonblocking(true).unwrap();
        let refused = knock(&echo, from, listener.local_addr().unwrap().port());
        assert_eq!(refused.status, 403);
        assert!(
            refused.body.starts_with(&format!("You come from {from}, where nothing is knocked at: ")),
            "{refused:?}"
        );
        assert!(listener.accept().is_err(), "it was knocked at");
    }
}

#[test]
fn nothing_in_a_request_names_another_address() {
    let echo = Echo::start(&[&LAB[..], &["--knocks-per-minute", "600", "--all-knocks-per-minute", "600"]].concat());
    let neighbour = TcpListener::bind("127.0.0.9:0").unwrap();
    neighbour.set_nonblocking(true).unwrap();
    let port = neighbour.local_addr().unwrap().port();
    let claims = format!(
        "{}True-Client-IP: 127.0.0.9\r\nOrigin: http://127.0.0.9:{port}\r\nUpgrade: TLS/1.0\r\n",
        CLAIMS.replace("198.51.100.9", "127.0.0.9")
    );
    let at = echo.http[0].port();
    for (target, status) in [
        (format!("/knock?port={port}"), 200),
        (format!("http://127.0.0.9/knock?port={port}"), 200),
        (format!("http://127.0.0.9:{port}/knock?port={port}"), 200),
        (format!("http://keeper@127.0.0.9/knock?port={port}"), 200),
        (format!("/knock?port={port}&ip=127.0.0.9"), 400),
        (format!("/knock?ip=127.0.0.9&port={port}"), 400),
        (format!("/knock?port=127.0.0.9:{port}"), 400),
        (format!("/knock?port={port}@127.0.0.9"), 400),
        (format!("/knock/127.0.0.9?port={port}"), 404),
        (format!("127.0.0.9/knock?port={port}"), 404),
    ] {
        let answer = get("127.0.0.1", at, &target, &claims);
        assert_eq!(answer.status, status, "{target}: {answer:?}");
        if status == 200 {
            assert_eq!(
                found(&answer),
                json!({ "seen": "127.0.0.1", "port": port, "knock": "turned away" }),
                "{target}"
            );
        }
    }
    assert!(neighbour.accept().is_err(), "another's port was knocked at");
    // The neighbour itself may ask.
    assert_eq!(found(&get("127.0.0.9", at, &format!("/knock?port={port}"), ""))["knock"], "answered");
    assert!(neighbour.accept().is_ok());
}

#[test]
fn one_port_a_request_and_few_requests_a_minute() {
    let limits = ["--knocks-per-minute", "2", "--all-knocks-per-minute", "3"];
    let echo = Echo::start(&[&LAB[..], &limits].concat());
    let listener = TcpListener::bind("0.0.0.0:0").unwrap();
    listener.set_nonblocking(true).unwrap();
    let port = listener.local_addr().unwrap().port();
    // What cannot be asked is not counted as a knock.
    for query in ["", "?port=0", "?port=1-1024", "?port=22,443", "?port=22&port=443"] {
        assert_eq!(get("127.0.0.1", echo.http[0].port(), &format!("/knock{query}"), "").status, 400, "{query}");
    }
    let wait = |from, status, range: std::ops::RangeInclusive<u64>| {
        let answer = knock(&echo, from, port);
        assert_eq!(answer.status, status, "{answer:?}");
        if let Some(wait) = answer.field("retry-after") {
            assert!(range.contains(&wait.parse().unwrap()), "{wait}");
        }
        assert_eq!(listener.accept().is_ok(), status == 200, "a refused knock is none");
    };
    wait("127.0.0.1", 200, 0..=0);
    wait("127.0.0.1", 200, 0..=0);
    wait("127.0.0.1", 429, 1..=30);
    wait("127.0.0.2", 200, 0..=0);
    wait("127.0.0.3", 429, 1..=20);
    // The witness itself goes on.
    assert_eq!(get("127.0.0.1", echo.http[0].port(), "/", "").status, 200);
}

#[test]
#[ignore = "needs unshare, ip and nft: tests/all.sh runs it"]
fn a_firewall_is_told_apart_from_a_closed_port() {
    const INSIDE: &str = "TESTS_INSIDE";
    const RULES: &str = "table inet mill {
        chain in {
            type filter hook input priority 0
            tcp dport 7001 drop
            tcp dport 7002 reject with icmpx type admin-prohibited
            tcp dport 7003 reject with icmpx type host-unreachable
            tcp dport 7004 reject
            tcp dport 7005 reject with tcp reset
        }
    }";
    if std::env::var_os(INSIDE).is_none() {
        let script = format!("ip link set lo up && nft '{RULES}' && exec \"$@\"");
        let name = "knock::a_firewall_is_told_apart_from_a_closed_port";
        let inside = Command::new("unshare")
            .args(["-Urn", "sh", "-c", &script, "sh", std::env::current_exe().unwrap().to_str().unwrap()])
            .args(["--exact", "--include-ignored", "--nocapture", name])
            .env(INSIDE, "1")
            .output()
            .unwrap();
        let shown = String::from_utf8_lossy(&inside.stdout) + String::from_utf8_lossy(&inside.stderr);
        assert!(inside.status.success() && shown.contains("1 passed"), "{shown}");
        return;
    }
    let echo = Echo::start(&[&LAB[..], &["--knocks-per-minute", "60"]].concat());
    for from in ["127.0.0.1", "::1"] {
        // Somebody listens on each: it is the firewall that answers, or does not.
        let listeners: Vec<_> = (7000..7006).map(|port| TcpListener::bind((from, port)).unwrap()).collect();
        for (port, answer) in [
            (7000, "answered"),
            (7001, "no answer"),
            (7002, "no answer"),
            (7003, "no answer"),
            (7004, "turned away"),
            (7005, "turned away"),
            (7006, "turned away"),
        ] {
            assert_eq!(found(&knock(&echo, from, port))["knock"], answer, "{from} {port}");
        }
        drop(listeners);
    }
}
