use super::*;
use crate::name::DnsName;
use crate::status::model::Record;

fn status() -> Status {
    serde_json::from_str(include_str!("../../../tests/status/status.json")).unwrap()
}

#[test]
fn a_name_has_one_arm_which_is_as_bad_as_its_worst_record() {
    let page = render(&status());
    assert_eq!(page.matches("class=\"arm ").count(), 3);
    assert_eq!(page.matches("class=\"arm hanging\"").count(), 1);
    assert!(page.contains("ns2.heronmill.example still serves serial 2026112401"));
    assert!(page.contains("<title>fingerpost: 2 things need you</title>"));
}

#[test]
fn ten_thousand_names_make_no_endless_page() {
    let mut status = status();
    let blocked = status.records.pop().unwrap();
    let one = |number| Record {
        name: DnsName::parse(&format!("n{number}.heronmill.example")).unwrap(),
        ..status.records[0].clone()
    };
    status.records = (0..10_000).map(one).chain([blocked]).collect();
    let page = render(&status);
    assert!(page.len() < 100_000, "{}", page.len());
    assert!(page.contains("And 9941 more names"));
    // What needs a person is not among those left out.
    assert!(page.contains("<strong>cam.heronmill.example</strong>"));
}

#[test]
fn whatever_stands_in_a_name_stands_there_as_text() {
    let mut status = status();
    let hostile = "</strong><script>alert(1)</script>\" onload='x' {{ 7 * 7 }}";
    status.records[0].note = hostile.to_owned();
    status.witnesses[0].name = hostile.to_owned();
    let page = render(&status);
    assert!(!page.contains("<script>alert") && !page.contains("onload='x'") && !page.contains(" 49"), "{page}");
    assert_eq!(page.matches("<script").count(), 1);
}
