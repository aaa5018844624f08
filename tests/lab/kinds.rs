//! Every kind of witness, alone and together, in a home of real parts.

use std::net::IpAddr;

use fingerpost::provider::RecordType;

use crate::common::{ZONE, set};
use crate::living::until;
use crate::net::Lab;
use crate::parts::{Fingerpost, configuration};
use crate::plan::{Host, PREFIX, STUN, STUN_IPV6, Shape};
use crate::scenario::scenario;

const WATCH: &str = "every = \"1h\"\nsettle = 1\nsettle_every = \"100ms\"\ntimeout = \"3s\"\n";
const HOME_IPV6: &str = "2001:db8:77::77";

/// A configuration with these witnesses alone, and these types of `gauge`.
fn with(witnesses: &[&str], types: &str) -> String {
    let whole = configuration(WATCH, &[]);
    let head = whole.split("[[witness]]").next().unwrap();
    let witnesses: String = witnesses.iter().map(|witness| format!("[[witness]]\n{witness}\n")).collect();
    format!(
        "{head}{witnesses}[[record]]\nname = \"gauge.{ZONE}\"\nprovider = \"home\"\nttl = \"2m\"\ntypes = [{types}]\n"
    )
}

fn stun(families: &str) -> String {
    let server = if families.contains("ipv6") { format!("[{STUN_IPV6}]:3478") } else { format!("{}:3478", STUN[0]) };
    format!(
        "name = \"stun-{}\"\noperator = \"stun-{}\"\nkind = \"stun\"\nserver = \"{server}\"\nfamilies = [{families}]",
        server.len(),
        server.len()
    )
}

const HTTP: &str =
    "name = \"north\"\noperator = \"north\"\nkind = \"http\"\nurl = \"http://198.51.100.11/\"\nfamilies = [\"ipv4\"]";
const HTTP_IPV6: &str = "name = \"south\"\noperator = \"south\"\nkind = \"http\"\nurl = \"http://[2001:db8:53::b]/\"\nfamilies = [\"ipv6\"]";
const ROUTER: &str = "name = \"router\"\nkind = \"router\"";
const INTERFACE: &str = "name = \"here\"\nkind = \"interface\"\ninterface = \"eth0\"";

fn synced(fingerpost: &Fingerpost<'_>, config: &str) {
    fingerpost.configure(config);
    let output = fingerpost.run(&["sync"]);
    assert!(output.status.success(), "{config}\n{output:?}");
}

#[test]
#[ignore = "needs namespaces, iproute2, nftables, nginx, coturn, miniupnpd and named: tests/all.sh runs it"]
fn each_kind_alone_and_all_together_tell_the_right_address() {
    scenario(each_kind_alone_and_all_together_tell_the_right_address, || {
        let lab = Lab::up(Shape::Plain);
        let (named, _nginx, _coturn) = (lab.named(""), lab.echoes(), lab.coturn());
        let _miniupnpd = lab.miniupnpd();
        lab.prefix(PREFIX);
        let home: IpAddr = HOME_IPV6.parse().unwrap();
        until("an IPv6 address", || lab.addresses(Host::Home, "eth0").iter().any(|(a, s)| *a == home && *s > 0));
        let at = |rtype| lab.rrset(&named, "gauge", rtype);
        let fingerpost = lab.fingerpost(Host::Home, "");
        // Each time the line has another address, so that nothing that stands there from before passes for an answer.
        let mut last = 20;
        let mut moved = || {
            last += 1;
            let new = format!("203.0.113.{last}");
            lab.router_wan(new.parse().unwrap());
            new
        };
        let (stun4, stun6) = (stun("\"ipv4\""), stun("\"ipv6\""));
        for witness in [HTTP, &stun4, ROUTER] {
            let new = moved();
            // miniupnpd asks its own STUN server again before it tells the new address, and answers nobody meanwhile.
            if witness == ROUTER {
                fingerpost.configure(&with(&[witness], "\"A\""));
                until("the router's news", || {
                    fingerpost.run(&["sync"]).status.success() && at(RecordType::A) == Some(set(120, &[&new]))
                });
                continue;
            }
            synced(&fingerpost, &with(&[witness], "\"A\""));
            assert_eq!(at(RecordType::A), Some(set(120, &[&new])), "{witness}");
        }
        for witness in [HTTP_IPV6, &stun6, INTERFACE] {
            synced(&fingerpost, &with(&[witness], "\"AAAA\""));
            assert_eq!(at(RecordType::Aaaa), Some(set(120, &[HOME_IPV6])), "{witness}");
        }
        let new = moved();
        let all = with(&[HTTP, &stun4, ROUTER, HTTP_IPV6, &stun6, INTERFACE], "\"A\", \"AAAA\"");
        fingerpost.configure(&all);
        until("everybody's agreement", || {
            let said = String::from_utf8(fingerpost.run(&["locate"]).stdout).unwrap();
            said.matches("agreed by 3 of 3 operators").count() == 2 && fingerpost.run(&["sync"]).status.success()
        });
        assert_eq!(at(RecordType::A), Some(set(120, &[&new])));
        assert_eq!(at(RecordType::Aaaa), Some(set(120, &[HOME_IPV6])));
    });
}
