use std::net::IpAddr;

use proptest::prelude::*;

use super::{How, Leak, Mechanism, Open, addresses_in, finding, leaks, mechanism, spf};
use crate::address::Family;
use crate::audit::{Event, Word};
use crate::clock::Timestamp;
use crate::exposure::Grade;
use crate::exposure::home::{Home, Whose};
use crate::provider::listing::{Data, ZoneRecord};

const PAST: Timestamp = Timestamp::from_millis(1_000_000);

fn ip(text: &str) -> IpAddr {
    text.parse().unwrap()
}

/// At 203.0.113.77 and behind 2001:db8:5::/64; before at 203.0.113.9.
fn home() -> Home {
    let mut home = Home::new([ip("203.0.113.77"), ip("2001:db8:5::77")], 64);
    let word = Word { address: ip("203.0.113.77"), agreed: vec![], dissent: vec![], silent: vec![] };
    let (from, to) = (Some(ip("203.0.113.9")), ip("203.0.113.77"));
    home.remember(PAST, &Event::Settled { line: None, family: Family::Ipv4, from, to, word });
    home
}

fn record(name: &str, rtype: &str, data: Data) -> ZoneRecord {
    let name = if name.is_empty() { "heronmill.example".into() } else { format!("{name}.heronmill.example") };
    ZoneRecord { name, rtype: rtype.to_owned(), data }
}

fn a(name: &str, address: &str) -> ZoneRecord {
    let address = ip(address);
    record(name, if address.is_ipv4() { "A" } else { "AAAA" }, Data::Address(address))
}

fn to(name: &str, rtype: &str, target: &str) -> ZoneRecord {
    record(name, rtype, Data::Name(format!("{target}.heronmill.example")))
}

fn txt(name: &str, text: &str) -> ZoneRecord {
    record(name, "TXT", Data::Text(text.to_owned()))
}

/// The gauge is behind the edge; `weir` has the home's address, quietly; `door` has it in public.
fn zone(more: &[ZoneRecord]) -> Vec<Leak> {
    let mut records = vec![
        a("gauge", "198.51.100.70"),
        a("gauge", "2001:db8:e::70"),
        a("weir", "203.0.113.77"),
        a("door", "203.0.113.77"),
        a("ns1", "198.51.100.5"),
        to("", "NS", "ns1"),
        txt("", "v=spf1 ip4:198.51.100.5 -all"),
        txt("_acme", "203.0.113.1.77 and 1203.0.113.77"),
    ];
    records.extend_from_slice(more);
    let name = |label: &str| [format!("{label}.heronmill.example")].into();
    leaks(&records, &home(), &Open { quiet: name("weir"), public: name("door") })
}

fn told(more: &[ZoneRecord]) -> Vec<String> {
    zone(more).iter().map(|leak| leak.to_string().replace(".heronmill.example", "")).collect()
}

#[test]
fn a_clean_zone_has_none() {
    assert_eq!(told(&[]), [""; 0]);
    let clean = finding("heronmill.example", &zone(&[]), 8, &home(), &[]);
    assert_eq!((clean.grade, clean.seen.as_str()), (Grade::Good, "no address of the home in 8 records"));
}

#[test]
fn each_kind_of_leak_is_found() {
    for (planted, leak) in [
        (vec![a("ftp", "203.0.113.77")], "ftp A holds 203.0.113.77"),
        (vec![a("ftp", "2001:db8:5::99")], "ftp AAAA holds 2001:db8:5::99"),
        (vec![a("*", "203.0.113.77")], "* A holds 203.0.113.77"),
        (vec![a("old", "203.0.113.9")], "old A holds 203.0.113.9 (the home's until 1970-01-01T00:16:40Z)"),
        // A record for the masked name itself that goes around the edge.
        (vec![a("gauge", "203.0.113.77")], "gauge A holds 203.0.113.77"),
        (vec![to("", "MX", "weir")], "heronmill.example MX leads to weir, which has 203.0.113.77"),
        (vec![to("_sip._tcp", "SRV", "weir")], "_sip._tcp SRV leads to weir, which has 203.0.113.77"),
        (vec![to("www", "CNAME", "weir")], "www CNAME leads to weir, which has 203.0.113.77"),
        (
            vec![txt("m", "v=spf1 ip4:203.0.113.77 -all")],
            "m TXT has the SPF term ip4:203.0.113.77, which tells of 203.0.113.77",
        ),
        (
            vec![txt("m", "v=spf1 +ip4:203.0.113.64/27")],
            "m TXT has the SPF term +ip4:203.0.113.64/27, which tells of 203.0.113.77",
        ),
        (
            vec![txt("m", "V=SPF1 IP6:2001:db8:5::/64")],
            "m TXT has the SPF term IP6:2001:db8:5::/64, which tells of 2001:db8:5::77",
        ),
        (
            vec![txt("m", "v=spf1 a:weir.heronmill.example ~all")],
            "m TXT has the SPF term a:weir, which tells of 203.0.113.77",
        ),
        (vec![txt("m", "origin=203.0.113.77:8443")], "m TXT holds 203.0.113.77"),
        (vec![txt("m", "see http://[2001:db8:5::1]:80/")], "m TXT holds 2001:db8:5::1"),
        (
            vec![record(
                "gauge",
                "HTTPS",
                Data::Service { target: "gauge.heronmill.example".into(), hints: vec![ip("203.0.113.77")] },
            )],
            "gauge HTTPS hints at 203.0.113.77",
        ),
        (
            vec![record("x", "SVCB", Data::Service { target: "weir.heronmill.example".into(), hints: vec![] })],
            "x SVCB leads to weir, which has 203.0.113.77",
        ),
    ] {
        assert_eq!(told(&planted), [leak], "{planted:?}");
    }
}

#[test]
fn what_leads_on_is_followed() {
    // Through an alias, and to a name that a wildcard answers for (RFC 4592, section 3.3.1).
    let planted = [to("hop", "CNAME", "weir"), to("", "MX", "hop")];
    assert_eq!(told(&planted).len(), 2, "{:?}", told(&planted));
    let planted = [a("*.out", "203.0.113.77"), to("", "MX", "mail.out")];
    let leaks = zone(&planted);
    assert!(leaks.iter().any(|leak| leak.how == How::LeadsTo("mail.out.heronmill.example".into())), "{leaks:?}");
    // A name that exists is no wildcard's, nor one below it.
    let planted = [a("*.out", "203.0.113.77"), a("in.out", "198.51.100.5"), to("", "MX", "mail.in.out")];
    assert_eq!(zone(&planted).len(), 1);
    // A ring of aliases ends.
    assert_eq!(told(&[to("one", "CNAME", "two"), to("two", "CNAME", "one")]), [""; 0]);
}

#[test]
fn what_is_meant_to_be_seen_is_none() {
    for meant in [
        to("www", "CNAME", "door"),
        to("", "MX", "door"),
        txt("m", "v=spf1 a:door.heronmill.example -all"),
        txt("weir", "v=spf1 a -all"),
        a("weir", "2001:db8:5::10"),
        txt("m", "v=spf1 ip4:203.0.112.0/20 ip4:nonsense a:%{d} exists:%{i}.x.example include:x.example -all"),
        to("", "MX", "mail.elsewhere"),
    ] {
        assert_eq!(told(std::slice::from_ref(&meant)), [""; 0], "{meant:?}");
    }
}

#[test]
fn the_present_address_comes_first_and_the_list_ends() {
    let mut planted = vec![a("a-old", "203.0.113.9")];
    planted.extend((0..20).map(|nth| a(&format!("host{nth}"), "203.0.113.77")));
    let leaks = zone(&planted);
    assert_eq!(leaks.first().map(|leak| leak.whose), Some(Whose::Now));
    assert_eq!(leaks.last().map(|leak| leak.whose), Some(Whose::Until(PAST)));
    let finding = finding("heronmill.example", &leaks, 30, &home(), &[]);
    assert_eq!(finding.grade, Grade::Amiss);
    assert!(finding.seen.ends_with("; and 9 more"), "{}", finding.seen);
}

#[test]
fn what_cannot_be_read_is_not_good() {
    let unread = ["heronmill.example cannot be listed: REFUSED".to_owned()];
    assert_eq!(finding("heronmill.example", &[], 0, &home(), &unread).grade, Grade::Unknown);
    assert_eq!(finding("heronmill.example", &[], 8, &Home::new([], 64), &[]).grade, Grade::Unknown);
    // What was found in the rest counts all the same.
    assert_eq!(finding("x", &zone(&[a("ftp", "203.0.113.77")]), 8, &home(), &unread).grade, Grade::Amiss);
}

/// RFC 7208, section 12 (the ABNF) and section 4.5.
#[test]
fn spf_terms_are_read() {
    let terms = |text: &'static str| spf(text).map(|terms| terms.collect::<Vec<_>>());
    assert_eq!(terms("v=spf1"), Some(vec![]));
    assert_eq!(terms("v=spf1  a  -all"), Some(vec!["a", "-all"]));
    assert_eq!(terms("v=spf10 a"), None);
    assert_eq!(terms("spf2.0/pra a"), None);
    for (term, mechanism_) in [
        ("ip4:192.0.2.0/24", Some(Mechanism::Range("192.0.2.0/24".parse().unwrap()))),
        ("?ip6:2001:db8::1", Some(Mechanism::Range("2001:db8::1/128".parse().unwrap()))),
        ("ip4:192.0.2.0/33", None),
        ("a", Some(Mechanism::Address(None))),
        ("a/24", Some(Mechanism::Address(None))),
        ("-a:Mail.Heronmill.Example./24//64", Some(Mechanism::Address(Some("mail.heronmill.example".into())))),
        ("all", None),
        ("mx", None),
        ("redirect=_spf.heronmill.example", None),
    ] {
        assert_eq!(mechanism(term), mechanism_, "{term}");
    }
}

#[test]
fn addresses_are_found_in_text() {
    for (text, found) in [
        ("203.0.113.77", &["203.0.113.77"][..]),
        ("ip=203.0.113.77.", &["203.0.113.77"]),
        ("\"203.0.113.77\",\"203.0.113.8\"", &["203.0.113.77", "203.0.113.8"]),
        ("203.0.113.77:443", &["203.0.113.77"]),
        ("ip4:203.0.113.77/32", &["203.0.113.77"]),
        ("1203.0.113.77 203.0.113.771 203.0.113.77.1", &[]),
        ("addr 2001:db8::1 end", &["2001:db8::1"]),
        ("k=2001:db8::1;", &["2001:db8::1"]),
    ] {
        let all: Vec<IpAddr> = addresses_in(text).collect();
        for address in found {
            assert!(all.contains(&ip(address)), "{text}: {all:?}");
        }
        assert_eq!(
            all.iter().filter(|ip| ip.is_ipv4()).count(),
            found.iter().filter(|ip| ip.contains('.')).count(),
            "{text}"
        );
    }
}

proptest! {
    /// std's own text of an address is found whatever words stand around it.
    #[test]
    fn an_address_between_words_is_found(address: IpAddr, before in "[g-z =,;\\[(\"]{0,8}", after in "[g-z =,;\\])\"]{0,8}") {
        let text = format!("{before}{address}{after}");
        prop_assert!(addresses_in(&text).any(|found| found == address), "{}", text);
    }

    #[test]
    fn any_text_is_read_without_panic(text in "\\PC{0,200}") {
        let _ = addresses_in(&text).count();
        if let Some(terms) = spf(&text) {
            let _ = terms.filter_map(mechanism).count();
        }
        let _ = zone(&[txt("m", &text), txt("m", &format!("v=spf1 {text}"))]);
    }

    /// What is found is found in whatever order the records come.
    #[test]
    fn the_order_of_records_does_not_matter(order in Just((0..6).collect::<Vec<usize>>()).prop_shuffle()) {
        let planted = [
            a("ftp", "203.0.113.77"), to("", "MX", "hop"), to("hop", "CNAME", "weir"), a("*.out", "203.0.113.9"),
            to("x", "SRV", "a.out"), txt("m", "203.0.113.9"),
        ];
        let shuffled: Vec<ZoneRecord> = order.iter().map(|at| planted[*at].clone()).collect();
        prop_assert_eq!(zone(&planted), zone(&shuffled));
    }
}
