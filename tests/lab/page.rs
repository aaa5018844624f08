//! The status page in a home's network: for those who are allowed, and for nobody else.

use std::io::{Read as _, Write as _};
use std::net::{Ipv4Addr, TcpStream};
use std::time::Duration;

use fingerpost::record::RecordType;

use crate::chromium::Browser;
use crate::common::set;
use crate::living::until;
use crate::net::Lab;
use crate::parts::{configured, echo_witnesses};
use crate::plan::{HOME, Host, Shape};
use crate::scenario::scenario;

const PORT: u16 = 8053;
const NEIGHBOUR: Ipv4Addr = Ipv4Addr::new(192, 168, 77, 20);

/// The home's, with a page for one neighbour.
fn configuration() -> String {
    let watch = "settle = 1\nevery = \"1s\"";
    let rest = format!("[status]\nlisten = \"{HOME}:{PORT}\"\nallow = [\"{NEIGHBOUR}/32\"]\n");
    configured(watch, &echo_witnesses(3, "ipv4"), &[("gauge", "types = [\"A\"]")]) + &rest
}

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
        let fingerpost = lab.fingerpost(Host::Home, &configuration());
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

/// Where the access provider moves the home to.
const NEXT: Ipv4Addr = Ipv4Addr::new(203, 0, 113, 90);

#[test]
#[ignore = "needs namespaces, iproute2, nftables, named, nginx, chromium and chromedriver: tests/all.sh runs it"]
fn a_browser_next_door_sees_the_line_move() {
    scenario(a_browser_next_door_sees_the_line_move, || {
        let lab = Lab::up(Shape::Plain);
        let (named, _echoes) = (lab.named(""), lab.echoes());
        let fingerpost = lab.fingerpost(Host::Home, &configuration());
        let mut daemon = fingerpost.daemon();
        until("the page", || daemon.is_up() && daemon.log().contains("the status page is at http://"));
        let browser = lab.within(Host::Neighbour, || Browser::start(&["--disable-dev-shm-usage"]));
        let run = |script: &str| lab.within(Host::Neighbour, || browser.run(script));
        let shows = |home: Ipv4Addr| {
            let text = run("return document.body.innerText");
            let text = text.as_str().unwrap();
            text.contains(&format!("The home is at {home} since ")) && text.contains("The one record is in step.")
        };
        lab.within(Host::Neighbour, || browser.open(&format!("http://{HOME}:{PORT}/")));
        until("the page of the home", || shows(lab.wan()));
        run("window.marked = true");
        lab.router_wan(NEXT);
        until("the move", || shows(NEXT));
        // It is the same document, which nothing has loaded again.
        assert_eq!(run("return window.marked"), true);
        // The move is shown as soon as it is settled, and written right after.
        until("the record", || lab.rrset(&named, "gauge", RecordType::A) == Some(set(120, &[&NEXT.to_string()])));
        until("the page of the record", || shows(NEXT));
        lab.within(Host::Neighbour, || drop(browser));
        daemon.stop();
    });
}
