//! The program as a witness for another household, asked through the household's router.

use std::io::ErrorKind;
use std::net::{IpAddr, Ipv4Addr, TcpListener};

use fingerpost::record::RecordType;
use serde_json::{Value, json};

use crate::common::{ZONE, set};
use crate::living::until;
use crate::net::Lab;
use crate::parts::configuration;
use crate::plan::{HOME, Host, PREFIX, STUN, STUN_IPV6, Shape, WAN};
use crate::scenario::scenario;

const NEXT: Ipv4Addr = Ipv4Addr::new(203, 0, 113, 77);
const HOME_IPV6: &str = "2001:db8:77::77";
/// Where the witness is asked over HTTP.
const ECHO: IpAddr = IpAddr::V4(Ipv4Addr::new(198, 51, 100, 12));
/// The same over IPv6.
const ECHO_IPV6: IpAddr = IpAddr::V6(STUN_IPV6);
/// Documentation addresses are no home's.
const LAB: [&str; 7] = [
    "--knock-back",
    "--accept-special",
    "203.0.113.0/24",
    "--accept-special",
    "198.51.100.0/24",
    "--accept-special",
    "2001:db8::/32",
];

fn ipv6(lab: &Lab) {
    lab.prefix(PREFIX);
    until("an IPv6 address", || lab.addresses(Host::Home, "eth0").iter().any(|(a, _)| a.to_string() == HOME_IPV6));
}

#[test]
#[ignore = "needs namespaces, iproute2, nftables and named: tests/all.sh runs it"]
fn a_home_asks_it_over_http_and_stun_in_both_families() {
    scenario(a_home_asks_it_over_http_and_stun_in_both_families, || {
        let lab = Lab::up(Shape::Plain);
        let (named, witness) = (lab.named(""), lab.witness(&[]));
        ipv6(&lab);
        let whole = configuration("every = \"1h\"\ntimeout = \"2s\"", &[]);
        let mut text = whole.split("[[witness]]").next().unwrap().to_owned();
        // One operator each: that they agree shows that each has answered.
        for (family, text_at, json_at, stun_at) in [
            ("ipv4", ECHO.to_string(), ECHO.to_string(), STUN[1].to_string()),
            ("ipv6", format!("[{ECHO_IPV6}]"), format!("[{ECHO_IPV6}]"), format!("[{STUN_IPV6}]")),
        ] {
            for (operator, kind) in [
                ("ferryman", format!("kind = \"http\"\nurl = \"http://{text_at}:8080/\"")),
                ("millrace", format!("kind = \"http\"\nurl = \"http://{json_at}:8080/seen\"\nextract = \"/seen\"")),
                ("quayside", format!("kind = \"stun\"\nserver = \"{stun_at}:3480\"")),
            ] {
                text += &format!(
                    "[[witness]]\nname = \"{operator}-{family}\"\noperator = \"{operator}\"\n{kind}\n\
                     families = [\"{family}\"]\n"
                );
            }
        }
        text += &format!("[[record]]\nname = \"gauge.{ZONE}\"\nprovider = \"home\"\nttl = \"2m\"\n");
        text += "types = [\"A\", \"AAAA\"]\n";
        let fingerpost = lab.fingerpost(Host::Home, &text);
        for wan in [WAN, NEXT] {
            if wan != lab.wan() {
                lab.router_wan(wan);
            }
            let said = String::from_utf8(fingerpost.run(&["locate"]).stdout).unwrap();
            for address in [wan.to_string(), HOME_IPV6.to_owned()] {
                assert!(said.contains(&format!("{address}   agreed by 3 of 3 operators")), "{said}");
            }
            let synced = fingerpost.run(&["sync"]);
            assert!(synced.status.success(), "{synced:?}");
            assert_eq!(lab.rrset(&named, "gauge", RecordType::A), Some(set(120, &[&wan.to_string()])));
        }
        assert_eq!(lab.rrset(&named, "gauge", RecordType::Aaaa), Some(set(120, &[HOME_IPV6])));
        let log = witness.log();
        assert!(!log.contains("203.0.113.") && !log.contains(HOME_IPV6), "nothing is written about clients: {log}");
    });
}

/// What the witness found, by a knock that it answered.
#[track_caller]
fn knocked(lab: &Lab, host: Host, service: IpAddr, port: u16) -> Value {
    let answer = lab.asked(host, service, &format!("/knock?port={port}"), "");
    assert!(answer.starts_with("HTTP/1.1 200 "), "{answer}");
    serde_json::from_str(answer.split_once("\r\n\r\n").unwrap().1).unwrap()
}

#[test]
#[ignore = "needs namespaces, iproute2 and nftables: tests/all.sh runs it"]
fn a_knock_tells_ways_apart_through_the_nat() {
    scenario(a_knock_tells_ways_apart_through_the_nat, || {
        let lab = Lab::up(Shape::Plain);
        let _witness = lab.witness(&LAB);
        ipv6(&lab);
        lab.publish(443);
        lab.publish(8443);
        let _service = lab.within(Host::Home, || TcpListener::bind((HOME, 443)).unwrap());
        let _other = lab.within(Host::Home, || TcpListener::bind((HOME, 80)).unwrap());
        for (port, knock) in [(443, "answered"), (8443, "turned away"), (80, "no answer")] {
            let found = knocked(&lab, Host::Home, ECHO, port);
            assert_eq!(found, json!({ "seen": WAN, "port": port, "knock": knock }));
        }
        // Another machine of the same household asks about the same router.
        assert_eq!(knocked(&lab, Host::Neighbour, ECHO, 443), json!({ "seen": WAN, "port": 443, "knock": "answered" }));
        lab.router_wan(NEXT);
        assert_eq!(knocked(&lab, Host::Home, ECHO, 443), json!({ "seen": NEXT, "port": 443, "knock": "answered" }));

        let _ipv6 = lab.within(Host::Home, || TcpListener::bind((HOME_IPV6, 443)).unwrap());
        let knock = |port| knocked(&lab, Host::Home, ECHO_IPV6, port);
        assert_eq!(knock(443), json!({ "seen": HOME_IPV6, "port": 443, "knock": "no answer" }));
        lab.admit_ipv6(443);
        lab.admit_ipv6(8443);
        assert_eq!(knock(443), json!({ "seen": HOME_IPV6, "port": 443, "knock": "answered" }));
        assert_eq!(knock(8443), json!({ "seen": HOME_IPV6, "port": 8443, "knock": "turned away" }));
    });
}

#[test]
#[ignore = "needs namespaces, iproute2 and nftables: tests/all.sh runs it"]
fn a_knock_goes_to_whoever_asks_and_to_nobody_else() {
    scenario(a_knock_goes_to_whoever_asks_and_to_nobody_else, || {
        let lab = Lab::up(Shape::Plain);
        let _witness = lab.witness(&[&LAB[..], &["--knocks-per-minute", "60"]].concat());
        lab.publish(443);
        let service = lab.within(Host::Home, || TcpListener::bind((HOME, 443)).unwrap());
        service.set_nonblocking(true).unwrap();
        let claims = "X-Forwarded-For: 203.0.113.9\r\nForwarded: for=203.0.113.9\r\nX-Real-IP: 203.0.113.9\r\n";
        for target in ["/knock?port=443", "http://203.0.113.9/knock?port=443", "http://203.0.113.9:443/knock?port=443"]
        {
            let answer = lab.asked(Host::Intruder, ECHO, target, claims);
            assert!(
                answer.ends_with("{\"knock\":\"turned away\",\"port\":443,\"seen\":\"198.51.100.200\"}\n"),
                "{answer}"
            );
        }
        for target in [
            "/knock?port=443&ip=203.0.113.9",
            "/knock?ip=203.0.113.9&port=443",
            "/knock?port=203.0.113.9:443",
            "/knock/203.0.113.9?port=443",
            "/knock?port=443&port=80",
            "/knock?port=0",
            "/knock",
        ] {
            let answer = lab.asked(Host::Intruder, ECHO, target, claims);
            assert!(answer.starts_with("HTTP/1.1 400 ") || answer.starts_with("HTTP/1.1 404 "), "{target}: {answer}");
        }
        // Nobody has knocked at the home, which would have heard it: its own question is.
        assert_eq!(service.accept().unwrap_err().kind(), ErrorKind::WouldBlock);
        assert_eq!(knocked(&lab, Host::Home, ECHO, 443)["knock"], "answered");
        until("the knock", || service.accept().is_ok());
    });
}

#[test]
#[ignore = "needs namespaces, iproute2 and nftables: tests/all.sh runs it"]
fn a_knock_is_refused_over_the_limits_and_where_it_was_not_allowed() {
    scenario(a_knock_is_refused_over_the_limits_and_where_it_was_not_allowed, || {
        let lab = Lab::up(Shape::Plain);
        let status = |host| {
            let answer = lab.asked(host, ECHO, "/knock?port=8443", "");
            let limited = answer.contains("\r\nRetry-After: ");
            (answer.split(' ').nth(1).unwrap().to_owned(), limited)
        };
        let answers = |code: &str, limited| (code.to_owned(), limited);
        lab.publish(8443);

        // By each and by all, a minute.
        let few = ["--knocks-per-minute", "1", "--all-knocks-per-minute", "2"];
        let witness = lab.witness(&[&LAB[..], &few].concat());
        assert_eq!(status(Host::Home), answers("200", false));
        assert_eq!(status(Host::Home), answers("429", true));
        // One address of one household is one client.
        assert_eq!(status(Host::Neighbour), answers("429", true));
        assert_eq!(status(Host::Edge), answers("200", false));
        assert_eq!(status(Host::Intruder), answers("429", true));
        drop(witness);

        // Without the ranges that a lab has to name, and without the option.
        let witness = lab.witness(&["--knock-back"]);
        assert_eq!(status(Host::Home), answers("403", false));
        drop(witness);
        let _witness = lab.witness(&[]);
        assert_eq!(status(Host::Home), answers("404", false));
    });
}
