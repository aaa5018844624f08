//! Several records, several zones, and a zone in a master file that named serves.

use std::fs;
use std::os::unix::fs::{MetadataExt, PermissionsExt};

use fingerpost::record::RecordType;

use crate::common::{Grant, KEY, ServerKey, ZONE, ZoneSetup, run, set};
use crate::mill::{HOME, Mill, wait_until};

const RIVER: &str = "river.example";
const RIVER_KEY: ServerKey =
    ServerKey { name: "river-key", algorithm: "hmac-sha256", secret: "YW5vdGhlciBzZWNyZXQsIGFsc28gMzIgYnl0ZXMgbG8=" };

/// Both records go in one update: the serial makes one step (RFC 2136, section 3.6), and the log one intent.
#[test]
#[ignore = "needs named and nginx: tests/all.sh runs it"]
fn records_of_one_zone_go_together() {
    let grants =
        ["gauge.heronmill.example", "mill.heronmill.example"].map(|name| Grant { key: KEY.name, name: Some(name) });
    let mill = Mill::with(&[KEY], &[ZoneSetup { grants: grants.to_vec(), ..Mill::zone() }]);
    // The other one is shared: what was ours before is swapped, once it is known to have been ours.
    let shared = format!("{}sharing = \"member\"\n", Mill::record("mill", "10m"));
    mill.configure(&[("[[record]]", &format!("{shared}[[record]]"))]);
    let serial = mill.serial();
    let told = format!("would send 2 changes in 1 signed update to {}.\n", mill.named.address());
    mill.run(&["preview"]).exits(0).says(&[&told, "would join as a member, TTL 300 s", "would replace, TTL 120 s"]);
    mill.run(&["sync"]).exits(0);
    let other = || mill.named.rrset("mill.heronmill.example", RecordType::A);
    let joined = set(300, &["203.0.113.9", "198.51.100.99", HOME]);
    assert_eq!((mill.serial(), mill.gauge(), other()), (serial + 1, Some(set(120, &[HOME])), Some(joined)));
    assert_eq!(mill.events(), ["settled", "intent", "outcome done"]);

    mill.home_is("203.0.113.78");
    mill.run(&["sync"]).exits(0).says(&["swapped our member, TTL 300 s"]);
    let swapped = set(300, &["203.0.113.9", "198.51.100.99", "203.0.113.78"]);
    assert_eq!((mill.serial(), other()), (serial + 2, Some(swapped)));
}

#[test]
#[ignore = "needs named and nginx: tests/all.sh runs it"]
fn each_zone_has_its_own_update_and_its_own_trouble() {
    let river = ZoneSetup {
        name: RIVER,
        lines: "weir 60 A 203.0.113.9".to_owned(),
        grants: vec![Grant { key: RIVER_KEY.name, name: Some("weir.river.example") }],
        extra: "",
    };
    let mill = Mill::with(&[KEY, RIVER_KEY], &[Mill::zone(), river]);
    let provider = format!(
        "[provider.river]\nkind = \"rfc2136\"\nconfirm = \"off\"\nzone = \"{RIVER}\"\nserver = \"{}\"\nkey = {{ name = \"river-key\", secret = {{ file = \"river.key\" }} }}\n\
         [[record]]\nname = \"weir.river.example\"\ntypes = [\"A\"]\nprovider = \"river\"\nttl = \"1m\"\n[[record]]",
        mill.named.address()
    );
    mill.configure(&[("[[record]]", &provider)]);
    let write_key = |secret: &str| {
        fs::write(mill.path("river.key"), secret).unwrap();
        fs::set_permissions(mill.path("river.key"), fs::Permissions::from_mode(0o600)).unwrap();
    };
    write_key(KEY.secret);
    let serials = || (mill.named.serial(ZONE), mill.named.serial(RIVER));
    let (serial, other) = serials();
    // One provider refuses, the other one is served.
    mill.run(&["sync"])
        .exits(77)
        .says(&["replaced, TTL 120 s", "river: the secret of the key river-key is not the one"]);
    assert_eq!(serials(), (serial + 1, other));
    write_key(RIVER_KEY.secret);
    mill.run(&["sync"]).exits(0);
    assert_eq!(serials(), (serial + 1, other + 1));
    assert_eq!(mill.named.rrset("weir.river.example", RecordType::A), Some(set(60, &[HOME])));
    mill.home_is("203.0.113.78");
    mill.run(&["sync"]).exits(0);
    assert_eq!(serials(), (serial + 2, other + 2));
    mill.run(&["audit", "verify"]).exits(0);
}

/// named serves the file and loads it again when told; named-checkzone finds it sound.
#[test]
#[ignore = "needs named and nginx: tests/all.sh runs it"]
fn a_master_file_is_edited_and_served() {
    let lines =
        "; the gauge, by the weir\ngauge\t120 IN A 203.0.113.9 ; moves\nmill 300 A 198.51.100.99\ncam CNAME gauge";
    let mill = Mill::with(&[KEY], &[ZoneSetup { grants: vec![], ..ZoneSetup::new(lines) }]);
    let file = mill.named.zone_file(ZONE);
    fs::set_permissions(&file, fs::Permissions::from_mode(0o640)).unwrap();
    let before = fs::read_to_string(&file).unwrap();
    mill.configure(&[
        ("kind = \"rfc2136\"", "kind = \"zonefile\""),
        (
            &format!("server = \"{}\"", mill.named.address()),
            &format!("file = {file:?}\nreload = [\"sh\", \"-c\", \"kill -HUP {}\"]", mill.named.pid()),
        ),
        ("key = {", "#"),
    ]);
    let listing = (before.clone(), fs::metadata(&file).unwrap().ino());
    mill.run(&["preview"]).exits(0).says(&[&format!("would send 1 change in the file {}.\n", file.display())]);
    assert_eq!((fs::read_to_string(&file).unwrap(), fs::metadata(&file).unwrap().ino()), listing);

    mill.run(&["sync"]).exits(0).says(&["203.0.113.9 → 203.0.113.77   replaced, TTL 120 s"]);
    wait_until("the name", Some(set(120, &[HOME])), || mill.gauge());
    assert_eq!(mill.serial(), 2);
    let after = fs::read_to_string(&file).unwrap();
    assert_eq!(after, before.replace("203.0.113.9 ", "203.0.113.77 ").replace("hostmaster 1 ", "hostmaster 2 "));
    assert_eq!(fs::metadata(&file).unwrap().mode() & 0o777, 0o640);
    let checked = run("named-checkzone", &[ZONE, file.to_str().unwrap()], "");
    assert!(checked.ends_with("loaded serial 2\nOK\n"), "{checked}");

    // In step: the file is not touched.
    let listing = (after, fs::metadata(&file).unwrap().ino());
    let done = mill.run(&["sync"]).exits(0);
    assert_eq!((done.stdout, done.stderr), (String::new(), String::new()));
    assert_eq!((fs::read_to_string(&file).unwrap(), fs::metadata(&file).unwrap().ino()), listing);
}

/// The example of a program, run by the binary; what it is handed beyond that is tested in `tests/program`.
#[test]
#[ignore = "needs named, nginx and jq: tests/all.sh runs it"]
fn a_program_writes_what_was_decided() {
    let mill = Mill::new();
    let (example, records) =
        (concat!(env!("CARGO_MANIFEST_DIR"), "/config/providers/program-example.sh"), mill.path("records"));
    let other = "mill.heronmill.example A 300 198.51.100.99\n";
    fs::write(&records, format!("gauge.heronmill.example A 120 203.0.113.9\n{other}")).unwrap();
    mill.configure(&[
        ("kind = \"rfc2136\"", "kind = \"program\""),
        (&format!("server = \"{}\"", mill.named.address()), &format!("command = [{example:?}, {records:?}]")),
        (
            "key = { name = \"gauge-key\", algorithm = \"hmac-sha256\", secret = { file = \"gauge.key\" } }",
            "secret = { file = \"gauge.key\" }",
        ),
    ]);
    let before = fs::read_to_string(&records).unwrap();
    mill.run(&["preview"]).exits(0).says(&[&format!("would send 1 change by the program {example}.\n")]);
    assert_eq!(fs::read_to_string(&records).unwrap(), before);
    mill.run(&["sync"]).exits(0).says(&["203.0.113.9 → 203.0.113.77   replaced, TTL 120 s"]);
    assert_eq!(fs::read_to_string(&records).unwrap(), format!("{other}gauge.heronmill.example A 120 {HOME}\n"));
    assert_eq!(mill.events(), ["settled", "intent", "outcome done"]);
    // In step: quiet.
    let done = mill.run(&["sync"]).exits(0);
    assert_eq!((done.stdout, done.stderr), (String::new(), String::new()));
    // The program is away: nothing is held, and the next try may succeed.
    mill.home_is("203.0.113.78");
    fs::remove_file(&records).unwrap();
    fs::create_dir(&records).unwrap();
    mill.run(&["sync"]).exits(75).says(&[&format!("{example} failed (exit status: ")]);
}
