//! Messages to people: that a record changed or is blocked, that writes are on hold, that there has been no ruling for an
//! hour, that something was found amiss, and that it is over.
//!
//! [`causes`] says what there is to tell, [`desk`] decides what is sent when: once a cause until it clears, not in quiet
//! hours, again after a failure. Both are pure. `send` carries it out by a webhook, by mail or by a program, and [`run`] is
//! polled by the daemon beside all else: nothing waits for it.

pub mod causes;
pub mod desk;
mod send;

use std::collections::{BTreeMap, BTreeSet};
use std::time::Duration;

use tokio::sync::watch;
use tokio::time::{Instant, sleep_until};

use crate::clock::Clock;
use crate::config::Message;
use crate::daemon::Snapshot;
use crate::status::build;
use desk::{Desk, Next};

/// What has been told to whom and is not over: the causes by the name of the `[[message]]`. It survives restarts.
pub type Told = BTreeMap<String, BTreeSet<String>>;

/// Tells people by `messages` what the snapshots show, for as long as it is polled; never ends. `before` is what was told in
/// an earlier life, `told` is shown what is told now.
pub async fn run(
    messages: Vec<Message>,
    mut snapshot: watch::Receiver<Snapshot>,
    clock: Clock,
    before: Told,
    told: watch::Sender<Told>,
) {
    let desks =
        messages.iter().map(|message| Desk::new(message, before.get(&message.name).cloned().unwrap_or_default()));
    let mut desks: Vec<Desk> = desks.collect();
    if desks.is_empty() {
        std::future::pending::<()>().await;
    }
    loop {
        let seen = build::status(&snapshot.borrow_and_update());
        // Before the first round nothing is known, and nothing is over.
        if seen.rounds > 0 {
            desks.iter_mut().for_each(|desk| desk.hear(&seen, clock.now()));
        }
        let wake = attend(&messages, &mut desks, &clock, &told).await;
        tokio::select! {
            changed = snapshot.changed() => if changed.is_err() {
                std::future::pending::<()>().await;
            },
            () = sleep_until(wake) => {}
        }
    }
}

/// Sends what is to be sent now, one letter of each desk at a time; returns when to come again.
async fn attend(messages: &[Message], desks: &mut [Desk], clock: &Clock, told: &watch::Sender<Told>) -> Instant {
    let attending = messages.iter().zip(desks.iter_mut()).map(|(message, desk)| async move {
        let wait = match desk.next(clock.now()) {
            Next::Send(letter) => {
                let sent = send::send(message, &letter).await;
                desk.ended(&letter, clock.now(), sent.is_ok());
                desk.say(&message.name, sent.err());
                Duration::ZERO
            }
            Next::Wait(wait) => wait,
        };
        (wait, (message.name.clone(), desk.told().clone()))
    });
    let attended = futures_util::future::join_all(attending).await;
    let all: Told = attended.iter().map(|(_, told)| told.clone()).collect();
    told.send_if_modified(|before| {
        let is_new = *before != all;
        if is_new {
            *before = all;
        }
        is_new
    });
    Instant::now() + attended.iter().map(|(wait, _)| *wait).min().unwrap_or(desk::LONG)
}
