//! A machine whose clock is wrong at first, and set right while the daemon runs: what it then says of when.

use std::ops::RangeInclusive;
use std::sync::atomic::Ordering;
use std::time::SystemTime;

use fingerpost::clock::Timestamp;
use fingerpost::daemon::Trigger;
use fingerpost::status::{Snapshot, build};
use serde_json::Value;

use crate::mill::{FREELY, Mill, TEN_YEARS, wan};

const DAY: u64 = 86_400_000;

/// The moments in a status, each by where it stands; but for the log's lines, which are told as they stand in the log.
fn moments(value: &Value, at: &str, found: &mut Vec<(String, u64)>) {
    const TIMES: [&str; 15] = [
        "time",
        "started",
        "next_round",
        "exposed",
        "since",
        "last_ruling",
        "last_read",
        "last_write",
        "held_since",
        "refused_since",
        "put_off_until",
        "last_fetch",
        "from",
        "to",
        "time_of_spread",
    ];
    match value {
        Value::Object(all) => {
            for (key, value) in all.iter().filter(|(key, _)| *key != "log") {
                match value.as_u64().filter(|_| TIMES.contains(&key.as_str())) {
                    Some(millis) => found.push((format!("{at}/{key}"), millis)),
                    None => moments(value, &format!("{at}/{key}"), found),
                }
            }
        }
        Value::Array(all) => all.iter().for_each(|value| moments(value, at, found)),
        _ => {}
    }
}

fn told(seen: &Snapshot) -> Vec<(String, u64)> {
    let mut found = Vec::new();
    moments(&serde_json::to_value(build::status(seen)).unwrap(), "", &mut found);
    found
}

fn all_within(seen: &Snapshot, days: RangeInclusive<u64>) -> bool {
    told(seen).iter().all(|(_, millis)| days.contains(&(millis / DAY)))
}

/// What is to be told whatever the clock did: the rest has no times here.
const KNOWN: [&str; 8] = [
    "/findings/since",
    "/homes/last_ruling",
    "/homes/since",
    "/next_round",
    "/providers/last_read",
    "/providers/last_write",
    "/started",
    "/time",
];

async fn set_right(mut off: i64) {
    let now = Timestamp::from(SystemTime::now()).millis();
    // Three minutes after 1970 began.
    off = off.max(180_000 - i64::try_from(now).unwrap());
    let then = now.saturating_add_signed(off) / DAY;
    let mut mill = Mill::new().await;
    // A family that nobody knows of is something amiss that has a time.
    let nobody = "[[witness]]\nname = \"six\"\noperator = \"six\"\nkind = \"http\"\nurl = \"http://127.0.0.1:1/\"\n\
                  families = [\"ipv6\"]\n";
    mill.write(&(mill.text(FREELY).replace("types = [\"A\"]", "types = [\"A\", \"AAAA\"]") + nobody));
    mill.off.store(off, Ordering::Relaxed);
    mill.start();
    mill.until("all there is to tell", |seen| {
        let told = told(seen);
        KNOWN.iter().all(|known| told.iter().any(|(at, _)| at == known)).then_some(())
    })
    .await;
    let seen = mill.snapshot.borrow().clone();
    assert!(all_within(&seen, then..=then + 1), "{then}: {:?}", told(&seen));
    mill.off.store(0, Ordering::Relaxed);
    mill.tell(Trigger::Round);
    let right = now / DAY..=now / DAY + 1;
    mill.until("the right time", |seen| right.contains(&(seen.time.millis() / DAY)).then_some(())).await;
    let seen = mill.snapshot.borrow().clone();
    assert!(all_within(&seen, right.clone()), "{:?}", told(&seen));
    // What stands on disk says the same to the next process, which begins with the right time.
    mill.rounds(1).await;
    mill.stop().await;
    mill.start();
    mill.until("all there is to tell", |seen| seen.last_reads.contains_key("home").then_some(())).await;
    let seen = mill.snapshot.borrow().clone();
    assert!(told(&seen).iter().any(|(at, _)| at == "/findings/since"), "{:?}", told(&seen));
    assert!(all_within(&seen, right), "{:?}", told(&seen));
    mill.move_to(wan(7));
    mill.until("the name to follow", |seen| {
        seen.providers.get("home")?.records.iter().all(|one| one.address == wan(7)).then_some(())
    })
    .await;
    mill.stop().await;
}

#[tokio::test(flavor = "local")]
async fn a_machine_that_begins_in_1970_has_done_nothing_since_1970() {
    set_right(i64::MIN).await;
}

#[tokio::test(flavor = "local")]
async fn a_machine_that_begins_in_the_future_has_done_nothing_there() {
    set_right(TEN_YEARS).await;
}
