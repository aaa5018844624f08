//! Bad configurations, by the table in `config/bad.txt`: each is refused with its message, which names file, line and
//! key; and nothing that anybody can write makes the reading panic.

#![expect(clippy::unwrap_used, clippy::panic, reason = "a test fails by panicking")]

#[path = "common/config.rs"]
mod common;

use common::{BASE, Home};
use proptest::prelude::*;

const TABLE: &str = include_str!("config/bad.txt");
const EXAMPLE: &str = include_str!("../config/fingerpost.toml");

/// What is replaced in the base, by what, and the message.
struct Case {
    from: String,
    to: String,
    message: String,
}

impl Case {
    fn text(&self) -> String {
        if self.from == "*" {
            return self.to.clone();
        }
        assert_eq!(BASE.matches(&self.from).count(), 1, "{:?} must stand once in the base", self.from);
        BASE.replace(&self.from, &self.to)
    }
}

fn cases() -> Vec<Case> {
    let part = |block: &str, mark: &str| {
        let lines = block.lines().filter_map(|line| line.strip_prefix(mark));
        lines.map(|line| line.strip_prefix(' ').unwrap_or(line)).collect::<Vec<_>>().join("\n")
    };
    let blocks = TABLE.split("\n\n").filter(|block| block.starts_with('<'));
    blocks.map(|block| Case { from: part(block, "<"), to: part(block, ">"), message: part(block, "!") }).collect()
}

#[test]
fn every_bad_file_has_its_message() {
    let cases = cases();
    assert!(cases.len() >= 60, "only {} cases were read", cases.len());
    let mut wrong = String::new();
    for case in &cases {
        let got = Home::new().problems(&case.text());
        if got != case.message {
            wrong += &format!("\n< {}\n> {}\nwanted\n{}\ngot\n{got}\n", case.from, case.to, case.message);
        }
    }
    assert!(wrong.is_empty(), "{wrong}");
}

#[test]
fn every_message_names_file_and_key() {
    for case in cases() {
        for line in case.message.lines() {
            let (place, rest) = line.split_once(": ").unwrap();
            assert!(
                place == "fingerpost.toml" || place.strip_prefix("fingerpost.toml:").unwrap().parse::<u32>().is_ok()
            );
            // Without syntax there is no key, only a column; and what is not there at all has none.
            let names = rest.split_once(": ").is_some_and(|(key, _)| key.starts_with("column ") || !key.contains(' '));
            assert!(names || rest.contains(".\"") || rest.starts_with("no [[witness]]"), "{line}");
        }
    }
}

#[test]
fn the_base_is_good() {
    let home = Home::new();
    let loaded = home.load(BASE);
    assert_eq!(loaded.notes, []);
    assert_eq!((loaded.config.witnesses.len(), loaded.config.providers.len(), loaded.config.records.len()), (3, 2, 1));
}

#[test]
fn all_problems_are_told_at_once_in_the_order_of_the_file() {
    let text = BASE
        .replace("every = \"5m\"", "every = 5")
        .replace("\"ferryman\"", "\"\"")
        .replace("kind = \"zonefile\"", "kind = \"zone\"")
        .replace("ttl =", "tll =")
        .replace("burst = 3", "burst = 0");
    let got = Home::new().problems(&text);
    let keys: Vec<_> = got.lines().map(|line| line.split(": ").nth(1).unwrap()).collect();
    let wanted = ["watch.every", "witness[1].operator", "provider.shelf.kind", "record[0].tll", "limits.burst"];
    assert_eq!(keys, wanted, "{got}");
}

#[test]
fn a_file_that_cannot_be_read_says_what_to_do() {
    let home = Home::new();
    std::fs::remove_file(home.file()).unwrap();
    let error = home.problems_as_it_is();
    assert!(error.starts_with("fingerpost.toml: cannot be read: No such file or directory"), "{error}");
    assert!(error.ends_with("or name another with --config"), "{error}");

    std::fs::create_dir(home.file()).unwrap();
    let error = home.problems_as_it_is();
    assert!(
        error.starts_with("fingerpost.toml: cannot be read: it is a directory and not a regular file; name another"),
        "{error}"
    );
}

#[test]
fn a_file_that_is_no_text_or_far_too_large_is_refused() {
    let home = Home::new();
    std::fs::write(home.file(), b"state_dir = \"x\"\n\xff\n").unwrap();
    assert_eq!(home.problems_as_it_is(), "fingerpost.toml:2: not UTF-8; save it as UTF-8");
    std::fs::write(home.file(), vec![b'\n'; (8 << 20) + 1]).unwrap();
    assert!(home.problems_as_it_is().contains("more than 8 MiB"));
}

#[test]
fn deep_nesting_is_refused_and_not_followed() {
    let deep = format!("x = {}{}", "[".repeat(100_000), "]".repeat(100_000));
    let got = Home::new().problems(&deep);
    assert!(got.contains("not TOML"), "{}", &got[..got.len().min(200)]);
    let mut home = Home::new();
    home.env(&format!("FINGERPOST{}", "_A_".repeat(100_000)), "x");
    assert!(home.problems(BASE).contains(": this variable names no key; "));
    for deep in ["[", "{a=", "\"["] {
        let mut home = Home::new();
        home.env("FINGERPOST_WATCH__EVERY", &deep.repeat(100_000));
        assert!(home.problems(BASE).starts_with("FINGERPOST_WATCH__EVERY: "));
    }
}

/// An example with every key set.
fn uncommented() -> String {
    let line = |line: &'static str| line.strip_prefix('#').filter(|rest| !rest.starts_with(' ')).unwrap_or(line);
    EXAMPLE.lines().map(line).collect::<Vec<_>>().join("\n")
}

proptest! {
    #![proptest_config(ProptestConfig { failure_persistence: None, ..ProptestConfig::default() })]

    #[test]
    fn a_truncated_file_does_not_panic(at in 0..20_000usize) {
        let text = uncommented();
        let end = text.floor_char_boundary(at.min(text.len()));
        let _ = Home::new().try_load(&text[..end]);
    }

    #[test]
    fn a_mutated_file_does_not_panic(at in 0..20_000usize, cut in 0..40usize, put in r#"[\[\]{}="'.,\n a-z0-9é]{0,12}"#) {
        let text = uncommented();
        let start = text.floor_char_boundary(at % text.len());
        let end = text.floor_char_boundary((start + cut).min(text.len()));
        let _ = Home::new().try_load(&format!("{}{put}{}", &text[..start], &text[end.max(start)..]));
    }

    #[test]
    fn values_of_any_type_do_not_panic(
        key in 0..60usize,
        value in prop::sample::select(vec![
            "0", "-1", "9223372036854775807", "1.5", "nan", "inf", "true", "\"\"", "\"x\"", "\"::\"", "\"é\\u0000\"",
            "[]", "[[]]", "[{}]", "{}", "{ a.b = 1 }", "1979-05-27T07:32:00Z", "\"18446744073709551615s\"",
        ]),
    ) {
        let lines: Vec<_> = BASE.lines().collect();
        let settable: Vec<_> = (0..lines.len()).filter(|at| lines[*at].contains(" = ")).collect();
        let at = settable[key % settable.len()];
        let name = lines[at].split(" = ").next().unwrap();
        let line = format!("{name} = {value}");
        let text: Vec<_> = lines.iter().enumerate().map(|(n, old)| if n == at { line.as_str() } else { old }).collect();
        let _ = Home::new().try_load(&text.join("\n"));
    }

    #[test]
    fn an_environment_of_any_kind_does_not_panic(name in "FINGERPOST_[A-Z_.=é-]{0,20}", value in r#"[\[\]{}="'.,\\ a-z0-9é-]{0,20}"#) {
        let mut home = Home::new();
        home.env(&name, &value);
        let _ = home.try_load(BASE);
    }
}
