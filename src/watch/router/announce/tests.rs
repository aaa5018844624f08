use tokio::time::timeout;

use super::*;

const LONG: Duration = Duration::from_secs(20);
const NAT_PMP: [u8; 12] = [0, 128, 0, 0, 0, 0, 0, 9, 203, 0, 113, 7];
const PCP: [u8; 24] = [2, 128, 0, 0, 0, 0, 0, 0, 0, 0, 0, 9, 0, 0, 0, 0, 0, 0, 0, 0, 0, 0, 0, 0];

/// The gateway 127.0.0.2, a stranger at 127.0.0.3, and who listens to the gateway on loopback.
struct Air {
    gateway: UdpSocket,
    stranger: UdpSocket,
    group: SocketAddrV4,
    announcements: Announcements,
}

impl Air {
    async fn new() -> Self {
        let speaker = |last| {
            let socket = std::net::UdpSocket::bind((Ipv4Addr::new(127, 0, 0, last), 0)).unwrap();
            sockopt::set_ip_multicast_if(&socket, &Ipv4Addr::LOCALHOST).unwrap();
            socket.set_nonblocking(true).unwrap();
            UdpSocket::from_std(socket).unwrap()
        };
        let (gateway, stranger) = (speaker(2), speaker(3));
        let free = std::net::UdpSocket::bind("127.0.0.1:0").unwrap().local_addr().unwrap().port();
        let group = SocketAddrV4::new(GROUP, free);
        let announcements = Announcements::new(vec![Self::ear(&gateway, group)]);
        Self { gateway, stranger, group, announcements }
    }

    fn ear(gateway: &UdpSocket, group: SocketAddrV4) -> Ear {
        let SocketAddr::V4(gateway) = gateway.local_addr().unwrap() else { panic!() };
        Ear::v4(group, gateway, None).unwrap()
    }

    async fn hear(&mut self) -> Push {
        timeout(LONG, self.announcements.next()).await.unwrap().unwrap()
    }
}

#[tokio::test]
async fn the_gateway_is_heard_and_a_stranger_is_not() {
    let mut air = Air::new().await;
    let mut other = Announcements::new(vec![Air::ear(&air.gateway, air.group)]);
    for datagram in [&NAT_PMP[..], &PCP] {
        air.stranger.send_to(datagram, air.group).await.unwrap();
    }
    air.gateway.send_to(b"not one", air.group).await.unwrap();
    air.gateway.send_to(&NAT_PMP, air.group).await.unwrap();
    air.gateway.send_to(&PCP, air.group).await.unwrap();
    air.gateway.send_to(&PCP, air.group).await.unwrap();
    assert_eq!(air.hear().await, Push { natpmp: 1, pcp: 2 });
    assert_eq!(air.announcements.dropped(), 1);
    // Others on this machine hear the same.
    assert_eq!(timeout(LONG, other.next()).await.unwrap().unwrap(), Push { natpmp: 1, pcp: 2 });
}

/// Time stands still unless all wait: what is looked at without waiting is what one window allows.
#[tokio::test(start_paused = true)]
async fn a_flood_is_looked_at_slowly() {
    let mut air = Air::new().await;
    for _ in 0..PER_WINDOW {
        air.gateway.send_to(b"flood", air.group).await.unwrap();
    }
    air.gateway.send_to(&NAT_PMP, air.group).await.unwrap();
    let begun = Instant::now();
    assert_eq!(air.hear().await, Push { natpmp: 1, pcp: 0 });
    assert!(begun.elapsed() >= WINDOW);
    assert_eq!(air.announcements.dropped(), u64::from(PER_WINDOW));

    // Ten thousand: the kernel keeps few of them, and those are told in few pushes.
    for _ in 0..10_000 {
        air.gateway.send_to(&NAT_PMP, air.group).await.unwrap();
    }
    let mut pushes = 0;
    while let Ok(push) = timeout(2 * WINDOW, air.announcements.next()).await {
        push.unwrap();
        pushes += 1;
    }
    assert!((1..20).contains(&pushes), "{pushes}");
}
