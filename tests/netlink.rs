//! The interface as a witness and the kernel's news, on a real kernel: each test enters a network namespace of its own, where
//! neither /proc nor /sys is to be seen, and moves addresses with iproute2.

#![expect(clippy::unwrap_used, clippy::panic, reason = "a test fails by panicking")]

use std::io::Write;
use std::net::IpAddr;
use std::process::{Command, Stdio};
use std::time::Duration;

use fingerpost::address::Family::{self, Ipv4, Ipv6};
use fingerpost::household::schedule::debounce::Debounce;
use fingerpost::watch::Silence;
use fingerpost::watch::changes::{Changes, Push};
use fingerpost::watch::interface::{Bare, ask};
use tokio::io::AsyncWriteExt;
use tokio::time::{Instant, sleep_until, timeout};

const INSIDE: &str = "NETLINK_TEST_INSIDE";

/// Runs `scenario` in a namespace with the interfaces `wan0` and `lan0`, two ends of one cable: this very test is started
/// again inside, by its name.
fn inside<F: Future<Output = ()>>(test: &str, scenario: impl FnOnce() -> F) {
    if std::env::var_os(INSIDE).is_some() {
        return tokio::runtime::Builder::new_current_thread().enable_all().build().unwrap().block_on(scenario());
    }
    let setup = "set -e
        ip link set lo up
        ip link add wan0 type veth peer name lan0
        echo 0 > /proc/sys/net/ipv6/conf/wan0/accept_dad
        echo 2 > /proc/sys/net/ipv6/conf/wan0/use_tempaddr
        echo 1 > /proc/sys/net/ipv4/conf/wan0/promote_secondaries
        ip link set wan0 up
        ip link set lan0 up
        mount -t tmpfs none /sys
        mount -t tmpfs none /proc
        exec \"$0\" --exact --include-ignored --nocapture \"$1\"";
    let status = Command::new("unshare")
        .args(["--map-root-user", "--net", "--mount", "--kill-child", "--fork", "sh", "-c", setup])
        .arg(std::env::current_exe().unwrap())
        .arg(test)
        .env(INSIDE, "1")
        .status()
        .unwrap_or_else(|error| panic!("unshare (util-linux) is needed: {error}"));
    assert!(status.success(), "{status}");
}

fn ip(arguments: &str) {
    let status = Command::new("ip").args(arguments.split_whitespace()).status().unwrap();
    assert!(status.success(), "ip {arguments}: {status}");
}

async fn told(family: Family) -> Result<IpAddr, Silence> {
    let lab = ["203.0.113.0/24", "2001:db8::/32"].map(|net| net.parse().unwrap());
    ask("wan0", family, &lab).await
}

fn address(text: &str) -> IpAddr {
    text.parse().unwrap()
}

/// The next push; the bound is for a hanging test only.
async fn next(changes: &mut Changes) -> Push {
    timeout(Duration::from_secs(20), changes.next()).await.unwrap_or_else(|_| panic!("no push came")).unwrap()
}

#[test]
#[ignore = "needs unshare and ip: tests/all.sh runs it"]
fn an_interface_tells_its_address() {
    inside("an_interface_tells_its_address", async || {
        let Err(Silence::Interface(Bare::NoneLeft { excluded, .. })) = told(Ipv4).await else { panic!() };
        assert_eq!(excluded, []);
        ip("addr add 192.168.1.2/24 dev wan0");
        assert!(matches!(told(Ipv4).await, Err(Silence::Interface(_))));
        ip("addr add 203.0.113.77/24 dev wan0");
        ip("addr add 203.0.113.7/24 dev wan0");
        assert_eq!(told(Ipv4).await, Ok(address("203.0.113.77")), "the primary, not the lowest");
        ip("addr del 203.0.113.77/24 dev wan0");
        assert_eq!(told(Ipv4).await, Ok(address("203.0.113.7")));
        // A link between two points: our end.
        ip("addr add 203.0.113.5 peer 203.0.113.1 dev wan0");
        assert_eq!(told(Ipv4).await, Ok(address("203.0.113.5")));

        ip("addr add fd00:1::77/64 dev wan0 nodad");
        let Err(Silence::Interface(bare)) = told(Ipv6).await else { panic!() };
        assert!(bare.to_string().contains("fd00:1::77 (fc00::/7 is "), "{bare}");
        ip("addr add 2001:db8:1200:2::77/64 dev wan0 nodad preferred_lft 3000 valid_lft 4000 mngtmpaddr");
        assert_eq!(told(Ipv6).await, Ok(address("2001:db8:1200:2::77")), "and not the temporary one beside it");
        ip("addr add 2001:db8:1200:1::77/64 dev wan0 nodad preferred_lft 3000 valid_lft 4000");
        assert_eq!(told(Ipv6).await, Ok(address("2001:db8:1200:1::77")));
        ip("addr change 2001:db8:1200:1::77/64 dev wan0 preferred_lft 0 valid_lft 4000");
        assert_eq!(told(Ipv6).await, Ok(address("2001:db8:1200:2::77")), "the other one is deprecated");
        ip("addr change 2001:db8:1200:2::77/64 dev wan0 preferred_lft 0 valid_lft 4000");
        let Err(Silence::Interface(bare)) = told(Ipv6).await else { panic!() };
        assert!(bare.to_string().contains("2001:db8:1200:2::77 (deprecated"), "{bare}");

        let silence = ask("wan1", Ipv6, &[]).await.unwrap_err().to_string();
        assert!(silence.contains("no interface \"wan1\"") && silence.contains("lo, lan0, wan0"), "{silence}");
        ip("link del wan0");
        assert!(matches!(told(Ipv4).await, Err(Silence::Interface(Bare::NoSuchInterface { .. }))));
    });
}

#[test]
#[ignore = "needs unshare and ip: tests/all.sh runs it"]
fn changes_are_heard_and_repetitions_are_not() {
    inside("changes_are_heard_and_repetitions_are_not", async || {
        ip("addr add 203.0.113.77/24 dev wan0");
        ip("addr add 2001:db8:1200:1::77/64 dev wan0 nodad preferred_lft 3000 valid_lft 4000");
        let mut changes = Changes::listen().await.unwrap();
        for (commands, wanted) in [
            (&["addr add 203.0.113.78/24 dev wan0"][..], Push::Gained(address("203.0.113.78"))),
            (&["addr del 203.0.113.78/24 dev wan0"], Push::Lost(address("203.0.113.78"))),
            (&["route add default via 203.0.113.1"], Push::Route(Ipv4)),
            (&["route replace default via 203.0.113.2"], Push::Route(Ipv4)),
            (&["-6 route add default via fe80::1 dev wan0"], Push::Route(Ipv6)),
            (&["-6 route del default"], Push::Route(Ipv6)),
            (&["route add 128.0.0.0/1 via 203.0.113.1"], Push::Route(Ipv4)),
            // What was there before is no news, nor are fresh lifetimes, other routes, or what does not leave the link:
            // the first that is heard is the last.
            (
                &[
                    "addr change 203.0.113.77/24 dev wan0 preferred_lft 3000 valid_lft 4000",
                    "addr change 2001:db8:1200:1::77/64 dev wan0 preferred_lft 2000 valid_lft 3000",
                    "addr change 2001:db8:1200:1::77/64 dev wan0 preferred_lft 3000 valid_lft 4000",
                    "route add 198.51.100.0/24 via 203.0.113.1",
                    "addr add 169.254.7.7/16 dev wan0 scope link",
                    "addr change 2001:db8:1200:1::77/64 dev wan0 preferred_lft 0 valid_lft 4000",
                ],
                Push::Lost(address("2001:db8:1200:1::77")),
            ),
            (
                &["addr del 2001:db8:1200:1::77/64 dev wan0", "addr add 2001:db8:1200:2::77/64 dev wan0 nodad"],
                Push::Gained(address("2001:db8:1200:2::77")),
            ),
        ] {
            commands.iter().for_each(|command| ip(command));
            assert_eq!(next(&mut changes).await, wanted, "{commands:?}");
        }
    });
}

#[test]
#[ignore = "needs unshare and ip: tests/all.sh runs it"]
fn an_address_is_heard_once_it_is_known_to_be_unique() {
    inside("an_address_is_heard_once_it_is_known_to_be_unique", async || {
        let mut changes = Changes::listen().await.unwrap();
        // The other end has duplicate address detection, which takes a second (RFC 4862, section 5.4).
        ip("addr add 2001:db8:1200:1::78/64 dev lan0");
        let lab = ["2001:db8::/32".parse().unwrap()];
        let early = ask("lan0", Ipv6, &lab).await.unwrap_err().to_string();
        assert!(early.contains("2001:db8:1200:1::78 (tentative"), "{early}");
        assert_eq!(next(&mut changes).await, Push::Gained(address("2001:db8:1200:1::78")));
        assert_eq!(ask("lan0", Ipv6, &lab).await, Ok(address("2001:db8:1200:1::78")));
    });
}

/// Ten thousand changes, none of which is read meanwhile.
fn overflow() {
    let mut flood = Command::new("ip").args(["-batch", "-"]).stdin(Stdio::piped()).spawn().unwrap();
    flood.stdin.take().unwrap().write_all(batch().as_bytes()).unwrap();
    assert!(flood.wait().unwrap().success());
}

fn batch() -> String {
    let both =
        |n: u32| format!("addr add 10.7.{0}.{1}/32 dev wan0\naddr del 10.7.{0}.{1}/32 dev wan0\n", n / 250, n % 250);
    (0..5000).map(both).collect()
}

#[test]
#[ignore = "needs unshare and ip: tests/all.sh runs it"]
fn nothing_is_dropped_in_silence_behind_the_last_word_of_a_loss() {
    inside("nothing_is_dropped_in_silence_behind_the_last_word_of_a_loss", async || {
        let mut changes = Changes::listen().await.unwrap();
        for round in 0..3 {
            overflow();
            assert_eq!(next(&mut changes).await, Push::Missed, "round {round}");
            // The kernel says once that it drops, and then drops in silence until all is read that the socket holds. A loss is
            // told only after that: from here on all is heard again.
            ip("addr add 203.0.113.77/24 dev wan0");
            assert_eq!(next(&mut changes).await, Push::Gained(address("203.0.113.77")), "round {round}");
            ip("addr del 203.0.113.77/24 dev wan0");
            assert_eq!(next(&mut changes).await, Push::Lost(address("203.0.113.77")));
        }
    });
}

#[test]
#[ignore = "needs unshare and ip: tests/all.sh runs it"]
fn a_flood_of_ten_thousand_changes_causes_few_looks() {
    inside("a_flood_of_ten_thousand_changes_causes_few_looks", async || {
        let mut changes = Changes::listen().await.unwrap();
        let start = Instant::now();
        let mut flood = tokio::process::Command::new("ip").args(["-batch", "-"]).stdin(Stdio::piped()).spawn().unwrap();
        let mut stdin = flood.stdin.take().unwrap();
        let writer = tokio::spawn(async move { AsyncWriteExt::write_all(&mut stdin, batch().as_bytes()).await });
        let (mut debounce, mut looks, mut over) = (Debounce::default(), 0, false);
        loop {
            let due = debounce.due().map(|due| start + due);
            tokio::select! {
                push = next(&mut changes) => {
                    debounce.push(start.elapsed());
                    // What was lost may have been the last: that is told then, and the interface is asked.
                    if over && (push == Push::Gained(address("203.0.113.77")) || push == Push::Missed) {
                        break;
                    }
                }
                () = sleep_until(due.unwrap_or(start)), if due.is_some() => {
                    debounce.looked(start.elapsed());
                    looks += 1;
                }
                status = flood.wait(), if !over => {
                    assert!(status.unwrap().success());
                    ip("addr add 203.0.113.77/24 dev wan0");
                    over = true;
                }
            }
        }
        writer.await.unwrap().unwrap();
        assert_eq!(told(Ipv4).await, Ok(address("203.0.113.77")));
        let took = start.elapsed();
        println!("{} pushes of 10000 changes in {took:?}: {looks} looks", debounce.seen());
        assert!(looks <= 5 + took.as_secs() / 2, "{looks} looks in {took:?}");
        assert!(debounce.ignored() < debounce.seen());
    });
}

/// The kernel tells a loss before what it kept (linux/net/netlink/af_netlink.c, `netlink_overrun`).
#[test]
#[ignore = "needs unshare and ip: tests/all.sh runs it"]
fn what_left_unheard_is_news_when_it_comes_back() {
    inside("what_left_unheard_is_news_when_it_comes_back", async || {
        ip("addr add 203.0.113.77/24 dev wan0");
        let mut changes = Changes::listen().await.unwrap();
        let mut batch: String =
            (0..5000).map(|n| format!("addr add 10.7.{}.{}/32 dev wan0\n", n / 250, n % 250 + 1)).collect();
        batch += "addr del 203.0.113.77/24 dev wan0\n";
        let mut flood = tokio::process::Command::new("ip").args(["-batch", "-"]).stdin(Stdio::piped()).spawn().unwrap();
        flood.stdin.take().unwrap().write_all(batch.as_bytes()).await.unwrap();
        assert!(flood.wait().await.unwrap().success());
        assert_eq!(next(&mut changes).await, Push::Missed);
        ip("addr add 203.0.113.77/24 dev wan0");
        assert_eq!(next(&mut changes).await, Push::Gained(address("203.0.113.77")));
    });
}
