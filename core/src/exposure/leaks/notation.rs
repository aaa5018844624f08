//! Addresses as they are written in text and in names. Pure, and linear in the text: each place of it is looked at with no
//! more than the longest address behind it.
//!
//! Read are dotted IPv4 (RFC 1123, section 2.1), IPv6 in all its forms (RFC 4291, section 2.2), both with dashes for host
//! names (common practice, no source), both reversed (RFC 1035, section 3.5; RFC 2317, section 4; RFC 3596, section 2.5),
//! ranges behind a slash (RFC 4632, section 3.1), and what is escaped in URIs (RFC 3986, section 2.1).

use std::borrow::Cow;
use std::net::{IpAddr, Ipv4Addr, Ipv6Addr};

use ipnet::IpNet;

/// The longest text of an IPv6 address: all groups, the last two as IPv4.
const LONGEST: usize = 45;

/// An address that stands in a text.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord)]
pub(super) struct Written {
    /// The address, or the first of a range that is written reversed.
    pub(super) address: IpAddr,
    /// The range, where one is written.
    pub(super) range: Option<IpNet>,
}

impl Written {
    fn alone(address: impl Into<IpAddr>) -> Self {
        Self { address: address.into(), range: None }
    }
}

/// All addresses in `text`, whatever is around them; some twice.
pub(super) fn addresses_in(text: &str) -> Vec<Written> {
    let mut found = Vec::new();
    let plain = unescaped(text);
    for text in [Some(text), Some(plain.as_ref()).filter(|plain| *plain != text)].into_iter().flatten() {
        let text = text.as_bytes();
        for at in 0..text.len() {
            let before = at.checked_sub(1).and_then(|before| text.get(before)).copied().unwrap_or(b' ');
            found.extend(ipv4(text, at, before));
            found.extend(ipv6(text, at, before, b':'));
            found.extend(ipv6(text, at, before, b'-'));
            found.extend(nibbles(text, at));
        }
    }
    found
}

/// An IPv4 address that begins at `at`, behind `before`.
fn ipv4(text: &[u8], at: usize, before: u8) -> Option<Written> {
    if before.is_ascii_digit() || !text.get(at)?.is_ascii_digit() {
        return None;
    }
    let (mut groups, mut end) = (Vec::new(), at);
    let mut separator = None;
    while groups.len() < 4 {
        let Some((octet, after)) = octet(text, end) else { break };
        groups.push(octet);
        end = after;
        let next = text.get(end).copied().filter(|next| matches!(next, b'.' | b'-'));
        match (separator, next) {
            (None, Some(next)) => separator = Some(next),
            (Some(one), Some(next)) if one == next => {}
            _ => break,
        }
        if groups.len() < 4 && text.get(end + 1).is_some_and(u8::is_ascii_digit) {
            end += 1;
        } else {
            break;
        }
    }
    let separator = separator?;
    if before == separator && ends_with_number(text.get(..at - 1)?) {
        return None;
    }
    if separator == b'.'
        && let Some(reversed) = in_addr(text, at, &groups, end)
    {
        // The second half of a classless label is not the host (RFC 2317, section 4).
        let is_half = matches!(before, b'/' | b'-') && ends_with_number(text.get(..at - 1)?);
        return reversed.filter(|_| !is_half);
    }
    let address = Ipv4Addr::from(<[u8; 4]>::try_from(groups).ok()?);
    let behind = text.get(end..).unwrap_or_default();
    if behind.first() == Some(&separator) && begins_with_number(behind.get(1..)?) {
        return None;
    }
    let range = range(text, at, end, address.into()).filter(|_| separator == b'.');
    Some(Written { address: address.into(), range })
}

/// One to three digits without a zero before them, at most 255; and where they end.
fn octet(text: &[u8], at: usize) -> Option<(u8, usize)> {
    let digits = text.get(at..)?.iter().take(4).take_while(|byte| byte.is_ascii_digit()).count();
    let number = text.get(at..at + digits)?;
    if number.first() == Some(&b'0') && digits > 1 {
        return None;
    }
    Some((str::from_utf8(number).ok()?.parse().ok()?, at + digits))
}

/// What `groups`, from `at` to `end`, say when they stand before `.in-addr.arpa`: `None` when they do not.
fn in_addr(text: &[u8], at: usize, groups: &[u8], end: usize) -> Option<Option<Written>> {
    let is_root = |at: usize| is_suffix(text, at, b".in-addr.arpa");
    if is_root(end) {
        let mut octets = [0; 4];
        octets.iter_mut().zip(groups.iter().rev()).for_each(|(octet, group)| *octet = *group);
        let address = IpAddr::from(octets);
        let length = u8::try_from(groups.len() * 8).unwrap_or(32);
        return Some(Some(Written { address, range: IpNet::new(address, length).ok().filter(|_| length < 32) }));
    }
    // A label of a classless delegation stands behind the first group (RFC 2317, section 4).
    let (first, mut end) = octet(text, at)?;
    let label = text.get(end + 1..)?.iter().take(63).position(|byte| *byte == b'.')?;
    end += 1 + label;
    let mut octets = [0, 0, 0, first];
    for octet_ in octets.iter_mut().take(3).rev() {
        (*octet_, end) = octet(text, end + 1).filter(|_| text.get(end) == Some(&b'.'))?;
    }
    is_root(end).then(|| Some(Written::alone(IpAddr::from(octets))))
}

/// An IPv6 address with groups divided by `separator` that begins at `at`, behind `before`: the longest there is.
fn ipv6(text: &[u8], at: usize, before: u8, separator: u8) -> Option<Written> {
    let is_part = |byte: &u8| byte.is_ascii_hexdigit() || *byte == separator || *byte == b'.' && separator == b':';
    let is_first = match before {
        b'.' => true,
        before if before == separator => !ends_with_group(text.get(..at.saturating_sub(1))?),
        before => !is_part(&before),
    };
    let run: Vec<u8> = text.get(at..)?.iter().copied().take(LONGEST + 1).take_while(is_part).collect();
    if !is_first || run.len() < 2 || !run.contains(&separator) {
        return None;
    }
    let ends =
        (2..=run.len().min(LONGEST)).rev().filter(|end| may_follow(run.get(*end..).unwrap_or_default(), separator));
    for end in ends {
        let written = run.get(..end)?;
        let colons: Vec<u8> = written.iter().map(|byte| if *byte == separator { b':' } else { *byte }).collect();
        let Some(address) = str::from_utf8(&colons).ok().and_then(|text| text.parse::<Ipv6Addr>().ok()) else {
            continue;
        };
        let range = range(text, at, at + end, address.into()).filter(|_| separator == b':');
        return Some(Written { address: address.into(), range });
    }
    None
}

/// Whether an IPv6 address may end where `rest` goes on: there may be a port, but not a further group.
fn may_follow(rest: &[u8], separator: u8) -> bool {
    match rest.split_first() {
        None => true,
        Some((b'.', after)) => !after.first().is_some_and(u8::is_ascii_digit),
        Some((byte, after)) if *byte == separator => {
            let is_port = separator == b':' && after.len() <= 5 && after.iter().all(u8::is_ascii_digit);
            let is_more = |byte: &u8| byte.is_ascii_hexdigit() || *byte == b':';
            is_port || !after.first().is_some_and(is_more)
        }
        Some(_) => false,
    }
}

/// Whether `text`, which ends in front of a separator, ends with what may be a group of IPv6.
fn ends_with_group(text: &[u8]) -> bool {
    let word: Vec<u8> = text.iter().rev().copied().take(5).take_while(u8::is_ascii_alphanumeric).collect();
    (1..=4).contains(&word.len()) && word.iter().all(u8::is_ascii_hexdigit)
}

/// An address, or the range of a prefix, reversed nibble by nibble before `.ip6.arpa`, which begins at `at`.
fn nibbles(text: &[u8], at: usize) -> Option<Written> {
    if text.get(at) != Some(&b'.') || !is_suffix(text, at, b".ip6.arpa") {
        return None;
    }
    let (mut address, mut length, mut end) = (0_u128, 0_u8, at);
    while let Some(nibble) = end.checked_sub(1).and_then(|at| char::from(*text.get(at)?).to_digit(16)) {
        let before = end.checked_sub(2).and_then(|at| text.get(at)).copied();
        if before.is_some_and(|before| before.is_ascii_alphanumeric() || before == b'-' || before == b'_') {
            break;
        }
        if length == 128 {
            return None;
        }
        length += 4;
        address |= u128::from(nibble) << (128 - u32::from(length));
        if before != Some(b'.') {
            break;
        }
        end -= 2;
    }
    let address = IpAddr::from(address.to_be_bytes());
    let range = IpNet::new(address, length).ok().filter(|_| length < 128);
    (length > 0).then_some(Written { address, range })
}

/// The range that a slash and a length at `end` make of `address`, which begins at `at`. In a URI it is a path.
fn range(text: &[u8], at: usize, end: usize, address: IpAddr) -> Option<IpNet> {
    let before = text.get(..at)?;
    if before.ends_with(b"//") || before.ends_with(b"@") {
        return None;
    }
    let length = text.get(end..)?.strip_prefix(b"/")?;
    let digits = length.iter().take(4).take_while(|byte| byte.is_ascii_digit()).count();
    let length = str::from_utf8(length.get(..digits)?).ok()?.parse().ok()?;
    IpNet::new(address, length).ok()
}

fn is_suffix(text: &[u8], at: usize, suffix: &[u8]) -> bool {
    let is_there = text.get(at..at + suffix.len()).is_some_and(|there| there.eq_ignore_ascii_case(suffix));
    is_there && !text.get(at + suffix.len()).is_some_and(|byte| byte.is_ascii_alphanumeric() || *byte == b'-')
}

/// Whether the last label of `text`, which ends in front of a separator, is a number: then more than an address stands there.
fn ends_with_number(text: &[u8]) -> bool {
    is_number(text.iter().rev())
}

fn begins_with_number(text: &[u8]) -> bool {
    is_number(text.iter())
}

fn is_number<'a>(text: impl Iterator<Item = &'a u8>) -> bool {
    let mut label = text.take(64).take_while(|byte| byte.is_ascii_alphanumeric()).peekable();
    label.peek().is_some() && label.all(u8::is_ascii_digit)
}

/// The text without the escapes of URIs.
fn unescaped(text: &str) -> Cow<'_, str> {
    if !text.contains('%') {
        return text.into();
    }
    let mut plain = Vec::new();
    let mut rest = text.as_bytes();
    while let Some((byte, after)) = rest.split_first() {
        let escape = after.get(..2).filter(|_| *byte == b'%').and_then(|hex| str::from_utf8(hex).ok());
        match escape.and_then(|hex| u8::from_str_radix(hex, 16).ok()) {
            Some(octet) => {
                plain.push(octet);
                rest = after.get(2..).unwrap_or_default();
            }
            None => {
                plain.push(*byte);
                rest = after;
            }
        }
    }
    String::from_utf8_lossy(&plain).into_owned().into()
}

#[cfg(test)]
mod tests;
