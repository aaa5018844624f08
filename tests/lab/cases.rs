//! The cases in which no record can help: each is named, and nothing is published.

use std::net::{Ipv4Addr, TcpListener};

use fingerpost::record::{RecordType, RrSet};

use crate::common::nginx::{Nginx, Service};
use crate::common::{DnsServer, ZONE, set};
use crate::living::{Daemon, until};
use crate::net::Lab;
use crate::parts::{Fingerpost, configuration};
use crate::plan::{BEHIND_CARRIER, BEHIND_FRONT, ECHOES, HOME, Host, PREFIX, Shape, VPN_EXIT, WAN};
use crate::scenario::scenario;

const NEXT: Ipv4Addr = Ipv4Addr::new(203, 0, 113, 77);
const BEFORE: &str = "203.0.113.250";
const LINES: &str = "gauge 120 A 203.0.113.250\n";
const ROUTER: &str = "[[witness]]\nname = \"router\"\nkind = \"router\"\n";

/// Refused, and no ruling (sysexits.h).
const NOPERM: Option<i32> = Some(77);
const UNAVAILABLE: Option<i32> = Some(69);

/// The configuration with a router among the witnesses, and `gauge` as the record. No push: the rounds are counted.
fn home(watch: &str, types: &str) -> String {
    let patience = if watch.contains("timeout") { "" } else { "timeout = \"2s\"\n" };
    let watch = format!("every = \"1h\"\nsettle = 2\nsettle_every = \"100ms\"\n{patience}push = false\n{watch}");
    configuration(&watch, &[("gauge", &format!("types = [{types}]"))]) + ROUTER
}

/// The home, its zone and its witnesses.
struct Case<'l> {
    lab: &'l Lab,
    named: DnsServer,
    nginx: Nginx,
    fingerpost: Fingerpost<'l>,
}

impl<'l> Case<'l> {
    fn new(lab: &'l Lab, configuration: &str) -> Self {
        let (named, nginx) = (lab.named(LINES), lab.echoes());
        Self { lab, named, nginx, fingerpost: lab.fingerpost(Host::Home, configuration) }
    }

    fn gauge(&self) -> Option<RrSet> {
        self.lab.rrset(&self.named, "gauge", RecordType::A)
    }

    fn serial(&self) -> u32 {
        self.lab.within(Host::Outside, || self.named.serial(ZONE))
    }

    /// What a command says for people, which ends with this status.
    #[track_caller]
    fn said(&self, arguments: &[&str], status: Option<i32>) -> String {
        let output = self.fingerpost.run(arguments);
        assert_eq!(output.status.code(), status, "{arguments:?}: {output:?}");
        String::from_utf8(output.stdout).unwrap()
    }

    /// The kinds of what `locate --json` finds.
    #[track_caller]
    fn found(&self) -> Vec<String> {
        let output = self.fingerpost.run(&["locate", "--json"]);
        let document: serde_json::Value = serde_json::from_slice(&output.stdout).unwrap();
        let findings = document["findings"].as_array().unwrap().iter();
        findings.map(|finding| finding["finding"].as_str().unwrap().to_owned()).collect()
    }

    /// Lets the daemon begin a round, and so end the one before.
    fn round(&self, daemon: &Daemon) {
        let asked = self.nginx.asked(0, 0).len();
        daemon.look();
        self.nginx.asked(0, asked + 1);
    }

    /// Nothing is written in some rounds to come.
    #[track_caller]
    fn nothing_is_written(&self, daemon: &Daemon) {
        let serial = self.serial();
        (0..5).for_each(|_| self.round(daemon));
        assert_eq!((self.gauge(), self.serial()), (Some(set(120, &[BEFORE])), serial), "{}", daemon.log());
    }

    /// What was entered in the audit log as `event`: what each entry is about.
    fn entered(&self, event: &str) -> Vec<String> {
        let entries = self.fingerpost.audit(event).into_iter();
        entries.map(|entry| entry["about"].as_str().unwrap().to_owned()).collect()
    }

    /// Everyone who asks is told of the finding called `kind` (in the audit log `about`) in these words, and nothing is
    /// written. When `pass` has made it pass, it is gone, and the record follows to [`NEXT`].
    #[track_caller]
    fn is_held(&self, kind: &str, about: &str, words: &[&str], pass: impl FnOnce()) {
        let located = self.said(&["locate"], Some(0));
        let previewed = self.said(&["preview"], NOPERM);
        let synced = self.said(&["sync"], NOPERM);
        for said in [&located, &previewed, &synced] {
            assert!(words.iter().all(|word| said.contains(word)), "{words:?} in:\n{said}");
        }
        for said in [&previewed, &synced] {
            assert!(said.contains("held back") && said.contains("carrier_nat = \"publish\""), "{said}");
        }
        assert_eq!(self.found(), [kind]);

        let (mut daemon, mut manager) = self.fingerpost.daemon_and_manager();
        until("the status", || daemon.is_up() && words.iter().all(|word| manager.status().contains(word)));
        self.nothing_is_written(&daemon);
        assert!(manager.status().starts_with("0 of 1 records in step, 1 held back; "), "{}", manager.status());
        assert_eq!(daemon.log().matches(words[0]).count(), 1, "{}", daemon.log());
        assert_eq!(self.entered("found"), [about]);
        let text = self.fingerpost.audit("found")[0]["text"].to_string();
        assert!(words.iter().all(|word| text.contains(word)), "{text}");
        assert_eq!(self.fingerpost.audit("gone").len() + self.fingerpost.audit("intent").len(), 0);

        pass();
        until("its end", || {
            self.round(&daemon);
            self.gauge() == Some(set(120, &[&NEXT.to_string()]))
        });
        until("the status without it", || manager.status().starts_with("1 of 1 records in step; IPv4 "));
        assert!(!manager.status().contains(words[0]), "{}", manager.status());
        assert_eq!((self.entered("found"), self.entered("gone")), (vec![about.to_owned()], vec![about.to_owned()]));
        assert_eq!(daemon.log().matches(words[0]).count(), 1, "{}", daemon.log());
        assert_eq!(daemon.log().matches("no more: ").count(), 1, "{}", daemon.log());
        daemon.stop();
        assert_eq!(self.found(), [""; 0]);
        self.said(&["audit", "verify"], Some(0));
    }
}

#[test]
#[ignore = "needs namespaces, iproute2, nftables, nginx and named: tests/all.sh runs it"]
fn a_carrier_nat_by_the_routers_shared_address() {
    scenario(a_carrier_nat_by_the_routers_shared_address, || {
        let lab = Lab::up(Shape::CarrierNat);
        let case = Case::new(&lab, &home("", "\"A\""));
        let says = lab.router_says(BEHIND_CARRIER);
        let words = ["carrier NAT: the router has 100.64.0.7", "the outside sees 203.0.113.9", "public IPv4 address"];
        case.is_held("carrier-nat", "carrier-nat", &words, || {
            lab.public(NEXT);
            *says.lock().unwrap() = Some(NEXT);
        });
    });
}

/// A real router says that it has no address rather than one that is not public.
#[test]
#[ignore = "needs namespaces, iproute2, nftables, nginx, named, coturn and miniupnpd: tests/all.sh runs it"]
fn a_carrier_nat_by_a_router_without_an_address() {
    scenario(a_carrier_nat_by_a_router_without_an_address, || {
        let lab = Lab::up(Shape::CarrierNat);
        let case = Case::new(&lab, &home("", "\"A\""));
        let _coturn = lab.coturn();
        let mut miniupnpd = Some(lab.miniupnpd_with(""));
        let words = ["carrier NAT, or another router in front: the router says that it has no public address"];
        case.is_held("carrier-nat", "carrier-nat", &words, || {
            drop(miniupnpd.take());
            lab.public(NEXT);
            miniupnpd = Some(lab.miniupnpd());
        });
    });
}

#[test]
#[ignore = "needs namespaces, iproute2, nftables, nginx and named: tests/all.sh runs it"]
fn a_double_nat_by_the_routers_private_address() {
    scenario(a_double_nat_by_the_routers_private_address, || {
        let lab = Lab::up(Shape::DoubleNat);
        let case = Case::new(&lab, &home("", "\"A\""));
        let says = lab.router_says(BEHIND_FRONT);
        let words =
            ["double NAT", "192.168.1.2", "the outside sees 203.0.113.9", "a bridge or let it forward the port"];
        case.is_held("double-nat", "double-nat", &words, || {
            lab.public(NEXT);
            *says.lock().unwrap() = Some(NEXT);
        });
    });
}

#[test]
#[ignore = "needs namespaces, iproute2, nftables, nginx, named, coturn and miniupnpd: tests/all.sh runs it"]
fn a_vpn_egress_by_router_and_outside_that_differ() {
    scenario(a_vpn_egress_by_router_and_outside_that_differ, || {
        let lab = Lab::up(Shape::VpnEgress);
        let case = Case::new(&lab, &home("", "\"A\""));
        let (_coturn, _miniupnpd) = (lab.coturn(), lab.miniupnpd());
        let words = ["IPv4 leaves elsewhere: the router has 203.0.113.9", &VPN_EXIT.to_string(), "the end of a VPN"];
        case.is_held("other-egress", "other-egress IPv4", &words, || {
            lab.ip(Host::Home, "route del 0.0.0.0/1\nroute del 128.0.0.0/1\n");
            lab.router_wan(NEXT);
        });
    });
}

/// RFC 6598 is about IPv4: there is no carrier NAT of IPv6, and AAAA is the way out.
#[test]
#[ignore = "needs namespaces, iproute2, nftables, nginx and named: tests/all.sh runs it"]
fn what_is_held_is_published_when_the_owner_says_so_and_ipv6_is_not_held() {
    scenario(what_is_held_is_published_when_the_owner_says_so_and_ipv6_is_not_held, || {
        let lab = Lab::up(Shape::CarrierNat);
        let case = Case::new(&lab, &home("", "\"A\", \"AAAA\""));
        let _router = lab.router_says(BEHIND_CARRIER);
        lab.prefix(PREFIX);
        let (v6, home6) = ("2001:db8:77::77", |lab: &Lab| lab.addresses(Host::Home, "eth0"));
        until("the home's address", || home6(&lab).iter().any(|(address, _)| address.to_string() == v6));

        let synced = case.said(&["sync"], NOPERM);
        assert!(synced.contains("A     held back: 203.0.113.9") && synced.contains("AAAA"), "{synced}");
        assert_eq!(case.gauge(), Some(set(120, &[BEFORE])));
        assert_eq!(lab.rrset(&case.named, "gauge", RecordType::Aaaa), Some(set(120, &[v6])));
        let output = case.fingerpost.run(&["preview", "--json"]);
        let document: serde_json::Value = serde_json::from_slice(&output.stdout).unwrap();
        let held = serde_json::json!([{ "name": "gauge.heronmill.example", "type": "A", "address": "203.0.113.9" }]);
        assert_eq!(document["held_back"], held);

        case.fingerpost.configure(&home("carrier_nat = \"publish\"", "\"A\", \"AAAA\""));
        let synced = case.said(&["sync"], Some(0));
        assert!(synced.contains("carrier NAT: the router has 100.64.0.7") && !synced.contains("held back"), "{synced}");
        assert_eq!(case.gauge(), Some(set(120, &[&WAN.to_string()])));
    });
}

/// One datagram without a secret, which any machine of the local network can send in the router's name (RFC 6886, section 9):
/// whatever it says, the records follow the outside. A second word makes it known.
#[test]
#[ignore = "needs namespaces, iproute2, nftables, nginx and named: tests/all.sh runs it"]
fn what_natpmp_alone_says_holds_nothing_back() {
    scenario(what_natpmp_alone_says_holds_nothing_back, || {
        let lab = Lab::up(Shape::Plain);
        let case = Case::new(&lab, &home("timeout = \"500ms\"", "\"A\""));
        let (says, _) = lab.natpmp_says(BEHIND_FRONT);
        let alone =
            "by NAT-PMP alone, which anybody on the local network can do in its name, and nothing is held back for it";
        for (address, kind) in [
            (BEHIND_FRONT, "double NAT"),
            (BEHIND_CARRIER, "carrier NAT"),
            (Ipv4Addr::UNSPECIFIED, "carrier NAT"),
            (NEXT, "leaves elsewhere"),
        ] {
            *says.lock().unwrap() = Some(address);
            let said = case.said(&["preview"], Some(0));
            assert!(said.contains(kind) && said.contains(alone) && !said.contains("; held back"), "{address}: {said}");
            assert_eq!(case.found(), ["unseconded"]);
        }
        *says.lock().unwrap() = Some(BEHIND_FRONT);
        let (mut daemon, mut manager) = case.fingerpost.daemon_and_manager();
        until("the record", || daemon.is_up() && case.gauge() == Some(set(120, &[&WAN.to_string()])));
        until("the status", || manager.status().contains(alone));
        assert_eq!(case.entered("found"), ["double-nat"]);
        daemon.stop();
    });
}

/// Neither a router that says nothing for a while nor a start while it does has a stranger's address published.
#[test]
#[ignore = "needs namespaces, iproute2, nftables, nginx and named: tests/all.sh runs it"]
fn a_carrier_nat_is_not_over_because_the_router_falls_silent() {
    scenario(a_carrier_nat_is_not_over_because_the_router_falls_silent, || {
        let lab = Lab::up(Shape::CarrierNat);
        let case = Case::new(&lab, &home("timeout = \"300ms\"", "\"A\""));
        let says = lab.router_says(BEHIND_CARRIER);
        let start = || {
            let (mut daemon, mut manager) = case.fingerpost.daemon_and_manager();
            until("the status", || daemon.is_up() && manager.status().contains("carrier NAT"));
            daemon
        };
        let daemon = start();
        case.nothing_is_written(&daemon);
        *says.lock().unwrap() = None;
        case.nothing_is_written(&daemon);
        daemon.stop();
        let daemon = start();
        case.nothing_is_written(&daemon);
        daemon.stop();
        for command in ["preview", "sync"] {
            assert!(case.said(&[command], NOPERM).contains("held back"));
        }
        assert_eq!(case.gauge(), Some(set(120, &[BEFORE])));
        assert_eq!((case.entered("found"), case.entered("gone")), (vec!["carrier-nat".to_owned()], vec![]));
    });
}

/// What cannot be known: the router has learned the carrier's address by STUN and tells it as its own, so all agree.
/// Only a knock from outside shows that nobody gets in.
#[test]
#[ignore = "needs namespaces, iproute2, nftables, nginx, named, coturn and miniupnpd: tests/all.sh runs it"]
fn a_carrier_nat_behind_which_the_router_asks_the_outside_is_not_seen() {
    scenario(a_carrier_nat_behind_which_the_router_asks_the_outside_is_not_seen, || {
        let lab = Lab::up(Shape::CarrierNat);
        let case = Case::new(&lab, &home("", "\"A\""));
        let (_coturn, _miniupnpd) = (lab.coturn(), lab.miniupnpd());
        assert!(case.said(&["locate"], Some(0)).contains("203.0.113.9   agreed by 6 of 6 operators"));
        assert_eq!(case.found(), [""; 0]);
        case.said(&["sync"], Some(0));
        assert_eq!(case.gauge(), Some(set(120, &[&WAN.to_string()])));

        lab.publish(443);
        let _service = lab.within(Host::Home, || TcpListener::bind((HOME, 443)).unwrap());
        let _witness = lab.witness(&["--knock-back", "--accept-special", "203.0.113.0/24"]);
        let knock = || lab.asked(Host::Home, Ipv4Addr::new(198, 51, 100, 12).into(), "/knock?port=443", "");
        assert!(knock().contains("\"knock\":\"turned away\",\"port\":443,\"seen\":\"203.0.113.9\""), "{}", knock());
        lab.public(NEXT);
        assert!(knock().contains("\"knock\":\"answered\",\"port\":443,\"seen\":\"203.0.113.77\""), "{}", knock());
    });
}

#[test]
#[ignore = "needs namespaces, iproute2, nftables, nginx and named: tests/all.sh runs it"]
fn one_family_missing() {
    scenario(one_family_missing, || {
        let lab = Lab::up(Shape::Plain);
        let case = Case::new(&lab, &home("", "\"A\", \"AAAA\""));
        let _router = lab.natpmp_says(WAN);
        let words = "no witness answers over IPv6, and records want it";
        let synced = case.said(&["sync"], UNAVAILABLE);
        assert!(synced.contains(words) && case.said(&["locate"], UNAVAILABLE).contains(words), "{synced}");
        assert_eq!(case.found(), ["family-missing"]);
        // The other family is none the worse for it.
        assert_eq!(case.gauge(), Some(set(120, &[&WAN.to_string()])));
        let (mut daemon, mut manager) = case.fingerpost.daemon_and_manager();
        until("the status", || daemon.is_up() && manager.status().contains(words));
        (0..3).for_each(|_| case.round(&daemon));
        lab.prefix(PREFIX);
        until("IPv6", || {
            case.round(&daemon);
            lab.rrset(&case.named, "gauge", RecordType::Aaaa) == Some(set(120, &["2001:db8:77::77"]))
        });
        until("the status without it", || !manager.status().contains(words));
        assert_eq!(daemon.log().matches(words).count(), 1, "{}", daemon.log());
        let about = || vec!["family-missing IPv6".to_owned()];
        assert_eq!((case.entered("found"), case.entered("gone")), (about(), about()));
        daemon.stop();
    });
}

/// A network that wants a log-in first: pages in place of answers, and a demand (RFC 6585, section 6).
#[test]
#[ignore = "needs namespaces, iproute2, nftables, nginx and named: tests/all.sh runs it"]
fn a_captive_portal() {
    scenario(a_captive_portal, || {
        let lab = Lab::up(Shape::Plain);
        let mut case = Case::new(&lab, &home("", "\"A\""));
        let _router = lab.natpmp_says(WAN);
        let page = "default_type text/html; return 200 '<!doctype html><title>Welcome</title><p>Please log in.';";
        let answers = [page, page, "return 511 '<html>log in</html>';", page, page];
        let ats = ECHOES.map(|last| (Ipv4Addr::new(198, 51, 100, last), 80).into());
        let services: Vec<_> = answers.iter().zip(ats).map(|(answer, at)| Service::with(answer).at(at)).collect();
        case.nginx.stop();
        case.nginx = lab.within(Host::Outside, || Nginx::start(&services));
        let words = "web pages came instead of addresses (in place of north-collective, ferryman, tern-labs, millrace, quayside)";
        for command in ["locate", "preview", "sync"] {
            assert!(case.said(&[command], UNAVAILABLE).contains(words));
        }
        assert_eq!(case.found(), ["captive-portal"]);
        let (mut daemon, mut manager) = case.fingerpost.daemon_and_manager();
        until("the status", || daemon.is_up() && manager.status().contains(words));
        case.nothing_is_written(&daemon);
        case.nginx.stop();
        case.nginx = lab.echoes();
        until("the address", || {
            case.round(&daemon);
            case.gauge() == Some(set(120, &[&WAN.to_string()]))
        });
        until("the status without it", || !manager.status().contains(words));
        assert_eq!(daemon.log().matches(words).count(), 1, "{}", daemon.log());
        let about = || vec!["captive-portal".to_owned()];
        assert_eq!((case.entered("found"), case.entered("gone")), (about(), about()));
        daemon.stop();
    });
}

/// One router against all of the outside: whether anybody gets in there decides.
#[test]
#[ignore = "needs namespaces, iproute2, nftables, nginx and named: tests/all.sh runs it"]
fn where_a_router_contradicts_a_helper_decides() {
    scenario(where_a_router_contradicts_a_helper_decides, || {
        let lab = Lab::up(Shape::Plain);
        let helped = format!(
            "[exposure]\nhelper = \"http://198.51.100.{}:8080/\"\n[[exposure.service]]\nname = \"gauge.{ZONE}\"\n\
             origin = \"{HOME}:443\"\n",
            ECHOES[0]
        );
        let case = Case::new(&lab, &(home("", "\"A\"") + &helped));
        let _router = lab.router_says(NEXT);
        let _service = lab.within(Host::Home, || TcpListener::bind((HOME, 443)).unwrap());
        let _helper = lab.witness(&["--knock-back", "--accept-special", "203.0.113.0/24"]);

        let (mut daemon, mut manager) = case.fingerpost.daemon_and_manager();
        until("the status", || daemon.is_up() && manager.status().contains("IPv4 leaves elsewhere"));
        case.nothing_is_written(&daemon);
        let contradicts =
            "router contradicts: for 20 rounds it has said 203.0.113.77, and the outside agrees on 203.0.113.9; ";
        // The port leads nowhere yet, and the helper says so.
        until("the helper's word", || {
            case.round(&daemon);
            manager.status().contains(&format!("{contradicts}no helper gets in there: "))
        });
        case.nothing_is_written(&daemon);

        lab.publish(443);
        // Asked again at the next look at what the outside can see; a reload is one.
        daemon.reload();
        until("the end of the hold", || {
            case.round(&daemon);
            case.gauge() == Some(set(120, &[&WAN.to_string()]))
        });
        let in_step = "1 of 1 records in step; ";
        until("the status", || manager.status().starts_with(in_step));
        let said = format!("{contradicts}a helper gets in there, so IPv4 is published");
        assert!(manager.status().contains(&said), "{}", manager.status());
        assert_eq!(case.fingerpost.audit("intent").len(), 1);
        daemon.stop();
    });
}
