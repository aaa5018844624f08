use std::net::IpAddr;

use super::*;

/// Loopback has its address on every machine (RFC 1122, section 3.2.1.3), and the number 1 on Linux.
#[tokio::test]
async fn the_kernel_answers() {
    let mut socket = Socket::open(0).unwrap();
    for _ in 0..2 {
        let addresses = socket.addresses(Some(Family::Ipv4)).await.unwrap();
        assert!(addresses.iter().all(|address| address.address.is_ipv4()));
        let lo = addresses.iter().find(|address| address.address == IpAddr::from([127, 0, 0, 1])).unwrap();
        assert_eq!((lo.interface, lo.preferred), (1, FOREVER));
    }
    assert_eq!(socket.interface("lo").unwrap(), Some(1));
    assert_eq!(socket.name(1).as_deref(), Some("lo"));
    for name in ["no-such-thing", "", "longer-than-any-interface-can-be-called", "a/b", "lo\0x", "é"] {
        assert_eq!(socket.interface(name).ok().flatten(), None, "{name:?}");
    }
}

#[tokio::test]
async fn a_refusal_of_the_kernel_is_an_error() {
    let socket = Socket::open(0).unwrap();
    // A list of a kind that is none (RTM_BASE + 250) is refused: EOPNOTSUPP.
    let mut wrong = question(None, 1);
    wrong[4..6].copy_from_slice(&266_u16.to_ne_bytes());
    let kernel = rustix::net::netlink::SocketAddrNetlink::new(0, 0);
    rustix::net::sendto(socket.fd.get_ref(), &wrong, rustix::net::SendFlags::empty(), &kernel).unwrap();
    let mut socket = socket;
    let error = socket.list(1).await.unwrap_err();
    assert_eq!(error.raw_os_error(), Some(95), "{error}");
}
