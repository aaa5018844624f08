//! A home with two lines: each voted on apart, and a record that follows the first that works.

use std::net::Ipv4Addr;

use fingerpost::record::RecordType;

use crate::common::nginx::Nginx;
use crate::common::{DnsServer, ZONE, set};
use crate::living::{Daemon, signal, until};
use crate::net::Lab;
use crate::parts::configuration;
use crate::plan::{BEHIND_CARRIER, DNS, Host, Line, SECOND_GATEWAY, SECOND_HOME, Shape};
use crate::scenario::scenario;

const FIRST: &str = "203.0.113.9";
const SECOND: &str = "203.0.113.109";
const ROUTER: &str = "[[witness]]\nname = \"router\"\nkind = \"router\"\nline = \"fibre\"\n";

/// A line told by its interface and one by its source address, three operators on each, and a record that prefers
/// the first.
fn home(return_after: &str) -> String {
    let watch = format!(
        "every = \"1h\"\nsettle = 2\nsettle_every = \"100ms\"\ntimeout = \"500ms\"\npush = false\n\
         return_after = \"{return_after}\"\n"
    );
    let whole = configuration(&watch, &[]);
    let mut text = whole.split("[[witness]]").next().unwrap().to_owned();
    text += &format!(
        "[[line]]\nname = \"fibre\"\ninterface = \"eth0\"\n[[line]]\nname = \"radio\"\nsource = [\"{SECOND_HOME}\"]\n"
    );
    for line in ["fibre", "radio"] {
        for (operator, last) in [("north-collective", 11), ("ferryman", 12), ("quayside", 13)] {
            text += &format!(
                "[[witness]]\nname = \"{operator}-{line}\"\noperator = \"{operator}\"\nline = \"{line}\"\nkind = \"http\"\n\
                 url = \"http://198.51.100.{last}/\"\nfamilies = [\"ipv4\"]\n"
            );
        }
    }
    text + &format!(
        "[[record]]\nname = \"gauge.{ZONE}\"\nprovider = \"home\"\nttl = \"2m\"\ntypes = [\"A\"]\n\
         lines = [\"fibre\", \"radio\"]\n"
    )
}

/// The way to the DNS server does not hang on the line that will fail: which way the machine itself takes is its
/// routes' affair, not fingerpost's.
fn servers(lab: &Lab) -> (DnsServer, Nginx) {
    lab.ip(Host::Home, &format!("route add {DNS}/32 via {SECOND_GATEWAY} dev eth1\n"));
    (lab.named(""), lab.echoes())
}

/// Lets the daemon begin a round, and so end the one before. The second line works throughout.
fn round(nginx: &Nginx, daemon: &Daemon) {
    let asked = nginx.asked(0, 0).len();
    daemon.look();
    nginx.asked(0, asked + 1);
}

#[test]
#[ignore = "needs namespaces, iproute2, nftables, nginx and named: tests/all.sh runs it"]
fn a_record_fails_over_to_the_second_line_and_returns_when_the_first_has_worked_for_a_while() {
    scenario(a_record_fails_over_to_the_second_line_and_returns_when_the_first_has_worked_for_a_while, || {
        let lab = Lab::up(Shape::TwoLines);
        let (named, nginx) = servers(&lab);
        let gauge = |address: &str| lab.rrset(&named, "gauge", RecordType::A) == Some(set(120, &[address]));
        let fingerpost = lab.fingerpost(Host::Home, &home("1h"));
        let said = String::from_utf8(fingerpost.run(&["locate"]).stdout).unwrap();
        assert!(said.contains(&format!("fibre IPv4  {FIRST}   agreed by 3 of 3")), "{said}");
        assert!(said.contains(&format!("radio IPv4  {SECOND}   agreed by 3 of 3")), "{said}");

        let mut daemon = fingerpost.daemon();
        until("the preferred line", || daemon.is_up() && gauge(FIRST));
        // What happens to the other line does not concern the record.
        lab.second_wan(Ipv4Addr::new(203, 0, 113, 110));
        until("the second line's news", || {
            round(&nginx, &daemon);
            daemon.log().contains("radio IPv4: the home has moved from 203.0.113.109 to 203.0.113.110")
        });
        (0..3).for_each(|_| round(&nginx, &daemon));
        assert!(gauge(FIRST));

        lab.cut(Line::First);
        until("the second line", || {
            round(&nginx, &daemon);
            gauge("203.0.113.110")
        });
        lab.mend(Line::First);
        until("the first line's ruling", || {
            round(&nginx, &daemon);
            daemon.log().contains("fibre IPv4: the operators agree again")
        });
        (0..5).for_each(|_| round(&nginx, &daemon));
        assert!(gauge("203.0.113.110"), "it works again, but not for an hour yet");
        fingerpost.configure(&home("1ms"));
        signal(daemon.pid(), rustix::process::Signal::HUP);
        until("the return", || gauge(FIRST));

        let lines = |address: &str| {
            let settled = fingerpost.audit("settled").into_iter();
            settled.filter(|entry| entry["to"] == address).map(|entry| entry["line"].clone()).collect::<Vec<_>>()
        };
        assert_eq!([FIRST, SECOND, "203.0.113.110"].map(lines), [["fibre"], ["radio"], ["radio"]]);
        let written: Vec<_> =
            fingerpost.audit("intent").iter().map(|entry| entry["word"][0]["address"].clone()).collect();
        assert_eq!(written, [FIRST, "203.0.113.110", FIRST]);
        daemon.stop();
    });
}

/// Whatever the lines do while nobody looks, a start waits for the line that the record follows before it takes a lesser
/// one, and one that was left is returned to no sooner.
#[test]
#[ignore = "needs namespaces, iproute2, nftables, nginx and named: tests/all.sh runs it"]
fn a_restart_neither_leaves_a_line_early_nor_returns_to_one() {
    scenario(a_restart_neither_leaves_a_line_early_nor_returns_to_one, || {
        let lab = Lab::up(Shape::TwoLines);
        let (named, nginx) = servers(&lab);
        let gauge = |address: &str| lab.rrset(&named, "gauge", RecordType::A) == Some(set(120, &[address]));
        let fingerpost = lab.fingerpost(Host::Home, &home("1h"));
        let mut daemon = fingerpost.daemon();
        until("the preferred line", || daemon.is_up() && gauge(FIRST));
        daemon.stop();
        lab.router_wan(Ipv4Addr::new(203, 0, 113, 10));
        let mut daemon = fingerpost.daemon();
        until("its new address", || daemon.is_up() && gauge("203.0.113.10"));
        lab.cut(Line::First);
        until("the second line", || {
            round(&nginx, &daemon);
            gauge(SECOND)
        });
        daemon.stop();
        lab.mend(Line::First);
        let mut daemon = fingerpost.daemon();
        until("the daemon", || daemon.is_up());
        (0..5).for_each(|_| round(&nginx, &daemon));
        assert!(gauge(SECOND), "{}", daemon.log());
        let written: Vec<_> =
            fingerpost.audit("intent").iter().map(|entry| entry["word"][0]["address"].clone()).collect();
        assert_eq!(written, [FIRST, "203.0.113.10", SECOND]);
        daemon.stop();
    });
}

/// A line on which nothing can be published is none to follow: the other one is.
#[test]
#[ignore = "needs namespaces, iproute2, nftables, nginx and named: tests/all.sh runs it"]
fn a_record_leaves_a_line_behind_a_carrier_nat() {
    scenario(a_record_leaves_a_line_behind_a_carrier_nat, || {
        let lab = Lab::up(Shape::TwoLines);
        let (named, nginx) = servers(&lab);
        let gauge = |address: &str| lab.rrset(&named, "gauge", RecordType::A) == Some(set(120, &[address]));
        let fingerpost = lab.fingerpost(Host::Home, &(home("1ms") + ROUTER));
        let says = lab.router_says(BEHIND_CARRIER);
        for command in ["preview", "sync"] {
            let output = fingerpost.run(&[command]);
            let said = String::from_utf8_lossy(&output.stdout);
            assert!(
                output.status.success() && said.contains("fibre: carrier NAT: the router has 100.64.0.7"),
                "{said}"
            );
            assert!(said.contains(&format!("nothing → {SECOND}")) && !said.contains("held back"), "{said}");
        }
        assert!(gauge(SECOND));
        let mut daemon = fingerpost.daemon();
        until("the daemon", || daemon.is_up());
        (0..3).for_each(|_| round(&nginx, &daemon));
        assert!(gauge(SECOND));
        *says.lock().unwrap() = Some(FIRST.parse().unwrap());
        until("the first line", || {
            round(&nginx, &daemon);
            gauge(FIRST)
        });
        for event in ["found", "gone"] {
            let entered = fingerpost.audit(event);
            assert_eq!(
                (entered[0]["line"].as_str(), entered[0]["about"].as_str()),
                (Some("fibre"), Some("carrier-nat"))
            );
            assert_eq!(entered.len(), 1);
        }
        daemon.stop();
    });
}
