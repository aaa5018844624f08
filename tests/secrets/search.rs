//! Looks for a secret: in every encoding, and for any run of eight of its characters.

use std::collections::HashMap;

use data_encoding::{BASE64, BASE64URL, Encoding, HEXLOWER, HEXUPPER};

/// So many of a secret's characters in a row give it away.
const RUN: usize = 8;

/// What one character of a secret becomes.
type One = fn(&str) -> Vec<u8>;

/// The encodings that have something for each character.
const BY_CHARACTER: [(&str, One); 14] = [
    ("as it is", |c| c.into()),
    ("hexadecimal", |c| HEXLOWER.encode(c.as_bytes()).into()),
    ("hexadecimal, upper case", |c| HEXUPPER.encode(c.as_bytes()).into()),
    ("percent-encoded where it must be (RFC 3986, section 2.1)", |c| match c.as_bytes() {
        [octet] if octet.is_ascii_alphanumeric() || b"-._~".contains(octet) => c.into(),
        _ => octets(c, |octet| format!("%{octet:02X}")),
    }),
    ("percent-encoded, all of it", |c| octets(c, |octet| format!("%{octet:02X}"))),
    ("percent-encoded, lower case", |c| octets(c, |octet| format!("%{octet:02x}"))),
    ("JSON (RFC 8259, section 7)", |c| {
        let text = serde_json::to_string(c).unwrap();
        text[1..text.len() - 1].into()
    }),
    ("JSON, all of it as escapes", |c| {
        c.encode_utf16().flat_map(|unit| format!("\\u{unit:04x}").into_bytes()).collect()
    }),
    ("UTF-16, little end first", |c| c.encode_utf16().flat_map(u16::to_le_bytes).collect()),
    ("UTF-16, big end first", |c| c.encode_utf16().flat_map(u16::to_be_bytes).collect()),
    ("quoted-printable (RFC 2045, section 6.7)", |c| match c.as_bytes() {
        [octet] if *octet != b'=' => c.into(),
        _ => octets(c, |octet| format!("={octet:02X}")),
    }),
    ("with backslashes, as C and Rust have it", |c| match c.as_bytes() {
        [b'"' | b'\\'] => format!("\\{c}").into(),
        [_] => c.into(),
        _ => octets(c, |octet| format!("\\x{octet:02x}")),
    }),
    ("its octets as a list of numbers", |c| octets(c, |octet| format!("{octet}, "))),
    ("HTML", |c| c.replace('&', "&amp;").replace('"', "&quot;").into()),
];

/// Those in which three octets become four characters.
const BY_THREE: [(&str, &Encoding); 2] =
    [("Base64 (RFC 4648, section 4)", &BASE64), ("Base64 for URLs (RFC 4648, section 5)", &BASE64URL)];

fn octets(c: &str, one: fn(u8) -> String) -> Vec<u8> {
    c.bytes().flat_map(|octet| one(octet).into_bytes()).collect()
}

/// A secret in one encoding.
struct Encoded {
    how: String,
    /// What its characters have become, one by one.
    units: Vec<Vec<u8>>,
    /// So many of these in a row give it away.
    run: usize,
}

/// In each encoding; and each encoding once more of what JSON makes of it, as the program tells it to others.
fn encoded(secret: &str) -> Vec<Encoded> {
    let json = serde_json::to_string(secret).unwrap();
    let mut all = once_encoded(secret);
    if json != format!("\"{secret}\"") {
        let of_json = once_encoded(&json[1..json.len() - 1]).into_iter();
        all.extend(of_json.map(|one| Encoded { how: format!("{}, of its JSON", one.how), ..one }));
    }
    all
}

fn once_encoded(secret: &str) -> Vec<Encoded> {
    let characters: Vec<String> = secret.chars().map(String::from).collect();
    let mut all = Vec::new();
    for (how, one) in BY_CHARACTER {
        let units = characters.iter().map(|c| one(c)).collect();
        all.push(Encoded { how: how.to_owned(), units, run: RUN });
    }
    let backwards = characters.iter().rev().map(|c| c.as_bytes().to_vec()).collect();
    all.push(Encoded { how: "backwards".to_owned(), units: backwards, run: RUN });
    // What an octet becomes depends on how many there are before it; nothing is said of padding, which is no part of it.
    for (how, encoding) in BY_THREE {
        for before in 0..3 {
            let text = encoding.encode(&[&b"::"[..before], secret.as_bytes()].concat());
            // Of the characters at both ends the bits of others are a part.
            let whole = (before * 8).div_ceil(6)..(before + secret.len()) * 8 / 6;
            let units = text[whole].bytes().map(|c| vec![c]).collect();
            // In eight octets there are nine whole characters, wherever they stand.
            all.push(Encoded { how: format!("{how}, {before} octets behind"), units, run: RUN + 1 });
        }
    }
    all
}

/// A secret in the encodings that the program itself has to do with: these it takes out of what strangers say.
pub(crate) fn usual(secret: &str) -> Vec<String> {
    let usual = ["as it is", "hexadecimal", "percent", "JSON", "Base64"];
    let all = encoded(secret).into_iter().filter(|one| usual.iter().any(|how| one.how.starts_with(how)));
    all.map(|one| String::from_utf8(one.units.concat()).unwrap()).collect()
}

/// What was found: a secret, by name, and how it is encoded.
pub(crate) type Hit = (&'static str, String);

/// Knows all pieces that give a secret away, by their first octets.
pub(crate) struct Searcher(HashMap<[u8; RUN], Vec<(Vec<u8>, Hit)>>);

impl Searcher {
    pub(crate) fn of(secrets: &[(&'static str, &str)]) -> Self {
        let mut pieces: HashMap<_, Vec<_>> = HashMap::new();
        for (name, secret) in secrets {
            for Encoded { how, units, run } in encoded(secret) {
                for window in units.windows(run) {
                    // Blanks do not count, neither here nor there.
                    let piece = without(&window.concat(), &[b" "]);
                    pieces.entry(piece[..RUN].try_into().unwrap()).or_default().push((piece, (*name, how.clone())));
                }
            }
        }
        Self(pieces)
    }

    /// All that is found in `bytes`: also where blanks and line ends are in between, or escapes of these, or the ends of
    /// lines that go on (RFC 2045, section 6.7).
    pub(crate) fn find(&self, bytes: &[u8]) -> Vec<Hit> {
        let blanks: [&[u8]; 4] = [b" ", b"\t", b"\r", b"\n"];
        let escapes: [&[u8]; 3] = [b"\\n", b"\\r", b"\\t"];
        let soft: [&[u8]; 2] = [b"=\r\n", b"=\n"];
        let joined = without(bytes, &blanks);
        let mut hits = self.find_joined(&joined);
        hits.extend(self.find_joined(&without(&joined, &escapes)));
        hits.extend(self.find_joined(&without(&without(bytes, &soft), &blanks)));
        hits.sort();
        hits.dedup();
        hits
    }

    fn find_joined(&self, bytes: &[u8]) -> Vec<Hit> {
        let mut hits = Vec::new();
        for (at, first) in bytes.windows(RUN).enumerate() {
            let pieces = self.0.get(first).into_iter().flatten();
            hits.extend(pieces.filter(|(piece, _)| bytes[at..].starts_with(piece)).map(|(_, hit)| hit.clone()));
        }
        hits
    }
}

/// `bytes` without any of `these`.
fn without(bytes: &[u8], these: &[&[u8]]) -> Vec<u8> {
    let mut left = Vec::with_capacity(bytes.len());
    let mut rest = bytes;
    while let Some((first, tail)) = rest.split_first() {
        rest = match these.iter().find_map(|this| rest.strip_prefix(*this)) {
            Some(behind) => behind,
            None => {
                left.push(*first);
                tail
            }
        };
    }
    left
}

/// A searcher that finds nothing would let everything pass: each secret in each encoding, all of it and a run of it, among
/// other text, whole and broken, is found; and one character less is not.
#[test]
fn whatever_is_planted_is_found() {
    let secrets = crate::mill::SECRETS;
    assert!(BY_CHARACTER.len() + 1 + BY_THREE.len() * 3 >= 12);
    let searcher = Searcher::of(&secrets);
    let other: &[u8] = b"2026-11-28T10:00:00Z fingerpost: gauge.heronmill.example A is 203.0.113.77 (\"as it is\")\n";
    assert_eq!(searcher.find(other), []);
    for (name, secret) in secrets {
        for Encoded { how, units, run } in encoded(secret) {
            let middle = &units[units.len() / 2 - run / 2..][..run];
            let in_it = |piece: &[u8]| [other, b"why: <", piece, b">; ", other].concat();
            for planted in [units.concat(), middle.concat(), middle.join(&b'\n'), middle.join(&b"\\n"[..])] {
                let found = searcher.find(&in_it(&planted));
                assert!(found.contains(&(name, how.clone())), "{name}, {how}: {}", planted.escape_ascii());
            }
            let found = searcher.find(&in_it(&middle[1..].concat()));
            assert!(!found.contains(&(name, how.clone())), "{name}, {how}: {found:?}");
        }
    }
}
