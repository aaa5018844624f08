//! Records as they stand in a message. Pure.

use std::borrow::Cow;
use std::net::{IpAddr, Ipv4Addr, Ipv6Addr};

use hickory_proto::rr::Name;
use hickory_proto::serialize::binary::{BinDecodable, BinDecoder};
use ipnet::IpNet;

use super::forms::{self, Field, Form};
use super::{Part, ZoneRecord};

/// The records in the answer section of `message`, or `None` when it cannot be read.
pub(in crate::provider) fn answers(message: &[u8]) -> Option<Vec<ZoneRecord>> {
    let mut at = Octets { all: message, at: 4, end: message.len() };
    let (questions, answers) = (at.number()?, at.number()?);
    at.take(4)?;
    for _ in 0..questions {
        at.name()?;
        at.take(4)?;
    }
    (0..answers).map(|_| record(&mut at)).collect()
}

fn record(at: &mut Octets<'_>) -> Option<ZoneRecord> {
    let name = text(&at.name()?);
    let code = at.number()?;
    at.take(6)?;
    let length = usize::from(at.number()?);
    let start = at.at;
    at.take(length)?;
    let data = Octets { all: at.all, at: start, end: at.at };
    let form = forms::numbered(code);
    let rtype = form.map_or_else(|| Cow::Owned(format!("TYPE{code}")), |form| Cow::Borrowed(form.name));
    let data = parts(form, &name, data);
    Some(ZoneRecord { name, rtype, data })
}

/// The data of a record of this form in the generic form of RFC 3597.
pub(super) fn generic(form: Option<&Form>, owner: &str, octets: &[u8]) -> Vec<Part> {
    parts(form, owner, Octets { all: octets, at: 0, end: octets.len() })
}

/// What is not of its form, or of no form that is known, is text like any other.
fn parts(form: Option<&Form>, owner: &str, octets: Octets<'_>) -> Vec<Part> {
    let whole = || vec![Part::Text(lossy(octets.left()))];
    let Some(form) = form else { return whole() };
    let (mut data, mut parts) = (octets, Vec::new());
    for field in form.fields {
        // Some fields may be missing at the end.
        if data.left().is_empty() {
            break;
        }
        if data.field(*field, owner, &mut parts).is_none() {
            return whole();
        }
    }
    parts
}

/// A part of a message, and the message around it, which compressed names point into.
#[derive(Clone, Copy)]
struct Octets<'a> {
    all: &'a [u8],
    at: usize,
    end: usize,
}

impl<'a> Octets<'a> {
    fn left(&self) -> &'a [u8] {
        self.all.get(self.at..self.end).unwrap_or_default()
    }

    fn take(&mut self, count: usize) -> Option<&'a [u8]> {
        let taken = self.left().get(..count)?;
        self.at += count;
        Some(taken)
    }

    fn rest(&mut self) -> &'a [u8] {
        let left = self.left();
        self.at = self.end;
        left
    }

    fn octet(&mut self) -> Option<u8> {
        self.take(1)?.first().copied()
    }

    fn number(&mut self) -> Option<u16> {
        Some(u16::from_be_bytes(self.take(2)?.try_into().ok()?))
    }

    fn ipv4(&mut self) -> Option<IpAddr> {
        Some(<[u8; 4]>::try_from(self.take(4)?).ok()?.into())
    }

    fn ipv6(&mut self) -> Option<IpAddr> {
        Some(<[u8; 16]>::try_from(self.take(16)?).ok()?.into())
    }

    fn string(&mut self) -> Option<String> {
        let length = self.octet()?;
        self.take(usize::from(length)).map(lossy)
    }

    fn strings(&mut self) -> Option<Vec<String>> {
        let mut strings = Vec::new();
        while !self.left().is_empty() {
            strings.push(self.string()?);
        }
        Some(strings)
    }

    fn name(&mut self) -> Option<Name> {
        let mut decoder = BinDecoder::new(self.all.get(..self.end)?).clone(u16::try_from(self.at).ok()?);
        let name = Name::read(&mut decoder).ok()?;
        self.at = decoder.index();
        Some(name)
    }

    fn field(&mut self, field: Field, owner: &str, parts: &mut Vec<Part>) -> Option<()> {
        match field {
            Field::Fixed(count) => drop(self.take(count)?),
            Field::Ipv4 => parts.push(Part::Address(self.ipv4()?)),
            Field::Ipv6 => parts.push(Part::Address(self.ipv6()?)),
            Field::Locator => parts.push(Part::Range(upper_half(self.take(8)?)?)),
            Field::Name => parts.extend(named(text(&self.name()?), owner)),
            Field::Mailbox => parts.push(Part::Mailbox(text(&self.name()?))),
            Field::Next => parts.extend(next(text(&self.name()?), owner)),
            Field::Word => parts.push(Part::Text(self.string()?)),
            Field::Words => parts.push(Part::strings(self.strings()?)),
            Field::Rest | Field::Located => parts.push(Part::Text(lossy(self.rest()))),
            Field::Opaque => drop(self.rest()),
            Field::Gateway => {
                let kind = self.octet()?;
                self.octet()?;
                self.gateway(kind, owner, parts)?;
            }
            Field::Relay => {
                let kind = self.octet()? & 0x7f;
                self.gateway(kind, owner, parts)?;
            }
            Field::Hip => {
                let identity = self.octet()?;
                self.octet()?;
                let key = self.number()?;
                self.take(usize::from(identity) + usize::from(key))?;
                while !self.left().is_empty() {
                    parts.extend(named(text(&self.name()?), owner));
                }
            }
            Field::Suffix => self.suffix(owner, parts)?,
            Field::Prefixes => {
                while !self.left().is_empty() {
                    parts.extend(self.prefix()?);
                }
            }
            Field::Params => {
                while !self.left().is_empty() {
                    let (key, length) = (self.number()?, self.number()?);
                    parts.extend(parameter(key, self.take(usize::from(length))?));
                }
            }
        }
        Some(())
    }

    fn gateway(&mut self, kind: u8, owner: &str, parts: &mut Vec<Part>) -> Option<()> {
        match kind {
            0 => {}
            1 => parts.push(Part::Address(self.ipv4()?)),
            2 => parts.push(Part::Address(self.ipv6()?)),
            3 => parts.extend(named(text(&self.name()?), owner)),
            _ => return None,
        }
        Some(())
    }

    fn suffix(&mut self, owner: &str, parts: &mut Vec<Part>) -> Option<()> {
        let length = usize::from(self.octet()?);
        let octets = self.take(128_usize.checked_sub(length)?.div_ceil(8))?;
        if length == 0 {
            parts.push(Part::Address(<[u8; 16]>::try_from(octets).ok()?.into()));
        } else {
            parts.extend(named(text(&self.name()?), owner));
        }
        Some(())
    }

    /// RFC 3123, section 4; octets at the end that are zero are left out.
    fn prefix(&mut self) -> Option<Option<Part>> {
        let (family, length, octets) = (self.number()?, self.octet()?, self.octet()? & 0x7f);
        let octets = self.take(usize::from(octets))?;
        let fill = |whole: &mut [u8]| whole.get_mut(..octets.len()).map(|begin| begin.copy_from_slice(octets));
        let address = match family {
            1 => {
                let mut whole = [0; 4];
                fill(&mut whole)?;
                IpAddr::from(whole)
            }
            2 => {
                let mut whole = [0; 16];
                fill(&mut whole)?;
                IpAddr::from(whole)
            }
            _ => return Some(None),
        };
        IpNet::new(address, length).ok().map(|range| Some(Part::Range(range)))
    }
}

/// The protocols of `alpn`, each with its length before it (RFC 9460, section 7.1.1).
fn protocols(mut value: &[u8]) -> Vec<Part> {
    let mut parts = Vec::new();
    while let Some((length, after)) = value.split_first() {
        let Some((id, rest)) = after.split_at_checked(usize::from(*length)) else { break };
        parts.push(Part::Text(String::from_utf8_lossy(id).into_owned()));
        value = rest;
    }
    parts
}

/// What a parameter of a service says (RFC 9460, section 14.3.2); keys that are not known have text.
pub(super) fn parameter(key: u16, value: &[u8]) -> Vec<Part> {
    let hint = |octets: &[u8]| match octets.len() {
        4 => <[u8; 4]>::try_from(octets).ok().map(|octets| Part::Hint(IpAddr::V4(Ipv4Addr::from(octets)))),
        _ => <[u8; 16]>::try_from(octets).ok().map(|octets| Part::Hint(IpAddr::V6(Ipv6Addr::from(octets)))),
    };
    match key {
        1 => protocols(value),
        4 => value.chunks(4).filter_map(hint).collect(),
        6 => value.chunks(16).filter_map(hint).collect(),
        // mandatory, no-default-alpn, port, ech; ohttp (RFC 9540) and tls-supported-groups.
        0 | 2 | 3 | 5 | 8 | 9 => Vec::new(),
        _ => vec![Part::Text(lossy(value))],
    }
}

/// The range of all addresses with this upper half.
pub(super) fn upper_half(octets: &[u8]) -> Option<IpNet> {
    let mut whole = [0; 16];
    whole.get_mut(..8)?.copy_from_slice(octets);
    IpNet::new(IpAddr::from(whole), 64).ok()
}

/// The root is nobody's name, and what leads to its own owner says nothing more.
pub(super) fn named(name: String, owner: &str) -> Option<Part> {
    Some(name).filter(|name| !name.is_empty() && name != owner).map(Part::Name)
}

/// The last name of a chain leads to the zone's own, which is in every name anyway.
pub(super) fn next(name: String, owner: &str) -> Option<Part> {
    let is_above = owner.strip_suffix(name.as_str()).is_some_and(|below| below.is_empty() || below.ends_with('.'));
    Some(name).filter(|_| !is_above).map(Part::Name)
}

pub(super) fn lossy(octets: &[u8]) -> String {
    String::from_utf8_lossy(octets).into_owned()
}

/// In the form of the owner's: see [`ZoneRecord::name`].
fn text(name: &Name) -> String {
    let mut text = String::new();
    for label in name.iter() {
        if !text.is_empty() {
            text.push('.');
        }
        for octet in label {
            match octet.to_ascii_lowercase() {
                plain @ (b'a'..=b'z' | b'0'..=b'9' | b'-' | b'_' | b'*') => text.push(char::from(plain)),
                other => text.push_str(&format!("\\{other:03}")),
            }
        }
    }
    text
}
