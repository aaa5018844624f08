use super::encoded;

/// RFC 2047, section 8, has the form; the octets are by python3's email.header.
#[test]
fn a_subject_is_ascii() {
    assert_eq!(encoded("gauge is blocked"), "gauge is blocked");
    assert_eq!(encoded("Mühle → Fluss"), "=?utf-8?B?TcO8aGxlIOKGkiBGbHVzcw==?=");
    let long = encoded(&"ü".repeat(60));
    assert!(long.lines().all(|line| line.trim().len() <= 75 && line.is_ascii()), "{long}");
}
