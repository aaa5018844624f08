//! A program that is gone when it is to write: nothing was sent, and the limits are as they were.

use std::collections::BTreeMap;
use std::fs;
use std::os::unix::fs::symlink;

use fingerpost::clock;
use fingerpost::provider::program::Program;
use fingerpost::update::{RecordState, Trouble};

use crate::updater::{LIMITS, Updater, wanted};
use crate::{LONG, Mill, dns, run};

/// Takes one write, and goes away after each read while `leaving` is there.
const HOST: &str = r#"
request=$(cat)
case $request in
*'"action":"read"'*)
    sets=
    [ ! -e "$DIR/taken" ] || sets='"A":{"ttl":120,"addresses":["203.0.113.77"]}'
    echo '{"version":1,"names":{"gauge.heronmill.example":{"sets":{'"$sets"'}}}}'
    [ ! -e "$DIR/leaving" ] || rm "$DIR/host" ;;
*)
    echo write >>"$DIR/taken"
    echo '{"version":1,"done":true}' ;;
esac
"#;

#[test]
fn what_was_never_sent_uses_up_no_limit() {
    let mill = Mill::new();
    let variables = BTreeMap::from([("DIR".into(), mill.path("").display().to_string())]);
    let (host, arguments) = (mill.path("host"), vec!["-c".into(), HOST.into()]);
    let provider = Program::new(dns("heronmill.example"), host.display().to_string(), arguments, variables, None, LONG);
    let (updater, desired) = (Updater::new(), [wanted(dns("gauge.heronmill.example"), "203.0.113.77")]);
    let left = || updater.books.borrow().state.ledger.left_today(clock::system().now(), &LIMITS, "home");
    fs::write(mill.path("leaving"), "").unwrap();
    // Once more than a burst has writes.
    for nth in 0..=LIMITS.burst as usize {
        symlink("/bin/sh", &host).unwrap();
        let report = run(updater.pass(&provider, &dns("heronmill.example"), &desired));
        assert!(
            matches!(&report.trouble, Some(Trouble::Refused { why }) if why.contains("cannot be run")),
            "{report:?}"
        );
        assert_eq!((updater.sent().len(), left()), (nth + 1, LIMITS.daily), "{report:?}");
    }
    fs::remove_file(mill.path("leaving")).unwrap();
    symlink("/bin/sh", &host).unwrap();
    let report = run(updater.pass(&provider, &dns("heronmill.example"), &desired));
    assert_eq!(report.records[0].standing, RecordState::InStep, "{report:?}");
    assert_eq!((mill.text("taken"), left()), ("write\n".to_owned(), LIMITS.daily - 1));
}
