//! Messages to people: that a record changed or is blocked, that writes are on hold, that there has been no ruling for an
//! hour, that something was found amiss, and that it is over.
//!
//! [`alerts`] says what there is to tell, [`outbox`] decides what is sent when: once a cause until it clears, not in quiet
//! hours, again after a failure. Both are pure. `send` carries it out by a webhook, by mail or by a program, and [`run`] is
//! polled by the daemon beside all else: nothing waits for it.

mod send;

use futures_util::future::join_all;
use tokio::sync::watch;
use tokio::time::sleep;

use crate::clock::Clock;
use crate::settings::Message;
use crate::state::Told;
use crate::status::{Snapshot, build};
pub use fingerpost_core::message::{alerts, outbox};
use outbox::{Delivery, Next, Outbox};

/// Tells people by `messages` what the snapshots show, for as long as it is polled; never ends. `told` begins with what was
/// told in an earlier life, and is shown what is told now.
pub async fn run(messages: Vec<Message>, snapshot: watch::Receiver<Snapshot>, clock: Clock, told: watch::Sender<Told>) {
    told.send_if_modified(|all| {
        let before = all.len();
        all.retain(|name, _| messages.iter().any(|message| message.name == *name));
        all.len() != before
    });
    // Each way to a person by itself: one that is slow holds up no other.
    join_all(messages.iter().map(|message| attend(message, snapshot.clone(), &clock, &told))).await;
    std::future::pending().await
}

/// Tells one person, for as long as there are snapshots.
async fn attend(message: &Message, mut snapshot: watch::Receiver<Snapshot>, clock: &Clock, told: &watch::Sender<Told>) {
    let past = told.borrow().get(&message.name).cloned().unwrap_or_default();
    let mut desk = Outbox::new(message, past);
    let mut setting = clock.setting();
    loop {
        if let Some(step) = clock.step(&mut setting) {
            desk.shift(&step);
        }
        let seen = build::status(&snapshot.borrow_and_update());
        // Before the first round nothing is known, and nothing is over.
        if seen.rounds > 0 {
            desk.hear(&seen, clock.now());
        }
        let wait = match desk.next(clock.now()) {
            Next::Send(letter) => {
                let sent = send::send(message, &letter).await;
                desk.ended(&letter, clock.now(), sent.is_ok());
                match desk.news(sent.err()) {
                    Some(Delivery::Fails(why)) => {
                        tracing::warn!("message {}: {why}; it is tried again", message.name);
                    }
                    Some(Delivery::Works) => tracing::info!("message {}: it gets through again", message.name),
                    None => {}
                }
                None
            }
            Next::Wait(wait) => Some(wait),
        };
        told.send_if_modified(|all| {
            let is_new = all.get(&message.name) != Some(desk.past());
            if is_new {
                all.insert(message.name.clone(), desk.past().clone());
            }
            is_new
        });
        let Some(wait) = wait else { continue };
        tokio::select! {
            changed = snapshot.changed() => if changed.is_err() {
                return;
            },
            () = sleep(wait) => {}
        }
    }
}
