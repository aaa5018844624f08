//! While nothing is in doubt, strangers are asked as seldom as the quorum allows; any doubt has everybody asked in the
//! same round. Over real sockets on loopback; the arithmetic over a whole day is in `watch/rota.rs`.
#![expect(clippy::unwrap_used, reason = "a test that cannot go on has failed")]

use std::collections::BTreeMap;
use std::fs;
use std::net::{IpAddr, Ipv4Addr};

use fingerpost::address::Family;
use fingerpost::clock;
use fingerpost::config::load::{Sources, load};
use fingerpost::rehearsal::echo::{Behaviour, Echo};
use fingerpost::round::Actors;
use fingerpost::settings::Via;
use fingerpost::watch::look::agreed;
use fingerpost::watch::rota::Rota;

const HOME: IpAddr = IpAddr::V4(Ipv4Addr::new(203, 0, 113, 77));
const MOVED: IpAddr = IpAddr::V4(Ipv4Addr::new(203, 0, 113, 9));

/// Five operators, and what is needed to ask them.
async fn five() -> (Vec<Echo>, Actors) {
    let mut text = "[watch]\naccept_special = [\"203.0.113.0/24\"]\n".to_owned();
    let mut echoes = Vec::new();
    for at in 0..5 {
        let echo = Echo::start(HOME).await.unwrap();
        let url = echo.url();
        text += &format!(
            "[[witness]]\nname = \"w{at}\"\noperator = \"o{at}\"\nkind = \"http\"\nurl = \"{url}\"\nfamilies = [\"ipv4\"]\n"
        );
        echoes.push(echo);
    }
    let dir = tempfile::tempdir().unwrap();
    let file = dir.path().join("fingerpost.toml");
    fs::write(&file, text).unwrap();
    let config = load(&Sources { file, ..Sources::default() }).unwrap().config;
    (echoes, Actors::new(config, clock::system()).unwrap())
}

fn asked(echoes: &[Echo]) -> Vec<u64> {
    echoes.iter().map(|echo| *echo.asked().borrow()).collect()
}

#[tokio::test]
async fn three_of_five_are_asked_in_turn_and_all_when_in_doubt() {
    let (echoes, actors) = five().await;
    let (certain, mut rota) = (BTreeMap::from([(Via::only(Family::Ipv4), HOME)]), Rota::default());
    let mut counted = vec![0; 5];
    for _ in 0..10 {
        let looks = actors.poll_some(&certain, &[], &mut rota).await;
        assert_eq!(agreed(&looks), certain, "three who agree are a quorum of five");
        assert_eq!((looks[0].ruling.agreed.len(), looks[0].ruling.unasked.len()), (3, 2));
    }
    counted.iter_mut().for_each(|count| *count += 6);
    assert_eq!(asked(&echoes), counted, "10 rounds · 3 of 5");

    // A lie, or silence, has everybody asked as soon as it is its operator's turn: in one of two rounds.
    for behaviour in [Behaviour::Lies(MOVED), Behaviour::Portal] {
        echoes[3].behaves(behaviour);
        let mut caught = 0;
        for _ in 0..2 {
            let looks = actors.poll_some(&certain, &[], &mut rota).await;
            assert_eq!(agreed(&looks), certain);
            caught += usize::from(looks[0].ruling.unasked.is_empty());
        }
        assert!(caught >= 1, "{behaviour:?} was not noticed in two rounds");
        echoes[3].behaves(Behaviour::Honest);
    }

    // A change is seen by everybody in the very round.
    echoes.iter().for_each(|echo| echo.home_is_at(MOVED));
    let looks = actors.poll_some(&certain, &[], &mut rota).await;
    assert_eq!(agreed(&looks), BTreeMap::from([(Via::only(Family::Ipv4), MOVED)]));
    assert_eq!(looks[0].ruling.agreed.len(), 5);
}

#[tokio::test]
async fn without_certainty_everybody_is_asked() {
    let (echoes, actors) = five().await;
    actors.poll_some(&BTreeMap::new(), &[], &mut Rota::default()).await;
    assert_eq!(asked(&echoes), [1, 1, 1, 1, 1]);
}
