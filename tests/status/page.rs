//! The page's server: who gets what, and who keeps nobody waiting.

use std::io::{Read as _, Write as _};
use std::net::{IpAddr, SocketAddr, TcpStream};
use std::time::Duration;

use serde_json::Value;

use crate::living::until;
use crate::{Mill, asked, got, page_of};

const LISTEN: &str = "[status]\nlisten = \"127.0.0.1:0\"\nhosts = [\"pi.heronmill.example\"]\n";

#[test]
fn who_asks_by_another_name_or_for_another_site_gets_nothing() {
    let mill = Mill::new(LISTEN);
    let daemon = mill.daemon();
    let at = page_of(&daemon);
    let port = at.port();
    let line = |request: &str| asked(at, request).lines().next().unwrap_or_default().to_owned();
    for (request, status) in [
        (format!("GET / HTTP/1.1\r\nHost: {at}"), "200"),
        (format!("GET / HTTP/1.1\r\nHost: localhost:{port}"), "200"),
        (format!("GET / HTTP/1.1\r\nHost: pi.heronmill.example:{port}"), "200"),
        ("GET / HTTP/1.1\r\nHost: PI.heronmill.example".to_owned(), "200"),
        (format!("HEAD / HTTP/1.1\r\nHost: {at}\r\nOrigin: http://{at}"), "200"),
        (format!("GET /healthz HTTP/1.1\r\nHost: {at}"), "200"),
        (format!("GET /readyz HTTP/1.1\r\nHost: {at}"), "200"),
        // RFC 9110, section 15.5.20: a name that leads here and is not ours.
        (format!("GET / HTTP/1.1\r\nHost: rebound.example:{port}"), "421"),
        ("GET / HTTP/1.1\r\nHost: 198.51.100.9".to_owned(), "421"),
        ("GET / HTTP/1.1\r\nHost: pi.heronmill.example.evil.example".to_owned(), "421"),
        ("GET / HTTP/1.0".to_owned(), "421"),
        (format!("GET / HTTP/1.1\r\nHost: {at}\r\nOrigin: https://evil.example"), "403"),
        (format!("GET / HTTP/1.1\r\nHost: {at}\r\nOrigin: null"), "403"),
        (format!("POST / HTTP/1.1\r\nHost: {at}\r\nContent-Length: 0"), "405"),
        (format!("GET /../state/state.json HTTP/1.1\r\nHost: {at}"), "404"),
        (format!("GET / HTTP/1.1\r\nHost: {at}\r\nX: {}", "x".repeat(9000)), "431"),
    ] {
        assert_eq!(line(&request).split(' ').nth(1), Some(status), "{}", request.escape_debug());
    }
    let head = asked(at, &format!("HEAD / HTTP/1.1\r\nHost: {at}"));
    for field in [
        "Content-Security-Policy: default-src 'none'; style-src 'self'; script-src 'self'; connect-src 'self';",
        "X-Content-Type-Options: nosniff",
        "Referrer-Policy: no-referrer",
        "Cache-Control: no-store",
    ] {
        assert!(head.contains(field), "{field}\n{head}");
    }
    let document: Value = serde_json::from_str(&got(at, "/status.json")).unwrap();
    assert_eq!(document["records"].as_array().unwrap().len(), 2);
    daemon.stop();
}

/// 127.0.0.0/8 is all this machine (RFC 1122, section 3.2.1.3): two thousand clients.
#[test]
fn slow_connections_keep_nobody_waiting() {
    let mill = Mill::new(LISTEN);
    let daemon = mill.daemon();
    let at = page_of(&daemon);
    let resident = || {
        let text = std::fs::read_to_string(format!("/proc/{}/status", daemon.pid())).unwrap();
        let line = text.lines().find_map(|line| line.strip_prefix("VmRSS:")).unwrap();
        line.trim().trim_end_matches(" kB").parse::<u64>().unwrap()
    };
    let before = resident();
    let runtime = tokio::runtime::Builder::new_current_thread().enable_all().build().unwrap();
    let held = runtime.block_on(async {
        let mut held = Vec::new();
        for number in 0..2000_u32 {
            let from = IpAddr::from((u32::from_be_bytes([127, 1, 0, 1]) + number).to_be_bytes());
            let socket = tokio::net::TcpSocket::new_v4().unwrap();
            socket.bind((from, 0).into()).unwrap();
            // The queue of those who wait to be accepted is bounded too: who finds it full hears nothing.
            let connecting = tokio::time::timeout(Duration::from_millis(8), socket.connect(at));
            if let Ok(Ok(stream)) = connecting.await {
                let _ = stream.try_write(b"GET / HT");
                held.push(stream);
            }
        }
        held
    });
    // There are 128 places: whoever comes later takes that of the oldest.
    assert!(held.len() > 64, "{}", held.len());
    // The rounds go on, and the control socket answers.
    let rounds = || {
        let said: Value = serde_json::from_slice(&mill.run(&["status", "--json"]).stdout).unwrap();
        said["rounds"].as_u64().unwrap()
    };
    let now = rounds();
    until("three more rounds", || rounds() >= now + 3);
    let grown = resident().saturating_sub(before);
    println!("2,000 slow connections, {} of them held: {grown} KiB more", held.len());
    assert!(grown < 8 * 1024, "{grown} KiB more");
    // After their time they are gone, and others get in.
    drop(held);
    until("an answer", || {
        let Ok(mut stream) = TcpStream::connect_timeout(&at, Duration::from_secs(1)) else { return false };
        stream.set_read_timeout(Some(Duration::from_secs(2))).unwrap();
        let _ = stream.write_all(format!("GET /healthz HTTP/1.1\r\nHost: {at}\r\n\r\n").as_bytes());
        let mut answer = String::new();
        stream.read_to_string(&mut answer).is_ok() && answer.ends_with("alive\n")
    });
    daemon.stop();
}

#[test]
fn a_reload_moves_the_page_and_a_port_in_use_stops_nothing() {
    let mill = Mill::new(LISTEN);
    let daemon = mill.daemon();
    let before = page_of(&daemon);
    // Somebody else has it.
    let taken = std::net::TcpListener::bind("127.0.0.1:0").unwrap();
    let place: SocketAddr = taken.local_addr().unwrap();
    mill.configure(&format!("[status]\nlisten = \"{place}\"\n"));
    daemon.reload();
    until("the warning", || daemon.log().contains(&format!("cannot listen on {place}: ")));
    assert!(TcpStream::connect(before).is_err(), "the old place is closed");
    mill.configure(LISTEN);
    daemon.reload();
    until("the page", || daemon.log().matches("the status page is at").count() == 2);
    assert_eq!(mill.run(&["status"]).status.code(), Some(77));
    daemon.stop();
}
