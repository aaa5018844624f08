//! A master file's records, as far as an address can be read from them. Pure.

use std::net::IpAddr;

use super::lex::{Problem, absolute, unescaped};
use super::scan::{Master, Record};
use crate::provider::listing::{Data, ZoneRecord};

/// Every record of `master`, its SOA left out.
pub(super) fn records(master: &Master<'_>) -> Result<Vec<ZoneRecord>, Problem> {
    let wanted = master.records.iter().filter(|record| record.rtype != "SOA");
    wanted
        .map(|record| {
            Ok(ZoneRecord { name: record.owner.clone(), rtype: record.rtype.clone(), data: data(master, record)? })
        })
        .collect()
}

fn data(master: &Master<'_>, record: &Record) -> Result<Data, Problem> {
    if matches!(record.rtype.as_str(), "A" | "AAAA") && !is_generic(record.data.first().map(|span| master.text(span))) {
        return super::view::address(master, record).map(Data::Address);
    }
    let words: Vec<&[u8]> = record.data.iter().map(|span| master.text(span)).collect();
    let name = |word: &[u8]| absolute(word, &record.origin);
    leads_to(&record.rtype, &record.owner, &words, name).map_err(|what| Problem::syntax(record.line, what))
}

/// In the generic form of RFC 3597 data is text like any other.
fn is_generic(first: Option<&[u8]>) -> bool {
    first == Some(br"\#")
}

/// What the data `words` of a record of this type, which is no address, lead to; `name` makes one of a word.
pub(in crate::provider) fn leads_to<E>(
    rtype: &str,
    owner: &str,
    words: &[&[u8]],
    name: impl Fn(&[u8]) -> Result<String, E>,
) -> Result<Data, E> {
    let word = |at: usize| words.get(at).copied().unwrap_or_default();
    Ok(match rtype {
        _ if is_generic(words.first().copied()) => Data::Text(unescaped(words, rtype != "TXT")),
        // Where the target stands: RFC 1035, section 3.3; RFC 2782; RFC 6672, section 2.1.
        "CNAME" | "NS" | "PTR" | "DNAME" => Data::Name(name(word(0))?),
        "MX" => Data::Name(name(word(1))?),
        "SRV" => Data::Name(name(word(3))?),
        "SVCB" | "HTTPS" => {
            let target = if word(1) == b"." { owner.to_owned() } else { name(word(1))? };
            Data::Service { target, hints: words.iter().skip(2).flat_map(|word| hints(word)).collect() }
        }
        _ => Data::Text(unescaped(words, rtype != "TXT")),
    })
}

/// The addresses of `ipv4hint=` and `ipv6hint=` (RFC 9460, section 7.3 and appendix A).
fn hints(word: &[u8]) -> Vec<IpAddr> {
    let text = String::from_utf8_lossy(word).replace('"', "");
    let Some((key, values)) = text.split_once('=') else { return Vec::new() };
    match key.to_ascii_lowercase().as_str() {
        // By number too: 4 and 6 (RFC 9460, section 14.3.2).
        "ipv4hint" | "ipv6hint" | "key4" | "key6" => values.split(',').filter_map(|value| value.parse().ok()).collect(),
        _ => Vec::new(),
    }
}

#[cfg(test)]
mod tests {
    use super::{Data, Master, ZoneRecord, records};

    const FILE: &str = r#"$ORIGIN heronmill.example.
$TTL 300
@ SOA ns1 hostmaster 1 3600 900 604800 300
@ NS ns1
@ MX 10 Mail.heronmill.example.
mail AAAA 2001:db8:5::25
_sip._tcp SRV 0 5 5060 weir
www CNAME gauge
gauge HTTPS 1 . alpn=h2 ipv4hint=203.0.113.77,198.51.100.70 "ipv6hint=2001:db8:5::1"
x SVCB 1 weir key4=203.0.113.77
m TXT "v=spf1 ip4:203.0." "113.77 -all"
e TXT a\b\034\;
t CAA 0 issue "ca.example"
g TYPE65280 \# 4 cb00714d
"#;

    #[test]
    fn each_kind_of_record_is_read() {
        let master = Master::scan(FILE.as_bytes(), "heronmill.example").unwrap();
        let ip = |text: &str| text.parse().unwrap();
        let name = |label: &str| format!("{label}.heronmill.example");
        let records = records(&master).unwrap();
        let data = |owner: &str| {
            let owner = if owner.is_empty() { "heronmill.example".to_owned() } else { name(owner) };
            records.iter().filter(|record| record.name == owner).map(|record| record.data.clone()).collect::<Vec<_>>()
        };
        assert_eq!(records.len(), 11);
        assert_eq!(
            records[0],
            ZoneRecord { name: "heronmill.example".into(), rtype: "NS".into(), data: Data::Name(name("ns1")) }
        );
        assert_eq!(data("")[1], Data::Name(name("mail")));
        assert_eq!(data("mail"), [Data::Address(ip("2001:db8:5::25"))]);
        assert_eq!(data("_sip._tcp"), [Data::Name(name("weir"))]);
        assert_eq!(data("www"), [Data::Name(name("gauge"))]);
        let hints = vec![ip("203.0.113.77"), ip("198.51.100.70"), ip("2001:db8:5::1")];
        assert_eq!(data("gauge"), [Data::Service { target: name("gauge"), hints }]);
        assert_eq!(data("x"), [Data::Service { target: name("weir"), hints: vec![ip("203.0.113.77")] }]);
        // RFC 7208, section 3.3: strings are joined without a space.
        assert_eq!(data("m"), [Data::Text("v=spf1 ip4:203.0.113.77 -all".into())]);
        // RFC 1035, section 5.1.
        assert_eq!(data("e"), [Data::Text("ab\";".into())]);
        assert_eq!(data("t"), [Data::Text("0 issue ca.example".into())]);
        assert!(matches!(data("g")[0], Data::Text(_)));
    }
}
