use std::net::SocketAddrV6;

use proptest::prelude::*;

use super::*;

const NAT_PMP: [u8; 12] = [0, 128, 0, 0, 0, 0, 0, 9, 203, 0, 113, 7];
const PCP: [u8; 24] = [2, 128, 0, 0, 0, 0, 0, 0, 0, 0, 0, 9, 0, 0, 0, 0, 0, 0, 0, 0, 0, 0, 0, 0];

#[test]
fn announcements_are_the_gateways() {
    let gateway: SocketAddr = "192.168.77.1:5351".parse().unwrap();
    let heard = |datagram: &[u8], from: &str| is_announcement(datagram, from.parse().unwrap(), gateway);
    for (datagram, from, expected) in [
        (&NAT_PMP[..], "192.168.77.1:5351", Some(AnnouncementKind::NatPmp)),
        (&PCP[..], "192.168.77.1:5351", Some(AnnouncementKind::Pcp)),
        (&NAT_PMP, "192.168.77.2:5351", None),
        (&PCP, "192.168.77.2:5351", None),
        (&NAT_PMP, "192.168.77.1:5350", None),
        (&NAT_PMP, "[fe80::1]:5351", None),
        // RFC 6886, section 3.2: "no address" is news too, in a datagram of the same length.
        (&[0, 128, 0, 3, 0, 0, 0, 9, 0, 0, 0, 0], "192.168.77.1:5351", Some(AnnouncementKind::NatPmp)),
        (&[0, 128, 0, 3, 0, 0, 0, 9], "192.168.77.1:5351", None),
        (&[0, 129, 0, 0, 0, 0, 0, 9, 203, 0, 113, 7], "192.168.77.1:5351", None),
        (&[2, 128, 0, 1, 0, 0, 0, 9, 0, 0, 0, 0], "192.168.77.1:5351", None),
        (&[], "192.168.77.1:5351", None),
    ] {
        assert_eq!(heard(datagram, from), expected, "{datagram:?} from {from}");
    }
    // The zone of a link-local address is the machine's own number and no part of the comparison.
    let zoned = SocketAddrV6::new("fe80::1".parse().unwrap(), 5351, 0, 7).into();
    assert_eq!(is_announcement(&PCP, zoned, "[fe80::1]:5351".parse().unwrap()), Some(AnnouncementKind::Pcp));
}

proptest! {
    #[test]
    fn nothing_makes_it_fail(datagram in prop::collection::vec(any::<u8>(), 0..64)) {
        let gateway: SocketAddr = "192.168.77.1:5351".parse().unwrap();
        let _ = is_announcement(&datagram, gateway, gateway);
    }
}
