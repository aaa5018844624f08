//! A home with two lines in this process: each is told by its source address. And what is not configured any more.

use fingerpost::address::Family;
use fingerpost::daemon::Trigger;
use fingerpost::rehearsal::echo::{Behaviour, Echo};
use fingerpost::settings::Via;
use fingerpost::state::{self, State};
use fingerpost::status::Snapshot;
use fingerpost::watch::diagnose::Finding;

use crate::mill::{FREELY, Mill, alone, wan};

/// The other line's echo services.
async fn radio() -> Vec<Echo> {
    let mut echoes = Vec::new();
    for _ in 0..3 {
        echoes.push(Echo::start(wan(109)).await.unwrap());
    }
    echoes
}

/// A record that prefers the line of the mill's own echo services to that of `radio`; where rounds come `seldom`, only
/// the first of each start.
fn configure(mill: &Mill, radio: &[Echo], seldom: bool) {
    let lines = "lines = [\"fibre\", \"radio\"]\n[[line]]\nname = \"fibre\"\nsource = [\"127.0.0.1\"]\n\
                 [[line]]\nname = \"radio\"\nsource = [\"127.0.0.2\"]\n";
    let mut text =
        mill.text(&format!("{lines}{FREELY}")).replace("kind = \"http\"", "line = \"fibre\"\nkind = \"http\"");
    for (at, echo) in radio.iter().enumerate() {
        text += &format!(
            "[[witness]]\nname = \"r{at}\"\noperator = \"o{at}\"\nline = \"radio\"\nkind = \"http\"\nurl = \"{}\"\n\
             families = [\"ipv4\"]\n",
            echo.url()
        );
    }
    if seldom {
        text = text.replace("every = \"1s\"", "every = \"1h\"").replace("every = \"100ms\"", "every = \"1h\"");
    }
    mill.write(&text);
}

fn state(mill: &Mill) -> State {
    state::recall(&mill.dir.path().join("state")).unwrap().unwrap()
}

/// Starts the daemon anew, and waits for `count` rounds.
async fn again(mill: &mut Mill, count: u64) {
    mill.start();
    mill.until("rounds", |seen| (seen.rounds >= count).then_some(())).await;
}

#[tokio::test(flavor = "local")]
async fn a_start_takes_no_lesser_line_for_one_round_missed_or_a_new_address() {
    let (mut mill, radio) = (Mill::new().await, radio().await);
    configure(&mill, &radio, false);
    mill.start();
    mill.arrives(wan(9)).await;
    mill.until("the other line", |seen| (seen.settled.len() == 2).then_some(())).await;
    mill.stop().await;
    let written = mill.endings().len();
    // A new address is in sight at the first round.
    mill.echoes.iter().for_each(|echo| echo.home_is_at(wan(10)));
    mill.start();
    mill.arrives(wan(10)).await;
    mill.stop().await;
    assert_eq!(mill.endings().len(), written + 1, "straight to the new address");
    // One round without a ruling, then stopped before the next.
    configure(&mill, &radio, true);
    mill.all_behave(Behaviour::Portal);
    again(&mut mill, 1).await;
    mill.stop().await;
    assert_eq!(mill.stands("gauge"), alone(wan(10)));
    configure(&mill, &radio, false);
    // It stays away: the lesser line is taken, and a start with all in order does not leave that before its time.
    again(&mut mill, 2).await;
    mill.arrives(wan(109)).await;
    mill.stop().await;
    mill.all_behave(Behaviour::Honest);
    again(&mut mill, 4).await;
    assert_eq!(mill.stands("gauge"), alone(wan(109)));
    mill.stop().await;
    assert_eq!(mill.endings().len(), written + 2);
    assert_eq!(state(&mill).lines.follows.into_values().collect::<Vec<_>>(), [Some("radio".to_owned())]);
}

#[tokio::test(flavor = "local")]
async fn a_line_that_is_configured_no_more_has_no_address() {
    let (mut mill, radio) = (Mill::new().await, radio().await);
    configure(&mill, &radio, false);
    mill.start();
    mill.until("both lines", |seen| (seen.settled.len() == 2).then_some(())).await;
    mill.configure(FREELY);
    mill.tell(Trigger::Reload);
    let only = Via::only(Family::Ipv4);
    mill.until("the only line", |seen| seen.settled.keys().eq([&only]).then_some(())).await;
    mill.stop().await;
    let state = state(&mill);
    assert!(state.settled.keys().eq([&only]) && state.lines == Default::default(), "{state:?}");
    // The same at a start.
    configure(&mill, &radio, false);
    mill.start();
    mill.until("both lines again", |seen| (seen.settled.len() == 2).then_some(())).await;
    mill.stop().await;
    mill.configure(FREELY);
    mill.start();
    mill.until("a look", |seen| (seen.rounds > 0).then_some(())).await;
    assert!(mill.snapshot.borrow().settled.keys().all(|via| *via == only));
    mill.stop().await;
}

/// By another operator's, or by another of the same operator's.
#[tokio::test(flavor = "local")]
async fn a_witness_that_was_replaced_is_not_told_of() {
    let (mut mill, honest) = (Mill::new().await, Echo::start(wan(9)).await.unwrap());
    let text = mill.text(FREELY);
    let replaced = text.replace(&mill.echoes[2].url(), &honest.url());
    for after in [replaced.replace("\"o2\"", "\"p2\""), replaced] {
        mill.write(&text);
        mill.echoes[2].home_is_at(wan(66));
        mill.start();
        let dissents =
            |seen: &Snapshot| seen.findings.iter().any(|found| matches!(found.finding, Finding::Dissenter { .. }));
        mill.until("a dissenter", |seen| dissents(seen).then_some(())).await;
        let rounds = mill.snapshot.borrow().rounds;
        mill.write(&after);
        mill.tell(Trigger::Reload);
        mill.until("a look after it", |seen| (seen.rounds > rounds + 1).then_some(())).await;
        assert!(!dissents(&mill.snapshot.borrow()));
        mill.stop().await;
    }
}
