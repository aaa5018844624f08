//! What an API lists, whatever its type, as far as it can lead to an address. Pure.
//!
//! Where the description says an address stands, most APIs have the data of any record as in a master file, perhaps without
//! quotes, and with the priority in a field of its own (common practice, no source).

use serde_json::value::RawValue;

use super::description::{Api, Fields, Shape};
use super::forms;
use super::items::Unfit;
use super::json::{Pointer, list, text};
use crate::name::DnsName;
use crate::provider::listing::{Part, ZoneRecord, words as listing};
use crate::provider::zonefile::lex::absolute;

/// The records in the item `raw`; what is not published is left out.
pub fn records(api: &Api, zone: &DnsName, raw: &RawValue) -> Result<Vec<ZoneRecord>, Unfit> {
    let fields = &api.item;
    let told = |pointer: &Pointer| pointer.find(raw).and_then(text);
    let name = told(&fields.name).ok_or_else(|| Unfit::nothing("name of an item"))?;
    let rtype = told(&fields.rtype).ok_or_else(|| Unfit::nothing("type of an item"))?;
    let rtype = forms::mnemonic(&rtype);
    let name = owner(&name, fields, zone);
    let members = match &api.shape {
        Shape::Record { .. } => None,
        Shape::RrSet { members, .. } => members.find(raw).and_then(list),
    };
    let is_published = |member: &&RawValue| !fields.is_disabled(member);
    let records = members.unwrap_or_else(|| vec![raw]).into_iter().filter(is_published).map(|member| {
        match fields.address.find(member).and_then(text) {
            Some(content) => record(&rtype, &name, &content, fields, zone),
            // Some have an object there: an address is one wherever it stands.
            None => as_text(&rtype, &name, member.get()),
        }
    });
    Ok(records.collect())
}

fn as_text(rtype: &str, owner: &str, text: &str) -> ZoneRecord {
    let data = vec![Part::Text(text.to_owned())];
    ZoneRecord { name: owner.to_owned(), rtype: rtype.to_owned().into(), data }
}

fn record(rtype: &str, owner: &str, content: &str, fields: &Fields, zone: &DnsName) -> ZoneRecord {
    let mut words = words(content.as_bytes());
    match rtype {
        "A" | "AAAA" => words = vec![content.trim().as_bytes()],
        // What is quoted is in pieces; what is not is all of the text.
        _ if listing::is_text(rtype) && !words.iter().all(|word| word.starts_with(b"\"")) => {
            return as_text(rtype, owner, content);
        }
        "MX" | "SRV" => {
            let missing = if rtype == "MX" { 2 } else { 4_usize }.saturating_sub(words.len());
            words.splice(..0, vec![&b"0"[..]; missing]);
        }
        "SVCB" | "HTTPS" if !words.first().is_some_and(|word| word.iter().all(u8::is_ascii_digit)) => {
            words.insert(0, b"1");
        }
        _ => {}
    }
    let name = |word: &[u8]| target(word, fields, zone);
    listing::record(owner, rtype, &words, name).unwrap_or_else(|_| as_text(rtype, owner, content))
}

/// The words of a line of a master file; what is in quotes is one (RFC 1035, section 5.1).
fn words(line: &[u8]) -> Vec<&[u8]> {
    let (mut words, mut start, mut quoted, mut escaped) = (Vec::new(), None, false, false);
    for (at, byte) in line.iter().enumerate() {
        if !quoted && byte.is_ascii_whitespace() {
            words.extend(start.take().and_then(|start| line.get(start..at)));
            continue;
        }
        quoted ^= *byte == b'"' && !escaped;
        escaped = *byte == b'\\' && !escaped;
        start.get_or_insert(at);
    }
    words.extend(start.and_then(|start| line.get(start..)));
    words
}

/// The name of an item in the form of [`ZoneRecord::name`].
fn owner(text: &str, fields: &Fields, zone: &DnsName) -> String {
    let text = text.trim();
    if fields.relative && (text == fields.apex || text.is_empty()) {
        return zone.as_str().to_owned();
    }
    let origin = if fields.relative { zone.as_str() } else { "" };
    absolute(text.as_bytes(), origin).unwrap_or_else(|_| text.to_ascii_lowercase())
}

/// The name in the data of an item. Without a final dot, and where names are relative, a single label is one of the zone;
/// more of them are a whole name.
fn target(word: &[u8], fields: &Fields, zone: &DnsName) -> Result<String, &'static str> {
    if word == b"@" || fields.relative && word == fields.apex.as_bytes() {
        return Ok(zone.as_str().to_owned());
    }
    let origin = if fields.relative && !word.contains(&b'.') { zone.as_str() } else { "" };
    absolute(word, origin)
}

#[cfg(test)]
mod tests {
    use super::words;

    #[test]
    fn what_is_quoted_is_one_word() {
        for (line, wanted) in [
            ("", &[][..]),
            (" 10\tmail.heronmill.example. ", &["10", "mail.heronmill.example."]),
            (r#""v=spf1 ip4:203.0.113." "77 -all""#, &[r#""v=spf1 ip4:203.0.113.""#, r#""77 -all""#]),
            (r#""a \" b" c"#, &[r#""a \" b""#, "c"]),
            (r#""a\\" b"#, &[r#""a\\""#, "b"]),
            (r#"1 . "ipv4hint=203.0.113.77" x"#, &["1", ".", r#""ipv4hint=203.0.113.77""#, "x"]),
            ("\"does not end", &["\"does not end"]),
        ] {
            let words: Vec<_> = words(line.as_bytes()).into_iter().map(|word| str::from_utf8(word).unwrap()).collect();
            assert_eq!(words, wanted, "{line}");
        }
    }
}
