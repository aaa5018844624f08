//! Who gets in, by a friend's `fingerpost echo --knock-back`; and who is never asked.

use std::fs;
use std::net::{IpAddr, SocketAddr};
use std::time::SystemTime;

use fingerpost::clock::Timestamp;
use fingerpost::dns::tsig::{TsigAlgorithm, TsigKey};
use fingerpost::echo::budget::Rates;
use fingerpost::echo::{KnockBack, Options, Sockets, serve as echo};
use fingerpost::exposure::{Check, Finding, Grade};
use fingerpost::name::DnsName;
use fingerpost::record::{RecordType, RrSet};
use fingerpost::rehearsal::dns::Server;
use fingerpost::secret::Secret;
use futures_util::FutureExt as _;
use tokio::net::{TcpListener, TcpSocket};

use crate::certificates::{Ca, serve};
use crate::common::{SECRET, ZONE};
use crate::{NAME, home, of, run, see};

/// The edge, the home and a stranger, all on loopback.
const EDGE: &str = "127.0.0.2";
const HOME: &str = "127.0.0.1";
const STRANGER: &str = "127.0.0.3";

/// A server that tells these addresses of the gauge to whoever asks.
async fn telling(addresses: &[&str]) -> Server {
    let key = TsigKey {
        name: DnsName::parse("gauge-key").unwrap(),
        algorithm: TsigAlgorithm::HmacSha256,
        secret: Secret::new(SECRET.to_vec()),
    };
    let server = Server::start(DnsName::parse(ZONE).unwrap(), key, Vec::new()).await.unwrap();
    let addresses = addresses.iter().map(|address| address.parse::<IpAddr>().unwrap()).collect();
    let set = RrSet { ttl: 60, addresses };
    server.edit(|zone| zone.set(&DnsName::parse(NAME).unwrap(), RecordType::A, Some(&set)));
    server
}

fn friend(accept: &str) -> SocketAddr {
    let listener = std::net::TcpListener::bind("127.0.0.9:0").unwrap();
    let at = listener.local_addr().unwrap();
    let rates = Rates { each: 600, all: 600 };
    let back = KnockBack { knocks: rates, accept_special: vec![accept.parse().unwrap()] };
    let options = Options { requests: rates, knock_back: Some(back) };
    let sockets = Sockets { http: vec![listener], stun: Vec::new() };
    tokio::spawn(async move { echo(sockets, options, std::future::pending()).await });
    at
}

struct Scene {
    edge: bool,
    port: u16,
    origin: SocketAddr,
    resolvers: [SocketAddr; 2],
    helper: Option<SocketAddr>,
}

impl Scene {
    async fn see(&self, dir: &std::path::Path) -> Vec<Finding> {
        let Self { edge, port, origin, resolvers: [first, second], helper } = self;
        let edge = if *edge { format!("edge_ranges = [\"{EDGE}/32\"]\n") } else { String::new() };
        let helper = helper.map(|at| format!("helper = \"http://{at}/\"\n")).unwrap_or_default();
        let text = format!(
            "[exposure]\nresolvers = [\"{first}\", \"{second}\"]\n{helper}\
             [[exposure.service]]\nname = \"{NAME}\"\nport = {port}\norigin = \"{origin}\"\nca = \"ca.pem\"\n{edge}"
        );
        see(dir, &text, &home(&[HOME]), Timestamp::from(SystemTime::now())).await
    }
}

/// The same port on several addresses of loopback.
async fn listeners<const N: usize>(addresses: [&str; N]) -> (u16, [TcpListener; N]) {
    'again: loop {
        let first = TcpListener::bind((addresses[0], 0)).await.unwrap();
        let port = first.local_addr().unwrap().port();
        let mut all = vec![first];
        for address in &addresses[1..] {
            match TcpListener::bind((*address, port)).await {
                Ok(listener) => all.push(listener),
                Err(_) => continue 'again,
            }
        }
        return (port, all.try_into().unwrap());
    }
}

/// Nobody has connected: a listener keeps who did until it is taken.
async fn is_untouched(listener: &TcpListener) -> bool {
    tokio::task::yield_now().await;
    listener.accept().now_or_never().is_none()
}

#[test]
fn the_way_in_is_by_the_edge_and_the_home_is_closed() {
    run(async {
        let dir = tempfile::tempdir().unwrap();
        let ca = Ca::new();
        fs::write(dir.path().join("ca.pem"), &ca.pem).unwrap();
        let (port, [at_edge, at_home]) = listeners([EDGE, HOME]).await;
        serve(at_edge, ca.sign(NAME), "200 OK");
        let inside = TcpListener::bind("127.0.0.4:0").await.unwrap();
        let origin = inside.local_addr().unwrap();
        serve(inside, ca.sign(NAME), "200 OK");
        let (first, second) = (telling(&[EDGE]).await, telling(&[EDGE]).await);
        let resolvers = [first.addr(), second.addr()];
        let helper = Some(friend("127.0.0.0/8"));
        let scene = Scene { edge: true, port, origin, resolvers, helper };
        // The port is open at the home: the rule that was forgotten.
        let found = scene.see(dir.path()).await;
        let grades = |found: &[Finding]| {
            [Check::Masked, Check::Certificate, Check::WayIn, Check::Closed].map(|c| of(found, c).grade)
        };
        assert_eq!(grades(&found), [Grade::Good, Grade::Good, Grade::Good, Grade::Amiss], "{found:#?}");
        // Without an edge that is how it should be.
        let found = Scene { edge: false, ..scene }.see(dir.path()).await;
        assert_eq!(of(&found, Check::WayIn).grade, Grade::Good);
        assert!(!found.iter().any(|finding| matches!(finding.check, Check::Masked | Check::Closed | Check::Leaks)));
        // Closed: bound, and nobody listens.
        drop(at_home);
        let taken = TcpSocket::new_v4().unwrap();
        taken.set_reuseaddr(true).unwrap();
        taken.bind((HOME.parse::<IpAddr>().unwrap(), port).into()).unwrap();
        let scene = Scene { edge: true, port, origin, resolvers, helper };
        let found = scene.see(dir.path()).await;
        assert_eq!(grades(&found), [Grade::Good; 4], "{found:#?}");
        // A friend that will not knock, and none at all.
        let scene = Scene { helper: Some(friend("192.0.2.0/24")), ..scene };
        let found = scene.see(dir.path()).await;
        let closed = of(&found, Check::Closed);
        assert_eq!(closed.grade, Grade::Unknown);
        assert!(closed.seen.contains("You come from 127.0.0.1, where nothing is knocked at"), "{closed:?}");
        let found = Scene { helper: None, ..scene }.see(dir.path()).await;
        let closed = of(&found, Check::Closed);
        assert_eq!((closed.grade, closed.seen.as_str()), (Grade::Unknown, "no helper is configured"));
    });
}

#[test]
fn an_edge_that_cannot_reach_the_origin_is_no_way_in() {
    run(async {
        let dir = tempfile::tempdir().unwrap();
        let ca = Ca::new();
        fs::write(dir.path().join("ca.pem"), &ca.pem).unwrap();
        for (name, status, seen) in
            [(NAME, "502 Bad Gateway", "HTTP status 502"), ("x.example", "200 OK", "no answer over HTTPS")]
        {
            let (port, [at_edge]) = listeners([EDGE]).await;
            serve(at_edge, ca.sign(name), status);
            let (first, second) = (telling(&[EDGE]).await, telling(&[EDGE]).await);
            let origin = (HOME.parse::<IpAddr>().unwrap(), port).into();
            let scene = Scene { edge: true, port, origin, resolvers: [first.addr(), second.addr()], helper: None };
            let found = scene.see(dir.path()).await;
            let way = of(&found, Check::WayIn);
            assert_eq!(way.grade, Grade::Amiss);
            assert!(way.seen.contains(seen), "{way:?}");
        }
    });
}

#[test]
fn a_stranger_that_the_name_leads_to_is_not_asked() {
    run(async {
        let dir = tempfile::tempdir().unwrap();
        let ca = Ca::new();
        fs::write(dir.path().join("ca.pem"), &ca.pem).unwrap();
        let (port, [at_edge, stranger, at_home]) = listeners([EDGE, STRANGER, HOME]).await;
        serve(at_edge, ca.sign(NAME), "200 OK");
        let origin = (HOME.parse::<IpAddr>().unwrap(), port).into();
        serve(at_home, ca.sign(NAME), "200 OK");
        for (told, way) in [(&[STRANGER][..], Grade::Unknown), (&[EDGE, STRANGER], Grade::Good)] {
            let (first, second) = (telling(told).await, telling(told).await);
            let scene = Scene { edge: true, port, origin, resolvers: [first.addr(), second.addr()], helper: None };
            let found = scene.see(dir.path()).await;
            assert_eq!(of(&found, Check::Masked).grade, Grade::Amiss);
            assert_eq!(of(&found, Check::WayIn).grade, way, "{found:#?}");
            assert!(is_untouched(&stranger).await, "a stranger was asked");
        }
        // That would be seen.
        let _visit = tokio::net::TcpStream::connect((STRANGER, port)).await.unwrap();
        assert!(!is_untouched(&stranger).await);
    });
}
