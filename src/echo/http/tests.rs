use std::time::Duration;

use super::{Method, Request, Response, port_of, too_many};

fn read(head: &str) -> Result<Request, String> {
    Request::read(head.as_bytes())
}

#[test]
fn a_request_is_its_method_path_and_query() {
    for (line, method, path, query) in [
        ("GET /", Method::Get, "/", None),
        ("HEAD /seen", Method::Head, "/seen", None),
        ("GET /?ip=198.51.100.9", Method::Get, "/", Some("ip=198.51.100.9")),
        ("GET /knock?port=443", Method::Get, "/knock", Some("port=443")),
        ("GET /knock?a?b", Method::Get, "/knock", Some("a?b")),
        // RFC 9112, section 3.2.2: the absolute form is taken; whom it names is nothing to this server.
        ("GET http://198.51.100.9/knock?port=443", Method::Get, "/knock", Some("port=443")),
        ("GET HTTP://198.51.100.9:80", Method::Get, "/", None),
        ("GET http://198.51.100.9?port=443", Method::Get, "", Some("port=443")),
        ("GET /http://198.51.100.9/seen", Method::Get, "/http://198.51.100.9/seen", None),
        ("get /", Method::Other, "/", None),
        ("POST /", Method::Other, "/", None),
        ("OPTIONS *", Method::Other, "*", None),
        ("CONNECT 198.51.100.9:443", Method::Other, "198.51.100.9:443", None),
    ] {
        let (path, query) = (path.to_owned(), query.map(str::to_owned));
        let expected = Request { method, path, query, host: Some("echo.north.example".to_owned()), origin: None };
        assert_eq!(read(&format!("{line} HTTP/1.1\r\nHost: echo.north.example\r\n\r\n")), Ok(expected), "{line}");
    }
}

#[test]
fn what_is_no_request_is_refused() {
    for head in [
        "\r\n\r\n",
        "GET /\r\n\r\n",
        "GET / HTTP/2.0\r\n\r\n",
        "GET / HTTP/1.1\r\n\r\n",
        "GET / HTTP/1.1\r\nHost: a\r\nhost: b\r\n\r\n",
        "GET / HTTP/1.1\r\nHost : a\r\n\r\n",
        "GET / HTTP/1.1\r\nHost: a\r\n folded\r\n\r\n",
        "GET  / HTTP/1.1\r\nHost: a\r\n\r\n",
        "\x16\x03\x01\x02\x00\x01\x00\r\n\r\n",
        &format!("GET / HTTP/1.1\r\nHost: a\r\n{}\r\n", "a: b\r\n".repeat(64)),
    ] {
        assert!(read(head).is_err(), "{head:?}");
    }
    assert!(read("GET / HTTP/1.0\r\n\r\n").is_ok());
    assert!(read(&format!("GET / HTTP/1.1\r\nHost: a\r\n{}\r\n", "a: b\r\n".repeat(63))).is_ok());
}

#[test]
fn a_knock_names_one_port_and_nothing_else() {
    for (query, port) in [
        ("?port=1", Some(1)),
        ("?port=443", Some(443)),
        ("?port=65535", Some(65535)),
        ("?port=0443", Some(443)),
        ("", None),
        ("?", None),
        ("?port=", None),
        ("?port=0", None),
        ("?port=65536", None),
        ("?port=-1", None),
        ("?port=+443", None),
        ("?port=443,80", None),
        ("?port=443-445", None),
        ("?port=443&port=80", None),
        ("?port=443&ip=198.51.100.9", None),
        ("?ip=198.51.100.9&port=443", None),
        ("?host=198.51.100.9", None),
        ("?Port=443", None),
        ("?port=%34", None),
        ("?port=443#80", None),
    ] {
        let request = read(&format!("GET /knock{query} HTTP/1.0\r\n\r\n")).unwrap();
        assert_eq!(port_of(&request), port, "{query}");
    }
}

#[test]
fn answers_as_they_go_out() {
    let answer = Response::text(200, "203.0.113.77\n".to_owned());
    let head = "HTTP/1.1 200 OK\r\nContent-Type: text/plain; charset=utf-8\r\nContent-Length: 13\r\n\
                Cache-Control: no-store\r\nConnection: close\r\n\r\n";
    let text = |answer: &Response, method| String::from_utf8(answer.bytes(method)).unwrap();
    assert_eq!(text(&answer, Method::Head), head);
    assert_eq!(text(&answer, Method::Get), format!("{head}203.0.113.77\n"));
    for (wait, seconds) in [(1, "1"), (999, "1"), (1000, "1"), (1001, "2"), (10_000, "10")] {
        let answer = text(&too_many(Duration::from_millis(wait)), Method::Get);
        assert!(answer.starts_with("HTTP/1.1 429 Too Many Requests\r\n"));
        assert!(answer.contains(&format!("\r\nRetry-After: {seconds}\r\n")), "{wait}");
    }
}
