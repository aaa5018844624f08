//! A first configuration, made of a few answers: each answer is read into a value, or refused with the way out. Pure.
//!
//! `text` writes the values as a commented file, and says what the DNS server has to be told.

pub(crate) mod text;

use super::cell::not_one_of;
use super::providers::absolute_program;
use super::units::Wrong;
use super::values;
use crate::name::DnsName;
use crate::record::RecordType;
use crate::settings::Extract;

/// What a first configuration says.
#[derive(Clone, Debug, PartialEq, Eq)]
pub(crate) struct Draft {
    /// The zone.
    pub zone: DnsName,
    /// The names to publish, in the zone; never empty.
    pub records: Vec<DnsName>,
    /// The types of each; never empty.
    pub types: Vec<RecordType>,
    /// Where they live.
    pub place: Place,
    /// Who is asked; never empty.
    pub witnesses: Vec<Asked>,
    /// Whether the home's router is asked too.
    pub router: bool,
}

/// Where records live.
#[derive(Clone, Debug, PartialEq, Eq)]
pub(crate) enum Place {
    /// A DNS server that takes updates.
    Rfc2136 {
        /// Host and port.
        server: String,
        /// What the server is, for the statement that it wants.
        software: Software,
        /// The key's name.
        key: DnsName,
        /// Where its secret is kept.
        secret: Kept,
    },
    /// An HTTP API.
    Rest {
        /// Its scheme and host.
        server: String,
        /// The file of its description.
        description: String,
        /// Where its token is kept.
        token: Kept,
    },
    /// A master file.
    Zonefile {
        /// The file.
        file: String,
        /// What makes the server load it; empty for nothing.
        reload: Vec<String>,
    },
    /// A program of the owner's.
    Program {
        /// The program and its arguments; never empty.
        command: Vec<String>,
    },
}

/// Where a secret is kept.
#[derive(Clone, Debug, PartialEq, Eq)]
pub(crate) enum Kept {
    /// The service manager hands it over by this name.
    Credential(&'static str),
    /// In a file for its owner only.
    File(String),
}

/// The kinds of provider that can be chosen.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(crate) enum ProviderChoice {
    /// [`Place::Rfc2136`]
    Rfc2136,
    /// [`Place::Rest`]
    Rest,
    /// [`Place::Zonefile`]
    Zonefile,
    /// [`Place::Program`]
    Program,
}

/// The words for [`ProviderChoice`].
pub(crate) const KINDS: [(&str, ProviderChoice); 4] = [
    ("rfc2136", ProviderChoice::Rfc2136),
    ("rest", ProviderChoice::Rest),
    ("zonefile", ProviderChoice::Zonefile),
    ("program", ProviderChoice::Program),
];

/// DNS servers whose statement for a key is known.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(crate) enum Software {
    /// BIND 9.
    Bind,
    /// Knot DNS.
    Knot,
    /// PowerDNS's authoritative server.
    PowerDns,
    /// Another one, or one that is not known.
    Other,
}

/// The words for [`Software`].
pub(crate) const SOFTWARE: [(&str, Software); 4] =
    [("bind", Software::Bind), ("knot", Software::Knot), ("powerdns", Software::PowerDns), ("other", Software::Other)];

/// Someone who is asked for the address.
#[derive(Clone, Debug, PartialEq, Eq)]
pub(crate) struct Asked {
    /// Who runs it.
    pub operator: String,
    /// What it is.
    pub at: At,
}

/// Where a witness is.
#[derive(Clone, Debug, PartialEq, Eq)]
pub(crate) enum At {
    /// An echo service.
    Http {
        /// What to GET.
        url: String,
        /// The JSON Pointer to the address, where it is not all of the answer.
        pointer: Option<String>,
    },
    /// A STUN server: host and port.
    Stun(String),
}

/// What is wrong with an answer, and the way out.
#[derive(Clone, Debug, PartialEq, Eq, thiserror::Error)]
#[error("{0}")]
pub(crate) struct Refused(String);

fn refused(said: &str, wrong: &Wrong) -> Refused {
    let Wrong { what, remedy } = wrong;
    let remedy = if remedy.is_empty() { String::new() } else { format!("; {remedy}") };
    Refused(format!("{said:?} {what}{remedy}"))
}

fn no(said: &str, what: &str, remedy: impl Into<String>) -> Refused {
    refused(said, &Wrong::new(what, remedy))
}

/// What is wrong with a URL. A password in it is not repeated.
fn no_url(wrong: &Wrong) -> Refused {
    Refused(format!("the URL {}; {}", wrong.what, wrong.remedy))
}

/// The zone's name.
///
/// # Errors
/// It is none.
pub(crate) fn zone(text: &str) -> Result<DnsName, Refused> {
    values::zone(text).map_err(|wrong| refused(text, &wrong))
}

fn record(text: &str, zone: &DnsName) -> Result<DnsName, Refused> {
    let name = values::dns_name(text).map_err(|wrong| refused(text, &wrong))?;
    if name.is_in(zone) {
        return Ok(name);
    }
    let what = format!("is not in the zone {zone}");
    match DnsName::parse(&format!("{name}.{zone}")) {
        Ok(whole) => Err(no(text, &what, format!("write it whole, such as \"{whole}\""))),
        Err(_) => Err(no(text, &what, "write a name of the zone")),
    }
}

/// Names of the zone, with blanks or commas between them.
///
/// # Errors
/// One of them is none, or not in the zone, or stands there twice; or there is none at all.
pub(crate) fn records(text: &str, zone: &DnsName) -> Result<Vec<DnsName>, Refused> {
    let example = format!("write a name of the zone, such as \"gauge.{zone}\"");
    each(text, &example, |word| record(word, zone))
}

/// The types to publish, with blanks or commas between them.
///
/// # Errors
/// One of them holds no address, or stands there twice; or there is none at all.
pub(crate) fn types(text: &str) -> Result<Vec<RecordType>, Refused> {
    let read = |word: &str| values::record_type(word).map_err(|wrong| refused(word, &wrong));
    each(text, "write \"A\", \"AAAA\" or \"A,AAAA\"", read)
}

fn each<T: PartialEq>(text: &str, example: &str, read: impl Fn(&str) -> Result<T, Refused>) -> Result<Vec<T>, Refused> {
    let mut all = Vec::new();
    for word in text.split(|c: char| c == ',' || c.is_whitespace()).filter(|word| !word.is_empty()) {
        let value = read(word)?;
        if all.contains(&value) {
            return Err(no(word, "stands there twice", "write it once"));
        }
        all.push(value);
    }
    if all.is_empty() { Err(Refused(example.to_owned())) } else { Ok(all) }
}

/// One of the words of a table such as [`KINDS`].
///
/// # Errors
/// It is none of them.
pub(crate) fn one_of<T: Copy>(text: &str, choices: &[(&str, T)]) -> Result<T, Refused> {
    let found = choices.iter().find(|(word, _)| *word == text).map(|(_, value)| *value);
    let all: Vec<&str> = choices.iter().map(|(word, _)| *word).collect();
    found.ok_or_else(|| refused(text, &not_one_of(text, &all)))
}

/// Host and port of a DNS server; the port is 53 unless it is said.
///
/// # Errors
/// It is neither a name nor an address with a port.
pub(crate) fn server(text: &str) -> Result<String, Refused> {
    host_and_port(text, "ns1.heronmill.example:53")
}

fn host_and_port(text: &str, example: &str) -> Result<String, Refused> {
    let port = example.rsplit(':').next().unwrap_or_default();
    let bare_ipv6 = text.parse::<std::net::Ipv6Addr>().is_ok();
    let has_port = !text.ends_with(']') && text.contains(':');
    let whole = match (bare_ipv6, has_port) {
        (true, _) => format!("[{text}]:{port}"),
        (false, true) => text.to_owned(),
        (false, false) => format!("{text}:{port}"),
    };
    values::server_like(&whole, example).map(|(server, _)| server).map_err(|wrong| refused(text, &wrong))
}

/// A key's name.
///
/// # Errors
/// It is not a DNS name (RFC 8945, section 4.2).
pub(crate) fn key(text: &str) -> Result<DnsName, Refused> {
    let wrong = |wrong: Wrong| refused(text, &Wrong { remedy: "write it like \"gauge-key\"".into(), ..wrong });
    values::zone(text).map_err(wrong)
}

/// What a key may be called that changes this record.
pub(crate) fn key_for(record: &DnsName, zone: &DnsName) -> String {
    let label = record.as_str().split('.').next().unwrap_or_default();
    if record == zone || label == "*" { "home-key".into() } else { format!("{label}-key") }
}

/// An API's scheme and host.
///
/// # Errors
/// It is not a URL, or one over which a token would go unencrypted.
pub(crate) fn api(text: &str) -> Result<String, Refused> {
    let url = values::url(text).map_err(|wrong| no_url(&wrong))?;
    let host = url.host_str().unwrap_or_default();
    if url.scheme() == "http" && !values::is_loopback_address(host) {
        return Err(refused(text, &values::unencrypted(host)));
    }
    Ok(text.trim_end_matches('/').to_owned())
}

/// A file.
///
/// # Errors
/// It is empty, or holds what no path on one line has.
pub(crate) fn file(text: &str) -> Result<String, Refused> {
    if text.is_empty() || text.chars().any(char::is_control) {
        return Err(no(text, "is not the path of a file", "write it like \"/etc/fingerpost/gauge.key\""));
    }
    Ok(text.to_owned())
}

/// A command, its words with blanks between them; none of them is the empty command.
///
/// # Errors
/// A word holds what no command has.
pub(crate) fn command(text: &str) -> Result<Vec<String>, Refused> {
    text.split_whitespace().map(file).collect()
}

/// The command of a provider of the owner's own.
///
/// # Errors
/// It is empty, or does not begin with an absolute path.
pub(crate) fn program(text: &str) -> Result<Vec<String>, Refused> {
    let words = command(text)?;
    let first = words.first().map_or("", String::as_str);
    absolute_program(first).map_err(|wrong| refused(first, &wrong))?;
    Ok(words)
}

/// `OPERATOR=URI`: an http or https URI, with the JSON Pointer to the address as its fragment (RFC 6901, section 6) where
/// the answer is JSON, or `stun:HOST` (RFC 7064).
///
/// # Errors
/// It is not of this form.
pub(crate) fn witness(text: &str) -> Result<Asked, Refused> {
    const FORM: &str =
        "write who runs it, \"=\", and where it is, such as north-collective=https://echo.north.example/";
    // No operator's name has a "/" or ":", so that a URI alone is not taken apart at a "=" in it.
    let parted = text.split_once('=').filter(|(operator, _)| !operator.contains(['/', ':']));
    let (operator, uri) = parted.ok_or_else(|| Refused(FORM.into()))?;
    let operator = values::label(operator).map_err(|wrong| refused(operator, &wrong))?;
    let at = match uri.strip_prefix("stun:") {
        Some(host) => At::Stun(host_and_port(host, "stun.millrace.example:3478")?),
        None => {
            let (url, pointer) = uri.split_once('#').map_or((uri, None), |(url, pointer)| (url, Some(pointer)));
            values::url(url).map_err(|wrong| no_url(&wrong))?;
            let pointer = match pointer.map(|pointer| (pointer, values::extract(pointer))) {
                None | Some((_, Ok(Extract::Body))) => None,
                Some((_, Ok(Extract::Pointer(pointer)))) => Some(pointer),
                Some((pointer, Err(wrong))) => return Err(refused(pointer, &wrong)),
            };
            At::Http { url: url.to_owned(), pointer }
        }
    };
    Ok(Asked { operator, at })
}

#[cfg(test)]
mod tests;
