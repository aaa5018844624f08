use std::collections::BTreeSet;

use super::{check, edit};
use crate::name::DnsName;
use crate::provider::zonefile::scan::Master;
use crate::provider::zonefile::view::observe;
use crate::provider::{Change, FaultKind};
use crate::record::{RecordType, RrSet};

const TODAY: u32 = 20261124;

/// Name, TTL and addresses, the type being that of the first address.
type Want<'a> = (&'a str, u32, &'a [&'a str]);

fn set(ttl: u32, addresses: &[&str]) -> RrSet {
    RrSet { ttl, addresses: addresses.iter().map(|address| address.parse().unwrap()).collect() }
}

fn changes(file: &str, wants: &[Want<'_>]) -> Vec<Change> {
    let zone = DnsName::parse("heronmill.example").unwrap();
    let name = |want: &Want<'_>| DnsName::parse(&format!("{}.heronmill.example", want.0)).unwrap();
    let names: BTreeSet<_> = wants.iter().map(name).collect();
    let observed = observe(&Master::scan(file.as_bytes(), zone.as_str()).unwrap(), &zone, &names).unwrap();
    let change = |want: &Want<'_>| {
        let (name, after) = (name(want), set(want.1, want.2));
        let rtype = if after.addresses.iter().all(|a| a.is_ipv4()) { RecordType::A } else { RecordType::Aaaa };
        Change { before: observed.names[&name].sets.get(&rtype).cloned(), name, rtype, after }
    };
    wants.iter().map(change).collect()
}

fn gauge<'a>(addresses: &'a [&'a str]) -> [Want<'a>; 1] {
    [("gauge", 300, addresses)]
}

/// The file after `wants`, or why not.
fn run(file: &str, wants: &[Want<'_>]) -> Result<String, String> {
    let zone = DnsName::parse("heronmill.example").unwrap();
    match edit(file.as_bytes(), &zone, &changes(file, wants), TODAY) {
        Ok(Some(edited)) => Ok(String::from_utf8(edited.bytes).unwrap()),
        Ok(None) => Ok("nothing to do".into()),
        Err(problem) => Err(problem.into_fault("mill.zone").to_string()),
    }
}

/// Holds `body` after `wants` against `want`, below a head that sets a default TTL of 300.
fn holds(why: &str, body: &str, wants: &[Want<'_>], want: &str) {
    let head = "$TTL 5m\n@ SOA ns1 keeper ( 7 ; serial\n 1h 10m 4w 5m )\n";
    let got = run(&format!("{head}{body}"), wants);
    assert_eq!(got, Ok(format!("{}{want}", head.replace("7 ;", "8 ;"))), "{why}");
    let crlf = |text: &str| text.replace('\n', "\r\n");
    let got = run(&crlf(&format!("{head}{body}")), wants);
    assert_eq!(got, Ok(crlf(&format!("{}{want}", head.replace("7 ;", "8 ;")))), "{why}, CRLF");
}

#[test]
fn an_address_is_changed_in_place() {
    holds("plain", "gauge A 192.0.2.1\n", &gauge(&["192.0.2.7"]), "gauge A 192.0.2.7\n");
    holds("no line end", "gauge A 192.0.2.1", &gauge(&["192.0.2.7"]), "gauge A 192.0.2.7");
    holds(
        "white space, case and comments",
        "GAUGE\tin  A  \t 192.0.2.1 ; was 192.0.2.1\n",
        &gauge(&["192.0.2.7"]),
        "GAUGE\tin  A  \t 192.0.2.7 ; was 192.0.2.1\n",
    );
    holds(
        "over several lines",
        "gauge A ( ; one\n 192.0.2.1 ; two\n )\ncam A 192.0.2.1\n",
        &gauge(&["192.0.2.7"]),
        "gauge A ( ; one\n 192.0.2.7 ; two\n )\ncam A 192.0.2.1\n",
    );
    holds("IPv6", "gauge AAAA 2001:DB8:0::1\n", &gauge(&["2001:db8::7"]), "gauge AAAA 2001:db8::7\n");
    holds(
        "the one that stays is not rewritten",
        "gauge AAAA 2001:DB8:0::1\ngauge AAAA 2001:db8::2\n",
        &gauge(&["2001:db8::1", "2001:db8::7"]),
        "gauge AAAA 2001:DB8:0::1\ngauge AAAA 2001:db8::7\n",
    );
}

#[test]
fn the_ttl_is_stated_where_it_must_be() {
    let at = |ttl| [("gauge", ttl, &["192.0.2.7"][..])];
    holds("in place", "gauge 60 IN A 192.0.2.1\n", &at(120), "gauge 120 IN A 192.0.2.7\n");
    holds("in place, class first", "gauge IN 60 A 192.0.2.1\n", &at(120), "gauge IN 120 A 192.0.2.7\n");
    holds("the same in other words", "gauge 2m A 192.0.2.1\n", &at(120), "gauge 2m A 192.0.2.7\n");
    holds("put in", "gauge IN A 192.0.2.1\n", &at(120), "gauge 120 IN A 192.0.2.7\n");
    holds("put in, no owner", "gauge TXT x\n\tA 192.0.2.1\n", &at(120), "gauge TXT x\n\t120 A 192.0.2.7\n");
    holds("the TTL alone", "gauge A 192.0.2.7\n", &at(120), "gauge 120 A 192.0.2.7\n");
    holds(
        "the default for others stays",
        "gauge 60 A 192.0.2.1\ncam A 192.0.2.2\n",
        &at(120),
        "gauge 120 A 192.0.2.7\ncam A 192.0.2.2\n",
    );
    holds(
        "made equal (RFC 2181, 5.2)",
        "gauge 60 A 192.0.2.1\ngauge 90 A 192.0.2.2\ngauge A 192.0.2.3\n",
        &[("gauge", 90, &["192.0.2.1", "192.0.2.2", "192.0.2.3"])],
        "gauge 90 A 192.0.2.1\ngauge 90 A 192.0.2.2\ngauge 90 A 192.0.2.3\n",
    );
}

#[test]
fn surplus_goes_and_new_members_follow() {
    holds(
        "surplus",
        "gauge A 192.0.2.1\ngauge A 192.0.2.2 ; b\n; note\n",
        &[("gauge", 300, &["192.0.2.1"])],
        "gauge A 192.0.2.1\n; note\n",
    );
    holds(
        "surplus at the end, no line end",
        "gauge A 192.0.2.1\ngauge A 192.0.2.2",
        &[("gauge", 300, &["192.0.2.1"])],
        "gauge A 192.0.2.1\n",
    );
    holds(
        "a new member, its TTL explicit",
        "gauge A 192.0.2.1\n  TXT x\ncam A 192.0.2.2\n",
        &[("gauge", 300, &["192.0.2.1", "192.0.2.7"])],
        "gauge A 192.0.2.1\ngauge.heronmill.example.\t300\tIN\tA\t192.0.2.7\n  TXT x\ncam A 192.0.2.2\n",
    );
    holds(
        "a new RRset beside another, and one where there is none",
        "gauge A 192.0.2.1\n  TXT x\ncam A 192.0.2.2 ; no line end",
        &[("gauge", 60, &["2001:db8::1"]), ("mill", 60, &["192.0.2.3", "192.0.2.4"])],
        "gauge A 192.0.2.1\n  TXT x\ngauge.heronmill.example.\t60\tIN\tAAAA\t2001:db8::1\ncam A 192.0.2.2 ; no line end\n\
         mill.heronmill.example.\t60\tIN\tA\t192.0.2.3\nmill.heronmill.example.\t60\tIN\tA\t192.0.2.4\n",
    );
    holds(
        "under another origin",
        "$ORIGIN river\ncam A 192.0.2.2\n",
        &[("mill", 60, &["192.0.2.3"])],
        "$ORIGIN river\ncam A 192.0.2.2\nmill.heronmill.example.\t60\tIN\tA\t192.0.2.3\n",
    );
}

#[test]
fn lines_without_owner_keep_theirs() {
    holds(
        "the line on which another leans moves up",
        "gauge A 192.0.2.1\n  A 192.0.2.2\n  TXT x\n",
        &gauge(&["192.0.2.2"]),
        "gauge A 192.0.2.2\n  TXT x\n",
    );
    holds(
        "all new",
        "gauge A 192.0.2.1\n  A 192.0.2.2\n  TXT x\n",
        &gauge(&["192.0.2.7"]),
        "gauge A 192.0.2.7\n  TXT x\n",
    );
    holds(
        "leaning members only",
        "gauge A 192.0.2.1\n  A 192.0.2.2\n  A 192.0.2.3\n",
        &gauge(&["192.0.2.2", "192.0.2.3"]),
        "gauge A 192.0.2.2\n  A 192.0.2.3\n",
    );
    holds(
        "two lines that must stay and one address: a duplicate (RFC 2181, 5)",
        "gauge A 192.0.2.1\n  TXT x\ncam TXT y\ngauge A 192.0.2.2\n  TXT z\n",
        &gauge(&["192.0.2.7"]),
        "gauge A 192.0.2.7\n  TXT x\ncam TXT y\ngauge A 192.0.2.7\n  TXT z\n",
    );
    holds(
        "a new address rather than one that has a line",
        "gauge A 192.0.2.1\n  TXT x\ngauge A 192.0.2.2\n",
        &gauge(&["192.0.2.2", "192.0.2.7"]),
        "gauge A 192.0.2.7\n  TXT x\ngauge A 192.0.2.2\n",
    );
    holds(
        "a duplicate that must stay, as it is",
        "gauge A 192.0.2.1\n  TXT x\ngauge A 192.0.2.2\n  TXT y\ngauge A 192.0.2.2\n  TXT z\ngauge A 192.0.2.3\n",
        &gauge(&["192.0.2.1", "192.0.2.2"]),
        "gauge A 192.0.2.1\n  TXT x\ngauge A 192.0.2.2\n  TXT y\ngauge A 192.0.2.2\n  TXT z\n",
    );
    holds(
        "a member that stays elsewhere; the whole run goes",
        "gauge A 192.0.2.1\ncam TXT y\ngauge A 192.0.2.2\n  A 192.0.2.3\n",
        &gauge(&["192.0.2.1"]),
        "gauge A 192.0.2.1\ncam TXT y\n",
    );
    holds(
        "both RRsets of a name at once",
        "gauge A 192.0.2.1\n  AAAA 2001:db8::1\n  AAAA 2001:db8::2\n  A 192.0.2.2\nmill A 192.0.2.9\n",
        &[("gauge", 300, &["192.0.2.2"]), ("gauge", 300, &["2001:db8::2"])],
        "gauge A 192.0.2.2\n  AAAA 2001:db8::2\nmill A 192.0.2.9\n",
    );
}

/// BIND gives a run of one owner the TTL of its first member, and of several runs the last counts (measured with
/// named-compilezone 9.18): what ends a run must go on to do so.
#[test]
fn a_line_that_parts_two_runs_stays() {
    holds(
        "the one that is wanted, moved there",
        "gauge A 192.0.2.1\ncam 60 A 192.0.2.3\ngauge A 192.0.2.2\ncam 90 A 192.0.2.4\n",
        &gauge(&["192.0.2.1"]),
        "cam 60 A 192.0.2.3\ngauge A 192.0.2.1\ncam 90 A 192.0.2.4\n",
    );
    holds(
        "one of two, and a duplicate (RFC 2181, 5)",
        "gauge A 192.0.2.1\n  TXT x\ncam 60 A 192.0.2.3\ngauge A 192.0.2.2\n  A 192.0.2.5\ncam 90 A 192.0.2.4\n",
        &gauge(&["192.0.2.1"]),
        "gauge A 192.0.2.1\n  TXT x\ncam 60 A 192.0.2.3\ngauge A 192.0.2.1\ncam 90 A 192.0.2.4\n",
    );
    holds(
        "not where the TTLs are the same",
        "gauge A 192.0.2.1\ncam 60 A 192.0.2.3\ngauge A 192.0.2.2\ncam 60 A 192.0.2.4\n",
        &gauge(&["192.0.2.1"]),
        "gauge A 192.0.2.1\ncam 60 A 192.0.2.3\ncam 60 A 192.0.2.4\n",
    );
    holds(
        "spelled otherwise",
        "gauge A 192.0.2.1\n  60 TXT a\nGAUGE A 192.0.2.2\ngauge 90 TXT b\n",
        &gauge(&["192.0.2.1"]),
        "gauge A 192.0.2.1\n  60 TXT a\nGAUGE A 192.0.2.1\ngauge 90 TXT b\n",
    );
    holds(
        "across a name server's address",
        "@ NS ns1\n@ 60 TXT a\nns1 A 192.0.2.9\ngauge A 192.0.2.1\n@ 90 TXT b\ngauge A 192.0.2.2\n",
        &gauge(&["192.0.2.2"]),
        "@ NS ns1\n@ 60 TXT a\nns1 A 192.0.2.9\ngauge A 192.0.2.2\n@ 90 TXT b\n",
    );
    holds(
        "a new line is spelled as its run",
        "Gauge 60 TXT a\nGauge A 192.0.2.1\nGauge 90 TXT b\n",
        &gauge(&["192.0.2.1", "192.0.2.2"]),
        "Gauge 60 TXT a\nGauge A 192.0.2.1\nGauge.heronmill.example.\t300\tIN\tA\t192.0.2.2\nGauge 90 TXT b\n",
    );
}

#[test]
fn inherited_ttls_stay_where_there_is_no_default() {
    // RFC 1035, section 5.1: an omitted TTL is the last stated one.
    let soa = "@ 3600 SOA ns1 keeper 7 1h 10m 4w 5m\n";
    let go = |body: &str, wants: &[Want<'_>]| {
        run(&format!("{soa}{body}"), wants)
            .map(|file| file.strip_prefix(&soa.replace(" 7 ", " 8 ")).unwrap().to_owned())
    };
    assert_eq!(
        go("gauge 60 A 192.0.2.1\nmill A 192.0.2.2\n", &[("gauge", 60, &["192.0.2.7"])]),
        Ok("gauge 60 A 192.0.2.7\nmill A 192.0.2.2\n".into())
    );
    assert_eq!(
        go("gauge 60 A 192.0.2.1\nmill A 192.0.2.2\n", &[("gauge", 120, &["192.0.2.1"])]),
        Err("mill.zone, line 3: the A record of mill.heronmill.example states no TTL and would inherit a changed one \
             (RFC 1035, 5.1); state its TTL, or begin the file with $TTL"
            .into())
    );
    assert_eq!(
        go("gauge 60 A 192.0.2.1\nmill 60 A 192.0.2.2\n", &[("gauge", 120, &["192.0.2.1"])]),
        Ok("gauge 120 A 192.0.2.1\nmill 60 A 192.0.2.2\n".into())
    );
    // Measured with named-compilezone 9.18: mill has 60 here, the TTL of the first member; by the letter it has 90.
    let uneven = go("gauge 60 A 192.0.2.1\ngauge 90 A 192.0.2.2\nmill A 192.0.2.2\n", &[("gauge", 60, &["192.0.2.1"])]);
    assert!(uneven.is_err_and(|why| {
        why.contains("line 4: the A record of mill.heronmill.example states no TTL and inherits from")
    }));
    // The new record goes to the end where nothing inherits from it.
    assert_eq!(
        go("gauge A 192.0.2.1\nmill A 192.0.2.2\n", &[("gauge", 60, &["2001:db8::1"])]),
        Ok("gauge A 192.0.2.1\nmill A 192.0.2.2\ngauge.heronmill.example.\t60\tIN\tAAAA\t2001:db8::1\n".into())
    );
    assert_eq!(
        go(
            "cam AAAA 2001:db8::2\ngauge A 192.0.2.1\ncam AAAA 2001:db8::1\nmill A 192.0.2.2\n",
            &[("cam", 3600, &["2001:db8::2"]), ("gauge", 60, &["2001:db8::7"])]
        ),
        Ok("cam AAAA 2001:db8::2\ngauge A 192.0.2.1\nmill A 192.0.2.2\n\
            gauge.heronmill.example.\t60\tIN\tAAAA\t2001:db8::7\n"
            .into()),
        "the next record is the next that stays"
    );
    // A member that inherited, and loses the line it inherited from, states its TTL; the one after it is served as before.
    assert_eq!(
        go("gauge 60 A 192.0.2.1\ngauge A 192.0.2.2\nmill A 192.0.2.3\n", &[("gauge", 60, &["192.0.2.2"])]),
        Ok("gauge 60 A 192.0.2.2\nmill A 192.0.2.3\n".into())
    );
}

#[test]
fn what_was_not_read_is_not_written() {
    let zone = DnsName::parse("heronmill.example").unwrap();
    let head = "$TTL 5m\n@ SOA ns1 keeper 7 1h 10m 4w 5m\n";
    let file = format!("{head}gauge A 192.0.2.1\n");
    let wants: &[Want<'_>] = &[("gauge", 300, &["192.0.2.7"])];
    let planned = changes(&file, wants);
    for now in [
        "gauge A 192.0.2.2\n",
        "gauge 60 A 192.0.2.1\n",
        "gauge A 192.0.2.1\n A 192.0.2.2\n",
        "",
        "gauge CNAME x\n",
        "gauge A 192.0.2.1\ngauge NS x\n",
    ] {
        let problem = edit(format!("{head}{now}").as_bytes(), &zone, &planned, TODAY).unwrap_err();
        let fault = problem.into_fault("mill.zone");
        assert_eq!(fault.kind, FaultKind::Conflict, "{now:?}");
        assert_eq!(fault.to_string(), "mill.zone: gauge.heronmill.example A is not as it was read");
    }
    let elsewhere = [Change { name: DnsName::parse("ferry.example").unwrap(), before: None, ..planned[0].clone() }];
    let fault = edit(file.as_bytes(), &zone, &elsewhere, TODAY).unwrap_err().into_fault("mill.zone");
    assert_eq!(
        (fault.kind, fault.why.as_str()),
        (FaultKind::Refused, "mill.zone: ferry.example is not in heronmill.example")
    );
}

#[test]
fn what_is_in_place_is_left_alone() {
    assert_eq!(
        run("$TTL 5m\n@ SOA a b 7 1 1 1 1\ngauge A 192.0.2.1\n", &[("gauge", 300, &["192.0.2.1"])]),
        Ok("nothing to do".into())
    );
}

#[test]
fn a_date_serial_becomes_today_s() {
    let got = run("$TTL 5m\n@ SOA a b 2026112003 1 1 1 1\n", &[("gauge", 300, &["192.0.2.1"])]).unwrap();
    assert!(got.contains("b 2026112400 1"), "{got}");
}

#[test]
fn a_wrong_edit_would_not_be_written() {
    let zone = DnsName::parse("heronmill.example").unwrap();
    let file = "$TTL 5m\n@ SOA a b 7 1 1 1 1\ngauge A 192.0.2.1\n  TXT x ; note\ncam A 192.0.2.2\n";
    let right = file.replace(" 7 ", " 8 ").replace("192.0.2.1", "192.0.2.7");
    let wanted = changes(file, &gauge(&["192.0.2.7"])).into_iter().map(|c| ((c.name, c.rtype), c.after)).collect();
    let checked = |edited: &str| {
        let master = Master::scan(file.as_bytes(), zone.as_str()).unwrap();
        check(&master, edited.as_bytes(), &zone, &wanted, 8)
            .map_err(|problem| problem.into_fault("mill.zone").to_string())
    };
    assert_eq!(checked(&right), Ok(()));
    for (from, to, want) in [
        (" 8 ", " 9 ", "the serial is not raised"),
        ("192.0.2.7", "192.0.2.8", "gauge.heronmill.example A is not as wanted"),
        ("192.0.2.7", "192.0.2.7\n A 192.0.2.8", "gauge.heronmill.example A is not as wanted"),
        ("192.0.2.7", "192.0.2.7\n 600 A 192.0.2.7", "gauge.heronmill.example A is not as wanted"),
        ("gauge", "gauge 60", "gauge.heronmill.example A is not as wanted"),
        ("TXT x", "TXT y", "another record has changed"),
        ("TXT x", "60 TXT x", "another record has changed"),
        ("  TXT", "mill TXT", "another record has changed"),
        ("  TXT", "$ORIGIN x\n TXT", "another record has changed"),
        ("cam", "cam A 192.0.2.2\ncam", "another record has changed"),
        ("cam A 192.0.2.2\n", "", "another record has changed"),
        ("b 8 1", "b 8 2", "another record has changed"),
        ("cam A", "cam (A", "a parenthesis is opened and never closed"),
    ] {
        let said = checked(&right.replacen(from, to, 1)).unwrap_err();
        assert_eq!(
            said,
            format!(
                "mill.zone: the edited file would not be right: {want}; this is a bug of fingerpost: please report it; nothing was written"
            )
        );
    }
}
