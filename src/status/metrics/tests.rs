use super::*;

#[test]
fn a_label_ends_where_it_should() {
    let mut status: Status = serde_json::from_str(include_str!("../../../tests/status/status.json")).unwrap();
    status.records.truncate(1);
    status.records[0].provider = "a\"b\\c\nd".to_owned();
    let text = render(&status);
    let line =
        r#"fingerpost_record_state{name="gauge.heronmill.example",type="A",provider="a\"b\\c\nd",state="in step"} 1"#;
    assert!(text.lines().any(|found| found == line), "{text}");
    assert!(text.ends_with("# EOF\n"));
}

#[test]
fn a_time_that_is_not_known_has_no_sample() {
    let mut status: Status = serde_json::from_str(include_str!("../../../tests/status/status.json")).unwrap();
    let name = "\nfingerpost_last_ruling_timestamp_seconds{";
    assert!(render(&status).contains(name) && is_ready(&status));
    status.homes[0].last_ruling = None;
    assert!(!render(&status).contains(name) && !is_ready(&status));
}
