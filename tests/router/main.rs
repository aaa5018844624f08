//! The router as a witness, held against miniupnpd: by NAT-PMP, by UPnP IGD, and its announcements.
//!
//! Each test starts itself again inside the small home of `home.sh`, in namespaces of its own: nothing of this machine
//! is touched, and nothing is left.
#![allow(clippy::unwrap_used, clippy::expect_used, clippy::panic, reason = "a test that cannot go on has failed")]

use std::path::PathBuf;
use std::process::Command;
use std::time::{Duration, Instant};
use std::{env, fs};

use fingerpost::watch::Silence;
use fingerpost::watch::router::announce::{Announcements, Push};
use fingerpost::watch::router::gateway::{default_gateway, default_gateway_v6, index_of};
use fingerpost::watch::router::{By, Mute, Router, RouterSays};

/// What is on in the router.
struct On {
    natpmp: bool,
    upnp: bool,
}

/// Set inside the home, to the directory that `home.sh` was given.
const INSIDE: &str = "FINGERPOST_TEST_HOME";
/// For whatever is waited for.
const LONG: Duration = Duration::from_secs(20);

/// Runs `scenario` of the test called `name` inside a home; outside, runs that test again inside one.
fn at_home<F: Future<Output = ()>>(name: &str, on: On, scenario: impl FnOnce(Home) -> F) {
    if let Some(dir) = env::var_os(INSIDE) {
        let runtime = tokio::runtime::Builder::new_current_thread().enable_all().build().unwrap();
        return runtime
            .block_on(async { tokio::time::timeout(2 * LONG, scenario(Home { dir: dir.into() })).await.unwrap() });
    }
    let word = |on| if on { "yes" } else { "no" };
    let dir = tempfile::tempdir().unwrap();
    let output = Command::new("unshare")
        .args(["-Urnmpuf", "--kill-child", "--mount-proc"])
        .arg(concat!(env!("CARGO_MANIFEST_DIR"), "/tests/router/home.sh"))
        .arg(dir.path())
        .args([word(on.natpmp), word(on.upnp)])
        .arg(env::current_exe().unwrap())
        .args(["--exact", name, "--ignored", "--nocapture"])
        .env(INSIDE, dir.path())
        .output()
        .unwrap();
    let shown = [output.stdout, output.stderr].map(|bytes| String::from_utf8_lossy(&bytes).into_owned()).concat();
    assert!(output.status.success() && shown.contains("1 passed"), "{shown}");
    eprintln!("{shown}");
}

struct Home {
    dir: PathBuf,
}

impl Home {
    fn move_wan(&self, address: &str) {
        fs::write(self.dir.join("wan"), format!("{address}\n")).unwrap();
    }

    /// Asks until the router says `address`, and tells by what.
    async fn until(&self, router: &Router, address: &str) -> By {
        let begun = Instant::now();
        let mut last = None;
        while begun.elapsed() < LONG {
            let said = router.ask(Duration::from_millis(500)).await;
            match said {
                Ok(RouterSays { address: said, by }) if said.to_string() == address => return by,
                said => last = Some(said),
            }
            // The router has no sign of its own for being ready.
            tokio::time::sleep(Duration::from_millis(20)).await;
        }
        panic!("the router says {last:?}");
    }

    /// What the router lets through for others: nothing may be added by asking.
    fn leases(&self) -> String {
        fs::read_to_string(self.dir.join("leases")).unwrap_or_default()
    }
}

/// The lab's addresses can be published.
fn router() -> Router {
    lab(Router::new(None, None))
}

fn lab(router: Router) -> Router {
    router.accepting(&["203.0.113.0/24".parse().unwrap()])
}

async fn median(router: &Router) -> Duration {
    let mut times = Vec::new();
    for _ in 0..21 {
        let begun = Instant::now();
        router.ask(Duration::from_secs(4)).await.unwrap();
        times.push(begun.elapsed());
    }
    times.sort();
    times[10]
}

#[test]
#[ignore = "needs miniupnpd, coturn, nftables and iproute2: tests/all.sh runs it"]
fn a_router_tells_by_nat_pmp() {
    at_home("a_router_tells_by_nat_pmp", On { natpmp: true, upnp: true }, async |home| {
        let lan = index_of("lan").unwrap();
        assert_eq!(default_gateway(None).unwrap(), Some(("192.168.77.1".parse().unwrap(), lan)));
        assert_eq!(default_gateway(Some("lan")).unwrap(), Some(("192.168.77.1".parse().unwrap(), lan)));
        assert_eq!(default_gateway(Some("out")).unwrap(), None);
        assert!(default_gateway(Some("none")).is_err());
        assert_eq!(default_gateway_v6(None).unwrap(), None);

        home.until(&router(), "203.0.113.7").await;
        let router = router();
        assert_eq!(home.until(&router, "203.0.113.7").await, By::NatPmp);
        eprintln!("NAT-PMP: {:?}", median(&router).await);
        assert_eq!(home.leases(), "");

        let elsewhere = Router::new(None, Some("out".into())).ask(LONG).await;
        assert_eq!(elsewhere, Err(Mute::NoGateway(Some("out".into())).into()));
    });
}

#[test]
#[ignore = "needs miniupnpd, coturn, nftables and iproute2: tests/all.sh runs it"]
fn a_router_tells_by_igd() {
    at_home("a_router_tells_by_igd", On { natpmp: false, upnp: true }, async |home| {
        for interface in [None, Some("lan".to_owned())] {
            let router = lab(Router::new(None, interface));
            assert_eq!(home.until(&router, "203.0.113.7").await, By::Igd);
            eprintln!("IGD: {:?}", median(&router).await);
        }
        home.move_wan("203.0.113.9");
        assert_eq!(home.until(&router(), "203.0.113.9").await, By::Igd);
        assert_eq!(home.leases(), "");
    });
}

#[test]
#[ignore = "needs miniupnpd, coturn, nftables and iproute2: tests/all.sh runs it"]
fn a_router_that_tells_nothing_is_said_to() {
    at_home("a_router_that_tells_nothing_is_said_to", On { natpmp: false, upnp: false }, async |_| {
        let Err(Silence::Router(mute)) = router().ask(Duration::from_secs(2)).await else { panic!("an answer") };
        let text = mute.to_string();
        assert!(text.contains("192.168.77.1") && text.contains("turn one of them on"), "{text}");
    });
}

#[test]
#[ignore = "needs miniupnpd, coturn, nftables and iproute2: tests/all.sh runs it"]
fn a_moved_address_is_announced() {
    at_home("a_moved_address_is_announced", On { natpmp: true, upnp: true }, async |home| {
        home.until(&router(), "203.0.113.7").await;
        let router = router();
        let mut announcements = Announcements::listen(None, None).unwrap();
        for address in ["203.0.113.20", "203.0.113.21", "203.0.113.22"] {
            // What was announced before has been heard: the next one is about the change.
            quiet(&mut announcements).await;
            let begun = Instant::now();
            home.move_wan(address);
            announcements.next().await.unwrap();
            let heard = begun.elapsed();
            home.until(&router, address).await;
            eprintln!("heard after {heard:?}, told after {:?}", begun.elapsed());
            let later = quiet(&mut announcements).await;
            eprintln!("then {later:?}");
        }
        assert_eq!(announcements.dropped(), 0);
    });
}

/// Hears all until nothing has come for a second.
async fn quiet(announcements: &mut Announcements) -> Push {
    let mut all = Push::default();
    while let Ok(push) = tokio::time::timeout(Duration::from_secs(1), announcements.next()).await {
        let push = push.unwrap();
        (all.natpmp, all.pcp) = (all.natpmp + push.natpmp, all.pcp + push.pcp);
    }
    all
}
