use super::{Address, Body, FOREVER, Malformed, Route, flag, number, parse};
use crate::address::Family;
use proptest::prelude::*;
use std::net::IpAddr;

const LINUX: &str = include_str!("linux.txt");

/// The datagrams that Linux sent at `[moment]`.
pub(crate) fn datagrams(moment: &str) -> Vec<Vec<u8>> {
    let (_, rest) = LINUX.split_once(&format!("[{moment}]\n")).unwrap();
    let hex = rest.lines().take_while(|line| !line.is_empty());
    hex.map(|line| data_encoding::HEXLOWER.decode(line.as_bytes()).unwrap()).collect()
}

fn bodies(moment: &str) -> Vec<Body> {
    datagrams(moment).iter().flat_map(|datagram| parse(datagram).unwrap()).map(|message| message.body).collect()
}

fn ip(text: &str) -> IpAddr {
    text.parse().unwrap()
}

/// The list is held against what iproute2 shows of the same moment; it stands above it in the file.
#[cfg(target_endian = "little")]
#[test]
fn a_list_is_read_as_iproute2_reads_it() {
    let told: Vec<_> = bodies("list")
        .into_iter()
        .filter_map(|body| match body {
            Body::Address(address) if address.interface == 3 => Some(address),
            _ => None,
        })
        .collect();
    let mut shown = Vec::new();
    let mut lines = LINUX.lines().filter_map(|line| line.strip_prefix("#     "));
    while let Some((line, times)) = lines.find(|line| line.starts_with("inet")).zip(lines.next()) {
        let words: Vec<_> = line.split_whitespace().collect();
        let set = |word: &str, bit: u32| if words.contains(&word) { bit } else { 0 };
        let flags = set("secondary", flag::SECONDARY)
            | set("temporary", flag::TEMPORARY)
            | set("deprecated", flag::DEPRECATED)
            | set("tentative", flag::TENTATIVE);
        let preferred = times.split_whitespace().nth(3).unwrap();
        let preferred = preferred.strip_suffix("sec").map_or(FOREVER, |seconds| seconds.parse().unwrap());
        let scope = if words.contains(&"link") { 253 } else { 0 };
        shown.push((ip(words[1].split('/').next().unwrap()), flags, scope, preferred));
    }
    let known = flag::SECONDARY | flag::DEPRECATED | flag::TENTATIVE | flag::DAD_FAILED;
    let told: Vec<_> = told.iter().map(|a| (a.address, a.flags & known, a.scope, a.preferred)).collect();
    assert_eq!(told, shown);
    assert_eq!(told.len(), 9);
}

#[cfg(target_endian = "little")]
#[test]
fn a_list_carries_the_number_of_its_question_and_ends() {
    let messages: Vec<_> = datagrams("list").iter().flat_map(|datagram| parse(datagram).unwrap()).collect();
    assert!(messages.iter().all(|message| message.sequence == 7 && !message.interrupted));
    assert_eq!(messages.iter().filter(|message| message.body == Body::Done).count(), 1);
    assert_eq!(messages.last().unwrap().body, Body::Done);
}

#[cfg(target_endian = "little")]
#[test]
fn news_are_read() {
    let default = |family| Route { family, length: 0, forwards: true };
    assert_eq!(bodies("ip route add default via 203.0.113.1"), [Body::Route(default(Family::Ipv4))]);
    assert_eq!(bodies("ip route del default"), [Body::RouteGone(default(Family::Ipv4))]);
    assert_eq!(bodies("ip -6 route add default via fe80::1 dev wan0"), [Body::Route(default(Family::Ipv6))]);
    let deprecated = bodies("ip addr change 2001:db8:1200:1::77/64 dev wan0 preferred_lft 0 valid_lft 100");
    let address =
        Address { interface: 3, address: ip("2001:db8:1200:1::77"), flags: flag::DEPRECATED, scope: 0, preferred: 0 };
    assert_eq!(deprecated, [Body::Address(address)]);
    let Body::AddressGone(gone) = bodies("ip addr del 203.0.113.78/24 dev wan0")[0] else { panic!() };
    assert_eq!(gone.address, ip("203.0.113.78"));
}

#[test]
fn only_what_the_world_is_reached_by_is_a_default_route() {
    for (family, length, forwards, is_default) in [
        (Family::Ipv4, 0, true, true),
        (Family::Ipv4, 1, true, true),
        (Family::Ipv4, 2, true, false),
        (Family::Ipv4, 0, false, false),
        (Family::Ipv6, 0, true, true),
        (Family::Ipv6, 3, true, true),
        (Family::Ipv6, 4, true, false),
        (Family::Ipv6, 0, false, false),
    ] {
        assert_eq!(Route { family, length, forwards }.is_default(), is_default, "{family} {length} {forwards}");
    }
}

/// A message of `kind` by hand, after linux/netlink.h.
fn message(kind: u16, flags: u16, payload: &[u8]) -> Vec<u8> {
    let mut whole = u32::try_from(16 + payload.len()).unwrap().to_ne_bytes().to_vec();
    whole.extend(kind.to_ne_bytes());
    whole.extend(flags.to_ne_bytes());
    whole.extend([7u32.to_ne_bytes(), 0u32.to_ne_bytes()].concat());
    whole.extend(payload);
    whole
}

fn attribute(kind: u16, value: &[u8]) -> Vec<u8> {
    let length = u16::try_from(4 + value.len()).unwrap();
    let mut whole = [length.to_ne_bytes(), kind.to_ne_bytes()].concat();
    whole.extend(value);
    whole.resize(whole.len().next_multiple_of(4), 0);
    whole
}

fn only(datagram: &[u8]) -> Result<Body, Malformed> {
    let messages = parse(datagram)?;
    assert_eq!(messages.len(), 1);
    Ok(messages[0].body)
}

const V4: [u8; 8] = [number::INET, 24, 0x80, 0, 0, 0, 0, 0];

#[test]
fn ends_and_refusals_are_told_apart() {
    let code = |errno: i32| (-errno).to_ne_bytes();
    assert_eq!(only(&message(number::DONE, 0, &code(0))), Ok(Body::Done));
    assert_eq!(only(&message(number::DONE, 0, &[])), Ok(Body::Done));
    // A list that broke off: EBUSY.
    assert_eq!(only(&message(number::DONE, 0, &code(16))), Ok(Body::Error(16)));
    assert_eq!(only(&message(number::ERROR, 0, &[code(1).to_vec(), vec![0; 16]].concat())), Ok(Body::Error(1)));
    assert_eq!(only(&message(number::ERROR, 0, &i32::MIN.to_ne_bytes())), Ok(Body::Error(i32::MIN)));
    assert_eq!(only(&message(number::OVERRUN, 0, &[])), Ok(Body::Overrun));
    assert!(only(&message(number::ERROR, 0, &[0, 0, 0])).is_err());
    // RTM_NEWLINK, an address of AF_BRIDGE, and one of a number nobody has given out yet.
    assert_eq!(only(&message(16, 0, &[])), Ok(Body::Other));
    assert_eq!(only(&message(number::NEW_ADDRESS, 0, &[7, 0, 0, 0, 0, 0, 0, 0])), Ok(Body::Other));
    assert_eq!(only(&message(999, 0, b"whatever")), Ok(Body::Other));
    assert!(parse(&message(number::DONE, number::DUMP_INTERRUPTED, &[])).unwrap()[0].interrupted);
}

#[test]
fn what_is_cut_short_is_refused_whole() {
    let good =
        message(number::NEW_ADDRESS, 0, &[V4.to_vec(), attribute(number::IFA_LOCAL, &[203, 0, 113, 77])].concat());
    assert!(matches!(only(&good), Ok(Body::Address(_))));
    for end in 1..good.len() {
        assert!(parse(&good[..end]).is_err(), "{end}");
        // Shorter in its own words too: then it is the attribute that is cut, or missing.
        let mut shorter = good[..end].to_vec();
        if end >= 4 {
            shorter[..4].copy_from_slice(&u32::try_from(end).unwrap().to_ne_bytes());
            assert!(parse(&shorter).is_err(), "{end}");
        }
        let twice = [good.clone(), good[..end].to_vec()].concat();
        assert!(parse(&twice).is_err(), "{end}");
    }
    assert_eq!(parse(&[good.clone(), good.clone()].concat()).unwrap().len(), 2);
    assert_eq!(parse(&[]), Ok(vec![]));
}

#[test]
fn attributes_of_a_wrong_length_are_refused() {
    let with = |attributes: Vec<u8>| only(&message(number::NEW_ADDRESS, 0, &[V4.to_vec(), attributes].concat()));
    let local = attribute(number::IFA_LOCAL, &[203, 0, 113, 77]);
    let and = |more: Vec<u8>| with([local.clone(), more].concat());
    assert!(with(local.clone()).is_ok());
    assert!(with(vec![]).is_err(), "no address at all");
    assert!(with(attribute(number::IFA_LOCAL, &[0; 16])).is_err());
    assert!(with(attribute(number::IFA_ADDRESS, &[203, 0, 113])).is_err());
    assert!(and(attribute(number::IFA_FLAGS, &[0; 2])).is_err());
    assert!(and(attribute(number::IFA_FLAGS, &[0; 8])).is_err());
    assert!(and(attribute(number::IFA_CACHEINFO, &[0; 3])).is_err());
    assert!(and(vec![3, 0, 3, 0]).is_err(), "shorter than its own header");
    assert!(and(vec![0, 0, 3, 0]).is_err(), "an attribute without length would never end");
    assert!(and(vec![200, 0, 3, 0]).is_err());
    // What is not needed may be of any length, padded or not.
    assert!(and(attribute(3, b"wan0.7\0")).is_ok());
}

#[test]
fn the_longer_flags_and_the_near_end_of_a_link_are_taken() {
    let payload = [
        V4.to_vec(),
        attribute(number::IFA_LOCAL, &[192, 168, 1, 2]),
        attribute(number::IFA_ADDRESS, &[192, 168, 1, 1]),
        attribute(number::IFA_FLAGS, &0x0120_u32.to_ne_bytes()),
        attribute(number::IFA_CACHEINFO, &[3000_u32.to_ne_bytes(), [0; 4], [0; 4], [0; 4]].concat()),
    ];
    let Ok(Body::Address(address)) = only(&message(number::NEW_ADDRESS, 0, &payload.concat())) else { panic!() };
    assert_eq!((address.address, address.flags, address.preferred), (ip("192.168.1.2"), 0x0120, 3000));
    // Without them, the header's eight flags count, and nothing ends.
    let Ok(Body::Address(address)) = only(&message(number::NEW_ADDRESS, 0, &payload[..2].concat())) else { panic!() };
    assert_eq!((address.flags, address.preferred), (0x80, FOREVER));
}

/// Octets that are messages at least on the outside.
fn framed() -> impl Strategy<Value = Vec<u8>> {
    let kinds = prop::sample::select(vec![2u16, 3, 4, 16, 20, 21, 24, 25]);
    let attributes = prop::collection::vec((0..32_u16, prop::collection::vec(any::<u8>(), 0..20)), 0..6);
    let one = (kinds, any::<[u8; 12]>(), prop::sample::select(vec![2u8, 10, 7]), attributes).prop_map(
        |(kind, head, family, attributes)| {
            let head = if kind >= 24 { &head[..] } else { &head[..8] };
            let mut payload = head.to_vec();
            payload[0] = family;
            payload.extend(attributes.iter().flat_map(|(kind, value)| attribute(*kind, value)));
            message(kind, 0, &payload)
        },
    );
    prop::collection::vec(one, 0..4).prop_map(|messages| messages.concat())
}

proptest! {
    #[test]
    fn any_octets_are_read_without_panic(octets in prop::collection::vec(any::<u8>(), 0..200)) {
        let _ = parse(&octets);
    }

    #[test]
    fn any_messages_are_read_without_panic(octets in framed(), at in any::<prop::sample::Index>(), with: u8, cut: bool) {
        let _ = parse(&octets);
        let mut broken = octets;
        if !broken.is_empty() {
            let at = at.index(broken.len());
            broken[at] = with;
            let _ = parse(if cut { &broken[..at] } else { &broken });
        }
    }
}
