//! The descriptions that come with the program, and bad ones: each is refused with its message, offline.

use std::fmt::Write as _;

use proptest::prelude::*;

use crate::home::{BASE, Home};
use crate::{POWERDNS, RECORD, RRSET};

/// What is changed in the description, what is changed in its provider's table, and the whole message.
struct Case {
    from: &'static str,
    to: &'static str,
    message: &'static str,
}

const fn case(from: &'static str, to: &'static str, message: &'static str) -> Case {
    Case { from, to, message }
}

const PROVIDER: &str = "[provider.api]\nkind = \"rest\"\nzone = \"heronmill.example\"\ndescription = \"api.toml\"\n\
                        values = { server = \"https://api.dnshost.example\" }\ntoken = { file = \"gauge.key\" }\n";

/// The message for `description` with `provider` as its table.
fn problems(description: &str, provider: &str) -> String {
    let home = Home::new();
    home.write("api.toml", description.as_bytes(), 0o644);
    home.problems(&format!("{BASE}\n{provider}"))
}

#[track_caller]
fn all(base: &str, cases: &[Case]) {
    let mut wrong = String::new();
    for Case { from, to, message } in cases {
        assert_eq!(base.matches(from).count(), 1, "{from:?} must stand once");
        let got = problems(&base.replace(from, to), PROVIDER);
        if got != *message {
            writeln!(wrong, "\n< {from}\n> {to}\nwanted\n{message}\ngot\n{got}").unwrap();
        }
    }
    assert!(wrong.is_empty(), "{wrong}");
}

/// A description with every commented key of it set, as far as they go together.
fn uncommented(text: &str) -> String {
    let line = |line: &str| {
        line.strip_prefix('#').filter(|rest| !rest.starts_with([' ', '\n']) && !rest.is_empty()).map(str::to_owned)
    };
    text.lines().map(|text| line(text).unwrap_or_else(|| text.to_owned())).collect::<Vec<_>>().join("\n")
}

#[test]
fn those_that_come_with_the_program_hold() {
    for description in [POWERDNS, RECORD, RRSET] {
        assert_eq!(problems(description, PROVIDER), "");
    }
    // With every key that can be beside the others.
    let record = uncommented(RECORD).replace("\nkind = \"bearer\"", "");
    assert_ne!(record, RECORD);
    assert_eq!(problems(&record, PROVIDER), "");
    let rrset = uncommented(RRSET).replace("\nwhole = true", "");
    let rrset = rrset.replace(
        "method = \"PUT\"\nuri = \"/shelves/{zone}/sets/{relative}/{type}\"",
        "uri = \"/shelves/{zone}/sets\"",
    );
    let (before, after) = (rrset.find("[get]").unwrap(), rrset.find("[item]").unwrap());
    assert_eq!(problems(&format!("{}{}", &rrset[..before], &rrset[after..]), PROVIDER), "");
}

/// What is empty and what passes by itself.
#[test]
fn a_bad_word_of_what_an_api_leaves_out_or_takes_back_has_its_message() {
    all(
        RECORD,
        &[
            case(
                "#passing = [403, 422]",
                "passing = 403",
                "api.toml:113: answer.passing: a list is needed here, and this is a number; write it in square brackets",
            ),
            case(
                "#passing = [403, 422]",
                "passing = [200]",
                "api.toml:113: answer.passing[0]: 200 is out of range; write a number from 300 to 599",
            ),
            case(
                "#passing = [403, 422]",
                "passing = [\"403\"]",
                "api.toml:113: answer.passing[0]: a whole number is needed here, and this is text; write it without quotes and without a point",
            ),
            case(
                "#absent_is_empty = true",
                "absent_is_empty = \"yes\"",
                "api.toml:55: list.absent_is_empty: true or false is needed here, and this is text; write it without quotes",
            ),
            case(
                "#passing = [403, 422]",
                "pasing = [403]",
                "api.toml:113: answer.pasing: unknown key; did you mean `passing`?",
            ),
        ],
    );
}

#[test]
fn a_bad_description_of_records_has_its_message() {
    all(
        RECORD,
        &[
            case(
                "body = '{ \"label\": \"{name}\", \"sort\"",
                "body = '{ \"label\": \"{relative}\", \"sort\"",
                "api.toml:91: create.body: it makes records by `relative`, and `item.names` says that the API lists absolute \
                 names; write `name` instead, or set `item.names` to \"relative\"",
            ),
            case(
                "shape = \"record\"",
                "",
                "api.toml: shape: this key is required and missing; add it, for example: shape = \"record\", or \"rrset\"",
            ),
            case(
                "shape = \"record\"",
                "shape = \"records\"",
                "api.toml:20: shape: \"records\" is not one of \"record\", \"rrset\"; did you mean \"record\"?",
            ),
            case("shape = \"record\"", "shape = \"record", "api.toml:20: column 16: not TOML: invalid basic string"),
            case(
                "[list]\n",
                "[lst]\n",
                "api.toml:46: lst: unknown key; did you mean `list`?\napi.toml: list.uri: this key is required and missing; add it, for example: uri = \"/shelves/{zone}/cards\"",
            ),
            case(
                "[delete]\nmethod = \"DELETE\"\nuri = \"/cards/{record_id}\"",
                "",
                "api.toml: delete.uri: this key is required and missing; add it, for example: uri = \"/shelves/{zone}/cards\"",
            ),
            case(
                "{ first_page = 1, last_page = \"/leaf/of\" }",
                "{ first_page = 1, last_page = \"leaf\" }",
                "api.toml:60: list.paging.last_page: \"leaf\" is not a JSON Pointer: it does not begin with '/'; write a JSON Pointer (RFC 6901) such as \"/card/shelf\", with ~0 for '~' and ~1 for '/'",
            ),
            case(
                "{ first_page = 1, last_page = \"/leaf/of\" }",
                "{ next = \"/a\", cursor = \"/b\" }",
                "api.toml:51: list.uri: \"/shelves/{zone_id}/cards?room=100{&page}\" has the unknown variable `page`; known here: zone, name, relative, zone_id, and values.… of your own\napi.toml:60: list.paging: pages are asked for in one way; write { next = \"/pointer\" }, { link = \"next\" }, { cursor = \"/pointer\" }, or { first_page = 1 }",
            ),
            case(
                "room=100{&page}",
                "room=100",
                "api.toml:60: list.paging: the step's `uri` lacks the variable `page`, so every page would be the first; add it, for example as {?page} or {&page}",
            ),
            case(
                "room=100{&page}",
                "room=100{&page",
                "api.toml:51: list.uri: \"/shelves/{zone_id}/cards?room=100{&page\" has a '{' without its '}'; write a URI template (RFC 6570, levels 1 to 3), such as \"/shelves/{zone}/cards{?label,sort}\"",
            ),
            case(
                "uri = \"/shelves/{zone_id}/cards\"",
                "uri = \"{+values.path}/{name}\"",
                "api.toml:90: create.uri: \"{+values.path}/{name}\" does not follow `base`; begin it with '/' or '?'",
            ),
            case(
                "uri = \"/shelves/{zone_id}/cards\"",
                "uri = \"@elsewhere.example/{zone_id}\"",
                "api.toml:90: create.uri: \"@elsewhere.example/{zone_id}\" does not follow `base`; begin it with '/' or '?'",
            ),
            case(
                "uri = \"/shelves/{zone_id}/cards\"",
                "uri = \"/shelves/{zone_id}/{values.path}\"",
                "fingerpost.toml:87: provider.api.values: the description needs the value `path`; add path = \"…\" here",
            ),
            case(
                "uri = \"/shelves/{zone_id}/cards\"",
                "uri = \"/shelves/{record_id}\"",
                "api.toml:90: create.uri: \"/shelves/{record_id}\" has the unknown variable `record_id`; known here: zone, name, relative, type, ttl, address, zone_id, and values.… of your own",
            ),
            case(
                "uri = \"/shelves?label={zone}\"",
                "uri = \"/shelves/{zone_id}\"",
                "api.toml:40: zone.uri: \"/shelves/{zone_id}\" has the unknown variable `zone_id`; add the step [zone] that looks it up",
            ),
            case(
                "'{ \"points_to\": \"{address}\", \"keep_for\": \"{ttl}\" }'",
                "'{ \"points_to\": \"{adress}\" }'",
                "api.toml:100: replace.body: \"{ \\\"points_to\\\": \\\"{adress}\\\" }\" has the unknown variable `adress`; did you mean `address`?",
            ),
            case(
                "'{ \"points_to\": \"{address}\", \"keep_for\": \"{ttl}\" }'",
                "'{ \"points_to\": }'",
                "api.toml:100: replace.body: \"{ \\\"points_to\\\": }\" is not JSON: expected value at line 1 column 16; write JSON in single quotes: '{ \"label\": \"{name}\", \"keep_for\": \"{ttl}\" }'",
            ),
            case(
                "body = '{ \"points_to\": \"{address}\", \"keep_for\": \"{ttl}\" }'",
                "",
                "api.toml:96: replace.body: this key is required and missing; add it, for example: body = '{ \"keep_for\": \"{ttl}\" }'",
            ),
            case(
                "body = '{ \"points_to\": \"{address}\", \"keep_for\": \"{ttl}\" }'",
                "change = '{}'\nbody = '{}'",
                "api.toml:98: replace.uri: \"/cards/{record_id}\" has the unknown variable `record_id`; known here: zone, zone_id, and values.… of your own\napi.toml:100: replace.change: several changes cannot be sent together where each item is read before, or is one record; write one `body`\napi.toml:101: replace.body: the variable `changes` is missing, so nothing would be changed; put \"{changes}\" where the list of changes belongs",
            ),
            case(
                "body = '{ \"label\": \"{name}\", \"sort\": \"{type}\", \"keep_for\": \"{ttl}\", \"points_to\": \"{address}\" }'",
                "whole = true",
                "api.toml:91: create.whole: there is no item yet that could be sent whole; write a `body`",
            ),
            case(
                "method = \"POST\"\nuri = \"/shelves",
                "method = \"SEND\"\nuri = \"/shelves",
                "api.toml:89: create.method: \"SEND\" is not one of \"GET\", \"POST\", \"PUT\", \"PATCH\", \"DELETE\"",
            ),
            case(
                "base = \"{+values.server}/desk\"",
                "base = \"http://api.dnshost.example/desk\"",
                "api.toml:23: base: with its values put in, it would send the token unencrypted; use https: http is for a loopback address only",
            ),
            case(
                "base = \"{+values.server}/desk\"",
                "base = \"{values.server}/desk\"",
                "api.toml:23: base: with its values put in, it is not a URL: relative URL without a base; write it whole, such as \"https://echo.north.example/\"",
            ),
            case(
                "#headers = { Accept = \"application/vnd.dnshost+json\" }",
                "headers = { Authorization = \"x\", \"a b\" = \"c\", Accept = \"é{zone}\" }",
                "api.toml:28: headers.Authorization: \"Authorization\" is a header that is set in another way; remove it\napi.toml:28: headers.\"a b\": \"a b\" is not the name of a header (RFC 9110, 5.1); write it like \"X-API-Key\"",
            ),
            case(
                "[auth]\nkind = \"bearer\"",
                "[auth]\nkind = \"header\"",
                "api.toml:33: auth.header: this key is required and missing; add it, for example: header = \"X-API-Key\"",
            ),
            case(
                "[auth]\nkind = \"bearer\"",
                "[auth]\nkind = \"basic\"\nheader = \"X\"",
                "fingerpost.toml:83: provider.api: the description's authorisation is basic, and no `user` is set; add user = \"name\"\napi.toml:35: auth.header: only the kind \"header\" has a header of its own; remove it",
            ),
            case(
                "[auth]\nkind = \"bearer\"",
                "[auth]\nkind = \"query\"",
                "api.toml:33: auth.parameter: this key is required and missing; add it, for example: parameter = \"key\"",
            ),
            case(
                "[auth]\nkind = \"bearer\"",
                "[auth]\nkind = \"query\"\nparameter = \"a&b\"",
                "api.toml:35: auth.parameter: \"a&b\" is no name of a parameter: letters, digits and -._~ (RFC 3986, 2.3); write it as it stands before the '=' in the API's documentation",
            ),
            case(
                "[auth]\nkind = \"bearer\"",
                "[auth]\nkind = \"bearer\"\nparameter = \"key\"",
                "api.toml:35: auth.parameter: only the kind \"query\" has a parameter; remove it",
            ),
            case(
                "{ first_page = 1, last_page = \"/leaf/of\" }",
                "{ link = \"next page\" }",
                "api.toml:51: list.uri: \"/shelves/{zone_id}/cards?room=100{&page}\" has the unknown variable `page`; known here: zone, name, relative, zone_id, and values.… of your own\napi.toml:60: list.paging.link: \"next page\" is no relation type of a link (RFC 8288, 3.3); write one, such as \"next\"",
            ),
            case(
                "#types = \"numbers\"",
                "types = \"number\"",
                "api.toml:79: item.types: \"number\" is not one of \"names\", \"numbers\"; did you mean \"numbers\"?",
            ),
            case(
                "#ttls = \"units\"",
                "ttls = \"minutes\"",
                "api.toml:82: item.ttls: \"minutes\" is not one of \"seconds\", \"units\"",
            ),
            case(
                "etag = true",
                "etag = \"true\"",
                "api.toml:69: get.etag: true or false is needed here, and this is text; write it without quotes",
            ),
            case(
                "message = \"/trouble/says\"",
                "message = \"/trouble~says\"",
                "api.toml:115: answer.message: \"/trouble~says\" is not a JSON Pointer: it has a '~' that is neither ~0 nor ~1; write a JSON Pointer (RFC 6901) such as \"/card/shelf\", with ~0 for '~' and ~1 for '/'",
            ),
        ],
    );
}

#[test]
fn a_bad_description_of_rrsets_has_its_message() {
    all(
        RRSET,
        &[
            case(
                "new_member = '{ \"points_to\": \"{address}\" }'",
                "new_member = '{ \"points_to\": \"{addresses}\" }'",
                "api.toml:49: item.new_member: \"{ \\\"points_to\\\": \\\"{addresses}\\\" }\" has the unknown variable `addresses`; did you mean `address`?",
            ),
            case(
                "\"cards\": \"{members}\" }'\n\n# Changes",
                "\"cards\": \"x {members}\" }'\n\n# Changes",
                "api.toml:56: create.body: \"{ \\\"label\\\": \\\"{relative}\\\", \\\"sort\\\": \\\"{type}\\\", \\\"keep_for\\\": \\\"{ttl}\\\", \\\"… has `members`, a list, within text; let it be a whole string in a body: \"{addresses}\"",
            ),
            case(
                "[create]\nmethod = \"POST\"\nuri = \"/shelves/{zone}/sets\"\nbody = '{ \"label\": \"{relative}\", \"sort\": \"{type}\", \"keep_for\": \"{ttl}\", \"cards\": \"{members}\" }'",
                "",
                "api.toml:57: replace: what is not there yet cannot be sent whole; add the step [create]",
            ),
            case(
                "whole = true\n",
                "whole = true\nbody = '{}'\nmost = 5\n",
                "api.toml:64: replace.body: the whole item is sent; remove this, or `whole`\napi.toml:65: replace.most: only `change` has a most; remove it",
            ),
        ],
    );
}

#[test]
fn values_are_all_used_and_all_there() {
    let of = |from: &str, to: &str| problems(RECORD, &crate::changed(PROVIDER, from, to));
    let values = "values = { server = \"https://api.dnshost.example\" }";
    assert_eq!(
        of(values, "values = { sever = \"https://api.dnshost.example\" }"),
        "fingerpost.toml:87: provider.api.values.sever: the description uses no such value; did you mean `server`?\n\
         fingerpost.toml:87: provider.api.values: the description needs the value `server`; add server = \"…\" here"
    );
    assert_eq!(
        of(values, ""),
        "fingerpost.toml:83: provider.api.values: the description needs the value `server`; add server = \"…\" here"
    );
    assert_eq!(
        of(values, "values = { server = \"https://u:p@api.dnshost.example\" }"),
        "api.toml:23: base: with its values put in, it holds a user name or password, which would end up in logs; remove it from the URL"
    );
    assert_eq!(
        of(values, "values = { server = \"https://api.dnshost.example\" }\nuser = \"keeper\""),
        "fingerpost.toml:88: provider.api.user: only basic authorisation has a user, and the description has another; remove it"
    );
    // A loopback address may go without encryption.
    for host in ["127.0.0.1:8081", "[::1]:8081", "127.1.2.3", "127.1"] {
        assert_eq!(of("https://api.dnshost.example", &format!("http://{host}")), "");
    }
    // A name may not, whatever it is meant to lead to: who answers for it is not said by it.
    let way_out =
        "write 127.0.0.1 or [::1] for localhost, which is a name that a resolver may lead elsewhere; or use https";
    for host in ["localhost", "LOCALHOST:8081", "localhost.", "api.localhost"] {
        assert_eq!(
            of("https://api.dnshost.example", &format!("http://{host}")),
            format!("api.toml:23: base: with its values put in, it would send the token unencrypted; {way_out}")
        );
    }
    for host in ["[::ffff:127.0.0.1]", "127.0.0.1.nip.example", "0.0.0.0", "[::]"] {
        let got = of("https://api.dnshost.example", &format!("http://{host}"));
        assert!(got.ends_with("use https: http is for a loopback address only"), "{host}: {got}");
    }
}

#[test]
fn a_secret_that_no_header_may_hold() {
    for secret in ["two\nlines", "bell\u{7}", "é"] {
        let home = Home::new();
        home.write("api.toml", RECORD.as_bytes(), 0o644);
        home.write("token", secret.as_bytes(), 0o600);
        let got = home.problems(&format!("{BASE}\n{}", crate::changed(PROVIDER, "gauge.key", "token")));
        let wanted = "fingerpost.toml:88: provider.api.token: the secret holds a sign that no HTTP header may hold; put the token there and nothing else";
        assert_eq!(got, wanted);
    }
}

/// A hold ends when the description changes, or the token; and stays when nothing does.
#[test]
fn the_fingerprint_stands_for_the_description() {
    let of = |description: &str, token: &str| {
        let home = Home::new();
        home.write("api.toml", description.as_bytes(), 0o644);
        home.write("token", token.as_bytes(), 0o600);
        let text = format!("{BASE}\n{}", crate::changed(PROVIDER, "gauge.key", "token"));
        let loaded = home.load(&text);
        assert!(!format!("{loaded:?}").contains("river-and-weir"));
        // The directory differs from home to home, so the digests are compared in one.
        let first = loaded.config.providers["api"].fingerprint.clone();
        let again = home.load(&text).config.providers["api"].fingerprint.clone();
        home.write("api.toml", crate::changed(description, "\"/card\"", "\"/uuid\"").as_bytes(), 0o644);
        let other = home.load(&text).config.providers["api"].fingerprint.clone();
        home.write("token", b"another-token", 0o600);
        let third = home.load(&text).config.providers["api"].fingerprint.clone();
        (first == again, first == other, other == third)
    };
    assert_eq!(of(RECORD, "river-and-weir"), (true, false, false));
}

proptest! {
    #![proptest_config(ProptestConfig { failure_persistence: None, ..ProptestConfig::default() })]

    #[test]
    fn no_description_panics(which in 0..3usize, at in 0..10_000usize, cut in 0..30usize, put in r#"[\[\]{}="'.,/~\n a-z0-9é]{0,12}"#) {
        let text = [POWERDNS, RECORD, RRSET][which];
        let start = text.floor_char_boundary(at % text.len());
        let end = text.floor_char_boundary((start + cut).min(text.len()));
        let _ = problems(&format!("{}{put}{}", &text[..start], &text[end..]), PROVIDER);
    }

    #[test]
    fn values_of_any_type_do_not_panic(
        which in 0..3usize,
        key in 0..60usize,
        value in prop::sample::select(vec![
            "0", "-1", "9223372036854775807", "1.5", "nan", "true", "\"\"", "\"x\"", "\"{\"", "\"{a}\"", "\"{+values.server}\"",
            "\"/~\"", "\"é\\u0000\"", "[]", "[[]]", "[{}]", "{}", "{ a.b = 1 }", "1979-05-27T07:32:00Z", "'[[[[\"{ttl}\"]]]]'",
        ]),
    ) {
        let text = [POWERDNS, RECORD, RRSET][which];
        let lines: Vec<_> = text.lines().collect();
        let settable: Vec<_> = (0..lines.len()).filter(|at| lines[*at].contains(" = ") && !lines[*at].starts_with('#')).collect();
        let at = settable[key % settable.len()];
        let name = lines[at].split(" = ").next().unwrap();
        let line = format!("{name} = {value}");
        let text: Vec<_> = lines.iter().enumerate().map(|(n, old)| if n == at { line.as_str() } else { old }).collect();
        let _ = problems(&text.join("\n"), PROVIDER);
    }
}
