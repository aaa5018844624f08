//! The status page in a home's network: for those who are allowed, and for nobody else.

use std::io::{Read as _, Write as _};
use std::net::{Ipv4Addr, TcpStream};
use std::time::Duration;

use crate::living::until;
use crate::net::Lab;
use crate::parts::{configured, echo_witnesses};
use crate::plan::{HOME, Host, Shape};
use crate::scenario::scenario;

const PORT: u16 = 8053;
const NEIGHBOUR: Ipv4Addr = Ipv4Addr::new(192, 168, 77, 20);

/// The answer that `host` gets, asking for this name.
fn asked(lab: &Lab, host: Host, name: &str) -> String {
    lab.within(host, || {
        let mut stream = TcpStream::connect((HOME, PORT)).unwrap();
        stream.set_read_timeout(Some(Duration::from_secs(5))).unwrap();
        let _ = stream.write_all(format!("GET / HTTP/1.1\r\nHost: {name}\r\n\r\n").as_bytes());
        let mut answer = String::new();
        // Refused, it is reset.
        let _ = stream.read_to_string(&mut answer);
        answer
    })
}

#[test]
#[ignore = "needs namespaces, iproute2, nftables, named and nginx: tests/all.sh runs it"]
fn the_page_is_for_those_who_are_allowed() {
    scenario(the_page_is_for_those_who_are_allowed, || {
        let lab = Lab::up(Shape::Plain);
        let (_named, _echoes) = (lab.named(""), lab.echoes());
        let watch = "settle = 1\nevery = \"1s\"";
        let rest = format!("[status]\nlisten = \"{HOME}:{PORT}\"\nallow = [\"{NEIGHBOUR}/32\"]\n");
        let text = configured(watch, &echo_witnesses(3, "ipv4"), &[("gauge", "types = [\"A\"]")]) + &rest;
        let fingerpost = lab.fingerpost(Host::Home, &text);
        let mut daemon = fingerpost.daemon();
        let own = format!("{HOME}:{PORT}");
        until("the page", || daemon.is_up() && daemon.log().contains("the status page is at http://"));
        until("the first record", || asked(&lab, Host::Neighbour, &own).contains("The one record is in step."));
        // By another name the same neighbour gets nothing.
        assert!(asked(&lab, Host::Neighbour, "rebound.example").starts_with("HTTP/1.1 421 "));
        // The router is in the same network, and not among those who are allowed; nor is the home itself.
        for host in [Host::Router, Host::Home] {
            assert_eq!(asked(&lab, host, &own), "", "{host:?}");
        }
        daemon.stop();
    });
}
