//! The metrics, read by those who read them.

use std::process::{Command, Stdio};

use fingerpost::status::{Status, metrics};

use crate::{Mill, got, page_of, python};

/// Prints the number of samples, by a parser of the format's makers.
const PARSE: &str = "import sys\nfrom prometheus_client.openmetrics.parser import text_string_to_metric_families as parse\n\
                     families = list(parse(sys.stdin.read()))\n\
                     for family in families:\n  for sample in family.samples:\n    print(sample.name, sorted(sample.labels.items()), sample.value)\n";

#[test]
#[ignore = "needs python3 with prometheus_client, and promtool: tests/all.sh runs it"]
fn those_of_a_daemon_are_read_by_their_readers() {
    let mill = Mill::new("[status]\nlisten = \"127.0.0.1:0\"\n");
    let daemon = mill.daemon();
    let text = got(page_of(&daemon), "/metrics");
    daemon.stop();
    let samples = python(&["-c", PARSE], &text);
    for sample in [
        "fingerpost_record_state [('name', 'gauge.heronmill.example'), ('provider', 'home'), ('state', 'in step'), ('type', 'A')] 1",
        "fingerpost_record_state [('name', 'cam.heronmill.example'), ('provider', 'home'), ('state', 'blocked'), ('type', 'A')] 1",
        "fingerpost_operators_agreed [('family', 'ipv4'), ('line', '')] 3",
        "fingerpost_provider_on_hold [('provider', 'home')] 0",
    ] {
        assert!(samples.lines().any(|line| line == sample), "{sample}\n{samples}");
    }
    promtool(&text);
}

/// What strangers could put into a label: they choose no names, but an owner may, and APIs do.
#[test]
#[ignore = "needs python3 with prometheus_client, and promtool: tests/all.sh runs it"]
fn hostile_labels_stay_labels() {
    let hostile = "mill\"} 1\nfingerpost_evil{x=\"\\ \u{1f}</script>\u{202e}";
    let mut status: Status = serde_json::from_str(include_str!("status.json")).unwrap();
    status.records[0].provider = hostile.to_owned();
    status.homes[0].agreed = vec![hostile.to_owned()];
    let text = metrics::render(&status);
    let samples = python(&["-c", PARSE], &text);
    assert!(samples.contains("fingerpost_record_state") && !samples.contains("\nfingerpost_evil"), "{samples}");
    // As it was, but for what would turn or hide text: down to its last character.
    let shown = "mill\"} 1\nfingerpost_evil{x=\"\\ \\u{1f}</script>\\u{202e}";
    let label =
        format!("('provider', {})", python(&["-c", "import sys; print(repr(sys.stdin.read()), end='')"], shown));
    assert!(samples.contains(&label), "{label}\n{samples}");
    promtool(&text);
}

/// `promtool check metrics` finds nothing to say about the text, which is OpenMetrics: it is read without its end mark and
/// units, in the older form that promtool reads.
#[track_caller]
fn promtool(text: &str) {
    let older: Vec<&str> = text.lines().filter(|line| !line.starts_with("# UNIT") && *line != "# EOF").collect();
    // There a counter's name is that of its samples.
    let older = older.iter().map(|line| match line.split(' ').collect::<Vec<_>>().as_slice() {
        ["#", "TYPE" | "HELP", name, ..] if is_counter(text, name) => line.replacen(name, &format!("{name}_total"), 1),
        _ => (*line).to_owned(),
    });
    let older = older.collect::<Vec<_>>().join("\n") + "\n";
    let mut child = Command::new("promtool")
        .args(["check", "metrics"])
        .stdin(Stdio::piped())
        .stdout(Stdio::piped())
        .stderr(Stdio::piped())
        .spawn()
        .expect("this test needs promtool");
    std::io::Write::write_all(&mut child.stdin.take().unwrap(), older.as_bytes()).unwrap();
    let said = child.wait_with_output().unwrap();
    assert!(said.status.success(), "{}\n{older}", String::from_utf8_lossy(&said.stderr));
}

fn is_counter(text: &str, name: &str) -> bool {
    text.contains(&format!("# TYPE {name} counter\n"))
}

#[test]
#[ignore = "needs promtool: tests/all.sh runs it"]
fn the_example_alerts_hold_and_name_what_there_is() {
    let file = concat!(env!("CARGO_MANIFEST_DIR"), "/config/alerts.yml");
    let said = Command::new("promtool").args(["check", "rules", file]).output().expect("this test needs promtool");
    assert!(said.status.success(), "{said:?}");
    let cases = concat!(env!("CARGO_MANIFEST_DIR"), "/tests/status/alerts.yml");
    let said = Command::new("promtool").args(["test", "rules", cases]).output().expect("this test needs promtool");
    assert!(said.status.success(), "{said:?}");
    let status: Status = serde_json::from_str(include_str!("status.json")).unwrap();
    let (text, rules) = (metrics::render(&status), std::fs::read_to_string(file).unwrap());
    let named =
        rules.split(|c: char| !c.is_ascii_alphanumeric() && c != '_').filter(|word| word.starts_with("fingerpost_"));
    let mut count = 0;
    for name in named {
        assert!(text.contains(&format!("\n{name}")), "{name} is no metric");
        count += 1;
    }
    assert!(count > 5);
}
