use std::net::IpAddr;

use crate::testing::like;
use proptest::prelude::*;

use super::{How, Leak, Open, finding, leaks};
use crate::address::Family;
use crate::audit::{Event, Word};
use crate::clock::Timestamp;
use crate::exposure::Grade;
use crate::exposure::home::{Home, Whose};
use crate::provider::listing::{Part, ZoneRecord};

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

fn record(name: &str, rtype: &'static str, data: Vec<Part>) -> ZoneRecord {
    let name = if name.is_empty() { "heronmill.example".into() } else { format!("{name}.heronmill.example") };
    ZoneRecord { name, rtype: rtype.into(), data }
}

fn a(name: &str, address: &str) -> ZoneRecord {
    let address = ip(address);
    record(name, if address.is_ipv4() { "A" } else { "AAAA" }, vec![Part::Address(address)])
}

fn to(name: &str, rtype: &'static str, target: &str) -> ZoneRecord {
    record(name, rtype, vec![Part::Name(format!("{target}.heronmill.example"))])
}

fn txt(name: &str, text: &str) -> ZoneRecord {
    record(name, "TXT", vec![Part::Text(text.to_owned())])
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
                vec![Part::Name("gauge.heronmill.example".into()), Part::Hint(ip("203.0.113.77"))],
            )],
            "gauge HTTPS hints at 203.0.113.77",
        ),
        (vec![record("x", "APL", vec![Part::Range("203.0.113.64/27".parse().unwrap())])], "x APL holds 203.0.113.77"),
        (vec![to("", "SOA", "weir")], "heronmill.example SOA leads to weir, which has 203.0.113.77"),
        (
            vec![record("x", "RP", vec![Part::Mailbox("weir.heronmill.example".into())])],
            "x RP leads to weir, which has 203.0.113.77",
        ),
        (
            vec![record("x", "CAA", vec![Part::Text("issue".into()), Part::Text("203.0.113.77".into())])],
            "x CAA holds 203.0.113.77",
        ),
        (
            vec![record("x", "TXT", vec![Part::Strings(vec!["203.0.113.".into(), "77".into()])])],
            "x TXT holds 203.0.113.77",
        ),
        (
            vec![record("x", "TXT", vec![Part::Strings(vec!["203.0.113.77".into(), "1".into()])])],
            "x TXT holds 203.0.113.77",
        ),
        (
            vec![record("x", "CNAME", vec![Part::Name("host-203-0-113-77.access.example".into())])],
            "x CNAME holds 203.0.113.77",
        ),
        (vec![a("cam-203-0-113-77", "198.51.100.9")], "cam-203-0-113-77 A is at a name that holds 203.0.113.77"),
        (
            vec![txt("m", "v=spf1 ip4:203.0.113.77/8 -all")],
            "m TXT has the SPF term ip4:203.0.113.77/8, which tells of 203.0.113.77",
        ),
        (
            vec![txt(
                "m",
                "v=spf1 a:gauge.heronmill.example/24//48 a:ns1.heronmill.example/24 a:weir.heronmill.example/32 -all",
            )],
            "m TXT has the SPF term a:weir/32, which tells of 203.0.113.77",
        ),
        (
            vec![txt("m", "v=spf1 exists:weir.heronmill.example -all")],
            "m TXT has the SPF term exists:weir, which tells of 203.0.113.77",
        ),
        (
            vec![txt("m", "v=spf1 note=203.0.113.77 -all")],
            "m TXT has the SPF term note=203.0.113.77, which tells of 203.0.113.77",
        ),
        (vec![to("x", "SVCB", "weir")], "x SVCB leads to weir, which has 203.0.113.77"),
    ] {
        assert_eq!(told(&planted), [leak], "{planted:?}");
    }
}

/// RFC 7208, sections 5.2, 5.4 and 6.1.
#[test]
fn spf_is_read_through_what_it_names() {
    let planted = [
        to("", "MX", "weir"),
        txt("m", "v=spf1 mx:heronmill.example -all"),
        txt("_spf", "v=spf1 ip4:203.0.113.77 -all"),
        txt("i", "v=spf1 include:_spf.heronmill.example -all"),
        txt("r", "v=spf1 redirect=I.heronmill.example."),
        to("alias", "CNAME", "r"),
        txt("last", "v=spf1 include:alias.heronmill.example -all"),
        txt("ring", "v=spf1 include:ring.heronmill.example include:gnir.heronmill.example -all"),
        txt("gnir", "v=spf1 include:ring.heronmill.example -all"),
    ];
    let told: Vec<String> =
        told(&planted).iter().map(|told| told.split(" TXT").next().unwrap_or_default().to_owned()).collect();
    assert_eq!(told, ["_spf", "heronmill.example MX leads to weir, which has 203.0.113.77", "i", "last", "m", "r"]);
}

#[test]
fn names_below_a_dname_are_followed() {
    let below = |label: &str, rtype, target: &str| record(label, rtype, vec![Part::Name(target.to_owned())]);
    let planted = [
        below("far", "DNAME", "lab.heronmill.example"),
        a("x.y.lab", "203.0.113.77"),
        below("", "MX", "x.y.far.heronmill.example"),
        // The owner of a DNAME itself is not below it (RFC 6672, section 2.2).
        below("m", "MX", "far.heronmill.example"),
        below("ring", "DNAME", "ring.ring.heronmill.example"),
        below("o", "MX", "a.ring.heronmill.example"),
    ];
    let told = told(&planted);
    let wanted = ["heronmill.example MX leads to x.y.far, which has 203.0.113.77", "x.y.lab A holds 203.0.113.77"];
    assert_eq!(told, wanted);
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
        // A mailbox is no host, and a wildcard's name is none of the zone.
        record(
            "",
            "SOA",
            vec![Part::Name("ns1.heronmill.example".into()), Part::Mailbox("x.out.heronmill.example".into())],
        ),
        txt("m", "v=spf1 include:_spf.elsewhere.example redirect=weir.heronmill.example"),
        record("weir", "IPSECKEY", vec![Part::Address(ip("203.0.113.77"))]),
        a("weir-203-0-113-78", "198.51.100.9"),
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

proptest! {
    #[test]
    fn any_text_is_read_without_panic(text in like("\\PC{0,200}")) {
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
