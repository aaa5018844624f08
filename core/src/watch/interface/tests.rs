use super::{Bare, Excluded, choose};
use crate::address::Family::{self, Ipv4, Ipv6};
use crate::address::special;
use crate::watch::Silence;
use crate::watch::netlink::{Address, Body, FOREVER, flag, parse, tests::datagrams};
use ipnet::IpNet;
use proptest::prelude::*;
use std::net::IpAddr;

fn ip(text: &str) -> IpAddr {
    text.parse().unwrap()
}

/// Documentation ranges stand for global ones.
fn lab() -> Vec<IpNet> {
    ["203.0.113.0/24", "198.51.100.0/24", "2001:db8::/32"].iter().map(|net| net.parse().unwrap()).collect()
}

fn address(text: &str, flags: u32, preferred: u32) -> Address {
    Address { interface: 3, address: ip(text), flags, scope: 0, preferred }
}

fn chosen(family: Family, addresses: &[(&str, u32, u32)]) -> Option<String> {
    let addresses: Vec<_> =
        addresses.iter().map(|(text, flags, preferred)| address(text, *flags, *preferred)).collect();
    choose(&addresses, family, &lab()).ok().map(|address| address.to_string())
}

#[test]
fn each_unfit_address_is_excluded_for_its_reason() {
    for (text, flags, preferred, why) in [
        ("2001:db8:1200:1::77", flag::TEMPORARY, 3000, Excluded::Temporary),
        ("2001:db8:1200:1::77", flag::DEPRECATED, 3000, Excluded::Deprecated),
        // By lifetime alone: the kernel sets the flag when it next looks.
        ("2001:db8:1200:1::77", 0, 0, Excluded::Deprecated),
        ("2001:db8:1200:1::77", flag::TENTATIVE, FOREVER, Excluded::Tentative),
        ("2001:db8:1200:1::77", flag::TENTATIVE | flag::DAD_FAILED, FOREVER, Excluded::Duplicate),
        ("2001:db8:1200:1::77", flag::TEMPORARY | flag::DEPRECATED, 0, Excluded::Deprecated),
        ("203.0.113.77", flag::DEPRECATED, 0, Excluded::Deprecated),
    ] {
        let family = Family::of(ip(text));
        let answer = choose(&[address(text, flags, preferred)], family, &lab());
        assert_eq!(answer, Err(Bare::NoneLeft { family, excluded: vec![(ip(text), why)] }), "{text} {flags:#x}");
    }
    for text in
        ["fd00:1::77", "fc00::1", "fe80::1", "::1", "192.168.1.2", "10.0.0.2", "169.254.1.1", "127.0.0.1", "100.64.0.2"]
    {
        let family = Family::of(ip(text));
        let Err(Bare::NoneLeft { excluded, .. }) = choose(&[address(text, 0, FOREVER)], family, &lab()) else {
            panic!()
        };
        assert_eq!(excluded, [(ip(text), Excluded::Special(special::check(ip(text), &[]).unwrap_err()))]);
    }
}

#[test]
fn special_ranges_that_are_accepted_count() {
    let private = [address("10.0.0.2", 0, FOREVER)];
    assert!(choose(&private, Ipv4, &lab()).is_err());
    assert_eq!(choose(&private, Ipv4, &["10.0.0.0/8".parse().unwrap()]), Ok(ip("10.0.0.2")));
}

#[test]
fn of_several_the_choice_is_stable() {
    let (a, b, old) = ("2001:db8:1::77", "2001:db8:2::77", "2001:db8:0::77");
    for (family, addresses, wanted) in [
        // The lowest, whatever the order.
        (Ipv6, vec![(a, 0, 3000), (b, 0, 3000)], Some(a)),
        (Ipv6, vec![(b, 0, 3000), (a, 0, 3000)], Some(a)),
        // Two that are refreshed in turn do not take turns.
        (Ipv6, vec![(a, 0, 1500), (b, 0, 3000)], Some(a)),
        (Ipv6, vec![(a, 0, 3000), (b, 0, 1500)], Some(a)),
        // One that is no longer refreshed dies behind the new one.
        (Ipv6, vec![(old, 0, 1499), (a, 0, 3000)], Some(a)),
        // Set by hand goes before advertised.
        (Ipv6, vec![(old, 0, 604_800), (b, 0, FOREVER)], Some(b)),
        // Withdrawn in the advertisement of the new prefix (measured: NEWADDR with preferred = 0, no DELADDR).
        (Ipv6, vec![(old, flag::DEPRECATED, 0), (a, 0, 1800)], Some("2001:db8:1::77")),
        // Two hours left of a withdrawn one (RFC 4862, section 5.5.3, e) is its valid lifetime, not the preferred one.
        (Ipv6, vec![(a, flag::TEMPORARY, 3000), (b, 0, 1000)], Some(b)),
        // The bit that is "temporary" in IPv6 is "secondary" in IPv4.
        (Ipv4, vec![("203.0.113.1", flag::SECONDARY, FOREVER), ("203.0.113.77", 0, 300)], Some("203.0.113.77")),
        (Ipv4, vec![("203.0.113.77", flag::SECONDARY, FOREVER)], Some("203.0.113.77")),
        (Ipv4, vec![("203.0.113.78", 0, FOREVER), ("203.0.113.77", 0, FOREVER)], Some("203.0.113.77")),
        (Ipv4, vec![(a, 0, FOREVER)], None),
        (Ipv6, vec![], None),
    ] {
        assert_eq!(chosen(family, &addresses).as_deref(), wanted, "{addresses:?}");
    }
}

/// The list stands in `netlink/linux.txt`, as iproute2 shows it.
#[cfg(target_endian = "little")]
#[test]
fn what_linux_lists_is_chosen_from() {
    let messages = datagrams("list").into_iter().flat_map(|datagram| parse(&datagram).unwrap());
    let addresses: Vec<_> = messages
        .filter_map(|message| if let Body::Address(address) = message.body { Some(address) } else { None })
        .filter(|address| address.interface == 3)
        .collect();
    assert_eq!(choose(&addresses, Ipv4, &lab()), Ok(ip("203.0.113.77")));
    assert_eq!(choose(&addresses, Ipv6, &lab()), Ok(ip("2001:db8:1200:1::77")));
    // Without the lab's leave nothing is left, and each of them is said.
    let Err(Bare::NoneLeft { excluded, .. }) = choose(&addresses, Ipv6, &[]) else { panic!() };
    assert_eq!(excluded.len(), 6);
    let only: Vec<_> = addresses.into_iter().filter(|one| one.address != ip("2001:db8:1200:1::77")).collect();
    assert_eq!(choose(&only, Ipv6, &lab()), Ok(ip("2001:db8:1200:2::77")));
}

#[test]
fn what_is_said_names_each_address_and_the_reason() {
    let addresses = [address("fe80::1", 0, FOREVER), address("2001:db8::9", flag::TEMPORARY, 60)];
    let said = Silence::Interface(choose(&addresses, Ipv6, &lab()).unwrap_err()).to_string();
    assert!(
        said.starts_with("the interface has no IPv6 address for a home, only fe80::1 (fe80::/10 is link-local, "),
        "{said}"
    );
    assert!(said.ends_with("), 2001:db8::9 (temporary, RFC 8981)"), "{said}");
    let none = choose(&[], Ipv4, &[]).unwrap_err().to_string();
    assert_eq!(none, "the interface has no IPv4 address at all");
    let many: Vec<_> = (0..20).map(|n| address(&format!("fe80::{n}"), 0, FOREVER)).collect();
    assert!(choose(&many, Ipv6, &[]).unwrap_err().to_string().ends_with(", 12 more"));
}

fn any_address() -> impl Strategy<Value = Address> {
    let flags = prop::sample::select(vec![0, 0, 0, 0x01, 0x08, 0x20, 0x40, 0x80]);
    let preferred = prop_oneof![Just(0), Just(FOREVER), 1..5000_u32];
    (any::<bool>(), 0..6_u16, flags, preferred).prop_map(|(v6, host, flags, preferred)| {
        let text = if v6 { format!("2001:db8::{host}") } else { format!("203.0.113.{host}") };
        address(&text, flags, preferred)
    })
}

proptest! {
    /// Whatever the order in which the kernel lists them.
    #[test]
    fn the_choice_is_fit_and_does_not_hang_on_the_order(
        mut addresses in prop::collection::vec(any_address(), 0..8), v6: bool, turn in 0..8_usize,
    ) {
        let family = if v6 { Ipv6 } else { Ipv4 };
        let first = choose(&addresses, family, &lab());
        let fit = |one: &Address| Family::of(one.address) == family && one.preferred > 0
            && one.flags & (0x08 | 0x20 | 0x40) == 0 && (!v6 || one.flags & 0x01 == 0);
        prop_assert_eq!(first.is_ok(), addresses.iter().any(fit));
        if let Ok(chosen) = first {
            prop_assert!(addresses.iter().any(|one| one.address == chosen && fit(one)));
            let turn = turn.min(addresses.len());
            addresses.rotate_left(turn);
            prop_assert_eq!(choose(&addresses, family, &lab()), Ok(chosen));
        }
    }
}
