//! The daemon's loop, in this process, among echo services and a DNS server on loopback: what it does when things
//! are missing, hang, come back, and when it is told something. Waiting is for conditions; no test reads a clock.

#![expect(clippy::unwrap_used, clippy::expect_used, clippy::panic, reason = "a test fails by panicking")]

mod beside;
mod clock;
#[path = "../common/mod.rs"]
mod common;
mod lines;
mod mill;

use std::fs;
use std::net::IpAddr;
use std::sync::Arc;
use std::sync::atomic::Ordering;

use crate::common::{ZONE, dns};
use crate::mill::{FREELY, LATE, LOST, Mill, PATIENCE, SOUND, TEN_YEARS, alone, wan};
use fingerpost::audit::chain::Known;
use fingerpost::audit::file::{Log, read_all};
use fingerpost::audit::{Ending, Event};
use fingerpost::clock::Timestamp;
use fingerpost::daemon::{DaemonError, Trigger};
use fingerpost::provider::Change;
use fingerpost::record::RecordType;
use fingerpost::rehearsal::echo::Behaviour;
use fingerpost::settings::Audit;
use fingerpost::status::model::State;
use fingerpost::status::{Snapshot, build};
use fingerpost::update::RecordState;
use fingerpost::watch::look::agreed;
use tokio::net::TcpListener;
use tokio::time::timeout;

/// What is told of the first record.
fn told(seen: &Snapshot) -> Option<(State, String)> {
    build::status(seen).records.first().map(|record| (record.state, record.note.clone()))
}

fn no_ruling(seen: &Snapshot) -> Option<()> {
    (!seen.looks.is_empty() && agreed(&seen.looks).is_empty()).then_some(())
}

#[tokio::test(flavor = "local")]
async fn started_with_nothing_in_reach_it_recovers_by_itself() {
    let mut mill = Mill::new().await;
    mill.all_behave(Behaviour::Portal);
    mill.dns.pause();
    mill.start();
    mill.until("a round without a ruling", no_ruling).await;
    mill.rounds(2).await;
    mill.all_behave(Behaviour::Honest);
    assert!(mill.trouble().await.contains("127.0.0.1"));
    assert_eq!(mill.stands("gauge"), alone(wan(1)));
    mill.dns.resume();
    mill.arrives(wan(9)).await;
    mill.stop().await;
}

#[tokio::test(flavor = "local")]
async fn without_a_ruling_the_names_stay() {
    let mut mill = Mill::new().await;
    mill.start();
    mill.arrives(wan(9)).await;
    let before = *mill.dns.progress().borrow();
    mill.echoes[0].behaves(Behaviour::Portal);
    mill.echoes[1].behaves(Behaviour::Lies(wan(66)));
    mill.move_to(wan(77));
    mill.until("a round without a ruling", no_ruling).await;
    mill.rounds(3).await;
    assert_eq!((*mill.dns.progress().borrow(), mill.stands("gauge")), (before, alone(wan(9))));
    mill.all_behave(Behaviour::Honest);
    mill.arrives(wan(77)).await;
    mill.stop().await;
}

/// A wait that is over when there is nothing to write, for want of a ruling, must not become a loop without rest.
#[tokio::test(flavor = "local")]
async fn an_outage_of_everything_is_waited_out_at_rest() {
    for strict in [false, true] {
        let mut mill = Mill::new().await;
        if strict {
            // The write is put off by a limit that soon lets it pass.
            mill.configure("[limits]\nspacing = \"500ms\"\nburst = 1\ndaily = 1000\n");
        }
        mill.start();
        mill.arrives(wan(9)).await;
        if !strict {
            mill.dns.pause();
        }
        mill.move_to(wan(77));
        mill.until("the write to fail or to be put off", |seen| {
            let report = seen.providers.get("home")?;
            (report.trouble.is_some() || report.put_off_until.is_some()).then_some(())
        })
        .await;
        mill.all_behave(Behaviour::Portal);
        mill.tell(Trigger::Round);
        mill.until("a round without a ruling", no_ruling).await;
        // Each time around the loop looks at the clock a few times.
        let before = mill.asked.load(Ordering::Relaxed);
        mill.rounds(4).await;
        let looked = mill.asked.load(Ordering::Relaxed) - before;
        assert!(looked < 100, "{looked} looks at the clock in four rounds");
        mill.all_behave(Behaviour::Honest);
        mill.dns.resume();
        mill.tell(Trigger::Round);
        mill.arrives(wan(77)).await;
        mill.stop().await;
    }
}

/// Why the home is where it is stands in the log before anything is sent there, also when it could not be written at first.
#[tokio::test(flavor = "local")]
async fn an_address_that_could_not_be_entered_is_entered_before_it_is_published() {
    let mut mill = Mill::new().await;
    mill.start();
    mill.arrives(wan(9)).await;
    // Nobody can write to a directory, root included.
    let state = mill.dir.path().join("state");
    let (log, away) = (state.join("audit.jsonl"), state.join("away"));
    fs::rename(&log, &away).unwrap();
    fs::create_dir(&log).unwrap();
    mill.move_to(wan(77));
    assert!(mill.trouble().await.contains("audit.jsonl"));
    mill.rounds(2).await;
    assert_eq!(mill.stands("gauge"), alone(wan(9)));
    let kept: serde_json::Value = serde_json::from_slice(&fs::read(state.join("state.json")).unwrap()).unwrap();
    assert!(!kept["settled"].to_string().contains("203.0.113.77"), "a state without a reason: {kept}");
    fs::remove_dir(&log).unwrap();
    fs::rename(&away, &log).unwrap();
    mill.tell(Trigger::Round);
    mill.arrives(wan(77)).await;
    mill.stop().await;
    let entries = read_all(&state).unwrap();
    let settled = entries.iter().position(|entry| {
        matches!(&entry.event, Known::Yes(Event::Settled { from, to, .. }) if *to == wan(77) && *from == Some(wan(9)))
    });
    let intent = entries.iter().rposition(|entry| matches!(&entry.event, Known::Yes(Event::Intent { .. })));
    assert!(settled.is_some() && settled < intent, "{entries:?}");
    let count = entries.iter().filter(|entry| matches!(&entry.event, Known::Yes(Event::Settled { .. }))).count();
    assert_eq!(count, 2, "each once");
}

#[tokio::test(flavor = "local")]
async fn a_bad_configuration_is_not_taken_and_a_good_one_is() {
    let mut mill = Mill::new().await;
    mill.start();
    mill.arrives(wan(9)).await;
    let moved = mill.text(FREELY).replace("/state\"", "/elsewhere\"");
    for (text, word) in [("[watch]\nevry = \"5m\"\n", "evry"), ("[[", "fingerpost.toml"), (&moved, "state_dir")] {
        mill.write(text);
        mill.tell(Trigger::Reload);
        mill.until(word, |seen| seen.reload_refused.as_ref()?.contains(word).then_some(())).await;
    }
    mill.move_to(wan(77));
    mill.arrives(wan(77)).await;
    mill.configure(&format!(
        "[[record]]\nname = \"cam.{ZONE}\"\ntypes = [\"A\"]\nprovider = \"home\"\nttl = \"2m\"\n{FREELY}"
    ));
    mill.tell(Trigger::Reload);
    mill.until("the reload", |seen| seen.reload_refused.is_none().then_some(())).await;
    mill.until("a second record", |seen| (seen.providers.get("home")?.records.len() == 2).then_some(())).await;
    mill.arrives(wan(77)).await;
    assert_eq!(mill.stands("cam"), alone(wan(77)));
    mill.stop().await;
}

#[tokio::test(flavor = "local")]
async fn a_reload_takes_the_settings_of_the_log_over() {
    let mut mill = Mill::new().await;
    mill.start();
    for host in 9..30 {
        mill.move_to(wan(host));
        mill.arrives(wan(host)).await;
    }
    let files = || fingerpost::audit::file::files(&mill.dir.path().join("state")).unwrap().len();
    assert_eq!(files(), 1);
    mill.configure(&format!("[audit]\nmax_bytes = 4096\n{FREELY}"));
    mill.tell(Trigger::Reload);
    mill.move_to(wan(77));
    mill.arrives(wan(77)).await;
    assert_eq!(files(), 2);
    mill.stop().await;
}

#[tokio::test(flavor = "local")]
async fn a_reload_that_drops_a_family_ends_its_outage() {
    let mut mill = Mill::new().await;
    // The echo services are at IPv4 addresses: over IPv6 nobody answers.
    let both = |text: &str| text.replace("families = [\"ipv4\"]", "families = [\"ipv4\", \"ipv6\"]");
    mill.write(&both(&mill.text(FREELY)).replace("types = [\"A\"]", "types = [\"A\", \"AAAA\"]"));
    mill.start();
    mill.until("an outage", |seen| (seen.outages.len() == 1).then_some(())).await;
    mill.until("the other family", |seen| (told(seen)?.0 == State::InStep).then_some(())).await;
    // It has a state although there is nothing that it should be.
    let records = build::status(&mill.snapshot.borrow()).records;
    let states: Vec<_> = records.iter().map(|one| (one.rtype, one.state, one.note.as_str())).collect();
    assert_eq!(states, [(RecordType::A, State::InStep, ""), (RecordType::Aaaa, State::Adrift, "no ruling for IPv6")]);
    mill.write(&both(&mill.text(FREELY)));
    mill.tell(Trigger::Reload);
    mill.until("a look without it", |seen| (seen.looks.len() == 1).then_some(())).await;
    assert!(mill.snapshot.borrow().outages.is_empty());
    mill.stop().await;
}

/// It is set aside before the next line is written, which in step may be weeks.
#[tokio::test(flavor = "local")]
async fn a_torn_end_of_the_log_is_no_flaw_of_its_chain() {
    let mut mill = Mill::new().await;
    mill.start();
    mill.arrives(wan(9)).await;
    mill.stop().await;
    let log = mill.dir.path().join("state/audit.jsonl");
    let whole = fs::read_to_string(&log).unwrap();
    for (text, flawed) in
        [(format!("{whole}{{\"seq\":"), false), (whole.replacen("203.0.113.9", "203.0.113.8", 1), true)]
    {
        fs::write(&log, text).unwrap();
        mill.start();
        mill.rounds(1).await;
        assert_eq!(mill.snapshot.borrow().flaw.is_some(), flawed, "{:?}", mill.snapshot.borrow().flaw);
        mill.stop().await;
    }
}

/// A wrong key is no hold (nobody signs that it is wrong): it is told, and a reload with the right one is enough.
#[tokio::test(flavor = "local")]
async fn a_wrong_key_is_told_and_the_right_one_follows_at_a_reload() {
    let mut mill = Mill::new().await;
    let wrong = mill.text(FREELY).replace("gauge-key", "other-key");
    mill.write(&wrong);
    mill.start();
    mill.until("the refusal", |seen| {
        let report = seen.providers.get("home")?;
        matches!(report.trouble, Some(fingerpost::update::Trouble::Unproven { .. })).then_some(())
    })
    .await;
    assert!(mill.snapshot.borrow().holds.is_empty());
    let since = mill.snapshot.borrow().refused_since["home"];
    // It goes on after a restart: what is told of it says since when, and a day of it is a finding.
    mill.stop().await;
    mill.start();
    let again = mill.until("the refusal after a restart", |seen| {
        let report = seen.providers.get("home")?;
        matches!(report.trouble, Some(fingerpost::update::Trouble::Unproven { .. }))
            .then_some(seen.refused_since["home"])
    });
    assert_eq!(again.await, since);
    mill.configure(FREELY);
    mill.tell(Trigger::Reload);
    mill.arrives(wan(9)).await;
    assert!(mill.snapshot.borrow().refused_since.is_empty());
    mill.stop().await;
}

#[tokio::test(flavor = "local")]
async fn stopped_while_a_witness_hangs_it_ends_at_once() {
    let mut mill = Mill::new().await;
    let hanging = TcpListener::bind("127.0.0.1:0").await.unwrap();
    let url = format!("http://{}/", hanging.local_addr().unwrap());
    mill.write(&mill.text_with(&mill.dns.addr().to_string(), &[url], FREELY));
    mill.start();
    let (state, note) = mill.until("the first snapshot", told).await;
    assert_eq!((state, note.as_str()), (State::Unknown, "not looked at yet"));
    // From here on it hangs, and the witness has a minute.
    let _open = timeout(PATIENCE, hanging.accept()).await.unwrap().unwrap();
    mill.stop().await;
}

#[tokio::test(flavor = "local")]
async fn stopped_while_a_write_is_in_flight_it_waits_for_the_end() {
    let (mut mill, wire) = Mill::wired().await;
    mill.start();
    mill.arrives(wan(9)).await;
    let stop = mill.triggers.clone().unwrap();
    mill.dns.before_next_update(move |_| {
        wire.store(LATE, Ordering::Relaxed);
        stop.try_send(Trigger::Stop).unwrap();
    });
    mill.move_to(wan(77));
    mill.ended().await.unwrap();
    assert_eq!(mill.stands("gauge"), alone(wan(77)));
    assert_eq!(mill.endings(), [Some(Ending::Done); 2]);
}

#[tokio::test(flavor = "local")]
async fn stopped_while_a_write_hangs_it_ends_after_the_grace_and_the_next_start_finds_out() {
    let (mut mill, wire) = Mill::wired().await;
    mill.start();
    mill.arrives(wan(9)).await;
    let (stop, lost) = (mill.triggers.clone().unwrap(), Arc::clone(&wire));
    mill.dns.before_next_update(move |_| {
        lost.store(LOST, Ordering::Relaxed);
        stop.try_send(Trigger::Stop).unwrap();
    });
    let mut progress = mill.dns.progress();
    let received = progress.borrow().received;
    mill.move_to(wan(77));
    timeout(PATIENCE, progress.wait_for(|seen| seen.received > received)).await.unwrap().unwrap();
    // Now nothing is left to happen but that the grace passes.
    tokio::time::pause();
    mill.task.take().unwrap().await.unwrap().unwrap();
    tokio::time::resume();
    assert_eq!(mill.endings(), [Some(Ending::Done), None]);
    wire.store(SOUND, Ordering::Relaxed);
    mill.start();
    mill.arrives(wan(77)).await;
    mill.stop().await;
    assert_eq!(mill.endings(), [Some(Ending::Done); 2]);
}

/// The configuration may have been changed between a crash and the next start.
#[tokio::test(flavor = "local")]
async fn an_intent_that_can_no_longer_be_read_is_closed_and_blocks_nothing() {
    let intent = |provider: &str, name: &str| Event::Intent {
        provider: provider.to_owned(),
        target: String::new(),
        changes: vec![Change { name: dns(name), rtype: RecordType::A, before: None, after: alone(wan(1)).unwrap() }],
        word: Vec::new(),
    };
    let mut mill = Mill::new().await;
    let state = mill.dir.path().join("state");
    fs::create_dir(&state).unwrap();
    let mut log =
        Log::open(&state, Audit { max_bytes: 1 << 20, keep: 9, unknown_after: std::time::Duration::from_secs(3600) })
            .unwrap();
    let gauge = format!("gauge.{ZONE}");
    for (provider, name) in [("gone", gauge.as_str()), ("home", "gauge.of-another-zone.example"), ("home", &gauge)] {
        log.append(Timestamp::from_millis(0), intent(provider, name)).unwrap();
    }
    drop(log);
    mill.start();
    // The first pass only resolves: nothing is settled yet.
    mill.until("a record", |seen| seen.providers.get("home")?.records.first().map(|_| ())).await;
    mill.arrives(wan(9)).await;
    mill.stop().await;
    assert_eq!(mill.endings(), [Ending::Overtaken, Ending::Overtaken, Ending::Done, Ending::Done].map(Some));
}

#[tokio::test(flavor = "local")]
async fn a_clock_that_jumps_by_years_blocks_nothing() {
    let mut mill = Mill::new().await;
    mill.configure("[limits]\nspacing = \"200ms\"\nburst = 2\ndaily = 1000\n");
    mill.start();
    for (host, off) in (100..).zip([0, -TEN_YEARS, 0, 4 * TEN_YEARS, -TEN_YEARS, i64::MAX, 0]) {
        mill.off.store(off, Ordering::Relaxed);
        mill.move_to(wan(host));
        mill.arrives(wan(host)).await;
    }
    mill.stop().await;
}

#[tokio::test(flavor = "local")]
async fn when_nobody_can_tell_it_anything_any_more_it_ends_with_an_error() {
    let mut mill = Mill::new().await;
    mill.start();
    mill.arrives(wan(9)).await;
    mill.triggers = None;
    assert!(matches!(mill.ended().await, Err(DaemonError::Deaf)));
}

#[tokio::test(flavor = "local")]
async fn two_daemons_on_one_state_directory_are_one_too_many() {
    let mut mill = Mill::new().await;
    mill.start();
    mill.arrives(wan(9)).await;
    let (first, triggers) = (mill.task.take(), mill.triggers.take());
    mill.start();
    let refused = mill.ended().await.unwrap_err();
    assert!(refused.to_string().contains("another fingerpost is at work"), "{refused}");
    (mill.task, mill.triggers) = (first, triggers);
    mill.stop().await;
    mill.start();
    mill.arrives(wan(9)).await;
    mill.stop().await;
}

/// A server that takes questions and answers none holds nothing up: not a round, not another write, not a reload, and
/// not the end.
#[tokio::test(flavor = "local")]
async fn while_a_server_is_silent_everything_goes_on() {
    let mut mill = Mill::new().await;
    let silent = tokio::net::UdpSocket::bind("127.0.0.1:0").await.unwrap();
    let at = silent.local_addr().unwrap();
    let asking = |servers: &str| mill.text(FREELY).replace("confirm = \"off\"", &format!("confirm = [{servers}]"));
    let (both, one) =
        (asking(&format!("\"{}\", \"{at}\"", mill.dns.addr())), asking(&format!("\"{}\"", mill.dns.addr())));
    mill.write(&both);
    mill.start();
    let spreading = |home: IpAddr| {
        move |seen: &Snapshot| {
            let record = &seen.providers.get("home")?.records[0];
            let spreads = matches!(record.standing, RecordState::Spreading { .. }) && record.address == home;
            spreads.then(|| seen.sentence())
        }
    };
    let sentence = mill.until("the spreading", spreading(wan(9))).await;
    assert!(sentence.starts_with("0 of 1 records in step, 1 spreading; "), "{sentence}");
    let named = format!("1 spreading ({at} does not answer); ");
    mill.until("its name", |seen| seen.sentence().contains(&named).then_some(())).await;
    let mut datagram = [0; 512];
    timeout(PATIENCE, silent.recv(&mut datagram)).await.expect("a question").unwrap();
    mill.rounds(2).await;
    mill.move_to(wan(77));
    mill.until("another write", spreading(wan(77))).await;
    assert_eq!(mill.stands("gauge"), alone(wan(77)));
    mill.stop().await;

    // The next start goes on asking; then the server is no longer listed.
    mill.start();
    timeout(PATIENCE, silent.recv(&mut datagram)).await.expect("a question").unwrap();
    mill.write(&one);
    mill.tell(Trigger::Reload);
    mill.arrives(wan(77)).await;
    // Whatever had been sent before has come by now: loopback does not reorder.
    while silent.try_recv(&mut datagram).is_ok() {}
    let entries = read_all(&mill.dir.path().join("state")).unwrap();
    let spread = |entry: &&fingerpost::audit::chain::Entry| matches!(entry.event, Known::Yes(Event::Spread { .. }));
    assert_eq!(entries.iter().filter(spread).count(), 1, "the first write was overtaken");
    mill.rounds(2).await;
    assert!(silent.try_recv(&mut datagram).is_err(), "in step, somebody was asked");
    mill.stop().await;
}
