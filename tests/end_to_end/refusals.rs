//! Everything that can stand between the home and its name: each told with what to do, by its exit status, and
//! without a change of the zone.

use crate::common::{KEY, ServerKey, set};
use crate::mill::{Done, GAUGE, HOME, LIE, Mill, OLD};

/// 32 other octets.
const OTHER_SECRET: &str = "YW5vdGhlciBzZWNyZXQsIGFsc28gMzIgYnl0ZXMgbG8=";

/// Runs `sync`, which must exit with `status`, say `words` and change nothing in the zone; and the audit log must
/// hold `events`.
#[track_caller]
fn held_up(mill: &Mill, prefix: &[&str], status: i32, words: &[&str], events: &[&str]) -> Done {
    let serial = mill.serial();
    let done = mill.run_by(prefix, &["sync"]).exits(status).says(words);
    assert_eq!((mill.serial(), mill.gauge()), (serial, Some(set(120, &[OLD]))));
    assert_eq!(mill.events(), events);
    done
}

#[test]
#[ignore = "needs named and nginx: tests/all.sh runs it"]
fn a_wrong_secret() {
    let mill = Mill::new();
    mill.write_key(OTHER_SECRET);
    let server = mill.named.address();
    let told = format!(
        "home: the secret of the key gauge-key is not the one {server} has (BADSIG, unsigned, so a hint only); \
         make `key.secret` here and the secret of gauge-key on {server} the same; a key that was changed here counts from \
         a reload on, one that is a systemd credential from a restart\n"
    );
    held_up(&mill, &[], 77, &[&told], &["settled"]);
}

#[test]
#[ignore = "needs named and nginx: tests/all.sh runs it"]
fn an_unknown_key() {
    let mill = Mill::new();
    mill.configure(&[("name = \"gauge-key\"", "name = \"gouge-key\"")]);
    let told = format!(
        "home: {} does not know the key gouge-key with hmac-sha256 (BADKEY, unsigned, so a hint only); give ",
        mill.named.address()
    );
    held_up(&mill, &[], 77, &[&told, "or correct `key.name` and `key.algorithm` here; a key that"], &["settled"]);
}

/// libfaketime gives the program another clock than named's.
#[test]
#[ignore = "needs named, nginx and faketime: tests/all.sh runs it"]
fn a_skewed_clock() {
    for (shift, way) in [("+1h", "ahead of"), ("-1h", "behind")] {
        let mill = Mill::new();
        let server = mill.named.address();
        let done = held_up(&mill, &["faketime", "-f", shift], 75, &["(BADTIME, signed)", "by NTP"], &["settled"]);
        // Named tells its time in whole seconds, and the two read their clocks one after the other.
        let told = |seconds: i32| format!("this clock is {seconds} s {way} that of {server} (BADTIME, signed); set");
        assert!((3597..=3603).any(|seconds| done.stdout.contains(&told(seconds))), "{done:#?}");
        // Passing: no hold, and with the clock right it works at once.
        mill.run(&["sync"]).exits(0);
    }
}

#[test]
#[ignore = "needs named and nginx: tests/all.sh runs it"]
fn a_name_that_the_key_may_not_change() {
    let mill = Mill::new();
    mill.configure(&[("name = \"gauge.heronmill.example\"", "name = \"mill.heronmill.example\"")]);
    let server = mill.named.address();
    let told = format!(
        "home: {server} does not let the key gauge-key change mill.heronmill.example A (REFUSED, signed); \
         let gauge-key change mill.heronmill.example A on {server}: in BIND a grant in the zone's `update-policy`"
    );
    held_up(&mill, &[], 77, &[&told], &["settled", "intent", "outcome refused", "hold"]);
    assert_eq!(mill.run(&["sync", "--json"]).exits(77).json()["written"], false);
    let intent = &mill.audit()[1]["changes"][0];
    assert_eq!((intent["name"].as_str(), intent["type"].as_str()), (Some("mill.heronmill.example"), Some("A")));
}

#[test]
#[ignore = "needs named and nginx: tests/all.sh runs it"]
fn a_cname_in_the_way() {
    let mill = Mill::new();
    mill.configure(&[("name = \"gauge.heronmill.example\"", "name = \"cam.heronmill.example\"")]);
    let told = "cam.heronmill.example  A     wants 203.0.113.77   blocked: a CNAME to gauge.heronmill.example. stands \
                here (RFC 1034, 3.6.2); remove it, or this record\n";
    held_up(&mill, &[], 77, &[told], &["settled"]);
    mill.run(&["preview"]).exits(77).says(&[told, "Nothing was written.\n"]);
    // Other records are written all the same, and the exit status still tells.
    mill.configure(&[("[[record]]", &format!("{}[[record]]", Mill::record("cam", "2m")))]);
    mill.run(&["sync"]).exits(77).says(&["blocked: a CNAME", "replaced, TTL 120 s"]);
    assert_eq!(mill.gauge(), Some(set(120, &[HOME])));
}

#[test]
#[ignore = "needs named and nginx: tests/all.sh runs it"]
fn a_stopped_server() {
    let mut mill = Mill::new();
    mill.named.stop();
    let server = mill.named.address();
    let told = format!(
        "home: {server} cannot be reached over TCP: Connection refused (os error 111); \
         see that {server} runs and can be reached from here\n"
    );
    mill.run(&["sync"]).exits(75).says(&[&told, "gauge.heronmill.example  A     wants 203.0.113.77   127.0.0.1:"]);
    mill.run(&["preview"]).exits(75).says(&[&told]);
    assert_eq!(mill.events(), ["settled"]);
    mill.named.start_again();
    mill.run(&["sync"]).exits(0);
    assert_eq!(mill.gauge(), Some(set(120, &[HOME])));
}

#[test]
#[ignore = "needs named and nginx: tests/all.sh runs it"]
fn no_ruling() {
    let mill = Mill::new();
    mill.nginx.say(0, "<html>Welcome to the network</html>");
    let told = "IPv4  no ruling: the operators disagree, and 3 of 5 must agree\n";
    let done = held_up(&mill, &[], 69, &[told, "quayside has no answer"], &[]);
    done.says(&[
        "ferryman says 203.0.113.77\n",
        "tern-labs says 203.0.113.66\n",
        "north-collective has no answer: a web page",
    ]);
    // Even two liars and two honest ones: no ruling, in whatever order they are asked.
    mill.nginx.say(0, LIE);
    held_up(&mill, &[], 69, &[told], &[]);
    mill.run(&["locate"]).exits(69).says(&[told]);
    mill.run(&["preview"]).exits(69).says(&[told, "Nothing was written.\n"]);
    assert!(!mill.kept("state.json").exists());
}

/// All that is wrong is told at once, before anything is asked.
#[test]
#[ignore = "needs named and nginx: tests/all.sh runs it"]
fn a_bad_configuration() {
    let mill = Mill::new();
    mill.configure(&[("ttl = \"2m\"", "ttl = \"2 moons\""), ("settle = 2", "setle = 2")]);
    for command in ["sync", "preview", "daemon", "locate"] {
        let done = mill.run(&[command]).exits(78);
        assert!(done.stderr.contains("record[0].ttl") && done.stderr.contains("watch.setle"), "{done:?}");
    }
    assert!(!mill.state_dir().exists());
    let none: [String; 0] = [];
    assert_eq!(mill.nginx.asked(0, 0), none);
}

/// A key file that others can read is refused, and its secret is not told.
#[test]
#[ignore = "needs named and nginx: tests/all.sh runs it"]
fn a_key_file_for_everybody() {
    use std::os::unix::fs::PermissionsExt;
    let mill = Mill::new();
    std::fs::set_permissions(mill.path("gauge.key"), std::fs::Permissions::from_mode(0o640)).unwrap();
    let done = mill.run(&["sync"]).exits(78);
    assert!(done.stderr.contains("(mode 640); chmod 600 ") && !done.stderr.contains(KEY.secret), "{done:?}");
}

/// The key is known by name and algorithm together.
#[test]
#[ignore = "needs named and nginx: tests/all.sh runs it"]
fn another_algorithm() {
    let longer = ServerKey { algorithm: "hmac-sha512", ..KEY };
    let mill = Mill::with(&[longer], &[Mill::zone()]);
    held_up(&mill, &[], 77, &["the key gauge-key", "hmac-sha256", "(BADKEY"], &["settled"]);
    mill.configure(&[("hmac-sha256", "hmac-sha512")]);
    mill.run(&["sync"]).exits(0);
    assert_eq!(mill.named.dig(GAUGE, "A"), [format!("120 {HOME}")]);
}
