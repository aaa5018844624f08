use super::{Extract, LIMIT, Silence, extract, judge, too_long};
use crate::address::Family;
use std::net::IpAddr;

fn body(body: &[u8]) -> Result<IpAddr, Silence> {
    extract(&Extract::Body, Some("text/plain"), body)
}

fn pointer(pointer: &str, body: &str) -> Result<IpAddr, Silence> {
    extract(&Extract::Pointer(pointer.into()), Some("application/json"), body.as_bytes())
}

fn ip(text: &str) -> IpAddr {
    text.parse().unwrap()
}

fn not(excerpt: &str) -> Result<IpAddr, Silence> {
    Err(Silence::NotAnAddress(excerpt.into()))
}

#[test]
fn a_body_is_one_address_and_white_space() {
    for text in ["203.0.113.7", "203.0.113.7\n", "\r\n\t 203.0.113.7 \x0c\r\n"] {
        assert_eq!(body(text.as_bytes()), Ok(ip("203.0.113.7")), "{text:?}");
    }
    for text in ["2001:db8::7", "2001:DB8:0:0:0:0:0:7\n"] {
        assert_eq!(body(text.as_bytes()), Ok(ip("2001:db8::7")), "{text:?}");
    }
    assert_eq!(body(b"::ffff:203.0.113.7"), Ok(ip("::ffff:203.0.113.7")));
}

#[test]
fn anything_else_is_not_an_address() {
    for (text, excerpt) in [
        (&b""[..], "an empty answer"),
        (b" \n", "an empty answer"),
        (b"203.0.113.7, 198.51.100.1", "203.0.113.7, 198.51.100.1"),
        (b"203.0.113.7\n198.51.100.1", "203.0.113.7\\n198.51.100.1"),
        (b"203.0.113.7:443", "203.0.113.7:443"),
        (b"203.0.113.7/32", "203.0.113.7/32"),
        (b"203.0.113.07", "203.0.113.07"),
        (b"0xcb.0.113.7", "0xcb.0.113.7"),
        (b"3405803783", "3405803783"),
        (b"203.0.113", "203.0.113"),
        (b"203.0.113.256", "203.0.113.256"),
        (b"fe80::1%eth0", "fe80::1%eth0"),
        (b"[2001:db8::7]", "[2001:db8::7]"),
        (b"2001:db8::7::", "2001:db8::7::"),
        (b"203.0.113.7\0", "203.0.113.7\\0"),
        (b"2\x000\x003\x00", "2\\00\\03\\0"),
        (b"\xff\xfe2\x000\x003\x00", "\u{fffd}\u{fffd}2\\00\\03\\0"),
        (b"\xef\xbb\xbf203.0.113.7", "\\u{feff}203.0.113.7"),
        ("\u{a0}203.0.113.7".as_bytes(), "\\u{a0}203.0.113.7"),
        ("２０３.0.113.7".as_bytes(), "２０３.0.113.7"),
        (b"\x1b[31mred", "\\u{1b}[31mred"),
        ("\u{202e}7.311.0.302".as_bytes(), "\\u{202e}7.311.0.302"),
        (br#"{"ip":"203.0.113.7"}"#, r#"{"ip":"203.0.113.7"}"#),
        (br#""it's" \ 7"#, r#""it's" \ 7"#),
        (b"a < b", "a < b"),
        (b"<", "<"),
        (b"Your address is 203.0.113.7", "Your address is 203.0.113.7"),
    ] {
        assert_eq!(body(text), not(excerpt), "{text:?}");
    }
}

#[test]
fn an_excerpt_is_short_and_says_that_it_is() {
    let shown = |text: String| match body(text.as_bytes()) {
        Err(Silence::NotAnAddress(shown)) => shown,
        other => panic!("{other:?}"),
    };
    assert_eq!(shown("x".repeat(60)), "x".repeat(60));
    assert_eq!(shown("x".repeat(61)), format!("{}…", "x".repeat(59)));
    // An escape is counted as it is shown, and may be cut.
    assert_eq!(shown(format!("{}\0x", "x".repeat(58))), format!("{}\\…", "x".repeat(58)));
    assert_eq!(shown(format!("{}\0", "x".repeat(58))), format!("{}\\0", "x".repeat(58)));
    assert!(shown("\u{1b}".repeat(4000)).chars().count() <= 60);
}

#[test]
fn a_page_is_a_captive_portal() {
    for text in
        ["<!DOCTYPE html><p>Log in", "<!doctype HTML>", " \n<html lang=en>", "<HTML>", "\u{feff}<!doctype html>"]
    {
        assert_eq!(body(text.as_bytes()), Err(Silence::CaptivePortal), "{text}");
        assert_eq!(pointer("/ip", text), Err(Silence::CaptivePortal), "{text}");
    }
    for kind in ["text/html", "Text/HTML; charset=utf-8", " text/html ;x", "application/xhtml+xml"] {
        assert_eq!(extract(&Extract::Body, Some(kind), b"Log in"), Err(Silence::CaptivePortal), "{kind}");
        // Some echo services declare whatever they send as HTML.
        assert_eq!(extract(&Extract::Body, Some(kind), b"203.0.113.7"), Ok(ip("203.0.113.7")), "{kind}");
    }
    for kind in [None, Some(""), Some("text/plain; text/html"), Some("text/html5")] {
        assert_eq!(extract(&Extract::Body, kind, b"Log in"), not("Log in"), "{kind:?}");
    }
}

#[test]
fn the_limit_is_4096_bytes() {
    let mut text = b"203.0.113.7".to_vec();
    text.resize(4096, b' ');
    assert_eq!(body(&text), Ok(ip("203.0.113.7")));
    text.push(b' ');
    assert_eq!(body(&text), Err(Silence::TooLong(4096)));
    assert_eq!(body(&[b'x'; 4097]), Err(Silence::TooLong(LIMIT)));
    assert_eq!(too_long(Some("text/html"), b"xxx"), Silence::CaptivePortal);
    assert_eq!(too_long(None, b"<html>"), Silence::CaptivePortal);
}

#[test]
fn a_pointer_names_a_string_in_json() {
    // RFC 6901, sections 3 to 5: "" is the whole document, ~1 is a slash, ~0 a tilde, numbers index arrays.
    for (path, json) in [
        ("", r#""203.0.113.7""#),
        ("/ip", r#"{"ip":"203.0.113.7"}"#),
        ("/ip", "{\"ip\":\" 203.0.113.7\\n\"}\n"),
        ("/a/b/1", r#"{"a":{"b":[0,"203.0.113.7"]}}"#),
        ("/a~1b", r#"{"a/b":"203.0.113.7"}"#),
        ("/m~0n", r#"{"m~n":"203.0.113.7"}"#),
        ("/", r#"{"":"203.0.113.7"}"#),
    ] {
        assert_eq!(pointer(path, json), Ok(ip("203.0.113.7")), "{path} in {json}");
    }
    for (path, json) in
        [("/ip", "{}"), ("/ip/0", r#"{"ip":"203.0.113.7"}"#), ("/01", r#"["a","b"]"#), ("ip", r#"{"ip":1}"#)]
    {
        assert_eq!(pointer(path, json), Err(Silence::NoSuchPointer(path.into())), "{path} in {json}");
    }
    for (json, excerpt) in [
        (r#"{"ip":3405803783}"#, "3405803783"),
        (r#"{"ip":null}"#, "null"),
        (r#"{"ip":["203.0.113.7"]}"#, r#"["203.0.113.7"]"#),
        (r#"{"ip":"a\u0000b"}"#, "a\\0b"),
        (r#"{"ip":"203.0.113.7"} x"#, r#"{"ip":"203.0.113.7"} x"#),
        (r#"{"ip":"203.0.113.7""#, r#"{"ip":"203.0.113.7""#),
        ("203.0.113.7", "203.0.113.7"),
    ] {
        assert_eq!(pointer("/ip", json), not(excerpt), "{json}");
    }
    // Nesting deeper than the reader allows is refused, not followed.
    assert!(matches!(pointer("/ip", &"[".repeat(4096)), Err(Silence::NotAnAddress(_))));
}

#[test]
fn an_address_is_judged_by_family_and_registry() {
    let lab = ["203.0.113.0/24".parse().unwrap()];
    assert_eq!(judge(Family::Ipv4, ip("203.0.113.7"), &lab), Ok(ip("203.0.113.7")));
    assert_eq!(judge(Family::Ipv4, ip("::ffff:203.0.113.7"), &lab), Ok(ip("203.0.113.7")));
    assert_eq!(judge(Family::Ipv6, ip("2a00::7"), &[]), Ok(ip("2a00::7")));
    assert_eq!(judge(Family::Ipv4, ip("2a00::7"), &[]), Err(Silence::WrongFamily(ip("2a00::7"))));
    assert_eq!(judge(Family::Ipv6, ip("::ffff:203.0.113.7"), &lab), Err(Silence::WrongFamily(ip("203.0.113.7"))));
    assert_eq!(
        judge(Family::Ipv4, ip("100.64.1.2"), &lab).map_err(|silence| silence.to_string()),
        Err("it says 100.64.1.2, but 100.64.0.0/10 is carrier NAT, RFC 6598: nothing from outside can reach you".into())
    );
}
