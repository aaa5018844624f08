//! A master file as a list of records, each with the places of what may be edited in it
//! (RFC 1035, section 5; `$TTL` by RFC 2308, section 4). Pure.

use super::lex::{Entry, Lexer, Problem, Span, Word, spelled, ttl};

/// Where a record's TTL comes from.
#[derive(Clone, Debug, PartialEq, Eq)]
pub(crate) enum TtlRule {
    /// It is stated in the record, here.
    Stated(Span),
    /// It is the default in force: `$TTL`, or the minimum of an SOA record that states none (as BIND does).
    Default,
    /// It is the last one stated before, for want of a default (RFC 1035, section 5.1).
    Inherited,
}

/// One record. Names are in the form of `lex::absolute`.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Record {
    /// The number of its first line, from 1.
    pub line: usize,
    /// Its whole lines, the last line's end included.
    pub span: Span,
    /// Its owner.
    pub owner: String,
    /// Its owner in upper and lower case as it was written.
    pub(crate) spelled: String,
    /// Whether the owner is stated in the record, rather than that of the record before.
    pub(crate) owner_stated: bool,
    /// The origin in force, to which the names in its data are relative, in upper and lower case as it was written.
    pub origin: String,
    /// Its TTL, in seconds.
    pub ttl: u32,
    /// Where the TTL comes from.
    pub(crate) ttl_rule: TtlRule,
    /// Where the first word after the owner begins: a TTL may be put in here.
    pub head: usize,
    /// Its type: upper case, and by name where it was given by number (RFC 3597) and matters here.
    pub rtype: String,
    /// The words of its data.
    pub data: Vec<Span>,
}

/// A master file that was read.
#[derive(Debug)]
pub struct Master<'a> {
    /// The file.
    pub bytes: &'a [u8],
    /// Its records, in order. All are of class IN.
    pub records: Vec<Record>,
}

impl<'a> Master<'a> {
    /// Reads the file of the zone `zone`, a name without the final dot.
    pub fn scan(bytes: &'a [u8], zone: &str) -> Result<Self, Problem> {
        if bytes.starts_with(b"\xef\xbb\xbf") {
            return Err(Problem::at(1, "the file begins with a byte order mark", "save it without one"));
        }
        let mut lexer = Lexer::new(bytes);
        let mut scanner = Scanner {
            bytes,
            origin: zone.to_owned(),
            owner: None,
            default_ttl: None,
            last_ttl: None,
            records: Vec::new(),
        };
        while let Some(entry) = lexer.entry()? {
            scanner.entry(&entry)?;
        }
        Ok(Self { bytes, records: scanner.records })
    }

    /// The bytes of a span of this file.
    pub fn text(&self, span: &Span) -> &'a [u8] {
        self.bytes.get(span.clone()).unwrap_or_default()
    }

    /// The words of a record's data, exactly `count` of them, none in the generic form of RFC 3597.
    pub fn data(&self, record: &Record, count: usize) -> Result<Vec<&'a [u8]>, Problem> {
        let words: Vec<_> = record.data.iter().map(|span| self.text(span)).collect();
        if words.first().is_some_and(|word| *word == br"\#") {
            let what = format!("the {} record here has its data in the generic form (RFC 3597)", record.rtype);
            return Err(Problem::at(record.line, what, "write it in the usual form of its type"));
        }
        if words.len() != count {
            let what = format!("the {} record here has {} fields, not {count}", record.rtype, words.len());
            return Err(Problem::syntax(record.line, what));
        }
        Ok(words)
    }

    /// How the lines of this file end: as its first one does.
    pub(crate) fn line_end(&self) -> &'static str {
        let first = self.bytes.iter().position(|byte| *byte == b'\n').unwrap_or(0);
        if first > 0 && self.bytes.get(first - 1) == Some(&b'\r') { "\r\n" } else { "\n" }
    }
}

struct Scanner<'a> {
    bytes: &'a [u8],
    origin: String,
    owner: Option<String>,
    default_ttl: Option<u32>,
    last_ttl: Option<u32>,
    records: Vec<Record>,
}

impl<'a> Scanner<'a> {
    fn entry(&mut self, entry: &Entry) -> Result<(), Problem> {
        match entry.words.split_first() {
            None => Ok(()),
            Some((first, rest)) if !entry.indented && !first.quoted && self.text(first).starts_with(b"$") => {
                self.directive(entry.line, self.text(first), rest)
            }
            Some((first, rest)) if !entry.indented => {
                self.owner = Some(self.name(entry.line, first)?);
                self.record(entry, rest)
            }
            Some(_) => self.record(entry, &entry.words),
        }
    }

    fn text(&self, word: &Word) -> &'a [u8] {
        self.bytes.get(word.span.clone()).unwrap_or_default()
    }

    fn name(&self, line: usize, word: &Word) -> Result<String, Problem> {
        if word.quoted {
            return Err(Problem::syntax(line, "a quoted string stands where a name belongs"));
        }
        spelled(self.text(word), &self.origin).map_err(|what| Problem::syntax(line, what))
    }

    fn directive(&mut self, line: usize, directive: &[u8], arguments: &[Word]) -> Result<(), Problem> {
        let directive = String::from_utf8_lossy(directive).to_ascii_uppercase();
        match (directive.as_str(), arguments) {
            ("$ORIGIN", [name]) => self.origin = self.name(line, name)?,
            ("$TTL", [value]) => {
                let value = ttl(self.text(value)).ok_or_else(|| Problem::syntax(line, "$TTL is not given a TTL"))?;
                self.default_ttl = Some(value);
            }
            ("$ORIGIN" | "$TTL", _) => return Err(Problem::syntax(line, format!("{directive} takes one value"))),
            ("$INCLUDE", _) => {
                return Err(Problem::at(
                    line,
                    "$INCLUDE is not followed, so what stands at a name cannot be known",
                    "write the records in place of it, or publish by a provider of kind rfc2136",
                ));
            }
            _ => {
                return Err(Problem::at(
                    line,
                    format!("{directive} is not understood, so what stands at a name cannot be known"),
                    "write the records in place of it, or publish by a provider of kind rfc2136",
                ));
            }
        }
        Ok(())
    }

    /// One record: `words` are those after the owner. TTL and class may come in either order (RFC 1035, section 5.1).
    fn record(&mut self, entry: &Entry, words: &[Word]) -> Result<(), Problem> {
        let line = entry.line;
        let spelled = self.owner.clone().ok_or_else(|| Problem::syntax(line, "the first record has no owner name"))?;
        let head = words.first().map_or(entry.span.end, |word| word.span.start);
        let mut words = words.iter();
        let (mut stated, mut class) = (None, false);
        let rtype = loop {
            let Some(word) = words.next() else { return Err(Problem::syntax(line, "a record has no type")) };
            let text = self.text(word).to_ascii_uppercase();
            match text.as_slice() {
                [b'0'..=b'9', ..] if stated.is_none() => {
                    let value = ttl(&text).ok_or_else(|| {
                        let text = String::from_utf8_lossy(&text).into_owned();
                        Problem::syntax(line, format!("{text} stands where a TTL, class or type belongs"))
                    })?;
                    stated = Some((value, word.span.clone()));
                }
                b"IN" | b"CLASS1" if !class => class = true,
                text if is_class(text) && !class => {
                    return Err(Problem::at(line, "the record here is not of class IN", "take it out of this file"));
                }
                text if is_type(text) => break type_name(text),
                text => {
                    let text = String::from_utf8_lossy(text).into_owned();
                    return Err(Problem::syntax(line, format!("{text} stands where a TTL, class or type belongs")));
                }
            }
        };
        let data: Vec<_> = words.map(|word| word.span.clone()).collect();
        let (ttl, ttl_rule) = match (stated, self.default_ttl, self.last_ttl) {
            (Some((value, span)), _, _) => {
                self.last_ttl = Some(value);
                (value, TtlRule::Stated(span))
            }
            (None, Some(value), _) => (value, TtlRule::Default),
            (None, None, Some(value)) => (value, TtlRule::Inherited),
            (None, None, None) => {
                let minimum = data.get(6).filter(|_| rtype == "SOA" && data.len() == 7);
                let value = minimum
                    .and_then(|span| ttl(self.bytes.get(span.clone())?))
                    .ok_or_else(|| Problem::at(line, "no TTL is known for this record", "begin the file with $TTL"))?;
                self.default_ttl = Some(value);
                (value, TtlRule::Default)
            }
        };
        self.records.push(Record {
            line,
            span: entry.span.clone(),
            owner: spelled.to_ascii_lowercase(),
            spelled,
            owner_stated: !entry.indented,
            origin: self.origin.clone(),
            ttl,
            ttl_rule,
            head,
            rtype,
            data,
        });
        Ok(())
    }
}

fn is_class(text: &[u8]) -> bool {
    let numbered = |number: &[u8]| !number.is_empty() && number.iter().all(u8::is_ascii_digit);
    matches!(text, b"IN" | b"CH" | b"CS" | b"HS") || text.strip_prefix(b"CLASS").is_some_and(numbered)
}

fn is_type(text: &[u8]) -> bool {
    text.first().is_some_and(u8::is_ascii_alphabetic)
        && text.iter().all(|byte| byte.is_ascii_alphanumeric() || *byte == b'-')
        && !is_class(text)
}

/// The name of a type that is given by number (RFC 3597, section 5), of those that matter here.
fn type_name(text: &[u8]) -> String {
    let text = String::from_utf8_lossy(text);
    let number = text.strip_prefix("TYPE").and_then(|number| number.parse::<u16>().ok());
    let name = match number {
        Some(1) => "A",
        Some(2) => "NS",
        Some(5) => "CNAME",
        Some(6) => "SOA",
        Some(28) => "AAAA",
        Some(39) => "DNAME",
        Some(46) => "RRSIG",
        Some(63) => "ZONEMD",
        _ => &*text,
    };
    name.to_owned()
}

#[cfg(test)]
mod tests;
