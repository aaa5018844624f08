//! The STUN witness against coturn.

mod common;

use std::net::{IpAddr, Ipv4Addr, Ipv6Addr};
use std::time::Duration;

use common::coturn::Coturn;
use fingerpost::address::Family;
use fingerpost::watch::Silence;
use fingerpost::watch::stun::ask;

/// Long enough for a busy machine; what is tested here ends by itself.
const LONG: Duration = Duration::from_secs(60);

#[tokio::test]
#[ignore = "needs turnserver: tests/all.sh runs it"]
async fn coturn_says_who_asks_in_both_families() {
    let coturn = Coturn::start(&["--stun-only", "--no-auth"]);
    for (family, host, loopback) in [
        (Family::Ipv4, "127.0.0.1", IpAddr::from(Ipv4Addr::LOCALHOST)),
        (Family::Ipv6, "[::1]", Ipv6Addr::LOCALHOST.into()),
    ] {
        let server = format!("{host}:{}", coturn.port());
        assert_eq!(ask(&server, family, LONG).await, Ok(loopback));
        let other = if family == Family::Ipv4 { Family::Ipv6 } else { Family::Ipv4 };
        let silence = Silence::Unreachable(format!("its host has no {other} address"));
        assert_eq!(ask(&server, other, LONG).await, Err(silence));
    }
    assert_eq!(ask(&coturn.server(), Family::Ipv4, LONG).await, Ok(Ipv4Addr::LOCALHOST.into()));
}

#[tokio::test]
#[ignore = "needs turnserver: tests/all.sh runs it"]
async fn coturn_that_wants_a_password_is_told_as_such() {
    let arguments = ["--secure-stun", "--lt-cred-mech", "-u", "keeper:heron", "-r", "heronmill.example"];
    let coturn = Coturn::start(&arguments);
    let server = format!("127.0.0.1:{}", coturn.port());
    assert_eq!(ask(&server, Family::Ipv4, LONG).await, Err(Silence::NotAnAddress("STUN error 401".into())));
    drop(coturn);
    assert_eq!(ask(&server, Family::Ipv4, LONG).await, Err(Silence::Unreachable("Connection refused".into())));
}
