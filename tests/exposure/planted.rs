//! Random plants: an address of the home in every kind of record and every notation, beside what only resembles one.

use std::collections::BTreeSet;
use std::time::Duration;

use fingerpost::exposure::leaks::{Open, leaks};
use fingerpost::name::DnsName;
use fingerpost::provider::Provider;
use fingerpost::provider::zonefile::ZoneFile;
use proptest::prelude::*;
use proptest::sample::select;

use crate::{home, run};

/// Where text can stand: TXT and its like (RFC 1035, section 3.3.14), HINFO and the others by their own RFCs.
const TEXTS: [&str; 14] = [
    "TXT \"#\"",
    "TXT \"one\" \"# two\"",
    "SPF \"#\"",
    "HINFO \"mill\" \"#\"",
    "X25 \"#\"",
    "ISDN \"150862028003217\" \"#\"",
    "NAPTR 10 20 \"u\" \"E2U+sip\" \"!^.*$!#!\" .",
    "URI 10 1 \"#\"",
    "CAA 0 issue \"#\"",
    "NINFO \"#\"",
    "AVC \"#\"",
    "RESINFO \"#\"",
    "WALLET \"coin\" \"#\"",
    "GPOS \"-32.6882\" \"#\" \"10.0\"",
];
/// How an address stands in text, of either family.
const TEXT_FORMS: [&str; 26] = [
    "203.0.113.77",
    "ip=203.0.113.77;",
    "http://203.0.113.77:8080/x",
    "203.0.113.77/32",
    "ssh://me@203.0.113.77",
    "host-203-0-113-77.access.example",
    "77.113.0.203.in-addr.arpa",
    "77.64/26.113.0.203.in-addr.arpa.",
    "::ffff:203.0.113.77",
    "::FFFF:cb00:714d",
    "0:0:0:0:0:ffff:203.0.113.77",
    "64:ff9b::203.0.113.77",
    "64:ff9b::cb00:714d",
    "2002:cb00:714d::1",
    "2001:db8:5::77",
    "2001:0DB8:0005:0000:0000:0000:0000:0077",
    "2001:db8:5:0:0:0:0.0.0.119",
    "http://[2001:db8:5::77]:443/",
    "http://x.example/?at=2001%3Adb8%3A5%3A%3A1",
    "net 2001:db8:5::/64",
    "ip-2001-db8-5--77.access.example",
    "2001-0db8-0005-0000-0000-0000-0000-0077",
    "7.7.0.0.0.0.0.0.0.0.0.0.0.0.0.0.0.0.0.0.5.0.0.0.8.b.d.0.1.0.0.2.ip6.arpa",
    "0.0.0.0.5.0.0.0.8.b.d.0.1.0.0.2.ip6.arpa",
    "was 203.0.113.9",
    "203.0.113.77, 198.51.100.1",
];
const TEXT_ALIKE: [&str; 20] = [
    "1203.0.113.77",
    "203.0.113.771",
    "203.0.113.77.1",
    "1.203.0.113.77",
    "203.0.113.78",
    "203.0.113.",
    "203,0,113,77",
    "203.0.113-77",
    "5-203-0-113-77",
    "77.113.0.203",
    "77.113.0.203.in-addr.arpart",
    "2001:db8:6::77",
    "12001:db8:5::77",
    "2001:db8:50::77",
    "2001:db8:5::77::1",
    "1.7.7.0.0.0.0.0.0.0.0.0.0.0.0.0.0.0.0.0.0.5.0.0.0.8.b.d.0.1.0.0.2.ip6.arpa",
    "203.0.112.0/20",
    "http://198.51.100.7/24",
    "00:11:22:33:44:55",
    "2026-11-28T08:14:31Z",
];
/// Where a name can stand.
const NAMED: [&str; 17] = [
    "CNAME #",
    "NS #",
    "MX 10 #",
    "SRV 0 5 5060 #",
    "PTR #",
    "DNAME #",
    "MB #",
    "RP . #",
    "AFSDB 1 #",
    "RT 1 #",
    "KX 1 #",
    "PX 1 # #",
    "LP 1 #",
    "NAPTR 1 1 \"s\" \"sip\" \"\" #",
    "IPSECKEY 10 3 2 # AQNRU3mG7TVTO2BkR47usntb102uFJtugbo6BSGvgqt4AQ==",
    "AMTRELAY 10 0 3 #",
    "SVCB 1 #",
];
/// Where a mailbox stands as a name (RFC 1035, section 3.3; RFC 1183, section 2.2): a wildcard makes no host of it.
const MAILBOXES: [&str; 4] = ["MG #", "MR #", "MINFO # #", "RP # ."];
/// Names in the zone that lead to the home, and others that do not.
const NAMES: [&str; 6] = ["any.wild", "weir", "alias", "hop", "deep.below", "host-203-0-113-77.access.example."];
const NAMES_ALIKE: [&str; 6] =
    ["gauge", "weir.gauge", "weir.quayside.example.", "below", "host-203-0-113-78.access.example.", "x.set.wild"];
/// Where an address stands as such.
const ADDRESSES: [(&str, &str); 20] = [
    ("A 203.0.113.77", "A 203.0.113.78"),
    ("AAAA 2001:db8:5::9", "AAAA 2001:db8:6::9"),
    ("AAAA ::ffff:203.0.113.77", "AAAA ::ffff:203.0.113.78"),
    ("A \\# 4 cb00714d", "A \\# 4 cb00714e"),
    ("TYPE1 \\# 4 CB00 714D", "TYPE1 \\# 4 CB00 714E"),
    ("WKS 203.0.113.77 6 25", "WKS 203.0.113.78 6 25"),
    ("APL 1:203.0.113.64/26", "APL 1:203.0.112.0/20"),
    ("APL 1:198.51.100.0/24 !2:2001:db8:5::/64", "APL 1:198.51.100.0/24 !2:2001:db8:6::/64"),
    ("L32 10 203.0.113.77", "L32 10 203.0.113.78"),
    ("L64 10 2001:0DB8:0005:0000", "L64 10 2001:0DB8:0006:0000"),
    ("A6 0 2001:db8:5::9", "A6 0 2001:db8:6::9"),
    ("A6 64 ::9 weir", "A6 64 ::9 gauge"),
    ("IPSECKEY 10 1 2 203.0.113.77 AQNR", "IPSECKEY 10 1 2 203.0.113.78 AQNR"),
    ("IPSECKEY 10 2 2 2001:db8:5::1 AQNR", "IPSECKEY 10 0 2 . AQNR"),
    ("AMTRELAY 10 1 1 203.0.113.77", "AMTRELAY 10 0 0 ."),
    ("HTTPS 1 . ipv4hint=198.51.100.70,203.0.113.77", "HTTPS 1 . ipv4hint=198.51.100.70"),
    (
        "SVCB 1 gauge key6=\\032\\001\\013\\184\\000\\005\\000\\000\\000\\000\\000\\000\\000\\000\\000\\001",
        "SVCB 1 . alpn=h2",
    ),
    ("HIP 2 200100107B1A74DF365639CC39F1D578 AwEAAbdx weir", "HIP 2 200100107B1A74DF365639CC39F1D578 AwEAAbdx gauge"),
    ("TYPE65280 \\# 12 3230332e302e3131332e3737", "TYPE65280 \\# 12 3230332e302e3131332e3738"),
    ("DOA 0 1 2 \"text/plain\" MjAzLjAuMTEzLjc3", "TLSA 3 1 1 3230332e302e3131332e3737"),
];
/// Terms of SPF (RFC 7208, section 5).
const TERMS: [(&str, &str); 14] = [
    ("ip4:203.0.113.77", "ip4:203.0.113.78"),
    ("+ip4:203.0.113.64/27", "ip4:203.0.113.0/20"),
    ("ip6:2001:db8:5::/64", "ip6:2001:db8::/32"),
    ("a:weir.heronmill.example", "a:gauge.heronmill.example"),
    ("?a:ALIAS.heronmill.example./32", "a"),
    ("a:near.heronmill.example/24", "a:near.heronmill.example"),
    ("mx:in.heronmill.example", "mx:gauge.heronmill.example"),
    ("exists:weir.heronmill.example", "exists:%{i}.weir.heronmill.example"),
    ("include:_spf.heronmill.example", "include:_good.heronmill.example"),
    ("redirect=_more.heronmill.example", "redirect=_spf.quayside.example"),
    ("include:_moved.heronmill.example", "ptr:gauge.heronmill.example"),
    ("x=203.0.113.77", "x=203.0.113.771"),
    ("exists:77.113.0.203.in-addr.arpa", "exists:77.113.0.203.list.example"),
    ("a:host-203-0-113-77.access.example", "mx"),
];
/// What stands there anyway: what of it leads home belongs to names that may.
const ZONE: &str = "$TTL 300
@ SOA ns1 hostmaster 1 3600 900 604800 300
@ NS ns1
ns1 A 198.51.100.5
gauge A 198.51.100.70
weir A 203.0.113.77
alias CNAME weir
hop CNAME alias
below DNAME under
deep.under CNAME weir
*.wild CNAME weir
set.wild A 198.51.100.9
near A 203.0.113.5
in MX 10 weir
_spf TXT \"v=spf1 ip4:203.0.113.77 -all\"
_more TXT \"v=spf1 include:_spf.heronmill.example -all\"
_moved CNAME _more
_good TXT \"v=spf1 ip4:198.51.100.0/24 -all\"
";

/// The plants: the record's data, and whether it gives the home away.
fn plant() -> impl Strategy<Value = (String, bool)> {
    let filled = |places: &'static [&'static str], what: &'static [&'static str], leaks| {
        (select(places), select(what)).prop_map(move |(place, what)| (place.replace('#', what), leaks))
    };
    let spf = |all: bool| {
        (select(&TERMS[..]), select(&["TXT", "SPF"][..])).prop_map(move |((planted, alike), rtype)| {
            let term = if all { planted } else { alike };
            (format!("{rtype} \"v=spf1 mx:quayside.example {}\" \"{} -all\"", &term[..1], &term[1..]), all)
        })
    };
    prop_oneof![
        filled(&TEXTS, &TEXT_FORMS, true),
        filled(&TEXTS, &TEXT_ALIKE, false),
        filled(&NAMED, &NAMES, true),
        filled(&NAMED, &NAMES_ALIKE, false),
        filled(&MAILBOXES, &NAMES[1..], true),
        filled(&MAILBOXES, &NAMES_ALIKE, false),
        filled(&MAILBOXES, &NAMES[..1], false),
        select(&ADDRESSES[..]).prop_map(|(planted, _)| (planted.to_owned(), true)),
        select(&ADDRESSES[..]).prop_map(|(_, alike)| (alike.to_owned(), false)),
        spf(true),
        spf(false),
    ]
}

proptest! {
    #![proptest_config(ProptestConfig { cases: 200, ..ProptestConfig::default() })]

    /// Nothing is missed, and nothing invented.
    #[test]
    fn what_is_planted_is_found_and_nothing_else(plants in prop::collection::vec(plant(), 1..60)) {
        let dir = tempfile::tempdir().unwrap();
        let file = dir.path().join("zone");
        let lines = plants.iter().enumerate().map(|(at, (data, _))| format!("plant{at} {data}\n"));
        std::fs::write(&file, ZONE.to_owned() + &lines.collect::<String>()).unwrap();
        let zone = DnsName::parse("heronmill.example").unwrap();
        let records = run(ZoneFile::new(zone, file, Vec::new(), Duration::from_secs(20)).list()).unwrap();
        let may = ["weir", "alias", "hop", "deep.under", "*.wild", "in", "_spf", "_more", "_moved"];
        let quiet = may.iter().map(|label| format!("{label}.heronmill.example")).collect();
        let mut home = home(&["203.0.113.77", "2001:db8:5::77"]);
        home.remember(fingerpost::clock::Timestamp::from_millis(1), &crate::zones::moved("203.0.113.9", "203.0.113.77"));
        let leaks = leaks(&records, &home, &Open { quiet, ..Open::default() });
        let found: BTreeSet<String> = leaks.iter().filter_map(|leak| leak.name.strip_prefix("plant")).map(str::to_owned).collect();
        for (at, (data, is_leak)) in plants.iter().enumerate() {
            prop_assert_eq!(found.contains(&format!("{at}.heronmill.example")), *is_leak, "{}", data);
        }
    }
}
