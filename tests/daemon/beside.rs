//! Providers run beside each other, and all else beside them: told by the order of events.

use std::fmt::Write as _;

use crate::mill::{FREELY, Mill, alone, wan};
use fingerpost::audit::Event;
use fingerpost::audit::chain::Known;
use fingerpost::audit::file::read_all;
use fingerpost::daemon::Trigger;
use fingerpost::settings::Via;
use fingerpost::status::model::State;
use fingerpost::status::{Snapshot, build};
use tokio::net::TcpListener;

/// As many zones as the issue of the day: they answer to nothing for as long as the test takes.
const DEAD: usize = 200;

/// Waits until the home is settled at the last number `host`.
async fn settles(mill: &Mill, host: u8) {
    let is_there = |seen: &Snapshot| seen.settled.values().any(|address| *address == wan(host)).then_some(());
    mill.until("the home to settle", is_there).await;
}

/// The addresses that were announced to be written, in order.
fn announced(mill: &Mill) -> Vec<std::net::IpAddr> {
    let entries = read_all(&mill.dir.path().join("state")).unwrap();
    let changes = entries.into_iter().filter_map(|entry| match entry.event {
        Known::Yes(Event::Intent { changes, .. }) => Some(changes),
        _ => None,
    });
    changes.flatten().flat_map(|change| change.after.addresses).collect()
}

fn dead(server: &TcpListener) -> String {
    let (server, mut text) = (server.local_addr().unwrap(), FREELY.to_owned());
    for nth in 0..DEAD {
        // By name they all come before `home`.
        write!(
            text,
            "[provider.dead{nth}]\nkind = \"rfc2136\"\nzone = \"dead{nth}.example\"\nserver = \"{server}\"\n\
             timeout = \"1m\"\nconfirm = \"off\"\n\
             key = {{ name = \"gauge-key\", algorithm = \"hmac-sha256\", secret = {{ file = \"key\" }} }}\n\
             [[record]]\nname = \"n.dead{nth}.example\"\ntypes = [\"A\"]\nprovider = \"dead{nth}\"\nttl = \"2m\"\n"
        )
        .unwrap();
    }
    text
}

#[tokio::test(flavor = "local")]
async fn a_healthy_zone_waits_for_none_of_two_hundred_dead_ones() {
    let mut mill = Mill::new().await;
    let silent = TcpListener::bind("127.0.0.1:0").await.unwrap();
    mill.configure(&dead(&silent));
    mill.start();
    for host in [9, 77, 78] {
        mill.move_to(wan(host));
        mill.arrives(wan(host)).await;
        // Not one of the dead has come to its end, and no round waits for that.
        assert_eq!(mill.snapshot.borrow().providers.keys().collect::<Vec<_>>(), ["home"]);
        mill.rounds(2).await;
    }
    mill.stop().await;
}

/// A home whose name stands at 9 and which has settled at 50, while its server answers nobody.
async fn with_a_write_on_its_way() -> Mill {
    let mut mill = Mill::new().await;
    mill.start();
    mill.arrives(wan(9)).await;
    mill.dns.pause();
    mill.move_to(wan(50));
    settles(&mill, 50).await;
    mill
}

#[tokio::test(flavor = "local")]
async fn what_is_written_is_the_newest_settled_address() {
    let mut mill = with_a_write_on_its_way().await;
    // It is not claimed to be in step meanwhile.
    let shown = build::status(&mill.snapshot.borrow()).records.first().map(|record| record.state);
    assert_ne!(shown, Some(State::InStep));
    mill.move_to(wan(77));
    settles(&mill, 77).await;
    mill.dns.resume();
    mill.arrives(wan(77)).await;
    assert_eq!(announced(&mill), [wan(9), wan(77)]);
    mill.stop().await;
}

#[tokio::test(flavor = "local")]
async fn a_reload_does_not_wait_for_a_silent_provider() {
    let mut mill = Mill::new().await;
    let silent = TcpListener::bind("127.0.0.1:0").await.unwrap();
    let urls: Vec<_> = mill.echoes.iter().map(|echo| echo.url()).collect();
    mill.write(&mill.text_with(&silent.local_addr().unwrap().to_string(), &urls, FREELY));
    mill.start();
    settles(&mill, 9).await;
    mill.configure(FREELY);
    mill.tell(Trigger::Reload);
    mill.arrives(wan(9)).await;
    mill.stop().await;
}

/// While the home is in doubt nothing is wanted, of whoever is being worked on either.
#[tokio::test(flavor = "local")]
async fn a_write_is_dropped_when_its_address_is_in_doubt_by_the_time_of_sending() {
    let mut mill = with_a_write_on_its_way().await;
    for (host, echo) in (60..).zip(&mill.echoes) {
        echo.home_is_at(wan(host));
    }
    mill.tell(Trigger::Round);
    mill.until("a round in doubt", |seen| {
        seen.agreed(&Via::only(fingerpost::address::Family::Ipv4)).is_none().then_some(())
    })
    .await;
    mill.rounds(1).await;
    mill.dns.resume();
    mill.rounds(3).await;
    assert_eq!((mill.stands("gauge"), announced(&mill)), (alone(wan(9)), vec![wan(9)]));
    mill.stop().await;
}
