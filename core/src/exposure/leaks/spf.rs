//! What the terms of SPF tell of (RFC 7208). Pure.

use std::net::IpAddr;

use ipnet::IpNet;

/// The terms of an SPF record (RFC 7208, section 4.5), or `None` where the text is none.
pub(super) fn terms(text: &str) -> Option<impl Iterator<Item = &str>> {
    let mut terms = text.split(' ');
    terms.next().filter(|version| version.eq_ignore_ascii_case("v=spf1"))?;
    Some(terms.filter(|term| !term.is_empty()))
}

/// What a term of SPF tells of. A name is `None` where it is that of the record.
#[derive(Debug, PartialEq, Eq)]
pub(super) enum Mechanism {
    /// `ip4` and `ip6` (RFC 7208, section 5.6).
    Range(IpNet),
    /// `a` (RFC 7208, section 5.3), and `exists` (section 5.7): the addresses of a name.
    Hosts(Option<String>, Around),
    /// `mx` (RFC 7208, section 5.4): the addresses of the servers that take its mail.
    Mail(Option<String>, Around),
    /// `include` (RFC 7208, section 5.2) and `redirect` (section 6.1): what the SPF record of a name tells.
    Other(String),
}

/// The lengths of the prefixes around an address, if they are stated.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
pub(super) struct Around {
    ipv4: Option<u8>,
    ipv6: Option<u8>,
}

impl Around {
    /// The range around `address`, if one is stated.
    pub(super) fn range(self, address: IpAddr) -> Option<IpNet> {
        let length = if address.is_ipv4() { self.ipv4 } else { self.ipv6 };
        IpNet::new(address, length?).ok()
    }
}

/// A name with a macro in it (RFC 7208, section 7) leads where only the sender's server knows.
pub(super) fn mechanism(term: &str) -> Option<Mechanism> {
    let bare = term.strip_prefix(['+', '-', '~', '?']).unwrap_or(term);
    let at = bare.find([':', '=', '/']).unwrap_or(bare.len());
    let (name, rest) = bare.split_at(at);
    let plain = |domain: &str| {
        let domain = domain.trim_end_matches('.').to_ascii_lowercase();
        Some(domain).filter(|domain| !domain.is_empty() && !domain.contains('%'))
    };
    match (name.to_ascii_lowercase().as_str(), rest.split_at_checked(1)) {
        ("ip4" | "ip6", Some((":", range))) => {
            let range = range.parse().or_else(|_| range.parse::<IpAddr>().map(IpNet::from));
            range.ok().map(Mechanism::Range)
        }
        (kind @ ("a" | "mx"), _) => {
            let (domain, around) = rest.find('/').map_or((rest, ""), |at| rest.split_at(at));
            let domain = match domain.strip_prefix(':') {
                Some(domain) => Some(plain(domain)?),
                None if domain.is_empty() => None,
                None => return None,
            };
            let around = lengths(around);
            Some(if kind == "a" { Mechanism::Hosts(domain, around) } else { Mechanism::Mail(domain, around) })
        }
        ("exists", Some((":", domain))) => Some(Mechanism::Hosts(Some(plain(domain)?), Around::default())),
        ("include", Some((":", domain))) | ("redirect", Some(("=", domain))) => plain(domain).map(Mechanism::Other),
        _ => None,
    }
}

/// `/24`, `//64`, or both (RFC 7208, section 5.6).
fn lengths(text: &str) -> Around {
    let (ipv4, ipv6) = text.split_once("//").unwrap_or((text, ""));
    Around { ipv4: ipv4.strip_prefix('/').and_then(|length| length.parse().ok()), ipv6: ipv6.parse().ok() }
}

#[cfg(test)]
mod tests {
    use super::{Around, Mechanism, mechanism, terms};

    /// RFC 7208, section 12 (the ABNF) and section 4.5.
    #[test]
    fn spf_terms_are_read() {
        let told = |text: &'static str| terms(text).map(|terms| terms.collect::<Vec<_>>());
        assert_eq!(told("v=spf1"), Some(vec![]));
        assert_eq!(told("v=spf1  a  -all"), Some(vec!["a", "-all"]));
        assert_eq!(told("v=spf10 a"), None);
        assert_eq!(told("spf2.0/pra a"), None);
        let none = Around::default();
        let both = Around { ipv4: Some(24), ipv6: Some(64) };
        let name = |name: &str| Some(format!("{name}.heronmill.example"));
        for (term, wanted) in [
            ("ip4:192.0.2.0/24", Some(Mechanism::Range("192.0.2.0/24".parse().unwrap()))),
            ("?ip6:2001:db8::1", Some(Mechanism::Range("2001:db8::1/128".parse().unwrap()))),
            ("ip4:192.0.2.0/33", None),
            ("a", Some(Mechanism::Hosts(None, none))),
            ("a/24", Some(Mechanism::Hosts(None, Around { ipv4: Some(24), ipv6: None }))),
            ("a//64", Some(Mechanism::Hosts(None, Around { ipv4: None, ipv6: Some(64) }))),
            ("-a:Mail.Heronmill.Example./24//64", Some(Mechanism::Hosts(name("mail"), both))),
            ("a:%{d}", None),
            ("abc", None),
            ("all", None),
            ("mx", Some(Mechanism::Mail(None, none))),
            ("MX:out.heronmill.example/24//64", Some(Mechanism::Mail(name("out"), both))),
            ("exists:weir.heronmill.example", Some(Mechanism::Hosts(name("weir"), none))),
            ("exists:%{i}.weir.heronmill.example", None),
            ("~include:_spf.heronmill.example", name("_spf").map(Mechanism::Other)),
            ("redirect=_spf.heronmill.example", name("_spf").map(Mechanism::Other)),
            ("redirect:_spf.heronmill.example", None),
            ("exp=why.heronmill.example", None),
        ] {
            assert_eq!(mechanism(term), wanted, "{term}");
        }
    }
}
