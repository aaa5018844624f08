//! A router on loopback: 127.0.0.2 plays the gateway, 127.0.0.3 a stranger.

use std::sync::Arc;
use std::sync::atomic::{AtomicUsize, Ordering};

use tokio::io::{AsyncReadExt, AsyncWriteExt};
use tokio::net::TcpListener;

use super::*;

const GATEWAY: Ipv4Addr = Ipv4Addr::new(127, 0, 0, 2);
const STRANGER: Ipv4Addr = Ipv4Addr::new(127, 0, 0, 3);
/// For what is expected to come; and for what is not.
const LONG: Duration = Duration::from_secs(20);
const SHORT: Duration = Duration::from_millis(700);
const ST: &str = "ST: urn:schemas-upnp-org:device:InternetGatewayDevice:1";

/// The router's sockets, from which a test answers as it likes.
struct Fake {
    natpmp: UdpSocket,
    ssdp: UdpSocket,
    router: Router,
}

impl Fake {
    async fn new() -> Self {
        let natpmp = UdpSocket::bind((GATEWAY, 0)).await.unwrap();
        let ssdp = UdpSocket::bind((GATEWAY, 0)).await.unwrap();
        let port = |socket: &UdpSocket| socket.local_addr().unwrap().port();
        let at = Ports { natpmp: port(&natpmp), ssdp: SocketAddrV4::new(GATEWAY, port(&ssdp)) };
        let router = Router { at, ..Router::new(Some(GATEWAY), None) };
        let router = router.accepting(&["203.0.113.0/24".parse().unwrap()]);
        Self { natpmp, ssdp, router }
    }

    async fn question(&self) -> SocketAddr {
        let mut buffer = [0; 9];
        let (length, from) = self.natpmp.recv_from(&mut buffer).await.unwrap();
        assert_eq!(buffer[..length], [0, 0], "RFC 6886, section 3.2: version 0, opcode 0, and nothing else");
        from
    }

    async fn search(&self) -> SocketAddr {
        let mut buffer = [0; 999];
        let (length, from) = self.ssdp.recv_from(&mut buffer).await.unwrap();
        assert!(buffer[..length].starts_with(b"M-SEARCH * HTTP/1.1\r\n"));
        from
    }

    /// Answers searches with `location` for ever.
    async fn found_at(&self, location: String) -> Result<RouterSays, Silence> {
        loop {
            let from = self.search().await;
            let answer = format!("HTTP/1.1 200 OK\r\n{ST}\r\nLOCATION: {location}\r\n\r\n");
            self.ssdp.send_to(answer.as_bytes(), from).await.unwrap();
        }
    }
}

fn nat_pmp(result: u8, address: [u8; 4]) -> Vec<u8> {
    [&[0, 128, 0, result, 0, 0, 0, 9][..], &address].concat()
}

fn says(address: [u8; 4], by: By) -> Result<RouterSays, Silence> {
    Ok(RouterSays { address: address.into(), by })
}

/// What `router` says while `peer` acts; `peer` must not end before that.
async fn while_acting<T>(ask: impl Future<Output = T>, peer: impl Future<Output = T>) -> T {
    tokio::select! { said = ask => said, _ = peer => panic!("the peer ended") }
}

/// A web server on `address` that answers each path with a whole response, and counts.
async fn web(address: Ipv4Addr, pages: &'static [(&'static str, &'static str)]) -> (String, Arc<AtomicUsize>) {
    let listener = TcpListener::bind((address, 0)).await.unwrap();
    let base = format!("http://{}", listener.local_addr().unwrap());
    let asked = Arc::new(AtomicUsize::new(0));
    let counter = asked.clone();
    tokio::spawn(async move {
        loop {
            let (mut stream, _) = listener.accept().await.unwrap();
            counter.fetch_add(1, Ordering::Relaxed);
            tokio::spawn(async move {
                let mut request = vec![0; 4096];
                let length = stream.read(&mut request).await.unwrap();
                let request = String::from_utf8_lossy(&request[..length]).into_owned();
                let path = request.split(' ').nth(1).unwrap();
                let (_, page) = pages.iter().find(|(known, _)| *known == path).unwrap_or(&("", NOT_FOUND));
                stream.write_all(page.as_bytes()).await.unwrap();
                if page.is_empty() {
                    std::future::pending::<()>().await;
                }
            });
        }
    });
    (base, asked)
}

const NOT_FOUND: &str = "HTTP/1.1 404 Not Found\r\nContent-Length: 0\r\nConnection: close\r\n\r\n";
/// The connection stays open, and nothing comes.
const SILENT: &str = "";
const HEAD: &str = "HTTP/1.1 200 OK\r\nConnection: close\r\n\r\n";
macro_rules! page {
    ($($text:expr),*) => { concat!("HTTP/1.1 200 OK\r\nConnection: close\r\n\r\n", $($text),*) };
}
macro_rules! told {
    ($address:expr) => {
        page!(
            "<Envelope><Body><GetExternalIPAddressResponse><NewExternalIPAddress>",
            $address,
            "</NewExternalIPAddress></GetExternalIPAddressResponse></Body></Envelope>"
        )
    };
}
macro_rules! service {
    ($kind:expr, $control:expr) => {
        concat!(
            "<service><serviceType>urn:schemas-upnp-org:service:",
            $kind,
            "</serviceType><controlURL>",
            $control,
            "</controlURL></service>"
        )
    };
}

#[tokio::test]
async fn nat_pmp_is_asked_first_and_alone() {
    let fake = Fake::new().await;
    let (said, ()) = tokio::join!(fake.router.ask(LONG), async {
        let from = fake.question().await;
        fake.natpmp.send_to(&nat_pmp(0, [203, 0, 113, 7]), from).await.unwrap();
    });
    assert_eq!(said, says([203, 0, 113, 7], By::NatPmp));
    assert!(fake.ssdp.try_recv(&mut [0; 9]).is_err(), "nothing was searched for");
    // Not judged here: what no home can have must reach the diagnosis too, where nothing else is told.
    for address in [[100, 64, 0, 9], [192, 168, 1, 2]] {
        let (said, ()) = tokio::join!(fake.router.ask(SHORT), async {
            let from = fake.question().await;
            fake.natpmp.send_to(&nat_pmp(0, address), from).await.unwrap();
        });
        assert_eq!(said, says(address, By::NatPmp));
        fake.search().await;
    }
}

#[tokio::test]
async fn only_the_gateways_address_and_port_are_heard() {
    let fake = Fake::new().await;
    let port = fake.natpmp.local_addr().unwrap().port();
    let stranger = UdpSocket::bind((STRANGER, port)).await.unwrap();
    let elsewhere = UdpSocket::bind((GATEWAY, 0)).await.unwrap();
    let (said, ()) = tokio::join!(fake.router.ask(LONG), async {
        let from = fake.question().await;
        let lie = nat_pmp(0, [203, 0, 113, 66]);
        stranger.send_to(&lie, from).await.unwrap();
        elsewhere.send_to(&lie, from).await.unwrap();
        // Nor what is no answer.
        fake.natpmp.send_to(&lie[..11], from).await.unwrap();
        fake.natpmp.send_to(&nat_pmp(0, [203, 0, 113, 7]), from).await.unwrap();
    });
    assert_eq!(said, says([203, 0, 113, 7], By::NatPmp));
}

#[tokio::test]
async fn a_lost_question_is_asked_again() {
    let fake = Fake::new().await;
    let (said, ()) = tokio::join!(fake.router.ask(LONG), async {
        fake.question().await;
        fake.question().await;
        let from = fake.question().await;
        fake.natpmp.send_to(&nat_pmp(0, [203, 0, 113, 7]), from).await.unwrap();
    });
    assert_eq!(said, says([203, 0, 113, 7], By::NatPmp));
}

#[tokio::test]
async fn a_router_without_an_address_says_so() {
    let fake = Fake::new().await;
    for answer in [nat_pmp(0, [0; 4]), nat_pmp(3, [0; 4])] {
        let (said, ()) = tokio::join!(fake.router.ask(SHORT), async {
            let from = fake.question().await;
            fake.natpmp.send_to(&answer, from).await.unwrap();
        });
        assert_eq!(said, Err(Silence::Router(Mute::NoAddress)));
        // Another of its services may know more.
        fake.search().await;
    }
}

#[tokio::test]
async fn igd_is_asked_when_nat_pmp_is_refused_and_every_time_anew() {
    let fake = Fake::new().await;
    let (base, asked) = web(
        GATEWAY,
        &[
            (
                "/root.xml",
                page!(
                    "<root>",
                    service!("WANPPPConnection:1", "/ppp"),
                    service!("WANIPConnection:1", "/ip"),
                    "</root>"
                ),
            ),
            ("/ip", told!("")),
            ("/ppp", told!("203.0.113.7")),
        ],
    )
    .await;
    let refuse = async {
        loop {
            let from = fake.question().await;
            fake.natpmp.send_to(&[2, 128, 0, 1, 0, 0, 0, 0], from).await.unwrap();
        }
    };
    let refuse = async { tokio::join!(refuse, fake.found_at(format!("{base}/root.xml"))).1 };
    let asking = async {
        for asks in [3, 6] {
            let said = fake.router.ask(LONG).await;
            assert_eq!(said, says([203, 0, 113, 7], By::Igd), "the service without an address is passed over");
            assert_eq!(asked.load(Ordering::Relaxed), asks);
        }
    };
    tokio::select! { () = asking => {}, _ = refuse => panic!("the peer ended") }
}

/// What the services of one router say amounts to the same in whatever order.
#[test]
fn an_address_that_can_be_published_counts_before_all_else() {
    let router = Router::new(Some(GATEWAY), None).accepting(&["203.0.113.0/24".parse().unwrap()]);
    let ok = |text: &str| Ok(text.parse().unwrap());
    let none = || Err(Failure::Spoken(Mute::NoAddress.into()));
    let odd = || Err(Failure::Spoken(Silence::NotAnAddress("unknown".into())));
    let fault = || Err(Failure::Unavailable("UPnP error 501".into()));
    // The best first: each counts before all that follow it.
    let ranked = || [ok("203.0.113.7"), ok("100.64.3.7"), ok("192.168.1.2"), none(), odd(), fault()];
    for best in 0..ranked().len() {
        for other in best..ranked().len() {
            let pick = |at: usize| ranked().into_iter().nth(at).unwrap();
            let expected = match pick(best) {
                Ok(address) => Ok(IpAddr::V4(address)),
                Err(Failure::Spoken(silence)) => Err(silence),
                Err(Failure::Unavailable(why)) => {
                    Err(Mute::Neither { gateway: GATEWAY, natpmp: why.clone(), igd: why }.into())
                }
            };
            for words in [[best, other, other], [other, best, other], [other, other, best]] {
                let by = [By::NatPmp, By::Igd, By::Igd];
                let heard = by.into_iter().zip(words.map(pick)).collect();
                let said = router.sum(heard, GATEWAY).map(|says| says.address);
                assert_eq!(said, expected, "{words:?}");
            }
        }
    }
    // Of two that are as good, the first.
    let both = vec![(By::NatPmp, ok("203.0.113.7")), (By::Igd, ok("203.0.113.8"))];
    assert_eq!(router.sum(both, GATEWAY), says([203, 0, 113, 7], By::NatPmp));
}

/// One datagram without a secret (RFC 6886, section 9): what it says alone, anybody on the local network can have said.
#[test]
fn the_word_of_natpmp_is_known_to_be_alone() {
    let router = Router::new(Some(GATEWAY), None).accepting(&["203.0.113.0/24".parse().unwrap()]);
    let ok = |text: &str| Ok(text.parse().unwrap());
    let none = || Err(Failure::Spoken(Mute::NoAddress.into()));
    let fault = || Err(Failure::Unavailable("no answer".into()));
    for (natpmp, igd, alone) in [
        (ok("203.0.113.7"), vec![], true),
        (ok("203.0.113.7"), vec![ok("203.0.113.7")], false),
        (ok("203.0.113.7"), vec![ok("203.0.113.8")], true),
        (ok("203.0.113.7"), vec![ok("192.168.1.2"), none()], true),
        (ok("192.168.1.2"), vec![], true),
        (ok("192.168.1.2"), vec![fault()], true),
        (ok("192.168.1.2"), vec![fault(), ok("192.168.1.2")], false),
        // Of what kind an address is that is none of the world's, they may know differently.
        (ok("100.64.3.7"), vec![ok("192.168.1.2")], false),
        (none(), vec![fault()], true),
        (none(), vec![none()], false),
        (ok("192.168.1.2"), vec![ok("203.0.113.7")], false),
        (fault(), vec![ok("192.168.1.2")], false),
        (fault(), vec![fault()], false),
    ] {
        let shown = format!("{natpmp:?} {igd:?}");
        let heard: Vec<_> =
            std::iter::once((By::NatPmp, natpmp)).chain(igd.into_iter().map(|word| (By::Igd, word))).collect();
        assert_eq!(router.is_alone(&heard), alone, "{shown}");
    }
}

/// What the outside does not see is asked for in another way too; that one counts where they contradict.
#[tokio::test]
async fn igd_is_asked_for_a_second_word() {
    const ROOT: &str =
        page!("<root>", service!("WANIPConnection:1", "/ip"), service!("WANPPPConnection:1", "/ppp"), "</root>");
    let fake = Fake::new().await;
    let (base, _) =
        web(GATEWAY, &[("/root.xml", ROOT), ("/ip", told!("192.168.1.2")), ("/ppp", told!("203.0.113.7"))]).await;
    let asking = fake.router.second(LONG);
    let told =
        tokio::select! { told = asking => told, _ = fake.found_at(format!("{base}/root.xml")) => unreachable!() };
    assert_eq!(told.first(), Some(&Ipv4Addr::new(203, 0, 113, 7)));
    assert_eq!(fake.router.second(Duration::from_millis(1)).await, [] as [Ipv4Addr; 0]);
}

#[tokio::test]
async fn every_service_is_asked_and_none_uses_up_the_time_of_another() {
    const IP_PPP: &str =
        page!("<root>", service!("WANIPConnection:1", "/ip"), service!("WANPPPConnection:1", "/ppp"), "</root>");
    const PPP_IP: &str =
        page!("<root>", service!("WANPPPConnection:1", "/ppp"), service!("WANIPConnection:1", "/ip"), "</root>");
    const MODEM: &str = told!("192.168.1.2");
    const HOME: &str = told!("203.0.113.7");
    let fault = "HTTP/1.1 500 Error\r\nConnection: close\r\n\r\n<Envelope><Body><Fault><detail><UPnPError>\
                 <errorCode>501</errorCode></UPnPError></detail></Fault></Body></Envelope>";
    let home = || says([203, 0, 113, 7], By::Igd);
    let odd = "HTTP/1.0 200 OK\nno header\nServer : odd\n\n";
    let odd_root: &'static str = Box::leak(PPP_IP.replace(HEAD, odd).into());
    let odd_home: &'static str = Box::leak(HOME.replace(HEAD, odd).into());
    let chunks = HOME.strip_prefix(HEAD).unwrap();
    let head = "HTTP/1.1 200 OK\r\nTransfer-Encoding: chunked\r\n\r\n";
    let chunked: &'static str = Box::leak(
        format!("{head}A\r\n{}\r\n{:x}\r\n{}\r\n0\r\n\r\n", &chunks[..10], chunks.len() - 10, &chunks[10..]).into(),
    );
    let cases = [
        ("a bridged modem", None, IP_PPP, MODEM, HOME, home()),
        ("the same, listed the other way round", None, PPP_IP, MODEM, HOME, home()),
        ("a bridged modem, address on the other", None, IP_PPP, HOME, MODEM, home()),
        ("a modem's network and a carrier's NAT", None, IP_PPP, MODEM, told!("100.64.3.7"), {
            says([100, 64, 3, 7], By::Igd)
        }),
        ("NAT-PMP has none", Some(nat_pmp(0, [0; 4])), IP_PPP, fault, HOME, home()),
        ("NAT-PMP: network failure", Some(nat_pmp(3, [0; 4])), IP_PPP, told!(""), HOME, home()),
        ("NAT-PMP is of the modem's network", Some(nat_pmp(0, [192, 168, 1, 2])), IP_PPP, MODEM, HOME, home()),
        ("NAT-PMP is as good as the other", Some(nat_pmp(0, [192, 168, 1, 2])), IP_PPP, MODEM, SILENT, {
            says([192, 168, 1, 2], By::NatPmp)
        }),
        ("a silent service", None, IP_PPP, SILENT, HOME, home()),
        ("the other one is silent", None, IP_PPP, HOME, SILENT, home()),
        ("nothing but NAT-PMP", Some(nat_pmp(0, [100, 64, 0, 9])), SILENT, SILENT, SILENT, {
            says([100, 64, 0, 9], By::NatPmp)
        }),
        ("odd answers", None, odd_root, fault, odd_home, home()),
        ("a chunked answer", None, IP_PPP, fault, chunked, home()),
    ];
    let cases = cases.map(|(title, natpmp, root, ip, ppp, expected)| {
        tokio::spawn(async move {
            let fake = Fake::new().await;
            let pages = Box::leak(Box::new([("/root.xml", root), ("/ip", ip), ("/ppp", ppp)]));
            let (base, _) = web(GATEWAY, pages).await;
            let answer = async {
                loop {
                    let from = fake.question().await;
                    if let Some(answer) = &natpmp {
                        fake.natpmp.send_to(answer, from).await.unwrap();
                    }
                }
            };
            let peer = async { tokio::join!(answer, fake.found_at(format!("{base}/root.xml"))).1 };
            assert_eq!(while_acting(fake.router.ask(4 * SHORT), peer).await, expected, "{title}");
        })
    });
    for case in cases {
        case.await.unwrap();
    }
}

#[tokio::test]
async fn a_device_that_does_not_answer_does_not_hide_another_on_another_port() {
    let fake = Fake::new().await;
    let (silent, _) = web(GATEWAY, &[("/root.xml", SILENT)]).await;
    let description = &[
        ("/root.xml", page!("<root>", service!("WANPPPConnection:1", "/c"), "</root>")),
        ("/c", told!("203.0.113.7")),
    ];
    let (other, _) = web(GATEWAY, description).await;
    let both = async {
        loop {
            let from = fake.search().await;
            for base in [&silent, &other] {
                let answer = format!("HTTP/1.1 200 OK\r\n{ST}\r\nLOCATION: {base}/root.xml\r\n\r\n");
                fake.ssdp.send_to(answer.as_bytes(), from).await.unwrap();
            }
        }
    };
    assert_eq!(while_acting(fake.router.ask(4 * SHORT), both).await, says([203, 0, 113, 7], By::Igd));
}

#[tokio::test]
async fn searches_are_answered_by_the_gateway_and_lead_to_it() {
    let fake = Fake::new().await;
    let description = &[
        ("/root.xml", page!("<root>", service!("WANIPConnection:1", "/ip"), "</root>")),
        ("/ip", told!("203.0.113.66")),
    ];
    let (theirs, asked) = web(STRANGER, description).await;
    let (ours, asked_ours) = web(GATEWAY, description).await;
    let stranger = UdpSocket::bind((STRANGER, 0)).await.unwrap();
    let lead_astray = async {
        loop {
            let from = fake.search().await;
            let answer = |base: &str| format!("HTTP/1.1 200 OK\r\n{ST}\r\nLOCATION: {base}/root.xml\r\n\r\n");
            stranger.send_to(answer(&theirs).as_bytes(), from).await.unwrap();
            stranger.send_to(answer(&ours).as_bytes(), from).await.unwrap();
            fake.ssdp.send_to(answer(&theirs).as_bytes(), from).await.unwrap();
        }
    };
    let said = while_acting(fake.router.ask(SHORT), lead_astray).await;
    assert!(matches!(&said, Err(Silence::Router(Mute::Neither { igd, .. })) if igd == "no answer"), "{said:?}");
    assert_eq!((asked.load(Ordering::Relaxed), asked_ours.load(Ordering::Relaxed)), (0, 0));
}

#[tokio::test]
async fn what_a_device_does_wrong_is_said() {
    let (theirs, asked) = web(STRANGER, &[("/", told!("203.0.113.66"))]).await;
    let away: &'static str =
        Box::leak(format!("HTTP/1.1 302 Found\r\nLocation: {theirs}/\r\nConnection: close\r\n\r\n").into());
    let control: &'static str =
        Box::leak(format!("{HEAD}<root>{}</root>", service!("WANIPConnection:1", "@/").replace('@', &theirs)).into());
    let long: &'static str = Box::leak(format!("{HEAD}{}", " ".repeat(igd::DESCRIPTION + 1)).into());
    let longer: &'static str = Box::leak(format!("{HEAD}{}", " ".repeat(igd::ANSWER + 1)).into());
    let root = page!("<root>", service!("WANIPConnection:1", "/ip"), "</root>");
    let fault = "HTTP/1.1 500 Error\r\nConnection: close\r\n\r\n<Envelope><Body><Fault><detail><UPnPError>\
                 <errorCode>501</errorCode></UPnPError></detail></Fault></Body></Envelope>";
    let cases = [
        (NOT_FOUND, NOT_FOUND, "status 404"),
        (away, NOT_FOUND, "status 302"),
        (control, NOT_FOUND, "its control URL is on another host"),
        (long, NOT_FOUND, "longer than 65536 bytes"),
        (page!("<root/>"), NOT_FOUND, "no WAN connection service"),
        (page!("<!DOCTYPE r><r/>"), NOT_FOUND, "it has a DTD"),
        (root, NOT_FOUND, "status 404"),
        (root, away, "status 302"),
        (root, longer, "longer than 16384 bytes"),
        (root, fault, "UPnP error 501"),
        (root, page!("<html/>"), "not SOAP"),
        (root, told!("unknown"), "not an address: unknown"),
        (root, told!("0.0.0.0"), "no address of its own"),
    ];
    let cases = cases.map(|(description, answer, expected)| {
        tokio::spawn(async move {
            let fake = Fake::new().await;
            let (base, _) = web(GATEWAY, Box::leak(Box::new([("/root.xml", description), ("/ip", answer)]))).await;
            let said = while_acting(fake.router.ask(4 * SHORT), fake.found_at(format!("{base}/root.xml"))).await;
            let why = said.unwrap_err().to_string();
            assert!(why.contains(expected), "{expected}: {why}");
        })
    });
    for case in cases {
        case.await.unwrap();
    }
    assert_eq!(asked.load(Ordering::Relaxed), 0, "nothing leads away from the gateway");
}

#[tokio::test]
async fn a_silent_router_is_named_with_a_way_out() {
    let fake = Fake::new().await;
    let said = fake.router.ask(SHORT).await.unwrap_err();
    assert_eq!(
        said.to_string(),
        "the router at 127.0.0.2 tells its address neither by NAT-PMP (no answer) nor by UPnP IGD (no answer): \
         turn one of them on there, or remove this witness"
    );
    let Fake { natpmp, router, .. } = fake;
    drop(natpmp);
    let said = router.ask(SHORT).await.unwrap_err().to_string();
    assert!(said.contains("by NAT-PMP (it is turned off)"), "{said}");
}
