//! A master file's records, as far as they can lead to an address. Pure.

use super::lex::{Problem, absolute};
use super::scan::{Master, Record};
use crate::provider::listing::{ZoneRecord, words};

/// Every record of `master`.
pub fn records(master: &Master<'_>) -> Result<Vec<ZoneRecord>, Problem> {
    master.records.iter().map(|record| one(master, record)).collect()
}

fn one(master: &Master<'_>, record: &Record) -> Result<ZoneRecord, Problem> {
    let words: Vec<&[u8]> = record.data.iter().map(|span| master.text(span)).collect();
    // In the generic form of RFC 3597 they have other words.
    if matches!(record.rtype.as_str(), "A" | "AAAA") && words.first().is_none_or(|first| *first != br"\#") {
        super::view::address(master, record)?;
    }
    let name = |word: &[u8]| absolute(word, &record.origin);
    words::record(&record.owner, &record.rtype, &words, name).map_err(|what| Problem::syntax(record.line, what))
}

#[cfg(test)]
mod tests {
    use super::{Master, ZoneRecord, records};
    use crate::provider::listing::Part;

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
        assert_eq!(records.len(), 12);
        assert_eq!(
            records[1],
            ZoneRecord { name: "heronmill.example".into(), rtype: "NS".into(), data: vec![Part::Name(name("ns1"))] }
        );
        // Its responsible mailbox is written as a name (RFC 1035, section 3.3.13).
        assert_eq!(data("")[0], [Part::Name(name("ns1")), Part::Mailbox(name("hostmaster"))]);
        assert_eq!(data("")[2], [Part::Name(name("mail"))]);
        assert_eq!(data("mail"), [[Part::Address(ip("2001:db8:5::25"))]]);
        assert_eq!(data("_sip._tcp"), [[Part::Name(name("weir"))]]);
        assert_eq!(data("www"), [[Part::Name(name("gauge"))]]);
        let hint = |text: &str| Part::Hint(ip(text));
        let hints = [hint("203.0.113.77"), hint("198.51.100.70"), hint("2001:db8:5::1")];
        assert_eq!(data("gauge"), [[&[Part::Text("h2".into())][..], &hints].concat()]);
        assert_eq!(data("x"), [[Part::Name(name("weir")), hint("203.0.113.77")]]);
        assert_eq!(data("m"), [[Part::Strings(vec!["v=spf1 ip4:203.0.".into(), "113.77 -all".into()])]]);
        // RFC 1035, section 5.1.
        assert_eq!(data("e"), [[Part::Text("ab\";".into())]]);
        assert_eq!(data("t"), [[Part::Text("issue".into()), Part::Text("ca.example".into())]]);
        assert!(matches!(data("g")[0][0], Part::Text(_)));
    }
}
