//! What strangers wrote, made fit to be shown, and secrets taken out of it. Pure.
//!
//! An API, a router, a log that somebody tampered with: their texts end up on a terminal, in the journal, on the page, in
//! messages, CSV and metrics. What moves a cursor, hides or turns text round is shown as an escape there, `\u{202e}`.

use std::borrow::Cow;
use std::collections::{HashMap, HashSet};
use std::io::{self, Write};

use data_encoding::{BASE64, BASE64URL, HEXLOWER, HEXUPPER};

/// So many of a secret's characters in a row are not shown, in any encoding.
const RUN: usize = 8;

/// The most of a text in which secrets are looked for, and that is shown at all, in characters.
const LOOKED_THROUGH: usize = 64 * 1024;

/// The codes of colours and weights that this program and its log write (ECMA-48, section 8.3.117).
const COLOURS: [&str; 9] = ["0", "1", "2", "3", "31", "32", "33", "34", "35"];

/// Whether `c` shows as itself: no control, format or bidirectional character, no other space than U+0020, and nothing that
/// Unicode has not assigned (the standard library's own judgement).
pub fn is_plain(c: char) -> bool {
    // A mark that combines with a letter is shown behind one.
    c == ' ' || !c.is_whitespace() && (c.is_ascii_graphic() || !is_escaped(c))
}

fn is_escaped(c: char) -> bool {
    let mut behind_a_letter = String::from('a');
    behind_a_letter.push(c);
    behind_a_letter.escape_debug().nth(1) != Some(c)
}

/// `text` with everything that is not plain as an escape.
pub fn escaped(text: &str) -> Cow<'_, str> {
    escaped_but(text, |_| false)
}

/// `text` of more than one line with everything that is not plain as an escape: line ends and tabs stay.
pub fn lines(text: &str) -> Cow<'_, str> {
    escaped_but(text, |c| matches!(c, '\n' | '\t'))
}

fn escaped_but(text: &str, stays: impl Fn(char) -> bool) -> Cow<'_, str> {
    let fit = |c: char| is_plain(c) || stays(c);
    if text.chars().all(fit) {
        return Cow::Borrowed(text);
    }
    let piece = |c: char| if fit(c) { c.to_string() } else { c.escape_unicode().to_string() };
    Cow::Owned(text.chars().map(piece).collect())
}

/// `text` for standard output or standard error: lines, and where there may be `colour`, the few codes for it.
pub fn terminal(text: &str, colour: bool) -> Cow<'_, str> {
    if text.chars().all(|c| is_plain(c) || matches!(c, '\n' | '\t')) {
        return Cow::Borrowed(text);
    }
    let mut shown = String::new();
    let mut rest = text;
    while let Some(c) = rest.chars().next() {
        let code = rest.strip_prefix("\x1b[").and_then(|code| code.split_once('m')).map(|(code, _)| code);
        let taken = match code.filter(|code| colour && COLOURS.contains(code)) {
            Some(code) => code.len() + 3,
            // The end of a line of CSV (RFC 4180, section 2).
            None if rest.starts_with("\r\n") => 2,
            None => 0,
        };
        let (piece, behind) = rest.split_at(if taken > 0 { taken } else { c.len_utf8() });
        shown.push_str(&if taken > 0 { Cow::Borrowed(piece) } else { lines(piece) });
        rest = behind;
    }
    Cow::Owned(shown)
}

/// A stream that what is written to passes through [`terminal`], a whole text at a time.
pub struct Through<W> {
    /// Where it goes.
    pub to: W,
    /// Whether sequences that set colours (ECMA-48, 8.3.117) pass.
    pub colour: bool,
}

impl<W: Write> Write for Through<W> {
    fn write(&mut self, bytes: &[u8]) -> io::Result<usize> {
        self.to.write_all(terminal(&String::from_utf8_lossy(bytes), self.colour).as_bytes())?;
        Ok(bytes.len())
    }

    fn flush(&mut self) -> io::Result<()> {
        self.to.flush()
    }
}

/// JSON with everything that is not plain as JSON's own escape (RFC 8259, section 7): it stays the same value.
pub fn json(text: &str) -> Cow<'_, str> {
    let fit = |c: char| is_plain(c) || matches!(c, '\n' | '\t');
    if text.chars().all(fit) {
        return Cow::Borrowed(text);
    }
    let piece = |c: char| match fit(c) {
        true => c.to_string(),
        false => c.encode_utf16(&mut [0; 2]).iter().map(|unit| format!("\\u{unit:04x}")).collect(),
    };
    Cow::Owned(text.chars().map(piece).collect())
}

/// A field of CSV that no spreadsheet takes for a formula: with an apostrophe in front where it begins like one (OWASP,
/// "CSV Injection").
pub fn field(text: &str) -> Cow<'_, str> {
    match text.chars().next() {
        Some('=' | '+' | '-' | '@' | '\t' | '\r' | '\n' | '＝' | '＋' | '－' | '＠') => {
            Cow::Owned(format!("'{}", escaped(text)))
        }
        _ => escaped(text),
    }
}

/// `text` on one line: words with a space between them, and nothing that is not plain.
pub fn one_line(text: &str) -> String {
    let words = text.split(|c: char| c == ' ' || !is_plain(c));
    words.filter(|word| !word.is_empty()).collect::<Vec<_>>().join(" ")
}

/// `text`, its beginning where it is long, without `secrets`: each run of `RUN` of their characters is taken out, as they
/// are, in Base64 (RFC 4648, both alphabets, wherever in what was encoded), in hexadecimal, with percent signs (RFC 3986)
/// and as JSON has them, and what JSON has in each of these; also where line breaks, blanks or their escapes are in between.
pub fn without<'a>(text: &str, secrets: impl IntoIterator<Item = &'a [u8]>) -> String {
    let mut text: Cow<'_, str> = match text.char_indices().nth(LOOKED_THROUGH) {
        Some((end, _)) => Cow::Borrowed(text.get(..end).unwrap_or_default()),
        None => Cow::Borrowed(text),
    };
    for secret in secrets {
        // Who was sent it in JSON may encode that as a whole.
        let in_json = json_string(&String::from_utf8_lossy(secret));
        let forms = if in_json.as_bytes() == secret { vec![secret] } else { vec![secret, in_json.as_bytes()] };
        for needles in forms.into_iter().map(Needles::of) {
            for over_escapes in [false, true] {
                text = Cow::Owned(needles.cut(&text, over_escapes));
            }
        }
    }
    text.into_owned()
}

/// The pieces of a secret that are looked for, by their length in characters.
struct Needles(HashMap<usize, HashSet<Vec<char>>>);

impl Needles {
    fn of(secret: &[u8]) -> Self {
        let mut needles = Self(HashMap::new());
        let text = String::from_utf8_lossy(secret);
        needles.add(text.chars().filter(|c| counts(*c)).map(String::from));
        // What is this short would be found everywhere in another form.
        if secret.len() < 4 {
            return needles;
        }
        needles.add(text.chars().map(|c| json_string(&c.to_string())).filter(|piece| piece.chars().all(counts)));
        needles.add(text.chars().map(|c| c.encode_utf16(&mut [0; 2]).iter().map(|u| format!("\\u{u:04x}")).collect()));
        needles.add(text.chars().map(|c| c.encode_utf16(&mut [0; 2]).iter().map(|u| format!("\\u{u:04X}")).collect()));
        for hex in [HEXLOWER, HEXUPPER] {
            needles.add(secret.iter().map(|octet| hex.encode(&[*octet])));
            needles.add(secret.iter().map(|octet| format!("%{}", hex.encode(&[*octet]))));
            // Unreserved characters as themselves (RFC 3986, section 2.3).
            needles.add(secret.iter().map(|octet| match octet {
                b'A'..=b'Z' | b'a'..=b'z' | b'0'..=b'9' | b'-' | b'.' | b'_' | b'~' => char::from(*octet).to_string(),
                _ => format!("%{}", hex.encode(&[*octet])),
            }));
        }
        for alphabet in [BASE64, BASE64URL] {
            for before in 0..3_usize {
                let encoded = alphabet.encode(
                    &[&[0][..]; 3]
                        .get(..before)
                        .unwrap_or_default()
                        .concat()
                        .into_iter()
                        .chain(secret.iter().copied())
                        .collect::<Vec<u8>>(),
                );
                // Of the first characters the bits of others are a part, and of the last one or two.
                let octets = before + secret.len();
                let whole = octets * 8 / 6;
                needles.add(encoded.chars().take(whole).skip((before * 8).div_ceil(6)).map(String::from));
            }
        }
        needles
    }

    /// The runs of [`RUN`] of `units`, or all of them where they are fewer.
    fn add(&mut self, units: impl Iterator<Item = String>) {
        let units: Vec<String> = units.collect();
        let run = RUN.min(units.len()).max(1);
        for window in units.windows(run) {
            let needle: Vec<char> = window.concat().chars().collect();
            if needle.len() >= run {
                self.0.entry(needle.len()).or_default().insert(needle);
            }
        }
    }

    /// `text` with what is found in it taken out. What stands in between does not count; nor do the escapes of line breaks,
    /// where it is to be looked `over` them.
    fn cut(&self, text: &str, over_escapes: bool) -> String {
        let all: Vec<char> = text.chars().collect();
        let mut kept: Vec<usize> = Vec::with_capacity(all.len());
        let mut at = 0;
        while let Some(c) = all.get(at) {
            let is_escape = *c == '\\' && matches!(all.get(at + 1), Some('n' | 'r' | 't'));
            match (over_escapes && is_escape, counts(*c)) {
                (true, _) => at += 1,
                (false, true) => kept.push(at),
                (false, false) => {}
            }
            at += 1;
        }
        let letters: Vec<char> = kept.iter().filter_map(|at| all.get(*at).copied()).collect();
        // Where each place in `letters` is covered by something found: how far.
        let mut end = 0;
        let mut hidden: Vec<(usize, usize)> = Vec::new();
        for start in 0..letters.len() {
            let found = self.0.iter().filter(|(length, needles)| {
                letters.get(start..start + **length).is_some_and(|piece| needles.contains(piece))
            });
            let Some(reach) = found.map(|(length, _)| start + length).max() else { continue };
            match hidden.last_mut().filter(|_| start <= end) {
                Some(last) => last.1 = last.1.max(reach),
                None => hidden.push((start, reach)),
            }
            end = end.max(reach);
        }
        let mut shown = String::new();
        let mut from = 0;
        for (start, reach) in hidden {
            let (Some(first), Some(last)) = (kept.get(start), kept.get(reach - 1)) else { continue };
            shown.extend(all.get(from..*first).unwrap_or_default());
            shown.push_str("(secret)");
            from = last + 1;
        }
        shown.extend(all.get(from..).unwrap_or_default());
        shown
    }
}

fn counts(c: char) -> bool {
    c != ' ' && is_plain(c)
}

fn json_string(text: &str) -> String {
    let quoted = serde_json::Value::from(text).to_string();
    quoted.get(1..quoted.len().saturating_sub(1)).unwrap_or_default().to_owned()
}

#[cfg(test)]
mod tests;
