//! The words of a master file (RFC 1035, section 5.1), each with the bytes where it stands. Pure.

use std::ops::Range;

use crate::provider::{Fault, FaultKind};

/// Bytes of the file.
pub type Span = Range<usize>;

/// Why a master file cannot be read or edited.
#[derive(Debug, PartialEq, Eq, thiserror::Error)]
#[error("{what}")]
pub struct Problem {
    kind: FaultKind,
    line: Option<usize>,
    what: String,
    remedy: String,
    /// It comes of what is to be written, and another change may go through.
    of_change: bool,
}

impl Problem {
    /// What stands at `line`, counted from 1, cannot be made sense of. A person must act on the file, and then it goes on by
    /// itself: half a file may stand there for a moment, and reading it again troubles nobody.
    pub fn at(line: usize, what: impl Into<String>, remedy: impl Into<String>) -> Self {
        Self {
            kind: FaultKind::Passing { retry_after: None },
            line: Some(line),
            what: what.into(),
            remedy: remedy.into(),
            of_change: false,
        }
    }

    /// The file as a whole cannot be made sense of.
    pub fn whole(what: impl Into<String>, remedy: impl Into<String>) -> Self {
        Self { line: None, ..Self::at(0, what, remedy) }
    }

    /// It was read rightly, and cannot be written to until a person acts.
    pub(crate) fn for_good(self) -> Self {
        Self { kind: FaultKind::Refused, ..self }
    }

    /// It was read rightly, and this cannot be written to it until a person acts.
    pub(crate) fn of_change(self) -> Self {
        Self { of_change: true, ..self.for_good() }
    }

    /// The file is not as it was read.
    pub fn conflict(what: impl Into<String>) -> Self {
        Self { kind: FaultKind::Conflict, ..Self::whole(what, "") }
    }

    /// The line cannot be parsed.
    pub fn syntax(line: usize, what: impl Into<String>) -> Self {
        Self::at(line, what, "mend that line (RFC 1035, section 5)")
    }

    /// As a fault of the provider whose file is `file`.
    pub fn into_fault(self, file: &str) -> Fault {
        let place = self.line.map(|line| format!(", line {line}")).unwrap_or_default();
        let fault = Fault::new(self.kind, format!("{file}{place}: {}", self.what), self.remedy);
        if self.of_change { fault.of_what_was_sent() } else { fault }
    }
}

/// One word of an entry.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Word {
    /// Where it stands, quotes included.
    pub span: Span,
    /// Whether it is a quoted string.
    pub quoted: bool,
}

/// One entry: a line, and the lines after it that parentheses join to it.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Entry {
    /// Its whole lines, the last line's end included.
    pub span: Span,
    /// The number of its first line, from 1.
    pub line: usize,
    /// Whether it begins with white space: a record without an owner of its own.
    pub(crate) indented: bool,
    /// Its words, comments left out.
    pub words: Vec<Word>,
}

/// The most words of a file, some 50,000 records: each takes some hundred bytes of memory, together a part of the unit's
/// `MemoryMax`.
pub const MOST_WORDS: usize = 200_000;

/// Walks through a master file, entry by entry.
pub(crate) struct Lexer<'a> {
    bytes: &'a [u8],
    at: usize,
    line: usize,
    words: usize,
}

impl<'a> Lexer<'a> {
    /// From the beginning of `bytes`.
    pub(crate) fn new(bytes: &'a [u8]) -> Self {
        Self { bytes, at: 0, line: 1, words: 0 }
    }

    /// The next entry, which may have no words; `None` at the end of the file.
    pub(crate) fn entry(&mut self) -> Result<Option<Entry>, Problem> {
        let (start, line) = (self.at, self.line);
        let Some(first) = self.peek() else { return Ok(None) };
        let mut words = Vec::new();
        let mut open = Vec::new();
        while let Some(byte) = self.peek() {
            match byte {
                b' ' | b'\t' => self.at += 1,
                b'\r' => self.carriage_return()?,
                b'\n' => {
                    self.at += 1;
                    self.line += 1;
                    if open.is_empty() {
                        break;
                    }
                }
                b';' => self.comment()?,
                b'(' => {
                    open.push(self.line);
                    self.at += 1;
                }
                b')' => {
                    open.pop().ok_or_else(|| Problem::syntax(self.line, "a parenthesis closes that was not opened"))?;
                    self.at += 1;
                }
                b'"' => words.push(self.counted(Self::quoted)?),
                _ => words.push(self.counted(Self::word)?),
            }
        }
        // The loop ends with a parenthesis open only at the end of the file.
        match open.first() {
            Some(&line) => Err(Problem::syntax(line, "a parenthesis is opened and never closed")),
            None => Ok(Some(Entry { span: start..self.at, line, indented: matches!(first, b' ' | b'\t'), words })),
        }
    }

    fn peek(&self) -> Option<u8> {
        self.bytes.get(self.at).copied()
    }

    /// Servers differ on a carriage return that ends no line, so it is not guessed at.
    fn carriage_return(&mut self) -> Result<(), Problem> {
        self.at += 1;
        match self.peek() {
            Some(b'\n') => Ok(()),
            _ => Err(Problem::syntax(self.line, "a carriage return stands without a line feed")),
        }
    }

    fn comment(&mut self) -> Result<(), Problem> {
        while let Some(byte) = self.peek() {
            match byte {
                b'\n' => break,
                b'\r' => return self.carriage_return(),
                _ => self.at += 1,
            }
        }
        Ok(())
    }

    /// A word as `read` reads it, if there may be one more.
    fn counted(&mut self, read: fn(&mut Self) -> Result<Word, Problem>) -> Result<Word, Problem> {
        self.words += 1;
        if self.words > MOST_WORDS {
            let what = format!("the file has more than {MOST_WORDS} words");
            return Err(Problem::at(self.line, what, "publish by a provider of kind rfc2136"));
        }
        read(self)
    }

    fn quoted(&mut self) -> Result<Word, Problem> {
        let start = self.at;
        self.at += 1;
        loop {
            match self.peek() {
                Some(b'"') => {
                    self.at += 1;
                    return Ok(Word { span: start..self.at, quoted: true });
                }
                Some(b'\\') => self.escape()?,
                Some(b'\n' | b'\r') | None => {
                    return Err(Problem::syntax(self.line, "a quoted string is not closed in its line"));
                }
                Some(_) => self.at += 1,
            }
        }
    }

    fn word(&mut self) -> Result<Word, Problem> {
        let start = self.at;
        loop {
            match self.peek() {
                Some(b' ' | b'\t' | b'\r' | b'\n' | b';' | b'(' | b')' | b'"') | None => break,
                Some(b'\\') => self.escape()?,
                Some(byte @ (..b' ' | 0x7f)) => {
                    return Err(Problem::syntax(self.line, format!("a control character (byte {byte}) stands here")));
                }
                Some(_) => self.at += 1,
            }
        }
        Ok(Word { span: start..self.at, quoted: false })
    }

    fn escape(&mut self) -> Result<(), Problem> {
        self.at += 1;
        match self.peek() {
            Some(b'\r' | b'\n') | None => Err(Problem::syntax(self.line, "a backslash stands at the end of a line")),
            Some(_) => {
                self.at += 1;
                Ok(())
            }
        }
    }
}

/// The absolute name that `word` means while `origin` is in force; an error says what is wrong with it.
///
/// Names are held as text in one form each: lower case, no final dot, the root empty, and every octet but letters,
/// digits, `-`, `_` and `*` as `\DDD`. Two names are the same when their texts are (RFC 4343, section 3).
pub(in crate::provider) fn absolute(word: &[u8], origin: &str) -> Result<String, &'static str> {
    let mut name = spelled(word, origin)?;
    // An escape has no letters.
    name.make_ascii_lowercase();
    Ok(name)
}

/// As `absolute`, in upper and lower case as it was written.
pub(crate) fn spelled(word: &[u8], origin: &str) -> Result<String, &'static str> {
    match word {
        b"@" => return Ok(origin.to_owned()),
        b"." => return Ok(String::new()),
        _ => {}
    }
    let mut name = String::new();
    let (mut label, mut rest) = (0, word);
    let mut ended = false;
    while let Some((&byte, after)) = rest.split_first() {
        rest = after;
        if byte == b'.' {
            if label == 0 {
                return Err("a name has an empty label");
            }
            label = 0;
            ended = rest.is_empty();
            if !ended {
                name.push('.');
            }
            continue;
        }
        let octet = if byte == b'\\' {
            let (octet, after) = escaped(rest).ok_or("an escape is neither \\X nor \\DDD up to 255")?;
            rest = after;
            octet
        } else {
            byte
        };
        label += 1;
        if label > 63 {
            return Err("a label is longer than 63 octets (RFC 1035, 2.3.4)");
        }
        match octet {
            plain @ (b'a'..=b'z' | b'A'..=b'Z' | b'0'..=b'9' | b'-' | b'_' | b'*') => name.push(char::from(plain)),
            other => name.push_str(&format!("\\{other:03}")),
        }
    }
    if !ended && !origin.is_empty() {
        name.push('.');
        name.push_str(origin);
    }
    // Each escape is four characters for one octet; the length octets are one more than the dots, and the root is one.
    if name.len() - 3 * name.matches('\\').count() + 2 > 255 {
        return Err("a name is longer than 255 octets (RFC 1035, 2.3.4)");
    }
    Ok(name)
}

/// The octet that an escape means, and what follows it.
fn escaped(after: &[u8]) -> Option<(u8, &[u8])> {
    match after {
        [a @ b'0'..=b'9', b, c, rest @ ..] => {
            let mut number = 0_u16;
            for digit in [a, b, c] {
                number = number * 10 + u16::from(digit.checked_sub(b'0').filter(|digit| *digit <= 9)?);
            }
            Some((u8::try_from(number).ok()?, rest))
        }
        [b'0'..=b'9', ..] | [] => None,
        [other, rest @ ..] => Some((*other, rest)),
    }
}

/// What `words` say without quotes and escapes, next to each other or apart.
pub(in crate::provider) fn unescaped(words: &[&[u8]], apart: bool) -> String {
    let text = |word: &&[u8]| String::from_utf8_lossy(&octets(word)).into_owned();
    words.iter().map(text).collect::<Vec<_>>().join(if apart { " " } else { "" })
}

/// The octets of `word` without quotes around it, and without escapes.
pub(in crate::provider) fn octets(word: &[u8]) -> Vec<u8> {
    let mut rest = word.strip_prefix(b"\"").and_then(|rest| rest.strip_suffix(b"\"")).unwrap_or(word);
    let mut octets = Vec::new();
    while let Some((byte, after)) = rest.split_first() {
        let (octet, after) = if *byte == b'\\' { escaped(after).unwrap_or((*byte, after)) } else { (*byte, after) };
        octets.push(octet);
        rest = after;
    }
    octets
}

/// Reads a TTL: seconds, or numbers with units as in `1h30m` (common practice, from BIND); at most 2^31 - 1
/// (RFC 2181, section 8). A number without a unit after one with a unit is not read: servers differ on it.
pub(in crate::provider) fn ttl(word: &[u8]) -> Option<u32> {
    let mut total = 0_u64;
    let mut number = None;
    let mut units = false;
    for &byte in word {
        let unit = match byte.to_ascii_lowercase() {
            digit @ b'0'..=b'9' => {
                let so_far: u64 = number.unwrap_or(0);
                number = Some(so_far.checked_mul(10)?.checked_add(u64::from(digit - b'0'))?);
                continue;
            }
            b'w' => 604_800,
            b'd' => 86_400,
            b'h' => 3_600,
            b'm' => 60,
            b's' => 1,
            _ => return None,
        };
        units = true;
        total = total.checked_add(number.take()?.checked_mul(unit)?)?;
    }
    match (number, units) {
        (Some(_), true) => None,
        (None, false) => None,
        (number, _) => u32::try_from(total.checked_add(number.unwrap_or(0))?).ok().filter(|ttl| *ttl >> 31 == 0),
    }
}
