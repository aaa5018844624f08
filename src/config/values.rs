//! The words a configuration is written in: each is read into a value, or refused with the way out. Pure.

use std::collections::BTreeMap;
use std::net::{IpAddr, Ipv4Addr, Ipv6Addr, SocketAddr};

use ipnet::IpNet;

use super::cell::{Cell, not_one_of};
use super::units::Wrong;
use crate::address;
use crate::address::prefix::{self, Mac};
use crate::name::DnsName;
use crate::record::RecordType;
use crate::settings::{Extract, Sharing};

/// Every way a record may be shared.
pub(super) const SHARING: [(&str, Sharing); 2] = [("sole", Sharing::Sole), ("member", Sharing::Member)];

/// A name that the owner gives to a witness or an operator: it goes into logs and metrics, and is compared exactly.
pub(super) fn label(text: &str) -> Result<String, Wrong> {
    let plain = |b: u8| b.is_ascii_alphanumeric() || matches!(b, b'-' | b'_' | b'.');
    if (1..=64).contains(&text.len()) && text.bytes().all(plain) {
        Ok(text.to_owned())
    } else {
        Err(Wrong::new("is not a plain name", "write 1 to 64 letters, digits, '-', '_' or '.'"))
    }
}

/// Says so when `name`, read from `cell`, was given to another `what` before.
pub(super) fn unique(cell: &Cell<'_>, name: &str, what: &str, seen: &mut BTreeMap<String, Option<usize>>) {
    match seen.get(name) {
        Some(first) => {
            let line = first.map(|line| format!(" on line {line}")).unwrap_or_default();
            cell.wrong(format!("{name:?} is the name of another {what}{line}"), "give each its own name");
        }
        None => drop(seen.insert(name.to_owned(), cell.line())),
    }
}

/// A network interface's name: what the kernel takes (`dev_valid_name`, less than 16 octets).
pub(super) fn interface(text: &str) -> Result<String, Wrong> {
    let plain = |c: char| !c.is_whitespace() && !matches!(c, '/' | ':') && !c.is_control();
    if (1..16).contains(&text.len()) && !matches!(text, "." | "..") && text.chars().all(plain) {
        Ok(text.to_owned())
    } else {
        Err(Wrong::new("is not the name of a network interface", "write it as `ip link` shows it, such as \"eth0\""))
    }
}

/// A provider's name: it must also be writable as a part of an environment variable.
pub(super) fn provider_name(text: &str) -> Result<(), Wrong> {
    let plain = |b: u8| b.is_ascii_lowercase() || b.is_ascii_digit() || b == b'-';
    if (1..=64).contains(&text.len()) && text.bytes().all(plain) {
        Ok(())
    } else {
        Err(Wrong::new("is not a provider's name", "write 1 to 64 lower-case letters, digits or '-'"))
    }
}

pub(super) fn dns_name(text: &str) -> Result<DnsName, Wrong> {
    DnsName::parse(text).map_err(|error| {
        Wrong::new(format!("is not a DNS name: {}", error.why()), "write it like \"gauge.heronmill.example\"")
    })
}

pub(super) fn zone(text: &str) -> Result<DnsName, Wrong> {
    let zone = dns_name(text)?;
    if zone.as_str().starts_with('*') {
        return Err(Wrong::new("is not a zone: a zone has no wildcard in its name", "write the zone's own name"));
    }
    Ok(zone)
}

/// A type to publish. Types that a person may well want, and cannot have, say why.
pub(super) fn record_type(text: &str) -> Result<RecordType, Wrong> {
    let (what, remedy) = match text {
        "A" => return Ok(RecordType::A),
        "AAAA" => return Ok(RecordType::Aaaa),
        "a" | "aaaa" => return Err(Wrong::new("must be in capitals", format!("write {:?}", text.to_uppercase()))),
        "NS" | "SOA" => ("holds the zone itself together: a zone's own NS and SOA are never touched", "remove it"),
        "CNAME" | "DNAME" => {
            ("points at a name, not at an address", "publish \"A\" or \"AAAA\" at the name it would point at")
        }
        "MX" | "TXT" | "SRV" | "PTR" | "CAA" | "HTTPS" | "SVCB" | "TLSA" | "SSHFP" => {
            ("holds no address of the home", "remove it: only \"A\" and \"AAAA\" are published")
        }
        _ => return Err(not_one_of(text, &["A", "AAAA"])),
    };
    Err(Wrong::new(what, remedy))
}

/// What follows the home's prefix in an IPv6 address (RFC 4291, section 2.5.1); any length of it, as long as the prefix
/// is not known.
pub(super) fn host_part(text: &str, prefix_length: Option<u8>) -> Result<Ipv6Addr, Wrong> {
    let length = prefix_length.unwrap_or_default();
    let example = format!("write the last {} bits only, such as \"::10\"", 128 - length.clamp(32, 64));
    let part: Ipv6Addr = match text.parse() {
        Ok(part) => part,
        Err(_) => return Err(Wrong::new("is not the host part of an IPv6 address", example)),
    };
    if !prefix::fits(length, part) {
        let what = format!("has bits set in the first {length}, where the home's prefix goes (`watch.prefix_length`)");
        let remedy = format!("{example}, or set `watch.prefix_length` to the length that your provider delegates");
        return Err(Wrong::new(what, remedy));
    }
    if u128::from(part) << 64 == 0 {
        // RFC 4291, section 2.6.1.
        return Err(Wrong::new("is no host: it ends in 64 zeros, as the address of a subnet's routers does", example));
    }
    Ok(part)
}

/// The MAC of one machine.
pub(super) fn mac(text: &str) -> Result<Mac, Wrong> {
    let example = "write six pairs of hexadecimal digits, such as \"00:00:5e:00:53:10\"";
    let mac: Mac = text.parse().map_err(|_| Wrong::new("is not a MAC", example))?;
    if mac.is_group() {
        return Err(Wrong::new("is a MAC of a group of machines: its first pair is odd", "write the host's own"));
    }
    Ok(mac)
}

/// An address range in CIDR form (RFC 4632, section 3.1), with no bit set behind the prefix.
pub(super) fn range(text: &str) -> Result<IpNet, Wrong> {
    let wrong = |remedy: String| Wrong::new("is not an address range", remedy);
    let net = address::range(text).ok_or_else(|| match text.parse::<IpAddr>() {
        Ok(address) => wrong(format!("write \"{}\" for this one address", IpNet::from(address))),
        Err(_) => wrong("write an address, a slash and the prefix length, such as \"203.0.113.0/24\"".into()),
    })?;
    if net != net.trunc() {
        return Err(Wrong::new("has bits set behind its prefix", format!("write \"{}\"", net.trunc())));
    }
    Ok(net)
}

/// An echo service's URL. What is wrong with one is told without repeating it.
pub(super) fn url(text: &str) -> Result<reqwest::Url, Wrong> {
    let example = "write it whole, such as \"https://echo.north.example/\"";
    let url = reqwest::Url::parse(text).map_err(|error| Wrong::new(format!("is not a URL: {error}"), example))?;
    if !matches!(url.scheme(), "http" | "https") {
        return Err(Wrong::new("is neither an http nor an https URL", example));
    }
    if !url.username().is_empty() || url.password().is_some() {
        return Err(Wrong::new("holds a user name or password, which would end up in logs", "remove it from the URL"));
    }
    if url.fragment().is_some() {
        return Err(Wrong::new("has a fragment, which is never sent (RFC 9110, 4.2.5)", "remove the '#' and the rest"));
    }
    Ok(url)
}

/// Where in an answer the address stands: `body`, or a JSON Pointer (RFC 6901, section 3).
pub(super) fn extract(text: &str) -> Result<Extract, Wrong> {
    if text == "body" {
        return Ok(Extract::Body);
    }
    if !text.starts_with('/') {
        let remedy = "write \"body\", or a JSON Pointer (RFC 6901) such as \"/seen\"";
        return Err(Wrong::new("says not where the address stands", remedy));
    }
    if text.split('~').skip(1).any(|rest| !rest.starts_with(['0', '1'])) {
        let remedy = "in a JSON Pointer (RFC 6901, 3) write ~0 for '~' and ~1 for '/'";
        return Err(Wrong::new("has a '~' that is neither ~0 nor ~1", remedy));
    }
    Ok(Extract::Pointer(text.to_owned()))
}

/// A server as host and port; gives the host too.
pub(super) fn server(text: &str) -> Result<(String, String), Wrong> {
    server_like(text, "ns1.heronmill.example:53")
}

/// A server as host and port; gives the host too. A wrong one is told with `example` as the way out.
pub(super) fn server_like(text: &str, example: &str) -> Result<(String, String), Wrong> {
    let port = example.rsplit(':').next().unwrap_or_default();
    let wrong = |what: &str| {
        Wrong::new(what, format!("write host and port, such as \"{example}\" or \"[2001:db8::1]:{port}\""))
    };
    if text.parse::<Ipv6Addr>().is_ok() {
        return Err(wrong("lacks brackets or a port"));
    }
    let (host, port) = match text.strip_prefix('[') {
        Some(rest) => {
            let (host, after) = rest.split_once(']').ok_or_else(|| wrong("has a bracket that is not closed"))?;
            host.parse::<Ipv6Addr>().map_err(|_| wrong("holds no IPv6 address in its brackets"))?;
            (host, after.strip_prefix(':').ok_or_else(|| wrong("has no port"))?)
        }
        None => text.rsplit_once(':').ok_or_else(|| wrong("has no port"))?,
    };
    if host.is_empty() {
        return Err(wrong("has no host"));
    }
    if !text.starts_with('[') {
        if host.contains(':') {
            return Err(wrong("lacks brackets around an IPv6 address"));
        }
        let name = DnsName::parse(host).map_err(|error| wrong(&format!("names no host: {}", error.why())))?;
        // No top-level domain is all digits (RFC 1123, section 2.1): this is meant to be an address.
        let last = name.as_str().rsplit('.').next().unwrap_or_default();
        if last.bytes().all(|b| b.is_ascii_digit()) && host.parse::<Ipv4Addr>().is_err() {
            return Err(wrong("is not an IPv4 address"));
        }
    }
    if !port.bytes().all(|b| b.is_ascii_digit()) || !port.parse::<u16>().is_ok_and(|port| port > 0) {
        return Err(wrong("has a port that is not a number from 1 to 65535"));
    }
    Ok((text.to_owned(), host.to_owned()))
}

/// A recursive resolver: an address and a port, since it is what resolves names.
pub(super) fn resolver(text: &str) -> Result<SocketAddr, Wrong> {
    let example = "write address and port, such as \"192.0.2.53:53\" or \"[2001:db8::53]:53\"";
    match text.parse::<SocketAddr>() {
        Ok(at) if at.port() > 0 => Ok(at),
        _ => Err(Wrong::new("is not the address and port of a resolver", example)),
    }
}

/// Whether packets to `host` never leave this machine, by its text alone (RFC 6761, section 6.3, for the name).
pub(super) fn is_loopback(host: &str) -> bool {
    bare(host).eq_ignore_ascii_case("localhost") || is_loopback_address(host)
}

/// Whether `host` is an address of loopback. Where a secret goes unencrypted no name will do: it is the system's resolver
/// that says where `localhost` is, and a hosts file or a name server may have it say anything.
pub(super) fn is_loopback_address(host: &str) -> bool {
    bare(host).parse::<IpAddr>().is_ok_and(|address| address.is_loopback())
}

/// Why a token is not sent to `host` over plain http, and the way out.
pub(super) fn unencrypted(host: &str) -> Wrong {
    let name = bare(host).to_ascii_lowercase();
    let remedy = match name == "localhost" || name.ends_with(".localhost") {
        true => {
            "write 127.0.0.1 or [::1] for localhost, which is a name that a resolver may lead elsewhere; or use https"
        }
        false => "use https: http is for a loopback address only",
    };
    Wrong::new("would send the token unencrypted", remedy)
}

fn bare(host: &str) -> &str {
    let bare = host.strip_prefix('[').and_then(|rest| rest.strip_suffix(']')).unwrap_or(host);
    bare.strip_suffix('.').unwrap_or(bare)
}
