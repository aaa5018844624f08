//! What writes nothing: `preview`, and `sync` in step.

use crate::common::set;
use crate::mill::{HOME, Mill, OLD};
use crate::trace::{Call, writing};

fn files_written(calls: &[Call]) -> Vec<&Call> {
    calls.iter().filter(|call| call.writes_a_file()).collect()
}

#[test]
#[ignore = "needs named and nginx: tests/all.sh runs it"]
fn preview_shows_the_change_and_writes_nothing() {
    let mill = Mill::new();
    let (listing, serial) = (mill.listing(), mill.serial());
    let (done, calls) = mill.traced(&writing(), &["preview"]);
    let shown = format!(
        "IPv4  203.0.113.77   agreed by 3 of 5 operators: north-collective, ferryman, millrace
      tern-labs says 203.0.113.66
      quayside has no answer: not reached: Connection refused
gauge.heronmill.example  A     203.0.113.9 → 203.0.113.77   would replace, TTL 120 s
Nothing was written. `fingerpost sync` would send 1 change in 1 signed update to {}.\n",
        mill.named.address()
    );
    assert_eq!((done.status, done.stdout, done.stderr), (0, shown, String::new()));
    assert!(files_written(&calls).is_empty(), "{:#?}", files_written(&calls));
    assert!(!calls.iter().any(|call| call.is(&["flock"])), "no lock is taken");
    let json = mill.run(&["preview", "--json", "--exit-code"]).exits(1).json();
    assert_eq!(json["written"], false);
    assert_eq!(json["looks"][0]["ruling"]["address"], HOME);
    assert_eq!(json["providers"][0]["records"][0]["before"]["addresses"][0], OLD);
    assert_eq!(json["providers"][0]["records"][0]["after"]["addresses"][0], HOME);
    mill.run(&["preview", "--exit-code"]).exits(1);
    assert_eq!((mill.listing(), mill.serial()), (listing, serial));
    assert!(!mill.state_dir().exists());

    mill.run(&["sync"]).exits(0);
    let listing = mill.listing();
    mill.run(&["preview", "--exit-code"]).exits(0).says(&["A     203.0.113.77   in step", "Nothing was written.\n"]);
    assert_eq!(mill.listing(), listing);
}

#[test]
#[ignore = "needs named and nginx: tests/all.sh runs it"]
fn sync_publishes_and_then_is_silent() {
    let mill = Mill::new();
    let serial = mill.serial();
    let (done, calls) = mill.traced(&writing(), &["sync"]);
    done.exits(0).says(&["gauge.heronmill.example  A     203.0.113.9 → 203.0.113.77   replaced, TTL 120 s\n"]);
    assert_eq!(mill.gauge(), Some(set(120, &[HOME])));
    assert_eq!(mill.serial(), serial + 1);
    assert_eq!(mill.events(), ["settled", "intent", "outcome done"]);
    // The same look that finds nothing below finds these.
    let state = mill.kept("state.json").display().to_string();
    assert!(files_written(&calls).iter().any(|call| call.is(&["renameat"]) && call.last_path() == state));

    let listing = mill.listing();
    let (done, calls) = mill.traced(&writing(), &["sync"]);
    assert_eq!((done.status, done.stdout, done.stderr), (0, String::new(), String::new()));
    assert!(files_written(&calls).is_empty(), "{:#?}", files_written(&calls));
    assert_eq!((mill.listing(), mill.serial()), (listing, serial + 1));

    let json = mill.run(&["sync", "--json"]).exits(0).json();
    assert_eq!(json["written"], false);
    assert_eq!(json["providers"][0]["records"][0]["standing"]["state"], "in-step");
    mill.home_is("203.0.113.78");
    assert_eq!(mill.run(&["sync", "--json"]).exits(0).json()["written"], true);
    assert_eq!(mill.gauge(), Some(set(120, &["203.0.113.78"])));
    assert_eq!(mill.run(&["locate", "--json"]).exits(0).json()["looks"][0]["ruling"]["address"], "203.0.113.78");
}

/// The TTL is set right even where the address is.
#[test]
#[ignore = "needs named and nginx: tests/all.sh runs it"]
fn sync_keeps_the_ttl_exact() {
    let mill = Mill::new();
    mill.run(&["sync"]).exits(0);
    mill.configure(&[("\"2m\"", "\"3601s\"")]);
    mill.run(&["sync"]).exits(0).says(&["changed the TTL, TTL 3601 s"]);
    assert_eq!(mill.gauge(), Some(set(3601, &[HOME])));
}
