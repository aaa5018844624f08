use std::net::IpAddr;

use proptest::prelude::*;

use super::*;

fn attribute(kind: u16, value: &[u8]) -> Vec<u8> {
    let mut bytes = [&(4 + value.len() as u16).to_ne_bytes(), &kind.to_ne_bytes()[..], value].concat();
    bytes.resize(bytes.len().next_multiple_of(4), 0);
    bytes
}

fn message(kind: u16, flags: u16, body: &[u8]) -> Vec<u8> {
    let length = (16 + body.len()) as u32;
    [&length.to_ne_bytes()[..], &kind.to_ne_bytes(), &flags.to_ne_bytes(), &[0; 8], body].concat()
}

/// A route's header: destination length, table, kind and flags, then its attributes.
fn route(to: u8, table: u8, kind: u8, flags: u32, attributes: &[Vec<u8>]) -> Vec<u8> {
    let header = [&[2, to, 0, 0, table, 3, 0, kind][..], &flags.to_ne_bytes()].concat();
    message(RTM_NEWROUTE, 2, &[header, attributes.concat()].concat())
}

fn via(last: u8, interface: u32, metric: u32) -> Vec<Vec<u8>> {
    vec![
        attribute(RTA_PRIORITY, &metric.to_ne_bytes()),
        attribute(RTA_GATEWAY, &[192, 168, 77, last]),
        attribute(RTA_OIF, &interface.to_ne_bytes()),
    ]
}

fn done() -> Vec<u8> {
    message(NLMSG_DONE, 2, &0i32.to_ne_bytes())
}

fn taken(datagrams: &[Vec<u8>]) -> Dump {
    let mut dump = Dump::default();
    datagrams.iter().for_each(|datagram| dump.take(datagram).unwrap());
    dump
}

fn chosen(routes: &[Vec<u8>], interface: Option<u32>) -> Option<(u8, u32)> {
    let route = choose(&taken(&[routes.concat()]).routes, interface)?;
    let IpAddr::V4(gateway) = route.gateway else { panic!("{route:?}") };
    Some((gateway.octets()[3], route.interface))
}

fn hop(last: u8, interface: u32, flags: u8) -> Vec<u8> {
    let inner = attribute(RTA_GATEWAY, &[192, 168, 77, last]);
    [&(8 + inner.len() as u16).to_ne_bytes()[..], &[flags, 0], &interface.to_ne_bytes(), &inner].concat()
}

#[test]
fn the_lowest_metric_of_the_main_table_wins() {
    let tunnel = attribute(RTA_OIF, &7u32.to_ne_bytes());
    let routes = [
        route(0, 254, 1, 0, &via(2, 3, 600)),
        route(0, 254, 1, 0, &via(1, 2, 100)),
        // Not the main table, not a default, a blackhole, a cache entry, a dead link: each with a better metric.
        route(0, 100, 1, 0, &via(9, 2, 0)),
        route(24, 254, 1, 0, &via(9, 2, 0)),
        route(0, 254, 6, 0, &via(9, 2, 0)),
        route(0, 254, 1, RTM_F_CLONED, &via(9, 2, 0)),
        route(0, 254, 1, 1, &via(9, 2, 0)),
        route(0, 254, 1, 16, &via(9, 2, 0)),
        // A tunnel: there is nobody to ask.
        route(0, 254, 1, 0, &[tunnel]),
    ];
    assert_eq!(chosen(&routes, None), Some((1, 2)));
    assert_eq!(chosen(&routes, Some(3)), Some((2, 3)));
    assert_eq!(chosen(&routes, Some(7)), None);
    assert_eq!(chosen(&routes[4..], None), None);
}

#[test]
fn a_line_of_its_own_may_have_a_table_of_its_own() {
    // Above 255 the table stands in an attribute, and the header says 252 ("compat").
    let own = |metric| [via(5, 4, metric), vec![attribute(RTA_TABLE, &1000u32.to_ne_bytes())]].concat();
    let routes = [route(0, 254, 1, 0, &via(1, 2, 100)), route(0, 252, 1, 0, &own(0))];
    assert_eq!(chosen(&routes, None), Some((1, 2)));
    assert_eq!(chosen(&routes, Some(4)), Some((5, 4)));
    let both = [&routes[..], &[route(0, 254, 1, 0, &via(6, 4, 900))]].concat();
    assert_eq!(chosen(&both, Some(4)), Some((6, 4)), "the main table comes first");
}

#[test]
fn of_several_hops_the_first_that_works_counts() {
    let several = |hops: &[Vec<u8>]| route(0, 254, 1, 0, &[attribute(RTA_MULTIPATH, &hops.concat())]);
    assert_eq!(chosen(&[several(&[hop(1, 2, 1), hop(2, 3, 0), hop(3, 4, 0)])], None), Some((2, 3)));
    assert_eq!(chosen(&[several(&[hop(1, 2, 1), hop(2, 3, 16)])], None), None);
}

#[test]
fn an_ipv6_gateway_is_read() {
    let gateway: std::net::Ipv6Addr = "fe80::1".parse().unwrap();
    let attributes = [attribute(RTA_GATEWAY, &gateway.octets()), attribute(RTA_OIF, &2u32.to_ne_bytes())];
    let routes = taken(&[route(0, 254, 1, 0, &attributes)]).routes;
    assert_eq!(routes, [DefaultRoute { gateway: gateway.into(), interface: 2, metric: 0, table: 254 }]);
}

#[test]
fn a_dump_ends_fails_and_is_interrupted() {
    assert!(!taken(&[route(0, 254, 1, 0, &via(1, 2, 0))]).done);
    let dump = taken(&[route(0, 254, 1, 0, &via(1, 2, 0)), route(0, 254, 1, 0, &via(2, 3, 0)), done()]);
    assert!(dump.done && !dump.interrupted);
    assert_eq!(dump.routes.len(), 2);
    assert!(taken(&[message(NLMSG_DONE, 2 | NLM_F_DUMP_INTR, &[0; 4])]).interrupted);

    let refused = message(NLMSG_ERROR, 0, &(-1i32).to_ne_bytes());
    assert_eq!(Dump::default().take(&refused).unwrap_err().raw_os_error(), Some(1));
    assert!(Dump::default().take(&message(NLMSG_ERROR, 0, &i32::MIN.to_ne_bytes())).is_err());
}

proptest! {
    #[test]
    fn nothing_makes_it_fail(datagram in prop::collection::vec(any::<u8>(), 0..300)) {
        let _ = Dump::default().take(&datagram);
    }

    #[test]
    fn damage_makes_nothing_fail(
        at in 0usize..200, value: u8, cut in 0usize..300, interface in prop::option::of(0u32..9),
    ) {
        let several = attribute(RTA_MULTIPATH, &[hop(1, 2, 1), hop(2, 3, 0)].concat());
        let mut datagram = [route(0, 254, 1, 0, &via(1, 2, 0)), route(0, 254, 1, 0, &[several]), done()].concat();
        let at = at % datagram.len();
        datagram[at] = value;
        datagram.truncate(cut);
        let mut dump = Dump::default();
        let _ = dump.take(&datagram);
        choose(&dump.routes, interface);
    }
}
