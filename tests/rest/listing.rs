//! What is told of a whole zone, for those who look for an address in it.

use fingerpost::provider::listing::Part;
use fingerpost::provider::zonefile::ZoneFile;
use fingerpost::provider::{FaultKind, Provider};
use serde_json::json;

use crate::common::powerdns::{API_KEY, PowerDns};
use crate::common::record_api::RecordApi;
use crate::common::*;
use crate::{POWERDNS, RECORD, RRSET, TIMEOUT, changed, faulty, own, rest, run_case};

/// Everything but the SOA, as `owner type data`, sorted.
fn listed(provider: &dyn Provider) -> Vec<String> {
    let records = run_case(provider.list()).unwrap();
    let mut lines: Vec<String> = records
        .into_iter()
        .map(|record| {
            let part = |part| match part {
                Part::Address(address) => address.to_string(),
                Part::Range(range) => range.to_string(),
                Part::Hint(address) => format!("hint {address}"),
                Part::Name(target) | Part::Mailbox(target) => format!("-> {target}"),
                Part::Text(text) => format!("{text:?}"),
                Part::Strings(strings) => format!("{strings:?}"),
            };
            let data: Vec<String> = record.data.into_iter().map(part).collect();
            let owner = record.name.strip_suffix(".heronmill.example").unwrap_or("@");
            format!("{owner} {} {}", record.rtype, data.join(" "))
        })
        .filter(|line| !line.starts_with("@ SOA "))
        .collect();
    lines.sort();
    lines
}

#[test]
fn what_an_api_writes_in_its_own_way_is_understood() {
    let cases: &[(&str, &str, &str)] = &[
        ("A", "203.0.113.77", "203.0.113.77"),
        ("AAAA", "2001:DB8:5::77", "2001:db8:5::77"),
        ("A", "behind 203.0.113.77", "\"behind 203.0.113.77\""),
        ("CNAME", "Weir.heronmill.example", "-> weir.heronmill.example"),
        ("CNAME", "weir.heronmill.example.", "-> weir.heronmill.example"),
        ("CNAME", "a..b", "\"a..b\""),
        ("MX", "10 weir.heronmill.example.", "-> weir.heronmill.example"),
        // The priority in a field of its own.
        ("MX", "weir.heronmill.example", "-> weir.heronmill.example"),
        ("SRV", "0 5 5060 weir.heronmill.example.", "-> weir.heronmill.example"),
        ("SRV", "5 5060 weir.heronmill.example", "-> weir.heronmill.example"),
        ("HTTPS", "1 . alpn=h2 ipv4hint=203.0.113.77", "\"h2\" hint 203.0.113.77"),
        ("HTTPS", ". alpn=h2 \"ipv6hint=2001:db8:5::77\"", "\"h2\" hint 2001:db8:5::77"),
        ("SVCB", "0 weir.heronmill.example.", "-> weir.heronmill.example"),
        ("TXT", "\"v=spf1 ip4:203.0.113.\" \"77 -all\"", "[\"v=spf1 ip4:203.0.113.\", \"77 -all\"]"),
        ("TXT", "v=spf1 ip4:203.0.113.77 -all", "\"v=spf1 ip4:203.0.113.77 -all\""),
        ("TXT", "port; 203.0.113.77 (\"old\")", "\"port; 203.0.113.77 (\\\"old\\\")\""),
        ("SPF", "v=spf1 ip4:203.0.113.77 -all", "\"v=spf1 ip4:203.0.113.77 -all\""),
        ("ALIAS", "weir.heronmill.example", "-> weir.heronmill.example"),
        ("NEWTYPE", "at 203.0.113.77", "\"at 203.0.113.77\""),
    ];
    for (rtype, content, told) in cases {
        let api = RecordApi::start(ZONE);
        api.zone().add(ZONE, "SOA", 300, "ns1 hostmaster 1 3600 900 604800 300");
        api.zone().add("x.heronmill.example", rtype, 300, content);
        assert_eq!(listed(&own(RECORD, &api.url())), [format!("x {rtype} {told}")], "{content}");
    }
}

#[test]
fn what_is_not_published_or_has_another_form_is_told_as_it_is() {
    let api = RecordApi::start(ZONE);
    let hidden = api.zone().add("hidden.heronmill.example", "A", 300, "203.0.113.77");
    let odd = api.zone().add("odd.heronmill.example", "MX", 300, "");
    {
        let records = &mut api.zone().records;
        records.get_mut(&hidden).unwrap().insert("off".into(), json!(true));
        records.get_mut(&odd).unwrap().insert("points_to".into(), json!({ "host": "203.0.113.77" }));
    }
    let lines = listed(&own(&changed(RECORD, "#disabled = \"/resting\"", "disabled = \"/off\""), &api.url()));
    let [line] = lines.as_slice() else { panic!("{lines:?}") };
    assert!(line.starts_with("odd MX ") && line.contains("203.0.113.77"), "{line}");
}

#[test]
fn relative_names_are_the_zones() {
    let api = RecordApi::start(ZONE);
    api.zone().add(ZONE, "A", 300, "203.0.113.77");
    api.zone().add("cam.heronmill.example", "CNAME", 300, "weir");
    api.zone().add("ftp.heronmill.example", "CNAME", 300, "@");
    api.zone().add("www.heronmill.example", "CNAME", 300, "gauge.quayside.example");
    api.zone().add("*.lab.heronmill.example", "A", 300, "203.0.113.77");
    api.zone().add("*.lab.heronmill.example", "A", 300, "203.0.113.78");
    let wanted = [
        "*.lab A 203.0.113.77",
        "*.lab A 203.0.113.78",
        "@ A 203.0.113.77",
        "cam CNAME -> weir.heronmill.example",
        "ftp CNAME -> heronmill.example",
        "www CNAME -> gauge.quayside.example",
    ];
    assert_eq!(listed(&own(RRSET, &api.url())), wanted);
}

#[test]
fn a_description_that_asks_for_one_name_at_a_time_lists_nothing() {
    let api = RecordApi::start(ZONE);
    let description = changed(RECORD, "room=100{&page}", "room=100{&page,name}");
    let outcome = run_case(own(&description, &api.url()).list());
    let way = "write a `list` that shows the whole zone, if the API has one";
    faulty(outcome, FaultKind::Refused, &["asks http://127.0.0.1:", "for one name at a time", way]);
}

/// The reading of master files is held against BIND's elsewhere.
#[test]
#[ignore = "needs pdns_server: tests/all.sh runs it"]
fn powerdns_tells_what_its_master_file_says() {
    let lines = "gauge A 198.51.100.70\ngauge HTTPS 1 . alpn=h2 ipv4hint=198.51.100.70,198.51.100.71\n@ MX 10 mail.quayside.example.\n\
                 @ TXT \"v=spf1 ip4:203.0.113.\" \"77 -all\"\nnote TXT \"a \\\"b\\\" ; c\"\nwww CNAME gauge\n*.lab AAAA 2001:db8:5::77\n\
                 _sip._tcp SRV 0 5 5060 weir\nold DNAME new.example.\nt CAA 0 issue \"ca.example\"\nx SVCB 0 weir.heronmill.example.\n";
    let zone = ZoneSetup { grants: Vec::new(), ..ZoneSetup::new(lines) };
    let dir = tempfile::tempdir().unwrap();
    std::fs::write(dir.path().join("zone"), zone.master_file()).unwrap();
    let server = DnsServer::start::<PowerDns>(&[], &[zone]);
    let file = ZoneFile::new(dns(ZONE), dir.path().join("zone"), Vec::new(), TIMEOUT);
    let lines = listed(&rest(POWERDNS, &PowerDns::api(&server), API_KEY, TIMEOUT));
    assert_eq!(lines, listed(&file));
    assert_eq!(lines.len(), 13);
}
