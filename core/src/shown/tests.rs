use std::io::Write as _;

use crate::testing::like;
use data_encoding::{BASE64, BASE64_NOPAD, BASE64URL, HEXLOWER, HEXUPPER};
use proptest::prelude::*;

use super::{Through, escaped, field, is_plain, json, lines, one_line, terminal, without};

/// Unicode Standard Annex 9, section 2 (bidirectional controls); ECMA-48 (C0 and C1); Unicode's general category Cf.
const NOT_PLAIN: &str = "\0\x07\x08\x1b\x7f\u{85}\u{9b}\u{ad}\u{61c}\u{200b}\u{200e}\u{200f}\u{2028}\u{2029}\u{202a}\u{202b}\
    \u{202c}\u{202d}\u{202e}\u{2060}\u{2066}\u{2067}\u{2068}\u{2069}\u{feff}\u{e0001}\u{e0041}";

#[test]
fn what_turns_or_hides_text_is_shown_as_an_escape() {
    for c in NOT_PLAIN.chars() {
        assert!(!is_plain(c), "{c:?}");
        let text = format!("a{c}b");
        for shown in [escaped(&text), lines(&text), terminal(&text, true), terminal(&text, false), field(&text)] {
            assert_eq!(shown, format!("a{}b", c.escape_unicode()), "{c:?}");
        }
        assert_eq!(
            serde_json::from_str::<String>(&json(&format!("\"{}\"", text.replace(char::is_control, "?")))).unwrap(),
            text.replace(char::is_control, "?")
        );
    }
    for text in ["gauge → 203.0.113.77, „Müller“ 水車 e\u{301}", "", "\\ \" '"] {
        assert_eq!(escaped(text), text);
        assert_eq!(json(text), text);
    }
}

#[test]
fn only_our_own_colours_pass_and_only_where_there_are_some() {
    let text = "\x1b[31mamiss\x1b[0m\tx\r\ny\r\x1b[8mz\x1b]0;t\x07\x1b[2J";
    assert_eq!(terminal(text, true), "\x1b[31mamiss\x1b[0m\tx\r\ny\\u{d}\\u{1b}[8mz\\u{1b}]0;t\\u{7}\\u{1b}[2J");
    assert!(!terminal(text, false).contains('\x1b'));
    let mut sink = Through { to: Vec::new(), colour: false };
    sink.write_all("<4>\x1b[31m\u{202e}\n".as_bytes()).unwrap();
    assert_eq!(String::from_utf8(sink.to).unwrap(), "<4>\\u{1b}[31m\\u{202e}\n");
}

/// OWASP, "CSV Injection".
#[test]
fn no_field_is_a_formula() {
    for (text, shown) in [
        ("=1+1", "'=1+1"),
        ("+1", "'+1"),
        ("-1", "'-1"),
        ("@SUM(A1)", "'@SUM(A1)"),
        ("\t=1", "'\\u{9}=1"),
        ("12", "12"),
        ("a=1", "a=1"),
        ("", ""),
    ] {
        assert_eq!(field(text), shown);
    }
}

#[test]
fn a_line_is_one_line() {
    assert_eq!(one_line("a\n\tb\x1b[1m  c\u{202e} "), "a b [1m c");
}

const SECRET: &str = "tok/en+\"Zq9é-0123456789?>&abcdefXYZ";

/// Twelve ways in which an answer may hold a secret.
fn encodings(secret: &[u8]) -> Vec<String> {
    let text = String::from_utf8_lossy(secret).into_owned();
    let percent = |all: bool| -> String {
        secret
            .iter()
            .map(|b| if all || !b.is_ascii_alphanumeric() { format!("%{b:02X}") } else { char::from(*b).into() })
            .collect()
    };
    let json = serde_json::Value::from(text.as_str()).to_string();
    vec![
        text.clone(),
        percent(false),
        percent(true),
        percent(true).to_lowercase(),
        BASE64.encode(secret),
        BASE64URL.encode(secret),
        BASE64_NOPAD.encode(&[b"user:", secret].concat()),
        BASE64.encode(&[b"u:", secret, b"\n"].concat()),
        HEXLOWER.encode(secret),
        HEXUPPER.encode(secret),
        json.trim_matches('"').to_owned(),
        text.chars().map(|c| format!("\\u{:04x}", u32::from(c))).collect(),
    ]
}

/// Each in its pieces of `run` of the secret's characters, of which none is in `shown`.
fn shows(secret: &str, shown: &str, run: usize) -> bool {
    let chars: Vec<char> = secret.chars().collect();
    let bare: String = shown.chars().filter(|c| !c.is_whitespace()).collect();
    chars.windows(run).any(|window| bare.contains(&window.iter().collect::<String>()))
}

#[test]
fn a_secret_is_hidden_in_every_encoding_broken_and_cut() {
    for (at, encoded) in encodings(SECRET.as_bytes()).into_iter().enumerate() {
        let units: Vec<char> = encoded.chars().collect();
        let broken =
            |by: &str| units.chunks(5).map(|piece| piece.iter().collect::<String>()).collect::<Vec<_>>().join(by);
        let cut: String = units.iter().take(units.len() * 2 / 3).collect();
        for text in [encoded.clone(), broken("\n"), broken(" \r\n\t"), broken("\\n"), broken("\u{200b}"), cut] {
            let shown = without(&format!("bad token <{text}> here"), [SECRET.as_bytes()]);
            assert!(shown.starts_with("bad token <") && shown.ends_with("> here"), "{at}: {shown}");
            let left = shown.replace("bad token <", "").replace("> here", "").replace("(secret)", "");
            // Of the first and last octets, what Base64 mixes with others stays.
            assert!(
                left.chars().filter(|c| c.is_alphanumeric()).count() < 24 && !shows(&encoded, &left, 12),
                "{at}: {shown}"
            );
        }
    }
    assert_eq!(without("s3cret and s3cre", [&b"s3cret"[..]]), "(secret) and s3cre");
    // Blanks and quotes in it, as JSON has them.
    assert_eq!(without(r#""secret":"the \"mill\" token""#, [&br#"the "mill" token"#[..]]), r#""secret":"(secret)""#);
    assert_eq!(without("nothing to see", [&b""[..], b"another-secret"]), "nothing to see");
}

/// A program that was sent a secret in JSON shows what it was sent, encoded.
#[test]
fn a_secret_is_hidden_in_what_is_made_of_its_json() {
    let secret = r#"bArne"Gs1\Zb7""#;
    let sent = serde_json::json!({ "secret": secret }).to_string();
    for encoded in [BASE64.encode(sent.as_bytes()), HEXLOWER.encode(sent.as_bytes()), format!("{sent:?}")] {
        let shown = without(&encoded, [secret.as_bytes()]);
        // Of the last octets of what stands before and behind, a character each is mixed with the secret's.
        let pieces = shown.split_once("(secret)").unwrap();
        assert!(encoded.len() - pieces.0.len() - pieces.1.len() >= secret.len(), "{encoded}: {shown}");
        assert!(!shows(&encoded[pieces.0.len()..encoded.len() - pieces.1.len()], &shown, 6), "{encoded}: {shown}");
    }
}

proptest! {
    #[test]
    fn no_run_of_eight_is_shown(
        secret in like("[!-~]{8,60}"), from in 0..52_usize, length in 8..60_usize, before in like("[ -~]{0,20}"), behind in like("[ -~]{0,20}"),
    ) {
        let piece: String = secret.chars().skip(from.min(secret.len() - 8)).take(length).collect();
        let shown = without(&format!("{before}{piece}{behind}"), [secret.as_bytes()]);
        prop_assert!(!shows(&secret, &shown, 8), "{}", shown);
    }

    #[test]
    fn any_text_is_read(text in like("\\PC{0,80}"), secret: Vec<u8>) {
        let _ = without(&text, [&secret[..]]);
        prop_assert!(escaped(&text).chars().all(is_plain));
        prop_assert!(one_line(&text).chars().all(is_plain));
    }
}
