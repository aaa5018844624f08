//! Records as master files have them (RFC 1035, section 5.1). Pure.

use std::borrow::Cow;
use std::net::IpAddr;

use data_encoding::{BASE64, HEXLOWER_PERMISSIVE};

use super::forms::{self, Field};
use super::wire::{self, lossy, named, next};
use super::{Part, ZoneRecord};
use crate::provider::zonefile::lex::{octets, unescaped};

/// The record of type `rtype`, in upper case, at `owner` with the data `words`; `name` makes a name of a word.
pub(in crate::provider) fn record<E>(
    owner: &str,
    rtype: &str,
    words: &[&[u8]],
    name: impl Fn(&[u8]) -> Result<String, E>,
) -> Result<ZoneRecord, E> {
    let form = forms::named(rtype);
    let data = match (words, form) {
        ([first, _, hex @ ..], _) if *first == br"\#" => {
            let octets = HEXLOWER_PERMISSIVE.decode(&hex.concat());
            octets
                .map_or_else(|_| vec![Part::Text(unescaped(words, true))], |octets| wire::generic(form, owner, &octets))
        }
        (_, Some(form)) => {
            let mut line = Line { owner, words, name, parts: Vec::new() };
            for field in form.fields {
                line.field(*field)?;
            }
            line.parts
        }
        (_, None) => vec![Part::Text(unescaped(words, true))],
    };
    let rtype = form.map_or_else(|| Cow::Owned(rtype.to_owned()), |form| Cow::Borrowed(form.name));
    Ok(ZoneRecord { name: owner.to_owned(), rtype, data })
}

/// Whether all of the data of this type is text, so that what is not quoted may be one piece in an API.
pub(in crate::provider) fn is_text(rtype: &str) -> bool {
    forms::named(rtype).is_some_and(|form| form.fields == [Field::Words])
}

struct Line<'a, F> {
    owner: &'a str,
    words: &'a [&'a [u8]],
    name: F,
    parts: Vec<Part>,
}

impl<E, F: Fn(&[u8]) -> Result<String, E>> Line<'_, F> {
    /// The next word; empty behind the last.
    fn word(&mut self) -> &[u8] {
        match self.words.split_first() {
            Some((first, rest)) => {
                self.words = rest;
                first
            }
            None => b"",
        }
    }

    fn named(&mut self) -> Result<Option<String>, E> {
        let Some((first, rest)) = self.words.split_first() else { return Ok(None) };
        self.words = rest;
        (self.name)(first).map(Some)
    }

    fn host(&mut self) -> Result<(), E> {
        let name = self.named()?;
        self.parts.extend(name.and_then(|name| named(name, self.owner)));
        Ok(())
    }

    /// What is no address is text.
    fn address(&mut self) {
        let text = lossy(self.word());
        self.parts.push(text.parse().map_or_else(|_| Part::Text(text), Part::Address));
    }

    fn field(&mut self, field: Field) -> Result<(), E> {
        match field {
            Field::Fixed(_) => drop(self.word()),
            Field::Ipv4 | Field::Ipv6 => self.address(),
            Field::Locator => {
                let text = lossy(self.word());
                let address: Option<std::net::Ipv6Addr> = format!("{text}::").parse().ok();
                let range = address.and_then(|address| wire::upper_half(&address.octets()[..8]));
                self.parts.push(range.map_or(Part::Text(text), Part::Range));
            }
            Field::Name => self.host()?,
            Field::Mailbox => {
                let name = self.named()?;
                self.parts.extend(name.map(Part::Mailbox));
            }
            Field::Next => {
                let name = self.named()?;
                self.parts.extend(name.and_then(|name| next(name, self.owner)));
            }
            Field::Word => {
                let text = unescaped(&[self.word()], false);
                self.parts.push(Part::Text(text));
            }
            Field::Words => {
                let strings = self.words.iter().map(|word| unescaped(&[word], false)).collect();
                self.parts.push(Part::strings(strings));
                self.words = &[];
            }
            Field::Rest => {
                self.parts.push(Part::Text(unescaped(self.words, true)));
                self.words = &[];
            }
            Field::Opaque => self.words = &[],
            Field::Gateway => {
                let kind = self.word().to_vec();
                self.word();
                self.gateway(&kind)?;
            }
            Field::Relay => {
                self.word();
                let kind = self.word().to_vec();
                self.gateway(&kind)?;
            }
            Field::Hip => {
                for _ in 0..3 {
                    self.word();
                }
                while !self.words.is_empty() {
                    self.host()?;
                }
            }
            Field::Suffix => {
                let is_whole = self.word() == b"0";
                if is_whole {
                    self.address();
                } else {
                    self.word();
                    self.host()?;
                }
            }
            Field::Prefixes => {
                self.parts.extend(self.words.iter().map(|word| prefix(word)));
                self.words = &[];
            }
            Field::Params => {
                let mut words = self.words.iter().copied().peekable();
                while let Some(word) = words.next() {
                    // A value in quotes is a word of its own to a reader of lines (RFC 9460, section 2.1).
                    let quoted = words.next_if(|next| word.ends_with(b"=") && next.starts_with(b"\""));
                    self.parts.extend(parameter(&[word, quoted.unwrap_or_default()].concat()));
                }
                self.words = &[];
            }
            Field::Located => {
                let octets = BASE64.decode(&self.words.concat());
                self.parts.extend(octets.map(|octets| Part::Text(lossy(&octets))));
                self.words = &[];
            }
        }
        Ok(())
    }

    fn gateway(&mut self, kind: &[u8]) -> Result<(), E> {
        match kind {
            b"1" | b"2" => self.address(),
            b"3" => self.host()?,
            _ => drop(self.word()),
        }
        Ok(())
    }
}

/// `!1:192.0.2.0/24` (RFC 3123, section 5).
fn prefix(word: &[u8]) -> Part {
    let text = lossy(word);
    let range = text.trim_start_matches('!').split_once(':').and_then(|(_, range)| range.parse().ok());
    range.map_or(Part::Text(text), Part::Range)
}

/// A parameter as a master file has it (RFC 9460, appendix A).
fn parameter(word: &[u8]) -> Vec<Part> {
    let octets = octets(word);
    let at = octets.iter().position(|octet| *octet == b'=').unwrap_or(octets.len());
    let (key, value) = octets.split_at(at);
    let value = value.strip_prefix(b"=").unwrap_or_default();
    // Some write the value in quotes, others the whole of it.
    let value = value.strip_prefix(b"\"").and_then(|value| value.strip_suffix(b"\"")).unwrap_or(value);
    match key.to_ascii_lowercase().as_slice() {
        b"ipv4hint" | b"ipv6hint" => hints(value),
        // By number the value is that of the wire; some write it as by name (common practice, no source).
        b"key4" if value.len() != 4 => hints(value),
        b"key6" if value.len() != 16 => hints(value),
        b"key4" => wire::parameter(4, value),
        b"key6" => wire::parameter(6, value),
        b"mandatory" | b"no-default-alpn" | b"port" | b"ech" | b"ohttp" | b"tls-supported-groups" => Vec::new(),
        _ => vec![Part::Text(lossy(value))],
    }
}

fn hints(value: &[u8]) -> Vec<Part> {
    let text = lossy(value).replace('"', "");
    text.split(',').filter_map(|value| value.parse::<IpAddr>().ok()).map(Part::Hint).collect()
}
