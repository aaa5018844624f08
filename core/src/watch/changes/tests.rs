use super::{Memory, Push, REMEMBERED};
use crate::address::Family;
use crate::watch::netlink::{Address, FOREVER, flag, tests::datagrams};
use proptest::prelude::*;
use std::net::{IpAddr, Ipv4Addr};

fn ip(text: &str) -> IpAddr {
    text.parse().unwrap()
}

fn address(text: &str, flags: u32, preferred: u32) -> Address {
    Address { interface: 3, address: ip(text), flags, scope: 0, preferred }
}

/// One step: an address as told (or gone), and what of it is news.
#[test]
fn only_what_changes_is_news() {
    let home = "2001:db8:1200:1::77";
    let there = |flags, preferred| Some((flags, preferred));
    let (gained, lost) = (Some(Push::Gained(ip(home))), Some(Push::Lost(ip(home))));
    for (title, steps) in [
        ("advertised again and again", vec![(there(0, 3000), gained), (there(0, 2990), None), (there(0, 3000), None)]),
        (
            "deprecated, then back",
            vec![(there(0, 9), gained), (there(flag::DEPRECATED, 0), lost), (there(0, 9), gained)],
        ),
        ("deprecated by lifetime alone", vec![(there(0, 9), gained), (there(0, 0), lost), (there(0, 0), None)]),
        ("deprecated, then gone", vec![(there(0, 9), gained), (there(0, 0), lost), (None, None)]),
        ("tentative first", vec![(there(flag::TENTATIVE, FOREVER), None), (there(0, FOREVER), gained)]),
        ("a duplicate", vec![(there(flag::TENTATIVE, 9), None), (there(flag::TENTATIVE | flag::DAD_FAILED, 9), None)]),
        ("gone and back", vec![(there(0, 9), gained), (None, lost), (there(0, 9), gained)]),
        ("gone without having been seen", vec![(None, lost)]),
        (
            "temporary ones too: what the outside sees may be one",
            vec![(there(flag::TEMPORARY, 9), gained), (None, lost)],
        ),
    ] {
        let mut memory = Memory::default();
        for (at, (step, wanted)) in steps.into_iter().enumerate() {
            let told = match step {
                Some((flags, preferred)) => memory.note(&address(home, flags, preferred)),
                None => memory.forget(&address(home, 0, 0)),
            };
            assert_eq!(told, wanted, "{title}, step {at}");
        }
    }
}

#[test]
fn what_does_not_reach_beyond_the_link_is_no_news() {
    let mut memory = Memory::default();
    for scope in [253, 254, 255] {
        let local = Address { scope, ..address("fe80::1", 0, FOREVER) };
        assert_eq!((memory.note(&local), memory.forget(&local)), (None, None));
    }
    assert_eq!(memory, Memory::default());
}

#[test]
fn one_address_on_two_interfaces_is_two() {
    let mut memory = Memory::default();
    let (here, there) =
        (address("203.0.113.77", 0, FOREVER), Address { interface: 4, ..address("203.0.113.77", 0, FOREVER) });
    assert!(memory.note(&here).is_some() && memory.note(&there).is_some());
    assert!(memory.forget(&here).is_some());
    assert!(memory.note(&there).is_none() && memory.note(&here).is_some());
}

#[test]
fn what_is_remembered_is_bounded_and_what_does_not_fit_is_news() {
    let mut memory = Memory::default();
    let all: Vec<_> =
        (0..10_000_u32).map(|n| address(&Ipv4Addr::from(0xcb00_0000 + n).to_string(), 0, FOREVER)).collect();
    assert!(all.iter().all(|address| memory.note(address).is_some()));
    assert_eq!(memory.usable.len(), REMEMBERED);
    assert!(memory.note(&all[0]).is_none() && memory.note(&all[9_999]).is_some());
    assert!(memory.forget(&all[0]).is_some() && memory.note(&all[9_999]).is_some());
    assert!(memory.note(&all[9_999]).is_none());
}

/// What Linux sends, and iproute2's command that made it do so, stand in `netlink/linux.txt`.
#[cfg(target_endian = "little")]
#[test]
fn what_linux_sends_is_heard() {
    let mut memory = Memory::default();
    for datagram in datagrams("list") {
        memory.hear(&datagram);
    }
    let mut hear =
        |moment: &str| -> Vec<Push> { datagrams(moment).iter().filter_map(|datagram| memory.hear(datagram)).collect() };
    assert_eq!(hear("ip route add default via 203.0.113.1"), [Push::Route(Family::Ipv4)]);
    assert_eq!(hear("ip -6 route add default via fe80::1 dev wan0"), [Push::Route(Family::Ipv6)]);
    assert_eq!(hear("ip route add 198.51.100.0/24 via 203.0.113.1"), []);
    let deprecated = "ip addr change 2001:db8:1200:1::77/64 dev wan0 preferred_lft 0 valid_lft 100";
    assert_eq!(hear(deprecated), [Push::Lost(ip("2001:db8:1200:1::77"))]);
    // Only a temporary address goes with it; the lifetimes of the other are news to nobody.
    let refreshed = "ip addr change 2001:db8:1200:2::77/64 dev wan0 preferred_lft 2000 valid_lft 4000";
    assert_eq!(hear(refreshed), [Push::Lost(ip("2001:db8:1200:2:6578:960e:8362:6039"))]);
    assert_eq!(hear("ip addr del 203.0.113.78/24 dev wan0"), [Push::Lost(ip("203.0.113.78"))]);
    assert_eq!(hear("ip route del default"), [Push::Route(Family::Ipv4)]);
    assert_eq!(memory.hear(&[0; 3]), Some(Push::Missed));
}

proptest! {
    #[test]
    fn any_octets_are_heard_without_panic(octets in prop::collection::vec(any::<u8>(), 0..120)) {
        let _ = Memory::default().hear(&octets);
    }

    /// A change of use is told once, in the order in which it comes.
    #[test]
    fn gains_and_losses_take_turns(steps in prop::collection::vec((any::<bool>(), 0..3_u32), 1..40)) {
        let mut memory = Memory::default();
        let mut usable = false;
        memory.note(&address("203.0.113.77", 0, 0));
        for (gone, preferred) in steps {
            let one = address("203.0.113.77", 0, preferred);
            let told = if gone { memory.forget(&one) } else { memory.note(&one) };
            let now = !gone && preferred > 0;
            let wanted = match (usable, now) {
                (false, true) => Some(Push::Gained(one.address)),
                (true, false) => Some(Push::Lost(one.address)),
                _ => None,
            };
            prop_assert_eq!(told, wanted);
            if gone {
                // Unknown from here on: the next mention is judged afresh.
                memory.note(&address("203.0.113.77", 0, 0));
            }
            usable = now;
        }
    }
}
