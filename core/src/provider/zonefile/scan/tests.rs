use std::collections::BTreeSet;

use super::{Master, TtlRule};
use crate::name::DnsName;
use crate::provider::zonefile::lex::{Problem, absolute, ttl};
use crate::provider::zonefile::view::observe;
use crate::provider::{Observed, Obstacle};
use crate::record::RecordType;

const SOA: &str = "@ 1h IN SOA ns1 keeper 7 1h 10m 4w 5m\n";

/// "owner ttl type data…" of every record.
fn records(file: &str) -> Result<Vec<String>, Problem> {
    let master = Master::scan(file.as_bytes(), "heronmill.example")?;
    let text = |span: &super::Span| String::from_utf8_lossy(master.text(span)).into_owned();
    let line = |record: &super::Record| {
        let data: Vec<_> = record.data.iter().map(text).collect();
        format!("{} {} {} {}", record.owner, record.ttl, record.rtype, data.join(" "))
    };
    Ok(master.records.iter().map(line).collect())
}

fn fault(file: &str) -> String {
    match records(file) {
        Ok(records) => panic!("taken: {records:?}"),
        Err(problem) => problem.into_fault("mill.zone").to_string(),
    }
}

fn look(file: &str, names: &[&str]) -> Result<Observed, String> {
    let zone = DnsName::parse("heronmill.example").unwrap();
    let names: BTreeSet<_> = names.iter().map(|name| DnsName::parse(name).unwrap()).collect();
    Master::scan(file.as_bytes(), zone.as_str())
        .and_then(|master| observe(&master, &zone, &names))
        .map_err(|problem| problem.into_fault("mill.zone").to_string())
}

#[test]
fn the_example_of_rfc_1035_reads_as_it_says() {
    // RFC 1035, section 5.3, without its last line, an $INCLUDE. It states no TTL: BIND takes the SOA minimum then.
    let file = r"
@   IN  SOA     VENERA      Action\.domains (
                                 20     ; SERIAL
                                 7200   ; REFRESH
                                 600    ; RETRY
                                 3600000; EXPIRE
                                 60)    ; MINIMUM

        NS      A.ISI.EDU.
        NS      VENERA
        NS      VAXA
        MX      10      VENERA
        MX      20      VAXA

A       A       26.3.0.103

VENERA  A       10.1.0.52
        A       128.9.0.32

VAXA    A       10.2.0.27
        A       128.9.0.33
";
    let master = Master::scan(file.as_bytes(), "isi.edu").unwrap();
    let read: Vec<_> = master.records.iter().map(|r| (r.line, r.owner.as_str(), r.ttl, r.rtype.as_str())).collect();
    assert_eq!(
        read,
        [
            (2, "isi.edu", 60, "SOA"),
            (9, "isi.edu", 60, "NS"),
            (10, "isi.edu", 60, "NS"),
            (11, "isi.edu", 60, "NS"),
            (12, "isi.edu", 60, "MX"),
            (13, "isi.edu", 60, "MX"),
            (15, "a.isi.edu", 60, "A"),
            (17, "venera.isi.edu", 60, "A"),
            (18, "venera.isi.edu", 60, "A"),
            (20, "vaxa.isi.edu", 60, "A"),
            (21, "vaxa.isi.edu", 60, "A"),
        ]
    );
    let text = |record: usize, word: usize| master.text(&master.records[record].data[word]);
    assert_eq!((text(0, 1), text(0, 2), text(0, 5)), (&br"Action\.domains"[..], &b"20"[..], &b"3600000"[..]));
    assert_eq!((text(6, 0), text(10, 0)), (&b"26.3.0.103"[..], &b"128.9.0.33"[..]));
    assert_eq!(absolute(text(0, 1), "isi.edu").as_deref(), Ok(r"action\046domains.isi.edu"));
}

#[test]
fn a_record_is_read_in_every_form() {
    // RFC 1035, section 5.1: [TTL] [class] type or [class] [TTL] type, without regard to case.
    for line in [
        "gauge 60 IN A 192.0.2.1",
        "gauge IN 60 A 192.0.2.1",
        "gauge 60 A 192.0.2.1",
        "GAUGE\t1M\tin\ta\t192.0.2.1",
        "gauge.heronmill.example. 60 A 192.0.2.1",
        "gauge 60 ( A\n\n ; a comment ) \"\n 192.0.2.1 )",
        "(gauge 60 A 192.0.2.1)",
        r"g\097u\ge 60 A 192.0.2.1",
        "gauge 60 CLASS1 TYPE1 192.0.2.1",
        "gauge 60 A 192.0.2.1;no space",
        "$ORIGIN gauge\n@ 60 A 192.0.2.1",
        "$origin example.\ngauge.heronmill 60 A 192.0.2.1",
        "$TTL 1m\ngauge A 192.0.2.1",
        "$TTL 1m\ngauge IN A 192.0.2.1 ; the end",
    ] {
        for end in ["", "\n"] {
            for file in [format!("{SOA}{line}{end}"), format!("{SOA}{line}{end}").replace('\n', "\r\n")] {
                let read = records(&file);
                assert_eq!(
                    read.as_ref().ok().and_then(|read| read.last()),
                    Some(&"gauge.heronmill.example 60 A 192.0.2.1".into()),
                    "{file:?}: {read:?}"
                );
            }
        }
    }
}

#[test]
fn quoted_strings_and_escapes_hide_what_they_hold() {
    let file = format!("{SOA}note TXT \"a;b (\" \"c\\\"d;\" e\\;f \\( g\"h i\"\n A 192.0.2.1\n");
    let want = [
        "note.heronmill.example 3600 TXT \"a;b (\" \"c\\\"d;\" e\\;f \\( g \"h i\"",
        "note.heronmill.example 3600 A 192.0.2.1",
    ];
    assert_eq!(records(&file).unwrap()[1..], want);
}

#[test]
fn a_record_without_owner_has_that_of_the_record_before() {
    // Across blank lines, comments and a change of the origin (RFC 1035, section 5.1: the last stated owner).
    let file = format!("{SOA}gauge A 192.0.2.1\n\n; note\n$ORIGIN river\n  A 192.0.2.2\ncam A 192.0.2.3\n");
    assert_eq!(
        records(&file).unwrap()[1..],
        [
            "gauge.heronmill.example 3600 A 192.0.2.1",
            "gauge.heronmill.example 3600 A 192.0.2.2",
            "cam.river.heronmill.example 3600 A 192.0.2.3"
        ]
    );
}

#[test]
fn the_ttl_is_stated_or_the_default_or_the_last_stated() {
    // RFC 2308, section 4, and RFC 1035, section 5.1; the SOA minimum as BIND takes it.
    let rules = |file: &str| -> Vec<(u32, TtlRule)> {
        let master = Master::scan(file.as_bytes(), "heronmill.example").unwrap();
        master
            .records
            .into_iter()
            .map(|r| match r.ttl_rule {
                TtlRule::Stated(_) => (r.ttl, TtlRule::Stated(0..0)),
                rule => (r.ttl, rule),
            })
            .collect()
    };
    let stated = || TtlRule::Stated(0..0);
    assert_eq!(
        rules(
            "@ 1h SOA a b 1 2 3 4 5\na A 192.0.2.1\na 9 A 192.0.2.2\na A 192.0.2.3\n$TTL 8\na A 192.0.2.4\na 7 A 192.0.2.5\na A 192.0.2.6"
        ),
        [
            (3600, stated()),
            (3600, TtlRule::Inherited),
            (9, stated()),
            (9, TtlRule::Inherited),
            (8, TtlRule::Default),
            (7, stated()),
            (8, TtlRule::Default)
        ]
    );
    assert_eq!(
        rules("@ SOA a b 1 2 3 4 5m\na 9 A 192.0.2.1\na A 192.0.2.2"),
        [(300, TtlRule::Default), (9, stated()), (300, TtlRule::Default)]
    );
}

#[test]
fn ttls_are_seconds_or_have_units() {
    // Units: common practice, from BIND's manual. The bound: RFC 2181, section 8.
    for (text, want) in [
        ("0", Some(0)),
        ("3600", Some(3600)),
        ("1h2m", Some(3720)),
        ("1W2d3H4m5S", Some(604_800 + 2 * 86_400 + 3 * 3600 + 4 * 60 + 5)),
        ("2147483647", Some(i32::MAX as u32)),
        ("2147483648", None),
        ("99999999999999999999999", None),
        ("3551w", None),
        ("1h30", None),
        ("h", None),
        ("", None),
        ("1x", None),
        ("-1", None),
    ] {
        assert_eq!(ttl(text.as_bytes()), want, "{text:?}");
    }
}

#[test]
fn names_have_one_form() {
    // RFC 1035, sections 2.3.4 and 5.1; RFC 4343, sections 2.1 and 3; RFC 4592, section 2.1.1 (\* is an asterisk).
    let l63 = "a".repeat(63);
    let long = [&*l63, &*l63, &*l63].join(".");
    for (word, want) in [
        ("@", Ok("heronmill.example".to_owned())),
        (".", Ok(String::new())),
        ("Gauge", Ok("gauge.heronmill.example".into())),
        ("Gauge.", Ok("gauge".into())),
        (r"\@", Ok(r"\064.heronmill.example".into())),
        (r"\*.x.", Ok("*.x".into())),
        (r"a\.b.", Ok(r"a\046b".into())),
        (r"\071auge.", Ok("gauge".into())),
        (r"\000.", Ok(r"\000".into())),
        (&format!("{l63}."), Ok(l63.clone())),
        (&format!("{long}.{}.", "b".repeat(61)), Ok(format!("{long}.{}", "b".repeat(61)))),
    ] {
        assert_eq!(absolute(word.as_bytes(), "heronmill.example"), want, "{word}");
    }
    for word in ["a..b", ".a", r"\256", r"\12", r"\1x2", &format!("{l63}a."), &format!("{long}.{}.", "b".repeat(62))] {
        assert!(absolute(word.as_bytes(), "heronmill.example").is_err(), "{word}");
    }
    assert_eq!(absolute(b"a", ""), Ok("a".to_owned()), "under the root as origin");
}

#[test]
fn what_cannot_be_read_is_refused_with_its_line() {
    for (line, want) in [
        (
            "gauge A (192.0.2.1",
            "line 2: a parenthesis is opened and never closed; mend that line (RFC 1035, section 5)",
        ),
        ("\n\ngauge A 192.0.2.1)", "line 4: a parenthesis closes that was not opened"),
        ("note TXT \"open\n\"", "line 2: a quoted string is not closed in its line"),
        ("note TXT open\\\n", "line 2: a backslash stands at the end of a line"),
        ("gauge A 192.0.2.1\rcam A 192.0.2.2", "line 2: a carriage return stands without a line feed"),
        ("; note\rcam A 192.0.2.2", "line 2: a carriage return stands without a line feed"),
        ("gauge A 192.0.2.1\u{1a}", "line 2: a control character (byte 26) stands here"),
        ("a..b A 192.0.2.1", "line 2: a name has an empty label"),
        ("\"gauge\" A 192.0.2.1", "line 2: a quoted string stands where a name belongs"),
        ("gauge", "line 2: a record has no type"),
        ("gauge IN 60", "line 2: a record has no type"),
        ("gauge 1h30 A 192.0.2.1", "line 2: 1H30 stands where a TTL, class or type belongs"),
        ("gauge 1 2 A 192.0.2.1", "line 2: 2 stands where"),
        ("gauge IN IN A 192.0.2.1", "line 2: IN stands where"),
        ("gauge CH A 192.0.2.1", "line 2: the record here is not of class IN; take it out of this file"),
        ("gauge CLASS3 A 192.0.2.1", "line 2: the record here is not of class IN"),
        ("$TTL soon", "line 2: $TTL is not given a TTL"),
        ("$TTL 1 2", "line 2: $TTL takes one value"),
        ("$ORIGIN", "line 2: $ORIGIN takes one value"),
        (
            "\n$include more.zone",
            "line 3: $INCLUDE is not followed, so what stands at a name cannot be known; write the records in place of it",
        ),
        ("$GENERATE 1-9 host$ A 192.0.2.$", "line 2: $GENERATE is not understood"),
        (" $TTL 60", "line 2: $TTL stands where a TTL, class or type belongs"),
    ] {
        let got = fault(&format!("{SOA}{line}"));
        assert!(got.starts_with(&format!("mill.zone, {want}")), "{line:?}: {got}");
    }
    assert!(fault(" A 192.0.2.1").contains("line 1: the first record has no owner name"));
    assert!(fault("gauge A 192.0.2.1").contains("line 1: no TTL is known for this record; begin the file with $TTL"));
    assert!(fault("\u{feff}$TTL 60").contains("line 1: the file begins with a byte order mark"));
}

#[test]
fn what_stands_at_a_name_is_seen() {
    let file = format!(
        "{SOA}@ NS ns1\n A 192.0.2.9\nGauge 60 A 192.0.2.1\n 50 A 192.0.2.2\n 70 AAAA 2001:DB8::1\n TXT x\n\
         cam CNAME gauge\n*.wild A 192.0.2.3\nlower NS ns.lower\nlower A 192.0.2.4\nns.lower A 192.0.2.5\n\
         deep.lower NS x.\nheronmill.example A 192.0.2.6\nthere CNAME .\n"
    );
    let names = [
        "heronmill.example",
        "gauge.heronmill.example",
        "cam.heronmill.example",
        "*.wild.heronmill.example",
        "lower.heronmill.example",
        "a.deep.lower.heronmill.example",
        "none.heronmill.example",
        "there.heronmill.example",
    ];
    let observed = look(&file, &names).unwrap();
    assert_eq!((observed.serial, observed.names.len()), (Some(7), names.len()));
    let at = |name: &str| observed.names.get(&DnsName::parse(name).unwrap()).unwrap();
    let a = |name: &str| {
        let set = at(name).sets.get(&RecordType::A)?;
        Some((set.ttl, set.addresses.iter().map(ToString::to_string).collect::<Vec<_>>().join(" ")))
    };
    assert_eq!(a("heronmill.example"), Some((3600, "192.0.2.9".into())), "NS at the apex is no cut");
    // RFC 2181, section 5.2: of differing TTLs the lowest.
    assert_eq!(a("gauge.heronmill.example"), Some((50, "192.0.2.1 192.0.2.2".into())));
    assert_eq!(at("gauge.heronmill.example").sets.len(), 2);
    assert_eq!(a("*.wild.heronmill.example").map(|set| set.1), Some("192.0.2.3".into()));
    assert_eq!(at("none.heronmill.example"), &Default::default());
    assert_eq!(at("cam.heronmill.example").obstacle, Some(Obstacle::Cname("gauge.heronmill.example.".into())));
    assert_eq!(at("there.heronmill.example").obstacle, Some(Obstacle::Cname(".".into())));
    let cut = Some(Obstacle::Delegated("lower.heronmill.example".into()));
    assert_eq!((&at("lower.heronmill.example").obstacle, &at("a.deep.lower.heronmill.example").obstacle), (&cut, &cut));
}

#[test]
fn a_file_that_cannot_be_edited_rightly_is_refused() {
    for (file, want) in [
        (
            "$TTL 60\ngauge A 192.0.2.1\n".to_owned(),
            "mill.zone: there is no SOA record, so no serial can be raised; name the whole master file of heronmill.example",
        ),
        (
            format!("$ORIGIN ferry.example.\n{SOA}"),
            "mill.zone, line 2: the SOA record here is that of ferry.example, not of heronmill.example",
        ),
        (format!("{SOA}{SOA}"), "mill.zone, line 2: a second SOA record stands here"),
        (
            "@ 60 SOA ns1 keeper +7 1h 10m 4w 5m\n".into(),
            "mill.zone, line 1: the serial of the SOA record is not a number below 2^32",
        ),
        ("@ 60 SOA ns1 keeper 4294967296 1h 10m 4w 5m\n".into(), "mill.zone, line 1: the serial of the SOA"),
        ("@ 60 SOA ns1 keeper 7 1h 10m 4w\n".into(), "mill.zone, line 1: the SOA record here has 6 fields, not 7"),
        (
            format!("{SOA}x RRSIG A 8 2 3600 x x 1 heronmill.example. AA==\n"),
            "mill.zone, line 2: the file is signed (RRSIG here)",
        ),
        (format!("{SOA}@ TYPE63 \\# 0\n"), "mill.zone, line 2: the file is signed (ZONEMD here)"),
        (format!("{SOA}gauge A 192.0.2.256\n"), "mill.zone, line 2: \"192.0.2.256\" is not an address for A"),
        (format!("{SOA}gauge AAAA 192.0.2.1\n"), "mill.zone, line 2: \"192.0.2.1\" is not an address for AAAA"),
        (format!("{SOA}gauge A 192.0.2.1 192.0.2.2\n"), "mill.zone, line 2: the A record here has 2 fields, not 1"),
        (
            format!("{SOA}gauge TYPE1 \\# 4 C0000201\n"),
            "mill.zone, line 2: the A record here has its data in the generic form",
        ),
    ] {
        let got = look(&file, &["gauge.heronmill.example"]).unwrap_err();
        assert!(got.starts_with(want), "{file:?}: {got}");
    }
}

/// RFC 6672, section 2.4: beside a DNAME data may stand, and none below it. What is nearest to the apex counts.
#[test]
fn a_dname_redirects_what_is_below_it_and_nothing_else() {
    let asked = ["gauge", "a.gauge", "a.sub", "x.a.low", "mill"].map(|label| format!("{label}.heronmill.example"));
    let asked: Vec<&str> = asked.iter().map(String::as_str).collect();
    let lines =
        "gauge DNAME ferry.example.\nsub NS x.\na.sub DNAME ferry.example.\nlow DNAME ferry.example.\na.low NS x.\n";
    let dname = |at: &str| Some(Obstacle::Dname(at.into()));
    let of = |file: &str| {
        let observed = look(file, &asked).unwrap();
        asked.iter().map(|name| observed.names[&DnsName::parse(name).unwrap()].obstacle.clone()).collect::<Vec<_>>()
    };
    let cut = Some(Obstacle::Delegated("sub.heronmill.example".into()));
    let expected = [None, dname("gauge.heronmill.example"), cut, dname("low.heronmill.example"), None];
    assert_eq!(of(&format!("{SOA}{lines}")), expected);
    let at_the_apex = format!("{SOA}heronmill.example. DNAME ferry.example.\n");
    assert_eq!(of(&at_the_apex), vec![dname("heronmill.example"); 5]);
}
