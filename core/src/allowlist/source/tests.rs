use crate::testing::like;
use proptest::prelude::*;

use super::*;

fn json_form(lists: &[&str], item: &str) -> ListForm {
    ListForm::Json { lists: lists.iter().map(ToString::to_string).collect(), item: item.to_owned() }
}

fn shown(listed: &Listed) -> Vec<String> {
    listed.set.prefixes().map(|net| net.to_string()).collect()
}

#[test]
fn lines_are_read_as_people_write_them() {
    for (text, want) in [
        ("192.0.2.0/24", &["192.0.2.0/24"][..]),
        ("192.0.2.0/25\n192.0.2.128/25\n", &["192.0.2.0/24"]),
        ("192.0.2.0/24\r\n2001:db8::/32\r\n", &["192.0.2.0/24", "2001:db8::/32"]),
        ("\u{feff}192.0.2.0/24\n", &["192.0.2.0/24"]),
        (
            "\u{feff}# the weir's ranges\r\n\r\n192.0.2.0/24 # north\n\t2001:DB8::/32 ; south\n",
            &["192.0.2.0/24", "2001:db8::/32"],
        ),
        ("192.0.2.7\n2001:db8::1", &["192.0.2.7/32", "2001:db8::1/128"]),
        // Told without a note here; the bounds refuse it.
        ("0.0.0.0/0", &["0.0.0.0/0"]),
    ] {
        let listed = read(&ListForm::Lines, Some("text/plain"), text.as_bytes()).unwrap();
        assert_eq!(shown(&listed), want, "{text:?}");
        assert!(listed.notes.is_empty(), "{text:?}: {:?}", listed.notes);
    }
}

#[test]
fn what_is_untidy_is_put_right_and_told() {
    let listed = read(&ListForm::Lines, None, b"192.0.2.77/24\n2001:db8::1/32\n192.0.2.0/24\n192.0.2.0/24\n").unwrap();
    assert_eq!(shown(&listed), ["192.0.2.0/24", "2001:db8::/32"]);
    assert_eq!(
        listed.notes,
        [
            "192.0.2.77/24 has bits set behind its prefix: taken for 192.0.2.0/24",
            "2001:db8::1/32 has bits set behind its prefix: taken for 2001:db8::/32",
            "2 ranges are listed more than once"
        ]
    );
    let many: String = (0..5).map(|n| format!("192.0.{n}.1/24\n")).collect();
    let notes = read(&ListForm::Lines, None, many.as_bytes()).unwrap().notes;
    assert_eq!((notes.len(), notes[3].as_str()), (4, "and 2 more ranges with bits set behind their prefix"));
    assert_eq!(read(&ListForm::Lines, None, b"192.0.2.0/24\n192.0.2.0/24").unwrap().notes, ["1 range is listed twice"]);
}

#[test]
fn what_is_no_list_of_ranges_is_refused_whole() {
    let line = |line, said: &str| Unreadable::Line { line, said: said.into() };
    for (content_type, text, want) in [
        (None, "", Unreadable::Empty),
        (None, "\u{feff}\r\n# nothing yet\n", Unreadable::Empty),
        (None, "<!DOCTYPE html><p>192.0.2.0/24", Unreadable::Page),
        (None, "\u{feff} <html>", Unreadable::Page),
        (Some("text/html; charset=utf-8"), "192.0.2.0/24", Unreadable::Page),
        (None, "192.0.2.0/24\nthe rest follows", line(2, "the rest follows")),
        (None, "192.0.2.0/33", line(1, "192.0.2.0/33")),
        (None, "192.0.2.0/-1", line(1, "192.0.2.0/-1")),
        (None, "192.0.2.0/+24", line(1, "192.0.2.0/+24")),
        (None, "192.0.2.0/", line(1, "192.0.2.0/")),
        (None, "192.0.2/24", line(1, "192.0.2/24")),
        (None, "192.0.02.0/24", line(1, "192.0.02.0/24")),
        (None, "192.0.2.0/24,198.51.100.0/24", line(1, "192.0.2.0/24,198.51.100.0/24")),
        (None, "192.0.2.0-192.0.2.9", line(1, "192.0.2.0-192.0.2.9")),
        (None, "fe80::1%eth0", line(1, "fe80::1%eth0")),
        (None, "2001:db8::/129", line(1, "2001:db8::/129")),
        (None, "192.0.2.0/24\n{\"v4\":[]}", line(2, "{\"v4\":[]}")),
        (None, "192.0.2.0/24\n\u{1b}[31m", line(2, "\\u{1b}[31m")),
        (None, "\u{feff}\u{feff}192.0.2.0/24", line(1, "\\u{feff}192.0.2.0/24")),
    ] {
        assert_eq!(read(&ListForm::Lines, content_type, text.as_bytes()), Err(want), "{text:?}");
    }
    assert_eq!(read(&ListForm::Lines, None, b"192.0.2.0/24\n\xff"), Err(Unreadable::NotText));
    assert_eq!(read(&ListForm::Lines, None, &vec![b'\n'; LIMIT + 1]), Err(Unreadable::TooLong));
}

#[test]
fn json_is_read_by_pointers() {
    let text =
        r#"{"v4": [{"cidr": "192.0.2.0/24"}], "v6": [{"cidr": " 2001:db8::/32 "}], "a/b": ["192.0.2.0/24"], "n": {}}"#;
    let read = |form: ListForm| super::read(&form, Some("application/json"), text.as_bytes());
    assert_eq!(shown(&read(json_form(&["/v4", "/v6"], "/cidr")).unwrap()), ["192.0.2.0/24", "2001:db8::/32"]);
    // RFC 6901, section 3: ~1 stands for a slash; section 5: the empty pointer is the whole.
    assert_eq!(shown(&read(json_form(&["/a~1b"], "")).unwrap()), ["192.0.2.0/24"]);
    let entry = |list: &str, said: &str| Unreadable::Entry { list: list.into(), at: 0, said: said.into() };
    for (form, want) in [
        (json_form(&["/v5"], "/cidr"), Unreadable::NoList("/v5".into())),
        (json_form(&["/n"], "/cidr"), Unreadable::NotAList("/n".into())),
        (json_form(&[""], ""), Unreadable::NotAList(String::new())),
        (json_form(&["/v4"], "/prefix"), entry("/v4", "{\"cidr\":\"192.0.2.0/24\"}")),
        (json_form(&["/v4"], ""), entry("/v4", "{\"cidr\":\"192.0.2.0/24\"}")),
    ] {
        assert_eq!(read(form), Err(want));
    }
    for (text, want) in [
        ("[]", Err(Unreadable::Empty)),
        ("\r\n", Err(Unreadable::Empty)),
        ("[\"192.0.2.0/24\"]", Ok(vec!["192.0.2.0/24".to_owned()])),
        ("\u{feff}[\"192.0.2.7\"]", Ok(vec!["192.0.2.7/32".to_owned()])),
        ("[7]", Err(Unreadable::Entry { list: String::new(), at: 0, said: "7".into() })),
    ] {
        let listed = super::read(&json_form(&[""], ""), None, text.as_bytes());
        assert_eq!(listed.map(|listed| shown(&listed)), want, "{text}");
    }
    for text in ["192.0.2.0/24", "[\"192.0.2.0/24\"", &"[".repeat(100_000)] {
        let refused = super::read(&json_form(&[""], ""), None, text.as_bytes());
        assert!(matches!(refused, Err(Unreadable::NotJson(_))), "{refused:?}");
    }
}

proptest! {
    #[test]
    fn nothing_panics(bytes in prop::collection::vec(any::<u8>(), 0..300), text in like("[0-9a-f.:/ \n#\"{}\\[\\],]{0,200}")) {
        for bytes in [&bytes[..], text.as_bytes()] {
            let _ = read(&ListForm::Lines, None, bytes);
            let _ = read(&json_form(&["", "/a"], "/b"), None, bytes);
        }
    }

    /// However a list is written, its set is that of its ranges.
    #[test]
    fn every_way_to_write_it_says_the_same(
        ranges in prop::collection::vec((any::<bool>(), any::<u128>(), 0..=128_u8), 1..20),
        style in 0..4_u8,
    ) {
        let ranges: Vec<IpNet> = ranges.into_iter().map(|(v4, bits, length)| if v4 {
            IpNet::new(std::net::Ipv4Addr::from_bits(bits as u32).into(), length % 33).unwrap()
        } else {
            IpNet::new(std::net::Ipv6Addr::from_bits(bits).into(), length).unwrap()
        }).collect();
        let set: AddressSet = ranges.iter().copied().collect();
        let words: Vec<String> = ranges.iter().map(ToString::to_string).collect();
        let (form, text) = match style {
            0 => (ListForm::Lines, words.join("\n")),
            1 => (ListForm::Lines, format!("\u{feff}{}\r\n", words.join(" # x\r\n\r\n"))),
            2 => (json_form(&[""], ""), serde_json::to_string(&words).unwrap()),
            _ => (json_form(&["/x/0"], "/0"), serde_json::json!({ "x": [words.iter().map(|w| [w]).collect::<Vec<_>>()] }).to_string()),
        };
        prop_assert_eq!(read(&form, None, text.as_bytes()).unwrap().set, set);
    }
}
