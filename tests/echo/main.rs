//! `fingerpost echo` as a process of its own, asked over real sockets.
#![expect(clippy::unwrap_used, reason = "a test that cannot go on has failed")]

mod activated;
mod knock;
mod program;

use std::io::Write as _;
use std::net::{IpAddr, TcpListener, TcpStream};
use std::os::unix::net::UnixDatagram;
use std::time::Duration;

use fingerpost::address::Family;
use fingerpost::settings::{Extract, Witness, WitnessKind};
use fingerpost::watch::stun::ask;
use fingerpost::watch::{Silence, Watcher};

use program::{Echo, get, open, reply, run};

/// Long enough for a busy machine; what is tested here ends by itself.
const LONG: Duration = Duration::from_secs(60);

const CLAIMS: &str = "X-Forwarded-For: 198.51.100.9\r\nForwarded: for=198.51.100.9\r\nX-Real-IP: 198.51.100.9\r\n\
                      Client-IP: 198.51.100.9\r\n";

#[test]
fn each_asker_is_told_its_own_address() {
    let echo = Echo::start(&["--http", "[::]:0", "--http", "127.0.0.1:0"]);
    let (both, ipv4) = (echo.http[0].port(), echo.http[1].port());
    for (from, port) in
        [("127.0.0.1", both), ("127.0.0.5", both), ("::1", both), ("127.0.0.1", ipv4), ("127.8.7.6", ipv4)]
    {
        let family = if from.contains(':') { "ipv6" } else { "ipv4" };
        for (target, body) in [
            ("/", format!("{from}\n")),
            ("/seen", format!("{{\"family\":\"{family}\",\"seen\":\"{from}\"}}\n")),
            ("/?ip=198.51.100.9", format!("{from}\n")),
            ("http://198.51.100.9/", format!("{from}\n")),
        ] {
            let answer = get(from, port, target, CLAIMS);
            assert_eq!((answer.status, &answer.body), (200, &body), "{from} {target}");
            assert_eq!(answer.field("cache-control"), Some("no-store"));
            assert_eq!(answer.field("connection"), Some("close"));
        }
    }
    assert!(get("127.0.0.1", ipv4, "/", "").field("content-type").unwrap().starts_with("text/plain"));
    assert_eq!(get("127.0.0.1", ipv4, "/seen", "").field("content-type"), Some("application/json"));
}

#[test]
fn whatever_else_is_asked_is_refused() {
    let echo = Echo::start(&["--http", "127.0.0.1:0"]);
    let port = echo.http[0].port();
    let long = format!("GET / HTTP/1.1\r\nHost: a\r\nCookie: {}\r\n\r\n", "a".repeat(8 * 1024));
    let whole = format!("GET / HTTP/1.1\r\nHost: a\r\nCookie: {}\r\n\r\n", "a".repeat(8 * 1024 - 37));
    assert_eq!(whole.len(), 8 * 1024);
    for (request, status) in [
        ("GET /ip HTTP/1.1\r\nHost: a\r\n\r\n", 404),
        ("GET /../ HTTP/1.1\r\nHost: a\r\n\r\n", 404),
        ("DELETE /ip HTTP/1.1\r\nHost: a\r\n\r\n", 404),
        ("POST / HTTP/1.1\r\nHost: a\r\nContent-Length: 40000\r\n\r\n", 405),
        ("GET / HTTP/1.1\r\n\r\n", 400),
        ("\x16\x03\x01 what a TLS client may begin with\r\n\r\n", 400),
        (&whole, 200),
        (&long, 431),
        (&"a".repeat(100_000), 431),
    ] {
        let mut stream = open("127.0.0.1", port);
        // The server may have enough before all is sent.
        let _ = stream.write_all(request.as_bytes());
        assert_eq!(reply(stream).status, status, "{}", &request[..request.len().min(80)]);
    }
    // A body nobody asked for does not cost the answer.
    let mut stream = open("127.0.0.1", port);
    stream.write_all(format!("GET / HTTP/1.0\r\n\r\n{}", "a".repeat(40_000)).as_bytes()).unwrap();
    assert_eq!(reply(stream).body, "127.0.0.1\n");
    let mut stream = open("127.0.0.1", port);
    stream.write_all(b"HEAD / HTTP/1.1\r\nHost: a\r\n\r\n").unwrap();
    let answer = reply(stream);
    assert_eq!((answer.status, answer.field("content-length"), answer.body.as_str()), (200, Some("10"), ""));
    assert_eq!(get("127.0.0.2", port, "/", "").status, 200);
}

#[test]
fn a_client_over_its_limit_waits_and_others_do_not() {
    let limits = ["--requests-per-minute", "3", "--all-requests-per-minute", "5"];
    let echo = Echo::start(&[&["--http", "127.0.0.1:0"][..], &limits].concat());
    let port = echo.http[0].port();
    let status = |from| get(from, port, "/", "").status;
    assert_eq!([1, 2, 3].map(|_| status("127.0.0.1")), [200; 3]);
    let refused = get("127.0.0.1", port, "/", CLAIMS);
    assert_eq!(refused.status, 429);
    let wait: u64 = refused.field("retry-after").unwrap().parse().unwrap();
    assert!((1..=30).contains(&wait), "{wait}");
    assert_eq!([1, 2, 3].map(|_| status("127.0.0.2")), [200; 3]);
    assert_eq!([1, 2, 3].map(|_| status("127.0.0.3")), [200, 200, 429], "all together have had theirs");
    assert_eq!([1, 2].map(|_| status("127.0.0.4")), [200, 429], "of each one's share a part is its own");
}

#[test]
fn clients_that_say_nothing_do_not_keep_others_out() {
    let echo = Echo::start(&["--http", "127.0.0.1:0"]);
    let port = echo.http[0].port();
    let silent: Vec<_> = (0..8).map(|_| open("127.0.0.1", port)).collect();
    let mut ninth = open("127.0.0.1", port);
    assert_eq!(get("127.0.0.2", port, "/", "").body, "127.0.0.2\n");
    // The oldest of its own has to go for it.
    assert_eq!(std::io::Read::read(&mut &silent[0], &mut [0; 8]).unwrap_or_default(), 0);
    ninth.write_all(b"GET / HTTP/1.0\r\n\r\n").unwrap();
    assert_eq!(reply(ninth).body, "127.0.0.1\n");
}

/// One network, more of them than there are places, and nobody says anything. 127.0.0.0/8 is all this machine (RFC 1122,
/// section 3.2.1.3).
#[test]
fn a_crowd_that_says_nothing_keeps_nobody_out() {
    let echo = Echo::start(&["--http", "127.0.0.1:0"]);
    let port = echo.http[0].port();
    let crowd: Vec<_> = (0..700).map(|at| open(&format!("127.{}.{}.1", 1 + at / 250, at % 250), port)).collect();
    assert_eq!(get("127.9.9.9", port, "/", "").body, "127.9.9.9\n");
    // Nobody had to wait until the crowd's time was over: those who came first had to go, and the others are still waited for.
    assert_eq!(std::io::Read::read(&mut &crowd[0], &mut [0; 8]).unwrap_or_default(), 0);
    let waits = |mut stream: &std::net::TcpStream| {
        stream.set_nonblocking(true).unwrap();
        let told = std::io::Read::read(&mut stream, &mut [0; 8]);
        told.is_err_and(|error| error.kind() == std::io::ErrorKind::WouldBlock)
    };
    let waiting = crowd.iter().filter(|stream| waits(stream)).count();
    assert!(waiting > 100, "{waiting}");
}

#[test]
fn senders_that_may_be_forged_starve_nobody_over_stun() {
    let echo = Echo::start(&["--stun", "127.0.0.1:0", "--all-requests-per-minute", "2"]);
    let request = fingerpost::watch::stun::message::request(&[7; 12]);
    for at in 0..200 {
        let socket = std::net::UdpSocket::bind(format!("127.1.0.{}:0", 1 + at)).unwrap();
        socket.set_read_timeout(Some(LONG)).unwrap();
        socket.send_to(&request, echo.stun[0]).unwrap();
        assert!(socket.recv(&mut [0; 100]).is_ok(), "sender {at} has no answer");
    }
}

#[test]
fn a_watcher_believes_it_over_http_and_stun() {
    let echo = Echo::start(&["--http", "[::]:0", "--stun", "127.0.0.1:0", "--stun", "[::1]:0"]);
    let witnesses: Vec<_> = [("127.0.0.1", "", Extract::Body), ("[::1]", "seen", Extract::Pointer("/seen".into()))]
        .into_iter()
        .map(|(host, path, extract)| {
            let url = format!("http://{host}:{}/{path}", echo.http[0].port()).parse().unwrap();
            let families = vec![if host.starts_with('[') { Family::Ipv6 } else { Family::Ipv4 }];
            let kind = WitnessKind::Http { url, extract };
            Witness { name: host.into(), operator: "millrace".into(), line: None, families, kind }
        })
        .collect();
    let lab = ["127.0.0.0/8", "::1/128"].map(|block| block.parse().unwrap());
    let watcher = Watcher::new(&witnesses, &[], LONG, &lab).unwrap();
    let loopback = ["127.0.0.1", "::1"].map(|text| text.parse::<IpAddr>().unwrap());
    run(async {
        let said: Vec<_> = watcher.ask(&Family::BOTH).await.into_iter().map(|testimony| testimony.said).collect();
        assert_eq!(said, loopback.map(Ok));
        for (at, (family, address)) in echo.stun.iter().zip(Family::BOTH.into_iter().zip(loopback)) {
            assert_eq!(ask(&at.to_string(), family, None, LONG).await, Ok(address));
        }
    });
}

#[test]
fn over_stun_a_client_over_its_limit_is_not_answered() {
    let echo = Echo::start(&["--stun", "127.0.0.1:0", "--requests-per-minute", "1"]);
    let (at, budget) = (echo.stun[0].to_string(), Duration::from_millis(600));
    run(async {
        assert_eq!(ask(&at, Family::Ipv4, None, LONG).await, Ok([127, 0, 0, 1].into()));
        assert_eq!(ask(&at, Family::Ipv4, None, budget).await, Err(Silence::TimedOut(budget)));
    });
    // Another one is, and what is no request costs nothing.
    let socket = std::net::UdpSocket::bind("127.0.0.2:0").unwrap();
    socket.set_read_timeout(Some(LONG)).unwrap();
    let request = fingerpost::watch::stun::message::request(&[7; 12]);
    for datagram in [&b"junk"[..], &[0; 2000], &request] {
        socket.send_to(datagram, &at).unwrap();
    }
    let mut buffer = [0; 100];
    let count = socket.recv(&mut buffer).unwrap();
    // What the documentation says of its size.
    assert_eq!((request.len(), count), (28, 40));
}

#[test]
fn clients_are_in_the_log_only_when_asked_for() {
    for (options, said) in [(&[][..], false), (&["-v"][..], true)] {
        let echo = Echo::start(&[&["--http", "127.0.0.1:0", "--stun", "127.0.0.1:0"][..], options].concat());
        assert_eq!(get("127.0.0.7", echo.http[0].port(), "/", "").status, 200);
        run(async { ask(&echo.stun[0].to_string(), Family::Ipv4, None, LONG).await }).unwrap();
        let log = echo.stop();
        assert_eq!(log.contains("127.0.0.7 asked over HTTP"), said, "{log}");
        assert_eq!(log.contains("127.0.0.1 asked over STUN"), said, "{log}");
        assert!(!log.contains("WARN") && log.contains("told to stop"), "{log}");
    }
}

#[test]
fn it_tells_the_service_manager_and_finishes_what_is_under_way() {
    let dir = tempfile::tempdir().unwrap();
    let path = dir.path().join("notify");
    let manager = UnixDatagram::bind(&path).unwrap();
    manager.set_read_timeout(Some(LONG)).unwrap();
    let told = || {
        let mut buffer = [0; 100];
        let count = manager.recv(&mut buffer).unwrap();
        String::from_utf8_lossy(&buffer[..count]).trim().to_owned()
    };
    let echo = Echo::start_with(&["--http", "127.0.0.1:0"], &[("NOTIFY_SOCKET", path.to_str().unwrap())]);
    assert_eq!(told(), "READY=1");
    let mut stream = open("127.0.0.1", echo.http[0].port());
    stream.write_all(b"GET / HTTP/1.1\r\nHo").unwrap();
    // Whoever comes later has been served: so the first one is under way.
    assert_eq!(get("127.0.0.1", echo.http[0].port(), "/", "").status, 200);
    echo.tell_to_stop();
    assert_eq!(told(), "STOPPING=1");
    program::until("the port to close", || TcpStream::connect(echo.http[0]).is_err());
    stream.write_all(b"st: a\r\n\r\n").unwrap();
    assert_eq!(reply(stream).body, "127.0.0.1\n");
    echo.stop();
}

#[test]
fn what_keeps_it_from_starting_is_told() {
    let taken = TcpListener::bind("127.0.0.1:0").unwrap();
    let address = taken.local_addr().unwrap().to_string();
    for (arguments, status, text) in [
        (
            &[][..],
            64,
            "nothing to listen on: give --http ADDR:PORT or --stun ADDR:PORT, or start fingerpost-echo.socket",
        ),
        (&["--http", &address], 75, "cannot listen on 127.0.0.1"),
        (&["--http", "8080"], 64, "invalid"),
        (&["--stun", "127.0.0.1:0", "--knocks-per-minute", "7"], 64, "--knock-back"),
        (&["--stun", "127.0.0.1:0", "--accept-special", "10.0.0.0/8"], 64, "--knock-back"),
        (&["--stun", "127.0.0.1:0", "--knock-back", "--accept-special", "010.0.0.0/8"], 64, "010.0.0.0/8"),
        (&["--stun", "127.0.0.1:0", "--requests-per-minute", "0"], 64, "0 is not in 1..=60000"),
    ] {
        let output = program::command(arguments).output().unwrap();
        let said = String::from_utf8_lossy(&output.stderr);
        assert_eq!(output.status.code(), Some(status), "{arguments:?}: {said}");
        assert!(said.contains(text), "{arguments:?}: {said}");
    }
}
