use std::net::SocketAddr;
use std::time::Duration;

use tokio::net::UdpSocket;

use super::{Family, Silence, ask, message, schedule};

const BUDGET: Duration = Duration::from_secs(20);

/// A server on loopback: `act` gets each request, its count and its sender, and may send what it likes.
async fn server<F: Future<Output = ()> + Send>(
    act: impl Fn(std::sync::Arc<UdpSocket>, Vec<u8>, usize, SocketAddr) -> F + Send + 'static,
) -> String {
    let socket = std::sync::Arc::new(UdpSocket::bind("127.0.0.1:0").await.unwrap());
    let at = socket.local_addr().unwrap().to_string();
    tokio::spawn(async move {
        let mut buffer = [0; 600];
        for count in 1.. {
            let (length, from) = socket.recv_from(&mut buffer).await.unwrap();
            act(socket.clone(), buffer[..length].to_vec(), count, from).await;
        }
    });
    at
}

fn answer(request: &[u8]) -> Vec<u8> {
    message::respond(request, "203.0.113.77:4000".parse().unwrap()).unwrap()
}

#[test]
fn requests_follow_the_example_of_rfc_8489_section_6_2_1() {
    // "…requests are sent at times 0 ms, 500 ms, 1500 ms, 3500 ms, 7500 ms, 15500 ms, and 31500 ms. If the client has not
    // received a response after 39500 ms, the client will consider the transaction to have timed out."
    let ends: Vec<_> = schedule().map(|until| until.as_millis()).collect();
    assert_eq!(ends, [500, 1500, 3500, 7500, 15500, 31500, 39500]);
}

#[tokio::test]
async fn an_honest_server_is_believed() {
    let at = server(async |socket, request, _, from| {
        socket.send_to(&answer(&request), from).await.unwrap();
    })
    .await;
    assert_eq!(ask(&at, Family::Ipv4, BUDGET).await, Ok([203, 0, 113, 77].into()));
    let other = Silence::Unreachable("its host has no IPv6 address".into());
    assert_eq!(ask(&at, Family::Ipv6, BUDGET).await, Err(other));
}

#[tokio::test(start_paused = true)]
async fn a_lost_request_is_sent_again_and_is_the_same() {
    let (tell, mut seen) = tokio::sync::mpsc::unbounded_channel();
    let at = server(move |socket, request, count, from| {
        let tell = tell.clone();
        async move {
            tell.send(request.clone()).unwrap();
            if count == 3 {
                socket.send_to(&answer(&request), from).await.unwrap();
            }
        }
    })
    .await;
    assert_eq!(ask(&at, Family::Ipv4, Duration::from_secs(60)).await, Ok([203, 0, 113, 77].into()));
    let first = seen.recv().await.unwrap();
    for _ in 0..2 {
        assert_eq!(seen.recv().await.unwrap(), first);
    }
}

#[tokio::test(start_paused = true)]
async fn silence_ends_with_the_schedule_or_the_budget() {
    let at = server(async |_, _, _, _| ()).await;
    for (budget, silence) in
        [(5000, 5000), (60_000, 39_500)].map(|(b, s)| (Duration::from_millis(b), Duration::from_millis(s)))
    {
        assert_eq!(ask(&at, Family::Ipv4, budget).await, Err(Silence::TimedOut(silence)));
    }
}

#[tokio::test]
async fn a_closed_port_is_told_at_once() {
    let at = UdpSocket::bind("127.0.0.1:0").await.unwrap().local_addr().unwrap().to_string();
    assert_eq!(ask(&at, Family::Ipv4, BUDGET).await, Err(Silence::Unreachable("Connection refused".into())));
}

#[tokio::test]
async fn forged_datagrams_before_the_answer_are_ignored() {
    let at = server(async |socket, request, _, from| {
        let lie = message::respond(&request, "203.0.113.9:4000".parse().unwrap()).unwrap();
        let elsewhere = UdpSocket::bind("127.0.0.1:0").await.unwrap();
        // Right in everything, but from another port, and from another address.
        elsewhere.send_to(&lie, from).await.unwrap();
        UdpSocket::bind("127.0.0.2:0").await.unwrap().send_to(&lie, from).await.unwrap();
        let mut other_id = lie.clone();
        other_id[19] ^= 1;
        for forged in [&other_id[..], &lie[..19], b"", &[0; 600]] {
            socket.send_to(forged, from).await.unwrap();
        }
        socket.send_to(&answer(&request), from).await.unwrap();
    })
    .await;
    assert_eq!(ask(&at, Family::Ipv4, BUDGET).await, Ok([203, 0, 113, 77].into()));
}

#[tokio::test]
async fn an_answer_that_does_not_hold_is_told_and_not_waited_out() {
    type Change = fn(&mut Vec<u8>);
    let table: [(Change, &str); 5] = [
        (|answer| answer.truncate(24), "a malformed STUN message: its length is not the datagram's"),
        (|answer| answer.extend([0; 4]), "a malformed STUN message: its length is not the datagram's"),
        (|answer| answer.resize(600, 0), "a malformed STUN message: its length is not the datagram's"),
        (|answer| answer[28] ^= 1, "a malformed STUN message: FINGERPRINT does not hold"),
        (|answer| answer[1] = 3, "a malformed STUN message: FINGERPRINT does not hold"),
    ];
    for (change, told) in table {
        let at = server(move |socket, request, _, from| async move {
            let mut answer = answer(&request);
            change(&mut answer);
            socket.send_to(&answer, from).await.unwrap();
        })
        .await;
        assert_eq!(ask(&at, Family::Ipv4, BUDGET).await, Err(Silence::NotAnAddress(told.into())));
    }
}

#[tokio::test]
async fn ids_do_not_repeat() {
    let ids: std::collections::BTreeSet<_> = (0..100).map(|_| super::fresh_id().unwrap()).collect();
    assert_eq!(ids.len(), 100);
}
